//! What members reported of tasks.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A report as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct WorkReport {
    /// The report.
    pub id: Uuid,
    /// Its site.
    pub site_id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// Who did it.
    pub member_id: Uuid,
    /// When, by their clock.
    pub done_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Whether it finishes the task or does a part of it.
    pub whole: bool,
    /// What was done.
    pub outcome: Value,
    /// `counted`, `waiting`, `accepted` or `set_aside`.
    pub state: String,
    /// What stood against it.
    pub conflict: Option<String>,
    /// In words.
    pub conflict_detail: Option<String>,
    /// Who settled it.
    pub settled_by: Option<Uuid>,
    /// When.
    pub settled_at: Option<DateTime<Utc>>,
    /// Why.
    pub reason: Option<String>,
    /// Whether what it tells stands in the records: it counted at once, or was accepted as a whole.
    pub entered: bool,
    /// Counts up with its settlement.
    pub version: i64,
}

/// Which reports are listed. What is left out does not narrow the list.
#[derive(Debug, Clone, Default)]
pub struct WorkReportFilter {
    /// Of these sites.
    pub sites: Option<Vec<Uuid>>,
    /// Of this task.
    pub task_id: Option<Uuid>,
    /// Of this member, at any site.
    pub member_id: Option<Uuid>,
    /// In this state.
    pub state: Option<String>,
}

/// Adds a report.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, report: &WorkReport) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into work_report (id, cooperative_id, site_id, task_id, member_id, done_at, recorded_at, whole, outcome, state, conflict, conflict_detail)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, left($12, 1000))",
    )
    .bind(report.id)
    .bind(cooperative_id)
    .bind(report.site_id)
    .bind(report.task_id)
    .bind(report.member_id)
    .bind(report.done_at)
    .bind(report.recorded_at)
    .bind(report.whole)
    .bind(&report.outcome)
    .bind(&report.state)
    .bind(&report.conflict)
    .bind(&report.conflict_detail)
    .execute(tx.connection())
    .await?;
    Ok(())
}

macro_rules! select_reports {
    ($rest:literal) => {
        concat!(
            "select id, site_id, task_id, member_id, done_at, recorded_at, whole, outcome, state, conflict, conflict_detail,
                    settled_by, settled_at, reason, entered, version
               from work_report where cooperative_id = $1 and ",
            $rest
        )
    };
}

/// One report.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<WorkReport>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(select_reports!("id = $2"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// One report, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<WorkReport>> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("select from work_report where cooperative_id = $1 and id = $2 for no key update")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    get(tx, id).await
}

/// What a member reported of a task as done at an instant: the same again.
///
/// # Errors
/// Those of the database.
pub async fn same(
    tx: &mut Tx,
    task_id: Uuid,
    member_id: Uuid,
    done_at: DateTime<Utc>,
) -> Result<Option<WorkReport>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(select_reports!(
        "task_id = $2 and member_id = $3 and done_at = $4 order by id limit 1"
    ))
    .bind(cooperative_id)
    .bind(task_id)
    .bind(member_id)
    .bind(done_at)
    .fetch_optional(tx.connection())
    .await?)
}

/// The parts of a task that were done, in the order of their reports.
///
/// # Errors
/// Those of the database.
pub async fn parts(tx: &mut Tx, task_id: Uuid) -> Result<Vec<WorkReport>> {
    parts_of(tx, &[task_id]).await
}

/// The parts of some tasks that were done, in the order of their reports.
///
/// # Errors
/// Those of the database.
pub async fn parts_of(tx: &mut Tx, task_ids: &[Uuid]) -> Result<Vec<WorkReport>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(select_reports!(
        "task_id = any($2) and not whole and entered order by recorded_at, id"
    ))
    .bind(cooperative_id)
    .bind(task_ids)
    .fetch_all(tx.connection())
    .await?)
}

/// Reports in the order of their ids.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, filter: &WorkReportFilter, page: Page) -> Result<Vec<WorkReport>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(select_reports!(
        "($2::uuid[] is null or site_id = any($2) or member_id = $4) and ($3::uuid is null or task_id = $3)
            and ($5::text is null or state = $5) and ($6::uuid is null or id > $6)
          order by id limit $7"
    ))
    .bind(cooperative_id)
    .bind(filter.sites.as_deref())
    .bind(filter.task_id)
    .bind(filter.member_id)
    .bind(&filter.state)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// What becomes of a report.
#[derive(Debug, Clone, Copy)]
pub struct Settled<'a> {
    /// `accepted` or `set_aside`.
    pub state: &'a str,
    /// Who settles it.
    pub by: Uuid,
    /// When.
    pub at: DateTime<Utc>,
    /// Why.
    pub reason: Option<&'a str>,
    /// What was done with the ids of the entries that were made of it, where it was entered.
    pub entered: Option<&'a Value>,
}

/// Settles a report that waits.
///
/// # Errors
/// Those of the database.
pub async fn settle(tx: &mut Tx, id: Uuid, settled: &Settled<'_>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update work_report set state = $3, settled_by = $4, settled_at = $5, reason = $6,
                work_entered = $7::jsonb is not null, outcome = coalesce($7, outcome)
          where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(settled.state)
    .bind(settled.by)
    .bind(settled.at)
    .bind(settled.reason)
    .bind(settled.entered)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Makes a missed task one that is to be done again, which it is to be for an instant only.
///
/// # Errors
/// Those of the database.
pub async fn reopen_missed(tx: &mut Tx, task_id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update task set state = 'open', missed_at = null where cooperative_id = $1 and id = $2 and state = 'missed'")
        .bind(cooperative_id)
        .bind(task_id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Keeps what was done with a task.
///
/// # Errors
/// Those of the database.
pub async fn set_outcome(tx: &mut Tx, task_id: Uuid, outcome: &Value) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update task set outcome = $3 where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(task_id)
        .bind(outcome)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Whether a member ever held a place of a task.
///
/// # Errors
/// Those of the database.
pub async fn ever_held(tx: &mut Tx, task_id: Uuid, member_id: Uuid) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select exists (select from claim where cooperative_id = $1 and task_id = $2 and member_id = $3 and end_kind is distinct from 'released')",
    )
    .bind(cooperative_id)
    .bind(task_id)
    .bind(member_id)
    .fetch_one(tx.connection())
    .await?)
}
