//! How a co-operative shares its work.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::{Result, Tx};

/// The settings; version 0 while none was chosen.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct WorkSettings {
    /// Tasks that one member may hold at once.
    pub most_claims: i32,
    /// Counts up with every change.
    pub version: i64,
    /// When they were changed last.
    pub updated_at: Option<DateTime<Utc>>,
}

/// The settings in force.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx) -> Result<WorkSettings> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select most_claims($1) as most_claims, coalesce(s.version, 0) as version, s.updated_at
           from (select 1) one left join work_settings s on s.cooperative_id = $1",
    )
    .bind(cooperative_id)
    .fetch_one(tx.connection())
    .await?)
}

/// Chooses the settings.
///
/// # Errors
/// Those of the database.
pub async fn put(tx: &mut Tx, most_claims: i32) -> Result<WorkSettings> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into work_settings (cooperative_id, most_claims) values ($1, $2)
         on conflict (cooperative_id) do update set most_claims = $2
         returning most_claims, version, updated_at",
    )
    .bind(cooperative_id)
    .bind(most_claims)
    .fetch_one(tx.connection())
    .await?)
}
