//! Tasks that rules bring: those that are there, the changes to them, and the looks that make them.

use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::tasks::hold;
use crate::{Result, Tx};

/// A task that rules bring.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct PresentTask {
    /// The task.
    pub id: Uuid,
    /// What it is for.
    pub occasion: String,
    /// Where it stands.
    pub state: String,
    /// Whether somebody holds a place of it.
    pub claimed: bool,
    /// Whether somebody who holds it said that they are at it.
    pub begun: bool,
    /// Whether the rules dropped it.
    pub dropped_by_rules: bool,
    /// Its day.
    pub day: NaiveDate,
    /// First opening.
    pub opens_at: DateTime<Utc>,
    /// Last closing.
    pub due_at: DateTime<Utc>,
    /// Minutes of all people together.
    pub minutes: i32,
    /// People needed.
    pub people: i32,
    /// Training needed.
    pub qualification: Option<String>,
    /// When it counts as missed.
    pub missed_after: Option<DateTime<Utc>>,
    /// Containers to be seen to.
    pub containers: Option<i32>,
    /// Solution that it takes.
    pub microlitres: Option<i64>,
}

/// A task as it should be.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TaskAsWanted {
    /// The task.
    pub id: Uuid,
    /// What it is for.
    pub occasion: String,
    /// The work.
    pub kind: &'static str,
    /// A sowing it is about.
    pub sowing_id: Option<Uuid>,
    /// A station it is about.
    pub station_id: Option<Uuid>,
    /// A batch it is about.
    pub batch_id: Option<Uuid>,
    /// A recipient it is about.
    pub recipient_id: Option<Uuid>,
    /// Which cut, for cutting; 0 for the others.
    pub cut_number: i32,
    /// The rule that brings it.
    pub rule: &'static str,
    /// Its day.
    pub day: NaiveDate,
    /// First opening.
    pub opens_at: DateTime<Utc>,
    /// Last closing.
    pub due_at: DateTime<Utc>,
    /// Minutes of all people together.
    pub minutes: i32,
    /// People needed.
    pub people: i32,
    /// Training needed.
    pub qualification: Option<&'static str>,
    /// When it counts as missed.
    pub missed_after: Option<DateTime<Utc>>,
    /// What else the work needs to know.
    pub detail: Value,
}

const PRESENT: &str = "select t.id, t.occasion, t.state, t.dropped_by_rules, t.day, t.opens_at, t.due_at, t.minutes, t.people, t.qualification, t.missed_after,
        (t.detail->>'containers')::integer as containers, (t.detail->>'microlitres')::bigint as microlitres,
        exists (select from claim h where h.task_id = t.id and h.ended_at is null) as claimed,
        exists (select from claim h where h.task_id = t.id and h.ended_at is null and h.begun_at is not null) as begun
   from task t where t.cooperative_id = $1 and ";

/// Tasks of a site that are still to be done, and those of some occasions wherever they stand.
///
/// # Errors
/// Those of the database.
pub async fn present_at_site(
    tx: &mut Tx,
    site_id: Uuid,
    occasions: &[&str],
) -> Result<Vec<PresentTask>> {
    present(tx, "t.site_id = $2", site_id, occasions).await
}

/// The same of a sowing.
///
/// # Errors
/// Those of the database.
pub async fn present_of_sowing(
    tx: &mut Tx,
    sowing_id: Uuid,
    occasions: &[&str],
) -> Result<Vec<PresentTask>> {
    present(tx, "t.sowing_id = $2", sowing_id, occasions).await
}

async fn present(
    tx: &mut Tx,
    of: &'static str,
    id: Uuid,
    occasions: &[&str],
) -> Result<Vec<PresentTask>> {
    let cooperative_id = tx.cooperative_id();
    let mut statement = sqlx::QueryBuilder::new(PRESENT);
    statement.push(of);
    statement.push(" and t.state in ('open', 'held') union all ");
    statement.push(PRESENT);
    statement.push(of);
    statement.push(" and t.state not in ('open', 'held') and t.occasion = any($3) order by 1");
    Ok(statement
        .build_query_as()
        .bind(cooperative_id)
        .bind(id)
        .bind(occasions)
        .fetch_all(tx.connection())
        .await?)
}

