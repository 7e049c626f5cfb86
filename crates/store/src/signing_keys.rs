//! Keys that sign access tokens; system scope only.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::{Result, Tx};

/// A signing key.
#[derive(Clone, sqlx::FromRow)]
pub struct SigningKeyRow {
    /// The `kid` of its tokens.
    pub id: Uuid,
    /// Ed25519 seed.
    pub private_key: Vec<u8>,
    /// Ed25519 public key.
    pub public_key: Vec<u8>,
}

/// Holds off other servers that would make or retire a key.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx) -> Result<()> {
    sqlx::query("lock table signing_key in share row exclusive mode")
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Keys in use, oldest first.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx) -> Result<Vec<SigningKeyRow>> {
    Ok(sqlx::query_as(
        "select id, private_key, public_key from signing_key where retired_at is null order by id",
    )
    .fetch_all(tx.connection())
    .await?)
}

/// Adds a key.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, private_key: &[u8], public_key: &[u8]) -> Result<()> {
    sqlx::query("insert into signing_key (id, private_key, public_key) values ($1, $2, $3)")
        .bind(id)
        .bind(private_key)
        .bind(public_key)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Retires every key in use; their number.
///
/// # Errors
/// Those of the database.
pub async fn retire_all(tx: &mut Tx, now: DateTime<Utc>) -> Result<u64> {
    let retired = sqlx::query("update signing_key set retired_at = $1 where retired_at is null")
        .bind(now)
        .execute(tx.connection())
        .await?;
    Ok(retired.rows_affected())
}
