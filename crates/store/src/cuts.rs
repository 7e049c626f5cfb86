//! Cuts, their corrections, and what is left of them.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A cut as it stands now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Cut {
    /// The cut.
    pub id: Uuid,
    /// What was cut.
    pub sowing_id: Uuid,
    /// Where the sowing stands.
    pub site_id: Uuid,
    /// The station of the sowing.
    pub station_id: Uuid,
    /// Its name.
    pub station_name: String,
    /// The crop.
    pub crop_id: Uuid,
    /// Its name.
    pub crop_name: String,
    /// Which cut of the sowing; several trays may come from one.
    pub number: i32,
    /// The local day.
    pub cut_on: NaiveDate,
    /// Weight as it was first written down.
    pub first_milligrams: i64,
    /// Weight with its corrections.
    pub milligrams: i64,
    /// How much of it is in deliveries.
    pub delivered_milligrams: i64,
    /// The tray with what is in it, where it was weighed so.
    pub gross_milligrams: Option<i64>,
    /// The empty tray.
    pub tare_milligrams: Option<i64>,
    /// Waste of the same cut as it was first written down; never part of the weight.
    pub first_waste_milligrams: i64,
    /// Waste with its corrections.
    pub waste_milligrams: i64,
    /// Why a weight past what is plausible is true all the same.
    pub accepted_because: Option<String>,
    /// The group that cut it.
    pub group_id: Option<Uuid>,
    /// `good`, `fair` or `poor`.
    pub quality: String,
    /// What came from outside and harmed it.
    pub harmed_by: Option<String>,
    /// What is written on the tray.
    pub tray_code: String,
    /// Who recorded it.
    pub member_id: Uuid,
    /// The task it answers.
    pub task_id: Option<Uuid>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// One, and one more for each correction, delivery line and correction of a line.
    pub version: i64,
}

/// A cut to be kept.
#[derive(Debug, Clone)]
pub struct NewCut<'a> {
    /// The cut.
    pub id: Uuid,
    /// What was cut.
    pub sowing_id: Uuid,
    /// Which cut of the sowing.
    pub number: i32,
    /// The local day.
    pub cut_on: NaiveDate,
    /// Its weight.
    pub milligrams: i64,
    /// The tray with what is in it, and the empty tray.
    pub with_tare: Option<(i64, i64)>,
    /// Waste of the same cut.
    pub waste_milligrams: i64,
    /// Why a weight past what is plausible is true all the same.
    pub accepted_because: Option<&'a str>,
    /// The group that cut it.
    pub group_id: Option<Uuid>,
    /// `good`, `fair` or `poor`.
    pub quality: &'static str,
    /// What came from outside and harmed it.
    pub harmed_by: Option<&'static str>,
    /// What is written on the tray.
    pub tray_code: &'a str,
    /// Who recorded it.
    pub member_id: Uuid,
    /// The task it answers.
    pub task_id: Option<Uuid>,
    /// Now.
    pub recorded_at: DateTime<Utc>,
}

/// A correction of a cut: an entry of its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct CutCorrection {
    /// The correction.
    pub id: Uuid,
    /// What is added to the weight; negative when too much was written down.
    pub change_milligrams: i64,
    /// What is added to the waste.
    pub waste_change_milligrams: i64,
    /// Why.
    pub reason: String,
    /// Who corrected.
    pub member_id: Uuid,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
}

/// Which cuts a list shows.
#[derive(Debug, Clone, Default)]
pub struct CutFilter {
    /// Of one sowing.
    pub sowing_id: Option<Uuid>,
    /// Of one site.
    pub site_id: Option<Uuid>,
    /// From this local day.
    pub from: Option<NaiveDate>,
    /// To this local day.
    pub to: Option<NaiveDate>,
}

/// A sowing as far as cutting needs it.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct SowingToCut {
    /// Where it stands.
    pub site_id: Uuid,
    /// The site's time zone.
    pub zone: String,
    /// Its state.
    pub state: String,
    /// The day on which it was sown, or is to be.
    pub sown_on: NaiveDate,
}

/// What a sowing is expected to give, and what one of its cuts weighs so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::FromRow)]
pub struct Expectation {
    /// Its containers.
    pub containers: i32,
    /// The greatest cut of the crop's profile, for one container.
    pub profile_milligrams: i64,
    /// The greatest cut that was planned, for the whole sowing.
    pub planned_milligrams: i64,
    /// All trays of the cut with their waste and corrections.
    pub so_far_milligrams: i64,
}