/// Writes tasks down, state `open`; those whose occasion is there already are left as they are. How
/// many were new.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, site_id: Uuid, tasks: &[TaskAsWanted]) -> Result<u64> {
    if tasks.is_empty() {
        return Ok(0);
    }
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query(
        "insert into task (id, cooperative_id, site_id, kind, occasion, sowing_id, station_id, batch_id, recipient_id, cut_number, rule,
                           day, opens_at, due_at, people, minutes, qualification, missed_after, detail)
         select n.id, $1, $2, n.kind, n.occasion, n.sowing_id, n.station_id, n.batch_id, n.recipient_id, n.cut_number, n.rule,
                n.day, n.opens_at, n.due_at, n.people, n.minutes, n.qualification, n.missed_after, n.detail
           from jsonb_to_recordset($3) as n(id uuid, kind text, occasion text, sowing_id uuid, station_id uuid, batch_id uuid, recipient_id uuid,
                cut_number integer, rule text, day date, opens_at timestamptz, due_at timestamptz, people integer, minutes integer,
                qualification text, missed_after timestamptz, detail jsonb)
         on conflict on constraint task_occasion_once do nothing",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(json!(tasks))
    .execute(tx.connection())
    .await?
    .rows_affected())
}

/// Gives tasks that are still to be done another day or other figures; their claims stay. With
/// `again`, tasks that were missed, or dropped by the rules, are to be done again.
///
/// # Errors
/// Those of the database.
pub async fn change(tx: &mut Tx, tasks: &[TaskAsWanted], again: bool) -> Result<u64> {
    if tasks.is_empty() {
        return Ok(0);
    }
    let cooperative_id = tx.cooperative_id();
    let ids: Vec<Uuid> = tasks.iter().map(|task| task.id).collect();
    hold(tx, &ids).await?;
    let statement = if again {
        "update task t set state = 'open', cause = null, missed_at = null, dropped_by_rules = false,
                day = n.day, opens_at = n.opens_at, due_at = n.due_at, people = n.people, minutes = n.minutes,
                qualification = n.qualification, missed_after = n.missed_after, detail = t.detail || n.detail
           from jsonb_to_recordset($2) as n(id uuid, day date, opens_at timestamptz, due_at timestamptz, people integer, minutes integer,
                qualification text, missed_after timestamptz, detail jsonb)
          where t.cooperative_id = $1 and t.id = n.id and (t.state = 'missed' or (t.state = 'dropped' and t.dropped_by_rules))"
    } else {
        "update task t set
                state = case when n.people > (select count(*) from claim h where h.task_id = t.id and h.ended_at is null) then 'open' else 'held' end,
                day = n.day, opens_at = n.opens_at, due_at = n.due_at, people = n.people, minutes = n.minutes,
                qualification = n.qualification, missed_after = n.missed_after, detail = t.detail || n.detail
           from jsonb_to_recordset($2) as n(id uuid, day date, opens_at timestamptz, due_at timestamptz, people integer, minutes integer,
                qualification text, missed_after timestamptz, detail jsonb)
          where t.cooperative_id = $1 and t.id = n.id and t.state in ('open', 'held')"
    };
    Ok(sqlx::query(statement)
        .bind(cooperative_id)
        .bind(json!(tasks))
        .execute(tx.connection())
        .await?
        .rows_affected())
}

/// Ends tasks that are no longer wanted, each with its cause, and the claims on them.
///
/// # Errors
/// Those of the database.
pub async fn drop(tx: &mut Tx, dropped: &[(Uuid, String)], now: DateTime<Utc>) -> Result<()> {
    end(tx, "dropped", dropped, now).await
}

/// Marks tasks missed, and ends the claims on them.
///
/// # Errors
/// Those of the database.
pub async fn miss(tx: &mut Tx, missed: &[Uuid], now: DateTime<Utc>) -> Result<()> {
    let missed: Vec<(Uuid, String)> = missed.iter().map(|id| (*id, String::new())).collect();
    end(tx, "missed", &missed, now).await
}

