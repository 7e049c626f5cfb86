//! What reports need beside the totals: settings, names, and amendments of deliveries.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Result, Tx};

/// How the co-operative reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct ReportSettings {
    /// Month in which the funding year begins.
    pub funding_year_month: i32,
    /// Day of that month.
    pub funding_year_day: i32,
    /// Counts up with every change of the co-operative.
    pub version: i64,
}

/// A correction of a delivery that was handed over.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct AmendmentRow {
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// The local day of hand-over.
    pub handed_over_on: NaiveDate,
    /// Name of the recipient.
    pub recipient_name: String,
    /// Name of the crop.
    pub crop_name: String,
    /// What is written on the tray.
    pub tray_code: String,
    /// What it adds.
    pub change_milligrams: i64,
    /// Why.
    pub reason: String,
    /// Whether it answers a dispute.
    pub answers_dispute: bool,
}

/// A weight of a delivery that was handed over, as its recipient disputed it.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct DisputeRow {
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// The local day of hand-over.
    pub handed_over_on: NaiveDate,
    /// Name of the recipient.
    pub recipient_name: String,
    /// Name of the crop.
    pub crop_name: String,
    /// What is written on the tray.
    pub tray_code: String,
    /// What was written down when it was disputed.
    pub written_milligrams: i64,
    /// What the recipient's scale showed.
    pub found_milligrams: i64,
    /// Why it is disputed.
    pub reason: String,
    /// `corrected` or `rejected`; `None` while it is open.
    pub outcome: Option<String>,
    /// What the co-operative says to it.
    pub statement: Option<String>,
    /// When the server heard of the answer.
    pub answered_at: Option<DateTime<Utc>>,
}

/// The settings.
///
/// # Errors
/// Those of the database.
pub async fn settings(tx: &mut Tx) -> Result<ReportSettings> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select funding_year_month, funding_year_day, version from cooperative where id = $1",
    )
    .bind(cooperative_id)
    .fetch_one(tx.connection())
    .await?)
}

/// The settings, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock_settings(tx: &mut Tx) -> Result<ReportSettings> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select funding_year_month, funding_year_day, version from cooperative where id = $1 for no key update",
    )
    .bind(cooperative_id)
    .fetch_one(tx.connection())
    .await?)
}

/// Changes the settings.
///
/// # Errors
/// Those of the database.
pub async fn change_settings(tx: &mut Tx, month: i32, day: i32) -> Result<ReportSettings> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update cooperative set funding_year_month = $2, funding_year_day = $3 where id = $1
         returning funding_year_month, funding_year_day, version",
    )
    .bind(cooperative_id)
    .bind(month)
    .bind(day)
    .fetch_one(tx.connection())
    .await?)
}

/// Names of all sites.
///
/// # Errors
/// Those of the database.
pub async fn site_names(tx: &mut Tx) -> Result<Vec<(Uuid, String)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select id, name from site where cooperative_id = $1")
            .bind(cooperative_id)
            .fetch_all(tx.connection())
            .await?,
    )
}

/// Names of all groups of people.
///
/// # Errors
/// Those of the database.
pub async fn group_names(tx: &mut Tx) -> Result<Vec<(Uuid, String)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select id, name from member_group where cooperative_id = $1")
            .bind(cooperative_id)
            .fetch_all(tx.connection())
            .await?,
    )
}

/// Amendments of deliveries that were handed over on these days, the oldest first.
///
/// # Errors
/// Those of the database.
pub async fn amendments(
    tx: &mut Tx,
    days: (NaiveDate, NaiveDate),
    recipients: Option<&[Uuid]>,
    site_id: Option<Uuid>,
    as_of: Option<DateTime<Utc>>,
) -> Result<Vec<AmendmentRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select k.recorded_at, d.handed_over_on, r.name as recipient_name, crop.name as crop_name, c.tray_code,
                k.change_milligrams, k.reason, k.dispute_id is not null as answers_dispute
           from delivery d
           join delivery_line l on l.cooperative_id = d.cooperative_id and l.delivery_id = d.id
           join delivery_correction k on k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id
           join recipient r on r.cooperative_id = d.cooperative_id and r.id = d.recipient_id
           join cut c on c.cooperative_id = l.cooperative_id and c.id = l.cut_id
           join sowing s on s.cooperative_id = c.cooperative_id and s.id = c.sowing_id
           join crop on crop.cooperative_id = s.cooperative_id and crop.id = s.crop_id
          where d.cooperative_id = $1 and d.handed_over_on between $2 and $3
            and ($4::uuid[] is null or d.recipient_id = any($4)) and ($5::uuid is null or d.site_id = $5)
            and ($6::timestamptz is null or (k.recorded_at <= $6 and d.hand_over_recorded_at <= $6))
            and k.recorded_at >= d.hand_over_recorded_at
          order by k.recorded_at, k.id",
    )
    .bind(cooperative_id)
    .bind(days.0)
    .bind(days.1)
    .bind(recipients)
    .bind(site_id)
    .bind(as_of)
    .fetch_all(tx.connection())
    .await?)
}

/// Disputed weights of deliveries that were handed over on these days, the oldest dispute first; with the
/// answer, if one was known.
///
/// # Errors
/// Those of the database.
pub async fn disputes(
    tx: &mut Tx,
    days: (NaiveDate, NaiveDate),
    recipients: Option<&[Uuid]>,
    site_id: Option<Uuid>,
    as_of: Option<DateTime<Utc>>,
) -> Result<Vec<DisputeRow>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select p.recorded_at, d.handed_over_on, r.name as recipient_name, crop.name as crop_name, c.tray_code,
                (l.milligrams + coalesce((select sum(k.change_milligrams) from delivery_correction k
                   where k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id
                     and k.recorded_at <= p.recorded_at and k.dispute_id is distinct from p.id), 0))::bigint as written_milligrams,
                f.found_milligrams, p.reason, a.outcome, a.statement, a.recorded_at as answered_at
           from delivery d
           join delivery_dispute p on p.cooperative_id = d.cooperative_id and p.delivery_id = d.id
           join delivery_dispute_line f on f.cooperative_id = p.cooperative_id and f.dispute_id = p.id
           join delivery_line l on l.cooperative_id = f.cooperative_id and l.id = f.delivery_line_id
           left join delivery_dispute_answer a on a.cooperative_id = p.cooperative_id and a.dispute_id = p.id
            and ($6::timestamptz is null or a.recorded_at <= $6)
           join recipient r on r.cooperative_id = d.cooperative_id and r.id = d.recipient_id
           join cut c on c.cooperative_id = l.cooperative_id and c.id = l.cut_id
           join sowing s on s.cooperative_id = c.cooperative_id and s.id = c.sowing_id
           join crop on crop.cooperative_id = s.cooperative_id and crop.id = s.crop_id
          where d.cooperative_id = $1 and d.handed_over_on between $2 and $3
            and ($4::uuid[] is null or d.recipient_id = any($4)) and ($5::uuid is null or d.site_id = $5)
            and ($6::timestamptz is null or p.recorded_at <= $6)
          order by p.recorded_at, p.id, l.id",
    )
    .bind(cooperative_id)
    .bind(days.0)
    .bind(days.1)
    .bind(recipients)
    .bind(site_id)
    .bind(as_of)
    .fetch_all(tx.connection())
    .await?)
}
