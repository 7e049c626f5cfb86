//! Solve a problem file: `solve_file PROBLEM PLAN SECONDS [SEED] [WORK]`.
//!
//! Writes the plan as JSON and prints one line with what was reached. With WORK the search is bounded by
//! moves and repeats exactly; otherwise the seconds set the pace.

use std::error::Error;
use std::time::{Duration, Instant};

use cotyl_planner::{Control, Options, Problem, Progress, solve};

struct Deadline {
    start: Instant,
    length: Duration,
    pace: bool,
}

impl Control for Deadline {
    fn should_stop(&self) -> bool {
        self.start.elapsed() >= self.length
    }
    fn progress(&self, _progress: &Progress) {}
    fn time_gone(&self) -> Option<f64> {
        self.pace
            .then(|| self.start.elapsed().as_secs_f64() / self.length.as_secs_f64())
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, problem, plan, seconds, rest @ ..] = &arguments[..] else {
        return Err("usage: solve_file PROBLEM PLAN SECONDS [SEED] [WORK]".into());
    };
    let problem: Problem = serde_json::from_str(&std::fs::read_to_string(problem)?)?;
    let mut options = Options {
        work: u64::MAX / 2,
        ..Options::default()
    };
    if let Some(seed) = rest.first() {
        options.seed = seed.parse()?;
    }
    if let Some(work) = rest.get(1) {
        options.work = work.parse()?;
    }
    let control = Deadline {
        start: Instant::now(),
        length: Duration::from_secs_f64(seconds.parse()?),
        pace: rest.len() < 2,
    };
    let answer = solve(&problem, &options, &control)?;
    let elapsed = control.start.elapsed().as_secs_f64();
    println!(
        "{} objective {} bound {} moves {} complete {} seconds {elapsed:.2} broken {:?}",
        problem.name,
        answer.objective_e4 as f64 / 1e4,
        answer.bound_e4 as f64 / 1e4,
        answer.work_done,
        answer.complete,
        answer.broken
    );
    std::fs::write(plan, serde_json::to_string(&answer.plan)?)?;
    Ok(())
}
