//! What sowings will need and what there is for it: read together for the shopping list.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::{Result, Tx};

/// A station with its kind of container.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Bench {
    /// The station.
    pub station_id: Uuid,
    /// Its name.
    pub station_name: String,
    /// `passive` or `aerated`.
    pub method: String,
    /// The kind of its containers.
    pub container_kind_id: Uuid,
    /// Name of the kind.
    pub container_kind_name: String,
    /// What a container holds to the brim.
    pub volume_microlitres: i64,
    /// What it holds at the fill line.
    pub fill_microlitres: i64,
    /// Highest refill once air roots have formed.
    pub refill_limit_microlitres: i64,
    /// Plants it carries.
    pub plants_per_container: i32,
}

/// A sowing that is still to be sown.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct PlannedSowing {
    /// The sowing.
    pub id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Its crop.
    pub crop_id: Uuid,
    /// Name of the crop.
    pub crop_name: String,
    /// The plan it comes from.
    pub plan_id: Option<Uuid>,
    /// Containers.
    pub containers: i32,
    /// When it is to be sown.
    pub sow_on: NaiveDate,
    /// Days on which it is to be cut.
    pub planned_cuts: Vec<NaiveDate>,
}

/// Something that is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Item {
    /// The item.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// `seed`, `medium`, `cup`, `fertiliser`, `adjuster` or `other`.
    pub category: String,
    /// `mass`, `volume` or `count`.
    pub dimension: String,
    /// The crop of a seed.
    pub crop_id: Option<Uuid>,
    /// The product of a fertiliser or adjuster.
    pub product_id: Option<Uuid>,
    /// Where it is bought.
    pub supplier: String,
    /// Base units in a pack.
    pub pack_quantity: Option<i64>,
    /// Price of a pack.
    pub pack_cents: Option<i64>,
    /// Days from ordering until it is there.
    pub lead_days: i32,
    /// How often the shelf may not run out before an order comes, in thousandths.
    pub service_permille: i32,
    /// Weight of a millilitre: that of the item, else that of the product.
    pub density_milligrams_per_millilitre: Option<i32>,
}

/// What one container of a kind takes when it is sown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Supply {
    /// The kind of container.
    pub container_kind_id: Uuid,
    /// The item.
    pub stock_item_id: Uuid,
    /// Base units of it.
    pub quantity: i64,
}

/// What is left of a lot at a site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct LotAtSite {
    /// The lot.
    pub id: Uuid,
    /// Its item.
    pub stock_item_id: Uuid,
    /// The supplier's code.
    pub code: String,
    /// Base units left.
    pub quantity: i64,
    /// When it came.
    pub received_on: NaiveDate,
    /// The last day on which it may be used.
    pub expires_on: Option<NaiveDate>,
    /// Germination by test, in thousandths.
    pub germination_permille: Option<i32>,
    /// When that was.
    pub germination_tested_on: Option<NaiveDate>,
}

/// An order that has not come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct OrderUnderWay {
    /// The item.
    pub stock_item_id: Uuid,
    /// Base units.
    pub quantity: i64,
    /// When it is expected.
    pub expected_on: NaiveDate,
}

/// What was issued of an item on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::FromRow)]
pub struct IssuedOnDay {
    /// The item.
    pub stock_item_id: Uuid,
    /// The day at the site.
    pub day: NaiveDate,
    /// Base units.
    pub quantity: i64,
}

/// The recipe of every sowing for which nothing else is said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct UsualRecipe {
    /// The recipe.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// Amounts of products in a litre.
    pub lines: Value,
}

/// All stations, those out of use too, since sowings may still stand at them.
///
/// # Errors
/// Those of the database.
pub async fn benches(tx: &mut Tx) -> Result<Vec<Bench>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select s.id as station_id, s.name as station_name, s.method, k.id as container_kind_id, k.name as container_kind_name,
                k.volume_microlitres, k.fill_microlitres, k.refill_limit_microlitres, k.plants_per_container
           from station s join container_kind k on k.cooperative_id = s.cooperative_id and k.id = s.container_kind_id
          where s.cooperative_id = $1",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Sowings that are to be sown at a site up to a day.
///
/// # Errors
/// Those of the database.
pub async fn planned(tx: &mut Tx, site_id: Uuid, until: NaiveDate) -> Result<Vec<PlannedSowing>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select w.id, w.station_id, w.crop_id, c.name as crop_name, w.plan_id, w.containers, w.sow_on, w.planned_cuts
           from sowing w join crop c on c.cooperative_id = w.cooperative_id and c.id = w.crop_id
          where w.cooperative_id = $1 and w.site_id = $2 and w.state = 'planned' and w.sow_on <= $3
          order by w.sow_on, w.id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(until)
    .fetch_all(tx.connection())
    .await?)
}

