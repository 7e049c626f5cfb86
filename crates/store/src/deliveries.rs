//! Deliveries, their lines, and the corrections of lines.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A delivery as it stands now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Delivery {
    /// The delivery.
    pub id: Uuid,
    /// Where it was packed.
    pub site_id: Uuid,
    /// Name of the site.
    pub site_name: String,
    /// Time zone of the site.
    pub zone: String,
    /// Who receives it.
    pub recipient_id: Uuid,
    /// Name of the recipient.
    pub recipient_name: String,
    /// `packed`, `handed_over`, `confirmed` or `withdrawn`.
    pub state: String,
    /// The local day of packing.
    pub packed_on: NaiveDate,
    /// The local day of hand-over at the site.
    pub handed_over_on: Option<NaiveDate>,
    /// When it was handed over, by the clock of whoever did it.
    pub handed_over_at: Option<DateTime<Utc>>,
    /// When the server heard of the hand-over.
    pub hand_over_recorded_at: Option<DateTime<Utc>>,
    /// The member who handed it over.
    pub handed_over_by: Option<Uuid>,
    /// Who took it at the recipient.
    pub received_by: Option<String>,
    /// Temperature of the produce at hand-over, in tenths of a degree Celsius.
    pub temperature_decicelsius: Option<i32>,
    /// When the recipient's reader confirmed it.
    pub confirmed_at: Option<DateTime<Utc>>,
    /// The reader.
    pub confirmed_by: Option<Uuid>,
    /// What the reader remarked.
    pub remark: String,
    /// When it was withdrawn.
    pub withdrawn_at: Option<DateTime<Utc>>,
    /// Who withdrew it.
    pub withdrawn_by: Option<Uuid>,
    /// Why.
    pub withdrawal_reason: Option<String>,
    /// Sum of its lines with their corrections.
    pub total_milligrams: i64,
    /// Whether a dispute of it is not answered.
    pub is_disputed: bool,
    /// Counts up with every change.
    pub version: i64,
}

/// A delivery to be kept.
#[derive(Debug, Clone, Copy)]
pub struct NewDelivery {
    /// The delivery.
    pub id: Uuid,
    /// Where it is packed.
    pub site_id: Uuid,
    /// Who receives it.
    pub recipient_id: Uuid,
    /// The local day.
    pub packed_on: NaiveDate,
}

/// A weight out of one cut in a delivery.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct DeliveryLine {
    /// The line.
    pub id: Uuid,
    /// Where the produce comes from.
    pub cut_id: Uuid,
    /// What is written on the tray.
    pub tray_code: String,
    /// The crop.
    pub crop_id: Uuid,
    /// Its name.
    pub crop_name: String,
    /// The local day of the cut.
    pub cut_on: NaiveDate,
    /// Weight as it was packed.
    pub first_milligrams: i64,
    /// Weight with its corrections.
    pub milligrams: i64,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
}

/// A line to be kept.
#[derive(Debug, Clone, Copy)]
pub struct NewDeliveryLine {
    /// The line.
    pub id: Uuid,
    /// Where the produce comes from.
    pub cut_id: Uuid,
    /// Its weight.
    pub milligrams: i64,
    /// Now.
    pub recorded_at: DateTime<Utc>,
}

/// A correction of a line: an entry of its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct DeliveryCorrection {
    /// The correction.
    pub id: Uuid,
    /// The line it corrects.
    pub delivery_line_id: Uuid,
    /// What is added to the weight.
    pub change_milligrams: i64,
    /// Why.
    pub reason: String,
    /// Who corrected.
    pub member_id: Uuid,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// The dispute that it answers.
    pub dispute_id: Option<Uuid>,
}

/// What is noted when a delivery is handed over.
#[derive(Debug, Clone, Serialize)]
pub struct HandOver {
    /// The local day at the site.
    pub on: NaiveDate,
    /// When, by the clock of whoever did it.
    pub at: DateTime<Utc>,
    /// Now.
    pub recorded_at: DateTime<Utc>,
    /// The member who handed it over.
    pub member_id: Uuid,
    /// Who took it.
    pub received_by: String,
    /// Temperature of the produce, in tenths of a degree Celsius.
    pub temperature_decicelsius: Option<i32>,
}

/// Which deliveries a list shows.
#[derive(Debug, Clone, Default)]
pub struct DeliveryFilter {
    /// To one recipient.
    pub recipient_id: Option<Uuid>,
    /// From one site.
    pub site_id: Option<Uuid>,
    /// In one state; in any but `withdrawn` when left out.
    pub state: Option<&'static str>,
    /// First and last local day, of hand-over or, before that, of packing.
    pub days: Option<(NaiveDate, NaiveDate)>,
    /// With a dispute that is not answered, or without.
    pub disputed: Option<bool>,
}

