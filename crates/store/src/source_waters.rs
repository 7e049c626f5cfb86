//! Source waters: what comes out of the taps of sites.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a source water is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct SourceWaterFields {
    /// Where it comes out.
    pub site_id: Uuid,
    /// Unique among the waters of the site.
    pub name: String,
    /// Day of the report.
    pub analysed_on: Option<NaiveDate>,
    /// The report, in the form of the solution rules.
    pub analysis: Value,
}

/// A source water as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct SourceWater {
    /// The water.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: SourceWaterFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(SourceWater, "source_water", "source water");

/// Adds a source water.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &SourceWaterFields) -> Result<SourceWater> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into source_water (id, cooperative_id, site_id, name, analysed_on, analysis)
         values ($1, $2, $3, $4, $5, $6) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.site_id)
    .bind(&fields.name)
    .bind(fields.analysed_on)
    .bind(&fields.analysis)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description; the site stays.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &SourceWaterFields) -> Result<SourceWater> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update source_water set name = $3, analysed_on = $4, analysis = $5
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&fields.name)
    .bind(fields.analysed_on)
    .bind(&fields.analysis)
    .fetch_one(tx.connection())
    .await?)
}

/// Source waters in the order of their making, of one site where it is named; retired ones only when
/// asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    site_id: Option<Uuid>,
    with_retired: bool,
    page: Page,
) -> Result<Vec<SourceWater>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from source_water
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
            and ($5::uuid is null or site_id = $5)
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}
