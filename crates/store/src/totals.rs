//! What weekly totals are made of: promises, cuts to come, cuts taken, and what was handed over.
//!
//! With an instant `as_of`, rows recorded after it are left out.

use chrono::{DateTime, NaiveDate, Utc};
use uuid::Uuid;

use crate::{Result, Tx};

/// Days and instant that totals look at.
#[derive(Debug, Clone, Copy)]
pub struct Period {
    /// First local day.
    pub first: NaiveDate,
    /// Last local day.
    pub last: NaiveDate,
    /// The instant whose knowledge counts; `None` for all there is.
    pub as_of: Option<DateTime<Utc>>,
}

/// A pledge with the delivery days of its recipient.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct PledgeRow {
    /// Who receives.
    pub recipient_id: Uuid,
    /// ISO weekdays on which it receives produce.
    pub delivery_weekdays: Vec<i16>,
    /// Days that cut greens may wait for the next delivery.
    pub keep_days: i32,
    /// The crop, when it names one.
    pub crop_id: Option<Uuid>,
    /// The group, when it names one.
    pub crop_group_id: Option<Uuid>,
    /// Promised every week.
    pub weekly_milligrams: i64,
    /// Monday of the first week.
    pub first_monday: NaiveDate,
    /// Monday of the last week.
    pub last_monday: NaiveDate,
    /// Since when it is withdrawn.
    pub retired_at: Option<DateTime<Utc>>,
}

/// Produce of one crop from one site on one day.
#[derive(Debug, Clone, Copy, sqlx::FromRow)]
pub struct Harvest {
    /// The site.
    pub site_id: Uuid,
    /// The crop.
    pub crop_id: Uuid,
    /// The group that cut it; of cuts to come none.
    pub group_id: Option<Uuid>,
    /// The local day.
    pub on: NaiveDate,
    /// Its weight.
    pub milligrams: i64,
    /// What of it was unfit, over and above the weight.
    pub waste_milligrams: i64,
}

/// Produce of one crop in one delivery that was handed over.
#[derive(Debug, Clone, Copy, sqlx::FromRow)]
pub struct HandedOver {
    /// Where the delivery was packed.
    pub site_id: Uuid,
    /// Who received it.
    pub recipient_id: Uuid,
    /// The crop.
    pub crop_id: Uuid,
    /// The group that cut it.
    pub group_id: Option<Uuid>,
    /// The local day of hand-over.
    pub on: NaiveDate,
    /// Its weight with corrections.
    pub milligrams: i64,
}

/// A name that lines are shown under.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct Named {
    /// The record.
    pub id: Uuid,
    /// Its name.
    pub name: String,
}

/// A crop with its group.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct CropRow {
    /// The crop.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// Its group.
    pub crop_group_id: Uuid,
}

/// Pledges that touch the period, with what they said at the instant: their history is kept with who
/// changed them.
///
/// # Errors
/// Those of the database.
pub async fn pledges(tx: &mut Tx, period: Period) -> Result<Vec<PledgeRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select p.recipient_id, r.delivery_weekdays, r.keep_days, p.crop_id, p.crop_group_id,
                w.weekly_milligrams, w.first_monday, w.last_monday, p.retired_at
           from pledge p join recipient r on r.cooperative_id = p.cooperative_id and r.id = p.recipient_id
           left join lateral (
                select a.change from audit_entry a
                 where $4::timestamptz is not null and a.cooperative_id = p.cooperative_id and a.noun_id = p.id
                   and a.operation in ('create_pledge', 'change_pledge') and a.at <= $4
                 order by a.at desc, a.id desc limit 1) then_said on true
          cross join lateral (
                select coalesce((then_said.change->>'weekly_milligrams')::bigint, p.weekly_milligrams) as weekly_milligrams,
                       coalesce((then_said.change->>'first_monday')::date, p.first_monday) as first_monday,
                       coalesce((then_said.change->>'last_monday')::date, p.last_monday) as last_monday) w
          where p.cooperative_id = $1 and w.first_monday <= $3 and w.last_monday + 6 >= $2
            and ($4::timestamptz is null or then_said.change is not null
                 or (p.created_at <= $4 and not exists (
                       select from audit_entry a
                        where a.cooperative_id = p.cooperative_id and a.noun_id = p.id and a.operation = 'create_pledge')))
          order by p.id",
    )
    .bind(cooperative_id)
    .bind(period.first)
    .bind(period.last)
    .bind(period.as_of)
    .fetch_all(tx.connection())
    .await?)
}

