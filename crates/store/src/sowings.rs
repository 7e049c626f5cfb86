//! Sowings and what happened to them.

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_domain::sowing::SowingState;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sqlx::types::Json;
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A sowing as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Sowing {
    /// The sowing.
    pub id: Uuid,
    /// Its site.
    pub site_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Its crop.
    pub crop_id: Uuid,
    /// The plan it comes from; `None` when made by hand.
    pub plan_id: Option<Uuid>,
    /// Containers sown.
    pub containers: i32,
    /// First day on which its places are taken.
    pub sow_on: NaiveDate,
    /// The places are free again from this day.
    pub free_on: NaiveDate,
    /// Days on which it is to be cut.
    pub planned_cuts: Vec<NaiveDate>,
    /// Expected fresh weight of the whole sowing, one figure a planned cut.
    pub expected_milligrams: Vec<i64>,
    /// Where it stands.
    #[sqlx(try_from = "String")]
    pub state: StateColumn,
    /// When it was sown.
    pub sown_on: Option<NaiveDate>,
    /// When seedlings stood.
    pub sprouted_on: Option<NaiveDate>,
    /// When it was cleared.
    pub cleared_on: Option<NaiveDate>,
    /// When it was given up.
    pub lost_on: Option<NaiveDate>,
    /// Why it was given up.
    pub lost_cause: Option<String>,
    /// Anything worth knowing.
    pub note: String,
    /// Counts up with every change.
    pub version: i64,
    /// When it was written down first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
}

/// The state of a sowing as a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct StateColumn(pub SowingState);

impl TryFrom<String> for StateColumn {
    type Error = UnknownState;

    fn try_from(name: String) -> std::result::Result<Self, UnknownState> {
        SowingState::parse(&name)
            .map(Self)
            .ok_or(UnknownState(name))
    }
}

/// A state that this version does not know.
#[derive(Debug, thiserror::Error)]
#[error("unknown state {0}")]
pub struct UnknownState(String);

/// A sowing to be written down.
#[derive(Debug, Clone)]
pub struct SowingFields<'a> {
    /// Its site.
    pub site_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Its crop.
    pub crop_id: Uuid,
    /// The plan it comes from.
    pub plan_id: Option<Uuid>,
    /// Containers.
    pub containers: i32,
    /// First day on which its places are taken.
    pub sow_on: NaiveDate,
    /// The places are free again from this day.
    pub free_on: NaiveDate,
    /// Days on which it is to be cut.
    pub planned_cuts: &'a [NaiveDate],
    /// Expected fresh weight of the whole sowing, one figure a planned cut.
    pub expected_milligrams: &'a [i64],
}

/// A sowing with the names that people know it by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct SowingView {
    /// The sowing.
    #[sqlx(flatten)]
    pub sowing: Sowing,
    /// Name of the site.
    pub site_name: String,
    /// IANA time zone of the site.
    pub zone: String,
    /// Name of the station.
    pub station_name: String,
    /// Name of the crop.
    pub crop_name: String,
    /// Cuts so far, in the order of their recording.
    pub cuts: Json<Vec<CutSoFar>>,
}

/// A weighed cut of a sowing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CutSoFar {
    /// The cut.
    pub id: Uuid,
    /// Which cut of the sowing.
    pub number: i32,
    /// When.
    pub cut_on: NaiveDate,
    /// Weight with its corrections.
    pub milligrams: i64,
    /// Code on the tray.
    pub tray_code: String,
}

/// Something that happened to a sowing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct SowingEvent {
    /// The entry.
    pub id: Uuid,
    /// The sowing.
    pub sowing_id: Uuid,
    /// `planned`, `sown`, `sprouted`, `cut`, `cleared`, `lost`, `moved`, `corrected` or `noted`.
    pub kind: String,
    /// The day on which it happened.
    pub happened_on: NaiveDate,
    /// When it was written down.
    pub recorded_at: DateTime<Utc>,
    /// Who wrote it down.
    pub member_id: Uuid,
    /// What belongs to the kind.
    pub detail: Value,
}

