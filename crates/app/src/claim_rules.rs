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

/// What a member holds, against which any number of tasks are measured.
///
/// Tasks of one member share the hours in which they can be done: together they take no more minutes
/// than the site is open in any of them, so that a whole day may hold many tasks and two at a fixed time
/// never overlap. Work may be interrupted; a task longer than its window fills it.
pub(crate) struct Room {
    whose: Whose,
    most: i32,
    held: Vec<(HeldTask, Work)>,
    calendars: Calendars,
}

impl Room {
    /// Reads what the member holds, for tasks of some sites: as many queries for many tasks as for one.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn look(
        tx: &mut Tx,
        whose: Whose,
        sites: impl Iterator<Item = Uuid>,
        now: DateTime<Utc>,
    ) -> Result<Self> {
        Self::read(tx, whose, sites, false, now).await
    }

    /// The same for tasks that are to be held together.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn look_for_several(
        tx: &mut Tx,
        whose: Whose,
        sites: impl Iterator<Item = Uuid>,
        now: DateTime<Utc>,
    ) -> Result<Self> {
        Self::read(tx, whose, sites, true, now).await
    }

    async fn read(
        tx: &mut Tx,
        whose: Whose,
        sites: impl Iterator<Item = Uuid>,
        several: bool,
        now: DateTime<Utc>,
    ) -> Result<Self> {
        let held = rota::held(tx, &[whose.member_id], now).await?;
        let most = work_settings::get(tx).await?.most_claims;
        // who holds nothing has room for any one task, whenever a site is open
        let sites: Vec<Uuid> = match held.as_slice() {
            [] if !several => Vec::new(),
            held => held.iter().map(|each| each.site_id).chain(sites).collect(),
        };
        let calendars = Calendars::load(tx, sites.into_iter()).await?;
        let held = held
            .into_iter()
            .map(|each| work_of(&calendars, &each).map(|work| (each, work)))
            .collect::<Result<_>>()?;
        Ok(Self {
            whose,
            most,
            held,
            calendars,
        })
    }

    /// Why the member may not hold the task beside what they hold; `None` when they may.
    ///
    /// # Errors
    /// [`Error::NotFound`] for a task of a site that was not read.
    pub fn refusal(&self, task: &Task) -> Result<Option<Refusal>> {
        self.refusal_beside(&[], task)
    }

    /// Why the member may not hold all of some tasks at once, and which of them stands in the way; `None`
    /// when they may. Each counts as one, as it does when they are taken one after the other.
    ///
    /// # Errors
    /// [`Error::NotFound`] for a task of a site that was not read.
    pub fn refusal_of_all<'t>(&self, tasks: &[&'t Task]) -> Result<Option<(&'t Task, Refusal)>> {
        let mut taken = Vec::with_capacity(tasks.len());
        for task in tasks {
            if let Some(refusal) = self.refusal_beside(&taken, task)? {
                return Ok(Some((*task, refusal)));
            }
            let new = self.held_as(task);
            let work = work_of(&self.calendars, &new)?;
            taken.push((new, work));
        }
        Ok(None)
    }

    fn held_as(&self, task: &Task) -> HeldTask {
        HeldTask {
            member_id: self.whose.member_id,
            task_id: task.id,
            site_id: task.site_id,
            opens_at: task.opens_at,
            due_at: task.due_at,
            minutes: minutes_each(task),
        }
    }

    fn refusal_beside(&self, taken: &[(HeldTask, Work)], task: &Task) -> Result<Option<Refusal>> {
        let others: Vec<&(HeldTask, Work)> = self
            .held
            .iter()
            .chain(taken)
            .filter(|(held, _)| held.task_id != task.id)
            .collect();
        if others.len() >= usize::try_from(self.most).unwrap_or(usize::MAX) {
            return Ok(Some(Refusal::ClaimLimit {
                who: self.whose.called.clone(),
                most: self.most.into(),
            }));
        }
        let near = sharing_hours(task, others);
        if near.is_empty() {
            return Ok(None);
        }
        let own = work_of(&self.calendars, &self.held_as(task))?;
        let minutes = own.minutes;
        let held_minutes = near.iter().map(|(_, work)| work.minutes).sum();
        let mut works: Vec<Work> = near.into_iter().map(|(_, work)| work.clone()).collect();
        works.push(own);
        Ok((!fits(&works)).then(|| Refusal::ClaimsOverlap {
            who: self.whose.called.clone(),
            held_minutes,
            minutes,
        }))
    }
}

/// The member, whose row must be held, may hold the task beside what they hold.
///
/// # Errors
/// [`Refusal::ClaimLimit`], [`Refusal::ClaimsOverlap`].
pub(crate) async fn require_room(
    tx: &mut Tx,
    whose: &Whose,
    task: &Task,
    now: DateTime<Utc>,
) -> Result<()> {
    let sites = std::iter::once(task.site_id);
    let room = Room::look(tx, whose.clone(), sites, now).await?;
    match room.refusal(task)? {
        Some(refusal) => Err(refusal.into()),
        None => Ok(()),
    }
}

/// Minutes at each place of a task.
pub(crate) fn minutes_each(task: &Task) -> i64 {
    let people = i64::from(task.people.max(1));
    (i64::from(task.minutes) + people - 1) / people
}

/// Held tasks whose windows reach, one by the other, to that of the new one.
fn sharing_hours<'a>(new: &Task, mut held: Vec<&'a (HeldTask, Work)>) -> Vec<&'a (HeldTask, Work)> {
    let mut near = Vec::new();
    let (mut from, mut to) = (new.opens_at, new.due_at);
    loop {
        let (more, rest): (Vec<_>, Vec<_>) = held
            .into_iter()
            .partition(|(each, _)| each.opens_at < to && each.due_at > from);
        if more.is_empty() {
            return near;
        }
        for (each, _) in &more {
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
