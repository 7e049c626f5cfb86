//! Several searches of a small problem: valid wherever they are stopped, the same on any number of threads, near
//! the best plans known.
#![allow(clippy::unwrap_used)]

use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use cotyl_planner::check::check;
use cotyl_planner::testing::tiny_instance;
use cotyl_planner::{Answer, Control, Options, Problem, Progress, Unhindered, solve};

/// Enough for several searches.
const WORK: u64 = 20_000;

fn given(name: &str) -> Problem {
    let path = format!(
        "{}/tests/data/check_{name}_problem.json",
        env!("CARGO_MANIFEST_DIR")
    );
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
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
    for problem in [given("s2"), with_batches(given("s2"))] {
        let told = Clock::new(u64::MAX);
        let answer = run(&problem, (WORK, 1), &told);
        assert!(answer.complete);
        let (objective, work) = told.told.into_inner().unwrap();
        assert!(work > WORK / 2);
        assert!(answer.objective_e4 as f64 / 1e4 <= objective + 1e-6);
    }
}
