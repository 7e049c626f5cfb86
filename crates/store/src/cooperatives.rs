//! Co-operatives.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Result, Tx};

/// A co-operative.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Cooperative {
    /// The co-operative.
    pub id: Uuid,
    /// Its name.
    pub name: String,
}

/// Founds a co-operative; system scope.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, name: &str) -> Result<()> {
    sqlx::query("insert into cooperative (id, name) values ($1, $2)")
        .bind(id)
        .bind(name)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// One co-operative.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Cooperative>> {
    Ok(
        sqlx::query_as("select id, name from cooperative where id = $1")
            .bind(id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// Holds the co-operative until the transaction ends against those who hold it alone; others may share it.
///
/// # Errors
/// Those of the database.
pub async fn share(tx: &mut Tx) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("select 1 from cooperative where id = $1 for share")
        .bind(cooperative_id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Holds the co-operative alone until the transaction ends: what must go one after another in it queues here.
///
/// # Errors
/// Those of the database.
pub async fn hold(tx: &mut Tx) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("select 1 from cooperative where id = $1 for no key update")
        .bind(cooperative_id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Co-operatives of this name; system scope.
///
/// # Errors
/// Those of the database.
pub async fn of_name(tx: &mut Tx, name: &str) -> Result<Vec<Cooperative>> {
    Ok(
        sqlx::query_as("select id, name from cooperative where name = $1 order by id")
            .bind(name)
            .fetch_all(tx.connection())
            .await?,
    )
}
