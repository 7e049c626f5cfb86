//! Stock items: what is kept.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a stock item is described by. Quantities are base units of its dimension.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct StockItemFields {
    /// Unique among the items of the co-operative.
    pub name: String,
    /// `seed`, `medium`, `cup`, `fertiliser`, `adjuster` or `other`.
    pub category: String,
    /// `mass`, `volume` or `count`.
    pub dimension: String,
    /// Of seed: the crop.
    pub crop_id: Option<Uuid>,
    /// Of a fertiliser or adjuster: the product.
    pub product_id: Option<Uuid>,
    /// Who sells it.
    pub supplier: String,
    /// What one pack holds.
    pub pack_quantity: Option<i64>,
    /// What one pack costs.
    pub pack_cents: Option<i64>,
    /// Days from order to arrival.
    pub lead_days: i32,
    /// How often the shelf may not run out before an order comes, in thousandths.
    pub service_permille: i32,
    /// Stated density, equal to grams in a litre.
    pub density_milligrams_per_millilitre: Option<i32>,
    /// What one level scoop holds.
    pub scoop_quantity: Option<i64>,
}

/// A stock item as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct StockItem {
    /// The item.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: StockItemFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(StockItem, "stock_item", "stock item");

/// Adds a stock item.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &StockItemFields) -> Result<StockItem> {
    write(
        tx,
        id,
        fields,
        "insert into stock_item (cooperative_id, id, name, category, dimension, crop_id, product_id, supplier, pack_quantity,
                pack_cents, lead_days, service_permille, density_milligrams_per_millilitre, scoop_quantity)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14) returning *",
    )
    .await
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &StockItemFields) -> Result<StockItem> {
    write(
        tx,
        id,
        fields,
        "update stock_item set name = $3, category = $4, dimension = $5, crop_id = $6, product_id = $7, supplier = $8,
                pack_quantity = $9, pack_cents = $10, lead_days = $11, service_permille = $12,
                density_milligrams_per_millilitre = $13, scoop_quantity = $14
          where cooperative_id = $1 and id = $2 returning *",
    )
    .await
}

async fn write(
    tx: &mut Tx,
    id: Uuid,
    fields: &StockItemFields,
    statement: &'static str,
) -> Result<StockItem> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(statement)
        .bind(cooperative_id)
        .bind(id)
        .bind(&fields.name)
        .bind(&fields.category)
        .bind(&fields.dimension)
        .bind(fields.crop_id)
        .bind(fields.product_id)
        .bind(&fields.supplier)
        .bind(fields.pack_quantity)
        .bind(fields.pack_cents)
        .bind(fields.lead_days)
        .bind(fields.service_permille)
        .bind(fields.density_milligrams_per_millilitre)
        .bind(fields.scoop_quantity)
        .fetch_one(tx.connection())
        .await?)
}

/// Which stock items are listed.
#[derive(Debug, Clone, Default)]
pub struct StockItemFilter {
    /// Of this category only.
    pub category: Option<String>,
    /// Retired ones too.
    pub with_retired: bool,
}

/// Stock items in the order of their making; retired ones only when asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, filter: &StockItemFilter, page: Page) -> Result<Vec<StockItem>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from stock_item
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
            and ($5::text is null or category = $5)
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(filter.with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(&filter.category)
    .fetch_all(tx.connection())
    .await?)
}

/// What keeps the item in use: a lot of it in a store, an open order, or what a container kind takes of it.
///
/// # Errors
/// Those of the database.
pub async fn in_use(tx: &mut Tx, id: Uuid) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select 'lot ' || l.code || ' in the store of ' || site.name
           from lot l
           join store_lot s on s.cooperative_id = l.cooperative_id and s.lot_id = l.id and s.quantity > 0
           join site on site.cooperative_id = s.cooperative_id and site.id = s.site_id
          where l.cooperative_id = $1 and l.stock_item_id = $2
         union all
         select 'an order expected on ' || expected_on from stock_order where cooperative_id = $1 and stock_item_id = $2 and state = 'open'
         union all
         select 'the container kind ' || k.name
           from container_supply c join container_kind k on k.cooperative_id = c.cooperative_id and k.id = c.container_kind_id
          where c.cooperative_id = $1 and c.stock_item_id = $2 and c.retired_at is null
         limit 1",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}
