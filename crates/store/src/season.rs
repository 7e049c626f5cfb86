//! Everything a sowing plan is made from, read in one snapshot with a few queries.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sqlx::FromRow;

use crate::{Result, Tx};

/// The rows of a season. Ids are text; every list is in the order of its ids.
#[derive(Debug, Clone, PartialEq)]
pub struct SeasonRows {
    /// Sites in use, and retired ones where sowings still stand.
    pub sites: Vec<SiteRow>,
    /// Closures of those sites.
    pub closures: Vec<ClosureRow>,
    /// Stations in use, and retired ones where sowings still stand.
    pub stations: Vec<StationRow>,
    /// Outages of those stations.
    pub outages: Vec<OutageRow>,
    /// Crops in use, and retired ones of which sowings still stand.
    pub crops: Vec<CropRow>,
    /// Pledges that reach into the season, with their recipients.
    pub pledges: Vec<PledgeRow>,
    /// Sowings that are not over.
    pub sowings: Vec<SowingRow>,
}

/// A site.
#[derive(Debug, Clone, PartialEq, FromRow)]
pub struct SiteRow {
    /// The site.
    pub id: String,
    /// Its name.
    pub name: String,
    /// IANA time zone.
    pub zone: String,
    /// Weekly opening hours.
    pub opening_hours: Value,
    /// Minutes of work in a week.
    pub weekly_minutes: Option<i32>,
    /// Solution that can be mixed in a week.
    pub weekly_mixing_microlitres: Option<i64>,
    /// Most batches sown in a week.
    pub most_sowings_per_week: Option<i32>,
    /// Whether it is out of use.
    pub retired: bool,
}

/// A closure.
#[derive(Debug, Clone, PartialEq, FromRow)]
pub struct ClosureRow {
    /// Its site.
    pub site_id: String,
    /// First closed day.
    pub first_day: NaiveDate,
    /// Last closed day.
    pub last_day: NaiveDate,
    /// Why.
    pub reason: String,
}

/// A station with its container kind.
#[derive(Debug, Clone, PartialEq, FromRow)]
pub struct StationRow {
    /// The station.
    pub id: String,
    /// Its site.
    pub site_id: String,
    /// Its name.
    pub name: String,
    /// `passive` or `aerated`.
    pub method: String,
    /// Containers it holds.
    pub places: i32,
    /// Temperature and light by week of the year.
    pub environment: Value,
    /// The container kind.
    pub container_kind_id: String,
    /// Weight that a container of this kind gives, in thousandths of the reference container.
    pub yield_permille: i32,
    /// Liquid in a filled container.
    pub fill_microlitres: i64,
    /// Whether it is out of use.
    pub retired: bool,
}

/// A period in which places of a station cannot be used.
#[derive(Debug, Clone, PartialEq, FromRow)]
pub struct OutageRow {
    /// Its station.
    pub station_id: String,
    /// First day.
    pub first_day: NaiveDate,
    /// Last day.
    pub last_day: NaiveDate,
    /// Places that cannot be used.
    pub places: i32,
}

/// A crop.
#[derive(Debug, Clone, PartialEq, FromRow)]
pub struct CropRow {
    /// The crop.
    pub id: String,
    /// Its group.
    pub crop_group_id: String,
    /// Its name.
    pub name: String,
    /// Its growth profile.
    pub profile: Value,
    /// What the co-operative knows of it on its own stations.
    pub station_days: Value,
    /// Whether it is out of use.
    pub retired: bool,
}

/// A pledge with its recipient.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, FromRow)]
pub struct PledgeRow {
    /// The pledge.
    pub id: String,
    /// Who is to receive it.
    pub recipient_id: String,
    /// Their name.
    pub recipient_name: String,
    /// ISO weekdays on which they receive produce.
    pub delivery_weekdays: Vec<i16>,
    /// Days that cut greens may wait for the next delivery.
    pub keep_days: i32,
    /// The crop that is pledged, or else a group.
    pub crop_id: Option<String>,
    /// The group that is pledged.
    pub crop_group_id: Option<String>,
    /// Name of the crop or group.
    pub what: String,
    /// Weight in each week.
    pub weekly_milligrams: i64,
    /// Monday of the first week.
    pub first_monday: NaiveDate,
    /// Monday of the last week.
    pub last_monday: NaiveDate,
    /// 1 to 9: what a missing gram counts, so the greater comes first.
    pub priority: i32,
}

