//! Why a plan is as it is, and how it differs from another.

use cotyl_app::plans::answer::PlanSowing as AppSowing;
use cotyl_app::plans::{compare, explain};
use cotyl_domain::quantity::Mass;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::{DueSowing, PlanSowing, id, points, week};

/// Why the pledges that a plan leaves short are short.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanExplanation {
    /// The whole in words.
    pub summary: String,
    /// By week.
    pub short: Vec<ShortPledge>,
}

/// Why a pledge is short in a week.
#[derive(Debug, Serialize, ToSchema)]
pub struct ShortPledge {
    /// ISO week.
    #[schema(example = "2026-W44")]
    pub week: String,
    /// The pledge.
    pub pledge_id: Uuid,
    /// Who is to receive it.
    pub recipient_name: String,
    /// The crop or group.
    pub what: String,
    /// Pledged.
    pub pledged: Mass,
    /// What is missing.
    pub short: Mass,
    /// The reason in words.
    pub words: String,
    /// Ways of sowing that could deliver in that week.
    pub ways: usize,
    /// Ways in which nothing stands in the way of one batch more, or one container of a planned one.
    pub open_ways: usize,
    /// Limits that one batch more would break, the commonest first.
    pub causes: Vec<ShortCause>,
    /// When nothing can deliver: any one of these would have to give way. `closures`, `temperature`,
    /// `light`, `hold`, `start` or `method`.
    pub rules: Vec<String>,
}

/// A limit that stands in the way.
#[derive(Debug, Serialize, ToSchema)]
pub struct ShortCause {
    /// `places`, `minutes`, `mixing`, `stock`, `most_sowings` or `share`.
    #[schema(example = "places")]
    pub kind: String,
    /// Ways of sowing that it holds up.
    pub ways: usize,
    /// Ways that nothing else holds up.
    pub alone: usize,
    /// In words, with an example.
    pub words: String,
}

/// Which plans are compared.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ComparisonQuery {
    /// The first plan.
    pub first: Uuid,
    /// The second plan.
    pub second: Uuid,
}

/// How the second plan differs from the first.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanComparison {
    /// Every difference in a sentence: what was due and stays or had to be changed, what is sown
    /// otherwise, by day, then what pledges are sent.
    #[schema(example = json!(["2026-10-06: sow 6 instead of 4 lettuce at Lamp shelf (North school)"]))]
    pub words: Vec<String>,
    /// Sowings that were due when the second was made: left as they are, or changed and why.
    pub due: Vec<DueSowing>,
    /// Sowings that only the first has. What stands already by the other's record is no difference.
    pub only_first: Vec<PlanSowing>,
    /// Sowings that only the second has.
    pub only_second: Vec<PlanSowing>,
    /// Sowings of one crop at one station on one day that differ in containers or cuts.
    pub changed: Vec<ChangedBatch>,
    /// Weeks and pledges for which something else is expected.
    pub weeks: Vec<WeekDifference>,
    /// Points of the second less those of the first; below 0 when the second is better.
    pub objective_difference: f64,
}

/// Sowings that both plans have, but not alike.
#[derive(Debug, Serialize, ToSchema)]
pub struct ChangedBatch {
    /// In the first plan.
    pub first: Vec<PlanSowing>,
    /// In the second plan.
    pub second: Vec<PlanSowing>,
}

/// What a pledge is expected to be sent in a week.
#[derive(Debug, Serialize, ToSchema)]
pub struct WeekDifference {
    /// ISO week.
    #[schema(example = "2026-W44")]
    pub week: String,
    /// The pledge.
    pub pledge_id: Uuid,
    /// Who is to receive it.
    pub recipient_name: String,
    /// The crop or group.
    pub what: String,
    /// By the first plan.
    pub first: Mass,
    /// By the second plan.
    pub second: Mass,
}

impl From<explain::ShortPledge> for ShortPledge {
    fn from(short: explain::ShortPledge) -> Self {
        Self {
            week: week(short.monday),
            pledge_id: id(&short.pledge_id),
            recipient_name: short.recipient_name,
            what: short.what,
            pledged: Mass::of_milligrams(short.pledged_milligrams),
            short: Mass::of_milligrams(short.short_milligrams),
            words: short.words,
            ways: short.ways,
            open_ways: short.open_ways,
            causes: short
                .causes
                .into_iter()
                .map(|cause| ShortCause {
                    kind: cause.kind.to_owned(),
                    ways: cause.ways,
                    alone: cause.alone,
                    words: cause.words,
                })
                .collect(),
            rules: short
                .rules
                .iter()
                .map(|rule| rule.as_str().to_owned())
                .collect(),
        }
    }
}

impl From<compare::Comparison> for PlanComparison {
    fn from(found: compare::Comparison) -> Self {
        let sowings = |list: Vec<AppSowing>| list.into_iter().map(Into::into).collect();
        Self {
            words: found.words(),
            due: found.due.into_iter().map(Into::into).collect(),
            only_first: sowings(found.only_first),
            only_second: sowings(found.only_second),
            changed: found
                .changed
                .into_iter()
                .map(|batch| ChangedBatch {
                    first: sowings(batch.first),
                    second: sowings(batch.second),
                })
                .collect(),
            weeks: found
                .weeks
                .into_iter()
                .map(|cell| WeekDifference {
                    week: week(cell.monday),
                    pledge_id: id(&cell.pledge_id),
                    recipient_name: cell.recipient_name,
                    what: cell.what,
                    first: Mass::of_milligrams(cell.first_milligrams),
                    second: Mass::of_milligrams(cell.second_milligrams),
                })
                .collect(),
            objective_difference: points(found.objective_difference_e4),
        }
    }
}
