//! How long a solve takes to come within a gap, against the number of columns:
//! `time_to_gap GAP MOST_SECONDS PROBLEM...`, the gap in points a pledged gram, problems as plain JSON.
//!
//! The work grows by a quarter at a time until the gap is met. Time is that of one thread of the processor where the system
//! tells it (Linux), of the clock elsewhere. The last column would be level for a time of order n log n.

use std::time::Instant;

use cotyl_planner::problem::ClassCrop;
use cotyl_planner::{Options, Problem, Unhindered, solve};

/// Possible sowings of one container of a crop in a class.
fn columns(entry: &ClassCrop) -> f64 {
    // by slot: ways to go on from a cut there
    let mut onward = vec![1.0; entry.free_at.len()];
    for _ in 1..entry.cut_dg.len() {
        let mut longer = vec![1.0; onward.len()];
        for arc in &entry.again {
            longer[arc.from] += onward[arc.to];
        }
        onward = longer;
    }
    entry.first.iter().map(|arc| onward[arc.to]).sum()
}

/// Seconds this thread has had of the processor.
fn processor_seconds() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    let nanoseconds: f64 = text.split(' ').next()?.parse().ok()?;
    Some(nanoseconds / 1e9)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let usage = "time_to_gap GAP MOST_SECONDS PROBLEM...";
    let wanted: f64 = arguments.get(1).ok_or(usage)?.parse()?;
    let most: f64 = arguments.get(2).ok_or(usage)?.parse()?;
    println!("problem  columns  work  gap  seconds  nanoseconds per n log2 n");
    for path in &arguments[3..] {
        let problem: Problem = serde_json::from_slice(&std::fs::read(path)?)?;
        let crops = problem.classes.iter().flat_map(|class| &class.crops);
        let n: f64 = crops.map(columns).sum();
        let pledges = problem.targets.iter().flat_map(|target| &target.pledge_dg);
        let pledged = pledges.sum::<i64>() as f64 / 10.0;
        let mut work = 250;
        loop {
            let (clock, processor) = (Instant::now(), processor_seconds());
            let options = Options {
                work,
                ..Options::default()
            };
            let answer = solve(&problem, &options, &Unhindered)?;
            let seconds = match (processor, processor_seconds()) {
                (Some(before), Some(after)) => after - before,
                _ => clock.elapsed().as_secs_f64(),
            };
            let gap = (answer.objective_e4 - answer.bound_e4) as f64 / 1e4 / pledged;
            if gap <= wanted || seconds > most {
                let scaled = 1e9 * seconds / (n * n.log2());
                println!(
                    "{}  {n}  {work}  {gap:.4}  {seconds:.2}  {scaled:.0}",
                    problem.name
                );
                break;
            }
            work += work / 4;
        }
    }
    Ok(())
}
