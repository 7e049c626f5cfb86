//! Links handed to one person: an invitation or a password reset. Only the hash of the token is kept.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::{Result, Tx};

/// What a link lets its holder do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// Accept an invitation.
    Invitation,
    /// Set a new password.
    PasswordReset,
}

impl Purpose {
    fn as_str(self) -> &'static str {
        match self {
            Self::Invitation => "invitation",
            Self::PasswordReset => "password_reset",
        }
    }
}

/// A link that has not been used or voided.
#[derive(Debug, Clone, Copy, sqlx::FromRow)]
pub struct OpenLink {
    /// The link.
    pub id: Uuid,
    /// Co-operative of the member.
    pub cooperative_id: Uuid,
    /// Whom it was made for.
    pub member_id: Uuid,
}

/// Adds a link.
///
/// # Errors
/// Those of the database.
pub async fn insert(
    tx: &mut Tx,
    id: Uuid,
    member_id: Uuid,
    purpose: Purpose,
    token_hash: &[u8],
    expires_at: DateTime<Utc>,
) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into link_token (id, cooperative_id, member_id, purpose, token_hash, expires_at)
         values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(member_id)
    .bind(purpose.as_str())
    .bind(token_hash)
    .bind(expires_at)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Voids the links of a member that have not been used.
///
/// # Errors
/// Those of the database.
pub async fn void(tx: &mut Tx, member_id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "delete from link_token where cooperative_id = $1 and member_id = $2 and used_at is null",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// The link of this token's hash, if it can be used now; system scope.
///
/// # Errors
/// Those of the database.
pub async fn of_hash(
    tx: &mut Tx,
    purpose: Purpose,
    token_hash: &[u8],
    now: DateTime<Utc>,
) -> Result<Option<OpenLink>> {
    Ok(sqlx::query_as(
        "select t.id, t.cooperative_id, t.member_id
           from link_token t join member m on m.cooperative_id = t.cooperative_id and m.id = t.member_id
          where t.token_hash = $1 and t.purpose = $2 and t.used_at is null and t.expires_at > $3
            and m.retired_at is null",
    )
    .bind(token_hash)
    .bind(purpose.as_str())
    .bind(now)
    .fetch_optional(tx.connection())
    .await?)
}

/// Marks a link as used; false when somebody used or voided it first.
///
/// # Errors
/// Those of the database.
pub async fn mark_used(tx: &mut Tx, id: Uuid, now: DateTime<Utc>) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query(
        "update link_token set used_at = $3 where cooperative_id = $1 and id = $2 and used_at is null",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(now)
    .execute(tx.connection())
    .await?
    .rows_affected()
        == 1)
}

/// Links that have not been used, by id; system scope.
///
/// # Errors
/// Those of the database.
pub async fn lock_unused(tx: &mut Tx) -> Result<Vec<Uuid>> {
    Ok(
        sqlx::query_scalar(
            "select id from link_token where used_at is null order by id for update",
        )
        .fetch_all(tx.connection())
        .await?,
    )
}

/// Gives a link another token; system scope.
///
/// # Errors
/// Those of the database.
pub async fn set_token(tx: &mut Tx, id: Uuid, token_hash: &[u8]) -> Result<()> {
    sqlx::query("update link_token set token_hash = $2 where id = $1")
        .bind(id)
        .bind(token_hash)
        .execute(tx.connection())
        .await?;
    Ok(())
}