/// The days on which one cut of a sowing was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::FromRow)]
pub struct CutDays {
    /// Which cut.
    pub number: i32,
    /// Day of its first tray.
    pub first_day: NaiveDate,
    /// Day of its last tray.
    pub last_day: NaiveDate,
}

/// A task as far as a cut that answers it needs it.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct CutTask {
    /// Kind of work.
    pub kind: String,
    /// The sowing it works on.
    pub sowing_id: Option<Uuid>,
    /// Which cut.
    pub cut_number: i32,
}

macro_rules! cuts_where {
    ($condition:literal) => {
        concat!(
            "select c.id, c.sowing_id, s.site_id, s.station_id, station.name as station_name, s.crop_id, crop.name as crop_name,
                    c.number, c.cut_on, c.milligrams as first_milligrams, b.milligrams, b.delivered_milligrams,
                    c.gross_milligrams, c.tare_milligrams, c.waste_milligrams as first_waste_milligrams,
                    c.waste_milligrams + coalesce((select sum(k.waste_change_milligrams) from cut_correction k
                      where k.cooperative_id = c.cooperative_id and k.cut_id = c.id), 0)::bigint as waste_milligrams,
                    c.accepted_because, c.group_id, c.quality, c.harmed_by, c.tray_code, c.member_id, c.task_id, c.recorded_at,
                    1 + (select count(*) from cut_correction k where k.cooperative_id = c.cooperative_id and k.cut_id = c.id)
                      + (select count(*) + count(k.id) from delivery_line l
                           left join delivery_correction k on k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id
                          where l.cooperative_id = c.cooperative_id and l.cut_id = c.id) as version
               from cut c
               join cut_balance b on b.cooperative_id = c.cooperative_id and b.cut_id = c.id
               join sowing s on s.cooperative_id = c.cooperative_id and s.id = c.sowing_id
               join station on station.cooperative_id = c.cooperative_id and station.id = s.station_id
               join crop on crop.cooperative_id = c.cooperative_id and crop.id = s.crop_id
              where c.cooperative_id = $1 and ",
            $condition
        )
    };
}

/// One cut.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Cut>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(cuts_where!("c.id = $2"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// Several cuts at once, in no order.
///
/// # Errors
/// Those of the database.
pub async fn get_many(tx: &mut Tx, ids: &[Uuid]) -> Result<Vec<Cut>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(cuts_where!("c.id = any($2)"))
        .bind(cooperative_id)
        .bind(ids)
        .fetch_all(tx.connection())
        .await?)
}

/// Holds a cut against other writers of its weight until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("select 1 from cut where cooperative_id = $1 and id = $2 for no key update")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Cuts in the order of their recording; of some sites only where `sites` is given.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    filter: &CutFilter,
    sites: Option<&[Uuid]>,
    page: Page,
) -> Result<Vec<Cut>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(cuts_where!(
        "($2::uuid is null or c.sowing_id = $2) and ($3::uuid is null or s.site_id = $3)
         and ($4::date is null or c.cut_on >= $4) and ($5::date is null or c.cut_on <= $5)
         and ($6::uuid[] is null or s.site_id = any($6)) and ($7::uuid is null or c.id > $7)
         order by c.id limit $8"
    ))
    .bind(cooperative_id)
    .bind(filter.sowing_id)
    .bind(filter.site_id)
    .bind(filter.from)
    .bind(filter.to)
    .bind(sites)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// Keeps a cut.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, cut: &NewCut<'_>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into cut (id, cooperative_id, sowing_id, number, cut_on, milligrams, quality, tray_code, member_id, task_id, recorded_at,
                          gross_milligrams, tare_milligrams, waste_milligrams, accepted_because, group_id, harmed_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)",
    )
    .bind(cut.id)
    .bind(cooperative_id)
    .bind(cut.sowing_id)
    .bind(cut.number)
    .bind(cut.cut_on)
    .bind(cut.milligrams)
    .bind(cut.quality)
    .bind(cut.tray_code)
    .bind(cut.member_id)
    .bind(cut.task_id)
    .bind(cut.recorded_at)
    .bind(cut.with_tare.map(|(gross, _)| gross))
    .bind(cut.with_tare.map(|(_, tare)| tare))
    .bind(cut.waste_milligrams)
    .bind(cut.accepted_because)
    .bind(cut.group_id)
    .bind(cut.harmed_by)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Whether a tray code is taken.
