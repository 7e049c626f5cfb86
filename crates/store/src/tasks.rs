//! Tasks, and the claims on them.

mod batch_mates;
mod changes;

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_domain::QualificationKind;
use cotyl_domain::task::{TaskKind, TaskState, came_free};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sqlx::postgres::PgRow;
use sqlx::types::Json;
use sqlx::{FromRow, Postgres, QueryBuilder, Row as _};
use uuid::Uuid;

use crate::{Error, Result, Tx};

pub use batch_mates::{lock_of_sowings, of_batch_mates};
pub use changes::{
    Done, TaskFields, TaskSubject, Window, drop_of_sowing, finish, finish_of_sowing, hold, insert,
    open_again, packed_as,
};

/// A task with everything that people need to know of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Task {
    /// The task.
    pub id: Uuid,
    /// Its site.
    pub site_id: Uuid,
    /// Name of the site.
    pub site_name: String,
    /// IANA time zone of the site.
    pub zone: String,
    /// What is to be done.
    pub kind: String,
    /// What it answers, such as `sowing:<id>:cut:2`: no two tasks of a co-operative answer the same.
    pub occasion: String,
    /// What it is called where its kind does not say it.
    pub title: Option<String>,
    /// What else is to be known.
    pub note: String,
    /// The sowing it belongs to.
    pub sowing_id: Option<Uuid>,
    /// Which cut, for cutting; 0 for the others.
    pub cut_number: i32,
    /// The station; that of the sowing, where it has one.
    pub station_id: Option<Uuid>,
    /// Name of the station.
    pub station_name: Option<String>,
    /// `passive` or `aerated`.
    pub method: Option<String>,
    /// The crop.
    pub crop_id: Option<Uuid>,
    /// Name of the crop.
    pub crop_name: Option<String>,
    /// Containers of the sowing.
    pub containers: Option<i32>,
    /// The day on which the sowing was sown, or is to be.
    #[serde(default)]
    pub sow_day: Option<NaiveDate>,
    /// The days of the cuts of the sowing, as planned.
    #[serde(default)]
    pub planned_cuts: Vec<NaiveDate>,
    /// The batch it belongs to.
    pub batch_id: Option<Uuid>,
    /// The stock item it is about.
    pub stock_item_id: Option<Uuid>,
    /// The recipient it is for.
    pub recipient_id: Option<Uuid>,
    /// Name of the recipient.
    pub recipient_name: Option<String>,
    /// Figures of the work.
    pub detail: Value,
    /// The local day on which the work falls.
    pub day: NaiveDate,
    /// First opening of that day.
    pub opens_at: DateTime<Utc>,
    /// Last closing of that day.
    pub due_at: DateTime<Utc>,
    /// People needed.
    pub people: i32,
    /// Expected minutes of work of all people together.
    pub minutes: i32,
    /// Training needed.
    pub qualification: Option<String>,
    /// Where it stands.
    pub state: String,
    /// Why it was dropped.
    pub cause: Option<String>,
    /// When it counts as missed, if it is not done by then.
    pub missed_after: Option<DateTime<Utc>>,
    /// What was done, as told at the end.
    pub outcome: Option<Value>,
    /// When it was done, by the clock of the one who did it.
    pub done_at: Option<DateTime<Utc>>,
    /// When the server heard of it.
    pub recorded_done_at: Option<DateTime<Utc>>,
    /// Who reported it done.
    pub done_by: Option<Uuid>,
    /// Counts up with every change.
    pub version: i64,
    /// Who holds places of it now.
    pub holders: Json<Vec<Holder>>,
}

