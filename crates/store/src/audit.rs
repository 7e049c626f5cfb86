//! Who did what, when, from which device.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// One entry. It never holds a secret or a password.
#[derive(Debug, Clone, Serialize, Deserialize, sqlx::FromRow)]
pub struct AuditEntry {
    /// The entry.
    pub id: Uuid,
    /// When.
    pub at: DateTime<Utc>,
    /// Who; `None` for the server itself.
    pub member_id: Option<Uuid>,
    /// The operation, as in the permission table.
    pub operation: String,
    /// The kind of record, in the singular.
    pub noun: String,
    /// The record.
    pub noun_id: Option<Uuid>,
    /// From which device.
    pub device: String,
    /// The request, as in the log.
    pub request_id: String,
    /// What the record became, or what was asked for.
    pub change: Value,
}

/// An entry with the name of whoever it is did it.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct AuditLine {
    /// The entry.
    #[sqlx(flatten)]
    pub entry: AuditEntry,
    /// Name of the member now; `None` for the server itself.
    pub member_name: Option<String>,
}

/// Adds an entry.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, cooperative_id: Uuid, entry: &AuditEntry) -> Result<()> {
    sqlx::query(
        "insert into audit_entry (id, cooperative_id, at, member_id, operation, noun, noun_id, device, request_id, change)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(entry.id)
    .bind(cooperative_id)
    .bind(entry.at)
    .bind(entry.member_id)
    .bind(&entry.operation)
    .bind(&entry.noun)
    .bind(entry.noun_id)
    .bind(&entry.device)
    .bind(&entry.request_id)
    .bind(&entry.change)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Entries in the order in which they were made, of one record where `noun_id` names it.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, noun_id: Option<Uuid>, page: Page) -> Result<Vec<AuditLine>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select a.id, a.at, a.member_id, a.operation, a.noun, a.noun_id, a.device, a.request_id, a.change, m.name as member_name
           from audit_entry a left join member m on m.cooperative_id = a.cooperative_id and m.id = a.member_id
          where a.cooperative_id = $1 and ($2::uuid is null or a.noun_id = $2) and ($3::uuid is null or a.id > $3)
          order by a.id limit $4",
    )
    .bind(cooperative_id)
    .bind(noun_id)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}
