//! Mail to members: what waits, what was sent, and what each wants to hear.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A mail to be written down.
#[derive(Debug, Clone)]
pub struct NewNotice {
    /// To whom.
    pub member_id: Uuid,
    /// Of what kind.
    pub kind: &'static str,
    /// What it tells of; the same is never told twice.
    pub about: String,
    /// Its subject.
    pub subject: String,
    /// Its text, without the secret of a link.
    pub body: String,
    /// The link whose token is put in as it is sent.
    pub link_id: Option<Uuid>,
    /// Not before.
    pub due_at: DateTime<Utc>,
    /// Not after.
    pub expires_at: DateTime<Utc>,
}

/// Writes a mail down, unless the member was told the same before; whether it was written.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, cooperative_id: Uuid, new: &NewNotice) -> Result<bool> {
    Ok(sqlx::query(
        "insert into notice (id, cooperative_id, member_id, kind, about, subject, body, link_id, due_at, expires_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) on conflict on constraint notice_told_once do nothing",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(new.member_id)
    .bind(new.kind)
    .bind(&new.about)
    .bind(&new.subject)
    .bind(&new.body)
    .bind(new.link_id)
    .bind(new.due_at)
    .bind(new.expires_at)
    .execute(tx.connection())
    .await?
    .rows_affected()
        == 1)
}

/// A mail as it is shown.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Notice {
    /// The notice.
    pub id: Uuid,
    /// To whom.
    pub member_id: Uuid,
    /// Their name.
    pub member_name: String,
    /// Of what kind.
    pub kind: String,
    /// Its subject.
    pub subject: String,
    /// Its text, without the secret of a link.
    pub body: String,
    /// Whether a link is put in as it is sent.
    pub has_link: bool,
    /// `waiting`, `sending`, `sent`, `given_up`, `withdrawn` or `expired`.
    pub state: String,
    /// Not before.
    pub due_at: DateTime<Utc>,
    /// Not after.
    pub expires_at: DateTime<Utc>,
    /// How often it was tried.
    pub attempts: i32,
    /// Why it was not sent.
    pub failure: Option<String>,
    /// When it was sent.
    pub sent_at: Option<DateTime<Utc>>,
    /// When it was written.
    pub created_at: DateTime<Utc>,
}

/// Mails in the order of their writing, newest first; of one member where one is named.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    member_id: Option<Uuid>,
    now: DateTime<Utc>,
    page: Page,
) -> Result<Vec<Notice>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select n.id, n.member_id, m.name as member_name, n.kind, n.subject, n.body, n.link_id is not null as has_link,
                case when n.state = 'waiting' and n.expires_at <= $4 then 'expired' when n.state = 'leased' then 'sending' else n.state end as state,
                n.due_at, n.expires_at, n.attempts, n.failure, n.sent_at, n.created_at
           from notice n join member m on m.cooperative_id = n.cooperative_id and m.id = n.member_id
          where n.cooperative_id = $1 and ($2::uuid is null or n.member_id = $2) and ($3::uuid is null or n.id < $3)
          order by n.id desc limit $5",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .bind(page.after)
    .bind(now)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// What a member wants to hear, and when not.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct NoticeChoice {
    /// Kinds that are wanted.
    pub kinds: Vec<String>,
    /// Quiet from this time of day.
    pub quiet_from: Option<NaiveTime>,
    /// Until this.
    pub quiet_to: Option<NaiveTime>,
    /// IANA zone of both; that of their site where it is not said.
    pub zone: Option<String>,
    /// Minutes before its work at which a reminder comes.
    pub reminder_minutes_ahead: i32,
    /// Counts up with every change; 0 when nothing was chosen yet.
    pub version: i64,
}

/// The choice of a member, if they made one.
///
/// # Errors
/// Those of the database.
pub async fn choice(tx: &mut Tx, member_id: Uuid) -> Result<Option<NoticeChoice>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select kinds, quiet_from, quiet_to, zone, reminder_minutes_ahead, version from notice_choice
          where cooperative_id = $1 and member_id = $2 for no key update",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Keeps the choice of a member.
///
/// # Errors
/// Those of the database.
pub async fn choose(tx: &mut Tx, member_id: Uuid, choice: &NoticeChoice) -> Result<NoticeChoice> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into notice_choice (cooperative_id, member_id, kinds, quiet_from, quiet_to, zone, reminder_minutes_ahead) values ($1, $2, $3, $4, $5, $6, $7)
         on conflict (cooperative_id, member_id) do update set kinds = $3, quiet_from = $4, quiet_to = $5, zone = $6, reminder_minutes_ahead = $7
         returning kinds, quiet_from, quiet_to, zone, reminder_minutes_ahead, version",
    )
    .bind(cooperative_id)
    .bind(member_id)
    .bind(&choice.kinds)
    .bind(choice.quiet_from)
    .bind(choice.quiet_to)
    .bind(&choice.zone)
    .bind(choice.reminder_minutes_ahead)
    .fetch_one(tx.connection())
    .await?)
}

