//! A margin: spread the sowings on which weak weeks hang, and raise the pledges of those weeks, until
//! each is met with a wanted chance.

use std::collections::BTreeMap;

use serde::Serialize;

use super::spread::{Draw, spread};
use super::{ChanceError, Chances, Uncertainty, simulate};
use crate::check::{Verdict, check};
use crate::solve::{Control, Options, Progress, SolveError, solve};
use crate::{Plan, Problem};

/// Most rounds of the loop.
const MOST_ROUNDS: usize = 4;
/// Rounds without a better plan before it ends.
const PATIENCE: usize = 2;

/// What is asked for.
#[derive(Debug, Clone)]
pub struct MarginRequest {
    /// The chance with which each week is to be met, above 0 and below 1.
    pub chance: f64,
    /// Seasons drawn per round.
    pub seasons: usize,
    /// Weeks before this one are not asked for: what is sown now comes too late for them.
    pub from_week: usize,
}

/// Work and seeds.
#[derive(Debug, Clone)]
pub struct MarginOptions {
    /// Search moves of each round.
    pub work: u64,
    /// Seed of searches and seasons.
    pub seed: u64,
}

/// The outcome.
#[derive(Debug, Clone, Serialize)]
pub struct Margin {
    /// The best plan of all rounds, the given one included; valid for the problem as given if that was.
    pub plan: Plan,
    /// Its objective on the problem as given, in ten-thousandths of a point.
    pub objective_e4: i64,
    /// Chances of the plan given.
    pub before: Chances,
    /// Chances of the plan returned.
    pub after: Chances,
    /// Target id and week of what does not reach the chance.
    pub not_reached: Vec<(String, usize)>,
    /// Containers more than before.
    pub more_containers: i64,
    /// Tenths of a minute of work more than before.
    pub more_minutes10: i64,
    /// Rounds solved.
    pub rounds: usize,
    /// Parts of sowings moved to another day or station in the plan returned.
    pub spread: usize,
    /// By how much pledges were raised in the last round, by target id and week.
    #[serde(skip)]
    pub factors: BTreeMap<(String, usize), f64>,
    /// False when the caller stopped it.
    pub complete: bool,
}

/// Why there is no margin.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MarginError {
    /// Seasons cannot be drawn.
    #[error(transparent)]
    Chance(#[from] ChanceError),
    /// The raised problem cannot be solved.
    #[error(transparent)]
    Solve(#[from] SolveError),
    /// The wanted chance is not between 0 and 1.
    #[error("the wanted chance must be above 0 and below 1")]
    BadChance,
}

/// Spreads the plan ([`super::spread`]); then raises the pledges of weak weeks, re-solves from the plan
/// before (not spread) without change cost, spreads what was found, and keeps the plan, spread or not,
/// whose weeks below the wanted chance lack least of it in sum; the plan as it was given, spread, is the
/// first of them. A plan counts only when [`check`] finds it valid for the problem as given. The chances
/// returned are drawn afresh: a plan chosen for its chances has been lucky in the seasons that chose it.
///
/// Each round multiplies the pledge of a cell below the wanted chance by
/// 1 + 0.7 (pledge / 10 % quantile - 1), at most 1.6, in all at most 2.2; above a chance of 0.97 by 0.95,
/// never below the pledge.
///
/// # Errors
/// [`MarginError`] for a plan, uncertainty or chance that cannot be used.
pub fn margin(
    problem: &Problem,
    plan: &Plan,
    uncertainty: &Uncertainty,
    request: &MarginRequest,
    options: &MarginOptions,
    control: &dyn Control,
) -> Result<Margin, MarginError> {
    if !(request.chance > 0.0 && request.chance < 1.0) {
        return Err(MarginError::BadChance);
    }
    let draw = |plan: &Plan, seed| simulate(problem, plan, uncertainty, request.seasons, seed);
    let spreading = Draw {
        problem,
        uncertainty,
        request,
        seed: options.seed,
    };
    let mut chances = draw(plan, options.seed)?;
    let mut best = Best {
        lack: lack(&chances, request),
        plan: plan.clone(),
        spread: 0,
        round: 0,
    };
    let mut current = plan.clone();
    let mut factors: BTreeMap<(String, usize), f64> = BTreeMap::new();
    let mut rounds = 0;
    let mut complete = true;
    loop {
        let found = lack(&chances, request);
        best.keep_better(problem, &mut current.clone(), found, 0, rounds);
        // what is raised next rests on the plan as it was found, so that spreading only ever adds
        let (mut candidate, parts) = spread(&spreading, &current, &chances, control)?;
        if parts > 0 {
            let found = lack(&draw(&candidate, options.seed)?, request);
            best.keep_better(problem, &mut candidate, found, parts, rounds);
        }
        if control.should_stop() {
            complete = best.lack <= 0.0;
            break;
        }
        if rounds >= MOST_ROUNDS || rounds - best.round >= PATIENCE || best.lack <= 0.0 {
            break;
        }
        raise(&chances, request, &mut factors);
        let search = Options {
            seed: options.seed,
            work: options.work,
            start: Some(current),
            ..Options::default()
        };
        let part_of_time = Round::of(control, MOST_ROUNDS - rounds);
        current = solve(&raised(problem, &factors), &search, &part_of_time)?.plan;
        (current.objective, current.bound) = (None, None);
        rounds += 1;
        chances = draw(&current, options.seed)?;
    }
    let fresh = options.seed.wrapping_add(1);
    let outcome = Outcome {
        before: draw(plan, fresh)?,
        after: draw(&best.plan, fresh)?,
        given: check(problem, plan),
        found: check(problem, &best.plan),
    };
    Ok(Margin {
        factors,
        ..outcome.told(best, request, rounds, complete)
    })
}

/// Chances and verdicts of the plan given and the plan found; the chances of fresh seasons.
struct Outcome {
    before: Chances,
    after: Chances,
    given: Verdict,
    found: Verdict,
}

impl Outcome {
    fn told(self, best: Best, request: &MarginRequest, rounds: usize, complete: bool) -> Margin {
        Margin {
            objective_e4: self.found.objective_e4,
            not_reached: weak(&self.after, request),
            before: self.before,
            after: self.after,
            plan: best.plan,
            more_containers: self.found.containers - self.given.containers,
            more_minutes10: self.found.minutes10 - self.given.minutes10,
            rounds,
            spread: best.spread,
            factors: BTreeMap::new(),
            complete,
        }
    }
}

/// The best round so far.
struct Best {
    lack: f64,
    plan: Plan,
    spread: usize,
    round: usize,
}

impl Best {
    /// Keeps a round's plan when weeks lack less and it is valid for the problem as given.
    fn keep_better(
        &mut self,
        problem: &Problem,
        plan: &mut Plan,
        lack: f64,
        spread: usize,
        round: usize,
    ) {
        let verdict = check(problem, plan);
        if verdict.valid && lack < self.lack {
            plan.objective = Some(verdict.objective_e4 as f64 / 1e4);
            *self = Self {
                lack,
                plan: plan.clone(),
                spread,
                round,
            };
        }
    }
}

/// One round's part of the caller's time.
struct Round<'a> {
    control: &'a dyn Control,
    begun: f64,
    part: f64,
}

