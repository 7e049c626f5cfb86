//! What a co-operative changed of the rules that bring work.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::{Result, Tx};

/// A change of a rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct TaskRule {
    /// The change.
    pub id: Uuid,
    /// The name of the rule.
    pub rule: String,
    /// What differs from the default.
    pub change: Value,
    /// Counts up with every change.
    pub version: i64,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
}

/// All changes of the co-operative.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx) -> Result<Vec<TaskRule>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, rule, change, version, updated_at from task_rule where cooperative_id = $1 order by rule",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

/// What was changed of a rule, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, rule: &str) -> Result<Option<TaskRule>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, rule, change, version, updated_at from task_rule where cooperative_id = $1 and rule = $2 for no key update",
    )
    .bind(cooperative_id)
    .bind(rule)
    .fetch_optional(tx.connection())
    .await?)
}

/// Keeps what is changed of a rule.
///
/// # Errors
/// Those of the database; `task_rule_once` when somebody else changed it for the first time at the
/// same moment.
pub async fn keep(
    tx: &mut Tx,
    new_id: Uuid,
    before: Option<&TaskRule>,
    rule: &str,
    change: &Value,
) -> Result<TaskRule> {
    let cooperative_id = tx.cooperative_id();
    let statement = if before.is_some() {
        "update task_rule set change = $4 where cooperative_id = $2 and id = $1 and rule = $3
         returning id, rule, change, version, updated_at"
    } else {
        "insert into task_rule (id, cooperative_id, rule, change) values ($1, $2, $3, $4)
         returning id, rule, change, version, updated_at"
    };
    Ok(sqlx::query_as(statement)
        .bind(before.map_or(new_id, |kept| kept.id))
        .bind(cooperative_id)
        .bind(rule)
        .bind(change)
        .fetch_one(tx.connection())
        .await?)
}
