//! Who can help at a site, what they hold, and what they have done.

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_domain::Actor;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sqlx::types::Json;
use uuid::Uuid;

use crate::availability::Availability;
use crate::growing::ClosedDays;
use crate::{Result, Tx, actors};

/// When a site is open.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub struct SiteHours {
    /// The site.
    pub site_id: Uuid,
    /// IANA time zone.
    pub zone: String,
    /// Weekly opening hours, in the form of the calendar rules.
    pub opening_hours: Value,
    /// Closures.
    pub closures: Json<Vec<ClosedDays>>,
}

/// When sites are open.
///
/// # Errors
/// Those of the database.
pub async fn site_hours(tx: &mut Tx, site_ids: &[Uuid]) -> Result<Vec<SiteHours>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select t.id as site_id, t.zone, t.opening_hours,
                coalesce((select jsonb_agg(jsonb_build_object('first_day', x.first_day, 'last_day', x.last_day, 'reason', x.reason))
                            from closure x where x.cooperative_id = t.cooperative_id and x.site_id = t.id and x.retired_at is null), '[]') as closures
           from site t where t.cooperative_id = $1 and t.id = any($2) order by t.id",
    )
    .bind(cooperative_id)
    .bind(site_ids)
    .fetch_all(tx.connection())
    .await?)
}

/// Members who have not left, with roles and qualifications, by id.
///
/// # Errors
/// Those of the database.
pub async fn members(tx: &mut Tx, member_ids: &[Uuid]) -> Result<Vec<Actor>> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "select m.cooperative_id, m.id, m.name,
                coalesce((select jsonb_agg(jsonb_build_object('role', g.role, 'site_id', g.site_id, 'recipient_id', g.recipient_id))
                            from role_grant g where g.cooperative_id = m.cooperative_id and g.member_id = m.id), '[]') as grants,
                coalesce((select jsonb_agg(jsonb_build_object('kind', q.kind, 'issued_on', q.issued_on, 'expires_on', q.expires_on))
                            from qualification q where q.cooperative_id = m.cooperative_id and q.member_id = m.id and q.retired_at is null), '[]') as qualifications
           from member m where m.cooperative_id = $1 and m.id = any($2) and m.retired_at is null order by m.id",
    )
    .bind(cooperative_id)
    .bind(member_ids)
    .fetch_all(tx.connection())
    .await?
    .iter()
    .map(actors::read)
    .collect()
}

/// Members who work at a site: its leads and volunteers, and the coordinators.
///
/// # Errors
/// Those of the database.
pub async fn working_at(tx: &mut Tx, site_id: Uuid) -> Result<Vec<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select m.id from member m
          where m.cooperative_id = $1 and m.retired_at is null
            and exists (select from role_grant g where g.cooperative_id = m.cooperative_id and g.member_id = m.id
                         and (g.role = 'coordinator' or (g.role in ('lead', 'volunteer') and g.site_id = $2)))
          order by m.id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}

/// The member of an address who has not left.
///
/// # Errors
/// Those of the database.
pub async fn member_of_email(tx: &mut Tx, email: &str) -> Result<Option<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select id from member where cooperative_id = $1 and email = lower($2) and retired_at is null",
    )
    .bind(cooperative_id)
    .bind(email)
    .fetch_optional(tx.connection())
    .await?)
}

/// Holds members against each other's claims until the transaction ends, in the order of their ids.
///
/// # Errors
/// Those of the database.
pub async fn hold_members(tx: &mut Tx, member_ids: &[Uuid]) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("select from member where cooperative_id = $1 and id = any($2) order by id for no key update")
        .bind(cooperative_id)
        .bind(member_ids)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// What members have said of when they can help.
///
/// # Errors
/// Those of the database.
pub async fn availabilities(tx: &mut Tx, member_ids: &[Uuid]) -> Result<Vec<Availability>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select member_id, free_hours, days_away, version, updated_at from availability
          where cooperative_id = $1 and member_id = any($2) order by member_id",
    )
    .bind(cooperative_id)
    .bind(member_ids)
    .fetch_all(tx.connection())
    .await?)
}

/// A task that a member holds.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct HeldTask {
    /// Who holds it.
    pub member_id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// Its site.
    pub site_id: Uuid,
    /// First opening.
    pub opens_at: DateTime<Utc>,
    /// Last closing.
    pub due_at: DateTime<Utc>,
    /// Minutes at each of its places.
    pub minutes: i64,
}

