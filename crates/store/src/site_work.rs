//! What the work of a site follows from.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sqlx::types::Json;
use uuid::Uuid;

use crate::growing::ClosedDays;
use crate::{Result, Tx};

/// Zone, hours and closures of a site.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct WorkSite {
    /// The site.
    pub id: Uuid,
    /// Its IANA time zone.
    pub zone: String,
    /// Its weekly opening hours.
    pub opening_hours: Value,
    /// Its closures.
    pub closures: Json<Vec<ClosedDays>>,
}

/// A sowing that is planned or stands, as far as it brings work.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct WorkSowing {
    /// The sowing.
    pub id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Its crop.
    pub crop_id: Uuid,
    /// Containers.
    pub containers: i32,
    /// Where it stands.
    pub state: String,
    /// The day on which it was sown, or is to be.
    pub sow_on: NaiveDate,
    /// Its places are free again from this day.
    pub free_on: NaiveDate,
    /// When seedlings stood.
    pub sprouted_on: Option<NaiveDate>,
    /// Days of its cuts as things stand.
    pub planned_cuts: Vec<NaiveDate>,
    /// Numbers of the cuts that were taken.
    pub numbers_taken: Vec<i32>,
    /// The last day on which it was cut.
    pub last_cut_on: Option<NaiveDate>,
    /// Looks for seedlings that were finished or missed.
    pub looks: i64,
    /// The day of the last of them.
    pub looked_on: Option<NaiveDate>,
    /// When the last of them was finished.
    pub looked_at: Option<DateTime<Utc>>,
}

/// A station as far as it brings work.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct WorkStation {
    /// The station.
    pub id: Uuid,
    /// `passive` or `aerated`.
    pub method: String,
    /// What a container holds at the fill line.
    pub fill_microlitres: i64,
}

/// A reading of solution at a station.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct WorkReading {
    /// The reading.
    pub id: Uuid,
    /// The station.
    pub station_id: Uuid,
    /// The sowing, where it was taken of its containers alone.
    pub sowing_id: Option<Uuid>,
    /// When.
    pub measured_at: DateTime<Utc>,
    /// Hundredths of pH.
    pub ph_hundredths: Option<i32>,
    /// Conductivity at 25 °C.
    pub microsiemens_per_centimetre: Option<i32>,
}

/// A recipient with what it was promised and what went to it from a site.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct WorkRecipient {
    /// The recipient.
    pub id: Uuid,
    /// ISO weekdays on which it receives produce.
    pub delivery_weekdays: Vec<i16>,
    /// Days that cut greens may wait.
    pub keep_days: i32,
    /// What it was promised.
    pub pledges: Json<Vec<WorkPledge>>,
    /// Days on which something was packed for it at the site and not withdrawn.
    pub packed_on: Vec<NaiveDate>,
    /// Days on which something was handed over to it.
    pub handed_over_on: Vec<NaiveDate>,
}

/// A promise with the crops that count towards it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WorkPledge {
    /// Monday of the first week.
    pub first_monday: NaiveDate,
    /// Monday of the last week.
    pub last_monday: NaiveDate,
    /// The crops.
    pub crop_ids: Vec<Uuid>,
}

/// Zone, hours and closures of a site in use.
///
/// # Errors
/// Those of the database.
pub async fn site(tx: &mut Tx, site_id: Uuid) -> Result<Option<WorkSite>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select t.id, t.zone, t.opening_hours,
                coalesce((select jsonb_agg(jsonb_build_object('first_day', x.first_day, 'last_day', x.last_day, 'reason', x.reason) order by x.first_day, x.id)
                            from closure x where x.cooperative_id = t.cooperative_id and x.site_id = t.id and x.retired_at is null), '[]') as closures
           from site t where t.cooperative_id = $1 and t.id = $2 and t.retired_at is null",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Sowings of a site that are planned or stand, or one of them.
