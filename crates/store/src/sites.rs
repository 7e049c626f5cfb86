//! Sites.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// What a site is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct SiteFields {
    /// Unique among the sites of the co-operative.
    pub name: String,
    /// IANA time zone.
    pub zone: String,
    /// Weekly opening hours, in the form of the calendar rules.
    pub opening_hours: Value,
    /// Minutes of work that volunteers give in a week; `None` for no limit.
    pub weekly_minutes: Option<i32>,
    /// Solution that can be mixed in a week; `None` for no limit.
    pub weekly_mixing_microlitres: Option<i64>,
    /// Most batches sown in a week; `None` for no limit.
    pub most_sowings_per_week: Option<i32>,
}

/// A site as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Site {
    /// The site.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: SiteFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

/// Adds a site.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &SiteFields) -> Result<Site> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into site (id, cooperative_id, name, zone, opening_hours, weekly_minutes, weekly_mixing_microlitres, most_sowings_per_week)
         values ($1, $2, $3, $4, $5, $6, $7, $8) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(&fields.name)
    .bind(&fields.zone)
    .bind(&fields.opening_hours)
    .bind(fields.weekly_minutes)
    .bind(fields.weekly_mixing_microlitres)
    .bind(fields.most_sowings_per_week)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &SiteFields) -> Result<Site> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update site set name = $3, zone = $4, opening_hours = $5, weekly_minutes = $6, weekly_mixing_microlitres = $7, most_sowings_per_week = $8
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&fields.name)
    .bind(&fields.zone)
    .bind(&fields.opening_hours)
    .bind(fields.weekly_minutes)
    .bind(fields.weekly_mixing_microlitres)
    .bind(fields.most_sowings_per_week)
    .fetch_one(tx.connection())
    .await?)
}

/// Takes a site out of use.
///
/// # Errors
/// Those of the database.
pub async fn retire(tx: &mut Tx, id: Uuid, now: DateTime<Utc>) -> Result<Site> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update site set retired_at = $3 where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(now)
    .fetch_one(tx.connection())
    .await?)
}

/// One site.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Site>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select * from site where cooperative_id = $1 and id = $2")
            .bind(cooperative_id)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// One site, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<Site>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as(
            "select * from site where cooperative_id = $1 and id = $2 for no key update",
        )
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?,
    )
}

/// Sites in the order of their making; retired ones only when asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, with_retired: bool, page: Page) -> Result<Vec<Site>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from site
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

/// Whether stations or groups that are not retired are still at the site.
///
/// # Errors
/// Those of the database.
pub async fn in_use(tx: &mut Tx, id: Uuid) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select 'station ' || name from station where cooperative_id = $1 and site_id = $2 and retired_at is null
         union all
         select 'group ' || name from member_group where cooperative_id = $1 and site_id = $2 and retired_at is null
         limit 1",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}

/// The zone of one of these sites, or of the oldest site when there is none of them; `None` when the
/// co-operative has no site in use.
///
/// # Errors
/// Those of the database.
pub async fn zone_among(tx: &mut Tx, sites: &[Uuid]) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select zone from site where cooperative_id = $1 and retired_at is null
          order by (id = any($2)) desc, id limit 1",
    )
    .bind(cooperative_id)
    .bind(sites)
    .fetch_optional(tx.connection())
    .await?)
}
