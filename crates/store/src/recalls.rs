//! Recalls: what is suspect, which deliveries it affects, and who is told.

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_domain::food_safety::Withholding;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A recall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Recall {
    /// The recall.
    pub id: Uuid,
    /// What to call it.
    pub title: String,
    /// Why.
    pub why: String,
    /// `lot`, `batch`, `station`, `sowing`, `member`, `cut` or `delivery`.
    pub suspect_kind: String,
    /// The suspect record.
    pub suspect_id: Uuid,
    /// What it was called when the recall was drafted.
    pub suspect_name: String,
    /// Of a station or a member's work: from this day.
    pub first_day: Option<NaiveDate>,
    /// Of a station or a member's work: to this day.
    pub last_day: Option<NaiveDate>,
    /// `draft`, `under_way` or `closed`.
    pub state: String,
    /// How often it was traced.
    pub revision: i32,
    /// Who drafted it.
    pub drafted_by: Uuid,
    /// When.
    pub drafted_at: DateTime<Utc>,
    /// Since when it is under way.
    pub started_at: Option<DateTime<Utc>>,
    /// When it was closed.
    pub closed_at: Option<DateTime<Utc>>,
    /// Since when it holds nothing back any more.
    pub released_at: Option<DateTime<Utc>>,
    /// Who released it.
    pub released_by: Option<Uuid>,
    /// What came of it.
    pub outcome: String,
    /// Counts up with every change.
    pub version: i64,
}

impl Recall {
    /// Whether it holds back what it finds suspect.
    pub fn withholding(&self) -> Withholding {
        match (self.started_at, self.released_at) {
            (None, _) => Withholding::NotYet,
            (Some(_), None) => Withholding::Now,
            (Some(_), Some(_)) => Withholding::NoMore,
        }
    }
}

/// A recall to be kept.
#[derive(Debug, Clone)]
pub struct NewRecall<'a> {
    /// The recall.
    pub id: Uuid,
    /// What to call it.
    pub title: &'a str,
    /// Why.
    pub why: &'a str,
    /// Kind of the suspect record.
    pub suspect_kind: &'static str,
    /// The suspect record.
    pub suspect_id: Uuid,
    /// What it is called.
    pub suspect_name: &'a str,
    /// From and to which day, of a station or a member's work.
    pub days: (Option<NaiveDate>, Option<NaiveDate>),
    /// Who drafts it.
    pub drafted_by: Uuid,
    /// Now.
    pub drafted_at: DateTime<Utc>,
}

/// A delivery that a recall affects, with how much of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct AffectedDelivery {
    /// The delivery.
    pub delivery_id: Uuid,
    /// Who received it or is to.
    pub recipient_id: Uuid,
    /// What of it is suspect.
    pub milligrams: i64,
    /// The local day of packing.
    pub packed_on: NaiveDate,
    /// When it was handed over; `None` while it is packed only.
    pub handed_over_at: Option<DateTime<Utc>>,
    /// Who took it.
    pub received_by: Option<String>,
}

/// A recipient who is to be told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Notice {
    /// The recipient.
    pub recipient_id: Uuid,
    /// Name of the recipient.
    pub recipient_name: String,
    /// The member who is to tell them.
    pub assigned_to: Option<Uuid>,
    /// Name of the member.
    pub assigned_name: Option<String>,
    /// When they were told.
    pub told_at: Option<DateTime<Utc>>,
    /// By whom.
    pub told_by: Option<Uuid>,
    /// Which trace that rested on.
    pub told_revision: Option<i32>,
    /// The suspect weight they were told.
    pub told_milligrams: Option<i64>,
    /// What of the trace that it rested on is in deliveries that were withdrawn.
    #[serde(default)]
    pub withdrawn_milligrams: i64,
    /// What was said.
    pub note: String,
}

/// Something that was done about a recall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct RecallEntry {
    /// The entry.
    pub id: Uuid,
    /// `drafted`, `traced`, `started`, `assigned`, `told`, `closed` or `released`.
    pub kind: String,
    /// Who did it.
    pub member_id: Uuid,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// What belongs to the kind.
    pub detail: Value,
}

/// Adds a draft.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, recall: &NewRecall<'_>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into recall (id, cooperative_id, title, why, suspect_kind, suspect_id, suspect_name, first_day, last_day, drafted_by, drafted_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(recall.id)
    .bind(cooperative_id)
    .bind(recall.title)
    .bind(recall.why)
    .bind(recall.suspect_kind)
    .bind(recall.suspect_id)
    .bind(recall.suspect_name)
    .bind(recall.days.0)
    .bind(recall.days.1)
    .bind(recall.drafted_by)
    .bind(recall.drafted_at)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// One recall.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Recall>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select * from recall where cooperative_id = $1 and id = $2")
            .bind(cooperative_id)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// One recall, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<Recall>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from recall where cooperative_id = $1 and id = $2 for no key update",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Recalls in the order of their drafting; of one state, or with a notice that one member is to give.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    state: Option<&str>,
    assigned_to: Option<Uuid>,
    page: Page,
) -> Result<Vec<Recall>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from recall r
          where cooperative_id = $1 and ($2::text is null or state = $2)
            and ($3::uuid is null or exists (
              select from recall_notice n where n.cooperative_id = r.cooperative_id and n.recall_id = r.id and n.assigned_to = $3))
            and ($4::uuid is null or id > $4) order by id limit $5",
    )
    .bind(cooperative_id)
    .bind(state)
    .bind(assigned_to)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// Recalls that hold their suspect produce back: started, and not released.