///
/// # Errors
/// Those of the database.
pub async fn sowings(
    tx: &mut Tx,
    site_id: Uuid,
    only: Option<Uuid>,
    now: DateTime<Utc>,
) -> Result<Vec<WorkSowing>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select w.id, w.station_id, w.crop_id, w.containers, w.state, coalesce(w.sown_on, w.sow_on) as sow_on, w.free_on,
                w.sprouted_on, w.planned_cuts, coalesce(e.numbers, '{}') as numbers_taken, e.last_on as last_cut_on,
                coalesce(l.looks, 0) as looks, l.looked_on, l.looked_at
           from sowing w
           left join lateral (
             select array_agg(distinct (v.detail->>'number')::integer) as numbers, max(v.happened_on) as last_on
               from sowing_event v
              where v.cooperative_id = w.cooperative_id and v.sowing_id = w.id and v.kind = 'cut' and w.state = 'cutting') e on true
           left join lateral (
             select count(*) as looks, max(k.day) as looked_on, max(k.done_at) as looked_at
               from task k
              where k.cooperative_id = w.cooperative_id and k.sowing_id = w.id and k.kind = 'check_germination'
                -- one that a clock running ahead gave up is still to be done
                and (k.state = 'done' or (k.state = 'missed' and k.missed_after <= $4)) and w.state = 'sown') l on true
          where w.cooperative_id = $1 and w.site_id = $2 and w.state in ('planned', 'sown', 'sprouted', 'cutting')
            and ($3::uuid is null or w.id = $3)
          order by w.id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(only)
    .bind(now)
    .fetch_all(tx.connection())
    .await?)
}

/// Stations of a site that are in use.
///
/// # Errors
/// Those of the database.
pub async fn stations(tx: &mut Tx, site_id: Uuid) -> Result<Vec<WorkStation>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select s.id, s.method, k.fill_microlitres from station s
           join container_kind k on k.cooperative_id = s.cooperative_id and k.id = s.container_kind_id
          where s.cooperative_id = $1 and s.site_id = $2 and s.retired_at is null order by s.id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Readings at the stations of a site since an instant, in the order in which they were taken; those that
/// others put right are left out.
///
/// # Errors
/// Those of the database.
pub async fn readings(
    tx: &mut Tx,
    site_id: Uuid,
    since: DateTime<Utc>,
) -> Result<Vec<WorkReading>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select r.id, r.station_id, r.sowing_id, r.measured_at, r.ph_hundredths, r.microsiemens_per_centimetre
           from station s join reading r on r.cooperative_id = s.cooperative_id and r.station_id = s.id
          where s.cooperative_id = $1 and s.site_id = $2 and r.measured_at >= $3
            and not exists (select from reading c where c.cooperative_id = r.cooperative_id and c.corrects = r.id)
          order by r.measured_at, r.id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(since)
    .fetch_all(tx.connection())
    .await?)
}

/// Batches at a site that are being mixed: when each was begun, and how much it gives.
///
/// # Errors
/// Those of the database.
pub async fn batches_mixing(tx: &mut Tx, site_id: Uuid) -> Result<Vec<(Uuid, DateTime<Utc>, i64)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, begun_at, microlitres from batch
          where cooperative_id = $1 and site_id = $2 and state = 'mixing' order by id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}

/// When the store of a site was counted last, or else when something was there first.
///
/// # Errors
/// Those of the database.
pub async fn counted_at(tx: &mut Tx, site_id: Uuid) -> Result<Option<DateTime<Utc>>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select coalesce(
           (select max(closed_at) from stock_count where cooperative_id = $1 and site_id = $2 and state = 'posted'),
           (select min(there_from) from store_lot where cooperative_id = $1 and site_id = $2))",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_one(tx.connection())
    .await?)
}

