//! Tasks that go alongside each other: one errand for whoever comes, told, taken and done together.

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_domain::task::TaskKind;
use cotyl_store::Tx;
use cotyl_store::tasks::{self, Task};
use cotyl_work::{Errand, Finishing, Portion, TaskFacts, alongside};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::tasks::TaskForMember;
use crate::{App, Result};

/// A task that goes alongside another, with what is to be known of its sowing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Beside {
    /// The task.
    pub task_id: Uuid,
    /// Its sowing.
    pub sowing_id: Option<Uuid>,
    /// Containers of the sowing.
    pub containers: i32,
    /// The days of its cuts, as planned.
    pub cuts_on: Vec<NaiveDate>,
}

impl Beside {
    fn of(task: &Task) -> Self {
        Self {
            task_id: task.id,
            sowing_id: task.sowing_id,
            containers: task.containers.unwrap_or_default(),
            cuts_on: task.planned_cuts.clone(),
        }
    }

    /// What whoever does the work is told of it.
    pub fn portion(&self) -> Portion<'_> {
        Portion {
            containers: self.containers,
            cuts_on: &self.cuts_on,
        }
    }
}

impl TaskForMember {
    /// The task and those alongside it, in the order of their ids; empty for one that goes alone.
    pub fn together(&self) -> Vec<Beside> {
        if self.alongside.is_empty() {
            return Vec::new();
        }
        let mut all = self.alongside.clone();
        all.push(Beside::of(&self.task));
        all.sort_by_key(|each| each.task_id);
        all
    }
}

impl App {
    /// Tells of each task which go alongside it, within what is to be done on its day.
    pub(crate) async fn tell_alongside(
        &self,
        tx: &mut Tx,
        seen: &mut [TaskForMember],
    ) -> Result<()> {
        let of_batches = || {
            seen.iter().filter(|each| {
                let kind = TaskKind::parse(&each.task.kind);
                matches!(each.task.state.as_str(), "open" | "held")
                    && kind.is_some_and(|kind| Finishing::of(kind).is_some())
            })
        };
        let sowing_ids: Vec<Uuid> = of_batches().filter_map(|it| it.task.sowing_id).collect();
        if sowing_ids.is_empty() {
            return Ok(());
        }
        let mut days: Vec<NaiveDate> = of_batches().map(|each| each.task.day).collect();
        days.sort_unstable();
        days.dedup();
        let others = tasks::of_batch_mates(tx, &sowing_ids, &days).await?;
        tell_among(seen, others, self.clock().now())
    }
}

/// Tells of each task which go alongside it among these and some others.
///
/// # Errors
/// For a task that this version cannot read.
pub(crate) fn tell_among(
    seen: &mut [TaskForMember],
    mut others: Vec<Task>,
    now: DateTime<Utc>,
) -> Result<()> {
    for other in &mut others {
        other.see_at(now);
    }
    let mut facts = Vec::with_capacity(seen.len() + others.len());
    for task in seen.iter().map(|each| &each.task).chain(&others) {
        facts.push(facts_of(task)?);
    }
    let groups = alongside(&facts);
    if groups.is_empty() {
        return Ok(());
    }
    let told: std::collections::BTreeMap<Uuid, Beside> = seen
        .iter()
        .map(|each| &each.task)
        .chain(&others)
        .map(|task| (task.id, Beside::of(task)))
        .collect();
    for each in seen {
        let ids = groups.get(&each.task.id).into_iter().flatten();
        each.alongside = ids.filter_map(|id| told.get(id).cloned()).collect();
    }
    Ok(())
}

/// What work a task is, of which batch and when; `None` for one that goes alongside none.
///
/// # Errors
/// For a task that this version cannot read.
pub(crate) fn errand_of(task: &Task) -> Result<Option<Errand>> {
    Ok(Errand::of(&facts_of(task)?))
}

/// A task in words, as far as they tell it apart from those that go alongside it.
pub(crate) fn named(task: &Task) -> String {
    let kind = task.kind.replace('_', " ");
    let crop = task.crop_name.as_deref().unwrap_or_default();
    let station = task.station_name.as_deref().unwrap_or_default();
    let containers = match task.containers {
        Some(1) => " (1 container)".to_owned(),
        Some(containers) => format!(" ({containers} containers)"),
        None => String::new(),
    };
    format!("{kind} {crop} at {station} on {}{containers}", task.day)
}

fn facts_of(task: &Task) -> Result<TaskFacts<'_>> {
    Ok(TaskFacts {
        id: task.id,
        kind: task.kind()?,
        occasion: &task.occasion,
        state: task.state()?,
        site_id: task.site_id,
        station_id: task.station_id,
        crop_id: task.crop_id,
        sow_day: task.sow_day,
        cut_number: task.cut_number,
        day: task.day,
        opens_at: task.opens_at,
        due_at: task.due_at,
        people: task.people,
        qualification: task.qualification()?,
        holders: task
            .holders
            .iter()
            .map(|holder| (holder.member_id, holder.offered_to))
            .collect(),
    })
}
