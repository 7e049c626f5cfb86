//! Chances and margins of problem files: `chance_figures PROBLEM PLAN SEASONS [PLEDGE_PERMILLE WORK [OUT]]`;
//! OUT is written the problem and the plan with the margin, for other checkers.

use std::time::Instant;

use cotyl_planner::chance::{Chances, MarginOptions, MarginRequest, Uncertainty, margin, simulate};
use cotyl_planner::check::check;
use cotyl_planner::{Options, Plan, Problem, Unhindered, solve};

fn line(name: &str, chances: &Chances) {
    let cells: Vec<f64> = chances
        .cells
        .iter()
        .filter(|c| c.week >= 8)
        .map(|c| c.met)
        .collect();
    let high = cells.iter().filter(|&&met| met >= 0.9).count() as f64;
    let n = cells.len() as f64;
    println!(
        "{name}: mean {:.3}, at 90 % {:.3}",
        cells.iter().sum::<f64>() / n,
        high / n
    );
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let mut problem: Problem = serde_json::from_slice(&std::fs::read(&arguments[1])?)?;
    let seasons = arguments[3].parse()?;
    let uncertainty = Uncertainty::of_problem(&problem);
    if arguments.len() < 6 {
        let plan: Plan = serde_json::from_slice(&std::fs::read(&arguments[2])?)?;
        let start = Instant::now();
        let chances = simulate(&problem, &plan, &uncertainty, seasons, 1)?;
        println!("{seasons} seasons in {:?}", start.elapsed());
        line("given", &chances);
        return Ok(());
    }
    let permille: i64 = arguments[4].parse()?;
    let work = arguments[5].parse()?;
    for target in &mut problem.targets {
        target
            .pledge_dg
            .iter_mut()
            .for_each(|dg| *dg = *dg * permille / 1000);
    }
    let options = Options {
        work,
        ..Options::default()
    };
    let plan = solve(&problem, &options, &Unhindered)?.plan;
    let request = MarginRequest {
        chance: 0.9,
        seasons,
        from_week: 8,
    };
    let outcome = margin(
        &problem,
        &plan,
        &uncertainty,
        &request,
        &MarginOptions { work, seed: 1 },
        &Unhindered,
    )?;
    line("before", &outcome.before);
    line("after", &outcome.after);
    let count = |plan: &Plan| {
        plan.sowings
            .iter()
            .map(|sowing| sowing.containers)
            .sum::<i64>()
    };
    println!(
        "containers {} -> {}, sowings {} -> {}, minutes10 {:+}, objective {} -> {}, rounds {}, spread {}, not reached {}",
        count(&plan),
        count(&outcome.plan),
        plan.sowings.len(),
        outcome.plan.sowings.len(),
        outcome.more_minutes10,
        check(&problem, &plan).objective_e4,
        outcome.objective_e4,
        outcome.rounds,
        outcome.spread,
        outcome.not_reached.len()
    );
    if let Some(file) = arguments.get(6) {
        std::fs::write(file, serde_json::to_string(&(&problem, &outcome.plan))?)?;
    }
    Ok(())
}
