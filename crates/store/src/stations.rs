//! Stations.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a station is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct StationFields {
    /// The site it is at.
    pub site_id: Uuid,
    /// What its containers are.
    pub container_kind_id: Uuid,
    /// Unique among the stations of the site.
    pub name: String,
    /// `passive` or `aerated`.
    pub method: String,
    /// Containers it has room for.
    pub places: i32,
    /// Temperature and light by week of the year, in the form of the growth rules.
    pub environment: Value,
}

/// A station as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Station {
    /// The station.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: StationFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Station, "station", "station");

/// Adds a station.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &StationFields) -> Result<Station> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into station (id, cooperative_id, site_id, container_kind_id, name, method, places, environment)
         values ($1, $2, $3, $4, $5, $6, $7, $8) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.site_id)
    .bind(fields.container_kind_id)
    .bind(&fields.name)
    .bind(&fields.method)
    .bind(fields.places)
    .bind(&fields.environment)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &StationFields) -> Result<Station> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update station set site_id = $3, container_kind_id = $4, name = $5, method = $6, places = $7, environment = $8
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(fields.site_id)
    .bind(fields.container_kind_id)
    .bind(&fields.name)
    .bind(&fields.method)
    .bind(fields.places)
    .bind(&fields.environment)
    .fetch_one(tx.connection())
    .await?)
}

/// Which stations are listed.
#[derive(Debug, Clone, Default)]
pub struct StationFilter {
    /// Of this site.
    pub site_id: Option<Uuid>,
    /// Retired ones too.
    pub with_retired: bool,
}

/// Stations in the order of their making; retired ones only when asked for. Cost: a page of one
/// site walks past the stations of the other sites; a co-operative has hundreds at most.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, filter: &StationFilter, page: Page) -> Result<Vec<Station>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from station
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
            and ($5::uuid is null or site_id = $5)
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(filter.with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(filter.site_id)
    .fetch_all(tx.connection())
    .await?)
}

/// A sowing that occupies the station, or will: neither cleared nor lost.
///
/// # Errors
/// Those of the database.
pub async fn in_use(tx: &mut Tx, id: Uuid) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select 'a sowing of ' || crop.name || ' on ' || sowing.sow_on from sowing join crop on crop.id = sowing.crop_id
          where sowing.cooperative_id = $1 and sowing.station_id = $2 and sowing.state not in ('cleared', 'lost')
         limit 1",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Which of these stations the co-operative has, retired or not.
///
/// # Errors
/// Those of the database.
pub async fn known(tx: &mut Tx, ids: &[Uuid]) -> Result<Vec<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_scalar("select id from station where cooperative_id = $1 and id = any($2)")
            .bind(cooperative_id)
            .bind(ids)
            .fetch_all(tx.connection())
            .await?,
    )
}

/// Which of these names, each at its site, belong to stations in use.
///
/// # Errors
/// Those of the database.
pub async fn names_taken(
    tx: &mut Tx,
    site_ids: &[Uuid],
    names: &[String],
) -> Result<Vec<(Uuid, String)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select asked.site_id, asked.name from unnest($2::uuid[], $3::text[]) as asked (site_id, name)
           join station s on s.site_id = asked.site_id and lower(s.name) = lower(asked.name)
          where s.cooperative_id = $1 and s.retired_at is null",
    )
    .bind(cooperative_id)
    .bind(site_ids)
    .bind(names)
    .fetch_all(tx.connection())
    .await?)
}
