//! What would help: one change to the co-operative at a time, each proven by solving again.
//!
//! The reasons of the short pledges only say what is worth trying. What is told is the difference
//! between two solved plans, that of the co-operative as it is having been searched as long, with what
//! the change takes; the order is that of [`cotyl_planner::remedy`], the cheapest first.

use std::collections::BTreeSet;

use cotyl_growth::Relaxed;
use cotyl_planner::check::check;
use cotyl_planner::explain::{Limit, NothingDelivers, ShortReason, binding};
use cotyl_planner::problem::Problem;
use cotyl_planner::remedy::{
    Bargain, LEAST_GAIN_DG, MORE_LITRES, MORE_MINUTES, MOST_TRIED, Proven, Provision, cheapest,
    in_words, prove, takes_in_words,
};
use cotyl_planner::{Control, Options, Plan, SolveError};
use serde::{Deserialize, Serialize};

use super::compile::{LeftOut, compile};
use super::days::Deliveries;
use super::explain::deliverable;
use super::season::{Season, SeasonError};

mod change;

pub use change::Change;

/// Moles of light a square metre and day that a lamp would add.
const MORE_LIGHT_MOL: f64 = 2.0;

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
    /// What it takes; `None` in plans that were solved before this was kept.
    #[serde(default)]
    pub bargain: Option<Bargain>,
}

/// What a remedy takes, as it is told.
#[derive(Debug, Clone, PartialEq)]
pub struct RemedyCost {
    /// `days`, `litres_a_week`, `goods`, `places` or `light`; `None` when work is all.
    pub provide: Option<&'static str>,
    /// How much of it.
    pub amount: Option<f64>,
    /// Containers sown more.
    pub more_containers: i64,
    /// Tenths of a minute of work more.
    pub more_minutes_tenths: i64,
    /// Ten-thousandths of a point that this work counts.
    pub points_e4: i64,
    /// What pledges are short of less for each unit that has to be provided.
    pub less_short_milligrams_per_unit: Option<i64>,
    /// Points gained for each point of work, where work is all that it takes.
    pub points_per_point: Option<f64>,
    /// In words.
    pub words: String,
}

impl Remedy {
    /// What it takes.
    #[must_use]
    pub fn cost(&self) -> Option<RemedyCost> {
        let bargain = self.bargain.as_ref()?;
        let provide = match bargain.provision {
            Provision::Nothing => None,
            Provision::Days => Some("days"),
            Provision::LitresAWeek => Some("litres_a_week"),
            Provision::Goods => Some("goods"),
            Provision::Places => Some("places"),
            Provision::Light => Some("light"),
        };
        let per_unit = bargain.less_short_dg_per_unit();
        Some(RemedyCost {
            provide,
            amount: provide.map(|_| bargain.amount),
            more_containers: bargain.effect.more_containers,
            more_minutes_tenths: bargain.effect.more_minutes10,
            points_e4: bargain.effect.cost_e4,
            less_short_milligrams_per_unit: per_unit.map(|dg| (dg * 100.0) as i64),
            points_per_point: match provide {
                None => bargain.points_per_point(),
                Some(_) => None,
            },
            words: takes_in_words(bargain),
        })
    }
}

/// What was found.
#[derive(Debug)]
pub struct Remedies {
    /// The plan, searched a little longer.
    pub plan: Plan,
    /// Changes that help, the cheapest first.
    pub remedies: Vec<Remedy>,
    /// Whether every change worth trying was tried.
    pub complete: bool,
}

