//! Work that comes again by a rule.

use chrono::{DateTime, NaiveDate, NaiveDateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sqlx::types::Json;
use uuid::Uuid;

use crate::record::record_access;
use crate::tasks::{Holder, TaskFields};
use crate::{Page, Result, Tx};

/// What work that comes again is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct RecurringTaskFields {
    /// The site.
    pub site_id: Uuid,
    /// The station, where it is at one.
    pub station_id: Option<Uuid>,
    /// What is to be done.
    pub title: String,
    /// How, and what else is to be known.
    pub note: String,
    /// People needed.
    pub people: i32,
    /// Expected minutes of work, of all people together.
    pub minutes: i32,
    /// Training needed.
    pub qualification: Option<String>,
    /// The first time, by the clock of the site.
    pub starts_at: NaiveDateTime,
    /// How long each window lasts.
    pub window_minutes: i32,
    /// The rule.
    pub rule: String,
    /// `skip`, `bring_forward` or `flag`.
    pub on_closed_day: String,
}

/// Work that comes again, as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct RecurringTask {
    /// The recurring task.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: RecurringTaskFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it has ended.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(RecurringTask, "recurring_task", "recurring task");

/// Adds work that comes again.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &RecurringTaskFields) -> Result<RecurringTask> {
    write(
        tx,
        "insert into recurring_task (id, cooperative_id, site_id, station_id, title, note, people, minutes, qualification,
                                     starts_at, window_minutes, rule, on_closed_day)
         values ($2, $1, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13) returning *",
        id,
        fields,
    )
    .await
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &RecurringTaskFields) -> Result<RecurringTask> {
    write(
        tx,
        "update recurring_task set site_id = $3, station_id = $4, title = $5, note = $6, people = $7, minutes = $8,
                qualification = $9, starts_at = $10, window_minutes = $11, rule = $12, on_closed_day = $13
          where cooperative_id = $1 and id = $2 returning *",
        id,
        fields,
    )
    .await
}

async fn write(
    tx: &mut Tx,
    statement: &'static str,
    id: Uuid,
    fields: &RecurringTaskFields,
) -> Result<RecurringTask> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(statement)
        .bind(cooperative_id)
        .bind(id)
        .bind(fields.site_id)
        .bind(fields.station_id)
        .bind(&fields.title)
        .bind(&fields.note)
        .bind(fields.people)
        .bind(fields.minutes)
        .bind(&fields.qualification)
        .bind(fields.starts_at)
        .bind(fields.window_minutes)
        .bind(&fields.rule)
        .bind(&fields.on_closed_day)
        .fetch_one(tx.connection())
        .await?)
}

/// Which are listed.
#[derive(Debug, Clone, Default)]
pub struct RecurringTaskFilter {
    /// Of these sites; `None` for all.
    pub sites: Option<Vec<Uuid>>,
    /// Ended ones too.
    pub with_retired: bool,
}

/// Work that comes again, in the order of its making.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    filter: &RecurringTaskFilter,
    page: Page,
) -> Result<Vec<RecurringTask>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from recurring_task
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
            and ($5::uuid[] is null or site_id = any($5))
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(filter.with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(&filter.sites)
    .fetch_all(tx.connection())
    .await?)
}

/// What is in force at a site, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock_of_site(tx: &mut Tx, site_id: Uuid) -> Result<Vec<RecurringTask>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from recurring_task where cooperative_id = $1 and site_id = $2 and retired_at is null
          order by id for no key update",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}

/// A single time that was moved, left out or restored.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Exception {
    /// The entry.
    pub id: Uuid,
    /// The time by the rule, by the clock of the site.
    pub occurs_at: NaiveDateTime,
    /// `moved`, `left_out` or `restored`.
    pub kind: String,
    /// Where it was moved to, by the clock of the site.
    pub moved_to: Option<NaiveDateTime>,
    /// Why.
    pub cause: String,
    /// Who said so.
    pub member_id: Uuid,
    /// When.
    pub recorded_at: DateTime<Utc>,
}

