//! `cotyl plan`: solve a problem or a scenario from a file, without a database.

use std::collections::BTreeMap;
use std::io::{IsTerminal, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use clap::Args;
use cotyl_app::plans::compile::{LeftOut, compile};
use cotyl_app::plans::explain::explain_plan;
use cotyl_app::plans::goods::purchases_of;
use cotyl_app::plans::scenario::Scenario;
use cotyl_app::plans::season::Season;
use cotyl_planner::check::{Verdict, check};
use cotyl_planner::explain::binding;
use cotyl_planner::faults::{faults, read_problem};
use cotyl_planner::problem::PROBLEM_FORMAT;
use cotyl_planner::{Answer, Control, Options, Problem, Progress, solve};

use crate::Outcome;

mod outlook;

use outlook::Grounds;

/// What to solve, and how long.
#[derive(Debug, Args)]
pub struct PlanArguments {
    /// A planning-problem/1 file, plain or gzip, or a scenario: the API's resources in one document
    file: PathBuf,
    /// Seconds to search, which the search makes use of; beside --work only the most it may take. Stopping early
    /// gives the best plan so far [default: at most 20]
    #[arg(long)]
    seconds: Option<u64>,
    /// Moves of the search; the same work and seed give the same plan [default: by the problem's size, or as
    /// many as --seconds allows]
    #[arg(long)]
    work: Option<u64>,
    /// Seed of the search
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// The chance in per cent with which every pledge of every week is to be met, 50 to 99: the plan is
    /// spread and widened, and what that costs is told; --seconds holds once more for it
    #[arg(long, value_name = "PERCENT", value_parser = clap::value_parser!(u8).range(50..=99))]
    chance: Option<u8>,
    /// Try which changes would help, one at a time, and tell the cheapest; --seconds holds once more for
    /// it, and the plan that is written stays the same
    #[arg(long)]
    remedies: bool,
    /// Where the plan is written; standard output when left out
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Most seconds of a search by work.
const MOST_SECONDS: u64 = 20;

/// Moves of a search by time: more than it can make.
const UNLIMITED_WORK: u64 = 1 << 40;

/// Largest file that is read, unpacked.
const MOST_BYTES: u64 = 512 * 1024 * 1024;

/// Two threads where there are as many cores: threads of a search wait for each other.
fn threads() -> usize {
    std::thread::available_parallelism().map_or(1, |cores| cores.get().min(2))
}

/// Solves and writes the plan.
///
/// # Errors
/// When the file cannot be read or the plan cannot be written.
pub fn plan(arguments: &PlanArguments) -> Outcome {
    let Grounded {
        problem,
        season,
        names,
    } = read(&arguments.file)?;
    let suited = Options::for_problem(&problem);
    let options = Options {
        seed: arguments.seed,
        work: arguments.work.unwrap_or(suited.work),
        // with --work a second thread only makes it faster: the plan is the same
        threads: threads(),
        ..suited
    };
    let control = Terminal::new(arguments)?;
    let search = Options {
        work: if control.settles {
            UNLIMITED_WORK
        } else {
            options.work
        },
        ..options.clone()
    };
    let mut answer = solve(&problem, &search, &control)?;
    control.finish();
    answer.plan.seconds = Some(control.started.elapsed().as_secs_f64());
    let verdict = check(&problem, &answer.plan);
    summarise(&problem, season.as_ref(), &answer, &verdict)?;
    let grounds = Grounds {
        problem: &problem,
        season: season.as_ref(),
        names: &names,
        options: &options,
    };
    if arguments.remedies {
        let control = control.again();
        grounds.tell_remedies(&answer.plan, &control)?;
    }
    if let Some(percent) = arguments.chance {
        let control = control.again();
        let bound = answer.plan.bound;
        answer.plan = grounds.widen(&answer.plan, percent, &control)?;
        answer.plan.bound = bound;
        answer.plan.seed = Some(options.seed);
        let seconds = control.started.elapsed().as_secs_f64();
        answer.plan.seconds = answer.plan.seconds.map(|before| before + seconds);
    }
    let verdict = check(&problem, &answer.plan);
    let text = serde_json::to_string_pretty(&answer.plan)?;
    match &arguments.out {
        Some(path) => std::fs::write(path, text + "\n")
            .map_err(|fault| format!("{}: {fault}", path.display()))?,
        None => writeln!(std::io::stdout(), "{text}")?,
    }
    if !verdict.valid {
        let why: Vec<&str> = verdict
            .problems
            .iter()
            .map(|problem| problem.message.as_str())
            .collect();
        return Err(format!("no valid plan exists as things stand: {}", why.join("; ")).into());
    }
    Ok(())
}

/// Names of records by their ids.
type Names = BTreeMap<String, String>;

/// A problem, with the season of a scenario and the names that it gives.
struct Grounded {
    problem: Problem,
    season: Option<Season>,
    names: Names,
}

fn read(path: &Path) -> Result<Grounded, Box<dyn std::error::Error + Send + Sync>> {
    let named = |fault: &dyn std::fmt::Display| format!("{}: {fault}", path.display());
    let packed = std::fs::read(path).map_err(|fault| named(&fault))?;
    let bytes = if packed.starts_with(&[0x1f, 0x8b]) {
        let mut bytes = Vec::new();
        flate2::read::GzDecoder::new(packed.as_slice())
            .take(MOST_BYTES)
            .read_to_end(&mut bytes)
            .map_err(|fault| named(&fault))?;
        bytes
    } else {
        packed
    };
    #[derive(serde::Deserialize)]
    struct Head {
        format: Option<String>,
    }
    let head: Head = serde_json::from_slice(&bytes)
        .map_err(|fault| named(&format!("this is not a JSON document: {fault}")))?;
    let (problem, season, names) = match head.format.as_deref() {
        Some(PROBLEM_FORMAT) => {
            let problem = read_problem(&bytes).map_err(|fault| named(&fault))?;
            (problem, None, Names::new())
        }
        Some(other) => {
            return Err(named(&format!(
                "the format {other:?} is not {PROBLEM_FORMAT:?}; a scenario has no format field"
            ))
            .into());
        }
        None => {
            let season = Scenario::read(&bytes)
                .and_then(Scenario::season)
                .map_err(|fault| named(&fault))?;
            let compiled = compile(&season, LeftOut::default()).map_err(|fault| named(&fault))?;
            let names = season.names();
            (compiled.problem, Some(season), names)
        }
    };
    let found = faults(&problem);
    if !found.is_empty() {
        let lines: Vec<String> = found
            .iter()
            .take(20)
            .map(|fault| format!("{}: {}", fault.path, fault.message))
            .collect();
        return Err(named(&format!(
            "the problem is not well formed:\n{}",
            lines.join("\n")
        ))
        .into());
    }
    Ok(Grounded {
        problem,
        season,
        names,
    })
}

/// Stops on time or on Ctrl-C, and shows progress where somebody looks.
struct Terminal {
    started: Instant,
    seconds: Duration,
    /// Is the search to come to its end when the time does?
    settles: bool,
    interrupted: Arc<AtomicBool>,
    shown: Mutex<Option<Instant>>,
    watched: bool,
}

impl Terminal {
    fn new(arguments: &PlanArguments) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        let interrupted = Arc::new(AtomicBool::new(false));
        let flag = Arc::clone(&interrupted);
        // a runtime of its own that only listens for Ctrl-C
        std::thread::Builder::new()
            .name("interrupt".into())
            .spawn(move || {
                let runtime = tokio::runtime::Builder::new_current_thread()
                    .enable_all()
                    .build();
                if let Ok(runtime) = runtime
                    && runtime.block_on(tokio::signal::ctrl_c()).is_ok()
                {
                    flag.store(true, Ordering::Relaxed);
                }
            })?;
        Ok(Self {
            started: Instant::now(),
            seconds: Duration::from_secs(arguments.seconds.unwrap_or(MOST_SECONDS)),
            settles: arguments.seconds.is_some() && arguments.work.is_none(),
            interrupted,
            shown: Mutex::new(None),
            watched: std::io::stderr().is_terminal(),
        })
    }

    /// The same with its time begun anew, for searches by work.
    fn again(&self) -> Self {
        Self {
            started: Instant::now(),
            seconds: self.seconds,
            settles: false,
            interrupted: Arc::clone(&self.interrupted),
            shown: Mutex::new(None),
            watched: false,
        }
    }

    fn finish(&self) {
        if self.watched {
            eprintln!();
        }
    }
}

impl Control for Terminal {
    fn should_stop(&self) -> bool {
        self.interrupted.load(Ordering::Relaxed) || self.started.elapsed() >= self.seconds
    }

    fn time_gone(&self) -> Option<f64> {
        let gone = self.started.elapsed().as_secs_f64() / self.seconds.as_secs_f64();
        self.settles.then_some(gone.min(1.0))
    }

    fn progress(&self, progress: &Progress) {
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        let recently = shown.is_some_and(|at| at.elapsed() < Duration::from_millis(200));
        if !self.watched || recently {
            return;
        }
        *shown = Some(Instant::now());
        eprint!(
            "\r{:6.1} s  objective {:.1}  bound {:.1}  gap {:.4} points a pledged gram   ",
            self.started.elapsed().as_secs_f64(),
            progress.objective,
            progress.bound,
            (progress.objective - progress.bound) / progress.pledged_grams.max(1.0),
        );
    }
}

fn summarise(
    problem: &Problem,
    season: Option<&Season>,
    answer: &Answer,
    verdict: &Verdict,
) -> Outcome {
    let grams = |decigrams: i64| decigrams as f64 / 10.0;
    eprintln!(
        "{}: {} containers in {} sowings; {:.0} g of {:.0} g pledged are expected, {:.0} g are short, {:.0} g are more than anyone asked for",
        problem.name,
        verdict.containers,
        verdict.sowings,
        grams(verdict.pledged_dg - verdict.short_dg),
        grams(verdict.pledged_dg),
        grams(verdict.short_dg),
        grams(verdict.surplus_dg),
    );
    let points = |e4: i64| e4 as f64 / 1e4;
    eprintln!(
        "objective {:.1} points; proven: no plan is below {:.1}",
        points(verdict.objective_e4),
        points(answer.bound_e4),
    );
    if !answer.complete {
        eprintln!("the time ran out or the search was ended: more time may give a better plan");
    }
    if let Some(season) = season {
        to_buy(season, problem, answer)?;
    }
    if verdict.short_cells.is_empty() {
        return Ok(());
    }
    eprintln!("Expected short:");
    for (week, label) in problem.weeks.iter().enumerate() {
        let short: i64 = verdict
            .short_cells
            .iter()
            .filter(|cell| cell.week == week)
            .map(|cell| cell.short_dg)
            .sum();
        if short > 0 {
            eprintln!("  {label}: {:.0} g", grams(short));
        }
    }
    let mut reasons: Vec<(i64, String)> = match season {
        Some(season) => explain_plan(season, &answer.plan, &[])?
            .into_iter()
            .map(|short| (short.short_milligrams, short.words))
            .collect(),
        None => binding(problem, &answer.plan, verdict)
            .iter()
            .map(|reason| (reason.short_dg, reason.summary()))
            .collect(),
    };
    reasons.sort_by_key(|(short, _)| std::cmp::Reverse(*short));
    eprintln!("The largest of them, and what stands in the way:");
    for (_, words) in reasons.iter().take(5) {
        eprintln!("  {words}");
    }
    Ok(())
}

/// What is to be bought for the plan of a scenario.
fn to_buy(season: &Season, problem: &Problem, answer: &Answer) -> Outcome {
    let bought = purchases_of(season, problem, &answer.plan)?;
    if bought.is_empty() {
        return Ok(());
    }
    eprintln!("To buy, by the last day to order:");
    for purchase in &bought {
        eprintln!("  {}", purchase.words);
    }
    let known = bought.iter().filter_map(|purchase| purchase.cents);
    if let Some(cents) = known.reduce(|sum, cents| sum + cents) {
        eprintln!(
            "  in all {:.2} of money, as far as prices are known",
            cents as f64 / 100.0
        );
    }
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        plan: PlanArguments,
    }

    fn terminal(line: &str) -> Terminal {
        let words = format!("plan {line}");
        let line = Line::try_parse_from(words.split(' ')).unwrap();
        Terminal::new(&line.plan).unwrap()
    }

    #[test]
    fn a_search_settles_in_seconds_that_are_asked_for_without_work() {
        for (line, seconds, settles) in [
            ("file --seconds 7", 7, true),
            ("file --seconds 7 --work 9", 7, false),
            ("file --work 9", 20, false),
            ("file", 20, false),
        ] {
            let terminal = terminal(line);
            assert_eq!(terminal.seconds, Duration::from_secs(seconds), "{line}");
            assert_eq!(terminal.time_gone().is_some(), settles, "{line}");
            assert_eq!(terminal.again().time_gone(), None, "{line}");
        }
    }

    #[test]
    fn of_no_seconds_all_are_gone() {
        let terminal = terminal("file --seconds 0");
        assert!(terminal.should_stop());
        assert_eq!(terminal.time_gone(), Some(1.0));
    }
}
