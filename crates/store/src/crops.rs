//! Crops.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a crop is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct CropFields {
    /// The group it belongs to.
    pub crop_group_id: Uuid,
    /// Unique among the crops of the co-operative.
    pub name: String,
    /// The growth profile, in the form of the growth rules.
    pub profile: Value,
    /// Field of the profile, and where its figure comes from.
    pub sources: Value,
    /// Days that the co-operative has seen on its own stations.
    pub station_days: Value,
}

/// A crop as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Crop {
    /// The crop.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: CropFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Crop, "crop", "crop");

/// Adds a crop.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &CropFields) -> Result<Crop> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into crop (id, cooperative_id, crop_group_id, name, profile, sources, station_days)
         values ($1, $2, $3, $4, $5, $6, $7) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.crop_group_id)
    .bind(&fields.name)
    .bind(&fields.profile)
    .bind(&fields.sources)
    .bind(&fields.station_days)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &CropFields) -> Result<Crop> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update crop set crop_group_id = $3, name = $4, profile = $5, sources = $6, station_days = $7
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(fields.crop_group_id)
    .bind(&fields.name)
    .bind(&fields.profile)
    .bind(&fields.sources)
    .bind(&fields.station_days)
    .fetch_one(tx.connection())
    .await?)
}

/// Which crops are listed.
#[derive(Debug, Clone, Default)]
pub struct CropFilter {
    /// Of this group.
    pub crop_group_id: Option<Uuid>,
    /// Retired ones too.
    pub with_retired: bool,
}

/// Crops in the order of their making; retired ones only when asked for. Cost: each carries its
/// profile and sources, some 8 kB, so a page of 200 reads about 1.6 MB.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, filter: &CropFilter, page: Page) -> Result<Vec<Crop>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from crop
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
            and ($5::uuid is null or crop_group_id = $5)
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(filter.with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(filter.crop_group_id)
    .fetch_all(tx.connection())
    .await?)
}

/// A pledge of the crop that is not retired.
///
/// # Errors
/// Those of the database.
pub async fn in_use(tx: &mut Tx, id: Uuid) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select 'a pledge to ' || r.name from pledge p join recipient r on r.id = p.recipient_id
          where p.cooperative_id = $1 and p.crop_id = $2 and p.retired_at is null
         limit 1",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}
