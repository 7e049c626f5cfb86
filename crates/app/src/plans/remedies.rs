//! What would help: one change to the co-operative at a time, each proven by solving again.
//!
//! The reasons of the short pledges only say what is worth trying. What is told is the difference
//! between two solved plans, that of the co-operative as it is having been searched as long, with what
//! the change takes; the order is that of [`cotyl_planner::remedy`], the cheapest first.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use cotyl_growth::Relaxed;
use cotyl_planner::chance::{ChanceError, raised, simulate};
use cotyl_planner::check::check;
use cotyl_planner::explain::{Limit, NothingDelivers, ShortReason, binding};
use cotyl_planner::problem::Problem;
use cotyl_planner::remedy::{
    Bargain, Effect, LEAST_GAIN_DG, MORE_LITRES, MORE_MINUTES, MOST_OF_A_KIND, MOST_TRIED, Proven,
    Provision, cheapest, in_words, prove, takes_in_words,
};
use cotyl_planner::{Control, Options, Plan, SolveError};
use serde::{Deserialize, Serialize};

use super::chances::uncertainty;
use super::compile::{Compiled, LeftOut, compile};
use super::days::Deliveries;
use super::explain::deliverable;
use super::season::{Season, SeasonError};

mod change;
mod goods;

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
    /// What it takes, in words, where they are others than those of `bargain`.
    #[serde(default)]
    pub takes: Option<String>,
    /// Weekly pledges more that reach the wanted chance, when one was asked for.
    #[serde(default)]
    pub more_reached: Option<i64>,
    /// The dimension by which the ordered item is kept: `mass`, `volume` or `count`.
    #[serde(default)]
    pub dimension: Option<String>,
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
    /// Tenths of a cent that goods used more are worth.
    pub more_cents_tenths: i64,
    /// Ten-thousandths of a point that work and goods count.
    pub points_e4: i64,
    /// What pledges are short of less for each unit that has to be provided.
    pub less_short_milligrams_per_unit: Option<i64>,
    /// Points gained for each point of work, where work is all that it takes.
    pub points_per_point: Option<f64>,
    /// In words.
    pub words: String,
}

impl Remedy {
    /// The same where what it brings was measured over seasons.
    fn in_seasons(mut self, margin: &Margin<'_>, more_reached: i64) -> Self {
        let mean = " less short over these weeks in the mean of seasons";
        let mut said = mean.to_owned();
        if more_reached > 0 {
            let pledges = if more_reached == 1 {
                "weekly pledge reaches"
            } else {
                "weekly pledges reach"
            };
            let percent = margin.wanted_permille as f64 / 10.0;
            said += &format!(", {more_reached} more {pledges} a chance of {percent} %");
        }
        self.words = self
            .words
            .replacen(" less short over these weeks", &said, 1);
        self.more_reached = Some(more_reached);
        self
    }

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
            more_cents_tenths: bargain.effect.more_cents10,
            points_e4: bargain.effect.cost_e4,
            less_short_milligrams_per_unit: per_unit.map(|dg| (dg * 100.0) as i64),
            points_per_point: match provide {
                None => bargain.points_per_point(),
                Some(_) => None,
            },
            words: self
                .takes
                .clone()
                .unwrap_or_else(|| takes_in_words(bargain)),
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
    /// No seasons can be drawn for a plan.
    #[error(transparent)]
    Chances(#[from] ChanceError),
}

/// Pledges as a margin raised them, and how what that gives is measured.
#[derive(Debug, Clone, Copy)]
pub struct Margin<'a> {
    /// By how much, by target and week.
    pub factors: &'a BTreeMap<(String, usize), f64>,
    /// The wanted chance in thousandths.
    pub wanted_permille: i64,
    /// Seasons that are drawn.
    pub seasons: usize,
    /// Seed of the seasons.
    pub seed: u64,
}

/// What a plan gives over many seasons.
struct Outlook {
    /// Mean of what is missing.
    short_dg: f64,
    /// Weekly pledges that reach the wanted chance.
    reached: i64,
}