///
/// # Errors
/// Those of the database.
pub async fn withholding(tx: &mut Tx) -> Result<Vec<Recall>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from recall
          where cooperative_id = $1 and started_at is not null and released_at is null order by id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Keeps what a trace found, and that each recipient of it is to be told.
///
/// # Errors
/// Those of the database.
pub async fn insert_delivery(
    tx: &mut Tx,
    (id, notice_id): (Uuid, Uuid),
    (recall_id, revision): (Uuid, i32),
    (delivery_id, recipient_id, milligrams): (Uuid, Uuid, i64),
    now: DateTime<Utc>,
) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "with found as (
           insert into recall_delivery (id, cooperative_id, recall_id, revision, delivery_id, recipient_id, milligrams, recorded_at)
           values ($1, $2, $3, $4, $5, $6, $7, $8))
         insert into recall_notice (id, cooperative_id, recall_id, recipient_id) values ($9, $2, $3, $6)
         on conflict (cooperative_id, recall_id, recipient_id) do nothing",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(recall_id)
    .bind(revision)
    .bind(delivery_id)
    .bind(recipient_id)
    .bind(milligrams)
    .bind(now)
    .bind(notice_id)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// The deliveries of the last trace, in the order of their packing; without those that were withdrawn since, which
/// nobody gets.
///
/// # Errors
/// Those of the database.
pub async fn deliveries(tx: &mut Tx, id: Uuid) -> Result<Vec<AffectedDelivery>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select a.delivery_id, a.recipient_id, a.milligrams, d.packed_on, d.handed_over_at, d.received_by
           from recall r
           join recall_delivery a on a.cooperative_id = r.cooperative_id and a.recall_id = r.id and a.revision = r.revision
           join delivery d on d.cooperative_id = a.cooperative_id and d.id = a.delivery_id
          where r.cooperative_id = $1 and r.id = $2 and d.state <> 'withdrawn' order by d.packed_on, d.id",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_all(tx.connection())
    .await?)
}

/// Who is to be told, by name.
///
/// # Errors
/// Those of the database.
pub async fn notices(tx: &mut Tx, id: Uuid) -> Result<Vec<Notice>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select n.recipient_id, r.name as recipient_name, n.assigned_to, m.name as assigned_name, n.told_at, n.told_by,
                n.told_revision, n.told_milligrams, n.note,
                coalesce((select sum(a.milligrams) from recall_delivery a
                            join delivery d on d.cooperative_id = a.cooperative_id and d.id = a.delivery_id and d.state = 'withdrawn'
                           where a.cooperative_id = n.cooperative_id and a.recall_id = n.recall_id
                             and a.revision = n.told_revision and a.recipient_id = n.recipient_id), 0)::bigint as withdrawn_milligrams
           from recall_notice n
           join recipient r on r.cooperative_id = n.cooperative_id and r.id = n.recipient_id
           left join member m on m.cooperative_id = n.cooperative_id and m.id = n.assigned_to
          where n.cooperative_id = $1 and n.recall_id = $2 order by lower(r.name), r.id",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_all(tx.connection())
    .await?)
}

/// Names the member who is to tell a recipient.
///
/// # Errors
/// Those of the database; constraint `recall_notice_assigned_to` for an unknown member.
pub async fn assign(tx: &mut Tx, id: Uuid, recipient_id: Uuid, member_id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update recall_notice set assigned_to = $4 where cooperative_id = $1 and recall_id = $2 and recipient_id = $3",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(recipient_id)
    .bind(member_id)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Who told a recipient what.
#[derive(Debug, Clone, Copy)]
pub struct Told<'a> {
    /// When.
    pub at: DateTime<Utc>,
    /// By whom.
    pub by: Uuid,
    /// Which trace it rested on.
    pub revision: i32,
    /// The suspect weight.
    pub milligrams: i64,
    /// What was said.
    pub note: &'a str,
}

/// Notes that a recipient was told.
///
/// # Errors
/// Those of the database.
pub async fn tell(tx: &mut Tx, id: Uuid, recipient_id: Uuid, told: Told<'_>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update recall_notice set told_at = $4, told_by = $5, told_revision = $6, told_milligrams = $7, note = $8
          where cooperative_id = $1 and recall_id = $2 and recipient_id = $3",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(recipient_id)
    .bind(told.at)
    .bind(told.by)
    .bind(told.revision)
    .bind(told.milligrams)
    .bind(told.note)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Takes a recall forward: to a state, to a further trace, to its outcome, to its release.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, recall: &Recall) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update recall set state = $3, revision = $4, started_at = $5, closed_at = $6, outcome = $7,
                released_at = $8, released_by = $9
          where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(recall.id)
    .bind(&recall.state)
    .bind(recall.revision)
    .bind(recall.started_at)
    .bind(recall.closed_at)
    .bind(&recall.outcome)
    .bind(recall.released_at)
    .bind(recall.released_by)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Writes down what was done.
///
/// # Errors
/// Those of the database.
pub async fn insert_entry(tx: &mut Tx, recall_id: Uuid, entry: &RecallEntry) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into recall_entry (id, cooperative_id, recall_id, kind, member_id, recorded_at, detail)
         values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(entry.id)
    .bind(cooperative_id)
    .bind(recall_id)
    .bind(&entry.kind)
    .bind(entry.member_id)
    .bind(entry.recorded_at)
    .bind(&entry.detail)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// What was done, in order.
///
/// # Errors
/// Those of the database.
pub async fn entries(tx: &mut Tx, id: Uuid) -> Result<Vec<RecallEntry>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, kind, member_id, recorded_at, detail from recall_entry
          where cooperative_id = $1 and recall_id = $2 order by id",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_all(tx.connection())
    .await?)
}
