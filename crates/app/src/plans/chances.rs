//! How likely a plan is to meet its weekly pledges, and the margin that makes it likelier.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Days, NaiveDate};
use cotyl_planner::chance::{
    CellChance, ChanceError, Margin, MarginError, MarginOptions, MarginRequest, Scatter,
    Uncertainty, margin, simulate,
};
use cotyl_planner::problem::Problem;
use cotyl_planner::{Control, Plan};
use serde::{Deserialize, Serialize};

use super::answer::PlanWeek;
use super::explain::deliverable;
use super::season::{Season, SeasonCrop};

/// Seasons that are drawn of a plan of usual size.
const SEASONS: usize = 10_000;
/// Sowings times seasons that are drawn of a large plan, so that chances take seconds at most.
const MOST_DRAWS: usize = 20_000_000;
/// Fewest seasons; a share of them is within 1.6 percentage points of the chance, 19 times in 20.
const LEAST_SEASONS: usize = 4_000;

/// Standard deviation of the days to ready of a sowing. Common practice, no source: greens of one
/// sowing day are ready within a few days of the expected one.
const DAYS_DEVIATION: f64 = 2.0;
/// Share of the scatter of weights that all sowings at a station have in common: its light, warmth and
/// water. No source: a cautious guess.
const STATION_SHARE: f64 = 0.25;
/// Share of the scatter of weights of each container alone; the rest is common to a sowing. No
/// source: a cautious guess.
const CONTAINER_SHARE: f64 = 0.25;

/// The chance that a pledge of one week is met.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct WeekChance {
    /// Seasons of a thousand in which it is met.
    pub met_permille: i64,
    /// Mean of what is missing.
    pub short_milligrams: i64,
    /// Delivered in a season that is worse than nine in ten others.
    pub low_milligrams: i64,
    /// Delivered in a season that is worse than half of them.
    pub middle_milligrams: i64,
    /// Delivered in a season that is worse than one in ten others; never more than is pledged.
    pub high_milligrams: i64,
    /// Sowings, and harvests that stand already, from which it comes.
    pub sowings: usize,
}

/// A pledge of a week that does not reach the wanted chance.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotReached {
    /// Monday of the week.
    pub monday: NaiveDate,
    /// The pledge.
    pub pledge_id: String,
    /// Who is to receive it.
    pub recipient_name: String,
    /// The crop or group.
    pub what: String,
    /// Seasons of a thousand in which it is met.
    pub met_permille: i64,
    /// Whether anything sown from now on can serve it.
    pub can_be_served: bool,
}

/// What a margin asked for and came to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MarginOutcome {
    /// The chance asked for, in thousandths.
    pub wanted_permille: i64,
    /// Weekly pledges that something sown from now on can serve.
    pub asked: usize,
    /// Those of them that reached the chance before the margin.
    pub reached_before: usize,
    /// Those of them that reach the chance.
    pub reached: usize,
    /// Containers more than without a margin.
    pub more_containers: i64,
    /// Tenths of a minute of work more than without a margin.
    pub more_minutes_tenths: i64,
    /// Rounds of raised pledges that were solved.
    pub rounds: usize,
    /// Sowings that were spread over other days or stations.
    #[serde(default)]
    pub spread: usize,
    /// Weekly pledges that do not reach the chance, by week.
    #[serde(default)]
    pub not_reached: Vec<NotReached>,
}

/// What is known of the scatter of every crop: what its profile says, and what was learned at a
/// station.
#[must_use]
pub fn uncertainty(season: &Season) -> Uncertainty {
    let scatter = |crop: &SeasonCrop| Scatter {
        germination: crop.profile.germination_permille as f64 / 1000.0,
        cv: crop.profile.yield_variation_permille as f64 / 1000.0,
        days_sd: DAYS_DEVIATION,
        station_share: STATION_SHARE,
        container_share: CONTAINER_SHARE,
    };
    Uncertainty {
        crops: season
            .crops
            .iter()
            .map(|crop| (crop.id.clone(), scatter(crop)))
            .collect(),
        stations: learned_scatter(season),
        ..Uncertainty::default()
    }
}

/// Learned scatter by station and crop. What is common to a station and to containers alone is as
/// assumed for every crop: one term's record does not tell it.
fn learned_scatter(season: &Season) -> BTreeMap<String, BTreeMap<String, Scatter>> {
    let mut stations: BTreeMap<String, BTreeMap<String, Scatter>> = BTreeMap::new();
    for crop in &season.crops {
        for (station_id, learned) in &crop.learned {
            let days = f64::from(learned.days_to_first_cut);
            let scatter = Scatter {
                germination: learned.scatter.survival,
                cv: learned.scatter.grams_variation,
                days_sd: learned.scatter.days_standard_deviation(days),
                station_share: STATION_SHARE.max(learned.scatter.station_share),
                container_share: CONTAINER_SHARE.min(1.0 - learned.scatter.station_share),
            };
            let at_station = stations.entry(station_id.clone()).or_default();
            at_station.insert(crop.id.clone(), scatter);
        }
    }
    stations
}

