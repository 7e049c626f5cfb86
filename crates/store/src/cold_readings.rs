//! Temperatures of cut greens where they are held.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A reading: an entry that is never changed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct ColdReading {
    /// The reading.
    pub id: Uuid,
    /// Where it was read.
    pub site_id: Uuid,
    /// The tray; `None` for the store of the site.
    pub cut_id: Option<Uuid>,
    /// Tenths of a degree Celsius.
    pub temperature_decicelsius: i32,
    /// When, by the clock of whoever read it.
    pub read_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who read it.
    pub member_id: Uuid,
    /// Anything worth saying.
    pub note: String,
    /// The mistaken reading in whose place it stands.
    pub corrects_id: Option<Uuid>,
    /// The reading that stands in its place.
    pub corrected_by_id: Option<Uuid>,
}

/// Which readings a list shows.
#[derive(Debug, Clone, Default)]
pub struct ColdReadingFilter {
    /// Of one site.
    pub site_id: Option<Uuid>,
    /// Of one tray.
    pub cut_id: Option<Uuid>,
    /// Warmer than this only, in tenths of a degree Celsius.
    pub above_decicelsius: Option<i32>,
}

macro_rules! readings_where {
    ($condition:literal) => {
        concat!(
            "select r.*, (select k.id from cold_reading k
                           where k.cooperative_id = r.cooperative_id and k.corrects_id = r.id) as corrected_by_id
               from cold_reading r where r.cooperative_id = $1 and ",
            $condition
        )
    };
}

/// One reading.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<ColdReading>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(readings_where!("r.id = $2"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// Readings in the order of their recording; of some sites only where `sites` is given.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    filter: &ColdReadingFilter,
    sites: Option<&[Uuid]>,
    page: Page,
) -> Result<Vec<ColdReading>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(readings_where!(
        "($2::uuid is null or r.site_id = $2) and ($3::uuid is null or r.cut_id = $3)
         and ($4::integer is null or r.temperature_decicelsius > $4)
         and ($5::uuid[] is null or r.site_id = any($5)) and ($6::uuid is null or r.id > $6)
         order by r.id limit $7"
    ))
    .bind(cooperative_id)
    .bind(filter.site_id)
    .bind(filter.cut_id)
    .bind(filter.above_decicelsius)
    .bind(sites)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// Keeps a reading.
///
/// # Errors
/// Those of the database; constraint `cold_reading_corrected_once` for a second correction.
pub async fn insert(tx: &mut Tx, reading: &ColdReading) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into cold_reading (id, cooperative_id, site_id, cut_id, temperature_decicelsius, read_at, recorded_at, member_id, note, corrects_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(reading.id)
    .bind(cooperative_id)
    .bind(reading.site_id)
    .bind(reading.cut_id)
    .bind(reading.temperature_decicelsius)
    .bind(reading.read_at)
    .bind(reading.recorded_at)
    .bind(reading.member_id)
    .bind(&reading.note)
    .bind(reading.corrects_id)
    .execute(tx.connection())
    .await?;
    Ok(())
}