/// In the order of the columns of [`SELECT`]: looking up each by its name, row by row, was much of the
/// time that a list took.
impl FromRow<'_, PgRow> for Task {
    fn from_row(row: &PgRow) -> std::result::Result<Self, sqlx::Error> {
        let mut column = 0..;
        macro_rules! next {
            () => {
                row.try_get(column.next().unwrap_or(usize::MAX))?
            };
        }
        Ok(Self {
            id: next!(),
            site_id: next!(),
            site_name: next!(),
            zone: next!(),
            kind: next!(),
            occasion: next!(),
            title: next!(),
            note: next!(),
            sowing_id: next!(),
            cut_number: next!(),
            station_id: next!(),
            station_name: next!(),
            method: next!(),
            crop_id: next!(),
            crop_name: next!(),
            containers: next!(),
            sow_day: next!(),
            planned_cuts: next!(),
            batch_id: next!(),
            stock_item_id: next!(),
            recipient_id: next!(),
            recipient_name: next!(),
            detail: next!(),
            day: next!(),
            opens_at: next!(),
            due_at: next!(),
            people: next!(),
            minutes: next!(),
            qualification: next!(),
            state: next!(),
            cause: next!(),
            missed_after: next!(),
            outcome: next!(),
            done_at: next!(),
            recorded_done_at: next!(),
            done_by: next!(),
            version: next!(),
            holders: next!(),
        })
    }
}

impl Task {
    /// Leaves out the holds that came free by an instant, as if they had been ended by then.
    pub fn see_at(&mut self, now: DateTime<Utc>) {
        if !matches!(self.state.as_str(), "open" | "held") {
            return;
        }
        let due_at = self.due_at;
        let before = self.holders.len();
        self.holders
            .retain(|holder| !came_free(holder.claimed_at, holder.begun_at, due_at, now));
        if self.holders.len() < before {
            self.state = TaskState::Open.as_str().to_owned();
        }
    }

    /// What is to be done.
    ///
    /// # Errors
    /// [`Error::Unreadable`] for a kind that this version does not know.
    pub fn kind(&self) -> Result<TaskKind> {
        TaskKind::parse(&self.kind)
            .ok_or_else(|| Error::Unreadable(format!("task kind {}", self.kind)))
    }

    /// Where it stands.
    ///
    /// # Errors
    /// [`Error::Unreadable`] for a state that this version does not know.
    pub fn state(&self) -> Result<TaskState> {
        TaskState::parse(&self.state)
            .ok_or_else(|| Error::Unreadable(format!("task state {}", self.state)))
    }

    /// Training needed.
    ///
    /// # Errors
    /// [`Error::Unreadable`] for a qualification that this version does not know.
    pub fn qualification(&self) -> Result<Option<QualificationKind>> {
        self.qualification
            .as_deref()
            .map(|name| {
                QualificationKind::parse(name)
                    .ok_or_else(|| Error::Unreadable(format!("qualification {name}")))
            })
            .transpose()
    }
}

/// Who holds a place of a task.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Holder {
    /// The member.
    pub member_id: Uuid,
    /// Their name.
    pub name: String,
    /// The place.
    pub place: i32,
    /// Since when.
    pub claimed_at: DateTime<Utc>,
    /// When they said that they are at it.
    #[serde(default)]
    pub begun_at: Option<DateTime<Utc>>,
    /// Who gave them the task, where they did not take it themselves.
    #[serde(default)]
    pub assigned_by: Option<Uuid>,
    /// Their name.
    #[serde(default)]
    pub assigned_by_name: Option<String>,
    /// Whom they offer it to.
    #[serde(default)]
    pub offered_to: Option<Uuid>,
}

/// Which tasks are listed. What is left out does not narrow the list.
#[derive(Debug, Clone, Default)]
pub struct TaskFilter {
    /// Of this sowing.
    pub sowing_id: Option<Uuid>,
    /// Of these sites.
    pub sites: Option<Vec<Uuid>>,
    /// In one of these states.
    pub states: Option<Vec<TaskState>>,
    /// Of this kind.
    pub kind: Option<TaskKind>,
    /// From this moment on: on a later local day, or not yet due at the instant.
    pub from: Option<Moment>,
    /// Up to this moment: on an earlier local day, or open by the instant.
    pub to: Option<Moment>,
    /// Held by this member.
    pub held_by: Option<Uuid>,
    /// Offered to this member.
    pub offered_to: Option<Uuid>,
    /// As things stand at this instant: holds that were not begun in time count no more.
    pub seen_at: Option<DateTime<Utc>>,
}