/// Whose deliveries are seen: those of some sites and those to some recipients.
#[derive(Debug, Clone, Copy)]
pub struct Within<'a> {
    /// Everything.
    pub all: bool,
    /// Sites.
    pub sites: &'a [Uuid],
    /// Recipients.
    pub recipients: &'a [Uuid],
}

macro_rules! deliveries_where {
    ($condition:literal) => {
        concat!(
            "select d.id, d.site_id, site.name as site_name, site.zone, d.recipient_id, r.name as recipient_name, d.state,
                    d.packed_on, d.handed_over_on, d.handed_over_at, d.hand_over_recorded_at, d.handed_over_by, d.received_by,
                    d.temperature_decicelsius, d.confirmed_at, d.confirmed_by, d.remark,
                    d.withdrawn_at, d.withdrawn_by, d.withdrawal_reason, d.version,
                    coalesce((select sum(l.milligrams)::bigint from delivery_line l
                               where l.cooperative_id = d.cooperative_id and l.delivery_id = d.id), 0)
                    + coalesce((select sum(k.change_milligrams)::bigint from delivery_line l
                                  join delivery_correction k on k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id
                                 where l.cooperative_id = d.cooperative_id and l.delivery_id = d.id), 0) as total_milligrams,
                    open_dispute(d.cooperative_id, d.id) as is_disputed
               from delivery d
               join site on site.cooperative_id = d.cooperative_id and site.id = d.site_id
               join recipient r on r.cooperative_id = d.cooperative_id and r.id = d.recipient_id
              where d.cooperative_id = $1 and ",
            $condition
        )
    };
}

/// One delivery.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Delivery>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(deliveries_where!("d.id = $2"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// Holds a delivery against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("select 1 from delivery where cooperative_id = $1 and id = $2 for no key update")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Holds a delivery against those who change it until the transaction ends; others may share it.
///
/// # Errors
/// Those of the database.
pub async fn share(tx: &mut Tx, id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("select 1 from delivery where cooperative_id = $1 and id = $2 for share")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Deliveries in the order of their packing.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    filter: &DeliveryFilter,
    within: Within<'_>,
    page: Page,
) -> Result<Vec<Delivery>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(deliveries_where!(
        "($2::uuid is null or d.recipient_id = $2) and ($3::uuid is null or d.site_id = $3)
         and case when $4::text is null then d.state <> 'withdrawn' else d.state = $4 end
         and ($5::date is null or coalesce(d.handed_over_on, d.packed_on) between $5 and $6)
         and ($7 or d.site_id = any($8) or d.recipient_id = any($9)) and ($10::uuid is null or d.id > $10)
         and ($12::boolean is null or open_dispute(d.cooperative_id, d.id) = $12)
         order by d.id limit $11"
    ))
    .bind(cooperative_id)
    .bind(filter.recipient_id)
    .bind(filter.site_id)
    .bind(filter.state)
    .bind(filter.days.map(|days| days.0))
    .bind(filter.days.map(|days| days.1))
    .bind(within.all)
    .bind(within.sites)
    .bind(within.recipients)
    .bind(page.after)
    .bind(page.limit)
    .bind(filter.disputed)
    .fetch_all(tx.connection())
    .await?)
}

/// Keeps a delivery without lines.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, delivery: NewDelivery) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into delivery (id, cooperative_id, site_id, recipient_id, packed_on) values ($1, $2, $3, $4, $5)",
    )
    .bind(delivery.id)
    .bind(cooperative_id)
    .bind(delivery.site_id)
    .bind(delivery.recipient_id)
    .bind(delivery.packed_on)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Adds a line.
///
/// # Errors
/// Those of the database; constraint `cut_balance` when more would be delivered than was cut.
pub async fn insert_line(tx: &mut Tx, delivery_id: Uuid, line: NewDeliveryLine) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into delivery_line (id, cooperative_id, delivery_id, cut_id, milligrams, recorded_at)
         values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(line.id)
    .bind(cooperative_id)
    .bind(delivery_id)
    .bind(line.cut_id)
    .bind(line.milligrams)
    .bind(line.recorded_at)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Corrects a line by an entry.