/// A mail that a worker holds, with what decides whether it goes out.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct LeasedNotice {
    /// The notice.
    pub id: Uuid,
    /// The hold on it.
    pub lease_id: Uuid,
    /// Co-operative of the member.
    pub cooperative_id: Uuid,
    /// To whom.
    pub member_id: Uuid,
    /// Of what kind.
    pub kind: String,
    /// What it tells of.
    pub about: String,
    /// Its subject.
    pub subject: String,
    /// Its text, without the secret of a link.
    pub body: String,
    /// The link whose token is put in.
    pub link_id: Option<Uuid>,
    /// Not after.
    pub expires_at: DateTime<Utc>,
    /// How often it was tried, this time included.
    pub attempts: i32,
    /// When it was written.
    pub created_at: DateTime<Utc>,
    /// Their address.
    pub email: String,
    /// Their name.
    pub member_name: String,
    /// Whether they have left.
    pub member_left: bool,
    /// Kinds that they chose, if they chose.
    pub kinds: Option<Vec<String>>,
    /// Their quiet hours.
    pub quiet_from: Option<NaiveTime>,
    /// Their end.
    pub quiet_to: Option<NaiveTime>,
    /// The zone of them.
    pub zone: Option<String>,
    /// Whether what it tells of still holds.
    pub still_true: bool,
}

/// Takes the mail that is due longest, or one whose lease ran out; system scope.
///
/// # Errors
/// Those of the database.
pub async fn lease(
    tx: &mut Tx,
    lease_id: Uuid,
    now: DateTime<Utc>,
    until: DateTime<Utc>,
) -> Result<Option<LeasedNotice>> {
    Ok(sqlx::query_as(
        "with taken as (
           update notice set state = 'leased', lease_id = $1, lease_until = $3, attempts = attempts + 1
            where id = (
              select id from notice
               where (state = 'waiting' and due_at <= $2) or (state = 'leased' and lease_until <= $2)
               order by due_at, id for update skip locked limit 1)
           returning *)
         select n.id, n.lease_id, n.cooperative_id, n.member_id, n.kind, n.about, n.subject, n.body, n.link_id, n.expires_at, n.attempts, n.created_at,
                m.email, m.name as member_name, m.retired_at is not null as member_left, c.kinds, c.quiet_from, c.quiet_to,
                coalesce(c.zone, (select s.zone from site s where s.cooperative_id = n.cooperative_id
                   order by not exists (select from role_grant g where g.cooperative_id = n.cooperative_id and g.member_id = n.member_id and g.site_id = s.id), s.id
                   limit 1)) as zone,
                case n.kind
                  when 'reminder' then exists (
                    select from claim h join task t on t.cooperative_id = h.cooperative_id and t.id = h.task_id
                     where h.cooperative_id = n.cooperative_id and h.id::text = split_part(n.about, ':', 2) and h.ended_at is null and h.begun_at is null and t.state in ('open', 'held'))
                  when 'task_free' then exists (
                    select from task t where t.cooperative_id = n.cooperative_id and t.id::text = split_part(n.about, ':', 2) and t.state = 'open')
                  when 'invitation' then exists (select from link_token l where l.cooperative_id = n.cooperative_id and l.id = n.link_id and l.used_at is null)
                  when 'password_reset' then exists (select from link_token l where l.cooperative_id = n.cooperative_id and l.id = n.link_id and l.used_at is null)
                  else true end as still_true
           from taken n
           join member m on m.cooperative_id = n.cooperative_id and m.id = n.member_id
           left join notice_choice c on c.cooperative_id = n.cooperative_id and c.member_id = n.member_id",
    )
    .bind(lease_id)
    .bind(now)
    .bind(until)
    .fetch_optional(tx.connection())
    .await?)
}

