//! What to change so that the tasks that are there become those that are wanted.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_domain::QualificationKind;
use cotyl_domain::task::TaskState;
use uuid::Uuid;

use crate::rule::{RuleBook, RuleKey};
use crate::wanted::{WantedTask, Wish};

/// A task that is there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Present {
    /// The task.
    pub id: Uuid,
    /// What it is for.
    pub occasion: String,
    /// Where it stands.
    pub state: TaskState,
    /// Whether somebody holds a place of it.
    pub claimed: bool,
    /// Whether somebody who holds it said that they are at it.
    pub begun: bool,
    /// Whether it was dropped because it was no longer wanted, not by somebody.
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
    pub qualification: Option<QualificationKind>,
    /// When it counts as missed.
    pub missed_after: Option<DateTime<Utc>>,
    /// Containers to be seen to.
    pub containers: u32,
    /// Solution that it takes.
    pub microlitres: Option<i64>,
}

/// What to change.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Changes<'a> {
    /// Tasks to be written.
    pub insert: Vec<&'a WantedTask>,
    /// Tasks that are still to be done and get another day or other figures.
    pub change: Vec<(Uuid, &'a WantedTask)>,
    /// Tasks that were missed or dropped and are to be done again.
    pub reopen: Vec<(Uuid, &'a WantedTask)>,
    /// Tasks that are no longer wanted, with the cause.
    pub drop: Vec<(Uuid, String)>,
    /// Tasks whose time is over.
    pub miss: Vec<Uuid>,
}

impl Changes<'_> {
    /// Whether there is nothing to change.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.insert.is_empty()
            && self.change.is_empty()
            && self.reopen.is_empty()
            && self.drop.is_empty()
            && self.miss.is_empty()
    }
}

/// Whether an occasion is one that rules bring. Work that comes again by agreement, and work that
/// somebody wrote down by hand, has others and is left alone.
#[must_use]
pub fn is_derived(occasion: &str) -> bool {
    RuleKey::of_occasion(occasion).is_some_and(|key| {
        let of = occasion.split(':').next().unwrap_or_default();
        match key {
            RuleKey::Measure | RuleKey::Turn => of == "station",
            RuleKey::Adjust => of == "station" || of == "sowing",
            RuleKey::Mix | RuleKey::ReadBatch => of == "batch",
            RuleKey::Count => of == "stock",
            RuleKey::Pack | RuleKey::Deliver => of == "recipient",
            _ => of == "sowing",
        }
    })
}

/// Whether an occasion is a step of a sowing, which follows in the transaction that changes it.
#[must_use]
pub fn is_step(occasion: &str) -> bool {
    is_derived(occasion)
        && matches!(
            RuleKey::of_occasion(occasion),
            Some(
                RuleKey::Sow
                    | RuleKey::Mist
                    | RuleKey::CheckGermination
                    | RuleKey::Cut
                    | RuleKey::ClearAndClean
            )
        )
}

/// Compares what is there with what is wanted.
///
/// A task claimed for today stays where it is while its cause holds and the site is open on it:
/// whoever took it may be on the way. One that was begun, or is claimed for today, stays, too, when its
/// cause is answered by the work itself: it is for whoever is at it to say that it is done.
#[must_use]
pub fn reconcile<'a>(
    rules: &RuleBook,
    present: &[Present],
    wanted: &'a [WantedTask],
    today: NaiveDate,
    open_today: bool,
    now: DateTime<Utc>,
) -> Changes<'a> {
    let there: HashMap<&str, &Present> = present
        .iter()
        .map(|task| (task.occasion.as_str(), task))
        .collect();
    let asked: HashMap<&str, &WantedTask> = wanted
        .iter()
        .map(|task| (task.occasion.as_str(), task))
        .collect();
    let mut changes = Changes::default();
    for task in wanted {
        match there.get(task.occasion.as_str()) {
            None if task.wish == Wish::Have && !is_over(task, now) => changes.insert.push(task),
            None => {}
            Some(present) => {
                let stays = present.claimed && present.day == today && open_today;
                settle(&mut changes, present, task, stays, today, now);
            }
        }
    }
    for present in present {
        let to_do = matches!(present.state, TaskState::Open | TaskState::Held);
        if !to_do || !is_derived(&present.occasion) || asked.contains_key(present.occasion.as_str())
        {
            continue;
        }
        let at_it = present.begun || (present.claimed && present.day == today);
        if present.missed_after.is_some_and(|after| after <= now) {
            changes.miss.push(present.id);
        } else if !(at_it && is_ended_by_doing(&present.occasion)) {
            changes
                .drop
                .push((present.id, why_gone(rules, &present.occasion)));
        }
    }
    changes
}

