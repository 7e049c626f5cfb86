//! The record of past sowings, and what a coordinator decides about what is learned from it.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::record::record_access;
use crate::{Result, Tx};

/// What became of a sowing.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct RecordRow {
    /// The sowing.
    pub sowing_id: Uuid,
    /// Its station.
    pub station_id: String,
    /// Its crop.
    pub crop_id: String,
    /// Containers sown.
    pub containers: i32,
    /// When it was sown.
    pub sown_on: NaiveDate,
    /// Whether it was lost.
    pub lost: bool,
    /// Containers in which seedlings stood, where they were counted; as last corrected.
    pub sprouted_containers: Option<i32>,
    /// First day of each cut, by number.
    pub cut_days: Vec<NaiveDate>,
    /// Weight of each cut with its corrections, by number.
    pub cut_milligrams: Vec<i64>,
    /// What harmed each cut from outside, by number; nothing where nothing is known to have.
    pub cut_harms: Vec<Option<String>>,
    /// Figures of it that are left out of learning: `days`, `grams`, `survival`.
    pub vetoed: Vec<String>,
}

/// Sowings sown on a day or later that were cut, cleared or lost.
///
/// # Errors
/// Those of the database.
pub async fn records(tx: &mut Tx, since: NaiveDate) -> Result<Vec<RecordRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select w.id as sowing_id, w.station_id::text as station_id, w.crop_id::text as crop_id, w.containers, w.sown_on, w.state = 'lost' as lost,
                (select coalesce((select (k.detail->>'sprouted_containers')::integer from sowing_event k
                                   where k.cooperative_id = $1 and k.sowing_id = w.id and k.kind = 'corrected'
                                     and k.detail->>'corrects' = e.id::text and k.detail ? 'sprouted_containers'
                                   order by k.id desc limit 1),
                                 (e.detail->>'sprouted_containers')::integer)
                   from sowing_event e
                  where e.cooperative_id = $1 and e.sowing_id = w.id and e.kind = 'sprouted' order by e.id desc limit 1) as sprouted_containers,
                coalesce(c.days, '{}') as cut_days, coalesce(c.milligrams, '{}') as cut_milligrams,
                coalesce(c.harms, '{}') as cut_harms,
                array(select v.quantity from learning_veto v
                       where v.cooperative_id = $1 and v.sowing_id = w.id and v.retired_at is null order by v.quantity) as vetoed
           from sowing w
           left join lateral (
                select array_agg(n.cut_on order by n.number) as days, array_agg(n.milligrams order by n.number) as milligrams,
                       array_agg(n.harmed_by order by n.number) as harms
                  from (select c.number, min(c.cut_on) as cut_on, min(c.harmed_by) as harmed_by,
                               sum(c.milligrams + coalesce((select sum(k.change_milligrams) from cut_correction k
                                                             where k.cooperative_id = $1 and k.cut_id = c.id), 0))::bigint as milligrams
                          from cut c where c.cooperative_id = $1 and c.sowing_id = w.id group by c.number) n) c on true
          where w.cooperative_id = $1 and w.sown_on >= $2 and (c.days is not null or w.state in ('cleared', 'lost'))
          order by w.id",
    )
    .bind(cooperative_id)
    .bind(since)
    .fetch_all(tx.connection())
    .await?)
}

/// What a coordinator decides about a figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct ChoiceFields {
    /// The crop.
    pub crop_id: Uuid,
    /// The station; `None` for the crop wherever it grows.
    pub station_id: Option<Uuid>,
    /// `days`, `grams` or `survival`.
    pub quantity: String,
    /// The value at which it is held, in thousandths.
    pub held_permille: Option<i32>,
    /// Sowings before this day are forgotten.
    pub forget_before: Option<NaiveDate>,
    /// Why.
    pub note: String,
}

/// A choice as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Choice {
    /// The choice.
    pub id: Uuid,
    /// What it says.
    #[sqlx(flatten)]
    pub fields: ChoiceFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it holds no more.
    pub retired_at: Option<DateTime<Utc>>,
}

record_access!(Choice, "learning_choice", "choice");

/// Adds a choice.
///
/// # Errors
/// Those of the database; a second value for the same figure among them.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &ChoiceFields) -> Result<Choice> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into learning_choice (id, cooperative_id, crop_id, station_id, quantity, held_permille, forget_before, note)
         values ($1, $2, $3, $4, $5, $6, $7, $8) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.crop_id)
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
pub async fn choices(tx: &mut Tx) -> Result<Vec<Choice>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from learning_choice where cooperative_id = $1 and retired_at is null order by id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}