/// Which sowings are listed.
#[derive(Debug, Clone, Default)]
pub struct SowingFilter {
    /// Of these sites only.
    pub sites: Option<Vec<Uuid>>,
    /// Of this site.
    pub site_id: Option<Uuid>,
    /// At this station.
    pub station_id: Option<Uuid>,
    /// In this state.
    pub state: Option<SowingState>,
}

/// Adds a sowing, state `planned`.
///
/// # Errors
/// Those of the database; `station_places` when the station has too few places.
pub async fn insert(tx: &mut Tx, id: Uuid, new: &SowingFields<'_>) -> Result<Sowing> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into sowing (id, cooperative_id, site_id, station_id, crop_id, plan_id, containers, sow_on, free_on, planned_cuts, expected_milligrams)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(new.site_id)
    .bind(new.station_id)
    .bind(new.crop_id)
    .bind(new.plan_id)
    .bind(new.containers)
    .bind(new.sow_on)
    .bind(new.free_on)
    .bind(new.planned_cuts)
    .bind(new.expected_milligrams)
    .fetch_one(tx.connection())
    .await?)
}

/// Keeps what may change of a sowing. The state only goes forward.
///
/// # Errors
/// Those of the database; `station_places` when the station has too few places.
pub async fn update(tx: &mut Tx, sowing: &Sowing) -> Result<Sowing> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update sowing set containers = $3, sow_on = $4, free_on = $5, planned_cuts = $6, expected_milligrams = $7, state = $8,
                sown_on = $9, sprouted_on = $10, cleared_on = $11, lost_on = $12, lost_cause = $13, note = $14
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(sowing.id)
    .bind(sowing.containers)
    .bind(sowing.sow_on)
    .bind(sowing.free_on)
    .bind(&sowing.planned_cuts)
    .bind(&sowing.expected_milligrams)
    .bind(sowing.state.0.as_str())
    .bind(sowing.sown_on)
    .bind(sowing.sprouted_on)
    .bind(sowing.cleared_on)
    .bind(sowing.lost_on)
    .bind(&sowing.lost_cause)
    .bind(&sowing.note)
    .fetch_one(tx.connection())
    .await?)
}

/// One sowing, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<Sowing>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from sowing where cooperative_id = $1 and id = $2 for no key update",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Whether the station has room for so many more containers from one day to the day before another.
/// Holds the station against other writers of its places until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn has_room(
    tx: &mut Tx,
    station_id: Uuid,
    containers: i32,
    from: NaiveDate,
    to: NaiveDate,
) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    let places: i32 = sqlx::query_scalar(
        "select places from station where cooperative_id = $1 and id = $2 for no key update",
    )
    .bind(cooperative_id)
    .bind(station_id)
    .fetch_one(tx.connection())
    .await?;
    let used: i64 = sqlx::query_scalar("select most_places_used($1, $2, $3)")
        .bind(station_id)
        .bind(from)
        .bind(to)
        .fetch_one(tx.connection())
        .await?;
    Ok(used + i64::from(containers) <= i64::from(places))
}

/// A page of sowings, in the order of their making.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, filter: &SowingFilter, page: Page) -> Result<Vec<SowingView>> {
    view(tx, None, filter, page).await
}

/// One sowing with the names that people know it by.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<SowingView>> {
    let found = view(tx, Some(id), &SowingFilter::default(), Page::ALL).await?;
    Ok(found.into_iter().next())
}