/// How many seasons are drawn of a plan.
fn seasons(plan: &Plan) -> usize {
    (MOST_DRAWS / plan.sowings.len().max(1)).clamp(LEAST_SEASONS, SEASONS)
}

/// Puts the chances of a plan beside its weeks; how many seasons were drawn.
///
/// # Errors
/// [`ChanceError`] for a plan that does not fit the problem.
pub(super) fn add_chances(
    season: &Season,
    problem: &Problem,
    plan: &Plan,
    seed: u64,
    weeks: &mut [PlanWeek],
) -> Result<usize, ChanceError> {
    let chances = simulate(problem, plan, &uncertainty(season), seasons(plan), seed)?;
    let by_cell: BTreeMap<(&str, usize), &CellChance> = chances
        .cells
        .iter()
        .map(|cell| ((cell.target.as_str(), cell.week), cell))
        .collect();
    for cell in weeks {
        let week = (cell.monday - season.first_monday).num_days() / 7;
        let week = usize::try_from(week).unwrap_or(usize::MAX);
        let chance = by_cell.get(&(cell.pledge_id.as_str(), week));
        cell.chance = chance.map(|chance| week_chance(chance));
    }
    Ok(chances.seasons)
}

fn week_chance(cell: &CellChance) -> WeekChance {
    let milligrams = |grams: f64| (grams * 1000.0).round() as i64;
    let [low, middle, high] = cell.delivered_grams.map(milligrams);
    WeekChance {
        // down, so that 1000 stands for every season
        met_permille: (cell.met * 1000.0).floor() as i64,
        short_milligrams: milligrams(cell.expected_short_grams),
        low_milligrams: low,
        middle_milligrams: middle,
        high_milligrams: high,
        sowings: cell.sowings,
    }
}

/// Sows more where a week is likely to fall short, until each has the wanted chance or no round is
/// better: the plan, and what it came to.
///
/// # Errors
/// [`MarginError`] for a plan that does not fit the problem.
pub(super) fn widen(
    season: &Season,
    problem: &Problem,
    plan: &Plan,
    wanted_permille: i64,
    options: &MarginOptions,
    control: &dyn Control,
) -> Result<(Margin, MarginOutcome), MarginError> {
    let possible = deliverable(problem);
    let chance = wanted_permille as f64 / 1000.0;
    let request = MarginRequest {
        chance,
        seasons: seasons(plan),
        from_week: possible.iter().map(|(_, week)| *week).min().unwrap_or(0),
    };
    let widened = margin(
        problem,
        plan,
        &uncertainty(season),
        &request,
        options,
        control,
    )?;
    let asked = |cell: &&CellChance| possible.contains(&(cell.target.clone(), cell.week));
    let reached = |cells: &[CellChance]| {
        let asked = cells.iter().filter(asked);
        asked.filter(|cell| cell.met >= chance).count()
    };
    let outcome = MarginOutcome {
        wanted_permille,
        asked: widened.after.cells.iter().filter(asked).count(),
        reached_before: reached(&widened.before.cells),
        reached: reached(&widened.after.cells),
        more_containers: widened.more_containers,
        more_minutes_tenths: widened.more_minutes10,
        rounds: widened.rounds,
        spread: widened.spread,
        not_reached: not_reached(season, &widened.after.cells, chance, &possible),
    };
    Ok((widened, outcome))
}

/// What stays below a chance, with the names of things.
fn not_reached(
    season: &Season,
    cells: &[CellChance],
    chance: f64,
    possible: &BTreeSet<(String, usize)>,
) -> Vec<NotReached> {
    let below = cells.iter().filter(|cell| cell.met < chance);
    below
        .filter_map(|cell| {
            let pledge = season.pledges.iter().find(|p| p.id == cell.target)?;
            Some(NotReached {
                monday: season.first_monday + Days::new(7 * cell.week as u64),
                pledge_id: pledge.id.clone(),
                recipient_name: pledge.recipient_name.clone(),
                what: pledge.what.clone(),
                met_permille: week_chance(cell).met_permille,
                can_be_served: possible.contains(&(cell.target.clone(), cell.week)),
            })
        })
        .collect()
}
