//! Recipients.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a recipient is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct RecipientFields {
    /// Unique among the recipients of the co-operative.
    pub name: String,
    /// `pantry`, `kitchen` or `families`.
    pub kind: String,
    /// Whom to call, and where to bring the trays.
    pub contact: String,
    /// ISO weekdays (1 to 7) on which it receives produce.
    pub delivery_weekdays: Vec<i16>,
    /// Days that cut greens may wait for the next delivery.
    pub keep_days: i32,
}

/// A recipient as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Recipient {
    /// The recipient.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: RecipientFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Recipient, "recipient", "recipient");

/// Adds a recipient.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &RecipientFields) -> Result<Recipient> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into recipient (id, cooperative_id, name, kind, contact, delivery_weekdays, keep_days)
         values ($1, $2, $3, $4, $5, $6, $7) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(&fields.name)
    .bind(&fields.kind)
    .bind(&fields.contact)
    .bind(&fields.delivery_weekdays)
    .bind(fields.keep_days)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &RecipientFields) -> Result<Recipient> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update recipient set name = $3, kind = $4, contact = $5, delivery_weekdays = $6, keep_days = $7
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&fields.name)
    .bind(&fields.kind)
    .bind(&fields.contact)
    .bind(&fields.delivery_weekdays)
    .bind(fields.keep_days)
    .fetch_one(tx.connection())
    .await?)
}

/// Which recipients are listed.
#[derive(Debug, Clone, Default)]
pub struct RecipientFilter {
    /// These only.
    pub only: Option<Vec<Uuid>>,
    /// Retired ones too.
    pub with_retired: bool,
}

/// Recipients in the order of their making; retired ones only when asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, filter: &RecipientFilter, page: Page) -> Result<Vec<Recipient>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from recipient
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
            and ($5::uuid[] is null or id = any($5))
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(filter.with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(&filter.only)
    .fetch_all(tx.connection())
    .await?)
}

/// A pledge to the recipient that is not retired, or a delivery that is packed for it.
///
/// # Errors
/// Those of the database.
pub async fn in_use(tx: &mut Tx, id: Uuid) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select 'a pledge until the week of ' || last_monday from pledge where cooperative_id = $1 and recipient_id = $2 and retired_at is null
         union all
         select 'a delivery packed on ' || packed_on from delivery where cooperative_id = $1 and recipient_id = $2 and state = 'packed'
         limit 1",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}
