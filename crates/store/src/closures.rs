//! Closures.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a closure is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct ClosureFields {
    /// The site that is closed.
    pub site_id: Uuid,
    /// First closed day, by the site's calendar.
    pub first_day: NaiveDate,
    /// Last closed day.
    pub last_day: NaiveDate,
    /// Why.
    pub reason: String,
}

/// A closure as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Closure {
    /// The closure.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: ClosureFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Closure, "closure", "closure");

/// Adds a closure.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &ClosureFields) -> Result<Closure> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into closure (id, cooperative_id, site_id, first_day, last_day, reason)
         values ($1, $2, $3, $4, $5, $6) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.site_id)
    .bind(fields.first_day)
    .bind(fields.last_day)
    .bind(&fields.reason)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &ClosureFields) -> Result<Closure> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update closure set site_id = $3, first_day = $4, last_day = $5, reason = $6
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(fields.site_id)
    .bind(fields.first_day)
    .bind(fields.last_day)
    .bind(&fields.reason)
    .fetch_one(tx.connection())
    .await?)
}

/// Which closures are listed.
#[derive(Debug, Clone, Default)]
pub struct ClosureFilter {
    /// Of this site.
    pub site_id: Option<Uuid>,
    /// Still closed on this day or later.
    pub from: Option<NaiveDate>,
    /// Closed on this day or before.
    pub to: Option<NaiveDate>,
    /// Retired ones too.
    pub with_retired: bool,
}

/// Closures in the order of their making; retired ones only when asked for. Cost: no index leads
/// by day, so all closures of the site, or without one of the co-operative, are read and sorted: a
/// few dozen a year and site.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, filter: &ClosureFilter, page: Page) -> Result<Vec<Closure>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from closure
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
            and ($5::uuid is null or site_id = $5)
            and ($6::date is null or last_day >= $6)
            and ($7::date is null or first_day <= $7)
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(filter.with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(filter.site_id)
    .bind(filter.from)
    .bind(filter.to)
    .fetch_all(tx.connection())
    .await?)
}