/// A local day, or an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moment {
    /// The whole day by the clock of each site.
    Day(NaiveDate),
    /// An instant.
    Instant(DateTime<Utc>),
}

/// One page of tasks, in the order in which they are due.
#[derive(Debug, Clone, Copy)]
pub struct TaskPage {
    /// The last task of the page before: when it is due, and its id.
    pub after: Option<(DateTime<Utc>, Uuid)>,
    /// Most tasks; `None` for all, inside the program, never from a request.
    pub limit: Option<i64>,
}

impl TaskPage {
    /// Every task, for use inside the program; never from a request.
    pub const ALL: TaskPage = TaskPage {
        after: None,
        limit: None,
    };
}

/// Everything that people need to know of the tasks chosen between the two parts.
const SELECT: &str = "select t.id, t.site_id, e.name as site_name, e.zone, t.kind, t.occasion, t.title, t.note, t.sowing_id, t.cut_number,
        s.id as station_id, s.name as station_name, s.method, w.crop_id, c.name as crop_name, w.containers,
        coalesce(w.sown_on, w.sow_on) as sow_day, coalesce(w.planned_cuts, '{}') as planned_cuts,
        t.batch_id, t.stock_item_id, t.recipient_id, r.name as recipient_name, t.detail, t.day, t.opens_at, t.due_at, t.people, t.minutes, t.qualification, t.state,
        t.cause, t.missed_after, t.outcome, t.done_at, t.recorded_done_at, t.done_by, t.version,
        coalesce((select jsonb_agg(jsonb_build_object('member_id', h.member_id, 'name', m.name, 'place', h.place, 'claimed_at', h.claimed_at,
                            'begun_at', h.begun_at, 'assigned_by', h.assigned_by, 'assigned_by_name', a.name, 'offered_to', h.offered_to) order by h.place)
                    from claim h join member m on m.cooperative_id = h.cooperative_id and m.id = h.member_id
                    left join member a on a.cooperative_id = h.cooperative_id and a.id = h.assigned_by
                   where h.task_id = t.id and h.ended_at is null), '[]') as holders
   from (select * from task where cooperative_id = ";
const JOINS: &str = ") t
   join site e on e.cooperative_id = t.cooperative_id and e.id = t.site_id
   left join sowing w on w.cooperative_id = t.cooperative_id and w.id = t.sowing_id
   left join station s on s.cooperative_id = t.cooperative_id and s.id = coalesce(t.station_id, w.station_id)
   left join recipient r on r.cooperative_id = t.cooperative_id and r.id = t.recipient_id
   left join crop c on c.cooperative_id = t.cooperative_id and c.id = w.crop_id
  order by t.due_at, t.id";

/// Tasks by the instant at which they are due, then by id.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, filter: &TaskFilter, page: TaskPage) -> Result<Vec<Task>> {
    Ok(selection(tx.cooperative_id(), filter, page)
        .build_query_as()
        .fetch_all(tx.connection())
        .await?)
}

