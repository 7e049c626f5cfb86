//! Tasks and who may take them.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Actor, QualificationKind, Refusal, Role};

/// What is to be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TaskKind {
    /// Sow the containers.
    Sow,
    /// Mist what has not come up yet.
    Mist,
    /// See how much has come up, and thin where too much has.
    CheckGermination,
    /// Fill containers up before they reach their mark.
    TopUp,
    /// Measure pH and conductivity.
    Measure,
    /// Mix a batch of nutrient solution.
    Mix,
    /// Bring pH or strength back into its range.
    Adjust,
    /// Cut and weigh.
    Cut,
    /// Empty, clear and clean after the last cut.
    ClearAndClean,
    /// Turn containers round towards the light.
    Turn,
    /// Count what is on the shelf.
    Count,
    /// Pack trays into a delivery.
    Pack,
    /// Take a delivery to its recipient.
    Deliver,
    /// Anything else; its title says what.
    Other,
}

impl TaskKind {
    /// All kinds.
    pub const ALL: [TaskKind; 14] = [
        Self::Sow,
        Self::Mist,
        Self::CheckGermination,
        Self::TopUp,
        Self::Measure,
        Self::Mix,
        Self::Adjust,
        Self::Cut,
        Self::ClearAndClean,
        Self::Turn,
        Self::Count,
        Self::Pack,
        Self::Deliver,
        Self::Other,
    ];

    /// The name kept in the database and shown in the API.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Sow => "sow",
            Self::Mist => "mist",
            Self::CheckGermination => "check_germination",
            Self::TopUp => "top_up",
            Self::Measure => "measure",
            Self::Mix => "mix",
            Self::Adjust => "adjust",
            Self::Cut => "cut",
            Self::ClearAndClean => "clear_and_clean",
            Self::Turn => "turn",
            Self::Count => "count",
            Self::Pack => "pack",
            Self::Deliver => "deliver",
            Self::Other => "other",
        }
    }

    /// The kind of that name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }
}

/// Where a task stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TaskState {
    /// Somebody is still needed.
    Open,
    /// Every place of it is held.
    Held,
    /// Finished.
    Done,
    /// Its window passed.
    Missed,
    /// No longer needed, with a cause.
    Dropped,
}

impl TaskState {
    /// All states.
    pub const ALL: [TaskState; 5] = [
        Self::Open,
        Self::Held,
        Self::Done,
        Self::Missed,
        Self::Dropped,
    ];

    /// The name kept in the database and shown in the API.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Held => "held",
            Self::Done => "done",
            Self::Missed => "missed",
            Self::Dropped => "dropped",
        }
    }

    /// The state of that name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.as_str() == name)
    }
}

/// What a claim decision needs to know of a task.
#[derive(Debug, Clone)]
pub struct Claimable {
    /// The site of the task.
    pub site_id: Uuid,
    /// Its state.
    pub state: TaskState,
    /// The local day on which the work falls; a qualification must hold on it.
    pub day: NaiveDate,
    /// People needed.
    pub people: i32,
    /// Training needed.
    pub qualification: Option<QualificationKind>,
    /// Places held now: (place, member).
    pub held: Vec<(i32, Uuid)>,
}

/// Decides whether the member may claim the task, and which place of it they get: the lowest free one.
///
/// # Errors
/// The first rule that stands against it.
pub fn may_claim(task: &Claimable, member: &Actor) -> Result<i32, Refusal> {
    if !matches!(task.state, TaskState::Open | TaskState::Held) {
        return Err(Refusal::WrongState {
            what: "the task".into(),
            state: task.state.as_str().into(),
            step: "claimed".into(),
        });
    }
    if task
        .held
        .iter()
        .any(|(_, holder)| *holder == member.member_id)
    {
        return Err(Refusal::AlreadyYours);
    }
    if let Some(kind) = task.qualification
        && !member.is_qualified(kind, task.day)
    {
        return Err(Refusal::NeedsQualification { kind });
    }
    (1..=task.people)
        .find(|place| task.held.iter().all(|(taken, _)| taken != place))
        .ok_or(Refusal::TaskHeld)
}

/// How long a hold that was taken past the due time stays without being begun.
pub const LATE_HOLD: TimeDelta = TimeDelta::hours(2);

/// When a hold comes free unless it is begun: at the due time of the task, or, taken past that time, after
/// [`LATE_HOLD`]; never once it is begun. The function `claim_comes_free_at` of the database says the same.
pub fn comes_free_at(
    claimed_at: DateTime<Utc>,
    begun_at: Option<DateTime<Utc>>,
    due_at: DateTime<Utc>,
) -> Option<DateTime<Utc>> {
    let until = if claimed_at < due_at {
        due_at
    } else {
        claimed_at + LATE_HOLD
    };
    begun_at.is_none().then_some(until)
}

/// Whether a hold has come free by an instant.
pub fn came_free(
    claimed_at: DateTime<Utc>,
    begun_at: Option<DateTime<Utc>>,
    due_at: DateTime<Utc>,
    now: DateTime<Utc>,
) -> bool {
    comes_free_at(claimed_at, begun_at, due_at).is_some_and(|until| until <= now)
}

/// Whether the member works at the site of a task: coordinators everywhere, leads and volunteers at theirs.
pub fn works_at(member: &Actor, site_id: Uuid) -> bool {
    member.is_coordinator()
        || member.has_at(Role::Lead, site_id)
        || member.has_at(Role::Volunteer, site_id)
}