/// Records that a single time is moved, left out or restored.
///
/// # Errors
/// Those of the database.
pub async fn insert_exception(
    tx: &mut Tx,
    recurring_task_id: Uuid,
    exception: &Exception,
) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into recurring_task_exception (id, cooperative_id, recurring_task_id, occurs_at, kind, moved_to, cause, member_id, recorded_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(exception.id)
    .bind(cooperative_id)
    .bind(recurring_task_id)
    .bind(exception.occurs_at)
    .bind(&exception.kind)
    .bind(exception.moved_to)
    .bind(&exception.cause)
    .bind(exception.member_id)
    .bind(exception.recorded_at)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// The newest entry of each time that has one.
///
/// # Errors
/// Those of the database.
pub async fn exceptions(tx: &mut Tx, recurring_task_id: Uuid) -> Result<Vec<Exception>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select distinct on (occurs_at) id, occurs_at, kind, moved_to, cause, member_id, recorded_at
           from recurring_task_exception where cooperative_id = $1 and recurring_task_id = $2
          order by occurs_at, id desc",
    )
    .bind(cooperative_id)
    .bind(recurring_task_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Zone, hours and closures of a site.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct SiteHours {
    /// IANA time zone.
    pub zone: String,
    /// Weekly opening hours, in the form of the calendar rules.
    pub opening_hours: Value,
    /// Closures in use.
    pub closures: Json<Vec<ClosedDays>>,
    /// Whether the site is out of use.
    pub retired: bool,
}

/// Days on which a site is closed.
#[derive(Debug, Clone, Deserialize)]
pub struct ClosedDays {
    /// First closed day.
    pub first_day: NaiveDate,
    /// Last closed day.
    pub last_day: NaiveDate,
    /// Why.
    pub reason: String,
}

/// When a site is open.
///
/// # Errors
/// Those of the database.
pub async fn site_hours(tx: &mut Tx, site_id: Uuid) -> Result<Option<SiteHours>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select t.zone, t.opening_hours, t.retired_at is not null as retired,
                coalesce((select jsonb_agg(jsonb_build_object('first_day', x.first_day, 'last_day', x.last_day, 'reason', x.reason))
                            from closure x where x.cooperative_id = t.cooperative_id and x.site_id = t.id and x.retired_at is null), '[]') as closures
           from site t where t.cooperative_id = $1 and t.id = $2",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Marks, in the figures of a task, that its rule dropped it and may take it up again.
const BY_RULE: &str = "dropped_by_its_rule";

/// Brings a task that is still to come to what its rule says now, also one that its rule had dropped.
/// Its claims stay, and so do the places that they hold.
///
/// # Errors
/// Those of the database.
pub async fn renew(tx: &mut Tx, new: &TaskFields, now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "with held as (
           select t.id, count(c.id) as places, coalesce(max(c.place), 0) as highest
             from task t left join claim c on c.cooperative_id = t.cooperative_id and c.task_id = t.id and c.ended_at is null
            where t.cooperative_id = $1 and t.occasion = $2 group by t.id)
         update task t set title = $3, note = $4, station_id = $5, day = $6, opens_at = $7, due_at = $8, minutes = $9,
                qualification = $10, missed_after = $11, people = greatest($12, h.highest), cause = null, detail = $13,
                state = case when h.places >= greatest($12, h.highest) then 'held' else 'open' end
           from held h
          where t.cooperative_id = $1 and t.id = h.id and t.opens_at > $14
            and (t.state in ('open', 'held') or (t.state = 'dropped' and t.detail ? $15))
            and (t.state = 'dropped'
                 or (t.title, t.note, t.station_id, t.day, t.opens_at, t.due_at, t.minutes, t.qualification, t.missed_after, t.people, t.detail)
                    is distinct from ($3, $4, $5, $6, $7, $8, $9, $10, $11, greatest($12, h.highest), $13))",
    )
    .bind(cooperative_id)
    .bind(&new.occasion)
    .bind(&new.title)
    .bind(&new.note)
    .bind(new.subject.station_id)
    .bind(new.window.day)
    .bind(new.window.opens_at)
    .bind(new.window.due_at)
    .bind(new.minutes)
    .bind(new.qualification.map(cotyl_domain::QualificationKind::as_str))
    .bind(new.missed_after)
    .bind(new.people)
    .bind(&new.detail)
    .bind(now)
    .bind(BY_RULE)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Drops the tasks of a rule that are still to come and that it no longer brings, and ends the claims on