/// The statement that lists tasks.
///
/// It names only what narrows the list, and states and limit as literals: PostgreSQL then keeps one
/// plan on the index of what is to do, where a statement for all filters is planned for each request.
/// The page is chosen before anything is joined to it.
fn selection(cooperative_id: Uuid, filter: &TaskFilter, page: TaskPage) -> QueryBuilder<Postgres> {
    let mut query = QueryBuilder::new(SELECT);
    query.push_bind(cooperative_id);
    if let Some(sowing_id) = filter.sowing_id {
        query.push(" and sowing_id = ").push_bind(sowing_id);
    }
    match filter.sites.as_deref() {
        None => {}
        Some([site_id]) => {
            query.push(" and site_id = ").push_bind(*site_id);
        }
        Some(sites) => {
            query.push(" and site_id = any(").push_bind(sites.to_vec());
            query.push(")");
        }
    }
    push_states(&mut query, filter);
    if let Some(kind) = filter.kind {
        query.push(format!(" and kind = '{}'", kind.as_str()));
    }
    match filter.from {
        None => {}
        Some(Moment::Day(day)) => {
            query.push(" and day >= ").push_bind(day);
        }
        Some(Moment::Instant(instant)) => {
            query.push(" and due_at >= ").push_bind(instant);
        }
    }
    match filter.to {
        None => {}
        Some(Moment::Day(day)) => {
            query.push(" and day <= ").push_bind(day);
        }
        Some(Moment::Instant(instant)) => {
            query.push(" and opens_at <= ").push_bind(instant);
        }
    }
    for (column, member_id) in [
        ("member_id", filter.held_by),
        ("offered_to", filter.offered_to),
    ] {
        let Some(member_id) = member_id else { continue };
        query.push(format!(
            " and exists (select from claim h where h.task_id = task.id and h.{column} = "
        ));
        query.push_bind(member_id).push(" and h.ended_at is null");
        if let Some(at) = filter.seen_at {
            query.push(" and (task.state not in ('open', 'held') or claim_comes_free_at(h.claimed_at, h.begun_at, task.due_at) > ");
            query.push_bind(at).push(")");
        }
        query.push(")");
    }
    if let Some((due_at, id)) = page.after {
        query.push(" and (due_at, id) > (").push_bind(due_at);
        query.push(", ").push_bind(id).push(")");
    }
    query.push(" order by due_at, id");
    if let Some(limit) = page.limit {
        query.push(format!(" limit {limit}"));
    }
    query.push(JOINS);
    query
}

/// The states asked for, as things stand at the instant of the filter.
fn push_states(query: &mut QueryBuilder<Postgres>, filter: &TaskFilter) {
    if let Some(states) = &filter.states {
        // names of the enumeration, so nothing of a request stands in the statement
        match (states.as_slice(), filter.seen_at) {
            ([TaskState::Open], Some(at)) => {
                query.push(" and state in ('open', 'held') and (state = 'open' or");
                push_came_free(query, at).push(")");
            }
            ([TaskState::Held], Some(at)) => {
                query.push(" and state = 'held' and not");
                push_came_free(query, at);
            }
            _ => {
                let names: Vec<_> = states.iter().map(|state| state.as_str()).collect();
                query.push(format!(" and state = any('{{{}}}')", names.join(",")));
            }
        }
    }
}

/// Whether a hold of the task came free by an instant.
fn push_came_free(
    query: &mut QueryBuilder<Postgres>,
    at: DateTime<Utc>,
) -> &mut QueryBuilder<Postgres> {
    query.push(
        " exists (select from claim h where h.task_id = task.id and h.ended_at is null
            and claim_comes_free_at(h.claimed_at, h.begun_at, task.due_at) <= ",
    );
    query.push_bind(at).push(")")
}

/// One task.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Task>> {
    let mut query = QueryBuilder::new(SELECT);
    query.push_bind(tx.cooperative_id());
    query.push(" and id = ").push_bind(id).push(JOINS);
    Ok(query
        .build_query_as()
        .fetch_optional(tx.connection())
        .await?)
}

/// One task, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<Task>> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("select from task where cooperative_id = $1 and id = $2 for no key update")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    get(tx, id).await
}

/// Keeps whether every place of a task is held.
///
/// # Errors
/// Those of the database.
pub async fn set_state(tx: &mut Tx, id: Uuid, state: TaskState) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update task set state = $3 where cooperative_id = $1 and id = $2 and state is distinct from $3")
        .bind(cooperative_id)
        .bind(id)
        .bind(state.as_str())
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Whether a cut of the sowing was weighed under this number, and when first.
///
/// # Errors
/// Those of the database.
pub async fn weighed_on(tx: &mut Tx, sowing_id: Uuid, number: i32) -> Result<Option<NaiveDate>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select min(cut_on) from cut where cooperative_id = $1 and sowing_id = $2 and number = $3",
    )
    .bind(cooperative_id)
    .bind(sowing_id)
    .bind(number)
    .fetch_one(tx.connection())
    .await?)
}