/// How the hold on a mail ends.
#[derive(Debug, Clone)]
pub enum NoticeEnd {
    /// The mail server took it.
    Sent(DateTime<Utc>),
    /// It is tried again.
    Again(DateTime<Utc>, String),
    /// It waits without having been tried.
    PutOff(DateTime<Utc>),
    /// It cannot be sent.
    GivenUp(String),
    /// Nobody needs it any more.
    Withdrawn(&'static str),
}

/// Ends the hold on a mail, if it is still the caller's; whether it was; system scope.
///
/// # Errors
/// Those of the database.
pub async fn end_lease(tx: &mut Tx, id: Uuid, lease_id: Uuid, end: &NoticeEnd) -> Result<bool> {
    let (state, due_at, failure, sent_at, untried) = match end {
        NoticeEnd::Sent(at) => ("sent", None, None, Some(*at), 0),
        NoticeEnd::Again(due, why) => ("waiting", Some(*due), Some(why.as_str()), None, 0),
        NoticeEnd::PutOff(due) => ("waiting", Some(*due), None, None, 1),
        NoticeEnd::GivenUp(why) => ("given_up", None, Some(why.as_str()), None, 0),
        NoticeEnd::Withdrawn(why) => ("withdrawn", None, Some(*why), None, 1),
    };
    Ok(sqlx::query(
        "update notice set state = $3, lease_id = null, lease_until = null, due_at = coalesce($4, due_at),
                failure = left($5, 500), sent_at = $6, attempts = attempts - $7
          where id = $1 and lease_id = $2 and state = 'leased'",
    )
    .bind(id)
    .bind(lease_id)
    .bind(state)
    .bind(due_at)
    .bind(failure)
    .bind(sent_at)
    .bind(untried)
    .execute(tx.connection())
    .await?
    .rows_affected()
        == 1)
}

/// A claim of whose task its holder was not reminded yet.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct ClaimAhead {
    /// The claim.
    pub claim_id: Uuid,
    /// Its co-operative.
    pub cooperative_id: Uuid,
    /// Its holder.
    pub member_id: Uuid,
    /// Since when.
    pub claimed_at: DateTime<Utc>,
    /// Whether somebody else gave it to them.
    pub given: bool,
    /// What is to be done.
    pub kind: String,
    /// What it is called.
    pub title: Option<String>,
    /// Where.
    pub site_name: String,
    /// The zone there.
    pub zone: String,
    /// From when.
    pub opens_at: DateTime<Utc>,
    /// Until when.
    pub due_at: DateTime<Utc>,
    /// How long ahead the holder chose to hear of it.
    pub reminder_minutes_ahead: Option<i32>,
}

/// Claims that were not begun, on tasks that are not due yet and open within a day of when their holder wants
/// to hear of it (`usual` minutes ahead for whoever chose nothing), of which nobody was reminded; in the order
/// of their ids, after one of them; system scope.
///
/// # Errors
/// Those of the database.
pub async fn claims_ahead(
    tx: &mut Tx,
    now: DateTime<Utc>,
    usual: i32,
    after: Option<Uuid>,
    most: i64,
) -> Result<Vec<ClaimAhead>> {
    Ok(sqlx::query_as(
        "select h.id as claim_id, h.cooperative_id, h.member_id, h.claimed_at,
                coalesce(h.assigned_by <> h.member_id, false) as given,
                t.kind, t.title, s.name as site_name, s.zone, t.opens_at, t.due_at, c.reminder_minutes_ahead
           from task t
           join claim h on h.cooperative_id = t.cooperative_id and h.task_id = t.id and h.ended_at is null and h.begun_at is null
           join site s on s.cooperative_id = t.cooperative_id and s.id = t.site_id
           left join notice_choice c on c.cooperative_id = h.cooperative_id and c.member_id = h.member_id
          where t.due_at > $1 and t.state in ('open', 'held')
            -- nobody hears of it more than a week ahead; a day is more than any clock is moved
            and t.opens_at <= $1 + interval '8 days'
            and t.opens_at <= $1 + make_interval(days => 1, mins => coalesce(c.reminder_minutes_ahead, $2))
            and ($3::uuid is null or h.id > $3)
            and not exists (select from notice n where n.cooperative_id = h.cooperative_id and n.member_id = h.member_id
                              and n.kind = 'reminder' and n.about = 'claim:' || h.id)
          order by h.id limit $4",
    )
    .bind(now)
    .bind(usual)
    .bind(after)
    .bind(most)
    .fetch_all(tx.connection())
    .await?)
}

/// Members with a role at a site who want to hear that a task there has come free.
///
/// # Errors
/// Those of the database.
pub async fn wanting_free_tasks(tx: &mut Tx, site_id: Uuid) -> Result<Vec<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select c.member_id from notice_choice c
           join member m on m.cooperative_id = c.cooperative_id and m.id = c.member_id and m.retired_at is null
          where c.cooperative_id = $1 and 'task_free' = any(c.kinds)
            and exists (select from role_grant g where g.cooperative_id = $1 and g.member_id = c.member_id
                          and (g.site_id = $2 or g.role = 'coordinator'))
          order by c.member_id",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Coordinators who have accepted and not left.
///
/// # Errors
/// Those of the database.
pub async fn coordinators(tx: &mut Tx) -> Result<Vec<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select distinct m.id from member m join role_grant g on g.cooperative_id = m.cooperative_id and g.member_id = m.id
          where m.cooperative_id = $1 and g.role = 'coordinator' and m.retired_at is null and m.password_hash is not null order by m.id",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

