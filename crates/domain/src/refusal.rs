//! Why something that was asked for properly is not done: typed, with words a person can act on.

use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

use crate::quantity::{Mass, Volume};
use crate::role::QualificationKind;

/// A field of the input that cannot be accepted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FieldProblem {
    /// JSON pointer into the request body, or the name of a parameter.
    pub pointer: String,
    /// Stable word for the kind of problem.
    pub code: &'static str,
    /// What is wrong and what would be accepted.
    pub detail: String,
}

impl FieldProblem {
    /// A problem of one field.
    pub fn new(pointer: impl Into<String>, code: &'static str, detail: impl Into<String>) -> Self {
        Self {
            pointer: pointer.into(),
            code,
            detail: detail.into(),
        }
    }

    /// The problem seen from one level further out.
    pub fn under(mut self, prefix: &str) -> Self {
        self.pointer = format!("{prefix}{}", self.pointer);
        self
    }
}

/// A rule of the domain stands against the request as things are now.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// The name or address is already used.
    #[error("{what} is already taken")]
    Taken {
        /// What is taken, such as "a site of this name".
        what: String,
    },
    /// The record is retired.
    #[error("{what} is retired")]
    Retired {
        /// What is retired.
        what: String,
    },
    /// Something still refers to the record.
    #[error("{what} is still in use: {by}")]
    InUse {
        /// What cannot be retired.
        what: String,
        /// What refers to it.
        by: String,
    },
    /// More containers than places on some day.
    #[error("{used} containers in {places} places on at least one day")]
    StationFull {
        /// Containers and places out of use together.
        used: i64,
        /// Places of the station.
        places: i64,
    },
    /// The state does not allow the step.
    #[error("{what} is {state}, so it cannot be {step}")]
    WrongState {
        /// The record.
        what: String,
        /// Its present state.
        state: String,
        /// The step that was asked for.
        step: String,
    },
    /// Every place of the task is held.
    #[error("this task is already held by someone else")]
    TaskHeld,
    /// The same, for those who may know by whom.
    #[error("this task is already held by {}", .names.join(", "))]
    TaskHeldBy {
        /// Names of the holders.
        names: Vec<String>,
    },
    /// The member already holds a place of the task.
    #[error("you already hold this task")]
    AlreadyYours,
    /// The member holds as many tasks as they may.
    #[error(
        "{who} may hold no more tasks at once than {most}; one must be done or given back first"
    )]
    ClaimLimit {
        /// The member in words.
        who: String,
        /// The limit.
        most: i64,
    },
    /// The task cannot be done beside what the member holds already.
    #[error(
        "{who} cannot do this beside what is held already: {held_minutes} minutes are held in the same hours, this takes {minutes}, and there is no time for both"
    )]
    ClaimsOverlap {
        /// The member in words.
        who: String,
        /// Minutes held in the same hours.
        held_minutes: i64,
        /// Minutes of this task.
        minutes: i64,
    },
    /// Several tasks were asked for together, and something stands against one of them.
    #[error("{task}: {why}. They were asked for together, so nothing was changed")]
    OneOfSeveral {
        /// The task in words.
        task: String,
        /// Where the request names it.
        pointer: String,
        /// What stands against it.
        why: Box<Refusal>,
    },
    /// The task was not offered to the member.
    #[error("this task is not offered to you")]
    NotOffered,
    /// Some of the assignments cannot be made.
    #[error("nothing was assigned: {}", .why.join("; "))]
    NotAssignable {
        /// Each that cannot be made, and why.
        why: Vec<String>,
    },
    /// The member does not hold the task.
    #[error("you do not hold this task")]
    NotYours,
    /// The work needs training that the member does not have now.
    #[error("this work needs a current {} qualification", .kind.as_str().replace('_', " "))]
    NeedsQualification {
        /// The qualification.
        kind: QualificationKind,
    },
    /// The shelf of the site does not hold what a batch takes.
    #[error("the shelf does not hold what this takes: {}", .missing.join("; "))]
    ShortOfStock {
        /// Each thing that is missing, in words.
        missing: Vec<String>,
    },
    /// A dose needs a reading of the pH before it.
    #[error("read the pH before this dose: {why}")]
    ReadFirst {
        /// Why, and what would be accepted.
        why: String,
    },
    /// More solution than a batch holds.
    #[error("{asked_microlitres} uL were to go from a batch with {left_microlitres} uL left")]
    MoreThanLeft {
        /// What was to go.
        asked_microlitres: i64,
        /// What was there at that moment.
        left_microlitres: i64,
    },
    /// The plan was made from other data than what stands now.
    #[error("the plan was made before these changed: {}", .changed.join(", "))]
    StaleInputs {
        /// Nouns that changed since.
        changed: Vec<String>,
    },
    /// Another plan was adopted in the meantime.
    #[error("another plan was adopted at {at}")]
    PlanOvertaken {
        /// When the other was adopted.
        at: DateTime<Utc>,
    },
    /// The plan breaks a rule as things are now.
    #[error("the plan does not hold as things are now: {}", .why.join("; "))]
    PlanBroken {
        /// Rules that it breaks, in words.
        why: Vec<String>,
    },
    /// More would be delivered than was cut.
    #[error(
        "{delivered_milligrams} mg would have been delivered from a cut of {cut_milligrams} mg"
    )]
    MoreThanCut {
        /// Sum of the deliveries, with this one.
        delivered_milligrams: i64,
        /// Weight of the cut with its corrections.
        cut_milligrams: i64,
    },
    /// A cut would weigh far more than its containers can give.
    #[error(
        "cut {number} of this sowing would weigh {weighed} with its waste; {containers} containers of which {expected} in all is expected plausibly give at most {most}. If the scale is right, send it again with {how}"
    )]
    ImplausibleWeight {
        /// Which cut.
        number: i32,
        /// All its trays with their waste.
        weighed: Mass,
        /// Containers of the sowing.
        containers: i32,
        /// What is expected of all of them.
        expected: Mass,
        /// The bound.
        most: Mass,
        /// What makes the weight acceptable.
        how: &'static str,
    },
    /// A poor cut was to be handed over.
    #[error(
        "this cut came out poor: it is waste and goes into no delivery; if part of it is good, record that part as a cut of its own"
    )]
    PoorCut,
    /// A recall holds back some of what is to be handed over.
    #[error(
        "a recall holds back what comes from tray {}: do not hand it over, and let nobody eat it. Set it aside, apart from other food and labelled, and ask a coordinator. Once a lead or coordinator has corrected its lines to nothing, the rest can be handed over",
        .trays.join(", tray ")
    )]
    TraysWithheld {
        /// What is written on the trays that it came from.
        trays: Vec<String>,
    },
    /// A recall holds back a delivery as a whole.
    #[error(
        "a recall holds back this delivery, all that is in it: do not hand it over, and let nobody eat it. Set it aside, apart from other food and labelled, and ask a coordinator"
    )]
    DeliveryWithheld,
    /// The recipient says that something else came, and nobody has answered yet.
    #[error("an earlier dispute of this delivery is open; it must be answered first")]
    DisputeOpen,
    /// More is wanted than may be taken from a store.
    #[error(
        "{wanted} of {what} are wanted and {}{}",
        .usable.as_ref().map_or_else(
            || "there is not as much; how much there is stays hidden while a stock-taking is open".to_owned(),
            |usable| format!("{usable} may be used")
        ),
        .expired.as_ref().map(|left| format!("; {left} more have expired")).unwrap_or_default()
    )]
    NotEnoughStock {
        /// The item, or the lot.
        what: String,
        /// What is wanted.
        wanted: String,
        /// What may be used; `None` for whoever must not know it.
        usable: Option<String>,
        /// What lies there past its last day, if anything.
        expired: Option<String>,
    },
    /// Which lots something comes from would tell whoever counts them what the ledger says.
    #[error(
        "more than one lot of {what} would be taken from; while a stock-taking that hides the ledger is open, name the lot, one for each amount"
    )]
    NameTheLot {
        /// The item.
        what: String,
    },
    /// The store would hold less than nothing now, or would have held it at some time since.
    #[error("the store would hold less than nothing, at that time or at one since")]
    StoreBelowNothing,
    /// The lot is past its last day.
    #[error(
        "the lot {lot} expired on {last_day}; say expired_accepted with a reason to use it all the same"
    )]
    LotExpired {
        /// Its code.
        lot: String,
        /// Its last day.
        last_day: NaiveDate,
    },
    /// The movement was reversed before, or is itself a reversal.
    #[error("{why}")]
    NotReversible {
        /// Which of both.
        why: String,
    },
    /// A stock-taking is open at the site.
    #[error("a stock-taking is open at this site; go on with it, or post or drop it first")]
    CountOpen,
    /// What was counted cannot be true with what was taken out since.
    #[error("lot {lot}: {why}")]
    CountContradicted {
        /// Its code.
        lot: String,
        /// What contradicts it, and what to do.
        why: String,
    },
    /// More would be poured into containers than they may be filled with.
    #[error(
        "{wanted} in each container would raise it from {level}; it may be filled to {highest}, so at most {may_add} can be added: {why}. Source: {rule_source}. If the level is lower than that, read it and write it down"
    )]
    PastRefillLimit {
        /// Liquid in a container now.
        level: Volume,
        /// What was to be poured into each.
        wanted: Volume,
        /// The highest level.
        highest: Volume,
        /// What can be added to each.
        may_add: Volume,
        /// The reason.
        why: &'static str,
        /// Where the rule comes from.
        rule_source: &'static str,
    },
    /// A day lies outside what the rule allows.
    #[error("{what} may not be {day}: {why}")]
    DayNotAllowed {
        /// The field in words.
        what: String,
        /// The day that was given.
        day: NaiveDate,
        /// The rule.
        why: String,
    },
    /// What a late report tells can no longer be entered in the records.
    #[error(
        "what this report tells cannot be entered: {why}. {remedy}Otherwise accept it with minutes_only, so that only its minutes count, or set it aside with a reason"
    )]
    NotEntered {
        /// The code of what stands against it.
        cause: &'static str,
        /// The same in words.
        why: String,
        /// What else can be done: nothing, or a sentence and a space.
        remedy: &'static str,
    },
    /// Without this member nobody could coordinate.
    #[error("this is the last coordinator who can sign in; give somebody else the role first")]
    LastCoordinator,
    /// The same idempotency key came with another request.
    #[error("this idempotency key was used for another request")]
    KeyReused,
    /// A limit on how much may be asked for at once.
    #[error("{what} may be at most {most}")]
    TooMuch {
        /// What is limited.
        what: String,
        /// The limit.
        most: i64,
    },
}

