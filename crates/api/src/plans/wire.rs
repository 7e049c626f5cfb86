//! What plans look like on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::plans::answer::{KeptAnswer, PlanSowing as AppSowing, PlanWeek as AppWeek};
use cotyl_app::records;
use cotyl_calendar::IsoWeek;
use cotyl_domain::quantity::Mass;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::problem::Problem;

mod explained;
mod goods;
mod outlook;

pub use explained::{ComparisonQuery, PlanComparison, PlanExplanation};
use goods::{PlanPurchase, cost_cents, to_buy};
pub(super) use outlook::DueSowing;
use outlook::{PlanMargin, PlanRemedy, PledgeChance, likelihood};

/// Seconds of solving when nothing is asked for.
const USUAL_SECONDS: i32 = 60;

/// What a plan is asked for with.
#[derive(Debug, Deserialize, ToSchema)]
pub struct PlanInput {
    /// Its name.
    #[schema(example = "Autumn term")]
    pub name: String,
    /// First ISO week that is planned; not over yet.
    #[schema(example = "2026-W40")]
    pub first_week: String,
    /// Weeks that are planned, 1 to 60. Plan one longest growing time past the last pledge that
    /// matters: nothing is sown that could not be cut within them.
    #[schema(minimum = 1, maximum = 60, example = 16)]
    pub weeks: i32,
    /// Seed of the search; 1 when left out. The same seed, work and data give the same plan.
    #[schema(minimum = 0)]
    pub seed: Option<i64>,
    /// Search moves; what suits the size of the co-operative when left out.
    #[schema(minimum = 1, maximum = 20000000)]
    pub work_limit: Option<i64>,
    /// Longest solving in seconds, 1 to 300; 60 when left out. It only ends a search earlier.
    #[schema(minimum = 1, maximum = 300)]
    pub time_limit_seconds: Option<i32>,
    /// The chance, in thousandths, with which every weekly pledge is to be met, 500 to 990. More is
    /// then sown, spread over more sowings. Left out, pledges are met in the mean: about every second
    /// week turns out short by something.
    #[schema(minimum = 500, maximum = 990, example = 900)]
    pub wanted_chance_permille: Option<i32>,
    /// Whether the plan keeps to what is on the shelves and on order until what is ordered today can be
    /// there; `true` when left out. An item that the store of a site has never held is no limit there.
    /// With `false` it is planned as if everything were at hand; what is to be bought is told either way.
    #[schema(example = true)]
    pub count_stock: Option<bool>,
}

/// How far the solving of a plan has come.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanProgress {
    /// Points of the best plan so far; fewer are better. A gram short counts at least one point.
    pub objective: Option<f64>,
    /// No plan can have fewer points than this.
    pub bound: Option<f64>,
    /// Points between the two for each gram pledged.
    pub gap: Option<f64>,
    /// Search moves made.
    pub work_done: u64,
    /// Search moves that are to be made.
    pub work: u64,
}

/// A plan without its sowings.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanHead {
    /// The plan.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// First ISO week.
    #[schema(example = "2026-W40")]
    pub first_week: String,
    /// Weeks that are planned.
    pub weeks: i32,
    /// Seed of the search.
    pub seed: i64,
    /// Search moves; `null` for what suits the size.
    pub work_limit: Option<i64>,
    /// Longest solving in seconds.
    pub time_limit_seconds: i32,
    /// The chance, in thousandths, with which every weekly pledge is to be met; `null` for in the
    /// mean.
    pub wanted_chance_permille: Option<i32>,
    /// Whether it keeps to what is on the shelves and on order until new goods can be there.
    pub count_stock: bool,
    /// `waiting`, `solving`, `solved`, `failed` or `cancelled`.
    #[schema(example = "solved")]
    pub status: String,
    /// `draft`, `adopted`, `superseded` or `withdrawn`.
    #[schema(example = "draft")]
    pub state: String,
    /// Whether someone asked for the solving to be stopped.
    pub cancel_requested: bool,
    /// How far the solving has come.
    pub progress: Option<PlanProgress>,
    /// Why there is no answer.
    pub failure: Option<String>,
    /// Who asked for it.
    pub requested_by: Uuid,
    /// When it was asked for.
    pub created_at: DateTime<Utc>,
    /// When it was solved.
    pub solved_at: Option<DateTime<Utc>>,
    /// When it was adopted.
    pub adopted_at: Option<DateTime<Utc>>,
}

