//! Calendars that programs read by a secret address.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::{Result, Tx};

/// A feed that is in use.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct CalendarFeed {
    /// Its co-operative.
    pub cooperative_id: Uuid,
    /// Whose it is.
    pub member_id: Uuid,
    /// Hash of its secret.
    pub secret_hash: Vec<u8>,
    /// Whether tasks that somebody is still needed for are in it.
    pub with_open_tasks: bool,
}

/// Takes the feed of a member out of use; whether there was one.
///
/// # Errors
/// Those of the database.
pub async fn revoke(tx: &mut Tx, member_id: Uuid, now: DateTime<Utc>) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query(
        "update calendar_feed set revoked_at = $3 where cooperative_id = $1 and member_id = $2 and revoked_at is null",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .bind(now)
    .execute(tx.connection())
    .await?
    .rows_affected()
        > 0)
}

/// Adds a feed.
///
/// # Errors
/// Those of the database.
pub async fn insert(
    tx: &mut Tx,
    id: Uuid,
    member_id: Uuid,
    secret_hash: &[u8],
    with_open_tasks: bool,
    now: DateTime<Utc>,
) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into calendar_feed (id, cooperative_id, member_id, secret_hash, with_open_tasks, created_at) values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(member_id)
    .bind(secret_hash)
    .bind(with_open_tasks)
    .bind(now)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// The feed of this hash, if it is in use and its member has not left; system scope.
///
/// # Errors
/// Those of the database.
pub async fn of_hash(tx: &mut Tx, secret_hash: &[u8]) -> Result<Option<CalendarFeed>> {
    Ok(sqlx::query_as(
        "select f.cooperative_id, f.member_id, f.secret_hash, f.with_open_tasks
           from calendar_feed f join member m on m.cooperative_id = f.cooperative_id and m.id = f.member_id
          where f.secret_hash = $1 and f.revoked_at is null and m.retired_at is null",
    )
    .bind(secret_hash)
    .fetch_optional(tx.connection())
    .await?)
}

/// A task as a calendar shows it to one member.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct FeedTask {
    /// The task.
    pub id: Uuid,
    /// What is to be done.
    pub kind: String,
    /// What it is called.
    pub title: Option<String>,
    /// What else is to be known.
    pub note: String,
    /// Where.
    pub site_name: String,
    /// IANA zone there.
    pub zone: String,
    /// The station.
    pub station_name: Option<String>,
    /// The crop.
    pub crop_name: Option<String>,
    /// From when.
    pub opens_at: DateTime<Utc>,
    /// Until when.
    pub due_at: DateTime<Utc>,
    /// Where it stands.
    pub state: String,
    /// Whether the member holds a place of it now.
    pub mine: bool,
    /// Whether they held one and it was finished.
    pub finished: bool,
    /// Grows with every change of the task and of the member's claims on it.
    pub sequence: i64,
    /// The last of those changes.
    pub changed_at: DateTime<Utc>,
}

/// The tasks that a member holds or held, and, when asked for, those of their sites, whose windows end
/// after an instant and begin before another.
///
/// # Errors
/// Those of the database.
pub async fn tasks(
    tx: &mut Tx,
    member_id: Uuid,
    with_open_tasks: bool,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> Result<Vec<FeedTask>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select t.id, t.kind, t.title, t.note, e.name as site_name, e.zone, s.name as station_name, c.name as crop_name,
                t.opens_at, t.due_at, t.state, coalesce(h.mine, false) as mine, coalesce(h.finished, false) as finished,
                (t.version + coalesce(h.versions, 0))::bigint as sequence, greatest(t.updated_at, h.updated_at) as changed_at
           from task t
           join site e on e.cooperative_id = t.cooperative_id and e.id = t.site_id
           left join sowing w on w.cooperative_id = t.cooperative_id and w.id = t.sowing_id
           left join station s on s.cooperative_id = t.cooperative_id and s.id = coalesce(t.station_id, w.station_id)
           left join crop c on c.cooperative_id = t.cooperative_id and c.id = w.crop_id
           left join lateral (
             select bool_or(k.ended_at is null) as mine, bool_or(k.end_kind = 'finished') as finished,
                    sum(k.version) as versions, max(k.updated_at) as updated_at
               from claim k where k.cooperative_id = t.cooperative_id and k.task_id = t.id and k.member_id = $2) h on true
          where t.cooperative_id = $1 and t.due_at > $4 and t.opens_at < $5
            and (h.versions is not null
                 or ($3 and exists (select from role_grant g where g.cooperative_id = $1 and g.member_id = $2
                                      and (g.role = 'coordinator' or g.site_id = t.site_id) and g.role <> 'reader')))
          order by t.opens_at, t.id limit 2000",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .bind(with_open_tasks)
    .bind(from)
    .bind(to)
    .fetch_all(tx.connection())
    .await?)
}