/// Why nothing was found.
#[derive(Debug, thiserror::Error)]
pub enum RemedyError {
    /// The season cannot be read.
    #[error(transparent)]
    Season(#[from] SeasonError),
    /// The planner refuses the problem.
    #[error(transparent)]
    Solve(#[from] SolveError),
}

/// Finds the cheapest changes that help a plan; none are looked for where nothing is short.
///
/// # Errors
/// [`RemedyError`] for a season that cannot be stated or solved.
pub fn remedies(
    season: &Season,
    problem: &Problem,
    plan: &Plan,
    options: &Options,
    control: &dyn Control,
) -> Result<Remedies, RemedyError> {
    if check(problem, plan).short_dg < LEAST_GAIN_DG {
        return Ok(Remedies {
            plan: plan.clone(),
            remedies: Vec::new(),
            complete: true,
        });
    }
    let changes = worth_trying(season, problem, plan)?;
    let made = |change: &Change| -> Result<Problem, RemedyError> {
        Ok(compile(&change.made(season), LeftOut::default())?.problem)
    };
    let Proven {
        plan,
        helping,
        complete,
    } = prove(problem, plan, changes, made, options, control)?;
    let found: Vec<(Change, Bargain)> = helping
        .into_iter()
        .map(|(change, _, effect)| {
            let (provision, amount) = change.provision(season);
            let bargain = Bargain {
                provision,
                amount,
                effect,
            };
            (change, bargain)
        })
        .collect();
    // opening on more days that brings no more is no remedy
    let sparing = found.iter().filter(|(change, bargain)| {
        !found.iter().any(|(less, other)| {
            less.opens_less_than(change)
                && other.effect.less_short_dg >= bargain.effect.less_short_dg
        })
    });
    let told = cheapest(
        sparing.cloned().collect(),
        |(_, bargain)| *bargain,
        |(change, _)| std::mem::discriminant(change),
    );
    Ok(Remedies {
        plan,
        remedies: told
            .into_iter()
            .map(|(change, bargain)| Remedy {
                words: in_words(&change.words(season), &bargain),
                change,
                less_short_milligrams: bargain.effect.less_short_dg * 100,
                better_by_e4: bargain.effect.better_e4,
                bargain: Some(bargain),
            })
            .collect(),
        complete,
    })
}

/// Changes to the limits that the short pledges meet, the ones they meet most first.
fn worth_trying(
    season: &Season,
    problem: &Problem,
    plan: &Plan,
) -> Result<Vec<Change>, SeasonError> {
    let mut weights: Vec<(Change, i64)> = Vec::new();
    let mut weigh = |change: Change, weight: i64| match weights
        .iter_mut()
        .find(|(known, _)| *known == change)
    {
        Some((_, sum)) => *sum += weight,
        None => weights.push((change, weight)),
    };
    let reasons = binding(problem, plan, &check(problem, plan));
    for reason in &reasons {
        for cause in &reason.causes {
            let share = cause.columns as i64 * reason.short_dg / reason.columns.max(1) as i64;
            let of_class = &cause.example.class;
            if let Some(change) = against(&cause.limit, of_class, season) {
                weigh(change, share);
            }
        }
    }
    let ways = Ways::of(season, &reasons)?;
    for reason in &reasons {
        for change in ways.to_make_possible(reason, season) {
            weigh(change, reason.short_dg);
        }
    }
    weights.sort_by_key(|(_, weight)| std::cmp::Reverse(*weight));
    weights.truncate(MOST_TRIED);
    Ok(weights.into_iter().map(|(change, _)| change).collect())
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

/// Pledges by week that something could be cut for if a rule were left out.
struct Ways {
    without_closures: BTreeSet<(String, usize)>,
    with_light: BTreeSet<(String, usize)>,
}

impl Ways {
    fn of(season: &Season, reasons: &[ShortReason]) -> Result<Self, SeasonError> {
        let mut ways = Self {
            without_closures: BTreeSet::new(),
            with_light: BTreeSet::new(),
        };
        if reasons.iter().any(misses_a_cut) {
            let closures = LeftOut {
                closures: true,
                ..LeftOut::default()
            };
            let light = LeftOut {
                growth: Relaxed {
                    light: true,
                    ..Relaxed::default()
                },
                ..LeftOut::default()
            };
            ways.without_closures = deliverable(&compile(season, closures)?.problem);
            ways.with_light = deliverable(&compile(season, light)?.problem);
        }
        Ok(ways)
    }

    /// Changes without which nothing could be cut for a week: a closed day whose cut is delivered in
    /// it, a whole closure, more light.
    fn to_make_possible(&self, reason: &ShortReason, season: &Season) -> Vec<Change> {
        let mut changes = Vec::new();
        if !misses_a_cut(reason) {
            return changes;
        }
        let cell = (reason.target.clone(), reason.week);
        if self.without_closures.contains(&cell) {
            let deliveries = Deliveries::of(season);
            for site in &season.sites {
                let days = change::opened(season, &site.id).into_iter();
                let open = |first_day, last_day| Change::Open {
                    site_id: site.id.clone(),
                    first_day,
                    last_day,
                };
                changes.extend(
                    days.filter(|day| deliveries.week(*day) == Some(reason.week))
                        .map(|day| open(day, day)),
                );
                let whole = site.closures.iter().map(|&(first, last)| open(first, last));
                changes.extend(whole.filter(|change| change.is_within(season)));
            }
        }
        if self.with_light.contains(&cell) {
            changes.extend(season.stations.iter().map(|station| Change::Light {
                station_id: station.id.clone(),
                more_mol: MORE_LIGHT_MOL,
            }));
        }
        changes
    }
}

fn misses_a_cut(reason: &ShortReason) -> bool {
    matches!(
        reason.nothing_delivers,
        Some(NothingDelivers::NoCut | NothingDelivers::NoDeliveryDay)
    )
}
