//! A task that a site should have.

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_calendar::TaskWindow;
use cotyl_domain::QualificationKind;
use cotyl_domain::task::TaskKind;
use uuid::Uuid;

use crate::rule::RuleKey;

/// What work is about.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Subject {
    /// A sowing.
    pub sowing_id: Option<Uuid>,
    /// A station.
    pub station_id: Option<Uuid>,
    /// A batch.
    pub batch_id: Option<Uuid>,
    /// A recipient.
    pub recipient_id: Option<Uuid>,
}

/// How much a task is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wish {
    /// It should be there.
    Have,
    /// It stays if it is there and still to be done, but is not written anew: its day is past, or
    /// what it was for happened without it.
    Keep,
}

/// A task that a site should have.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WantedTask {
    /// What it is for, unique in a co-operative; the same whenever it is derived.
    pub occasion: String,
    /// The rule it comes from.
    pub rule: RuleKey,
    /// The work.
    pub kind: TaskKind,
    /// What it is about.
    pub subject: Subject,
    /// Which cut, for cutting; 0 for the others.
    pub cut_number: i32,
    /// When it can be done.
    pub window: TaskWindow,
    /// Minutes of all people together.
    pub minutes: i32,
    /// People needed.
    pub people: i32,
    /// Training needed.
    pub qualification: Option<QualificationKind>,
    /// When it counts as missed; `None` while the need lasts.
    pub missed_after: Option<DateTime<Utc>>,
    /// Containers to be seen to; 0 where that says nothing.
    pub containers: u32,
    /// Solution that it takes.
    pub microlitres: Option<i64>,
    /// The reading that it answers.
    pub reading_id: Option<Uuid>,
    /// How much it is wanted.
    pub wish: Wish,
    /// Needed by now: one that is there with a day up to today is not put off any more.
    pub pressing: bool,
}

/// Where work went that was to fall on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Placing {
    /// The rule it comes from.
    pub rule: RuleKey,
    /// What it is about.
    pub subject: Subject,
    /// The day on which it was to fall.
    pub nominal: NaiveDate,
    /// The day on which it falls; `None` where it cannot.
    pub placed: Option<NaiveDate>,
    /// Whether that is later than the crop can wait.
    pub too_late: bool,
}
