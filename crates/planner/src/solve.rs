//! From a problem to a valid plan with a proven bound.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::beside::{Long, several};
use crate::columns::{Columns, Paths, Rank, promising};
use crate::index::Index;
use crate::lagrange::{ClassPrices, Places};
use crate::plan::Plan;
use crate::prices::{Found, ascend, unit_e4};
use crate::problem::Problem;
use crate::random::geometric;
use crate::relaxation::{Guide, place_prices};
use crate::report::{self, Weeks};
use crate::rounding;
use crate::rounds::Rounds;
use crate::search::{Means, Settings, Watch};
use crate::start;

/// How much work, which seed, where to start.
#[derive(Debug, Clone)]
pub struct Options {
    /// Seed of the search; the same seed, problem and work give the same plan.
    pub seed: u64,
    /// Search moves.
    pub work: u64,
    /// Threads to use; the plan does not depend on them unless the control tells a share of time.
    pub threads: usize,
    /// A plan to start from; what is not possible in it is left out. Without one, an adopted plan of the
    /// problem is the start.
    pub start: Option<Plan>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            seed: 1,
            work: 100_000,
            threads: 1,
            start: None,
        }
    }
}

impl Options {
    /// Work that suits the size of a problem: two seconds for one site, about a minute for a dozen. Three problems of
    /// one site with least sizes end 6 % dearer with 57 000 moves than with 300 000, and 1 % cheaper with 600 000.
    pub fn for_problem(problem: &Problem) -> Self {
        let places: i64 = problem
            .stations
            .iter()
            .map(|station| station.places.clamp(0, 1_000_000))
            .sum();
        let work = 250_000 + 100 * places.clamp(0, 10_000) as u64;
        Self {
            work,
            ..Self::default()
        }
    }
}

/// What a running solve tells its caller.
#[derive(Debug, Clone, Copy)]
pub struct Progress {
    /// Points of the best plan so far.
    pub objective: f64,
    /// Proven lower bound so far, in points.
    pub bound: f64,
    /// Search moves made.
    pub work_done: u64,
    /// Search moves asked for.
    pub work: u64,
    /// Grams pledged over all targets and weeks.
    pub pledged_grams: f64,
}

/// The caller's clock and stop button, from any of the threads of a solve.
pub trait Control: Sync {
    /// Asked every few milliseconds; `true` ends the solve with the best plan so far.
    fn should_stop(&self) -> bool;
    /// Told every few milliseconds.
    fn progress(&self, progress: &Progress);
    /// Share of the caller's time that has gone, 0 to 1, or `None` when only work counts. With a
    /// deadline this lets the search settle in time; the plan then depends on the clock.
    fn time_gone(&self) -> Option<f64> {
        None
    }
}

/// A control that never stops.
#[derive(Debug, Clone, Copy, Default)]
pub struct Unhindered;

impl Control for Unhindered {
    fn should_stop(&self) -> bool {
        false
    }
    fn progress(&self, _progress: &Progress) {}
}

/// A plan with what is proven about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// The plan, valid unless `broken` says otherwise.
    pub plan: Plan,
    /// Its objective in ten-thousandths of a point.
    pub objective_e4: i64,
    /// No valid plan has a smaller objective than this.
    pub bound_e4: i64,
    /// Search moves made.
    pub work_done: u64,
    /// All the work was done, or the plan was proven best before.
    pub complete: bool,
    /// Rules that are broken: by committed work, whatever is planned, or shares that no plan found
    /// could keep. Empty for a valid plan.
    pub broken: Vec<String>,
    /// What each week brings.
    pub weeks: Weeks,
}

/// Why a problem cannot be solved.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SolveError {
    /// Ids, indexes or amounts do not fit together.
    #[error("the problem is not well formed: {0}")]
    BadProblem(String),
    /// Sums would leave the range of exact arithmetic.
    #[error("the problem is too large: {0}")]
    TooLarge(String),
}

/// A problem of up to this number of columns is small: on one site with two working days a week (6 643 columns) the
/// filter of larger problems cost 3 % of the objective.
const SMALL: u64 = 8_000;

/// Up to this number none is left out.
const KEEP_ALL: u64 = 300;

/// Greatest detour of a column of a small problem, in points at the least priority. Where places are full half of
/// the columns of S2 lie above it, and 14 of 16 plans of as many seeds use none of them: a search makes the same
/// moves in 15 % less time. Measured with 20, 10 and 6 against none left out on twelve other problems of one site,
/// one second and ten seeds each: 0.01, 0.07 and 0.00 % lower in the mean, within 0.3 % on each problem.
const DETOUR_OF_FEW: f64 = 10.0;