/// A plan with its answer.
#[derive(Debug, Serialize, ToSchema)]
pub struct Plan {
    /// The plan.
    #[serde(flatten)]
    pub head: PlanHead,
    /// Whether something that it was made from has changed since. What is on the shelves and on order
    /// changes with every day's work and does not count: the shopping list tells what is to be bought now.
    pub stale: bool,
    /// Kinds of records of which something changed.
    pub changed_inputs: Vec<String>,
    /// The answer, once it is solved.
    pub result: Option<PlanResult>,
}

/// What a plan says.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanResult {
    /// The plan in a few sentences.
    pub summary: String,
    /// Points; fewer are better. A gram short counts at least one point.
    pub objective: f64,
    /// No plan can have fewer points than this.
    pub bound: f64,
    /// Points between the two for each gram pledged; `null` when nothing is pledged.
    pub gap_per_pledged_gram: Option<f64>,
    /// Whether the search came to its own end.
    pub complete: bool,
    /// Pledged in all weeks.
    pub pledged: Mass,
    /// Expected to be sent to pledges.
    pub expected: Mass,
    /// Pledged and not expected.
    pub short: Mass,
    /// Expected and pledged to nobody.
    pub surplus: Mass,
    /// Containers sown.
    pub containers: i64,
    /// Containers by which it differs from the plan in force when it was made.
    pub containers_changed: i64,
    /// Minutes of work, that of sowings that stand already included.
    pub work_minutes: f64,
    /// What every pledge is expected to be sent.
    pub weeks: Vec<PlanWeek>,
    /// Seasons that were drawn for the chances of the weeks. Germination, weights and days scatter by
    /// the crops' profiles; sowings at one station have part of their luck in common. Weather that
    /// all sites have in common, and harm to a whole station, are not in it.
    pub seasons: usize,
    /// What the wanted chance came to; `null` when none was asked for.
    pub margin: Option<PlanMargin>,
    /// The cheapest changes to the co-operative that would help, at most five. Each was tried by
    /// solving again, one change at a time, and says what it takes; what brings less than a tenth of
    /// what the most helpful one brings is left out. In this order: what takes work alone, by points
    /// gained for each point of work; then days of opening, litres of solution, goods, places, light, within
    /// each by the weight gained for each unit. Of one kind at most two are told while another helps,
    /// too.
    pub remedies: Vec<PlanRemedy>,
    /// Sowings that were due when the plan was made: left as they are, or changed and why.
    pub due: Vec<DueSowing>,
    /// What is sown, by day.
    pub sowings: Vec<PlanSowing>,
    /// What is to be bought, by the last day to order: what these sowings and those that stand need by the
    /// arithmetic of the shopping list, less what was at hand and on order when the plan was made.
    pub purchases: Vec<PlanPurchase>,
    /// What they cost as far as prices are known; `null` when none is.
    pub purchases_cost_cents: Option<i64>,
    /// Remarks.
    pub notes: Vec<String>,
}

/// A pledge in one week.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanWeek {
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
    /// Expected to be sent.
    pub expected: Mass,
    /// What is missing.
    pub short: Mass,
    /// How likely it is to be met; `null` for plans solved before chances were kept.
    pub chance: Option<PledgeChance>,
}

/// A sowing of a plan.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanSowing {
    /// Its site.
    pub site_id: Uuid,
    /// Name of the site.
    pub site_name: String,
    /// Its station.
    pub station_id: Uuid,
    /// Name of the station.
    pub station_name: String,
    /// Its crop.
    pub crop_id: Uuid,
    /// Name of the crop.
    pub crop_name: String,
    /// How many.
    pub containers: i64,
    /// Day of sowing.
    pub sow_on: NaiveDate,
    /// The places are free again from this day.
    pub free_on: NaiveDate,
    /// Its cuts.
    pub cuts: Vec<PlanCut>,
    /// Expected of all cuts together.
    pub expected: Mass,
}