/// Cuts that standing sowings are still to give, by the day planned and of the weight expected at the
/// instant.
///
/// # Errors
/// Those of the database.
pub async fn expected(tx: &mut Tx, period: Period) -> Result<Vec<Harvest>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select s.site_id, s.crop_id, null::uuid as group_id, planned.cut_on as on,
                sum(planned.milligrams)::bigint as milligrams, 0::bigint as waste_milligrams
           from sowing s
           left join lateral (
                select e.detail->'planned_cuts'->'from' as days from sowing_event e
                 where $4::timestamptz is not null and e.cooperative_id = s.cooperative_id and e.sowing_id = s.id
                   and e.kind = 'moved' and e.recorded_at > $4 and e.detail ? 'planned_cuts'
                 order by e.id limit 1) before on true
           left join lateral (
                select e.detail->'expected_milligrams'->'from' as weights from sowing_event e
                 where $4::timestamptz is not null and e.cooperative_id = s.cooperative_id and e.sowing_id = s.id
                   and e.kind = 'moved' and e.recorded_at > $4 and e.detail ? 'expected_milligrams'
                 order by e.id limit 1) lighter on true
          cross join lateral unnest(
                case when before.days is null then s.planned_cuts
                     else array(select day::date from jsonb_array_elements_text(before.days) with ordinality d (day, n) order by n) end,
                case when lighter.weights is null then s.expected_milligrams
                     else array(select weight::bigint from jsonb_array_elements_text(lighter.weights) with ordinality w (weight, n) order by n) end)
                with ordinality as planned (cut_on, milligrams, number)
          where s.cooperative_id = $1 and planned.cut_on between $2 and $3
            and not exists (
              select 1 from sowing_event e
               where e.cooperative_id = s.cooperative_id and e.sowing_id = s.id and e.kind = 'planned' and e.recorded_at > $4)
            and (s.state not in ('cleared', 'lost') or exists (
              select 1 from sowing_event e
               where e.cooperative_id = s.cooperative_id and e.sowing_id = s.id and e.kind in ('cleared', 'lost') and e.recorded_at > $4))
            and planned.number > coalesce((
              select max(c.number) from cut c
               where c.cooperative_id = s.cooperative_id and c.sowing_id = s.id
                 and ($4::timestamptz is null or c.recorded_at <= $4)), 0)
          group by s.site_id, s.crop_id, planned.cut_on
          order by planned.cut_on, s.crop_id, s.site_id",
    )
    .bind(cooperative_id)
    .bind(period.first)
    .bind(period.last)
    .bind(period.as_of)
    .fetch_all(tx.connection())
    .await?)
}

/// Cuts taken, with their corrections, by local day. Poor ones and what was weighed apart are waste.
///
/// # Errors
/// Those of the database.
pub async fn cuts(tx: &mut Tx, period: Period) -> Result<Vec<Harvest>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select s.site_id, s.crop_id, c.group_id, c.cut_on as on,
                coalesce(sum(c.milligrams + coalesce(k.milligrams, 0)) filter (where c.quality <> 'poor'), 0)::bigint as milligrams,
                (coalesce(sum(c.milligrams + coalesce(k.milligrams, 0)) filter (where c.quality = 'poor'), 0)
                 + sum(c.waste_milligrams + coalesce(k.waste_milligrams, 0)))::bigint as waste_milligrams
           from cut c join sowing s on s.cooperative_id = c.cooperative_id and s.id = c.sowing_id
           left join lateral (
                select sum(k.change_milligrams) as milligrams, sum(k.waste_change_milligrams) as waste_milligrams
                  from cut_correction k
                 where k.cooperative_id = c.cooperative_id and k.cut_id = c.id
                   and ($4::timestamptz is null or k.recorded_at <= $4)) k on true
          where c.cooperative_id = $1 and c.cut_on between $2 and $3
            and ($4::timestamptz is null or c.recorded_at <= $4)
          group by s.site_id, s.crop_id, c.group_id, c.cut_on
          order by c.cut_on, s.crop_id, s.site_id, c.group_id",
    )
    .bind(cooperative_id)
    .bind(period.first)
    .bind(period.last)
    .bind(period.as_of)
    .fetch_all(tx.connection())
    .await?)
}

/// What was handed over, with corrections, in the order of hand-over.
///
/// # Errors
/// Those of the database.
pub async fn handed_over(tx: &mut Tx, period: Period) -> Result<Vec<HandedOver>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select d.site_id, d.recipient_id, s.crop_id, c.group_id, d.handed_over_on as on, sum(l.milligrams + coalesce((
                  select sum(k.change_milligrams) from delivery_correction k
                   where k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id
                     and ($4::timestamptz is null or k.recorded_at <= $4)), 0))::bigint as milligrams
           from delivery d
           join delivery_line l on l.cooperative_id = d.cooperative_id and l.delivery_id = d.id
           join cut c on c.cooperative_id = l.cooperative_id and c.id = l.cut_id
           join sowing s on s.cooperative_id = c.cooperative_id and s.id = c.sowing_id
          where d.cooperative_id = $1 and d.handed_over_on between $2 and $3
            and ($4::timestamptz is null or d.hand_over_recorded_at <= $4)
          group by d.id, d.site_id, d.recipient_id, s.crop_id, c.group_id, d.handed_over_on, d.handed_over_at
          order by d.handed_over_at, d.id, s.crop_id, c.group_id",
    )
    .bind(cooperative_id)
    .bind(period.first)
    .bind(period.last)
    .bind(period.as_of)
    .fetch_all(tx.connection())
    .await?)
}

/// All recipients.
///
/// # Errors
/// Those of the database.
pub async fn recipients(tx: &mut Tx) -> Result<Vec<Named>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select id, name from recipient where cooperative_id = $1")
            .bind(cooperative_id)
            .fetch_all(tx.connection())
            .await?,
    )
}

/// All crop groups.
///
/// # Errors
/// Those of the database.
pub async fn crop_groups(tx: &mut Tx) -> Result<Vec<Named>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select id, name from crop_group where cooperative_id = $1")
            .bind(cooperative_id)
            .fetch_all(tx.connection())
            .await?,
    )
}

/// All crops.
///
/// # Errors
/// Those of the database.
pub async fn crops(tx: &mut Tx) -> Result<Vec<CropRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select id, name, crop_group_id from crop where cooperative_id = $1")
            .bind(cooperative_id)
            .fetch_all(tx.connection())
            .await?,
    )
}