impl<'a> Round<'a> {
    fn of(control: &'a dyn Control, rounds_left: usize) -> Self {
        let begun = control.time_gone().unwrap_or(0.0).min(1.0);
        Self {
            control,
            begun,
            part: (1.0 - begun) / rounds_left.max(1) as f64,
        }
    }
}

impl Control for Round<'_> {
    fn should_stop(&self) -> bool {
        self.control.should_stop() || self.time_gone().is_some_and(|gone| gone >= 1.0)
    }
    fn progress(&self, progress: &Progress) {
        self.control.progress(progress);
    }
    fn time_gone(&self) -> Option<f64> {
        let gone = self.control.time_gone()?;
        Some(((gone - self.begun) / self.part.max(1e-9)).clamp(0.0, 1.0))
    }
}

/// Target id and week of what is below the wanted chance.
fn weak(chances: &Chances, request: &MarginRequest) -> Vec<(String, usize)> {
    let asked = chances
        .cells
        .iter()
        .filter(|cell| cell.week >= request.from_week && cell.met < request.chance);
    asked.map(|cell| (cell.target.clone(), cell.week)).collect()
}

/// Summed distance below the wanted chance.
pub(super) fn lack(chances: &Chances, request: &MarginRequest) -> f64 {
    let asked = chances
        .cells
        .iter()
        .filter(|cell| cell.week >= request.from_week);
    asked.map(|cell| (request.chance - cell.met).max(0.0)).sum()
}

fn raise(chances: &Chances, request: &MarginRequest, factors: &mut BTreeMap<(String, usize), f64>) {
    for cell in chances
        .cells
        .iter()
        .filter(|cell| cell.week >= request.from_week)
    {
        let factor = factors
            .entry((cell.target.clone(), cell.week))
            .or_insert(1.0);
        let step = if cell.met < request.chance {
            let pledge = cell.pledge_dg as f64 / 10.0;
            (1.0 + 0.7 * (pledge / cell.delivered_grams[0].max(1e-9) - 1.0)).min(1.6)
        } else if cell.met > 0.97 {
            0.95
        } else {
            1.0
        };
        *factor = (*factor * step).clamp(1.0, 2.2);
    }
}

/// The problem with raised pledges and no cost of change.
#[must_use]
pub fn raised(problem: &Problem, factors: &BTreeMap<(String, usize), f64>) -> Problem {
    let mut raised = problem.clone();
    raised.adopted = None;
    for target in &mut raised.targets {
        for (week, pledge) in target.pledge_dg.iter_mut().enumerate() {
            if let Some(factor) = factors.get(&(target.id.clone(), week)) {
                *pledge = (*pledge as f64 * factor).round() as i64;
            }
        }
    }
    raised
}
