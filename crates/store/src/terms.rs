//! Terms: named spans of days that the co-operative reports by.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a term is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct TermFields {
    /// Unique among the terms of the co-operative.
    pub name: String,
    /// First day.
    pub first_day: NaiveDate,
    /// Last day.
    pub last_day: NaiveDate,
}

/// A term as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Term {
    /// The term.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: TermFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Term, "term", "term");

/// Adds a term.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &TermFields) -> Result<Term> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into term (id, cooperative_id, name, first_day, last_day)
         values ($1, $2, $3, $4, $5) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(&fields.name)
    .bind(fields.first_day)
    .bind(fields.last_day)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &TermFields) -> Result<Term> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update term set name = $3, first_day = $4, last_day = $5
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&fields.name)
    .bind(fields.first_day)
    .bind(fields.last_day)
    .fetch_one(tx.connection())
    .await?)
}

/// Terms in the order of their making; retired ones only when asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, with_retired: bool, page: Page) -> Result<Vec<Term>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from term
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
