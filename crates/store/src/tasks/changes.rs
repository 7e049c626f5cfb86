//! Adding tasks, dropping them, marking them done.

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_domain::QualificationKind;
use cotyl_domain::task::TaskKind;
use serde_json::Value;
use uuid::Uuid;

use crate::{Result, Tx};

/// A task to be added.
#[derive(Debug, Clone, PartialEq)]
pub struct TaskFields {
    /// Its site.
    pub site_id: Uuid,
    /// What is to be done.
    pub kind: TaskKind,
    /// What it answers: see [`crate::tasks::Task::occasion`].
    pub occasion: String,
    /// What it is about.
    pub subject: TaskSubject,
    /// The key of the rule that it comes from.
    pub rule: Option<String>,
    /// What it is called where its kind does not say it.
    pub title: Option<String>,
    /// What else is to be known.
    pub note: String,
    /// Figures of the work.
    pub detail: Value,
    /// The local day and its window.
    pub window: Window,
    /// When it counts as missed, if it is not done by then.
    pub missed_after: Option<DateTime<Utc>>,
    /// People needed.
    pub people: i32,
    /// Expected minutes of work.
    pub minutes: i32,
    /// Training needed.
    pub qualification: Option<QualificationKind>,
    /// Who made it by hand.
    pub created_by: Option<Uuid>,
}

/// What a task is about.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct TaskSubject {
    /// The sowing.
    pub sowing_id: Option<Uuid>,
    /// Which cut, for cutting; 0 for the others.
    pub cut_number: i32,
    /// The station, where it is not that of the sowing.
    pub station_id: Option<Uuid>,
    /// The batch.
    pub batch_id: Option<Uuid>,
    /// The stock item.
    pub stock_item_id: Option<Uuid>,
    /// The recipient.
    pub recipient_id: Option<Uuid>,
}

/// The local day of a task and its window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// The local day.
    pub day: NaiveDate,
    /// First opening.
    pub opens_at: DateTime<Utc>,
    /// Last closing.
    pub due_at: DateTime<Utc>,
}

/// Adds a task, state `open`; one that answers the same occasion already is left as it is. Whether it
/// was added.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, new: &TaskFields) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    let added = sqlx::query(
        "insert into task (id, cooperative_id, site_id, kind, occasion, sowing_id, cut_number, station_id, batch_id, stock_item_id,
                           recipient_id, rule, title, note, detail, day, opens_at, due_at, missed_after, people, minutes, qualification, created_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23)
         on conflict on constraint task_occasion_once do nothing",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(new.site_id)
    .bind(new.kind.as_str())
    .bind(&new.occasion)
    .bind(new.subject.sowing_id)
    .bind(new.subject.cut_number)
    .bind(new.subject.station_id)
    .bind(new.subject.batch_id)
    .bind(new.subject.stock_item_id)
    .bind(new.subject.recipient_id)
    .bind(&new.rule)
    .bind(&new.title)
    .bind(&new.note)
    .bind(&new.detail)
    .bind(new.window.day)
    .bind(new.window.opens_at)
    .bind(new.window.due_at)
    .bind(new.missed_after)
    .bind(new.people)
    .bind(new.minutes)
    .bind(new.qualification.map(QualificationKind::as_str))
    .bind(new.created_by)
    .execute(tx.connection())
    .await?
    .rows_affected();
    Ok(added > 0)
}