fn is_over(task: &WantedTask, now: DateTime<Utc>) -> bool {
    task.missed_after.is_some_and(|after| after <= now)
}

/// Whether doing the work ends its cause before anybody says that it is done: a batch is begun, a tray
/// is packed, a stock-taking is posted. Such work stays with whoever is at it.
fn is_ended_by_doing(occasion: &str) -> bool {
    match RuleKey::of_occasion(occasion) {
        Some(
            RuleKey::TopUp
            | RuleKey::Measure
            | RuleKey::Adjust
            | RuleKey::Mix
            | RuleKey::ReadBatch
            | RuleKey::Count
            | RuleKey::Pack
            | RuleKey::Deliver,
        ) => true,
        Some(
            RuleKey::Sow
            | RuleKey::Mist
            | RuleKey::CheckGermination
            | RuleKey::Turn
            | RuleKey::Cut
            | RuleKey::ClearAndClean,
        )
        | None => false,
    }
}

/// A task that is both there and wanted.
fn settle<'a>(
    changes: &mut Changes<'a>,
    present: &Present,
    task: &'a WantedTask,
    stays: bool,
    today: NaiveDate,
    now: DateTime<Utc>,
) {
    match present.state {
        TaskState::Done => {}
        TaskState::Dropped if !present.dropped_by_rules => {}
        TaskState::Missed | TaskState::Dropped => {
            if task.wish == Wish::Have && !is_over(task, now) {
                changes.reopen.push((present.id, task));
            }
        }
        TaskState::Open | TaskState::Held => {
            // needed by now and not put off: it is late from the day on which it was due
            let due_already =
                task.pressing && present.day <= today && task.window.day >= present.day;
            if stays || due_already {
                if present.missed_after.is_some_and(|after| after <= now) {
                    changes.miss.push(present.id);
                }
            } else if is_over(task, now) {
                changes.miss.push(present.id);
            } else if differs(present, task) {
                changes.change.push((present.id, task));
            }
        }
    }
}

fn differs(present: &Present, task: &WantedTask) -> bool {
    (
        present.day,
        present.opens_at,
        present.due_at,
        present.minutes,
        present.people,
        present.qualification,
        present.missed_after,
        present.containers,
        present.microlitres,
    ) != (
        task.window.day,
        task.window.opens,
        task.window.closes,
        task.minutes,
        task.people,
        task.qualification,
        task.missed_after,
        task.containers,
        task.microlitres,
    )
}

/// Why work is no longer wanted.
fn why_gone(rules: &RuleBook, occasion: &str) -> String {
    let Some(key) = RuleKey::of_occasion(occasion) else {
        return "no longer needed".to_owned();
    };
    if !rules.get(key).enabled {
        return "the rule for this work is switched off".to_owned();
    }
    match key {
        RuleKey::Mist => "nothing is to be kept moist on that day",
        RuleKey::TopUp => "the level is not expected to fall below its mark, or was topped up",
        RuleKey::Measure => "nothing stands there, or it was measured already",
        RuleKey::Turn => "nothing stands there on that day",
        RuleKey::Adjust => "a later reading is within the range",
        RuleKey::Mix => "the solution at the site suffices",
        RuleKey::ReadBatch => "the batch is no longer being mixed",
        RuleKey::Count => "the store was counted",
        RuleKey::Pack | RuleKey::Deliver => {
            "nothing is to be delivered on that day, or it was packed or delivered already"
        }
        RuleKey::Sow | RuleKey::CheckGermination | RuleKey::Cut | RuleKey::ClearAndClean => {
            "the sowing has gone on without it, or the site is closed on that day"
        }
    }
    .to_owned()
}
