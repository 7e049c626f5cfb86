//! Recipes of nutrient solution.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::record::record_access;
use crate::{Page, Result, Tx};

/// What a recipe is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct RecipeFields {
    /// Unique among the recipes of the co-operative.
    pub name: String,
    /// Amounts per litre of each product.
    pub lines: Value,
    /// Which products stand together in a concentrate, and how strong.
    pub concentrates: Value,
    /// Lowest pH that will do, in thousandths.
    pub ph_least_thousandths: i32,
    /// Highest pH that will do, in thousandths.
    pub ph_most_thousandths: i32,
    /// The recipe of every sowing for which nothing else is said.
    pub usual: bool,
    /// Free words.
    pub note: String,
}

/// A recipe as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Recipe {
    /// The recipe.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: RecipeFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Recipe, "recipe", "recipe");

/// Adds a recipe.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &RecipeFields) -> Result<Recipe> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into recipe (id, cooperative_id, name, lines, concentrates, ph_least_thousandths, ph_most_thousandths, usual, note)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(&fields.name)
    .bind(&fields.lines)
    .bind(&fields.concentrates)
    .bind(fields.ph_least_thousandths)
    .bind(fields.ph_most_thousandths)
    .bind(fields.usual)
    .bind(&fields.note)
    .fetch_one(tx.connection())
    .await?)
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &RecipeFields) -> Result<Recipe> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update recipe set name = $3, lines = $4, concentrates = $5, ph_least_thousandths = $6, ph_most_thousandths = $7,
                usual = $8, note = $9
          where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&fields.name)
    .bind(&fields.lines)
    .bind(&fields.concentrates)
    .bind(fields.ph_least_thousandths)
    .bind(fields.ph_most_thousandths)
    .bind(fields.usual)
    .bind(&fields.note)
    .fetch_one(tx.connection())
    .await?)
}

/// Recipes in the order of their making; retired ones only when asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, with_retired: bool, page: Page) -> Result<Vec<Recipe>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from recipe
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