/// Most columns the search works with.
const MOST_COLUMNS: u64 = 1_500_000;

/// Most columns kept for each class and sow slot of a larger problem.
const KEEP: u64 = 64;

/// Greatest detour of a column kept, in points at the least priority. Measured on four problems of four
/// sites and 36 weeks, three seconds each: 1, 2 and 3 are alike; 5, or the best six of each slot whatever
/// their detour, end 1 % higher.
const DETOUR: f64 = 2.0;

/// The same where batches have a least size: a batch must take containers that the prices, which know of
/// no batches, would leave out. Measured on a scenario of three stations and on a problem of four sites with
/// batches of three to six: 2 ends 6 and 10 % higher, 20 some 1 and 4 %, and 200 as 60.
const DETOUR_OF_BATCHES: f64 = 60.0;

/// How much a detour counts at the start of a search that has no plan at hand, of up to 1 000 containers. Plans of a
/// search with 6 lie higher: three problems of four sites .3 % in the mean (seeds 1 to 5, twelve seconds on two
/// threads), six of two and three sites .1 % (eight seeds, 150 000 moves), two of two sites with least sizes 2 %; one
/// of four with two working days a week within its scatter. With 20 or 24 some end lower and others higher than with
/// 12. The more containers there are, the less each is moved and the more the prices have to say: a problem of twelve
/// sites ends at 82 452 points with 6 and at 81 877, 81 353, 81 097 and 81 582 with 12, 24, 50 and 100 (one run of
/// sixty seconds each).
const DETOUR_WEIGHT: f64 = 12.0;

/// What a container that a batch lacks counts at last, in points at the least priority: more than any
/// container is worth. With 300 the plans of a problem of four sites end 6 % dearer, with 1000 none or 1 %.
const LACK_PRICE: f64 = 3000.0;

/// Share of it that counts at the start when a plan is at hand, which its first moves must not tear apart.
const LACK_PRICE_OF_PLAN: f64 = 0.25;

/// Temperature at which batches become whole, in points at the least priority.
const WHOLE_BATCHES: f64 = 1.5;

/// Most of a caller's time that prices may take.
const PRICE_TIME: f64 = 0.33;

/// The same where an adopted plan is changed: its search needs the moves more. With .33 three changes of each of two
/// problems of four sites end .2 % higher in one second, with .12 .3 % lower, but their bounds are 5 % higher and 8 %
/// lower.
const PRICE_TIME_OF_CHANGES: f64 = 0.2;

/// Price steps for an amount of work: few when little work is asked for, fewer when a plan is at hand.
///
/// Steps of a small problem cost little, and its dives are as good as its prices: with 6000 in place of 8000 a search
/// of 120 000 moves of S2 ends 0.15 % dearer. With 8000 a problem of four sites and 36 weeks ends 0.6 %
/// higher in its bound, but its search of ten seconds lacks one of them and ends 0.4 % dearer.
fn price_steps(paths: &Paths, work: u64, warm: bool) -> u64 {
    if warm {
        (work / 60).clamp(100, 2000)
    } else if paths.total <= SMALL {
        (work / 15).clamp(100, 8000)
    } else {
        (work / 20).clamp(100, 3000)
    }
}

/// Keeps the caller informed.
struct Reporter<'a> {
    control: &'a dyn Control,
    stopped: AtomicBool,
    work: u64,
    pledged_grams: f64,
}

impl Reporter<'_> {
    /// Share of the time gone, or `None` to stop.
    fn ask(&self) -> Option<f64> {
        if self.control.should_stop() {
            self.stopped.store(true, Ordering::Relaxed);
        }
        if self.stopped.load(Ordering::Relaxed) {
            None
        } else {
            Some(self.control.time_gone().unwrap_or(0.0))
        }
    }

    fn tell(&self, objective: f64, bound: f64, work_done: u64) {
        self.control.progress(&Progress {
            objective,
            bound,
            work_done,
            work: self.work,
            pledged_grams: self.pledged_grams,
        });
    }
}

/// Share of the schedule from the share of time gone, given the share gone before the search began.
struct SearchWatch<'a, 'b> {
    reporter: &'a Reporter<'b>,
    before: f64,
    bound: f64,
}

impl Watch for SearchWatch<'_, '_> {
    fn look(&self, best_e4: i64, moves: u64) -> Option<f64> {
        self.reporter.tell(best_e4 as f64 / 1e4, self.bound, moves);
        self.glance()
    }

    fn glance(&self) -> Option<f64> {
        let gone = self.reporter.ask()?;
        Some(((gone - self.before) / (1.0 - self.before).max(1e-9)).clamp(0.0, 1.0))
    }
}

