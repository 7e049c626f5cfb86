//! Remedies of a problem from a file, which knows no more than its limits.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};

use super::{Bargain, Effect, LEAST_GAIN_DG, MOST_TRIED, Proven, Provision, cheapest, prove};
use crate::check::check;
use crate::explain::{Limit, binding};
use crate::problem::Consumable;
use crate::{Control, Options, Plan, Problem, SolveError};

/// Minutes a week that more hands would bring.
pub const MORE_MINUTES: i64 = 60;
/// Litres of solution a week.
pub const MORE_LITRES: i64 = 20;

/// A limit that could be loosened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ProblemChange {
    /// More places at a station.
    Places {
        /// Station id.
        station: String,
        /// Places.
        more: i64,
    },
    /// More hands at a site.
    Minutes {
        /// Site id.
        site: String,
        /// Minutes in every week that has a limit above none.
        more: i64,
    },
    /// More solution at a site.
    Mixing {
        /// Site id.
        site: String,
        /// Litres in every week that has a limit above none.
        more: i64,
    },
    /// More batches at a site.
    MostSowings {
        /// Site id.
        site: String,
        /// Batches in every week.
        more: i64,
    },
    /// More of a consumable, at its price.
    Goods {
        /// Consumable id.
        consumable: String,
        /// Units that must be there beside what is at hand and can be bought.
        units: i64,
        /// The day by which the first of them must be there: the Monday of the week that uses it.
        by: NaiveDate,
    },
}

/// A change that helps.
#[derive(Debug, Clone, PartialEq)]
pub struct ProblemRemedy {
    /// The change.
    pub change: ProblemChange,
    /// What it takes and gives.
    pub bargain: Bargain,
}

/// What would help, and whether there was time to try it all.
#[derive(Debug, Clone, PartialEq)]
pub struct ProblemRemedies {
    /// The cheapest first.
    pub remedies: Vec<ProblemRemedy>,
    /// Whether every change worth trying was tried.
    pub complete: bool,
}

/// The cheapest changes that help a plan, each proven by solving again; none are looked for where
/// nothing is short.
///
/// # Errors
/// [`SolveError`] for a problem that cannot be solved.
pub fn remedies(
    problem: &Problem,
    plan: &Plan,
    options: &Options,
    control: &dyn Control,
) -> Result<ProblemRemedies, SolveError> {
    if check(problem, plan).short_dg < LEAST_GAIN_DG {
        return Ok(ProblemRemedies {
            remedies: Vec::new(),
            complete: true,
        });
    }
    let changes = worth_trying(problem, plan);
    let made = |change: &ProblemChange| Ok::<_, SolveError>(change.made(problem));
    let Proven {
        helping, complete, ..
    } = prove(problem, plan, changes, made, options, control)?;
    let remedies = helping
        .into_iter()
        .filter_map(|(change, after, effect)| remedy(problem, change, &after, effect))
        .filter(|remedy| remedy.bargain.effect.helps())
        .collect();
    let kind = |remedy: &ProblemRemedy| std::mem::discriminant(&remedy.change);
    Ok(ProblemRemedies {
        remedies: cheapest(remedies, |remedy| remedy.bargain, kind),
        complete,
    })
}

/// Changes to the limits that the short pledges meet, the ones they meet most first.
fn worth_trying(problem: &Problem, plan: &Plan) -> Vec<ProblemChange> {
    let mut weights: Vec<(ProblemChange, i64)> = Vec::new();
    for reason in binding(problem, plan, &check(problem, plan)) {
        for cause in &reason.causes {
            let weight = cause.columns as i64 * reason.short_dg / reason.columns.max(1) as i64;
            let Some(change) = against(problem, plan, &cause.limit) else {
                continue;
            };
            match weights.iter_mut().find(|(known, _)| *known == change) {
                Some((_, sum)) => *sum += weight,
                None => weights.push((change, weight)),
            }
        }
    }
    weights.sort_by_key(|(_, weight)| std::cmp::Reverse(*weight));
    weights.truncate(MOST_TRIED);
    weights.into_iter().map(|(change, _)| change).collect()
}

/// The change that loosens a limit.
fn against(problem: &Problem, plan: &Plan, limit: &Limit) -> Option<ProblemChange> {
    match limit {
        Limit::Places { fullest, .. } => {
            let station = &fullest.first()?.station;
            let places = problem.stations.iter().find(|s| s.id == *station)?.places;
            Some(ProblemChange::Places {
                station: station.clone(),
                more: (places / 5).max(1),
            })
        }
        Limit::Minutes { site, .. } => Some(ProblemChange::Minutes {
            site: site.clone(),
            more: MORE_MINUTES,
        }),
        Limit::Mixing { site, .. } => Some(ProblemChange::Mixing {
            site: site.clone(),
            more: MORE_LITRES,
        }),
        Limit::MostSowings { site, .. } => Some(ProblemChange::MostSowings {
            site: site.clone(),
            more: 1,
        }),
        Limit::Stock { consumable, .. } => {
            let used: i64 = used_by_week(problem, plan, consumable).iter().sum();
            Some(ProblemChange::Goods {
                consumable: consumable.clone(),
                units: (used / 5).max(1),
                by: problem.start_date,
            })
        }
        Limit::Share { .. } => None,
    }
}

