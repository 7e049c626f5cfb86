//! From a season to a checked answer, and the form in which it is kept. Pure, and long: to be run
//! where it holds up nobody.

use std::collections::BTreeMap;
use std::num::NonZero;

use chrono::{Days, NaiveDate};
use cotyl_planner::chance::{ChanceError, MarginError, MarginOptions};
use cotyl_planner::check::{Verdict, check};
use cotyl_planner::problem::{ClassCrop, Problem, Sowing};
use cotyl_planner::{Answer, Control, Options, Plan, Progress, SolveError, Unhindered, solve};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::chances::{MarginOutcome, WeekChance, add_chances, widen};
use super::compile::{LeftOut, compile};
use super::due::{DueSowing, due_sowings};
use super::goods::{PlanPurchase, purchases};
use super::remedies::{
    Change, Margin, Remedies, Remedy, RemedyError, remedies, remedies_with_margin, searched_on,
};
use super::season::{Season, SeasonError};

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum WorkError {
    /// The season cannot be read.
    #[error(transparent)]
    Season(#[from] SeasonError),
    /// The planner refuses the problem.
    #[error(transparent)]
    Solve(#[from] SolveError),
    /// The plan that was found breaks rules, so it is not recorded.
    #[error("the plan that was found breaks rules: {}", .0.join("; "))]
    Unsound(Vec<String>),
    /// No chances can be worked out for the plan that was found.
    #[error(transparent)]
    Chances(#[from] ChanceError),
    /// No margin can be worked out for the plan that was found.
    #[error(transparent)]
    Margin(#[from] MarginError),
}

impl From<RemedyError> for WorkError {
    fn from(error: RemedyError) -> Self {
        match error {
            RemedyError::Season(error) => Self::Season(error),
            RemedyError::Solve(error) => Self::Solve(error),
            RemedyError::Chances(error) => Self::Chances(error),
        }
    }
}

/// How a season is to be worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Search {
    /// Seed of search and seasons.
    pub seed: u64,
    /// Search moves; 0 for what suits the size of the problem.
    pub work: u64,
    /// The chance, in thousandths, with which every weekly pledge is to be met; `None` for a plan
    /// that meets them in the mean.
    pub wanted_chance_permille: Option<i64>,
}

impl Search {
    fn options(self, problem: &Problem) -> Options {
        let suited = Options::for_problem(problem);
        Options {
            seed: self.seed,
            work: if self.work == 0 {
                suited.work
            } else {
                self.work
            },
            threads: std::thread::available_parallelism()
                .map_or(1, NonZero::get)
                .min(MOST_THREADS),
            ..suited
        }
    }
}

/// Most threads that work a season out: a server has others to serve meanwhile. The answer is the same with one.
const MOST_THREADS: usize = 2;

/// What holds a season that is being worked out.
pub trait Hold: Control {
    /// Asked while a plan is widened by a margin; `true` ends that with the best plan so far, so that time is left
    /// to find what would help.
    fn should_stop_widening(&self) -> bool {
        self.should_stop()
    }
}

impl Hold for Unhindered {}

/// The part of a hold that widening is told.
struct Widening<'a>(&'a dyn Hold);

impl Control for Widening<'_> {
    fn should_stop(&self) -> bool {
        self.0.should_stop_widening()
    }
    fn progress(&self, progress: &Progress) {
        self.0.progress(progress);
    }
    fn time_gone(&self) -> Option<f64> {
        self.0.time_gone()
    }
}

/// An answer as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptAnswer {
    /// The plan in the planner's own form.
    pub plan: Plan,
    /// The plan in the words of the co-operative, by day of sowing.
    pub sowings: Vec<PlanSowing>,
    /// What every pledge is expected to be sent, by week and pledge.
    pub weeks: Vec<PlanWeek>,
    /// Totals.
    pub totals: PlanTotals,
    /// Ten-thousandths of a point.
    pub objective_e4: i64,
    /// No plan can have fewer; ten-thousandths of a point.
    pub bound_e4: i64,
    /// Search moves made.
    pub work_done: u64,
    /// Whether the search came to its own end.
    pub complete: bool,
    /// Remarks, in words for a coordinator.
    pub notes: Vec<String>,
    /// Seasons that were drawn for the chances.
    #[serde(default)]
    pub seasons: usize,
    /// What the margin came to, when one was asked for.
    #[serde(default)]
    pub margin: Option<MarginOutcome>,
    /// The cheapest changes to the co-operative that would help, each proven by solving again.
    #[serde(default)]
    pub remedies: Vec<Remedy>,
    /// Sowings that were due when it was made: left as they are, or changed and why.
    #[serde(default)]
    pub due: Vec<DueSowing>,
    /// What is to be bought for it and for what stands already, by the last day to order.
    #[serde(default)]
    pub purchases: Vec<PlanPurchase>,
    /// Remarks on stores: the site and what is to be said.
    #[serde(default)]
    pub store_notes: Vec<(String, String)>,
}

