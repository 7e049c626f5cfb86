//! Batches of nutrient solution, and what happened to them.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A batch as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Batch {
    /// The batch.
    pub id: Uuid,
    /// Where it is mixed.
    pub site_id: Uuid,
    /// After which recipe.
    pub recipe_id: Uuid,
    /// With which water; `None` for pure water.
    pub source_water_id: Option<Uuid>,
    /// What is written on the container.
    pub code: String,
    /// Its volume.
    pub microlitres: i64,
    /// `mixing`, `ready`, `in_use`, `used_up` or `discarded`.
    pub state: String,
    /// Recipe, water, products, amounts and expectation as they were when it was begun.
    pub plan: Value,
    /// When.
    pub begun_at: DateTime<Utc>,
    /// By whom.
    pub begun_by: Uuid,
    /// Counts up with every entry.
    pub version: i64,
}

/// What happened to a batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct BatchEntry {
    /// The entry.
    pub id: Uuid,
    /// The batch.
    pub batch_id: Uuid,
    /// `reading`, `dose`, `ready`, `use`, `left`, `discard`, `withdrawn` or `note`.
    pub kind: String,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who says so.
    pub member_id: Uuid,
    /// Of a reading.
    pub ph_thousandths: Option<i32>,
    /// Of a reading, at 25 °C.
    pub conductivity_microsiemens_per_centimetre: Option<i32>,
    /// Of a reading.
    pub temperature_centicelsius: Option<i32>,
    /// Of a dose.
    pub product_id: Option<Uuid>,
    /// Of a dose: milligrams of a solid, microlitres of a liquid.
    pub quantity: Option<i64>,
    /// Of a use, of what is left, of a discard.
    pub microlitres: Option<i64>,
    /// Where it was used.
    pub station_id: Option<Uuid>,
    /// For which sowing it was used.
    pub sowing_id: Option<Uuid>,
    /// The entry that this one withdraws.
    pub withdraws_id: Option<Uuid>,
    /// Movements of the ledger that it caused.
    pub movement_ids: Vec<Uuid>,
    /// Free words.
    pub note: String,
}

/// A quantity that the ledger moved for a batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct BatchMovement {
    /// The movement.
    pub id: Uuid,
    /// `issue` or `reverse`.
    pub kind: String,
    /// The lot.
    pub lot_id: Uuid,
    /// Its code.
    pub lot_code: String,
    /// What is kept in it.
    pub product_id: Option<Uuid>,
    /// `mass` or `volume`.
    pub dimension: String,
    /// Milligrams or microlitres.
    pub quantity: i64,
    /// When.
    pub happened_at: DateTime<Utc>,
    /// The movement that it undoes.
    pub reverses_id: Option<Uuid>,
}

macro_rules! batches_where {
    ($condition:literal) => {
        concat!(
            "select id, site_id, recipe_id, source_water_id, code, microlitres, state, plan, begun_at, begun_by, version
               from batch where cooperative_id = $1 and ",
            $condition
        )
    };
}

/// One batch.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Batch>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(batches_where!("id = $2"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// One batch, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<Batch>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(batches_where!("id = $2 for no key update"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// Which batches are listed.
#[derive(Debug, Clone, Default)]
pub struct BatchFilter {
    /// Of one site.
    pub site_id: Option<Uuid>,
    /// In one state.
    pub state: Option<String>,
}

/// Batches in the order of their beginning; of some sites only where `sites` is given.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    filter: &BatchFilter,
    sites: Option<&[Uuid]>,
    page: Page,
) -> Result<Vec<Batch>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(batches_where!(
        "($2::uuid is null or site_id = $2) and ($3::text is null or state = $3)
         and ($4::uuid[] is null or site_id = any($4)) and ($5::uuid is null or id > $5)
         order by id limit $6"
    ))
    .bind(cooperative_id)
    .bind(filter.site_id)
    .bind(&filter.state)
    .bind(sites)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// Batches of a recipe in a water, or in pure water, the latest first; those begun before another where it is
/// named.
///
/// # Errors
/// Those of the database.
pub async fn latest(
    tx: &mut Tx,
    recipe_id: Uuid,
    source_water_id: Option<Uuid>,
    before: Option<Uuid>,
    most: i64,
) -> Result<Vec<Batch>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(batches_where!(
        "recipe_id = $2 and source_water_id is not distinct from $3 and ($4::uuid is null or id < $4) order by id desc limit $5"
    ))
    .bind(cooperative_id)
    .bind(recipe_id)
    .bind(source_water_id)
    .bind(before)
    .bind(most)
    .fetch_all(tx.connection())
    .await?)
}

