//! Products: fertilisers, and what adjusts pH.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a product is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct ProductFields {
    /// Unique among the products of the co-operative.
    pub name: String,
    /// `fertiliser`, `acid` or `base`.
    pub purpose: String,
    /// Which bag or bottle of a set: `single`, `a`, `b` or `c`.
    pub part: String,
    /// `solid` or `liquid`.
    pub form: String,
    /// What it holds, in the form of the solution rules.
    pub composition: Value,
    /// Of a liquid.
    pub density_milligrams_per_millilitre: Option<i32>,
    /// Codes of the hazard statements on its label.
    pub hazard_statements: Vec<String>,
    /// A total dose beyond this in one litre needs a second reading first.
    pub most_milligrams_per_litre: Option<i64>,
}

/// A product as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Product {
    /// The product.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: ProductFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Product, "product", "product");

/// Adds a product.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &ProductFields) -> Result<Product> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into product (id, cooperative_id, name, purpose, part, form, composition, density_milligrams_per_millilitre, hazard_statements, most_milligrams_per_litre)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(&fields.name)
    .bind(&fields.purpose)
    .bind(&fields.part)
    .bind(&fields.form)
    .bind(&fields.composition)
    .bind(fields.density_milligrams_per_millilitre)
    .bind(&fields.hazard_statements)
    .bind(fields.most_milligrams_per_litre)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &ProductFields) -> Result<Product> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update product set name = $3, purpose = $4, part = $5, form = $6, composition = $7, density_milligrams_per_millilitre = $8,
                hazard_statements = $9, most_milligrams_per_litre = $10
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&fields.name)
    .bind(&fields.purpose)
    .bind(&fields.part)
    .bind(&fields.form)
    .bind(&fields.composition)
    .bind(fields.density_milligrams_per_millilitre)
    .bind(&fields.hazard_statements)
    .bind(fields.most_milligrams_per_litre)
    .fetch_one(tx.connection())
    .await?)
}

/// Products in the order of their making; retired ones only when asked for, of one purpose where it is
/// named.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    purpose: Option<&str>,
    with_retired: bool,
    page: Page,
) -> Result<Vec<Product>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from product
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
            and ($5::text is null or purpose = $5)
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(purpose)
    .fetch_all(tx.connection())
    .await?)
}

/// Several products at once, in the order of their making.
///
/// # Errors
/// Those of the database.
pub async fn get_many(tx: &mut Tx, ids: &[Uuid]) -> Result<Vec<Product>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from product where cooperative_id = $1 and id = any($2) order by id",
    )
    .bind(cooperative_id)
    .bind(ids)
    .fetch_all(tx.connection())
    .await?)
}

/// A recipe that uses the product, or the stock item that keeps it.
///
/// # Errors
/// Those of the database.
pub async fn in_use(tx: &mut Tx, id: Uuid) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select 'the recipe ' || name from recipe where cooperative_id = $1 and retired_at is null and lines @> $3
         union all
         select 'the stock item ' || name from stock_item where cooperative_id = $1 and retired_at is null and product_id = $2
         limit 1",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(json!([{"product_id": id}]))
    .fetch_optional(tx.connection())
    .await?)
}

/// What the store of a site holds of a product.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Shelf {
    /// The product.
    pub product_id: Uuid,
    /// The stock item that keeps it.
    pub stock_item_id: Uuid,
    /// `mass` or `volume`: what its quantities are of.
    pub dimension: String,
    /// Milligrams or microlitres in lots that have not expired.
    pub quantity: i64,
}

/// What the store of a site holds of every product that has a stock item, without what has expired
/// before a day.
///
/// # Errors
/// Those of the database.
pub async fn shelf(tx: &mut Tx, site_id: Uuid, today: NaiveDate) -> Result<Vec<Shelf>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select i.product_id, i.id as stock_item_id, i.dimension,
                coalesce(sum(s.quantity) filter (where l.expires_on is null or l.expires_on >= $3), 0)::bigint as quantity
           from stock_item i
           left join lot l on l.cooperative_id = i.cooperative_id and l.stock_item_id = i.id
           left join store_lot s on s.cooperative_id = l.cooperative_id and s.lot_id = l.id and s.site_id = $2
          where i.cooperative_id = $1 and i.product_id is not null and i.retired_at is null
          group by i.id order by i.id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(today)
    .fetch_all(tx.connection())
    .await?)
}

/// Weight in milligrams, or volume in microlitres, of a level scoop of a product by the stock item that keeps it,
/// with the dimension of that item and the weight of a millilitre where it is stated.
///
/// # Errors
/// Those of the database.
pub async fn scoop(tx: &mut Tx, id: Uuid) -> Result<Option<(i64, String, Option<i32>)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select i.scoop_quantity, i.dimension, coalesce(i.density_milligrams_per_millilitre, p.density_milligrams_per_millilitre)
           from stock_item i join product p on p.cooperative_id = i.cooperative_id and p.id = i.product_id
          where i.cooperative_id = $1 and i.product_id = $2 and i.retired_at is null and i.scoop_quantity is not null",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}