/// them; the tasks that were dropped.
///
/// # Errors
/// Those of the database.
pub async fn drop_others(
    tx: &mut Tx,
    recurring_task_id: Uuid,
    kept: &[String],
    cause: &str,
    now: DateTime<Utc>,
) -> Result<Vec<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    let dropped: Vec<Uuid> = sqlx::query_scalar(
        "update task set state = 'dropped', cause = $4, detail = detail || jsonb_build_object($6::text, true)
          where cooperative_id = $1 and occasion like 'recurring:%'
            and occasion collate \"C\" >= $2 and occasion collate \"C\" < $2 || ';'
            and state in ('open', 'held') and opens_at > $5 and occasion <> all($3)
          returning id",
    )
    .bind(cooperative_id)
    .bind(occasion_of(recurring_task_id))
    .bind(kept)
    .bind(cause)
    .bind(now)
    .bind(BY_RULE)
    .fetch_all(tx.connection())
    .await?;
    end_claims_of(tx, &dropped, now).await?;
    Ok(dropped)
}

/// Ends the claims on tasks that are dropped.
///
/// # Errors
/// Those of the database.
pub async fn end_claims_of(tx: &mut Tx, dropped: &[Uuid], now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update claim set ended_at = greatest($3, claimed_at), end_kind = 'dropped'
          where cooperative_id = $1 and task_id = any($2) and ended_at is null",
    )
    .bind(cooperative_id)
    .bind(dropped)
    .bind(now)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// What every task of a rule answers begins with this and a colon.
fn occasion_of(recurring_task_id: Uuid) -> String {
    format!("recurring:{recurring_task_id}")
}

/// What the task of one time of a rule answers.
pub fn occasion(recurring_task_id: Uuid, occurs_at: NaiveDateTime) -> String {
    format!(
        "{}:{}",
        occasion_of(recurring_task_id),
        occurs_at.format("%Y-%m-%dT%H:%M")
    )
}

/// Drops one task with a cause and ends the claims on it.
///
/// # Errors
/// Those of the database.
pub async fn drop_task(tx: &mut Tx, id: Uuid, cause: &str, now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update task set state = 'dropped', cause = $3 where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(cause)
    .execute(tx.connection())
    .await?;
    end_claims_of(tx, &[id], now).await
}

/// Replaces the description of a task made by hand; its state follows the places that are held.
///
/// # Errors
/// Those of the database.
pub async fn describe_task(
    tx: &mut Tx,
    id: Uuid,
    new: &TaskFields,
    holders: &[Holder],
) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    let full = usize::try_from(new.people).is_ok_and(|people| holders.len() >= people);
    sqlx::query(
        "update task set title = $3, note = $4, station_id = $5, day = $6, opens_at = $7, due_at = $8, minutes = $9,
                qualification = $10, people = $11, state = $12, missed_after = $13
          where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&new.title)
    .bind(&new.note)
    .bind(new.subject.station_id)
    .bind(new.window.day)
    .bind(new.window.opens_at)
    .bind(new.window.due_at)
    .bind(new.minutes)
    .bind(new.qualification.map(cotyl_domain::QualificationKind::as_str))
    .bind(new.people)
    .bind(if full { "held" } else { "open" })
    .bind(new.missed_after)
    .execute(tx.connection())
    .await?;
    Ok(())
}
