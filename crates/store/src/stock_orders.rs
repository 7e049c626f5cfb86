//! Orders: what is on its way.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// What an order is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct StockOrderFields {
    /// For the store of which site.
    pub site_id: Uuid,
    /// Of what.
    pub stock_item_id: Uuid,
    /// Base units of the item.
    pub quantity: i64,
    /// The day on which it was ordered.
    pub ordered_on: NaiveDate,
    /// The day on which it should come.
    pub expected_on: NaiveDate,
    /// What it costs.
    pub cost_cents: Option<i64>,
    /// Anything else.
    pub note: String,
}

/// An order as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct StockOrder {
    /// The order.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: StockOrderFields,
    /// `open`, `received` or `dropped`.
    pub state: String,
    /// The item's name.
    pub stock_item_name: String,
    /// By what the item is kept.
    pub dimension: String,
    /// Counts up with every change.
    pub version: i64,
    /// When it was written down first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
}

macro_rules! orders_where {
    ($condition:literal) => {
        concat!(
            "select o.*, i.name as stock_item_name, i.dimension from stock_order o
               join stock_item i on i.cooperative_id = o.cooperative_id and i.id = o.stock_item_id
              where o.cooperative_id = $1 and ",
            $condition
        )
    };
}

/// One order.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<StockOrder>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(orders_where!("o.id = $2"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// One order, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<StockOrder>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as(orders_where!("o.id = $2 for no key update of o"))
            .bind(cooperative_id)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// Writes an order down.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &StockOrderFields) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into stock_order (id, cooperative_id, site_id, stock_item_id, quantity, ordered_on, expected_on, cost_cents, note)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.site_id)
    .bind(fields.stock_item_id)
    .bind(fields.quantity)
    .bind(fields.ordered_on)
    .bind(fields.expected_on)
    .bind(fields.cost_cents)
    .bind(&fields.note)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Replaces the description of an order; its site and item stay.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &StockOrderFields) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update stock_order set quantity = $3, ordered_on = $4, expected_on = $5, cost_cents = $6, note = $7
          where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(fields.quantity)
    .bind(fields.ordered_on)
    .bind(fields.expected_on)
    .bind(fields.cost_cents)
    .bind(&fields.note)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Ends an order: `received` or `dropped`.
///
/// # Errors
/// Those of the database.
pub async fn end(tx: &mut Tx, id: Uuid, state: &'static str) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update stock_order set state = $3 where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .bind(state)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Which orders are listed.
#[derive(Debug, Clone, Default)]
pub struct StockOrderFilter {
    /// For one site.
    pub site_id: Option<Uuid>,
    /// Of one item.
    pub stock_item_id: Option<Uuid>,
    /// `open`, `received` or `dropped`.
    pub state: Option<String>,
}

/// Orders in the order of their writing; for some sites only where `sites` is given.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    filter: &StockOrderFilter,
    sites: Option<&[Uuid]>,
    page: Page,
) -> Result<Vec<StockOrder>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(orders_where!(
        "($2::uuid is null or o.site_id = $2) and ($3::uuid is null or o.stock_item_id = $3)
         and ($4::text is null or o.state = $4) and ($5::uuid[] is null or o.site_id = any($5))
         and ($6::uuid is null or o.id > $6)
         order by o.id limit $7"
    ))
    .bind(cooperative_id)
    .bind(filter.site_id)
    .bind(filter.stock_item_id)
    .bind(&filter.state)
    .bind(sites)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}