impl Margin<'_> {
    fn outlook(
        &self,
        season: &Season,
        problem: &Problem,
        plan: &Plan,
    ) -> Result<Outlook, RemedyError> {
        let drawn = simulate(problem, plan, &uncertainty(season), self.seasons, self.seed)?;
        let wanted = self.wanted_permille as f64 / 1000.0;
        let reached = drawn.cells.iter().filter(|cell| cell.met >= wanted);
        Ok(Outlook {
            short_dg: drawn
                .cells
                .iter()
                .map(|c| c.expected_short_grams)
                .sum::<f64>()
                * 10.0,
            reached: reached.count() as i64,
        })
    }
}

/// What trials are measured against.
struct Trial<'a> {
    season: &'a Season,
    compiled: &'a Compiled,
    before: Option<(&'a Margin<'a>, Outlook)>,
}

impl Trial<'_> {
    /// The change in its true size, what it takes, and how many weekly pledges more reach a wanted chance;
    /// `None` when it does not help after all.
    fn measured(
        &self,
        change: &Change,
        after: &Plan,
        mut effect: Effect,
    ) -> Result<Option<(Change, Bargain, Option<i64>)>, RemedyError> {
        let Some(change) = goods::sized(self.season, self.compiled, change, after)? else {
            return Ok(None);
        };
        let mut more_reached = None;
        if let Some((margin, before)) = &self.before {
            let changed = change.made(self.season);
            let problem = compile(&changed, LeftOut::default())?.problem;
            let outlook = margin.outlook(&changed, &problem, after)?;
            effect.less_short_dg = (before.short_dg - outlook.short_dg) as i64;
            more_reached = Some(outlook.reached - before.reached);
            if !effect.helps() {
                return Ok(None);
            }
        }
        let (provision, amount) = change.provision(self.season);
        let bargain = Bargain {
            provision,
            amount,
            effect,
        };
        Ok(Some((change, bargain, more_reached)))
    }
}

/// A plan searched on as long as each change is tried, so that a margin starts from it; as it is where
/// nothing is short.
///
/// # Errors
/// Those of solving.
pub(super) fn searched_on(
    problem: &Problem,
    plan: &Plan,
    options: &Options,
    control: &dyn Control,
) -> Result<Plan, SolveError> {
    if check(problem, plan).short_dg < LEAST_GAIN_DG {
        return Ok(plan.clone());
    }
    let nothing: Vec<Change> = Vec::new();
    let made = |_: &Change| Ok::<Problem, SolveError>(problem.clone());
    Ok(prove(problem, plan, nothing, made, options, control)?.plan)
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
    seek(season, problem, plan, None, options, control)
}

/// The same for a plan with a margin. The plan without it may lack nothing in the mean and yet miss its
/// pledges in half of the seasons, so changes are tried on the pledges as the margin raised them, and what
/// they bring is the mean over seasons of what pledges are short of less.
///
/// # Errors
/// [`RemedyError`] for a season that cannot be stated or solved.
pub(super) fn remedies_with_margin(
    season: &Season,
    problem: &Problem,
    plan: &Plan,
    margin: &Margin<'_>,
    options: &Options,
    control: &dyn Control,
) -> Result<Remedies, RemedyError> {
    seek(season, problem, plan, Some(margin), options, control)
}

