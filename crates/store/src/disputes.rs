//! Disputes of deliveries, and how they were answered.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Result, Tx};

/// A dispute with its answer, if it has one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Dispute {
    /// The dispute.
    pub id: Uuid,
    /// What is disputed.
    pub delivery_id: Uuid,
    /// Why.
    pub reason: String,
    /// The reader.
    pub member_id: Uuid,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// `corrected` or `rejected`.
    pub outcome: Option<String>,
    /// What the co-operative says to it.
    pub statement: Option<String>,
    /// Who answered.
    pub answered_by: Option<Uuid>,
    /// When the server heard of the answer.
    pub answered_at: Option<DateTime<Utc>>,
}

/// What the recipient's scale showed of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct DisputeLine {
    /// The dispute.
    pub dispute_id: Uuid,
    /// The line.
    pub delivery_line_id: Uuid,
    /// Its weight there.
    pub found_milligrams: i64,
}

/// An answer to be kept.
#[derive(Debug, Clone, Serialize)]
pub struct NewAnswer<'a> {
    /// The answer.
    pub id: Uuid,
    /// What it answers.
    pub dispute_id: Uuid,
    /// `corrected` or `rejected`.
    pub outcome: &'static str,
    /// What the co-operative says to it.
    pub statement: &'a str,
    /// Who answers.
    pub member_id: Uuid,
    /// Now.
    pub recorded_at: DateTime<Utc>,
}

/// Disputes of a delivery, the oldest first.
///
/// # Errors
/// Those of the database.
pub async fn of_delivery(tx: &mut Tx, delivery_id: Uuid) -> Result<Vec<Dispute>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select d.id, d.delivery_id, d.reason, d.member_id, d.recorded_at,
                a.outcome, a.statement, a.member_id as answered_by, a.recorded_at as answered_at
           from delivery_dispute d
           left join delivery_dispute_answer a on a.cooperative_id = d.cooperative_id and a.dispute_id = d.id
          where d.cooperative_id = $1 and d.delivery_id = $2 order by d.id",
    )
    .bind(cooperative_id)
    .bind(delivery_id)
    .fetch_all(tx.connection())
    .await?)
}

/// What was found of the lines of a delivery, by dispute and line.
///
/// # Errors
/// Those of the database.
pub async fn found_of_delivery(tx: &mut Tx, delivery_id: Uuid) -> Result<Vec<DisputeLine>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select l.dispute_id, l.delivery_line_id, l.found_milligrams
           from delivery_dispute_line l
           join delivery_dispute d on d.cooperative_id = l.cooperative_id and d.id = l.dispute_id
          where l.cooperative_id = $1 and d.delivery_id = $2 order by l.dispute_id, l.delivery_line_id",
    )
    .bind(cooperative_id)
    .bind(delivery_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Keeps a dispute.
///
/// # Errors
/// Those of the database; constraint `delivery_dispute_open_once` while another one is open.
pub async fn insert(tx: &mut Tx, dispute: &Dispute) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into delivery_dispute (id, cooperative_id, delivery_id, reason, member_id, recorded_at)
         values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(dispute.id)
    .bind(cooperative_id)
    .bind(dispute.delivery_id)
    .bind(&dispute.reason)
    .bind(dispute.member_id)
    .bind(dispute.recorded_at)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Keeps what was found of a line.
///
/// # Errors
/// Those of the database.
pub async fn insert_line(tx: &mut Tx, line: DisputeLine) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into delivery_dispute_line (cooperative_id, dispute_id, delivery_line_id, found_milligrams)
         values ($1, $2, $3, $4)",
    )
    .bind(cooperative_id)
    .bind(line.dispute_id)
    .bind(line.delivery_line_id)
    .bind(line.found_milligrams)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Keeps an answer.
///
/// # Errors
/// Those of the database; constraint `delivery_dispute_answered_once` for a second one.
pub async fn insert_answer(tx: &mut Tx, answer: &NewAnswer<'_>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into delivery_dispute_answer (id, cooperative_id, dispute_id, outcome, statement, member_id, recorded_at)
         values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(answer.id)
    .bind(cooperative_id)
    .bind(answer.dispute_id)
    .bind(answer.outcome)
    .bind(answer.statement)
    .bind(answer.member_id)
    .bind(answer.recorded_at)
    .execute(tx.connection())
    .await?;
    Ok(())
}