/// Items in use, by category and name.
///
/// # Errors
/// Those of the database.
pub async fn items(tx: &mut Tx) -> Result<Vec<Item>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select i.id, i.name, i.category, i.dimension, i.crop_id, i.product_id, i.supplier, i.pack_quantity, i.pack_cents,
                i.lead_days, i.service_permille,
                coalesce(i.density_milligrams_per_millilitre, p.density_milligrams_per_millilitre) as density_milligrams_per_millilitre
           from stock_item i left join product p on p.cooperative_id = i.cooperative_id and p.id = i.product_id
          where i.cooperative_id = $1 and i.retired_at is null order by i.category, lower(i.name), i.id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

/// What containers take when they are sown.
///
/// # Errors
/// Those of the database.
pub async fn supplies(tx: &mut Tx) -> Result<Vec<Supply>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select container_kind_id, stock_item_id, quantity from container_supply
          where cooperative_id = $1 and retired_at is null order by id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Lots of which something is left at a site.
///
/// # Errors
/// Those of the database.
pub async fn lots(tx: &mut Tx, site_id: Uuid) -> Result<Vec<LotAtSite>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select l.id, l.stock_item_id, l.code, b.quantity, l.received_on, l.expires_on, l.germination_permille, l.germination_tested_on
           from store_lot b join lot l on l.cooperative_id = b.cooperative_id and l.id = b.lot_id
          where b.cooperative_id = $1 and b.site_id = $2 and b.quantity > 0
          order by l.expires_on nulls last, l.received_on, l.id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Orders for a site that have not come, in the order in which they are expected.
///
/// # Errors
/// Those of the database.
pub async fn orders(tx: &mut Tx, site_id: Uuid) -> Result<Vec<OrderUnderWay>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select stock_item_id, quantity, expected_on from stock_order
          where cooperative_id = $1 and site_id = $2 and state = 'open' order by expected_on, id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}

/// What was issued at a site since an instant, by item and day of its zone; what was reversed is left
/// out.
///
/// # Errors
/// Those of the database.
pub async fn issued(
    tx: &mut Tx,
    site_id: Uuid,
    zone: &str,
    since: DateTime<Utc>,
) -> Result<Vec<IssuedOnDay>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select l.stock_item_id, (m.happened_at at time zone $3)::date as day, sum(m.quantity)::bigint as quantity
           from movement m join lot l on l.cooperative_id = m.cooperative_id and l.id = m.lot_id
          where m.cooperative_id = $1 and m.from_site_id = $2 and m.kind = 'issue' and m.happened_at >= $4
            and not exists (select from movement r where r.cooperative_id = m.cooperative_id and r.reverses_id = m.id)
          group by 1, 2 order by 1, 2",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(zone)
    .bind(since)
    .fetch_all(tx.connection())
    .await?)
}

/// The day of a site's zone on which each item first came to its store.
///
/// # Errors
/// Those of the database.
pub async fn first_days(tx: &mut Tx, site_id: Uuid, zone: &str) -> Result<Vec<(Uuid, NaiveDate)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select l.stock_item_id, (min(b.happened_at) at time zone $3)::date
           from store_line b join lot l on l.cooperative_id = b.cooperative_id and l.id = b.lot_id
          where b.cooperative_id = $1 and b.site_id = $2 group by 1",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(zone)
    .fetch_all(tx.connection())
    .await?)
}

/// Days that orders took which came, by item.
///
/// # Errors
/// Those of the database.
pub async fn past_lead_days(tx: &mut Tx) -> Result<Vec<(Uuid, i64)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select o.stock_item_id, (min(l.received_on) - o.ordered_on)::bigint
           from stock_order o join lot l on l.cooperative_id = o.cooperative_id and l.stock_order_id = o.id
          where o.cooperative_id = $1 and l.received_on >= o.ordered_on
          group by o.id, o.stock_item_id, o.ordered_on",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

/// The usual recipe.
///
/// # Errors
/// Those of the database.
pub async fn usual_recipe(tx: &mut Tx) -> Result<Option<UsualRecipe>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, name, lines from recipe where cooperative_id = $1 and usual and retired_at is null",
    )
    .bind(cooperative_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// The water of a site that its batches of a recipe are mixed with: that of the latest batch, else the one that was
/// described last.
///
/// # Errors
/// Those of the database.
pub async fn usual_water(tx: &mut Tx, site_id: Uuid, recipe_id: Uuid) -> Result<Option<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select w.id
           from source_water w
           left join lateral (
             select b.begun_at from batch b
              where b.cooperative_id = w.cooperative_id and b.recipe_id = $3 and b.source_water_id = w.id
              order by b.id desc limit 1) used on true
          where w.cooperative_id = $1 and w.site_id = $2 and w.retired_at is null
          order by used.begun_at desc nulls last, w.id desc limit 1",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(recipe_id)
    .fetch_optional(tx.connection())
    .await?)
}
