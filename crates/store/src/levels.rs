//! The liquid in the containers of standing sowings: levels that were read, what was poured in, and
//! batches that have something left.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A level that somebody read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct LevelReading {
    /// The reading.
    pub id: Uuid,
    /// The sowing whose containers were looked at.
    pub sowing_id: Uuid,
    /// In one container.
    pub microlitres: i64,
    /// Depth of the liquid, where it was measured.
    pub depth_millimetres: Option<i32>,
    /// Whether roots hang in the air above the liquid, where somebody looked.
    pub air_roots: Option<bool>,
    /// When it was read.
    pub read_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who read it.
    pub member_id: Uuid,
    /// Anything worth knowing.
    pub note: String,
}

/// A sowing that stands in liquid.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct StandingSowing {
    /// The sowing.
    pub id: Uuid,
    /// Its site.
    pub site_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Name of the station.
    pub station_name: String,
    /// Its crop.
    pub crop_id: Uuid,
    /// Name of the crop.
    pub crop_name: String,
    /// Containers.
    pub containers: i32,
    /// `sown`, `sprouted` or `cutting`.
    pub state: String,
    /// When it was sown.
    pub sown_on: NaiveDate,
    /// Days on which it is to be cut, as things stand.
    pub planned_cuts: Vec<NaiveDate>,
    /// First day of each cut that was taken, by number.
    pub cuts_taken: Vec<NaiveDate>,
}

/// What was poured into containers.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct Poured {
    /// Into those of a sowing.
    pub sowing_id: Option<Uuid>,
    /// Into those of a station.
    pub station_id: Option<Uuid>,
    /// In all.
    pub microlitres: i64,
    /// When.
    pub happened_at: DateTime<Utc>,
    /// The top-up that is not finished of which it was a part.
    pub part_of: Option<Uuid>,
}

/// A top-up of which parts were done, and which is not finished.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::FromRow)]
pub struct BegunTopUp {
    /// Whose containers.
    pub sowing_id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// Containers that were done.
    pub containers: i32,
    /// When the first of them were.
    pub begun_at: DateTime<Utc>,
}

/// A batch that can be used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct ReadyBatch {
    /// The batch.
    pub id: Uuid,
    /// Its code.
    pub code: String,
    /// Its recipe.
    pub recipe_id: Uuid,
    /// What is left of it.
    pub left_microlitres: i64,
}

/// Adds a reading.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, reading: &LevelReading) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into level_reading (id, cooperative_id, sowing_id, microlitres, depth_millimetres, air_roots, read_at, recorded_at, member_id, note)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(reading.id)
    .bind(cooperative_id)
    .bind(reading.sowing_id)
    .bind(reading.microlitres)
    .bind(reading.depth_millimetres)
    .bind(reading.air_roots)
    .bind(reading.read_at)
    .bind(reading.recorded_at)
    .bind(reading.member_id)
    .bind(&reading.note)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Readings of a sowing in the order in which they were written down.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, sowing_id: Uuid, page: Page) -> Result<Vec<LevelReading>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, sowing_id, microlitres, depth_millimetres, air_roots, read_at, recorded_at, member_id, note from level_reading
          where cooperative_id = $1 and sowing_id = $2 and ($3::uuid is null or id > $3) order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// Readings of some sowings in the order in which they were read.
///
/// # Errors
/// Those of the database.
pub async fn of_sowings(tx: &mut Tx, sowing_ids: &[Uuid]) -> Result<Vec<LevelReading>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, sowing_id, microlitres, depth_millimetres, air_roots, read_at, recorded_at, member_id, note from level_reading
          where cooperative_id = $1 and sowing_id = any($2) order by read_at, id",
    )
    .bind(cooperative_id)
    .bind(sowing_ids)
    .fetch_all(tx.connection())
    .await?)
}

/// Sowings that stand at a site, or at one station of it; and one more that once stood there, where it is
/// named.
///
/// # Errors
/// Those of the database.
pub async fn standing(
    tx: &mut Tx,
    site_id: Uuid,
    station_id: Option<Uuid>,
    also: Option<Uuid>,
) -> Result<Vec<StandingSowing>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select w.id, w.site_id, w.station_id, s.name as station_name, w.crop_id, c.name as crop_name, w.containers, w.state,
                coalesce(w.sown_on, w.sow_on) as sown_on, w.planned_cuts,
                coalesce((select array_agg(n.cut_on order by n.number)
                            from (select u.number, min(u.cut_on) as cut_on from cut u
                                   where u.cooperative_id = w.cooperative_id and u.sowing_id = w.id group by u.number) n), '{}') as cuts_taken
           from sowing w
           join station s on s.cooperative_id = w.cooperative_id and s.id = w.station_id
           join crop c on c.cooperative_id = w.cooperative_id and c.id = w.crop_id
          where w.cooperative_id = $1 and w.site_id = $2 and ($3::uuid is null or w.station_id = $3)
            and (w.state in ('sown', 'sprouted', 'cutting') or w.id = $4)
          order by w.id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(station_id)
    .bind(also)
    .fetch_all(tx.connection())
    .await?)
}

