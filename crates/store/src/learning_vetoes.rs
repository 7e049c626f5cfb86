//! Figures of single sowings that a coordinator leaves out of learning.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Result, Tx};

/// What is left out, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct VetoFields {
    /// The sowing.
    pub sowing_id: Uuid,
    /// `days`, `grams` or `survival`.
    pub quantity: String,
    /// Why.
    pub reason: String,
}

/// A veto as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Veto {
    /// The veto.
    pub id: Uuid,
    /// What it says.
    #[sqlx(flatten)]
    pub fields: VetoFields,
    /// Who made it.
    pub member_id: Uuid,
    /// Counts up with every change.
    pub version: i64,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it holds no more.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Veto, "learning_veto", "veto");

/// Adds a veto.
///
/// # Errors
/// Those of the database; constraint `learning_veto_once` for a second one of the same figure.
pub async fn insert(tx: &mut Tx, id: Uuid, member_id: Uuid, fields: &VetoFields) -> Result<Veto> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into learning_veto (id, cooperative_id, sowing_id, quantity, reason, member_id)
         values ($1, $2, $3, $4, $5, $6) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.sowing_id)
    .bind(&fields.quantity)
    .bind(&fields.reason)
    .bind(member_id)
    .fetch_one(tx.connection())
    .await?)
}

/// The vetoes of sowings of a crop, with those that were taken back, in the order of their making.
///
/// # Errors
/// Those of the database.
pub async fn of_crop(tx: &mut Tx, crop_id: Uuid) -> Result<Vec<Veto>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select v.* from learning_veto v
           join sowing s on s.cooperative_id = v.cooperative_id and s.id = v.sowing_id
          where v.cooperative_id = $1 and s.crop_id = $2 order by v.id",
    )
    .bind(cooperative_id)
    .bind(crop_id)
    .fetch_all(tx.connection())
    .await?)
}

/// The crop of a sowing.
///
/// # Errors
/// Those of the database.
pub async fn crop_of(tx: &mut Tx, sowing_id: Uuid) -> Result<Option<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_scalar("select crop_id from sowing where cooperative_id = $1 and id = $2")
            .bind(cooperative_id)
            .bind(sowing_id)
            .fetch_optional(tx.connection())
            .await?,
    )
}