/// Marks tasks of a site missed that no rule brought: those of recurring rules and by hand.
///
/// # Errors
/// Those of the database.
pub async fn miss_others(tx: &mut Tx, site_id: Uuid, now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    let over: Vec<Uuid> = sqlx::query_scalar(
        "select id from task where cooperative_id = $1 and site_id = $2 and state in ('open', 'held') and missed_after <= $3
            and (occasion like 'recurring:%' or occasion like 'by\\_hand:%')",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(now)
    .fetch_all(tx.connection())
    .await?;
    miss(tx, &over, now).await
}

async fn end(
    tx: &mut Tx,
    state: &'static str,
    ended: &[(Uuid, String)],
    now: DateTime<Utc>,
) -> Result<()> {
    if ended.is_empty() {
        return Ok(());
    }
    let cooperative_id = tx.cooperative_id();
    let ids: Vec<Uuid> = ended.iter().map(|(id, _)| *id).collect();
    let causes: Vec<&str> = ended.iter().map(|(_, cause)| cause.as_str()).collect();
    hold(tx, &ids).await?;
    sqlx::query(
        "update task t set state = $4, cause = nullif(n.cause, ''), dropped_by_rules = $4 = 'dropped',
                missed_at = case when $4 = 'missed' then $5 end
           from unnest($2::uuid[], $3::text[]) as n(id, cause)
          where t.cooperative_id = $1 and t.id = n.id and t.state in ('open', 'held')",
    )
    .bind(cooperative_id)
    .bind(&ids)
    .bind(causes)
    .bind(state)
    .bind(now)
    .execute(tx.connection())
    .await?;
    sqlx::query(
        "update claim c set ended_at = greatest($3, c.claimed_at), end_kind = case $4 when 'missed' then 'lapsed' else $4 end from task t
          where t.cooperative_id = $1 and t.id = any($2) and t.state = $4
            and c.cooperative_id = t.cooperative_id and c.task_id = t.id and c.ended_at is null",
    )
    .bind(cooperative_id)
    .bind(ids)
    .bind(now)
    .bind(state)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// How often a site was looked at.
///
/// # Errors
/// Those of the database.
pub async fn looks(tx: &mut Tx, site_id: Uuid) -> Result<i64> {
    let cooperative_id = tx.cooperative_id();
    let looks: Option<i64> = sqlx::query_scalar(
        "select looks from site_work where cooperative_id = $1 and site_id = $2",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_optional(tx.connection())
    .await?;
    Ok(looks.unwrap_or(0))
}

/// Keeps that a site was looked at, and when it is to be looked at again come what may; `false`, with
/// nothing kept, when another look came in between. One at a time gets past this for a site.
///
/// # Errors
/// Those of the database.
pub async fn looked(
    tx: &mut Tx,
    site_id: Uuid,
    looks_before: i64,
    now: DateTime<Utc>,
    next: DateTime<Utc>,
) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    let kept = sqlx::query(
        "insert into site_work as w (site_id, cooperative_id, looks, looked_at, next_look_at) values ($1, $2, $3 + 1, $4, $5)
         on conflict (site_id) do update set looks = $3 + 1, looked_at = $4, next_look_at = $5 where w.looks = $3",
    )
    .bind(site_id)
    .bind(cooperative_id)
    .bind(looks_before)
    .bind(now)
    .bind(next)
    .execute(tx.connection())
    .await?;
    Ok(kept.rows_affected() == 1)
}

/// Queues a look at every site whose next day has begun since it was looked at, that was never looked
/// at, or whose last look was made by a clock that ran ahead; how many. System scope.
///
/// # Errors
/// Those of the database.
pub async fn wake_due(tx: &mut Tx, now: DateTime<Utc>, ahead: DateTime<Utc>) -> Result<i64> {
    Ok(sqlx::query_scalar(
        "select count(wake_site_work(e.cooperative_id, e.id)) from (
           select s.cooperative_id, s.id from site s left join site_work w on w.site_id = s.id
            where s.retired_at is null and (w.site_id is null or w.next_look_at <= $1 or w.looked_at > $1 or w.next_look_at > $2)
            order by s.id) e",
    )
    .bind(now)
    .bind(ahead)
    .fetch_one(tx.connection())
    .await?)
}

/// Forgets looks that ended before an instant; how many. System scope.
///
/// # Errors
/// Those of the database.
pub async fn forget_looks(tx: &mut Tx, before: DateTime<Utc>) -> Result<u64> {
    Ok(sqlx::query(
        "delete from job where kind = 'site_work' and state not in ('queued', 'leased') and finished_at < $1",
    )
    .bind(before)
    .execute(tx.connection())
    .await?
    .rows_affected())
}