/// What was poured into containers of some sowings, or of some stations as a whole, since an instant,
/// out of batches or, as finished work tells, as plain water; what was withdrawn is left out.
///
/// # Errors
/// Those of the database.
pub async fn poured(
    tx: &mut Tx,
    sowing_ids: &[Uuid],
    station_ids: &[Uuid],
    since: DateTime<Utc>,
) -> Result<Vec<Poured>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "with part as (
           select t.id as task_id, (r.outcome->>'batch_entry_id')::uuid as entry_id
             from task t join work_report r on r.cooperative_id = t.cooperative_id and r.task_id = t.id
            where t.cooperative_id = $1 and t.sowing_id = any($2) and t.kind = 'top_up' and t.state in ('open', 'held')
              and r.entered and not r.whole
         )
         select e.sowing_id, e.station_id, e.microlitres, e.happened_at, (select p.task_id from part p where p.entry_id = e.id) as part_of
           from batch_entry e
          where e.cooperative_id = $1 and e.kind = 'use' and e.happened_at >= $4
            and (e.sowing_id = any($2) or (e.sowing_id is null and e.station_id = any($3)))
            and not exists (select from batch_entry w where w.cooperative_id = e.cooperative_id and w.withdraws_id = e.id)
         union all
         select t.sowing_id, t.station_id, ((r.outcome->'volume'->>'value')::numeric * 1000)::bigint, r.done_at,
                case when not r.whole and t.kind = 'top_up' and t.state in ('open', 'held') then t.id end
           from work_report r join task t on t.cooperative_id = r.cooperative_id and t.id = r.task_id
          where r.cooperative_id = $1 and r.entered and r.done_at >= $4
            and (r.outcome->>'plain_water')::boolean and r.outcome->'volume'->>'unit' = 'mL'
            and (t.sowing_id = any($2) or (t.sowing_id is null and t.station_id = any($3)))
          order by 4, 3",
    )
    .bind(cooperative_id)
    .bind(sowing_ids)
    .bind(station_ids)
    .bind(since)
    .fetch_all(tx.connection())
    .await?)
}

/// Top-ups of some sowings that are not finished, with what their parts did; of each sowing the one that
/// was begun last.
///
/// # Errors
/// Those of the database.
pub async fn begun_top_ups(tx: &mut Tx, sowing_ids: &[Uuid]) -> Result<Vec<BegunTopUp>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select distinct on (t.sowing_id) t.sowing_id, t.id as task_id,
                sum((r.outcome->>'containers')::integer)::integer as containers, min(r.done_at) as begun_at
           from task t join work_report r on r.cooperative_id = t.cooperative_id and r.task_id = t.id
          where t.cooperative_id = $1 and t.sowing_id = any($2) and t.kind = 'top_up' and t.state in ('open', 'held')
            and r.entered and not r.whole and r.outcome->>'containers' is not null
          group by t.sowing_id, t.id order by t.sowing_id, min(r.done_at) desc",
    )
    .bind(cooperative_id)
    .bind(sowing_ids)
    .fetch_all(tx.connection())
    .await?)
}

/// Batches at a site that can be used, the oldest first, with what is left: what was last found or
/// mixed, less what was used or discarded since.
///
/// # Errors
/// Those of the database.
pub async fn ready_batches(tx: &mut Tx, site_id: Uuid) -> Result<Vec<ReadyBatch>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "with entry as (
           select e.* from batch_entry e
            where e.cooperative_id = $1 and e.kind in ('use', 'discard', 'left')
              and not exists (select from batch_entry w where w.cooperative_id = e.cooperative_id and w.withdraws_id = e.id)
         )
         select b.id, b.code, b.recipe_id,
                greatest(0, coalesce(f.microlitres, b.microlitres)
                  - coalesce((select sum(u.microlitres) from entry u
                               where u.batch_id = b.id and u.kind <> 'left'
                                 and (f.id is null or (u.happened_at, u.id) > (f.happened_at, f.id))), 0))::bigint as left_microlitres
           from batch b
           left join lateral (select * from entry e where e.batch_id = b.id and e.kind = 'left'
                               order by e.happened_at desc, e.id desc limit 1) f on true
          where b.cooperative_id = $1 and b.site_id = $2 and b.state in ('ready', 'in_use')
          order by b.begun_at, b.id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}