/// Keeps a batch that is begun.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, batch: &Batch) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into batch (id, cooperative_id, site_id, recipe_id, source_water_id, code, microlitres, state, plan, begun_at, begun_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(batch.id)
    .bind(cooperative_id)
    .bind(batch.site_id)
    .bind(batch.recipe_id)
    .bind(batch.source_water_id)
    .bind(&batch.code)
    .bind(batch.microlitres)
    .bind(&batch.state)
    .bind(&batch.plan)
    .bind(batch.begun_at)
    .bind(batch.begun_by)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Whether a code is taken.
///
/// # Errors
/// Those of the database.
pub async fn has_code(tx: &mut Tx, code: &str) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select exists (select 1 from batch where cooperative_id = $1 and code = $2)",
    )
    .bind(cooperative_id)
    .bind(code)
    .fetch_one(tx.connection())
    .await?)
}

/// Says in which state a batch is now; its version counts up even where that is the same.
///
/// # Errors
/// Those of the database.
pub async fn set_state(tx: &mut Tx, id: Uuid, state: &str) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update batch set state = $3 where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .bind(state)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Keeps an entry.
///
/// # Errors
/// Those of the database.
pub async fn insert_entry(tx: &mut Tx, entry: &BatchEntry) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into batch_entry (id, cooperative_id, batch_id, kind, happened_at, recorded_at, member_id, ph_thousandths,
                conductivity_microsiemens_per_centimetre, temperature_centicelsius, product_id, quantity, microlitres, station_id,
                sowing_id, withdraws_id, movement_ids, note)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)",
    )
    .bind(entry.id)
    .bind(cooperative_id)
    .bind(entry.batch_id)
    .bind(&entry.kind)
    .bind(entry.happened_at)
    .bind(entry.recorded_at)
    .bind(entry.member_id)
    .bind(entry.ph_thousandths)
    .bind(entry.conductivity_microsiemens_per_centimetre)
    .bind(entry.temperature_centicelsius)
    .bind(entry.product_id)
    .bind(entry.quantity)
    .bind(entry.microlitres)
    .bind(entry.station_id)
    .bind(entry.sowing_id)
    .bind(entry.withdraws_id)
    .bind(&entry.movement_ids)
    .bind(&entry.note)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Entries of batches in the order in which they happened.
///
/// # Errors
/// Those of the database.
pub async fn entries(tx: &mut Tx, batch_ids: &[Uuid]) -> Result<Vec<BatchEntry>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, batch_id, kind, happened_at, recorded_at, member_id, ph_thousandths, conductivity_microsiemens_per_centimetre,
                temperature_centicelsius, product_id, quantity, microlitres, station_id, sowing_id, withdraws_id, movement_ids, note
           from batch_entry where cooperative_id = $1 and batch_id = any($2) order by happened_at, id",
    )
    .bind(cooperative_id)
    .bind(batch_ids)
    .fetch_all(tx.connection())
    .await?)
}

/// What the ledger moved for a batch, in order.
///
/// # Errors
/// Those of the database.
pub async fn movements(tx: &mut Tx, batch_id: Uuid) -> Result<Vec<BatchMovement>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select m.id, m.kind, m.lot_id, l.code as lot_code, i.product_id, i.dimension, m.quantity, m.happened_at, m.reverses_id
           from movement m
           join lot l on l.cooperative_id = m.cooperative_id and l.id = m.lot_id
           join stock_item i on i.cooperative_id = l.cooperative_id and i.id = l.stock_item_id
          where m.cooperative_id = $1 and m.batch_id = $2 order by m.id",
    )
    .bind(cooperative_id)
    .bind(batch_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Where solution may go: the site of a station, or of a sowing with its station.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct UsePlace {
    /// The site.
    pub site_id: Uuid,
    /// The station.
    pub station_id: Uuid,
}

/// The place of a station.
///
/// # Errors
/// Those of the database.
pub async fn station_place(tx: &mut Tx, station_id: Uuid) -> Result<Option<UsePlace>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select site_id, id as station_id from station where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(station_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// The place of a sowing.
///
/// # Errors
/// Those of the database.
pub async fn sowing_place(tx: &mut Tx, sowing_id: Uuid) -> Result<Option<UsePlace>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select site_id, station_id from sowing where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .fetch_optional(tx.connection())
    .await?)
}
