//! Sign-ins and their refresh tokens.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::{Result, Tx};

/// A member found by address, with what is needed to check a password.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct SignInCandidate {
    /// Co-operative of the member.
    pub cooperative_id: Uuid,
    /// Its name, to choose by when one address belongs to several.
    pub cooperative_name: String,
    /// The member.
    pub member_id: Uuid,
    /// `None` until the invitation is accepted.
    pub password_hash: Option<String>,
}

/// Members of any co-operative with this address; system scope.
///
/// # Errors
/// Those of the database.
pub async fn candidates(tx: &mut Tx, email: &str) -> Result<Vec<SignInCandidate>> {
    Ok(sqlx::query_as(
        "select m.cooperative_id, c.name as cooperative_name, m.id as member_id, m.password_hash
           from member m join cooperative c on c.id = m.cooperative_id
          where m.email = $1 and m.retired_at is null order by m.id limit 20",
    )
    .bind(email)
    .fetch_all(tx.connection())
    .await?)
}

/// Begins a session.
///
/// # Errors
/// Those of the database.
pub async fn insert(
    tx: &mut Tx,
    id: Uuid,
    cooperative_id: Uuid,
    member_id: Uuid,
    device: &str,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query(
        "insert into session (id, cooperative_id, member_id, device, created_at) values ($1, $2, $3, $4, $5)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(member_id)
    .bind(device)
    .bind(now)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Ends a session, if it has not ended.
///
/// # Errors
/// Those of the database.
pub async fn end(tx: &mut Tx, id: Uuid, reason: &str, now: DateTime<Utc>) -> Result<()> {
    sqlx::query(
        "update session set ended_at = $2, end_reason = $3 where id = $1 and ended_at is null",
    )
    .bind(id)
    .bind(now)
    .bind(reason)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Ends every session of a member but one.
///
/// # Errors
/// Those of the database.
pub async fn end_others(
    tx: &mut Tx,
    member_id: Uuid,
    but: Option<Uuid>,
    reason: &str,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query(
        "update session set ended_at = $3, end_reason = $4
          where member_id = $1 and ended_at is null and id is distinct from $2",
    )
    .bind(member_id)
    .bind(but)
    .bind(now)
    .bind(reason)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Adds a refresh token to the family.
///
/// # Errors
/// Those of the database.
pub async fn insert_refresh_token(
    tx: &mut Tx,
    id: Uuid,
    cooperative_id: Uuid,
    session_id: Uuid,
    token_hash: &[u8],
    now: DateTime<Utc>,
    expires_at: DateTime<Utc>,
) -> Result<()> {
    sqlx::query(
        "insert into refresh_token (id, cooperative_id, session_id, token_hash, issued_at, expires_at)
         values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(session_id)
    .bind(token_hash)
    .bind(now)
    .bind(expires_at)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// A refresh token with its session.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct RefreshTokenRow {
    /// The token's row.
    pub id: Uuid,
    /// Co-operative of the session.
    pub cooperative_id: Uuid,
    /// The session, the token's family.
    pub session_id: Uuid,
    /// The member signed in.
    pub member_id: Uuid,
    /// Until when it may be used.
    pub expires_at: DateTime<Utc>,
    /// When it was used; a second use means that somebody else has it.
    pub used_at: Option<DateTime<Utc>>,
    /// When the session ended.
    pub ended_at: Option<DateTime<Utc>>,
    /// When the member was retired.
    pub member_retired_at: Option<DateTime<Utc>>,
}

/// The refresh token of this hash, held against other users of it; system scope.
///
/// # Errors
/// Those of the database.
pub async fn lock_refresh_token(tx: &mut Tx, token_hash: &[u8]) -> Result<Option<RefreshTokenRow>> {
    Ok(sqlx::query_as(
        "select t.id, t.cooperative_id, t.session_id, s.member_id, t.expires_at, t.used_at, s.ended_at, m.retired_at as member_retired_at
           from refresh_token t
           join session s on s.id = t.session_id
           join member m on m.cooperative_id = s.cooperative_id and m.id = s.member_id
          where t.token_hash = $1 for update of t, s",
    )
    .bind(token_hash)
    .fetch_optional(tx.connection())
    .await?)
}

/// Marks a refresh token as used.
///
/// # Errors
/// Those of the database.
pub async fn use_refresh_token(tx: &mut Tx, id: Uuid, now: DateTime<Utc>) -> Result<()> {
    sqlx::query("update refresh_token set used_at = $2 where id = $1")
        .bind(id)
        .bind(now)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Keeps a new password hash for a member.
///
/// # Errors
/// Those of the database.
pub async fn set_password(tx: &mut Tx, member_id: Uuid, hash: &str) -> Result<()> {
    sqlx::query("update member set password_hash = $2 where id = $1")
        .bind(member_id)
        .bind(hash)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// The password hash of a member.
///
/// # Errors
/// Those of the database.
pub async fn password_of(tx: &mut Tx, member_id: Uuid) -> Result<Option<String>> {
    let row: Option<(Option<String>,)> =
        sqlx::query_as("select password_hash from member where id = $1")
            .bind(member_id)
            .fetch_optional(tx.connection())
            .await?;
    Ok(row.and_then(|r| r.0))
}
