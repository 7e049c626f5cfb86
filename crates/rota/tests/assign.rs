//! Assignments against enumeration and against an independent solver.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use cotyl_rota::testing::{by_enumeration, random_problem};
use cotyl_rota::{Hindrance, Member, Problem, Span, Task, WORK_LIMIT, Work, assign, check, why};

const DAY: Span = Span { from: 480, to: 960 };

fn member(free: Span) -> Member {
    Member {
        minutes_before: 0,
        free: vec![free],
        most: 10,
        held: Vec::new(),
    }
}

fn task(minutes: i64, who: &[usize]) -> Task {
    Task {
        places: 1,
        minutes,
        urgency: 0,
        day: 0,
        open: vec![DAY],
        who: who.to_vec(),
    }
}

#[test]
fn equals_the_enumeration_of_tiny_problems() {
    for seed in 0..400 {
        let problem = random_problem(seed, 4, 5);
        let answer = assign(&problem, WORK_LIMIT);
        assert!(answer.proven, "{seed}");
        assert_eq!(check(&problem, &answer), [""; 0], "{seed}");
        assert_eq!(
            (answer.covered, answer.spread),
            by_enumeration(&problem),
            "{seed}"
        );
    }
}

/// The same problems as an integer programme, written from their format alone in
/// `independent_solver.py` and solved by CP-SAT of OR-Tools.
#[test]
fn agrees_with_the_independent_solver() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = std::env::var_os("COTYL_CHECK_PYTHON").map_or_else(
        || here.join("../../target/check-venv/bin/python"),
        PathBuf::from,
    );
    assert!(python.exists(), "run cargo xtask setup");
    let file = std::env::temp_dir().join(format!("cotyl-rota-check-{}.json", std::process::id()));
    let problems: BTreeMap<u64, Problem> = (1000..1200)
        .map(|seed| (seed, random_problem(seed, 7, 12)))
        .collect();
    std::fs::write(&file, serde_json::to_string(&problems).unwrap()).unwrap();
    let output = Command::new(python)
        .arg(here.join("tests/independent_solver.py"))
        .arg(&file)
        .output()
        .unwrap();
    std::fs::remove_file(&file).unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let found: BTreeMap<u64, (Vec<usize>, i64)> = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(found.len(), problems.len());
    let mut work = 0;
    for (seed, problem) in &problems {
        let answer = assign(problem, WORK_LIMIT);
        assert_eq!(check(problem, &answer), [""; 0], "{seed}");
        assert!(answer.proven, "{seed}");
        assert_eq!(found[seed], (answer.covered, answer.spread), "{seed}");
        work += answer.work;
    }
    println!("{} problems agree; {work} arcs looked at", problems.len());
}

#[test]
fn a_bound_is_said_where_the_work_ends() {
    let mut short = 0;
    for seed in 0..40 {
        let problem = random_problem(seed, 12, 40);
        let answer = assign(&problem, 20_000);
        assert_eq!(check(&problem, &answer), [""; 0], "{seed}");
        assert!(answer.most_covered >= answer.covered);
        assert!(
            answer
                .least_spread
                .is_none_or(|least| least <= answer.spread)
        );
        short += usize::from(!answer.proven);
        // the same again
        assert_eq!(answer, assign(&problem, 20_000));
        let longer = assign(&problem, 2_000_000);
        assert!(longer.covered >= answer.covered && longer.covered <= answer.most_covered);
        if longer.covered == answer.covered
            && let Some(least) = answer.least_spread
        {
            assert!(least <= longer.spread && longer.spread <= answer.spread);
        }
    }
    assert!(short > 0);
}

#[test]
fn the_urgent_comes_first_and_the_rest_is_fair() {
    // one free hour: the urgent task of an hour, not three others of 20 minutes
    let hour = Span { from: 600, to: 660 };
    let mut tasks = vec![task(20, &[0]); 3];
    for each in &mut tasks {
        each.urgency = 1;
    }
    tasks.push(task(60, &[0]));
    let problem = Problem {
        tasks,
        members: vec![member(hour)],
    };
    let answer = assign(&problem, WORK_LIMIT);
    assert_eq!((answer.covered, answer.given), (vec![1, 0], vec![(3, 0)]));
    // one who has done an hour already gets the short one of two
    let mut busy = member(DAY);
    busy.minutes_before = 60;
    let problem = Problem {
        tasks: vec![task(30, &[0, 1]), task(90, &[0, 1])],
        members: vec![busy, member(DAY)],
    };
    assert_eq!(assign(&problem, WORK_LIMIT).given, [(0, 0), (1, 1)]);
}

#[test]
fn what_nobody_can_do_says_why() {
    let early = Span { from: 400, to: 500 };
    let mut full = member(DAY);
    full.most = 0;
    let mut busy = member(DAY);
    busy.held = vec![Work {
        minutes: 450,
        spans: vec![DAY],
    }];
    let problem = Problem {
        tasks: vec![
            task(60, &[]),
            task(60, &[0]),
            task(60, &[0, 1]),
            task(60, &[0, 1, 2]),
            task(480, &[3]),
            task(10, &[3]),
        ],
        members: vec![member(early), full, busy, member(DAY)],
    };
    let answer = assign(&problem, WORK_LIMIT);
    assert_eq!(answer.covered, [1]);
    let reasons: Vec<_> = (0..6).map(|task| why(&problem, &answer, task)).collect();
    let elsewhere = Some(Hindrance::NeededElsewhere);
    assert_eq!(
        reasons[..4],
        [
            Some(Hindrance::MayNot),
            Some(Hindrance::NotFree),
            Some(Hindrance::AtLimit),
            Some(Hindrance::Busy)
        ]
    );
    assert_eq!(reasons[4..], [elsewhere, None]);
}
