//! What keeps members from a task.

use serde::{Deserialize, Serialize};

use crate::problem::{Answer, Problem};
use crate::schedule::{Work, fits, in_both, length};

/// What keeps a member from a task, in the order in which it is looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Hindrance {
    /// They may not do it: another site, no qualification, or they hold it already.
    MayNot,
    /// Too little free time while it can be done.
    NotFree,
    /// They hold as many tasks as they may.
    AtLimit,
    /// What they hold already takes the time.
    Busy,
    /// They could do it, and their time goes to other tasks.
    NeededElsewhere,
}

/// What keeps the member from the task; `None` when they are given it.
#[must_use]
pub fn hindrance(
    problem: &Problem,
    answer: &Answer,
    task: usize,
    member: usize,
) -> Option<Hindrance> {
    let work = &problem.tasks[task];
    let who = &problem.members[member];
    if answer.given.contains(&(task, member)) {
        return None;
    }
    if !work.who.contains(&member) {
        return Some(Hindrance::MayNot);
    }
    let spans = in_both(&work.open, &who.free);
    if length(&spans) < work.minutes {
        return Some(Hindrance::NotFree);
    }
    if who.most == 0 {
        return Some(Hindrance::AtLimit);
    }
    let mut works = who.held.clone();
    works.push(Work {
        minutes: work.minutes,
        spans,
    });
    Some(if fits(&works) {
        Hindrance::NeededElsewhere
    } else {
        Hindrance::Busy
    })
}

/// Why places of the task stay free: what hinders the member who comes closest to doing it, so that no
/// other comes closer; `None` when all its places are given.
#[must_use]
pub fn why(problem: &Problem, answer: &Answer, task: usize) -> Option<Hindrance> {
    let given = answer
        .given
        .iter()
        .filter(|(each, _)| *each == task)
        .count();
    if given >= problem.tasks[task].places {
        return None;
    }
    (0..problem.members.len())
        .filter_map(|member| hindrance(problem, answer, task, member))
        .max()
        .or(Some(Hindrance::MayNot))
}