impl Refusal {
    /// Stable word of the refusal, the last part of the problem type in the API.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Taken { .. } => "taken",
            Self::Retired { .. } => "retired",
            Self::InUse { .. } => "in-use",
            Self::StationFull { .. } => "station-full",
            Self::WrongState { .. } => "wrong-state",
            Self::TaskHeld | Self::TaskHeldBy { .. } => "task-held",
            Self::AlreadyYours => "already-yours",
            Self::ClaimLimit { .. } => "claim-limit",
            Self::ClaimsOverlap { .. } => "claims-overlap",
            Self::OneOfSeveral { why, .. } => why.code(),
            Self::NotOffered => "not-offered",
            Self::NotAssignable { .. } => "not-assignable",
            Self::NotYours => "not-yours",
            Self::NeedsQualification { .. } => "needs-qualification",
            Self::ShortOfStock { .. } => "short-of-stock",
            Self::ReadFirst { .. } => "read-first",
            Self::MoreThanLeft { .. } => "more-than-left",
            Self::StaleInputs { .. } => "stale-inputs",
            Self::PlanOvertaken { .. } => "plan-overtaken",
            Self::PlanBroken { .. } => "plan-broken",
            Self::MoreThanCut { .. } => "more-than-cut",
            Self::ImplausibleWeight { .. } => "implausible-weight",
            Self::PoorCut => "poor-cut",
            Self::TraysWithheld { .. } | Self::DeliveryWithheld => "withheld",
            Self::DisputeOpen => "dispute-open",
            Self::NotEnoughStock { .. } => "not-enough-stock",
            Self::NameTheLot { .. } => "name-the-lot",
            Self::StoreBelowNothing => "store-below-nothing",
            Self::LotExpired { .. } => "lot-expired",
            Self::NotReversible { .. } => "not-reversible",
            Self::CountOpen => "count-open",
            Self::CountContradicted { .. } => "count-contradicted",
            Self::PastRefillLimit { .. } => "past-refill-limit",
            Self::DayNotAllowed { .. } => "day-not-allowed",
            Self::NotEntered { .. } => "not-entered",
            Self::LastCoordinator => "last-coordinator",
            Self::KeyReused => "key-reused",
            Self::TooMuch { .. } => "too-much",
        }
    }
}