impl KeptAnswer {
    /// Leaves out what tells what the stores of some sites hold.
    pub(super) fn hide_stores(&mut self, hidden_sites: &[Uuid]) {
        let hidden = |id: &str| hidden_sites.iter().any(|site| site.to_string() == id);
        let before = self.purchases.len() + self.remedies.len() + self.store_notes.len();
        self.purchases.retain(|purchase| !hidden(&purchase.site_id));
        self.store_notes.retain(|(site_id, _)| !hidden(site_id));
        self.remedies.retain(|remedy| match &remedy.change {
            Change::Goods { site_id, .. } => !hidden(site_id),
            _ => true,
        });
        if before > self.purchases.len() + self.remedies.len() + self.store_notes.len() {
            let text = "what is to be bought at sites where a stock-taking that hides the ledger is open is not shown to you; ask again when it is posted";
            self.notes.push(text.to_owned());
        }
    }
}

/// Sums over a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct PlanTotals {
    /// Pledged in all weeks.
    pub pledged_milligrams: i64,
    /// Expected to be sent to pledges.
    pub expected_milligrams: i64,
    /// Pledged and not expected.
    pub short_milligrams: i64,
    /// Expected and pledged to nobody.
    pub surplus_milligrams: i64,
    /// Containers sown.
    pub containers: i64,
    /// Work in tenths of a minute, that of standing sowings included.
    pub minutes_tenths: i64,
    /// Containers by which it differs from the plan in force.
    pub containers_changed: i64,
}

/// A pledge in one week.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanWeek {
    /// Monday of the week.
    pub monday: NaiveDate,
    /// The pledge.
    pub pledge_id: String,
    /// Who is to receive it.
    pub recipient_name: String,
    /// The crop or group.
    pub what: String,
    /// Pledged.
    pub pledged_milligrams: i64,
    /// Expected to be sent.
    pub expected_milligrams: i64,
    /// How likely it is to be met.
    #[serde(default)]
    pub chance: Option<WeekChance>,
}

impl PlanWeek {
    /// What is missing.
    #[must_use]
    pub fn short_milligrams(&self) -> i64 {
        (self.pledged_milligrams - self.expected_milligrams).max(0)
    }
}

/// A sowing of a plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanSowing {
    /// Its site.
    pub site_id: String,
    /// Name of the site.
    pub site_name: String,
    /// Its station.
    pub station_id: String,
    /// Name of the station.
    pub station_name: String,
    /// Its crop.
    pub crop_id: String,
    /// Name of the crop.
    pub crop_name: String,
    /// How many.
    pub containers: i64,
    /// Day of sowing.
    pub sow_on: NaiveDate,
    /// The places are free again from this day.
    pub free_on: NaiveDate,
    /// Its cuts in order.
    pub cuts: Vec<PlanCut>,
}

/// A cut of a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanCut {
    /// When.
    pub day: NaiveDate,
    /// Expected weight, whole sowing.
    pub milligrams: i64,
}