/// A cut of a plan.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanCut {
    /// When.
    pub day: NaiveDate,
    /// Expected weight, whole sowing.
    pub expected: Mass,
}

/// How a plan is adopted.
#[derive(Debug, Deserialize, ToSchema)]
pub struct AdoptionInput {
    /// Whether the plan is adopted although something that it was made from has changed. It must
    /// still keep every rule.
    #[serde(default)]
    pub accept_changed_inputs: bool,
}

fn week(monday: NaiveDate) -> String {
    IsoWeek::of(monday).map_or_else(|_| monday.to_string(), |week| week.to_string())
}

fn points(e4: i64) -> f64 {
    e4 as f64 / 1e4
}

/// Ids in an answer are those of records.
fn id(text: &str) -> Uuid {
    text.parse().unwrap_or_default()
}

impl TryFrom<PlanInput> for records::PlanFields {
    type Error = Problem;

    fn try_from(input: PlanInput) -> Result<Self, Problem> {
        let first_week: IsoWeek =
            input
                .first_week
                .parse()
                .map_err(|fault: cotyl_calendar::IsoWeekError| {
                    Problem::field("/first_week", "format", fault.to_string())
                })?;
        if input.work_limit == Some(0) {
            return Err(Problem::field("/work_limit", "range", "must be at least 1"));
        }
        Ok(Self {
            name: input.name,
            first_monday: first_week.monday(),
            weeks: input.weeks,
            seed: input.seed.unwrap_or(1),
            work_limit: input.work_limit.unwrap_or(0),
            time_limit_seconds: input.time_limit_seconds.unwrap_or(USUAL_SECONDS),
            wanted_chance_permille: input.wanted_chance_permille,
            count_stock: input.count_stock.unwrap_or(true),
        })
    }
}

#[derive(Deserialize)]
struct KeptProgress {
    objective: Option<f64>,
    bound: Option<f64>,
    work_done: u64,
    work: u64,
    pledged_grams: f64,
}

impl From<KeptProgress> for PlanProgress {
    fn from(kept: KeptProgress) -> Self {
        let gap = match (kept.objective, kept.bound) {
            (Some(objective), Some(bound)) if kept.pledged_grams > 0.0 => {
                Some((objective - bound).max(0.0) / kept.pledged_grams)
            }
            _ => None,
        };
        Self {
            objective: kept.objective,
            bound: kept.bound,
            gap,
            work_done: kept.work_done,
            work: kept.work,
        }
    }
}

impl From<records::Plan> for PlanHead {
    fn from(plan: records::Plan) -> Self {
        let progress = plan
            .progress
            .and_then(|kept| serde_json::from_value::<KeptProgress>(kept).ok());
        Self {
            id: plan.id,
            name: plan.fields.name,
            first_week: week(plan.fields.first_monday),
            weeks: plan.fields.weeks,
            seed: plan.fields.seed,
            work_limit: Some(plan.fields.work_limit).filter(|work| *work > 0),
            time_limit_seconds: plan.fields.time_limit_seconds,
            wanted_chance_permille: plan.fields.wanted_chance_permille,
            count_stock: plan.fields.count_stock,
            status: plan.solving,
            state: plan.state,
            cancel_requested: plan.cancel_requested,
            progress: progress.map(Into::into),
            failure: plan.failure,
            requested_by: plan.requested_by,
            created_at: plan.created_at,
            solved_at: plan.solved_at,
            adopted_at: plan.adopted_at,
        }
    }
}

