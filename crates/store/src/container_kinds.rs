//! Container kinds.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a container kind is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct ContainerKindFields {
    /// Unique among the container kinds of the co-operative.
    pub name: String,
    /// What it holds to the brim.
    pub volume_microlitres: i64,
    /// What it holds at the fill line.
    pub fill_microlitres: i64,
    /// Highest refill once air roots have formed.
    pub refill_limit_microlitres: i64,
    /// Plants it carries.
    pub plants_per_container: i32,
    /// Weight it gives, in thousandths of the reference container.
    pub yield_permille: i32,
}

/// A container kind as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct ContainerKind {
    /// The container kind.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: ContainerKindFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(ContainerKind, "container_kind", "container kind");

/// Adds a container kind.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &ContainerKindFields) -> Result<ContainerKind> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into container_kind (id, cooperative_id, name, volume_microlitres, fill_microlitres, refill_limit_microlitres, plants_per_container, yield_permille)
         values ($1, $2, $3, $4, $5, $6, $7, $8) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(&fields.name)
    .bind(fields.volume_microlitres)
    .bind(fields.fill_microlitres)
    .bind(fields.refill_limit_microlitres)
    .bind(fields.plants_per_container)
    .bind(fields.yield_permille)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &ContainerKindFields) -> Result<ContainerKind> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update container_kind set name = $3, volume_microlitres = $4, fill_microlitres = $5, refill_limit_microlitres = $6, plants_per_container = $7, yield_permille = $8
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&fields.name)
    .bind(fields.volume_microlitres)
    .bind(fields.fill_microlitres)
    .bind(fields.refill_limit_microlitres)
    .bind(fields.plants_per_container)
    .bind(fields.yield_permille)
    .fetch_one(tx.connection())
    .await?)
}

/// Container kinds in the order of their making; retired ones only when asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, with_retired: bool, page: Page) -> Result<Vec<ContainerKind>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from container_kind
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(with_retired)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// A station that is not retired and has containers of this kind.
///
/// # Errors
/// Those of the database.
pub async fn in_use(tx: &mut Tx, id: Uuid) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select 'station ' || name from station where cooperative_id = $1 and container_kind_id = $2 and retired_at is null
         limit 1",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}