/// Works a season out: states the problem, solves it, widens the plan by a margin if one is wanted,
/// checks it and draws its chances. The same season and search give the same answer unless `control`
/// stops it.
///
/// # Errors
/// [`WorkError`]; none for a season in which nothing can grow.
pub fn work_out(
    season: &Season,
    search: Search,
    control: &dyn Hold,
) -> Result<KeptAnswer, WorkError> {
    let compiled = compile(season, LeftOut::default())?;
    let problem = compiled.problem;
    let options = search.options(&problem);
    let mut answer = solve(&problem, &options, control)?;
    let mut notes = compiled.notes;
    let (tried, margin) = match search.wanted_chance_permille {
        None => {
            let tried = remedies(season, &problem, &answer.plan, &options, control)?;
            answer.plan.clone_from(&tried.plan);
            (tried, None)
        }
        Some(wanted) => {
            answer.plan = searched_on(&problem, &answer.plan, &options, control)?;
            with_margin(season, &problem, &mut answer, wanted, &options, control)?
        }
    };
    if !tried.complete {
        notes.push("the time ran out before every change that may help was tried".to_owned());
    }
    let verdict = check(&problem, &answer.plan);
    if !verdict.valid {
        let problems = verdict.problems.into_iter().map(|problem| problem.message);
        return Err(WorkError::Unsound(problems.collect()));
    }
    let due = due_sowings(season)?;
    notes.extend(
        due.iter()
            .filter(|due| due.claims > 0 || due.why.is_some())
            .map(|due| due.words.clone()),
    );
    notes.extend(missing(season, &problem));
    if !answer.complete {
        notes.push("the time ran out before the search came to its end".to_owned());
    }
    let mut weeks = weeks(season, &verdict);
    let seasons = add_chances(season, &problem, &answer.plan, search.seed, &mut weeks)?;
    let sowings = sowings(season, &problem, &answer.plan);
    Ok(KeptAnswer {
        purchases: purchases(season, &sowings)?,
        store_notes: compiled.store_notes,
        sowings,
        weeks,
        seasons,
        margin,
        remedies: tried.remedies,
        due,
        totals: totals(&verdict),
        objective_e4: verdict.objective_e4,
        bound_e4: answer.bound_e4,
        work_done: answer.work_done,
        complete: answer.complete,
        plan: answer.plan,
        notes,
    })
}

/// Widens a plan by a margin and finds what would help the wider one.
fn with_margin(
    season: &Season,
    problem: &Problem,
    answer: &mut Answer,
    wanted_permille: i64,
    options: &Options,
    control: &dyn Hold,
) -> Result<(Remedies, Option<MarginOutcome>), WorkError> {
    let work = MarginOptions {
        seed: options.seed,
        work: options.work,
    };
    let (widened, outcome) = widen(
        season,
        problem,
        &answer.plan,
        wanted_permille,
        &work,
        &Widening(control),
    )?;
    answer.plan = widened.plan;
    answer.complete &= widened.complete;
    let margin = Margin {
        factors: &widened.factors,
        wanted_permille,
        seasons: widened.after.seasons,
        seed: options.seed,
    };
    let tried = remedies_with_margin(season, problem, &answer.plan, &margin, options, control)?;
    Ok((tried, Some(outcome)))
}

/// What a season lacks altogether, in words.
fn missing(season: &Season, problem: &Problem) -> Vec<String> {
    let pledged = problem
        .targets
        .iter()
        .any(|t| t.pledge_dg.iter().any(|dg| *dg > 0));
    let open = problem.sites.iter().any(|site| !site.slots.is_empty());
    let grows = problem.classes.iter().any(|class| !class.crops.is_empty());
    [
        (!pledged, "nothing is pledged in these weeks"),
        (season.sites.is_empty(), "there is no site"),
        (problem.stations.is_empty(), "there is no station to sow at"),
        (
            season.crops.iter().all(|crop| crop.retired),
            "there is no crop to sow",
        ),
        (
            !season.sites.is_empty() && !open,
            "no site is open on any day that is left",
        ),
        (
            pledged && !problem.stations.is_empty() && !grows,
            "no crop that is pledged grows by the method of any station",
        ),
    ]
    .into_iter()
    .filter(|(holds, _)| *holds)
    .map(|(_, words)| words.to_owned())
    .collect()
}