///
/// # Errors
/// Those of the database; constraint `cut_balance` when more would be delivered than was cut.
pub async fn insert_correction(tx: &mut Tx, correction: &DeliveryCorrection) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into delivery_correction (id, cooperative_id, delivery_line_id, change_milligrams, reason, member_id, recorded_at, dispute_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(correction.id)
    .bind(cooperative_id)
    .bind(correction.delivery_line_id)
    .bind(correction.change_milligrams)
    .bind(&correction.reason)
    .bind(correction.member_id)
    .bind(correction.recorded_at)
    .bind(correction.dispute_id)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Counts the version of a delivery up when its lines changed.
///
/// # Errors
/// Those of the database.
pub async fn count_version(tx: &mut Tx, id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update delivery set state = state where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Notes the hand-over.
///
/// # Errors
/// Those of the database.
pub async fn hand_over(tx: &mut Tx, id: Uuid, hand_over: &HandOver) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update delivery set state = 'handed_over', handed_over_on = $3, handed_over_at = $4, hand_over_recorded_at = $5,
                handed_over_by = $6, received_by = $7, temperature_decicelsius = $8
          where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(hand_over.on)
    .bind(hand_over.at)
    .bind(hand_over.recorded_at)
    .bind(hand_over.member_id)
    .bind(&hand_over.received_by)
    .bind(hand_over.temperature_decicelsius)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Notes the recipient's confirmation.
///
/// # Errors
/// Those of the database.
pub async fn confirm(
    tx: &mut Tx,
    id: Uuid,
    member_id: Uuid,
    at: DateTime<Utc>,
    remark: &str,
) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update delivery set state = 'confirmed', confirmed_at = $3, confirmed_by = $4, remark = $5
          where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(at)
    .bind(member_id)
    .bind(remark)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// A withdrawal of a delivery in which nothing is left.
#[derive(Debug, Clone, Serialize)]
pub struct Withdrawal<'a> {
    /// Now.
    pub at: DateTime<Utc>,
    /// Who withdraws it.
    pub member_id: Uuid,
    /// Why.
    pub reason: &'a str,
}

/// Notes that a packed delivery is withdrawn.
///
/// # Errors
/// Those of the database; constraint `delivery_withdrawn` when it is not packed, `delivery_withdrawn_weight` while
/// anything is in it.
pub async fn withdraw(tx: &mut Tx, id: Uuid, withdrawal: &Withdrawal<'_>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update delivery set state = 'withdrawn', withdrawn_at = $3, withdrawn_by = $4, withdrawal_reason = $5
          where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(withdrawal.at)
    .bind(withdrawal.member_id)
    .bind(withdrawal.reason)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Lines of a delivery in the order of packing.
///
/// # Errors
/// Those of the database.
pub async fn lines(tx: &mut Tx, delivery_id: Uuid) -> Result<Vec<DeliveryLine>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select l.id, l.cut_id, c.tray_code, s.crop_id, crop.name as crop_name, c.cut_on, l.milligrams as first_milligrams,
                l.milligrams + coalesce((select sum(k.change_milligrams) from delivery_correction k
                   where k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id), 0)::bigint as milligrams,
                l.recorded_at
           from delivery_line l
           join cut c on c.cooperative_id = l.cooperative_id and c.id = l.cut_id
           join sowing s on s.cooperative_id = c.cooperative_id and s.id = c.sowing_id
           join crop on crop.cooperative_id = s.cooperative_id and crop.id = s.crop_id
          where l.cooperative_id = $1 and l.delivery_id = $2 order by l.id",
    )
    .bind(cooperative_id)
    .bind(delivery_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Where a line of a delivery comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::FromRow)]
pub struct LineOrigin {
    /// The delivery.
    pub delivery_id: Uuid,
    /// The line.
    pub line_id: Uuid,
    /// Where the produce comes from.
    pub cut_id: Uuid,
}

/// The lines of some deliveries in which there is anything.
///
/// # Errors
/// Those of the database.
pub async fn filled_lines(tx: &mut Tx, deliveries: &[Uuid]) -> Result<Vec<LineOrigin>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select l.delivery_id, l.id as line_id, l.cut_id from delivery_line l
          where l.cooperative_id = $1 and l.delivery_id = any($2)
            and l.milligrams + coalesce((select sum(k.change_milligrams) from delivery_correction k
                  where k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id), 0) > 0",
    )
    .bind(cooperative_id)
    .bind(deliveries)
    .fetch_all(tx.connection())
    .await?)
}

/// Corrections of the lines of a delivery, the oldest first.
///
/// # Errors
/// Those of the database.
pub async fn corrections(tx: &mut Tx, delivery_id: Uuid) -> Result<Vec<DeliveryCorrection>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select k.id, k.delivery_line_id, k.change_milligrams, k.reason, k.member_id, k.recorded_at, k.dispute_id
           from delivery_correction k
           join delivery_line l on l.cooperative_id = k.cooperative_id and l.id = k.delivery_line_id
          where l.cooperative_id = $1 and l.delivery_id = $2 order by k.id",
    )
    .bind(cooperative_id)
    .bind(delivery_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Whether a recipient takes produce: `None` when there is none of this id, otherwise since when it
/// is retired.
///
/// # Errors
/// Those of the database.
pub async fn recipient_retired_at(
    tx: &mut Tx,
    recipient_id: Uuid,
) -> Result<Option<Option<DateTime<Utc>>>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_scalar(
            "select retired_at from recipient where cooperative_id = $1 and id = $2",
        )
        .bind(cooperative_id)
        .bind(recipient_id)
        .fetch_optional(tx.connection())
        .await?,
    )
}
