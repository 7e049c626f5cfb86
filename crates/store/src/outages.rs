//! Periods in which places of a station cannot be used.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What an outage is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct OutageFields {
    /// First day, by the calendar of the station's site.
    pub first_day: NaiveDate,
    /// Last day.
    pub last_day: NaiveDate,
    /// Places that cannot be used.
    pub places: i32,
    /// Why.
    pub reason: String,
}

/// An outage as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Outage {
    /// The outage.
    pub id: Uuid,
    /// The station.
    pub station_id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: OutageFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Outage, "station_outage", "outage");

/// Adds an outage.
///
/// # Errors
/// Those of the database.
pub async fn insert(
    tx: &mut Tx,
    id: Uuid,
    station_id: Uuid,
    fields: &OutageFields,
) -> Result<Outage> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into station_outage (id, cooperative_id, station_id, first_day, last_day, places, reason)
         values ($1, $2, $3, $4, $5, $6, $7) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(station_id)
    .bind(fields.first_day)
    .bind(fields.last_day)
    .bind(fields.places)
    .bind(&fields.reason)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &OutageFields) -> Result<Outage> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update station_outage set first_day = $3, last_day = $4, places = $5, reason = $6
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(fields.first_day)
    .bind(fields.last_day)
    .bind(fields.places)
    .bind(&fields.reason)
    .fetch_one(tx.connection())
    .await?)
}

/// Outages in the order of their making; retired ones only when asked for. Cost: the outages of
/// one station are read and sorted, a few a year.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    station_id: Uuid,
    with_retired: bool,
    page: Page,
) -> Result<Vec<Outage>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from station_outage
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
            and station_id = $5
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(station_id)
    .fetch_all(tx.connection())
    .await?)
}
