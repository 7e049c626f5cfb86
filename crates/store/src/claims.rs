//! Claims: one member's hold on one place of a task.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Result, Tx};

/// A claim as it is kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Claim {
    /// The claim.
    pub id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// Who holds it.
    pub member_id: Uuid,
    /// Which place of the task.
    pub place: i32,
    /// Since when.
    pub claimed_at: DateTime<Utc>,
    /// When the holder said that they are at it.
    pub begun_at: Option<DateTime<Utc>>,
    /// Who gave them the task, where they did not take it themselves.
    pub assigned_by: Option<Uuid>,
    /// Whom the holder offers it to.
    pub offered_to: Option<Uuid>,
    /// Until when.
    pub ended_at: Option<DateTime<Utc>>,
    /// `released`, `finished`, `dropped`, `lapsed`, `handed_over` or `reassigned`.
    pub end_kind: Option<String>,
    /// Counts up with every change.
    pub version: i64,
}

/// Takes a place of a task for a member.
///
/// # Errors
/// Those of the database; `claim_place_held_once` and `claim_once_per_member` when the place is
/// held, or the task by the same member.
pub async fn insert(
    tx: &mut Tx,
    id: Uuid,
    task_id: Uuid,
    member_id: Uuid,
    place: i32,
    now: DateTime<Utc>,
) -> Result<Claim> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into claim (id, cooperative_id, task_id, member_id, place, claimed_at) values ($1, $2, $3, $4, $5, $6)
         returning id, task_id, member_id, place, claimed_at, begun_at, assigned_by, offered_to, ended_at, end_kind, version",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(task_id)
    .bind(member_id)
    .bind(place)
    .bind(now)
    .fetch_one(tx.connection())
    .await?)
}

/// Ends the hold of a member on a task; `None` when they hold none of its places.
///
/// # Errors
/// Those of the database.
pub async fn release(
    tx: &mut Tx,
    task_id: Uuid,
    member_id: Uuid,
    now: DateTime<Utc>,
) -> Result<Option<Claim>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update claim set ended_at = greatest($4, claimed_at), end_kind = 'released'
          where cooperative_id = $1 and task_id = $2 and member_id = $3 and ended_at is null
         returning id, task_id, member_id, place, claimed_at, begun_at, assigned_by, offered_to, ended_at, end_kind, version",
    )
    .bind(cooperative_id)
    .bind(task_id)
    .bind(member_id)
    .bind(now)
    .fetch_optional(tx.connection())
    .await?)
}

/// One claim.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Claim>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, task_id, member_id, place, claimed_at, begun_at, assigned_by, offered_to, ended_at, end_kind, version
           from claim where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}