/// Recipients with what they were promised, and what went to them from a site since a day.
///
/// # Errors
/// Those of the database.
pub async fn recipients(
    tx: &mut Tx,
    site_id: Uuid,
    since: NaiveDate,
) -> Result<Vec<WorkRecipient>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select r.id, r.delivery_weekdays, r.keep_days,
                (select jsonb_agg(jsonb_build_object('first_monday', p.first_monday, 'last_monday', p.last_monday,
                          'crop_ids', coalesce((select jsonb_agg(c.id) from crop c where c.cooperative_id = p.cooperative_id
                                                   and (c.id = p.crop_id or c.crop_group_id = p.crop_group_id)), '[]')))
                   from pledge p where p.cooperative_id = r.cooperative_id and p.recipient_id = r.id and p.retired_at is null) as pledges,
                coalesce((select array_agg(distinct d.packed_on) from delivery d
                           where d.cooperative_id = r.cooperative_id and d.recipient_id = r.id and d.site_id = $2 and d.packed_on >= $3 and d.state <> 'withdrawn'), '{}') as packed_on,
                coalesce((select array_agg(distinct d.handed_over_on) from delivery d
                           where d.cooperative_id = r.cooperative_id and d.recipient_id = r.id and d.site_id = $2 and d.handed_over_on >= $3), '{}') as handed_over_on
           from recipient r
          where r.cooperative_id = $1 and r.retired_at is null
            and exists (select from pledge p where p.cooperative_id = r.cooperative_id and p.recipient_id = r.id and p.retired_at is null)
          order by r.id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(since)
    .fetch_all(tx.connection())
    .await?)
}

/// Occasions of mixing and adjusting at a site that were done since an instant.
///
/// # Errors
/// Those of the database.
pub async fn finished(tx: &mut Tx, site_id: Uuid, since: DateTime<Utc>) -> Result<Vec<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select occasion from task where cooperative_id = $1 and site_id = $2 and kind in ('adjust', 'mix', 'top_up')
            and state = 'done' and done_at >= $3",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(since)
    .fetch_all(tx.connection())
    .await?)
}

/// Names of stations.
///
/// # Errors
/// Those of the database.
pub async fn station_names(tx: &mut Tx, ids: &[Uuid]) -> Result<HashMap<Uuid, String>> {
    let statement = "select id, name from station where cooperative_id = $1 and id = any($2)";
    names(tx, statement, ids).await
}

/// Names of the crops of sowings.
///
/// # Errors
/// Those of the database.
pub async fn crop_names(tx: &mut Tx, sowing_ids: &[Uuid]) -> Result<HashMap<Uuid, String>> {
    let statement = "select w.id, c.name from sowing w join crop c on c.cooperative_id = w.cooperative_id and c.id = w.crop_id
                      where w.cooperative_id = $1 and w.id = any($2)";
    names(tx, statement, sowing_ids).await
}

/// Names of recipients.
///
/// # Errors
/// Those of the database.
pub async fn recipient_names(tx: &mut Tx, ids: &[Uuid]) -> Result<HashMap<Uuid, String>> {
    let statement = "select id, name from recipient where cooperative_id = $1 and id = any($2)";
    names(tx, statement, ids).await
}

async fn names(
    tx: &mut Tx,
    statement: &'static str,
    ids: &[Uuid],
) -> Result<HashMap<Uuid, String>> {
    let cooperative_id = tx.cooperative_id();
    let rows: Vec<(Uuid, String)> = sqlx::query_as(statement)
        .bind(cooperative_id)
        .bind(ids)
        .fetch_all(tx.connection())
        .await?;
    Ok(rows.into_iter().collect())
}

/// Growth profiles of crops.
///
/// # Errors
/// Those of the database.
pub async fn profiles(tx: &mut Tx, crop_ids: &[Uuid]) -> Result<Vec<(Uuid, Value)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select id, profile from crop where cooperative_id = $1 and id = any($2)")
            .bind(cooperative_id)
            .bind(crop_ids)
            .fetch_all(tx.connection())
            .await?,
    )
}

/// Products of the usual recipe, in the order in which it names them.
///
/// # Errors
/// Those of the database.
pub async fn usual_products(tx: &mut Tx) -> Result<Vec<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select (l.line->>'product_id')::uuid from recipe r cross join jsonb_array_elements(r.lines) with ordinality as l(line, place)
          where r.cooperative_id = $1 and r.usual and r.retired_at is null order by l.place",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}