///
/// # Errors
/// Those of the database.
pub async fn has_tray_code(tx: &mut Tx, tray_code: &str) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select exists (select 1 from cut where cooperative_id = $1 and tray_code = $2)",
    )
    .bind(cooperative_id)
    .bind(tray_code)
    .fetch_one(tx.connection())
    .await?)
}

/// Corrections of a cut, the oldest first.
///
/// # Errors
/// Those of the database.
pub async fn corrections(tx: &mut Tx, cut_id: Uuid) -> Result<Vec<CutCorrection>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, change_milligrams, waste_change_milligrams, reason, member_id, recorded_at from cut_correction
          where cooperative_id = $1 and cut_id = $2 order by id",
    )
    .bind(cooperative_id)
    .bind(cut_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Corrects a cut by an entry.
///
/// # Errors
/// Those of the database; constraint `cut_balance` when less would be left than is delivered.
pub async fn insert_correction(
    tx: &mut Tx,
    cut_id: Uuid,
    correction: &CutCorrection,
) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into cut_correction (id, cooperative_id, cut_id, change_milligrams, reason, member_id, recorded_at, waste_change_milligrams)
         values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(correction.id)
    .bind(cooperative_id)
    .bind(cut_id)
    .bind(correction.change_milligrams)
    .bind(&correction.reason)
    .bind(correction.member_id)
    .bind(correction.recorded_at)
    .bind(correction.waste_change_milligrams)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// The sowing to be cut, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock_sowing(tx: &mut Tx, sowing_id: Uuid) -> Result<Option<SowingToCut>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select s.site_id, site.zone, s.state, coalesce(s.sown_on, s.sow_on) as sown_on
           from sowing s join site on site.cooperative_id = s.cooperative_id and site.id = s.site_id
          where s.cooperative_id = $1 and s.id = $2 for no key update of s",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// The cuts that a sowing has had, in order.
///
/// # Errors
/// Those of the database.
pub async fn days_of_sowing(tx: &mut Tx, sowing_id: Uuid) -> Result<Vec<CutDays>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select number, min(cut_on) as first_day, max(cut_on) as last_day from cut
          where cooperative_id = $1 and sowing_id = $2 group by number order by number",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .fetch_all(tx.connection())
    .await?)
}

/// What is expected of a sowing, and what its cut of a number weighs so far.
///
/// # Errors
/// Those of the database.
pub async fn expectation(tx: &mut Tx, sowing_id: Uuid, number: i32) -> Result<Expectation> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select s.containers,
                coalesce((select max(m::bigint) from jsonb_array_elements_text(crop.profile->'cut_milligrams') m), 0) as profile_milligrams,
                coalesce((select max(m) from unnest(s.expected_milligrams) m), 0) as planned_milligrams,
                coalesce((select sum(c.milligrams + c.waste_milligrams + coalesce((
                            select sum(k.change_milligrams + k.waste_change_milligrams) from cut_correction k
                             where k.cooperative_id = c.cooperative_id and k.cut_id = c.id), 0))
                            from cut c where c.cooperative_id = s.cooperative_id and c.sowing_id = s.id and c.number = $3), 0)::bigint
                  as so_far_milligrams
           from sowing s join crop on crop.cooperative_id = s.cooperative_id and crop.id = s.crop_id
          where s.cooperative_id = $1 and s.id = $2",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .bind(number)
    .fetch_one(tx.connection())
    .await?)
}

/// Where a group works: nothing when there is none in use with this id.
///
/// # Errors
/// Those of the database.
pub async fn group_site(tx: &mut Tx, group_id: Uuid) -> Result<Option<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select site_id from member_group where cooperative_id = $1 and id = $2 and retired_at is null for share",
    )
    .bind(cooperative_id)
    .bind(group_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// The task that a cut answers.
///
/// # Errors
/// Those of the database.
pub async fn task(tx: &mut Tx, task_id: Uuid) -> Result<Option<CutTask>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select kind, sowing_id, cut_number from task where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(task_id)
    .fetch_optional(tx.connection())
    .await?)
}
