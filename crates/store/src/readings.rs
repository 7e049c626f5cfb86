//! What meters showed at stations and in sowings.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A reading as it is kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Reading {
    /// The reading.
    pub id: Uuid,
    /// Its site.
    pub site_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// The sowing whose containers were measured, where it was one.
    pub sowing_id: Option<Uuid>,
    /// When it was measured.
    pub measured_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who measured.
    pub member_id: Uuid,
    /// pH in hundredths.
    pub ph_hundredths: Option<i32>,
    /// Conductivity at 25 °C.
    pub microsiemens_per_centimetre: Option<i32>,
    /// Temperature in tenths of a degree Celsius.
    pub temperature_decicelsius: Option<i32>,
    /// Anything worth knowing.
    pub note: String,
    /// The reading that this one puts right.
    pub corrects: Option<Uuid>,
    /// The task it was measured for.
    pub task_id: Option<Uuid>,
}

/// Which readings are listed. What is left out does not narrow the list.
#[derive(Debug, Clone, Default)]
pub struct ReadingFilter {
    /// Of these sites.
    pub sites: Option<Vec<Uuid>>,
    /// Of this station.
    pub station_id: Option<Uuid>,
    /// Of this sowing.
    pub sowing_id: Option<Uuid>,
}

/// Adds a reading.
///
/// # Errors
/// Those of the database; `reading_corrected_once` where the other is corrected already.
pub async fn insert(tx: &mut Tx, reading: &Reading) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into reading (id, cooperative_id, site_id, station_id, sowing_id, measured_at, recorded_at, member_id, ph_hundredths,
                              microsiemens_per_centimetre, temperature_decicelsius, note, corrects, task_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)",
    )
    .bind(reading.id)
    .bind(cooperative_id)
    .bind(reading.site_id)
    .bind(reading.station_id)
    .bind(reading.sowing_id)
    .bind(reading.measured_at)
    .bind(reading.recorded_at)
    .bind(reading.member_id)
    .bind(reading.ph_hundredths)
    .bind(reading.microsiemens_per_centimetre)
    .bind(reading.temperature_decicelsius)
    .bind(&reading.note)
    .bind(reading.corrects)
    .bind(reading.task_id)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// One reading.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Reading>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, site_id, station_id, sowing_id, measured_at, recorded_at, member_id, ph_hundredths, microsiemens_per_centimetre,
                temperature_decicelsius, note, corrects, task_id
           from reading where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Readings in the order of their ids; those that were put right stay in the list.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, filter: &ReadingFilter, page: Page) -> Result<Vec<Reading>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, site_id, station_id, sowing_id, measured_at, recorded_at, member_id, ph_hundredths, microsiemens_per_centimetre,
                temperature_decicelsius, note, corrects, task_id
           from reading
          where cooperative_id = $1 and ($2::uuid[] is null or site_id = any($2)) and ($3::uuid is null or station_id = $3)
            and ($4::uuid is null or sowing_id = $4) and ($5::uuid is null or id > $5)
          order by id limit $6",
    )
    .bind(cooperative_id)
    .bind(filter.sites.as_deref())
    .bind(filter.station_id)
    .bind(filter.sowing_id)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}
