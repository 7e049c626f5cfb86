//! What would help: one change to the co-operative at a time, each proven by solving again.
//!
//! The reasons of the short pledges only say what is worth trying. What is told is the difference
//! between two solved plans, that of the co-operative as it is having been searched as long.

use chrono::NaiveDate;
use cotyl_planner::check::{Verdict, check};
use cotyl_planner::explain::{Limit, NothingDelivers, ShortReason, binding};
use cotyl_planner::problem::Problem;
use cotyl_planner::{Control, Options, Plan, Progress, SolveError, solve};
use serde::{Deserialize, Serialize};

use super::compile::{LeftOut, compile};
use super::season::{Season, SeasonError, SeasonSite, SeasonStation};

/// Changes that are tried at most.
const MOST_TRIED: usize = 10;
/// Changes that are told at most.
const MOST_TOLD: usize = 5;
/// Share of the search's moves that each trial is given; it starts from the plan.
const SHARE_OF_WORK: u64 = 10;
/// Least that a change must bring to be told.
const LEAST_GAIN_MILLIGRAMS: i64 = 10_000;
/// Minutes a week that more hands would bring.
const MORE_MINUTES: i64 = 60;
/// Moles of light a square metre and day that a lamp would add.
const MORE_LIGHT_MOL: f64 = 2.0;
/// Litres of solution a week.
const MORE_LITRES: i64 = 20;

/// A change that a co-operative could make.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Change {
    /// More places at a station.
    Places {
        /// The station.
        station_id: String,
        /// Places.
        more: i64,
    },
    /// More hands at a site.
    Minutes {
        /// The site.
        site_id: String,
        /// Minutes a week.
        more: i64,
    },
    /// More solution at a site.
    Mixing {
        /// The site.
        site_id: String,
        /// Litres a week.
        more: i64,
    },
    /// More batches at a site.
    MostSowings {
        /// The site.
        site_id: String,
        /// Batches a week.
        more: i64,
    },
    /// Working at a site on the days of a closure.
    Open {
        /// The site.
        site_id: String,
        /// First closed day.
        first_day: NaiveDate,
        /// Last closed day.
        last_day: NaiveDate,
    },
    /// More light at a station.
    Light {
        /// The station.
        station_id: String,
        /// Moles a square metre and day.
        more_mol: f64,
    },
}

/// A change that helps, and how much.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Remedy {
    /// The change.
    pub change: Change,
    /// In words.
    pub words: String,
    /// What pledges are short of less, over all weeks.
    pub less_short_milligrams: i64,
    /// Ten-thousandths of a point by which the plan is better.
    pub better_by_e4: i64,
}

/// Passes on the wish to stop, and keeps the progress of trials to itself.
struct Quietly<'a>(&'a dyn Control);

impl Control for Quietly<'_> {
    fn should_stop(&self) -> bool {
        self.0.should_stop()
    }
    fn progress(&self, _: &Progress) {}
}

/// What was found.
pub(super) struct Remedies {
    /// The plan, searched a little longer.
    pub(super) plan: Plan,
    /// Changes that help, the best first.
    pub(super) remedies: Vec<Remedy>,
    /// Whether every change worth trying was tried.
    pub(super) complete: bool,
}