fn totals(verdict: &Verdict) -> PlanTotals {
    PlanTotals {
        pledged_milligrams: verdict.pledged_dg * 100,
        expected_milligrams: (verdict.pledged_dg - verdict.short_dg) * 100,
        short_milligrams: verdict.short_dg * 100,
        surplus_milligrams: verdict.surplus_dg * 100,
        containers: verdict.containers,
        minutes_tenths: verdict.minutes10,
        containers_changed: verdict.containers_changed,
    }
}

fn weeks(season: &Season, verdict: &Verdict) -> Vec<PlanWeek> {
    let pledges: BTreeMap<&str, _> = season
        .pledges
        .iter()
        .map(|pledge| (pledge.id.as_str(), pledge))
        .collect();
    verdict
        .weeks
        .iter()
        .filter_map(|cell| {
            let pledge = pledges.get(cell.target.as_str())?;
            Some(PlanWeek {
                monday: season.first_monday + Days::new(7 * cell.week as u64),
                pledge_id: pledge.id.clone(),
                recipient_name: pledge.recipient_name.clone(),
                what: pledge.what.clone(),
                pledged_milligrams: cell.pledge_dg * 100,
                expected_milligrams: cell.sent_dg * 100,
                chance: None,
            })
        })
        .collect()
}

pub(super) fn sowings(season: &Season, problem: &Problem, plan: &Plan) -> Vec<PlanSowing> {
    let names = season.names();
    let name = |id: &str| names.get(id).cloned().unwrap_or_else(|| id.to_owned());
    let mut sowings: Vec<PlanSowing> = plan
        .sowings
        .iter()
        .filter_map(|sowing| {
            let station = problem.stations.iter().find(|s| s.id == sowing.station)?;
            let crop = season.crops.iter().find(|crop| crop.id == sowing.crop)?;
            let cuts = cuts(problem, &station.class, &station.site, sowing)?;
            let last = cuts.last().map_or(sowing.sow, |cut| cut.day);
            Some(PlanSowing {
                site_id: station.site.clone(),
                site_name: name(&station.site),
                station_id: station.id.clone(),
                station_name: name(&station.id),
                crop_id: crop.id.clone(),
                crop_name: crop.name.clone(),
                containers: sowing.containers,
                sow_on: sowing.sow,
                free_on: last + Days::new(u64::from(crop.profile.cleaning_days)),
                cuts,
            })
        })
        .collect();
    sowings.sort_by(|a, b| {
        (a.sow_on, &a.site_id, &a.station_id, &a.crop_id, a.free_on).cmp(&(
            b.sow_on,
            &b.site_id,
            &b.station_id,
            &b.crop_id,
            b.free_on,
        ))
    });
    sowings
}

/// The cuts of a sowing with their weights, from the arcs they go along.
fn cuts(problem: &Problem, class: &str, site: &str, sowing: &Sowing) -> Option<Vec<PlanCut>> {
    let class = problem.classes.iter().find(|known| known.id == class)?;
    let grown: &ClassCrop = class.crops.iter().find(|grown| grown.crop == sowing.crop)?;
    let site = problem.sites.iter().find(|known| known.id == site)?;
    let slot = |day: NaiveDate| {
        let number = (day - problem.start_date).num_days();
        site.slots
            .iter()
            .position(|slot| i64::from(slot.day) == number)
    };
    let mut from = slot(sowing.sow)?;
    let mut cuts = Vec::new();
    for (number, day) in sowing.cuts.iter().enumerate() {
        let to = slot(*day)?;
        let arcs = if number == 0 {
            &grown.first
        } else {
            &grown.again
        };
        let arc = arcs.iter().find(|arc| arc.from == from && arc.to == to)?;
        let decigrams = grown.cut_dg.get(number)? * arc.permille / 1000;
        cuts.push(PlanCut {
            day: *day,
            milligrams: sowing.containers * decigrams * 100,
        });
        from = to;
    }
    Some(cuts)
}
