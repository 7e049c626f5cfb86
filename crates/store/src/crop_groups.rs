//! Crop groups.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a crop group is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct CropGroupFields {
    /// Unique among the crop groups of the co-operative.
    pub name: String,
}

/// A crop group as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct CropGroup {
    /// The crop group.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: CropGroupFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(CropGroup, "crop_group", "crop group");

/// Adds a crop group.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &CropGroupFields) -> Result<CropGroup> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into crop_group (id, cooperative_id, name)
         values ($1, $2, $3) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(&fields.name)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &CropGroupFields) -> Result<CropGroup> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update crop_group set name = $3
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&fields.name)
    .fetch_one(tx.connection())
    .await?)
}

/// Crop groups in the order of their making; retired ones only when asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, with_retired: bool, page: Page) -> Result<Vec<CropGroup>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from crop_group
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

/// A crop or pledge that is not retired and belongs to the group.
///
/// # Errors
/// Those of the database.
pub async fn in_use(tx: &mut Tx, id: Uuid) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select 'crop ' || name from crop where cooperative_id = $1 and crop_group_id = $2 and retired_at is null
         union all
         select 'a pledge to ' || r.name from pledge p join recipient r on r.id = p.recipient_id
          where p.cooperative_id = $1 and p.crop_group_id = $2 and p.retired_at is null
         limit 1",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}