/// A sowing that is not over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, FromRow)]
pub struct SowingRow {
    /// The sowing.
    pub id: String,
    /// Its site.
    pub site_id: String,
    /// Its station.
    pub station_id: String,
    /// Its crop.
    pub crop_id: String,
    /// Whether it came from a plan.
    pub from_plan: bool,
    /// How many.
    pub containers: i32,
    /// Day for which it is or was planned.
    pub sow_on: NaiveDate,
    /// The places are free again from this day.
    pub free_on: NaiveDate,
    /// Days of the cuts as planned.
    pub planned_cuts: Vec<NaiveDate>,
    /// Weight of each of them, whole sowing.
    pub expected_milligrams: Vec<i64>,
    /// `planned`, `sown`, `sprouted` or `cutting`.
    pub state: String,
    /// When it was really sown.
    pub sown_on: Option<NaiveDate>,
    /// Days of the cuts taken so far.
    pub cuts: Vec<NaiveDate>,
}

/// A sowing that was due by a day and was not sown: still planned, or lost on that day or around it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, FromRow)]
pub struct DueRow {
    /// The sowing.
    pub id: String,
    /// Its site.
    pub site_id: String,
    /// Name of the site.
    pub site_name: String,
    /// Its station.
    pub station_id: String,
    /// Name of the station.
    pub station_name: String,
    /// Its crop.
    pub crop_id: String,
    /// Name of the crop.
    pub crop_name: String,
    /// How many.
    pub containers: i32,
    /// Day for which it is or was planned.
    pub sow_on: NaiveDate,
    /// When it was lost.
    pub lost_on: Option<NaiveDate>,
    /// Why it was lost.
    pub lost_cause: Option<String>,
    /// Members who hold the task of sowing it, or held it when it was lost.
    pub claims: i64,
}

/// Reads sowings that are due and not sown, with those who claimed to sow them; a day more than `day`
/// and a day less, since sites lie in several zones.
///
/// # Errors
/// Those of the database.
pub async fn due(tx: &mut Tx, day: NaiveDate, now: DateTime<Utc>) -> Result<Vec<DueRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select s.id::text as id, s.site_id::text as site_id, i.name as site_name, s.station_id::text as station_id,
                b.name as station_name, s.crop_id::text as crop_id, c.name as crop_name, s.containers, s.sow_on,
                s.lost_on, s.lost_cause,
                (select count(*) from task t
                   join claim h on h.cooperative_id = t.cooperative_id and h.task_id = t.id
                  where t.cooperative_id = $1 and t.sowing_id = s.id and t.kind = 'sow'
                    and case when s.state = 'lost' then h.end_kind = 'dropped'
                             else t.state in ('open', 'held') and h.ended_at is null
                              and claim_comes_free_at(h.claimed_at, h.begun_at, t.due_at) > $3 end) as claims
           from sowing s
           join site i on i.cooperative_id = s.cooperative_id and i.id = s.site_id
           join station b on b.cooperative_id = s.cooperative_id and b.id = s.station_id
           join crop c on c.cooperative_id = s.cooperative_id and c.id = s.crop_id
          where s.cooperative_id = $1 and s.sown_on is null and s.sow_on <= $2::date + 1
            and (s.state = 'planned'
                 or (s.state = 'lost' and s.plan_id is not null and s.lost_on >= s.sow_on
                     and s.lost_on between $2::date - 1 and $2::date + 1))
          order by s.id",
    )
    .bind(cooperative_id)
    .bind(day)
    .bind(now)
    .fetch_all(tx.connection())
    .await?)
}

/// Reads the rows of the weeks from one Monday to another; call it in one snapshot.
///
/// # Errors
/// Those of the database.
pub async fn load(
    tx: &mut Tx,
    first_monday: NaiveDate,
    last_monday: NaiveDate,
) -> Result<SeasonRows> {
    Ok(SeasonRows {
        sites: sites(tx).await?,
        closures: closures(tx).await?,
        stations: stations(tx).await?,
        outages: outages(tx).await?,
        crops: crops(tx).await?,
        pledges: pledges(tx, first_monday, last_monday).await?,
        sowings: sowings(tx).await?,
    })
}

async fn sites(tx: &mut Tx) -> Result<Vec<SiteRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id::text as id, name, zone, opening_hours, weekly_minutes, weekly_mixing_microlitres, most_sowings_per_week,
                retired_at is not null as retired
           from site s where cooperative_id = $1
            and (retired_at is null or exists (
                  select 1 from sowing w where w.cooperative_id = $1 and w.site_id = s.id and w.state not in ('cleared', 'lost')))
          order by s.id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

async fn closures(tx: &mut Tx) -> Result<Vec<ClosureRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select site_id::text as site_id, first_day, last_day, reason
           from closure where cooperative_id = $1 and retired_at is null order by id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

async fn stations(tx: &mut Tx) -> Result<Vec<StationRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select s.id::text as id, s.site_id::text as site_id, s.name, s.method, s.places, s.environment,
                k.id::text as container_kind_id, k.yield_permille, k.fill_microlitres, s.retired_at is not null as retired
           from station s
           join container_kind k on k.cooperative_id = s.cooperative_id and k.id = s.container_kind_id
          where s.cooperative_id = $1
            and (s.retired_at is null or exists (
                  select 1 from sowing w where w.cooperative_id = $1 and w.station_id = s.id and w.state not in ('cleared', 'lost')))
          order by s.id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