impl From<AppSowing> for PlanSowing {
    fn from(sowing: AppSowing) -> Self {
        Self {
            site_id: id(&sowing.site_id),
            site_name: sowing.site_name,
            station_id: id(&sowing.station_id),
            station_name: sowing.station_name,
            crop_id: id(&sowing.crop_id),
            crop_name: sowing.crop_name,
            containers: sowing.containers,
            sow_on: sowing.sow_on,
            free_on: sowing.free_on,
            expected: Mass::of_milligrams(sowing.cuts.iter().map(|cut| cut.milligrams).sum()),
            cuts: sowing
                .cuts
                .into_iter()
                .map(|cut| PlanCut {
                    day: cut.day,
                    expected: Mass::of_milligrams(cut.milligrams),
                })
                .collect(),
        }
    }
}

impl From<AppWeek> for PlanWeek {
    fn from(cell: AppWeek) -> Self {
        Self {
            week: week(cell.monday),
            pledge_id: id(&cell.pledge_id),
            pledged: Mass::of_milligrams(cell.pledged_milligrams),
            expected: Mass::of_milligrams(cell.expected_milligrams),
            short: Mass::of_milligrams(cell.short_milligrams()),
            recipient_name: cell.recipient_name,
            what: cell.what,
            chance: cell.chance.map(Into::into),
        }
    }
}

impl From<KeptAnswer> for PlanResult {
    fn from(answer: KeptAnswer) -> Self {
        let totals = answer.totals;
        let grams = totals.pledged_milligrams as f64 / 1000.0;
        let gap = points(answer.objective_e4 - answer.bound_e4).max(0.0);
        let purchases_cost_cents = cost_cents(&answer);
        let mut notes = answer.notes.clone();
        notes.extend(answer.store_notes.iter().map(|(_, note)| note.clone()));
        Self {
            summary: summary(&answer),
            objective: points(answer.objective_e4),
            bound: points(answer.bound_e4),
            gap_per_pledged_gram: (grams > 0.0).then(|| gap / grams),
            complete: answer.complete,
            pledged: Mass::of_milligrams(totals.pledged_milligrams),
            expected: Mass::of_milligrams(totals.expected_milligrams),
            short: Mass::of_milligrams(totals.short_milligrams),
            surplus: Mass::of_milligrams(totals.surplus_milligrams),
            containers: totals.containers,
            containers_changed: totals.containers_changed,
            work_minutes: totals.minutes_tenths as f64 / 10.0,
            weeks: answer.weeks.into_iter().map(Into::into).collect(),
            seasons: answer.seasons,
            margin: answer.margin.map(Into::into),
            remedies: answer.remedies.into_iter().map(Into::into).collect(),
            due: answer.due.into_iter().map(Into::into).collect(),
            sowings: answer.sowings.into_iter().map(Into::into).collect(),
            purchases_cost_cents,
            purchases: answer.purchases.into_iter().map(Into::into).collect(),
            notes,
        }
    }
}

/// The plan in a few sentences.
fn summary(answer: &KeptAnswer) -> String {
    let totals = answer.totals;
    let kilograms = |milligrams: i64| format!("{:.2} kg", milligrams as f64 / 1e6);
    if totals.pledged_milligrams == 0 {
        return "Nothing is pledged in these weeks, so nothing is to be sown.".to_owned();
    }
    let short = answer
        .weeks
        .iter()
        .filter(|cell| cell.short_milligrams() > 0)
        .count();
    let mut text = format!(
        "Of {} pledged, {} are expected: {:.0} %. ",
        kilograms(totals.pledged_milligrams),
        kilograms(totals.expected_milligrams),
        100.0 * totals.expected_milligrams as f64 / totals.pledged_milligrams as f64,
    );
    text += &if short == 0 {
        "No pledge of any week is expected to be short. ".to_owned()
    } else {
        format!(
            "{short} of {} weekly pledges are expected to be short. ",
            answer.weeks.len()
        )
    };
    text += &format!(
        "{} containers in {} sowings are to be sown. ",
        totals.containers,
        answer.sowings.len()
    );
    let per_gram = points(answer.objective_e4 - answer.bound_e4).max(0.0) * 1000.0
        / totals.pledged_milligrams as f64;
    text += &format!(
        "No plan can be better by more than {per_gram:.3} points for each gram pledged. \
         Expected weights are means: a harvest can turn out smaller."
    );
    text += &likelihood(answer);
    text += &to_buy(answer);
    text
}
