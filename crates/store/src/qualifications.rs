//! Qualifications of members.

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_domain::QualificationKind;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// What a qualification is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct QualificationFields {
    /// The name of a [`cotyl_domain::QualificationKind`].
    pub kind: String,
    /// First day on which it holds.
    pub issued_on: NaiveDate,
    /// Last day on which it holds; `None` for no end.
    pub expires_on: Option<NaiveDate>,
    /// Who trained them, or whatever else is worth keeping.
    pub note: String,
}

/// A qualification as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Qualification {
    /// The qualification.
    pub id: Uuid,
    /// Who has it.
    pub member_id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: QualificationFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was recorded.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it does not count any more.
    pub retired_at: Option<DateTime<Utc>>,
}

/// Adds a qualification.
///
/// # Errors
/// Those of the database.
pub async fn insert(
    tx: &mut Tx,
    id: Uuid,
    member_id: Uuid,
    fields: &QualificationFields,
) -> Result<Qualification> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into qualification (id, cooperative_id, member_id, kind, issued_on, expires_on, note)
         values ($1, $2, $3, $4, $5, $6, $7) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(member_id)
    .bind(&fields.kind)
    .bind(fields.issued_on)
    .bind(fields.expires_on)
    .bind(&fields.note)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &QualificationFields) -> Result<Qualification> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update qualification set kind = $3, issued_on = $4, expires_on = $5, note = $6
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&fields.kind)
    .bind(fields.issued_on)
    .bind(fields.expires_on)
    .bind(&fields.note)
    .fetch_one(tx.connection())
    .await?)
}

/// Withdraws a qualification.
///
/// # Errors
/// Those of the database.
pub async fn retire(tx: &mut Tx, id: Uuid, now: DateTime<Utc>) -> Result<Qualification> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update qualification set retired_at = $3 where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(now)
    .fetch_one(tx.connection())
    .await?)
}

/// One qualification.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Qualification>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select * from qualification where cooperative_id = $1 and id = $2")
            .bind(cooperative_id)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// One qualification, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<Qualification>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from qualification where cooperative_id = $1 and id = $2 for no key update",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Qualifications of a member in the order of their recording; retired ones only when asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    member_id: Uuid,
    with_retired: bool,
    page: Page,
) -> Result<Vec<Qualification>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from qualification
          where cooperative_id = $1 and member_id = $2 and ($3 or retired_at is null) and ($4::uuid is null or id > $4)
          order by id limit $5",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .bind(with_retired)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// Whether a member has a qualification that holds on a day.
///
/// # Errors
/// Those of the database.
pub async fn held_on(
    tx: &mut Tx,
    member_id: Uuid,
    kind: QualificationKind,
    day: NaiveDate,
) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select exists (select from qualification
                         where cooperative_id = $1 and member_id = $2 and kind = $3 and retired_at is null
                           and issued_on <= $4 and (expires_on is null or expires_on >= $4))",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .bind(kind.as_str())
    .bind(day)
    .fetch_one(tx.connection())
    .await?)
}
