//! Holds of places of tasks: assigned, begun, offered, ended.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::claims::{self, Claim};
use crate::{Result, Tx};

/// A hold to be added.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewHold {
    /// The claim.
    pub id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// Who is to hold it.
    pub member_id: Uuid,
    /// Which place.
    pub place: i32,
    /// Since when.
    pub claimed_at: DateTime<Utc>,
    /// Who gave it to them.
    pub assigned_by: Option<Uuid>,
}

/// Adds a hold.
///
/// # Errors
/// Those of the database; those of [`claims::insert`].
pub async fn insert(tx: &mut Tx, new: &NewHold) -> Result<Claim> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into claim (id, cooperative_id, task_id, member_id, place, claimed_at, assigned_by) values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(new.id)
    .bind(cooperative_id)
    .bind(new.task_id)
    .bind(new.member_id)
    .bind(new.place)
    .bind(new.claimed_at)
    .bind(new.assigned_by)
    .execute(tx.connection())
    .await?;
    one(tx, new.id).await
}

async fn one(tx: &mut Tx, id: Uuid) -> Result<Claim> {
    claims::get(tx, id)
        .await?
        .ok_or_else(|| crate::Error::Unreadable(format!("claim {id}")))
}

/// Marks the hold of a member as begun, once; `None` when they do not hold the task.
///
/// # Errors
/// Those of the database.
pub async fn begin(
    tx: &mut Tx,
    task_id: Uuid,
    member_id: Uuid,
    now: DateTime<Utc>,
) -> Result<Option<Claim>> {
    let cooperative_id = tx.cooperative_id();
    let id: Option<Uuid> = sqlx::query_scalar(
        "update claim set begun_at = coalesce(begun_at, greatest($4, claimed_at))
          where cooperative_id = $1 and task_id = $2 and member_id = $3 and ended_at is null returning id",
    )
    .bind(cooperative_id)
    .bind(task_id)
    .bind(member_id)
    .bind(now)
    .fetch_optional(tx.connection())
    .await?;
    found(tx, id).await
}

/// Offers the hold of a member to another, or to nobody; `None` when they do not hold the task.
///
/// # Errors
/// Those of the database.
pub async fn offer(
    tx: &mut Tx,
    task_id: Uuid,
    member_id: Uuid,
    to: Option<Uuid>,
    now: DateTime<Utc>,
) -> Result<Option<Claim>> {
    let cooperative_id = tx.cooperative_id();
    let id: Option<Uuid> = sqlx::query_scalar(
        "update claim set offered_to = $4, offered_at = case when $4::uuid is null then null else $5::timestamptz end
          where cooperative_id = $1 and task_id = $2 and member_id = $3 and ended_at is null returning id",
    )
    .bind(cooperative_id)
    .bind(task_id)
    .bind(member_id)
    .bind(to)
    .bind(now)
    .fetch_optional(tx.connection())
    .await?;
    found(tx, id).await
}

/// The first place of a task that is offered to a member.
///
/// # Errors
/// Those of the database.
pub async fn offered(
    tx: &mut Tx,
    task_id: Uuid,
    to: Uuid,
    at: DateTime<Utc>,
) -> Result<Option<Claim>> {
    let cooperative_id = tx.cooperative_id();
    let id: Option<Uuid> = sqlx::query_scalar(
        "select c.id from claim c join task t on t.cooperative_id = c.cooperative_id and t.id = c.task_id
          where c.cooperative_id = $1 and c.task_id = $2 and c.offered_to = $3 and c.ended_at is null
            and claim_comes_free_at(c.claimed_at, c.begun_at, t.due_at) > $4
          order by c.place limit 1",
    )
    .bind(cooperative_id)
    .bind(task_id)
    .bind(to)
    .bind(at)
    .fetch_optional(tx.connection())
    .await?;
    found(tx, id).await
}

/// Ends the hold of a member in a way; `None` when they do not hold the task.
///
/// # Errors
/// Those of the database.
pub async fn end(
    tx: &mut Tx,
    task_id: Uuid,
    member_id: Uuid,
    kind: &str,
    now: DateTime<Utc>,
) -> Result<Option<Claim>> {
    let cooperative_id = tx.cooperative_id();
    let id: Option<Uuid> = sqlx::query_scalar(
        "update claim set ended_at = greatest($5, claimed_at), end_kind = $4
          where cooperative_id = $1 and task_id = $2 and member_id = $3 and ended_at is null returning id",
    )
    .bind(cooperative_id)
    .bind(task_id)
    .bind(member_id)
    .bind(kind)
    .bind(now)
    .fetch_optional(tx.connection())
    .await?;
    found(tx, id).await
}

/// Ends the holds of a task that were not begun in time, at the instant at which they came free; how many.
///
/// # Errors
/// Those of the database.
pub async fn lapse(tx: &mut Tx, task_id: Uuid, now: DateTime<Utc>) -> Result<Vec<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "update claim c set ended_at = claim_comes_free_at(c.claimed_at, c.begun_at, t.due_at), end_kind = 'lapsed' from task t
          where c.cooperative_id = $1 and c.task_id = $2 and c.ended_at is null
            and t.cooperative_id = c.cooperative_id and t.id = c.task_id
            and t.state in ('open', 'held') and claim_comes_free_at(c.claimed_at, c.begun_at, t.due_at) <= $3
         returning c.id",
    )
    .bind(cooperative_id)
    .bind(task_id)
    .bind(now)
    .fetch_all(tx.connection())
    .await?)
}

/// Tasks of any co-operative with holds that came free, some at a time: co-operative and task.
///
/// # Errors
/// Those of the database.
pub async fn with_lapsed(tx: &mut Tx, now: DateTime<Utc>, limit: i64) -> Result<Vec<(Uuid, Uuid)>> {
    Ok(sqlx::query_as(
        "select distinct c.cooperative_id, c.task_id
           from claim c join task t on t.cooperative_id = c.cooperative_id and t.id = c.task_id
          where c.ended_at is null and c.begun_at is null and t.state in ('open', 'held')
            and claim_comes_free_at(c.claimed_at, c.begun_at, t.due_at) <= $1
          order by c.cooperative_id, c.task_id limit $2",
    )
    .bind(now)
    .bind(limit)
    .fetch_all(tx.connection())
    .await?)
}

async fn found(tx: &mut Tx, id: Option<Uuid>) -> Result<Option<Claim>> {
    match id {
        Some(id) => claims::get(tx, id).await,
        None => Ok(None),
    }
}

/// Whether the last hold of a member on a task came free unbegun.
///
/// # Errors
/// Those of the database.
pub async fn lapsed_last(tx: &mut Tx, task_id: Uuid, member_id: Uuid) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    let last: Option<Option<String>> = sqlx::query_scalar(
        "select end_kind from claim where cooperative_id = $1 and task_id = $2 and member_id = $3 order by claimed_at desc, id desc limit 1",
    )
    .bind(cooperative_id)
    .bind(task_id)
    .bind(member_id)
    .fetch_optional(tx.connection())
    .await?;
    Ok(last.flatten().as_deref() == Some("lapsed"))
}