/// A co-operative that has a site.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct StockLook {
    /// The co-operative.
    pub cooperative_id: Uuid,
    /// The zone of its oldest site.
    pub zone: String,
    /// The last day on which it was told what runs low.
    pub looked_on: Option<NaiveDate>,
}

/// Every co-operative that has a site; system scope.
///
/// # Errors
/// Those of the database.
pub async fn stock_looks(tx: &mut Tx) -> Result<Vec<StockLook>> {
    Ok(sqlx::query_as(
        "select distinct on (s.cooperative_id) s.cooperative_id, s.zone, l.looked_on
           from site s left join low_stock_look l on l.cooperative_id = s.cooperative_id
          where s.retired_at is null order by s.cooperative_id, s.id",
    )
    .fetch_all(tx.connection())
    .await?)
}

/// Keeps that it was looked on a day at what runs low; `false` when somebody looked on that day or later.
/// Whoever does the same at the same moment waits for the end of the transaction.
///
/// # Errors
/// Those of the database.
pub async fn looked_at_stock(tx: &mut Tx, day: NaiveDate) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query(
        "insert into low_stock_look (cooperative_id, looked_on) values ($1, $2)
         on conflict (cooperative_id) do update set looked_on = $2 where low_stock_look.looked_on < $2",
    )
    .bind(cooperative_id)
    .bind(day)
    .execute(tx.connection())
    .await?
    .rows_affected()
        == 1)
}

/// A member for the week's summary.
#[derive(Debug, Clone, sqlx::FromRow)]
pub struct Summarised {
    /// Their co-operative.
    pub cooperative_id: Uuid,
    /// The member.
    pub member_id: Uuid,
    /// The zone in which their week begins.
    pub zone: String,
    /// Whether every site is theirs.
    pub is_coordinator: bool,
}

/// Members with work at a site, with the zone of their week; system scope.
///
/// # Errors
/// Those of the database.
pub async fn to_summarise(tx: &mut Tx, by_default: bool) -> Result<Vec<Summarised>> {
    Ok(sqlx::query_as(
        "select m.cooperative_id, m.id as member_id, coalesce(c.zone, z.zone) as zone, g.is_coordinator
           from member m
           join (select cooperative_id, member_id, bool_or(role = 'coordinator') as is_coordinator, min(site_id::text) as site
                   from role_grant where role <> 'reader' group by cooperative_id, member_id) g
             on g.cooperative_id = m.cooperative_id and g.member_id = m.id
           left join notice_choice c on c.cooperative_id = m.cooperative_id and c.member_id = m.id
           join lateral (select s.zone from site s where s.cooperative_id = m.cooperative_id and s.retired_at is null
                          order by s.id::text is distinct from g.site, s.id limit 1) z on true
          where m.retired_at is null and m.password_hash is not null
            and case when c.kinds is null then $1 else 'week_summary' = any(c.kinds) end",
    )
    .bind(by_default)
    .fetch_all(tx.connection())
    .await?)
}

/// Figures of a week for its summary.
#[derive(Debug, Clone, Copy, PartialEq, Eq, sqlx::FromRow)]
pub struct WeekFigures {
    /// Tasks of the member in the days ahead.
    pub mine: i64,
    /// Tasks in reach that somebody is still needed for.
    pub open: i64,
    /// Tasks in reach that were done in the days before.
    pub done: i64,
    /// Tasks in reach that were missed.
    pub missed: i64,
}

/// The figures of the days from one on and of as many before it, at the sites of the member; system
/// scope.
///
/// # Errors
/// Those of the database.
pub async fn week_figures(
    tx: &mut Tx,
    member: &Summarised,
    monday: NaiveDate,
) -> Result<WeekFigures> {
    Ok(sqlx::query_as(
        "select count(*) filter (where t.day >= $3 and t.state in ('open', 'held') and exists (
                  select from claim h where h.cooperative_id = t.cooperative_id and h.task_id = t.id and h.member_id = $2 and h.ended_at is null)) as mine,
                count(*) filter (where t.day >= $3 and t.state = 'open') as open,
                count(*) filter (where t.day < $3 and t.state = 'done') as done,
                count(*) filter (where t.day < $3 and t.state = 'missed') as missed
           from task t
          where t.cooperative_id = $1 and t.day >= $3 - 7 and t.day < $3 + 7
            and ($4 or exists (select from role_grant g where g.cooperative_id = $1 and g.member_id = $2 and g.site_id = t.site_id))",
    )
    .bind(member.cooperative_id)
    .bind(member.member_id)
    .bind(monday)
    .bind(member.is_coordinator)
    .fetch_one(tx.connection())
    .await?)
}