/// What a search starts from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Beginning {
    /// A fractional plan of the prices.
    Prices,
    /// A plan at hand.
    Plan,
    /// An adopted plan, of which each change counts.
    Adopted,
}

/// How to search, from a plan at hand or a fractional one with a number of containers.
///
/// Measured on eleven problems: a hotter start without much regard to detours loses 1 to 4 %, most where one
/// container is much of a pledge. Where there are many containers each is moved seldom: a start as hot as
/// for few leaves the plan in disorder, and an end as cold as for few leaves it where it is by then (two
/// working days a week and 130 containers end 0.3 % lower with a last temperature of .03 than of .3, four
/// sites and 600 containers 0.3 % higher).
///
/// What changes count for holds an adopted plan together at any heat, so its search begins nearly as hot as one without
/// a plan, and with more regard to detours: a search from 2 with a detour weight of 1 ends 1.0, .2 and .2 % higher on
/// three changes of a problem of four sites (112 000 moves, seeds 1 to 6), and .4 % higher on the one of the kit (one
/// second, seeds 1 to 8). With twice the weight, or from 8, it ends .1 % higher.
fn settings(
    index: &Index,
    moves: u64,
    (beginning, containers): (Beginning, i64),
    bound_e4: i64,
) -> Settings {
    let unit = 10.0 * unit_e4(index);
    let containers = containers.max(1) as f64;
    let cooler = (1500.0 / containers).clamp(0.25, 1.0);
    let (first, last, detour_weight, lack_from) = match beginning {
        Beginning::Plan => (2.0, 0.2 * cooler, 1.0, LACK_PRICE_OF_PLAN),
        Beginning::Adopted => (12.0, 0.2 * cooler, 30.0, LACK_PRICE_OF_PLAN),
        Beginning::Prices => {
            let last = 0.3 * (containers / 600.0).clamp(0.1, 1.0);
            let detour_weight = DETOUR_WEIGHT * (containers / 1000.0).sqrt().max(1.0);
            (15.0, last, detour_weight, 0.0)
        }
    };
    let first = first * cooler;
    Settings {
        moves,
        detour_weight,
        temperatures: geometric(first * unit, last * unit),
        bound_e4,
        lack_prices_e4: (lack_from * LACK_PRICE * unit, LACK_PRICE * unit),
        whole_batches_e4: WHOLE_BATCHES * unit,
        single_batches: false,
    }
}

/// Solve a problem. The answer's plan is valid by the rules of the format, also when stopped at once.
///
/// # Errors
/// [`SolveError::BadProblem`] for a problem that does not hold together, [`SolveError::TooLarge`] when
/// its sums leave the range of exact arithmetic.
pub fn solve(
    problem: &Problem,
    options: &Options,
    control: &dyn Control,
) -> Result<Answer, SolveError> {
    let index = Index::new(problem)?;
    let paths = Paths::new(&index)?;
    let pledged: i64 = problem
        .targets
        .iter()
        .flat_map(|target| &target.pledge_dg)
        .sum();
    let reporter = Reporter {
        control,
        stopped: AtomicBool::new(false),
        work: options.work,
        pledged_grams: pledged as f64 / 10.0,
    };
    let earlier = start::earlier(problem, &index, options.start.as_ref());
    let beginning = match &earlier {
        None => Beginning::Prices,
        Some(_) if options.start.is_none() && index.change_e4 > 0 => Beginning::Adopted,
        Some(_) => Beginning::Plan,
    };
    let warm = beginning != Beginning::Prices;
    let earlier = earlier.unwrap_or_default();
    let price_time = if beginning == Beginning::Adopted {
        PRICE_TIME_OF_CHANGES
    } else {
        PRICE_TIME
    };
    let steps = (price_steps(&paths, options.work, warm), options.threads);
    let found = ascend(&index, &paths, steps, |value| {
        reporter.tell(f64::INFINITY, value / 1e4, 0);
        reporter.ask().map(|gone| gone / price_time)
    });
    let counts = if warm {
        start::counts(&earlier, &index, &paths)
    } else {
        rounding::cumulative(&index, &paths, &found.mean)
    };
    let ranks = choose_columns(&index, &paths, &found, counts.keys().copied());
    let columns = Columns::new(&index, &paths, &ranks);
    let by_column = columns.amounts(&counts);
    let containers = counts.values().sum();
    let settings = settings(
        &index,
        options.work,
        (beginning, containers),
        found.bound_e4,
    );
    let watch = SearchWatch {
        before: reporter.ask().unwrap_or(1.0),
        bound: found.bound_e4 as f64 / 1e4,
        reporter: &reporter,
    };
    let means = Means {
        seed: options.seed,
        threads: options.threads,
        repeatable: control.time_gone().is_none(),
    };
    let rounds = Rounds {
        index: &index,
        columns: &columns,
        roundings: &found.roundings,
        settings: &settings,
        means,
        enough_e4: found.bound_e4,
    };
    let long = Long {
        index: &index,
        columns: &columns,
        counts: &by_column,
        settings: &settings,
        means,
    };
    let best = if warm || !rounds.suit() {
        let many = (!warm && rounds.suit_many()).then(|| {
            let guide = Guide {
                prices: &found.prices,
                layout: Places::new(&index, &found.roundings),
                places: &place_prices(&index, &found),
                containers: &columns.amounts(&found.mean),
            };
            rounds.run_many(guide, &watch)
        });
        many.flatten().unwrap_or_else(|| long.run(&watch))
    } else {
        let several = several(rounds, &long, &watch);
        several.unwrap_or_else(|| long.run(&watch))
    };
    let complete = !reporter.stopped.into_inner();
    let mut answer = report::answer(
        (problem, &index),
        &columns,
        &best.counts,
        &earlier,
        found.bound_e4,
    );
    debug_assert!(!index.shares.is_empty() || answer.objective_e4 == best.cost_e4);
    answer.work_done = best.moves;
    answer.complete = complete;
    answer.plan.seed = Some(options.seed);
    Ok(answer)
}