/// Why nothing was found.
#[derive(Debug, thiserror::Error)]
pub(super) enum RemedyError {
    #[error(transparent)]
    Season(#[from] SeasonError),
    #[error(transparent)]
    Solve(#[from] SolveError),
}

/// Finds the changes that help a plan most; none are looked for where nothing is short.
pub(super) fn remedies(
    season: &Season,
    problem: &Problem,
    plan: &Plan,
    options: &Options,
    control: &dyn Control,
) -> Result<Remedies, RemedyError> {
    let verdict = check(problem, plan);
    let mut found = Remedies {
        plan: plan.clone(),
        remedies: Vec::new(),
        complete: true,
    };
    if verdict.short_dg * 100 < LEAST_GAIN_MILLIGRAMS {
        return Ok(found);
    }
    let changes = worth_trying(season, problem, plan, &verdict);
    let quietly = Quietly(control);
    let (base_plan, searched) = again(problem, plan, options, &quietly)?;
    let base = if searched.objective_e4 <= verdict.objective_e4 {
        found.plan = base_plan;
        searched
    } else {
        verdict
    };
    for change in changes {
        if control.should_stop() {
            found.complete = false;
            break;
        }
        let changed = compile(&change.made(season), LeftOut::default())?.problem;
        let (_, after) = again(&changed, &found.plan, options, &quietly)?;
        // a trial that was broken off proves nothing
        if control.should_stop() {
            found.complete = false;
            break;
        }
        let less = (base.short_dg - after.short_dg) * 100;
        let better = base.objective_e4 - after.objective_e4;
        if less >= LEAST_GAIN_MILLIGRAMS && better > 0 && after.valid {
            found.remedies.push(Remedy {
                words: change.words(season, less),
                change,
                less_short_milligrams: less,
                better_by_e4: better,
            });
        }
    }
    found
        .remedies
        .sort_by_key(|remedy| std::cmp::Reverse(remedy.better_by_e4));
    found.remedies.truncate(MOST_TOLD);
    Ok(found)
}

/// Searches on from a plan.
fn again(
    problem: &Problem,
    plan: &Plan,
    options: &Options,
    control: &dyn Control,
) -> Result<(Plan, Verdict), SolveError> {
    let options = Options {
        seed: options.seed,
        work: (options.work / SHARE_OF_WORK).max(1),
        start: Some(plan.clone()),
        ..*options
    };
    let plan = solve(problem, &options, control)?.plan;
    let verdict = check(problem, &plan);
    Ok((plan, verdict))
}

/// Changes to the limits that the short pledges meet, the ones they meet most first.
fn worth_trying(season: &Season, problem: &Problem, plan: &Plan, verdict: &Verdict) -> Vec<Change> {
    let mut weights: Vec<(Change, i64)> = Vec::new();
    let mut weigh = |change: Change, weight: i64| match weights
        .iter_mut()
        .find(|(known, _)| *known == change)
    {
        Some((_, sum)) => *sum += weight,
        None => weights.push((change, weight)),
    };
    for reason in binding(problem, plan, verdict) {
        for cause in &reason.causes {
            let share = cause.columns as i64 * reason.short_dg / reason.columns.max(1) as i64;
            let of_class = &cause.example.class;
            if let Some(change) = against(&cause.limit, of_class, season) {
                weigh(change, share);
            }
        }
        for change in to_make_possible(&reason, season) {
            weigh(change, reason.short_dg);
        }
    }
    weights.sort_by_key(|(_, weight)| std::cmp::Reverse(*weight));
    weights.truncate(MOST_TRIED);
    weights.into_iter().map(|(change, _)| change).collect()
}

/// The change that loosens a limit.
fn against(limit: &Limit, class: &str, season: &Season) -> Option<Change> {
    match limit {
        Limit::Places { fullest, added, .. } => {
            let station_id = fullest.first().map_or(class, |full| &full.station);
            let station = season.stations.iter().find(|s| s.id == station_id)?;
            Some(Change::Places {
                station_id: station_id.to_owned(),
                more: (station.places / 5).max(*added).max(1),
            })
        }
        Limit::Minutes { site, .. } => Some(Change::Minutes {
            site_id: site.clone(),
            more: MORE_MINUTES,
        }),
        Limit::Mixing { site, .. } => Some(Change::Mixing {
            site_id: site.clone(),
            more: MORE_LITRES,
        }),
        Limit::MostSowings { site, .. } => Some(Change::MostSowings {
            site_id: site.clone(),
            more: 1,
        }),
        Limit::Stock { .. } | Limit::Share { .. } => None,
    }
}

/// Changes without which nothing could be cut for a week.
fn to_make_possible(reason: &ShortReason, season: &Season) -> Vec<Change> {
    let missing_cut = matches!(
        reason.nothing_delivers,
        Some(NothingDelivers::NoCut | NothingDelivers::NoDeliveryDay)
    );
    if !missing_cut {
        return Vec::new();
    }
    let closures = season.sites.iter().flat_map(|site| {
        site.closures
            .iter()
            .map(|&(first_day, last_day)| Change::Open {
                site_id: site.id.clone(),
                first_day,
                last_day,
            })
    });
    let light = season.stations.iter().map(|station| Change::Light {
        station_id: station.id.clone(),
        more_mol: MORE_LIGHT_MOL,
    });
    closures
        .filter(|change| change.is_within(season))
        .chain(light)
        .collect()
}

impl Change {
    /// Whether it changes a day of the season.
    fn is_within(&self, season: &Season) -> bool {
        match self {
            Self::Open {
                first_day,
                last_day,
                ..
            } => *first_day < season.end() && *last_day >= season.first_monday,
            _ => true,
        }
    }

    /// The season with the change made.
    fn made(&self, season: &Season) -> Season {
        let mut changed = season.clone();
        match self {
            Self::Places { station_id, more } => {
                at_station(&mut changed, station_id, |station| station.places += more);
            }
            Self::Light {
                station_id,
                more_mol,
            } => at_station(&mut changed, station_id, |station| {
                for band in &mut station.environment {
                    band.daily_light_mol += more_mol;
                }
            }),
            Self::Minutes { site_id, more } => at_site(&mut changed, site_id, |site| {
                site.weekly_minutes = site.weekly_minutes.map(|minutes| minutes + more);
            }),
            Self::Mixing { site_id, more } => at_site(&mut changed, site_id, |site| {
                site.weekly_mixing_microlitres = site
                    .weekly_mixing_microlitres
                    .map(|microlitres| microlitres + more * 1_000_000);
            }),
            Self::MostSowings { site_id, more } => at_site(&mut changed, site_id, |site| {
                site.most_sowings_per_week = site.most_sowings_per_week.map(|most| most + more);
            }),
            Self::Open {
                site_id,
                first_day,
                last_day,
            } => at_site(&mut changed, site_id, |site| {
                site.closures
                    .retain(|closure| *closure != (*first_day, *last_day));
            }),
        }
        changed
    }

    /// What it is and what it brings.
    fn words(&self, season: &Season, less_short_milligrams: i64) -> String {
        let names = season.names();
        let name = |id: &String| names.get(id).unwrap_or(id).clone();
        let change = match self {
            Self::Places { station_id, more } => {
                let places = if *more == 1 { "place" } else { "places" };
                format!("{more} more {places} at {}", name(station_id))
            }
            Self::Minutes { site_id, more } => {
                format!("{more} more minutes of work a week at {}", name(site_id))
            }
            Self::Mixing { site_id, more } => {
                format!("{more} more litres of solution a week at {}", name(site_id))
            }
            Self::MostSowings { site_id, more } => {
                format!("{more} more batch sown a week at {}", name(site_id))
            }
            Self::Open {
                site_id,
                first_day,
                last_day,
            } if first_day == last_day => format!("opening {} on {first_day}", name(site_id)),
            Self::Open {
                site_id,
                first_day,
                last_day,
            } => format!(
                "opening {} from {first_day} to {last_day} on the weekdays on which it is usually open",
                name(site_id)
            ),
            Self::Light {
                station_id,
                more_mol,
            } => format!(
                "{more_mol} mol more light a square metre and day at {}",
                name(station_id)
            ),
        };
        format!(
            "{change}: {:.2} kg less short over these weeks",
            less_short_milligrams as f64 / 1e6
        )
    }
}

fn at_site(season: &mut Season, id: &str, change: impl FnOnce(&mut SeasonSite)) {
    if let Some(site) = season.sites.iter_mut().find(|site| site.id == id) {
        change(site);
    }
}

fn at_station(season: &mut Season, id: &str, change: impl FnOnce(&mut SeasonStation)) {
    if let Some(station) = season.stations.iter_mut().find(|station| station.id == id) {
        change(station);
    }
}
