//! Answers of requests made with an idempotency key.

use chrono::{DateTime, Utc};
use serde_json::Value;
use uuid::Uuid;

use crate::{Result, Tx};

/// What stands under a key when a request begins.
#[derive(Debug, Clone, PartialEq)]
pub enum Begun {
    /// The key is new; the request goes on and [`finish`] keeps its answer.
    New,
    /// The same request was answered before.
    Answered(Value),
    /// The key was used for another request.
    OtherRequest,
}

/// Takes the key. A request under way with the same key makes this one wait until it ends.
///
/// # Errors
/// Those of the database.
pub async fn begin(
    tx: &mut Tx,
    member_id: Uuid,
    key: &str,
    operation: &str,
    request_hash: &[u8],
    now: DateTime<Utc>,
) -> Result<Begun> {
    let cooperative_id = tx.cooperative_id();
    let inserted = sqlx::query(
        "insert into idempotent_answer (cooperative_id, member_id, key, operation, request_hash, created_at)
         values ($1, $2, $3, $4, $5, $6) on conflict do nothing",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .bind(key)
    .bind(operation)
    .bind(request_hash)
    .bind(now)
    .execute(tx.connection())
    .await?
    .rows_affected();
    if inserted == 1 {
        return Ok(Begun::New);
    }
    let (operation_before, hash_before, answer): (String, Vec<u8>, Option<Value>) = sqlx::query_as(
        "select operation, request_hash, answer from idempotent_answer
          where cooperative_id = $1 and member_id = $2 and key = $3",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .bind(key)
    .fetch_one(tx.connection())
    .await?;
    Ok(match answer {
        Some(answer) if operation_before == operation && hash_before == request_hash => {
            Begun::Answered(answer)
        }
        _ => Begun::OtherRequest,
    })
}

/// Keeps the answer in the transaction that did the work.
///
/// # Errors
/// Those of the database.
pub async fn finish(tx: &mut Tx, member_id: Uuid, key: &str, answer: &Value) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update idempotent_answer set answer = $4 where cooperative_id = $1 and member_id = $2 and key = $3",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .bind(key)
    .bind(answer)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Forgets answers kept since before an instant; system scope.
///
/// # Errors
/// Those of the database.
pub async fn forget_before(tx: &mut Tx, instant: DateTime<Utc>) -> Result<u64> {
    Ok(
        sqlx::query("delete from idempotent_answer where created_at < $1")
            .bind(instant)
            .execute(tx.connection())
            .await?
            .rows_affected(),
    )
}
