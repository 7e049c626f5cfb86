//! When members can help.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::{Result, Tx};

/// When a member can help; version 0 where they have not said so yet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Availability {
    /// The member.
    pub member_id: Uuid,
    /// Hours of an ordinary week, in the form of opening hours.
    pub free_hours: Value,
    /// Periods from `first_day` to `last_day`.
    pub days_away: Value,
    /// Counts up with every change.
    pub version: i64,
    /// When it was changed last.
    pub updated_at: Option<DateTime<Utc>>,
}

/// What a member has said; nothing for one who has not.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, member_id: Uuid) -> Result<Option<Availability>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select member_id, free_hours, days_away, version, updated_at from availability where cooperative_id = $1 and member_id = $2",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Replaces what a member has said; their row must be held.
///
/// # Errors
/// Those of the database.
pub async fn put(
    tx: &mut Tx,
    id: Uuid,
    member_id: Uuid,
    free_hours: &Value,
    days_away: &Value,
) -> Result<Availability> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into availability (id, cooperative_id, member_id, free_hours, days_away) values ($1, $2, $3, $4, $5)
         on conflict on constraint availability_of_member_once do update set free_hours = $4, days_away = $5
         returning member_id, free_hours, days_away, version, updated_at",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(member_id)
    .bind(free_hours)
    .bind(days_away)
    .fetch_one(tx.connection())
    .await?)
}
