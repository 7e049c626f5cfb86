//! What a coordinator decides about what all crops at a station have in common.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Result, Tx};

/// What is decided.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct StationChoiceFields {
    /// The station.
    pub station_id: Uuid,
    /// `days`, `grams` or `survival`.
    pub quantity: String,
    /// The value at which it is held, in thousandths; survival cannot be.
    pub held_permille: Option<i32>,
    /// Sowings of any crop there before this day are forgotten.
    pub forget_before: Option<NaiveDate>,
    /// Why.
    pub note: String,
}

/// A choice as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct StationChoice {
    /// The choice.
    pub id: Uuid,
    /// What it says.
    #[sqlx(flatten)]
    pub fields: StationChoiceFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it holds no more.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(StationChoice, "station_learning_choice", "choice");

/// Adds a choice.
///
/// # Errors
/// Those of the database; constraint `station_learning_choice_held_once` for a second value of the
/// same figure.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &StationChoiceFields) -> Result<StationChoice> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into station_learning_choice (id, cooperative_id, station_id, quantity, held_permille, forget_before, note)
         values ($1, $2, $3, $4, $5, $6, $7) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.station_id)
    .bind(&fields.quantity)
    .bind(fields.held_permille)
    .bind(fields.forget_before)
    .bind(&fields.note)
    .fetch_one(tx.connection())
    .await?)
}

/// The choices that hold, in the order in which they were made.
///
/// # Errors
/// Those of the database.
pub async fn choices(tx: &mut Tx) -> Result<Vec<StationChoice>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from station_learning_choice where cooperative_id = $1 and retired_at is null order by id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}