async fn view(
    tx: &mut Tx,
    id: Option<Uuid>,
    filter: &SowingFilter,
    page: Page,
) -> Result<Vec<SowingView>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select w.*, t.name as site_name, t.zone, s.name as station_name, c.name as crop_name,
                coalesce((select jsonb_agg(jsonb_build_object('id', u.id, 'number', u.number, 'cut_on', u.cut_on,
                                                              'milligrams', b.milligrams, 'tray_code', u.tray_code) order by u.number, u.id)
                            from cut u join cut_balance b on b.cooperative_id = u.cooperative_id and b.cut_id = u.id
                           where u.cooperative_id = w.cooperative_id and u.sowing_id = w.id), '[]') as cuts
           from sowing w
           join site t on t.cooperative_id = w.cooperative_id and t.id = w.site_id
           join station s on s.cooperative_id = w.cooperative_id and s.id = w.station_id
           join crop c on c.cooperative_id = w.cooperative_id and c.id = w.crop_id
          where w.cooperative_id = $1 and ($2::uuid is null or w.id = $2) and ($3::uuid[] is null or w.site_id = any($3))
            and ($4::uuid is null or w.site_id = $4) and ($5::uuid is null or w.station_id = $5) and ($6::text is null or w.state = $6)
            and ($7::uuid is null or w.id > $7)
          order by w.id limit $8",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&filter.sites)
    .bind(filter.site_id)
    .bind(filter.station_id)
    .bind(filter.state.map(SowingState::as_str))
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// Adds an entry to the history of a sowing.
///
/// # Errors
/// Those of the database.
pub async fn insert_event(tx: &mut Tx, event: &SowingEvent) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into sowing_event (id, cooperative_id, sowing_id, kind, happened_on, recorded_at, member_id, detail)
         values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(event.id)
    .bind(cooperative_id)
    .bind(event.sowing_id)
    .bind(&event.kind)
    .bind(event.happened_on)
    .bind(event.recorded_at)
    .bind(event.member_id)
    .bind(&event.detail)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// The history of a sowing, in the order in which it was written down.
///
/// # Errors
/// Those of the database.
pub async fn events(tx: &mut Tx, sowing_id: Uuid, page: Page) -> Result<Vec<SowingEvent>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, sowing_id, kind, happened_on, recorded_at, member_id, detail from sowing_event
          where cooperative_id = $1 and sowing_id = $2 and ($3::uuid is null or id > $3) order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// The number of the furthest cut that was entered, and the last day of it.
///
/// # Errors
/// Those of the database.
pub async fn last_cut(tx: &mut Tx, sowing_id: Uuid) -> Result<Option<(i32, NaiveDate)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select (detail->>'number')::integer, happened_on from sowing_event
          where cooperative_id = $1 and sowing_id = $2 and kind = 'cut' order by 1 desc, 2 desc limit 1",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// The days of a sowing as its first entry has them.
///
/// # Errors
/// Those of the database.
pub async fn as_planned(tx: &mut Tx, sowing_id: Uuid) -> Result<Value> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select detail from sowing_event where cooperative_id = $1 and sowing_id = $2 and kind = 'planned' order by id limit 1",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .fetch_one(tx.connection())
    .await?)
}

/// One entry of the history of a sowing.
///
/// # Errors
/// Those of the database.
pub async fn event(tx: &mut Tx, sowing_id: Uuid, id: Uuid) -> Result<Option<SowingEvent>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, sowing_id, kind, happened_on, recorded_at, member_id, detail from sowing_event
          where cooperative_id = $1 and sowing_id = $2 and id = $3",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}

/// When it was written down that a sowing is over.
///
/// # Errors
/// Those of the database.
pub async fn over_recorded_at(tx: &mut Tx, sowing_id: Uuid) -> Result<Option<DateTime<Utc>>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select max(recorded_at) from sowing_event where cooperative_id = $1 and sowing_id = $2 and kind in ('cleared', 'lost')",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .fetch_one(tx.connection())
    .await?)
}

/// The day of the earliest cut that was entered.
///
/// # Errors
/// Those of the database.
pub async fn first_cut_on(tx: &mut Tx, sowing_id: Uuid) -> Result<Option<NaiveDate>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select min(happened_on) from sowing_event where cooperative_id = $1 and sowing_id = $2 and kind = 'cut'",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .fetch_one(tx.connection())
    .await?)
}