async fn outages(tx: &mut Tx) -> Result<Vec<OutageRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select station_id::text as station_id, first_day, last_day, places
           from station_outage where cooperative_id = $1 and retired_at is null order by id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

async fn crops(tx: &mut Tx) -> Result<Vec<CropRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id::text as id, crop_group_id::text as crop_group_id, name, profile, station_days, retired_at is not null as retired
           from crop c where cooperative_id = $1
            and (retired_at is null or exists (
                  select 1 from sowing w where w.cooperative_id = $1 and w.crop_id = c.id and w.state not in ('cleared', 'lost')))
          order by c.id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

async fn pledges(
    tx: &mut Tx,
    first_monday: NaiveDate,
    last_monday: NaiveDate,
) -> Result<Vec<PledgeRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select p.id::text as id, p.recipient_id::text as recipient_id, r.name as recipient_name, r.delivery_weekdays, r.keep_days,
                p.crop_id::text as crop_id, p.crop_group_id::text as crop_group_id, coalesce(c.name, g.name, '') as what,
                p.weekly_milligrams, p.first_monday, p.last_monday, p.priority
           from pledge p
           join recipient r on r.cooperative_id = p.cooperative_id and r.id = p.recipient_id
           left join crop c on c.cooperative_id = p.cooperative_id and c.id = p.crop_id
           left join crop_group g on g.cooperative_id = p.cooperative_id and g.id = p.crop_group_id
          where p.cooperative_id = $1 and p.retired_at is null and r.retired_at is null
            and p.first_monday <= $3 and p.last_monday >= $2
          order by p.id",
    )
    .bind(cooperative_id)
    .bind(first_monday)
    .bind(last_monday)
    .fetch_all(tx.connection())
    .await?)
}

async fn sowings(tx: &mut Tx) -> Result<Vec<SowingRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select s.id::text as id, s.site_id::text as site_id, s.station_id::text as station_id, s.crop_id::text as crop_id,
                s.plan_id is not null as from_plan, s.containers, s.sow_on, s.free_on, s.planned_cuts, s.expected_milligrams,
                s.state, s.sown_on,
                coalesce((select array_agg(t.cut_on order by t.number)
                            from (select n.number, min(n.cut_on) as cut_on
                                    from (select c.number, c.cut_on from cut c
                                           where c.cooperative_id = $1 and c.sowing_id = s.id
                                          union all
                                          select (e.detail->>'number')::integer, e.happened_on from sowing_event e
                                           where e.cooperative_id = $1 and e.sowing_id = s.id and e.kind = 'cut') n
                                   group by n.number) t), '{}') as cuts
           from sowing s
          where s.cooperative_id = $1 and s.state not in ('cleared', 'lost')
          order by s.id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

/// How far every kind of record has come that a plan is made from: a figure that grows with every
/// change, by noun.
///
/// # Errors
/// Those of the database.
pub async fn inputs(tx: &mut Tx) -> Result<BTreeMap<String, i64>> {
    let cooperative_id = tx.cooperative_id();
    let rows: Vec<(String, i64)> = sqlx::query_as(
        "select 'site', (coalesce(sum(version), 0) + count(*))::bigint from site where cooperative_id = $1
         union all select 'closure', (coalesce(sum(version), 0) + count(*))::bigint from closure where cooperative_id = $1
         union all select 'container kind', (coalesce(sum(version), 0) + count(*))::bigint from container_kind where cooperative_id = $1
         union all select 'station', (coalesce(sum(version), 0) + count(*))::bigint from station where cooperative_id = $1
         union all select 'outage', (coalesce(sum(version), 0) + count(*))::bigint from station_outage where cooperative_id = $1
         union all select 'crop group', (coalesce(sum(version), 0) + count(*))::bigint from crop_group where cooperative_id = $1
         union all select 'crop', (coalesce(sum(version), 0) + count(*))::bigint from crop where cooperative_id = $1
         union all select 'recipient', (coalesce(sum(version), 0) + count(*))::bigint from recipient where cooperative_id = $1
         union all select 'pledge', (coalesce(sum(version), 0) + count(*))::bigint from pledge where cooperative_id = $1
         union all select 'sowing', (coalesce(sum(version), 0) + count(*))::bigint from sowing where cooperative_id = $1
         union all select 'cut', count(*) from cut where cooperative_id = $1
         union all select 'adopted plan', count(adopted_at) from plan where cooperative_id = $1",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?;
    Ok(rows.into_iter().collect())
}