fn seek(
    season: &Season,
    problem: &Problem,
    plan: &Plan,
    margin: Option<&Margin<'_>>,
    options: &Options,
    control: &dyn Control,
) -> Result<Remedies, RemedyError> {
    let wished = |problem: &Problem| match margin {
        Some(margin) => raised(problem, margin.factors),
        None => problem.clone(),
    };
    let asked = wished(problem);
    if check(&asked, plan).short_dg < LEAST_GAIN_DG {
        return Ok(Remedies {
            plan: plan.clone(),
            remedies: Vec::new(),
            complete: true,
        });
    }
    let compiled = compile(season, LeftOut::default())?;
    let changes = worth_trying(season, &compiled, &asked, plan)?;
    let made = |change: &Change| -> Result<Problem, RemedyError> {
        Ok(wished(
            &compile(&change.made(season), LeftOut::default())?.problem,
        ))
    };
    let Proven {
        plan,
        helping,
        complete,
    } = prove(&asked, plan, changes, made, options, control)?;
    let trial = Trial {
        season,
        compiled: &compiled,
        before: match margin {
            Some(margin) if !helping.is_empty() => {
                Some((margin, margin.outlook(season, problem, &plan)?))
            }
            _ => None,
        },
    };
    let mut found: Vec<(Change, Bargain)> = Vec::new();
    let mut reached: Vec<(Change, i64)> = Vec::new();
    for (change, after, effect) in helping {
        if let Some((change, bargain, more_reached)) = trial.measured(&change, &after, effect)? {
            reached.extend(more_reached.map(|more| (change.clone(), more)));
            found.push((change, bargain));
        }
    }
    let chosen = worth_telling(&found);
    Ok(Remedies {
        plan,
        remedies: chosen
            .into_iter()
            .map(|(change, bargain)| {
                let more = reached.iter().find(|(known, _)| *known == change);
                let more_reached = margin.and(more.map(|(_, more)| *more));
                let remedy = told(season, change, bargain);
                match (margin, more_reached) {
                    (Some(margin), Some(more)) => remedy.in_seasons(margin, more),
                    _ => remedy,
                }
            })
            .collect(),
        complete,
    })
}

/// The cheapest of the changes that help; opening on more days that brings no more is no remedy.
fn worth_telling(found: &[(Change, Bargain)]) -> Vec<(Change, Bargain)> {
    let sparing = found.iter().filter(|(change, bargain)| {
        !found.iter().any(|(less, other)| {
            less.opens_less_than(change)
                && other.effect.less_short_dg >= bargain.effect.less_short_dg
        })
    });
    cheapest(
        sparing.cloned().collect(),
        |(_, bargain)| *bargain,
        |(change, _)| std::mem::discriminant(change),
    )
}

fn told(season: &Season, change: Change, bargain: Bargain) -> Remedy {
    let words = in_words(&change.words(season), &bargain);
    let mut dimension = None;
    let (words, takes) = match &change {
        Change::Goods {
            item_id, quantity, ..
        } => {
            dimension = goods::dimension(season, *item_id);
            let takes = goods::takes(season, *item_id, *quantity, bargain.effect);
            let kilograms = bargain.effect.less_short_dg as f64 / 1e4;
            let words = format!(
                "{}: {kilograms:.2} kg less short over these weeks; takes {takes}",
                change.words(season)
            );
            (words, Some(takes))
        }
        _ => (words, None),
    };
    Remedy {
        words,
        takes,
        more_reached: None,
        dimension,
        change,
        less_short_milligrams: bargain.effect.less_short_dg * 100,
        better_by_e4: bargain.effect.better_e4,
        bargain: Some(bargain),
    }
}

/// Changes to the limits that the short pledges meet, the ones they meet most first.
fn worth_trying(
    season: &Season,
    compiled: &Compiled,
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
            if let Some(change) = against(&cause.limit, of_class, season, compiled) {
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
    Ok(to_try(weights))
}

/// The weightiest changes, a few of each kind before more of one: many closed days and lamps that each
/// would make a lost week possible must not crowd out the order that all the other weeks wait for.
fn to_try(mut weights: Vec<(Change, i64)>) -> Vec<Change> {
    weights.sort_by_key(|(_, weight)| std::cmp::Reverse(*weight));
    let mut kinds: HashMap<_, usize> = HashMap::new();
    let mut ranked: Vec<(bool, Change)> = weights
        .into_iter()
        .map(|(change, _)| {
            let of_kind = kinds.entry(std::mem::discriminant(&change)).or_default();
            *of_kind += 1;
            (*of_kind > MOST_OF_A_KIND, change)
        })
        .collect();
    ranked.sort_by_key(|(is_one_more, _)| *is_one_more);
    ranked.truncate(MOST_TRIED);
    ranked.into_iter().map(|(_, change)| change).collect()
}

/// The change that loosens a limit.
fn against(limit: &Limit, class: &str, season: &Season, compiled: &Compiled) -> Option<Change> {
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
        Limit::Stock { consumable, .. } => goods::any_of(season, compiled, consumable),
        Limit::Share { .. } => None,
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
