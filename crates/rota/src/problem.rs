//! The problem and its answer.

use serde::{Deserialize, Serialize};

use crate::schedule::Work;

/// A stretch of time in whole minutes; the end is not part of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Span {
    /// First minute.
    pub from: i64,
    /// The minute after the last.
    pub to: i64,
}

/// A task with places to be given.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Task {
    /// Places to be given, each to another member.
    pub places: usize,
    /// Minutes of work at each place.
    pub minutes: i64,
    /// 0 for the most urgent class; classes are served in their order.
    pub urgency: usize,
    /// Tasks of one day carry the same number, those of other days others.
    pub day: i64,
    /// When the work can be done, in order and apart from one another.
    pub open: Vec<Span>,
    /// Members, by position, who may do it: they work there, are qualified and do not hold it yet.
    pub who: Vec<usize>,
}

/// A task that a member holds already.
pub type Held = Work;

/// A member who may be given tasks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Member {
    /// Minutes done and held that count towards the spread.
    pub minutes_before: i64,
    /// Free time, in order and apart from one another.
    pub free: Vec<Span>,
    /// Tasks that may be added to what they hold.
    pub most: usize,
    /// What they hold already, which takes its time.
    pub held: Vec<Held>,
}

/// Tasks and members.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Problem {
    /// The tasks.
    pub tasks: Vec<Task>,
    /// The members.
    pub members: Vec<Member>,
}

/// Who gets which task.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Answer {
    /// Task and member by position, in order.
    pub given: Vec<(usize, usize)>,
    /// Places covered in each class of urgency.
    pub covered: Vec<usize>,
    /// No answer covers more, class before class.
    pub most_covered: Vec<usize>,
    /// Sum of the squares of everybody's minutes, those before included.
    pub spread: i64,
    /// No answer that covers as much has a smaller one; `None` while more might be covered.
    pub least_spread: Option<i64>,
    /// Whether no other answer is better.
    pub proven: bool,
    /// Work done, in arcs of the networks that were looked at.
    pub work: u64,
}

impl Problem {
    /// Number of classes of urgency.
    pub(crate) fn classes(&self) -> usize {
        self.tasks
            .iter()
            .map(|task| task.urgency + 1)
            .max()
            .unwrap_or(0)
    }
}