/// The columns of small detour, with their detours; of a small problem with least sizes, most sowings or shares,
/// which prices do not know, all.
fn choose_columns(
    index: &Index,
    paths: &Paths,
    found: &Found,
    needed: impl Iterator<Item = Rank>,
) -> BTreeMap<Rank, f64> {
    let slots = index.class_slots.max(1) as u64;
    let unknown = index.keep_batches || index.limit_kinds || !index.shares.is_empty();
    let limits = if paths.total <= KEEP_ALL || (paths.total <= SMALL && unknown) {
        (usize::MAX, f64::INFINITY)
    } else if paths.total <= SMALL {
        (usize::MAX, 10.0 * DETOUR_OF_FEW * unit_e4(index))
    } else {
        let keep = (MOST_COLUMNS / slots).clamp(1, KEEP) as usize;
        let detour = if index.keep_batches {
            DETOUR_OF_BATCHES
        } else {
            DETOUR
        };
        (keep, 10.0 * detour * unit_e4(index))
    };
    let mut ranks = BTreeMap::new();
    let places = Places::new(index, &found.roundings);
    let mut class_prices = ClassPrices::default();
    for class in 0..index.classes.len() {
        class_prices.solve(index, &places, &found.roundings, class, &found.prices);
        promising(index, paths, class, &class_prices, limits, &mut ranks);
    }
    for rank in needed {
        ranks.entry(rank).or_insert(0.0);
    }
    ranks
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    fn given(name: &str) -> Problem {
        let path = format!("{}/tests/data/{name}.json", env!("CARGO_MANIFEST_DIR"));
        serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
    }

    /// Ranks of the columns kept, columns in all, and the greatest detour kept, in points at the least priority.
    fn kept(problem: &Problem, needed: &[Rank]) -> (BTreeSet<Rank>, usize, f64) {
        let index = Index::new(problem).unwrap();
        let paths = Paths::new(&index).unwrap();
        let found = ascend(&index, &paths, (500, 1), |_| Some(0.0));
        let ranks = choose_columns(&index, &paths, &found, needed.iter().copied());
        let greatest = ranks.values().copied().fold(0.0, f64::max);
        let greatest = greatest / (10.0 * unit_e4(&index));
        (ranks.into_keys().collect(), paths.total as usize, greatest)
    }

    #[test]
    fn small_problems_keep_what_may_be_of_use() {
        let mut problem = given("check_s2_problem");
        let (some, all, greatest) = kept(&problem, &[]);
        assert!(some.len() < all && greatest <= DETOUR_OF_FEW, "{greatest}");
        let left_out = (0..all as Rank).find(|rank| !some.contains(rank)).unwrap();
        let (more, _, _) = kept(&problem, &[left_out]);
        assert!(more.contains(&left_out) && more.len() == some.len() + 1);
        problem.rules.smallest_sowing = true;
        let (whole, all, greatest) = kept(&problem, &[]);
        assert_eq!(whole.len(), all);
        assert!(greatest > DETOUR_OF_FEW, "{greatest}");
        let (few, all, _) = kept(&given("check_tiny_problem"), &[]);
        assert_eq!(few.len(), all);
    }
}
