//! Queued work: leased, kept alive by a heartbeat, ended once by whoever holds the lease.

use chrono::{DateTime, Utc};
use serde_json::Value;
use uuid::Uuid;

use crate::{Result, Tx};

/// A job that a worker holds.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct LeasedJob {
    /// The job.
    pub id: Uuid,
    /// The co-operative it works for.
    pub cooperative_id: Uuid,
    /// What is to be done.
    pub kind: String,
    /// To what.
    pub payload: Value,
    /// The hold on it: results count only while it lasts.
    pub lease_id: Uuid,
    /// How often it was begun, this time included.
    pub attempts: i32,
    /// Whether someone wants it stopped.
    pub cancel_requested: bool,
}

/// The kind of job that looks at the work of a site.
pub const SITE_WORK_JOB: &str = "site_work";

/// Which jobs a worker takes: looks at sites are short and wait for nobody, the others may take minutes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lane {
    /// Looks at the work of sites.
    SiteWork,
    /// Everything else.
    Plans,
}

/// How a job ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JobEnd {
    /// Done.
    Done,
    /// It cannot be done.
    Failed,
    /// Stopped because someone asked for it.
    Cancelled,
}

impl JobEnd {
    fn as_str(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::Failed => "failed",
            Self::Cancelled => "cancelled",
        }
    }
}

/// Queues a job in the transaction that causes it.
///
/// # Errors
/// Those of the database.
pub async fn insert(
    tx: &mut Tx,
    id: Uuid,
    kind: &str,
    payload: &Value,
    run_at: DateTime<Utc>,
) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into job (id, cooperative_id, kind, payload, run_at) values ($1, $2, $3, $4, $5)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(kind)
    .bind(payload)
    .bind(run_at)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Takes the job of a lane that waits longest, or one whose lease ran out, unless it was begun too often;
/// system scope.
///
/// # Errors
/// Those of the database.
pub async fn lease(
    tx: &mut Tx,
    lane: Lane,
    lease_id: Uuid,
    now: DateTime<Utc>,
    until: DateTime<Utc>,
) -> Result<Option<LeasedJob>> {
    Ok(sqlx::query_as(
        "update job set state = 'leased', lease_id = $1, lease_until = $3, attempts = attempts + 1
          where id = (
            select id from job
             where attempts < most_attempts and (kind = 'site_work') = $4
               and ((state = 'queued' and run_at <= $2) or (state = 'leased' and lease_until <= $2))
             order by run_at, id
             for update skip locked
             limit 1)
          returning id, cooperative_id, kind, payload, lease_id, attempts, cancel_requested_at is not null as cancel_requested",
    )
    .bind(lease_id)
    .bind(now)
    .bind(until)
    .bind(lane == Lane::SiteWork)
    .fetch_optional(tx.connection())
    .await?)
}

/// Gives up jobs whose last allowed attempt ran out, and tells which; system scope.
///
/// # Errors
/// Those of the database.
pub async fn give_up(tx: &mut Tx, failure: &str, now: DateTime<Utc>) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar(
        "update job set state = 'failed', lease_id = null, failure = $1, finished_at = $2
          where id in (
            select id from job where state = 'leased' and lease_until <= $2 and attempts >= most_attempts
            for update skip locked)
          returning id",
    )
    .bind(failure)
    .bind(now)
    .fetch_all(tx.connection())
    .await?)
}

/// Extends a lease and keeps the progress; tells whether the job is to be stopped, or `None` when
/// the lease is lost; system scope.
///
/// # Errors
/// Those of the database.
pub async fn beat(
    tx: &mut Tx,
    id: Uuid,
    lease_id: Uuid,
    until: DateTime<Utc>,
    progress: Option<&Value>,
) -> Result<Option<bool>> {
    Ok(sqlx::query_scalar(
        "update job set lease_until = $3, progress = coalesce($4, progress)
          where id = $1 and lease_id = $2 and state = 'leased'
          returning cancel_requested_at is not null",
    )
    .bind(id)
    .bind(lease_id)
    .bind(until)
    .bind(progress)
    .fetch_optional(tx.connection())
    .await?)
}

/// Whether the lease is still the caller's.
///
/// # Errors
/// Those of the database.
pub async fn is_held(tx: &mut Tx, id: Uuid, lease_id: Uuid) -> Result<bool> {
    Ok(sqlx::query_scalar(
        "select exists (select from job where id = $1 and lease_id = $2 and state = 'leased')",
    )
    .bind(id)
    .bind(lease_id)
    .fetch_one(tx.connection())
    .await?)
}

/// Ends a job, if the lease is still the caller's; otherwise nothing happens and `false` comes back.
///
/// # Errors
/// Those of the database.
pub async fn finish(
    tx: &mut Tx,
    id: Uuid,
    lease_id: Uuid,
    end: JobEnd,
    failure: Option<&str>,
    now: DateTime<Utc>,
) -> Result<bool> {
    let ended = sqlx::query(
        "update job set state = $3, lease_id = null, failure = $4, finished_at = $5
          where id = $1 and lease_id = $2 and state = 'leased'",
    )
    .bind(id)
    .bind(lease_id)
    .bind(end.as_str())
    .bind(failure)
    .bind(now)
    .execute(tx.connection())
    .await?;
    Ok(ended.rows_affected() == 1)
}

/// Puts a job back into the queue as if it had not been begun: the worker is going home; system
/// scope.
///
/// # Errors
/// Those of the database.
pub async fn put_back(tx: &mut Tx, id: Uuid, lease_id: Uuid) -> Result<bool> {
    let put_back = sqlx::query(
        "update job set state = 'queued', lease_id = null, lease_until = null, attempts = attempts - 1
          where id = $1 and lease_id = $2 and state = 'leased'",
    )
    .bind(id)
    .bind(lease_id)
    .execute(tx.connection())
    .await?;
    Ok(put_back.rows_affected() == 1)
}

/// Asks for a job to be stopped. One that nobody holds is cancelled at once, and `true` comes back;
/// the holder of another sees the wish at the next heartbeat.
///
/// # Errors
/// Those of the database.
pub async fn request_cancel(tx: &mut Tx, id: Uuid, now: DateTime<Utc>) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    let state: Option<String> = sqlx::query_scalar(
        "update job set cancel_requested_at = coalesce(cancel_requested_at, $3),
                state = case when state = 'queued' then 'cancelled' else state end,
                finished_at = case when state = 'queued' then $3 else finished_at end
          where cooperative_id = $1 and id = $2 and state in ('queued', 'leased')
          returning state",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(now)
    .fetch_optional(tx.connection())
    .await?;
    Ok(state.as_deref() == Some("cancelled"))
}
