//! Several searches of a problem: valid wherever they are stopped, the same on any number of threads, near
//! the best plans known.
#![allow(clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use chrono::NaiveDate;
use cotyl_planner::check::check;
use cotyl_planner::problem::Sowing;
use cotyl_planner::testing::tiny_instance;
use cotyl_planner::{Answer, Control, Options, Problem, Progress, Unhindered, solve};

/// Enough for several searches in a round.
const WORK: u64 = 40_000;

fn given(name: &str) -> Problem {
    let path = format!(
        "{}/tests/data/check_{name}_problem.json",
        env!("CARGO_MANIFEST_DIR")
    );
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

/// Some problems as one, each with its own sites, crops, pledges and goods: its best plan is all of theirs together.
/// Too large for an exact linear programme, and too small for nothing but one search.
fn side_by_side(names: &[&str]) -> Problem {
    let mut whole: Option<Problem> = None;
    for name in names {
        let mut own = given(name);
        let rename = |id: &mut String| *id = format!("{name}-{id}");
        own.crops.iter_mut().for_each(rename);
        own.sites.iter_mut().for_each(|site| rename(&mut site.id));
        for class in &mut own.classes {
            rename(&mut class.id);
            rename(&mut class.site);
            for row in &mut class.crops {
                rename(&mut row.crop);
                let uses = std::mem::take(&mut row.uses).into_iter();
                row.uses = uses.map(|(id, n)| (format!("{name}-{id}"), n)).collect();
            }
        }
        for station in &mut own.stations {
            rename(&mut station.id);
            rename(&mut station.site);
            rename(&mut station.class);
        }
        for target in &mut own.targets {
            rename(&mut target.id);
            target.crops.iter_mut().for_each(rename);
            target.sites.iter_mut().for_each(rename);
        }
        for committed in &mut own.committed {
            rename(&mut committed.site);
            rename(&mut committed.crop);
        }
        let work = own.committed_work.iter_mut();
        work.for_each(|work| rename(&mut work.site));
        own.consumables
            .iter_mut()
            .for_each(|good| rename(&mut good.id));
        own.spread.clear();
        match &mut whole {
            None => whole = Some(own),
            Some(whole) => {
                assert_eq!((&whole.weeks, whole.rules), (&own.weeks, own.rules));
                whole.crops.append(&mut own.crops);
                whole.sites.append(&mut own.sites);
                whole.classes.append(&mut own.classes);
                whole.stations.append(&mut own.stations);
                whole.targets.append(&mut own.targets);
                whole.committed.append(&mut own.committed);
                whole.committed_work.append(&mut own.committed_work);
                whole.consumables.append(&mut own.consumables);
            }
        }
    }
    whole.unwrap()
}

fn with_batches(mut problem: Problem) -> Problem {
    problem.rules.smallest_sowing = true;
    problem.rules.most_sowings = true;
    problem
}

fn run(problem: &Problem, (work, threads): (u64, usize), control: &dyn Control) -> Answer {
    let options = Options {
        work,
        threads,
        ..Options::default()
    };
    let answer = solve(problem, &options, control).unwrap();
    let verdict = check(problem, &answer.plan);
    assert!(verdict.valid, "{}: {:?}", problem.name, verdict.problems);
    assert_eq!(verdict.objective_e4, answer.objective_e4);
    assert!(answer.bound_e4 <= answer.objective_e4);
    answer
}

#[test]
fn random_problems_are_valid_and_the_same_on_several_threads() {
    for seed in 0..24 {
        for problem in [tiny_instance(seed), with_batches(tiny_instance(seed))] {
            let one = run(&problem, (WORK, 1), &Unhindered);
            assert!(one.work_done <= WORK);
            assert_eq!(one, run(&problem, (WORK, 3), &Unhindered), "seed {seed}");
        }
    }
}

/// Best plans known by HiGHS 1.16, CP-SAT 9.15 and long searches of other programs.
#[test]
fn little_work_comes_near_the_best_plans_known() {
    let problems = [
        ("s1", 2529.439, 1.005),
        ("s2", 2228.184, 1.03),
        ("s1x2", 2157.528, 1.005),
    ];
    for (name, best, within) in problems {
        let answer = run(&given(name), (60_000, 1), &Unhindered);
        let points = answer.objective_e4 as f64 / 1e4;
        assert!(points <= within * best, "{name}: {points}");
    }
}

/// The best plan of problems side by side is that of each of them; those known are of HiGHS 1.16, CP-SAT 9.15 and long
/// searches of other programs. One search of this work from the rounded prices ends 1.5 % above them.
#[test]
fn many_containers_come_near_the_best_plans_known() {
    let problem = side_by_side(&["s1", "s2", "s1x2"]);
    let known = 2529.439 + 2228.184 + 2157.528;
    let answer = run(&problem, (60_000, 1), &Unhindered);
    let points = answer.objective_e4 as f64 / 1e4;
    assert!(points >= known * 0.99, "{points}: are they one problem?");
    assert!(points <= known * 1.01, "{points}");
    assert_eq!(answer, run(&problem, (60_000, 3), &Unhindered));
}

/// The best plan known of S2 with least sizes and six kinds a week, of ten seconds of this program: 3 799.3. One
/// search of this work from the rounded prices ends 8 to 46 % above it (three seeds).
#[test]
fn little_work_comes_near_the_best_plan_known_with_least_sizes() {
    let answer = run(&with_batches(given("s2")), (250_000, 1), &Unhindered);
    let points = answer.objective_e4 as f64 / 1e4;
    assert!(points <= 1.15 * 3799.3, "{points}");
}

/// A clock that goes on by one with every look, and what is told meanwhile.
struct Clock {
    end: u64,
    now: AtomicU64,
    /// Objective and work told last.
    told: Mutex<(f64, u64)>,
}

impl Clock {
    fn new(end: u64) -> Self {
        Self {
            end,
            now: AtomicU64::new(0),
            told: Mutex::new((f64::INFINITY, 0)),
        }
    }
}

impl Control for Clock {
    fn should_stop(&self) -> bool {
        self.now.fetch_add(1, Ordering::Relaxed) >= self.end
    }
    fn progress(&self, progress: &Progress) {
        let mut told = self.told.lock().unwrap();
        assert!(progress.objective <= told.0, "{} rises", progress.objective);
        assert!(progress.work_done >= told.1, "{} falls", progress.work_done);
        *told = (progress.objective, progress.work_done);
    }
    fn time_gone(&self) -> Option<f64> {
        Some((self.now.load(Ordering::Relaxed) as f64 / self.end as f64).min(1.0))
    }
}

#[test]
fn stopped_by_a_clock_the_plan_is_valid_and_never_got_worse() {
    let problems = [
        (given("s2"), 1),
        (given("s2"), 2),
        (with_batches(given("s2")), 1),
        // wide enough for one long search beside the rounds
        (given("s1x2"), 3),
        (side_by_side(&["s1", "s2"]), 1),
        (side_by_side(&["s1", "s2"]), 2),
    ];
    for (problem, threads) in problems {
        for end in [1, 10, 100, 300, 1_000, 3_000] {
            let clock = Clock::new(end);
            let answer = run(&problem, (1_000_000_000, threads), &clock);
            assert!(!answer.complete);
            let (objective, _) = clock.told.into_inner().unwrap();
            assert!(answer.objective_e4 as f64 / 1e4 <= objective + 1e-6);
        }
    }
}

#[test]
fn stopped_by_work_what_is_told_never_gets_worse() {
    let many = side_by_side(&["s1", "s2"]);
    for (problem, work, threads) in [
        (given("s2"), WORK, 1),
        (given("s2"), WORK, 2),
        (with_batches(given("s2")), WORK, 1),
        // wide, and near its bound after one round: a long search follows
        (given("s1x2"), WORK, 2),
        (many, WORK, 1),
    ] {
        let told = Clock::new(u64::MAX);
        let answer = run(&problem, (work, threads), &told);
        assert!(answer.complete);
        let (objective, made) = told.told.into_inner().unwrap();
        assert!(made > work / 2);
        assert!(answer.objective_e4 as f64 / 1e4 <= objective + 1e-6);
    }
}

/// Containers by station, crop and day of sowing.
fn batches(sowings: &[Sowing]) -> BTreeMap<(&str, &str, NaiveDate), i64> {
    let mut batches = BTreeMap::new();
    for sowing in sowings {
        let batch = (sowing.station.as_str(), sowing.crop.as_str(), sowing.sow);
        *batches.entry(batch).or_insert(0) += sowing.containers;
    }
    batches
}

/// People have read the adopted plan: what is asked for anew moves few of its containers and is nearly as good as a
/// plan that is free to move all.
#[test]
fn a_plan_made_anew_moves_few_containers() {
    let mut problem = side_by_side(&["s1", "s2"]);
    let adopted = run(&problem, (60_000, 2), &Unhindered).plan.sowings;
    for target in problem.targets.iter_mut().step_by(4) {
        let later = target.pledge_dg.iter_mut().skip(12);
        later.for_each(|dg| *dg += *dg / 5);
    }
    let cold = run(&problem, (60_000, 2), &Unhindered);
    problem.adopted = Some(adopted.clone());
    let warm = run(&problem, (20_000, 2), &Unhindered);
    let (before, now) = (batches(&adopted), batches(&warm.plan.sowings));
    let count = |of: &BTreeMap<_, i64>, batch| of.get(batch).copied().unwrap_or(0);
    let both: BTreeSet<_> = before.keys().chain(now.keys()).collect();
    let changed = both
        .iter()
        .map(|batch| (count(&before, batch) - count(&now, batch)).abs());
    let (changed, all): (i64, i64) = (changed.sum(), before.values().sum());
    assert!(changed > 0 && changed * 10 <= all * 2, "{changed} of {all}");
    let without = warm.objective_e4 - problem.objective.change_per_container * 10 * changed;
    let points = |e4: i64| e4 as f64 / 1e4;
    let (warm, cold) = (points(without), points(cold.objective_e4));
    assert!(warm <= 1.02 * cold, "{warm}, {cold}");
}
