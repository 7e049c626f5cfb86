//! Lots: received quantities of an item. What is left of them is in the ledger.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// What of a lot may change after it was received.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct LotFields {
    /// The last day on which it may be used.
    pub expires_on: Option<NaiveDate>,
    /// Of seed: what came up of a thousand when it was tested.
    pub germination_permille: Option<i32>,
    /// The day of that test.
    pub germination_tested_on: Option<NaiveDate>,
    /// Anything else.
    pub note: String,
}

/// A lot to be kept.
#[derive(Debug, Clone)]
pub struct NewLot<'a> {
    /// The lot.
    pub id: Uuid,
    /// Of what.
    pub stock_item_id: Uuid,
    /// The supplier's code.
    pub code: &'a str,
    /// Base units received.
    pub quantity: i64,
    /// What it cost.
    pub cost_cents: Option<i64>,
    /// The day on which it came.
    pub received_on: NaiveDate,
    /// The order that it answers.
    pub stock_order_id: Option<Uuid>,
    /// What may change.
    pub fields: &'a LotFields,
}

/// What of a lot is in one store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct LotStore {
    /// The site.
    pub site_id: Uuid,
    /// Base units there.
    pub quantity: i64,
}

/// A lot as it is kept, with what is left of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Lot {
    /// The lot.
    pub id: Uuid,
    /// Of what.
    pub stock_item_id: Uuid,
    /// The item's name.
    pub stock_item_name: String,
    /// The item's category.
    pub category: String,
    /// `mass`, `volume` or `count`.
    pub dimension: String,
    /// The supplier's code.
    pub code: String,
    /// Base units received.
    pub quantity: i64,
    /// What it cost.
    pub cost_cents: Option<i64>,
    /// The day on which it came.
    pub received_on: NaiveDate,
    /// The order that it answers.
    pub stock_order_id: Option<Uuid>,
    /// What may change.
    #[sqlx(flatten)]
    pub fields: LotFields,
    /// What is left of it in every store that ever had some, as far as it was asked for.
    #[sqlx(json)]
    pub stores: Vec<LotStore>,
    /// Counts up with every change.
    pub version: i64,
    /// When it was received first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
}

macro_rules! lots_where {
    ($condition:literal) => {
        concat!(
            "select l.*, i.name as stock_item_name, i.category, i.dimension,
                    coalesce((select jsonb_agg(jsonb_build_object('site_id', s.site_id, 'quantity', s.quantity) order by s.site_id)
                                from store_lot s
                               where s.cooperative_id = l.cooperative_id and s.lot_id = l.id
                                 and ($2::uuid[] is null or s.site_id = any($2))), '[]') as stores
               from lot l
               join stock_item i on i.cooperative_id = l.cooperative_id and i.id = l.stock_item_id
              where l.cooperative_id = $1 and ",
            $condition
        )
    };
}

/// One lot, with what is left in the stores of some sites, or of all.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid, sites: Option<&[Uuid]>) -> Result<Option<Lot>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(lots_where!("l.id = $3"))
        .bind(cooperative_id)
        .bind(sites)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// One lot, held against other changes of its description until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<Lot>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as(lots_where!("l.id = $3 for no key update of l"))
            .bind(cooperative_id)
            .bind(None::<Vec<Uuid>>)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// Keeps a lot.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, lot: &NewLot<'_>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into lot (id, cooperative_id, stock_item_id, code, quantity, cost_cents, received_on, stock_order_id, expires_on,
                germination_permille, germination_tested_on, note)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)",
    )
    .bind(lot.id)
    .bind(cooperative_id)
    .bind(lot.stock_item_id)
    .bind(lot.code)
    .bind(lot.quantity)
    .bind(lot.cost_cents)
    .bind(lot.received_on)
    .bind(lot.stock_order_id)
    .bind(lot.fields.expires_on)
    .bind(lot.fields.germination_permille)
    .bind(lot.fields.germination_tested_on)
    .bind(&lot.fields.note)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Replaces what may change.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &LotFields) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update lot set expires_on = $3, germination_permille = $4, germination_tested_on = $5, note = $6
          where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(fields.expires_on)
    .bind(fields.germination_permille)
    .bind(fields.germination_tested_on)
    .bind(&fields.note)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Which lots a list shows.
#[derive(Debug, Clone, Default)]
pub struct LotFilter {
    /// Of one item.
    pub stock_item_id: Option<Uuid>,
    /// With something in the store of one site.
    pub site_id: Option<Uuid>,
    /// Those too of which nothing is left.
    pub with_empty: bool,
}

/// Lots in the order of their receipt, with what is left in the stores of some sites, or of all.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    filter: &LotFilter,
    sites: Option<&[Uuid]>,
    page: Page,
) -> Result<Vec<Lot>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(lots_where!(
        "($3::uuid is null or l.stock_item_id = $3) and ($5::uuid is null or l.id > $5)
         and exists (
               select 1 from store_lot s
                where s.cooperative_id = l.cooperative_id and s.lot_id = l.id and ($7 or s.quantity > 0)
                  and ($4::uuid is null or s.site_id = $4) and ($2::uuid[] is null or s.site_id = any($2)))
         order by l.id limit $6"
    ))
    .bind(cooperative_id)
    .bind(sites)
    .bind(filter.stock_item_id)
    .bind(filter.site_id)
    .bind(page.after)
    .bind(page.limit)
    .bind(filter.with_empty)
    .fetch_all(tx.connection())
    .await?)
}