/// What members hold at an instant, of any site.
///
/// # Errors
/// Those of the database.
pub async fn held(tx: &mut Tx, member_ids: &[Uuid], at: DateTime<Utc>) -> Result<Vec<HeldTask>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select c.member_id, t.id as task_id, t.site_id, t.opens_at, t.due_at, ceil(t.minutes::numeric / t.people)::bigint as minutes
           from claim c join task t on t.cooperative_id = c.cooperative_id and t.id = c.task_id
          where c.cooperative_id = $1 and c.member_id = any($2) and c.ended_at is null
            and t.state in ('open', 'held') and claim_comes_free_at(c.claimed_at, c.begun_at, t.due_at) > $3
          order by c.member_id, t.due_at, t.id",
    )
    .bind(cooperative_id)
    .bind(member_ids)
    .bind(at)
    .fetch_all(tx.connection())
    .await?)
}

/// Minutes of one member on one day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Share {
    /// The member.
    pub member_id: Uuid,
    /// The local day of the task.
    pub day: NaiveDate,
    /// `done`, `held` or `offered`.
    pub kind: String,
    /// Tasks.
    pub tasks: i64,
    /// Minutes, each place of a task its part.
    pub minutes: i64,
}

/// What members did, hold and are offered of the tasks of a site whose days lie in a period. Done is a
/// claim that ended with its task, less the parts that others did, or the minutes that its report told; a part
/// counts by its containers; a task that nobody held counts for whoever reported it, and so does work that a lead accepted: once where it
/// finished the task, and as additional work otherwise.
///
/// # Errors
/// Those of the database.
pub async fn shares(
    tx: &mut Tx,
    site_id: Uuid,
    from: NaiveDate,
    to: NaiveDate,
    at: DateTime<Utc>,
) -> Result<Vec<Share>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "with work as (
           select t.*, ceil(t.minutes::numeric / t.people)::bigint as each from task t
            where t.cooperative_id = $1 and t.site_id = $2 and t.day between $3 and $4
         ), part as (
           select t.id, r.member_id, t.day,
                  round(t.minutes * least(1, (r.outcome->>'containers')::numeric / (r.outcome->>'of_containers')::numeric))::bigint as minutes,
                  r.entered and (r.settled_at is null or t.recorded_done_at is null or r.settled_at < t.recorded_done_at) as of_task
             from work t join work_report r on r.cooperative_id = t.cooperative_id and r.task_id = t.id
            where r.state in ('counted', 'accepted') and not r.whole and (r.outcome->>'of_containers')::numeric > 0
         ), rest as (
           -- what the parts of a task left to those who finished it
           select t.id, greatest(0, t.each - coalesce(sum(p.minutes), 0) / t.people)::bigint as each
             from work t left join part p on p.id = t.id and p.of_task group by t.id, t.each, t.people
         ), counted as (
           select p.member_id, p.day, 'done' as kind, p.minutes as each from part p
           union all
           select c.member_id, t.day, 'done', coalesce((t.outcome->>'minutes')::bigint, l.each)
             from work t join rest l on l.id = t.id join claim c on c.cooperative_id = t.cooperative_id and c.task_id = t.id and c.end_kind = 'finished'
           union all
           select t.done_by, t.day, 'done', coalesce((t.outcome->>'minutes')::bigint, l.each) from work t join rest l on l.id = t.id
            where t.state = 'done' and t.done_by is not null
              and not exists (select from claim c where c.cooperative_id = t.cooperative_id and c.task_id = t.id and c.end_kind = 'finished')
           union all
           select r.member_id, t.day, 'done', coalesce((r.outcome->>'minutes')::bigint, t.each)
             from work t join work_report r on r.cooperative_id = t.cooperative_id and r.task_id = t.id and r.state = 'accepted'
            where (r.whole or r.outcome->>'of_containers' is null)
              -- the task that it finished counts already
              and not (r.entered and r.whole and t.state = 'done' and t.done_by = r.member_id and t.done_at = r.done_at)
           union all
           select h.who, t.day, h.kind, t.each
             from work t
             join claim c on c.cooperative_id = t.cooperative_id and c.task_id = t.id and c.ended_at is null
              and claim_comes_free_at(c.claimed_at, c.begun_at, t.due_at) > $5
             cross join lateral (values (c.member_id, 'held'), (c.offered_to, 'offered')) h (who, kind)
            where t.state in ('open', 'held') and h.who is not null
         )
         select member_id, day, kind, count(*) as tasks, sum(each)::bigint as minutes
           from counted group by member_id, day, kind order by member_id, day, kind",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(from)
    .bind(to)
    .bind(at)
    .fetch_all(tx.connection())
    .await?)
}

/// Names of members, also of those who have left.
///
/// # Errors
/// Those of the database.
pub async fn names(tx: &mut Tx, member_ids: &[Uuid]) -> Result<Vec<(Uuid, String)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select id, name from member where cooperative_id = $1 and id = any($2) order by id",
    )
    .bind(cooperative_id)
    .bind(member_ids)
    .fetch_all(tx.connection())
    .await?)
}