/// Drops what is still to be done for a sowing and ends the claims on it; how many tasks.
///
/// # Errors
/// Those of the database.
pub async fn drop_of_sowing(
    tx: &mut Tx,
    sowing_id: Uuid,
    cause: &str,
    now: DateTime<Utc>,
) -> Result<u64> {
    let cooperative_id = tx.cooperative_id();
    // tasks first: a claim under way holds its task, so its row is seen once the task comes free
    let dropped = sqlx::query(
        "update task set state = 'dropped', cause = $3
          where cooperative_id = $1 and sowing_id = $2 and state in ('open', 'held')",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .bind(cause)
    .execute(tx.connection())
    .await?
    .rows_affected();
    sqlx::query(
        "update claim c set ended_at = greatest($3, c.claimed_at), end_kind = 'dropped' from task t
          where t.cooperative_id = $1 and t.sowing_id = $2 and t.state = 'dropped'
            and c.cooperative_id = t.cooperative_id and c.task_id = t.id and c.ended_at is null",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .bind(now)
    .execute(tx.connection())
    .await?;
    Ok(dropped)
}

/// The work whose doing a step of the sowing shows.
#[derive(Debug, Clone, Copy)]
pub struct Done {
    /// What was done.
    pub kind: TaskKind,
    /// Which cut, for cutting; 0 for the others.
    pub cut_number: i32,
    /// When, by the clock of the one who did it.
    pub done_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who reported it.
    pub member_id: Uuid,
}

/// Marks a task done, if it is still to be done, and ends the claims on it.
///
/// # Errors
/// Those of the database.
pub async fn finish(tx: &mut Tx, id: Uuid, done: Done) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    let ids: Vec<Uuid> = sqlx::query_scalar(
        "update task set state = 'done', done_at = $3, recorded_done_at = $4, done_by = $5
          where cooperative_id = $1 and id = $2 and state in ('open', 'held') returning id",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(done.done_at)
    .bind(done.recorded_at)
    .bind(done.member_id)
    .fetch_all(tx.connection())
    .await?;
    end_claims(tx, &ids, done.recorded_at).await
}

/// Marks a task of the sowing done, if it is still to be done, and ends the claims on it.
///
/// # Errors
/// Those of the database.
pub async fn finish_of_sowing(tx: &mut Tx, sowing_id: Uuid, done: Done) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    let ids: Vec<Uuid> = sqlx::query_scalar(
        "update task set state = 'done', done_at = $4, recorded_done_at = $5, done_by = $6
          where cooperative_id = $1 and sowing_id = $2 and kind = $3 and cut_number = $7 and state in ('open', 'held') returning id",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .bind(done.kind.as_str())
    .bind(done.done_at)
    .bind(done.recorded_at)
    .bind(done.member_id)
    .bind(done.cut_number)
    .fetch_all(tx.connection())
    .await?;
    end_claims(tx, &ids, done.recorded_at).await
}

async fn end_claims(tx: &mut Tx, task_ids: &[Uuid], now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update claim set ended_at = greatest($3, claimed_at), end_kind = 'finished'
          where cooperative_id = $1 and task_id = any($2) and ended_at is null",
    )
    .bind(cooperative_id)
    .bind(task_ids)
    .bind(now)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Tasks of packing that are done by a delivery, in the order of their ids.
///
/// # Errors
/// Those of the database.
pub async fn packed_as(tx: &mut Tx, delivery_id: Uuid) -> Result<Vec<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select id from task
          where cooperative_id = $1 and kind = 'pack' and state = 'done' and outcome->>'delivery_id' = $2::uuid::text
          order by id",
    )
    .bind(cooperative_id)
    .bind(delivery_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Holds tasks in the order of their ids against other writers until the transaction ends, so that two that change
/// many never wait for one another.
///
/// # Errors
/// Those of the database.
pub async fn hold(tx: &mut Tx, ids: &[Uuid]) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "select 1 from task where cooperative_id = $1 and id = any($2) order by id for no key update",
    )
    .bind(cooperative_id)
    .bind(ids)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Opens tasks again that were done. Who did them, and the reports of it, stay as they are.
///
/// # Errors
/// Those of the database.
pub async fn open_again(tx: &mut Tx, ids: &[Uuid]) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update task set state = 'open', done_at = null, recorded_done_at = null, done_by = null, outcome = null
          where cooperative_id = $1 and id = any($2) and state = 'done'",
    )
    .bind(cooperative_id)
    .bind(ids)
    .execute(tx.connection())
    .await?;
    Ok(())
}
