//! What one member may hold at once: so many tasks, and no more than can be done in the open hours.

use chrono::{DateTime, Utc};
use cotyl_calendar::Interval;
use cotyl_domain::Refusal;
use cotyl_rota::{Span, Work, fits, length};
use cotyl_store::rota::{self, HeldTask};
use cotyl_store::tasks::Task;
use cotyl_store::{Tx, work_settings};
use uuid::Uuid;

use crate::calendars::{Calendars, span};
use crate::{Error, Result};

/// Whose claim it is, for words.
#[derive(Debug, Clone)]
pub(crate) struct Whose {
    /// The member.
    pub member_id: Uuid,
    /// What they are called in a refusal: "you" or a name.
    pub called: String,
}

impl Whose {
    /// The one who asks.
    pub fn own(member_id: Uuid) -> Self {
        Self {
            member_id,
            called: "you".into(),
        }
    }
}

/// The member, whose row must be held, may hold the task beside what they hold.
///
/// Tasks of one member share the hours in which they can be done: together they take no more minutes
/// than the site is open in any of them, so that a whole day may hold many tasks and two at a fixed time
/// never overlap. Work may be interrupted; a task longer than its window fills it.
///
/// # Errors
/// [`Refusal::ClaimLimit`], [`Refusal::ClaimsOverlap`].
pub(crate) async fn require_room(
    tx: &mut Tx,
    whose: &Whose,
    task: &Task,
    now: DateTime<Utc>,
) -> Result<()> {
    let mut held = rota::held(tx, &[whose.member_id], now).await?;
    held.retain(|other| other.task_id != task.id);
    let most = work_settings::get(tx).await?.most_claims;
    if held.len() >= usize::try_from(most).unwrap_or(usize::MAX) {
        return Err(Refusal::ClaimLimit {
            who: whose.called.clone(),
            most: most.into(),
        }
        .into());
    }
    let new = HeldTask {
        member_id: whose.member_id,
        task_id: task.id,
        site_id: task.site_id,
        opens_at: task.opens_at,
        due_at: task.due_at,
        minutes: minutes_each(task),
    };
    let near = sharing_hours(&new, held);
    let sites = near.iter().map(|each| each.site_id).chain([new.site_id]);
    let calendars = Calendars::load(tx, sites).await?;
    let mut works: Vec<Work> = near
        .iter()
        .map(|each| work_of(&calendars, each))
        .collect::<Result<_>>()?;
    let held_minutes = works.iter().map(|work| work.minutes).sum();
    let own = work_of(&calendars, &new)?;
    let minutes = own.minutes;
    works.push(own);
    if fits(&works) {
        return Ok(());
    }
    Err(Refusal::ClaimsOverlap {
        who: whose.called.clone(),
        held_minutes,
        minutes,
    }
    .into())
}

/// Minutes at each place of a task.
pub(crate) fn minutes_each(task: &Task) -> i64 {
    let people = i64::from(task.people.max(1));
    (i64::from(task.minutes) + people - 1) / people
}

/// Held tasks whose windows reach, one by the other, to that of the new one.
fn sharing_hours(new: &HeldTask, mut held: Vec<HeldTask>) -> Vec<HeldTask> {
    let mut near = Vec::new();
    let (mut from, mut to) = (new.opens_at, new.due_at);
    loop {
        let (more, rest): (Vec<_>, Vec<_>) = held
            .into_iter()
            .partition(|each| each.opens_at < to && each.due_at > from);
        if more.is_empty() {
            return near;
        }
        for each in &more {
            from = from.min(each.opens_at);
            to = to.max(each.due_at);
        }
        near.extend(more);
        held = rest;
    }
}

/// The work of a held task: in the open hours of its window, or in its window where it has none.
pub(crate) fn work_of(calendars: &Calendars, held: &HeldTask) -> Result<Work> {
    let mut spans = calendars
        .open_within(held.site_id, held.opens_at, held.due_at)
        .map_err(Error::internal)?;
    if spans.is_empty() {
        spans = vec![span(Interval {
            start: held.opens_at,
            end: held.due_at,
        })];
        spans.retain(|Span { from, to }| from < to);
    }
    Ok(Work {
        minutes: held.minutes.min(length(&spans)),
        spans,
    })
}
