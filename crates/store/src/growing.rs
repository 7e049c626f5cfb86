//! What a crop meets at a station: everything that expectations are reckoned from, in one reading.

use chrono::NaiveDate;
use serde::Deserialize;
use serde_json::Value;
use sqlx::types::Json;
use uuid::Uuid;

use crate::{Result, Tx};

/// Days on which the site is closed.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct ClosedDays {
    /// First closed day.
    pub first_day: NaiveDate,
    /// Last closed day.
    pub last_day: NaiveDate,
    /// Why.
    pub reason: String,
}

/// A crop at a station of a site.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct GrowingPlace {
    /// The site of the station.
    pub site_id: Uuid,
    /// IANA time zone of the site.
    pub zone: String,
    /// Weekly opening hours, in the form of the calendar rules.
    pub opening_hours: Value,
    /// Closures of the site.
    pub closures: Json<Vec<ClosedDays>>,
    /// The station.
    pub station_id: Uuid,
    /// `passive` or `aerated`.
    pub method: String,
    /// Temperature and light by week of the ISO year.
    pub environment: Value,
    /// Weight a container gives, in thousandths of the reference container.
    pub yield_permille: i32,
    /// Solution that a container holds when filled.
    pub fill_microlitres: i64,
    /// The growth profile of the crop.
    pub profile: Value,
    /// What the co-operative knows of its own benches.
    pub station_days: Value,
    /// What was learned of the crop at the station, as it was last reckoned.
    pub learned: Option<Value>,
    /// Whether the site is out of use.
    pub site_retired: bool,
    /// Whether the station is out of use.
    pub station_retired: bool,
    /// Whether the crop is out of use.
    pub crop_retired: bool,
}

/// A crop at a station; `None` when the co-operative lacks either.
///
/// # Errors
/// Those of the database.
pub async fn place(tx: &mut Tx, station_id: Uuid, crop_id: Uuid) -> Result<Option<GrowingPlace>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select t.id as site_id, t.zone, t.opening_hours,
                coalesce((select jsonb_agg(jsonb_build_object('first_day', x.first_day, 'last_day', x.last_day, 'reason', x.reason))
                            from closure x where x.cooperative_id = t.cooperative_id and x.site_id = t.id and x.retired_at is null), '[]') as closures,
                s.id as station_id, s.method, s.environment, k.yield_permille, k.fill_microlitres, c.profile, c.station_days,
                (select l.figures -> c.id::text -> s.id::text from learned_growth l where l.cooperative_id = s.cooperative_id) as learned,
                t.retired_at is not null as site_retired, s.retired_at is not null as station_retired, c.retired_at is not null as crop_retired
           from station s
           join site t on t.cooperative_id = s.cooperative_id and t.id = s.site_id
           join container_kind k on k.cooperative_id = s.cooperative_id and k.id = s.container_kind_id
           join crop c on c.cooperative_id = s.cooperative_id
          where s.cooperative_id = $1 and s.id = $2 and c.id = $3",
    )
    .bind(cooperative_id)
    .bind(station_id)
    .bind(crop_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Which of a site, a station and a crop the co-operative has.
///
/// # Errors
/// Those of the database.
pub async fn known(
    tx: &mut Tx,
    site_id: Uuid,
    station_id: Uuid,
    crop_id: Uuid,
) -> Result<(bool, bool, bool)> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select exists (select from site where cooperative_id = $1 and id = $2),
                exists (select from station where cooperative_id = $1 and id = $3),
                exists (select from crop where cooperative_id = $1 and id = $4)",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(station_id)
    .bind(crop_id)
    .fetch_one(tx.connection())
    .await?)
}
