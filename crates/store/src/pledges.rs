//! Pledges.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a pledge is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct PledgeFields {
    /// To whom.
    pub recipient_id: Uuid,
    /// Of this crop, or
    pub crop_id: Option<Uuid>,
    /// of any crop of this group.
    pub crop_group_id: Option<Uuid>,
    /// How much in each week.
    pub weekly_milligrams: i64,
    /// Monday of the first week.
    pub first_monday: NaiveDate,
    /// Monday of the last week.
    pub last_monday: NaiveDate,
    /// 1 to 9; a greater number counts more.
    pub priority: i32,
}

/// A pledge as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Pledge {
    /// The pledge.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: PledgeFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Pledge, "pledge", "pledge");

/// Adds a pledge.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &PledgeFields) -> Result<Pledge> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into pledge (id, cooperative_id, recipient_id, crop_id, crop_group_id, weekly_milligrams, first_monday, last_monday, priority)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.recipient_id)
    .bind(fields.crop_id)
    .bind(fields.crop_group_id)
    .bind(fields.weekly_milligrams)
    .bind(fields.first_monday)
    .bind(fields.last_monday)
    .bind(fields.priority)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &PledgeFields) -> Result<Pledge> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update pledge set recipient_id = $3, crop_id = $4, crop_group_id = $5, weekly_milligrams = $6, first_monday = $7, last_monday = $8, priority = $9
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(fields.recipient_id)
    .bind(fields.crop_id)
    .bind(fields.crop_group_id)
    .bind(fields.weekly_milligrams)
    .bind(fields.first_monday)
    .bind(fields.last_monday)
    .bind(fields.priority)
    .fetch_one(tx.connection())
    .await?)
}

/// Which pledges are listed.
#[derive(Debug, Clone, Default)]
pub struct PledgeFilter {
    /// To this recipient.
    pub recipient_id: Option<Uuid>,
    /// To these recipients only.
    pub only_recipients: Option<Vec<Uuid>>,
    /// In force in the week of this Monday.
    pub monday: Option<NaiveDate>,
    /// Retired ones too.
    pub with_retired: bool,
}

/// Pledges in the order of their making; retired ones only when asked for. Cost: a filter by week
/// walks past the pledges of other weeks, years of them in time; a few hundred a year.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, filter: &PledgeFilter, page: Page) -> Result<Vec<Pledge>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from pledge
          where cooperative_id = $1 and ($2 or retired_at is null) and ($3::uuid is null or id > $3)
            and ($5::uuid is null or recipient_id = $5)
            and ($6::uuid[] is null or recipient_id = any($6))
            and ($7::date is null or $7 between first_monday and last_monday)
          order by id limit $4",
    )
    .bind(cooperative_id)
    .bind(filter.with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(filter.recipient_id)
    .bind(&filter.only_recipients)
    .bind(filter.monday)
    .fetch_all(tx.connection())
    .await?)
}