impl ProblemChange {
    /// The problem with the change made.
    fn made(&self, problem: &Problem) -> Problem {
        let mut changed = problem.clone();
        let raise = |limits: &mut Option<Vec<Option<i64>>>, more: i64| {
            for limit in limits.iter_mut().flatten().flatten() {
                // in a week without a working day nobody can do more
                *limit += if *limit > 0 { more } else { 0 };
            }
        };
        match self {
            Self::Places { station, more } => {
                for known in changed.stations.iter_mut().filter(|s| s.id == *station) {
                    known.places += more;
                }
            }
            Self::Goods {
                consumable, units, ..
            } => {
                let goods = changed.consumables.iter_mut();
                for known in goods.filter(|known| known.id == *consumable) {
                    known.stock += units;
                }
            }
            Self::Minutes { site, more }
            | Self::Mixing { site, more }
            | Self::MostSowings { site, more } => {
                for known in changed.sites.iter_mut().filter(|known| known.id == *site) {
                    match self {
                        Self::Minutes { .. } => raise(&mut known.minutes, *more),
                        Self::Mixing { .. } => raise(&mut known.mixing_dl, *more * 10),
                        _ => raise(&mut known.most_sowings, *more),
                    }
                }
            }
        }
        changed
    }
}

/// The remedy that a change turned out to be; of goods, what the plan with the change really needs.
fn remedy(
    problem: &Problem,
    change: ProblemChange,
    after: &Plan,
    mut effect: Effect,
) -> Option<ProblemRemedy> {
    let (change, provision, amount) = match change {
        ProblemChange::Goods { consumable, .. } => {
            let known = problem.consumables.iter().find(|c| c.id == consumable)?;
            let (units, week) = missing(known, &used_by_week(problem, after, &consumable))?;
            let price = units * known.price_cents10;
            let cost_e4 = problem.objective.cost_per_cent * price;
            effect.more_cents10 += price;
            effect.cost_e4 += cost_e4;
            effect.better_e4 -= cost_e4;
            let by = problem.start_date + Days::new(7 * week as u64);
            let change = ProblemChange::Goods {
                consumable,
                units,
                by,
            };
            let provision = if known.price_cents10 > 0 {
                Provision::Nothing
            } else {
                Provision::Goods
            };
            (change, provision, units)
        }
        ProblemChange::Places { more, .. } => (change, Provision::Places, more),
        ProblemChange::Mixing { more, .. } => (change, Provision::LitresAWeek, more),
        ProblemChange::Minutes { .. } | ProblemChange::MostSowings { .. } => {
            (change, Provision::Nothing, 0)
        }
    };
    let amount = if provision == Provision::Nothing {
        0.0
    } else {
        amount as f64
    };
    let bargain = Bargain {
        provision,
        amount,
        effect,
    };
    Some(ProblemRemedy { change, bargain })
}

/// Units of a consumable that a plan takes, by week.
fn used_by_week(problem: &Problem, plan: &Plan, consumable: &str) -> Vec<i64> {
    let mut used = vec![0; problem.weeks.len()];
    let mut uses: BTreeMap<(&str, &str), i64> = BTreeMap::new();
    for class in &problem.classes {
        for grown in &class.crops {
            let units = grown.uses.get(consumable).copied().unwrap_or(0);
            uses.insert((&class.id, &grown.crop), units);
        }
    }
    for sowing in &plan.sowings {
        let Some(station) = problem.stations.iter().find(|s| s.id == sowing.station) else {
            continue;
        };
        let day = (sowing.sow - problem.start_date).num_days();
        let slot = problem
            .sites
            .iter()
            .filter(|site| site.id == station.site)
            .flat_map(|site| &site.slots)
            .find(|slot| i64::from(slot.day) == day);
        let units = uses.get(&(station.class.as_str(), sowing.crop.as_str()));
        if let (Some(slot), Some(units)) = (slot, units) {
            used[slot.week] += units * sowing.containers;
        }
    }
    used
}

/// Units that are missing even with every purchase that can be made, and the first week in which one is.
fn missing(known: &Consumable, used_by_week: &[i64]) -> Option<(i64, usize)> {
    let (mut need, mut most, mut first) = (0, 0, None);
    for (week, used) in used_by_week.iter().enumerate() {
        need += used;
        let weeks_of_purchases = (week + 1).saturating_sub(known.lead_weeks) as i64;
        let lack = need - known.stock - known.most_per_week * weeks_of_purchases;
        if lack > 0 && first.is_none() {
            first = Some(week);
        }
        most = most.max(lack);
    }
    first.map(|week| (most, week))
}

impl ProblemRemedy {
    /// What it is, what it brings, and what it takes; ids stand for names.
    pub fn words(&self, problem: &Problem) -> String {
        let change = match &self.change {
            ProblemChange::Places { station, more } => {
                let places = if *more == 1 { "place" } else { "places" };
                format!("{more} more {places} at {station}")
            }
            ProblemChange::Minutes { site, more } => {
                format!("{more} more minutes of work a week at {site}")
            }
            ProblemChange::Mixing { site, more } => {
                format!("{more} more litres of solution a week at {site}")
            }
            ProblemChange::MostSowings { site, more } => {
                format!("{more} more batch sown a week at {site}")
            }
            ProblemChange::Goods {
                consumable,
                units,
                by,
            } => {
                let known = problem.consumables.iter().find(|c| c.id == *consumable);
                let unit = known.map_or("", |known| known.unit.as_str());
                format!("{units} × {unit} more of {consumable}, there by {by}")
            }
        };
        super::in_words(&change, &self.bargain)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten at hand, five more in every week from the second on. Used 8, 9 and 1: at the end of the
    /// second week 17 of 15, at the end of the third 18 of 20.
    #[test]
    fn what_is_missing_is_what_no_purchase_brings_in_time() {
        let known = Consumable {
            id: "seed".into(),
            stock: 10,
            price_cents10: 5,
            lead_weeks: 1,
            most_per_week: 5,
            unit: "g".into(),
        };
        assert_eq!(missing(&known, &[8, 9, 1]), Some((2, 1)));
        assert_eq!(missing(&known, &[12, 0, 9]), Some((2, 0)));
        assert_eq!(missing(&known, &[10, 5, 5]), None);
    }
}
