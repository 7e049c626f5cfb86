//! Chances against seasons drawn independently (numpy) and against closed forms.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use cotyl_planner::chance::{
    MarginError, MarginOptions, MarginRequest, Scatter, Uncertainty, margin, simulate,
};
use cotyl_planner::check::check;
use cotyl_planner::testing::tiny_instance;
use cotyl_planner::{Control, Options, Plan, Problem, Progress, Unhindered, solve};

/// A tiny problem with one target, its plan and a scatter that varies with the seed.
fn case(seed: u64) -> (Problem, Plan, Uncertainty) {
    let mut problem = tiny_instance(seed);
    problem.targets.truncate(1);
    let options = Options {
        work: 600,
        ..Options::default()
    };
    let plan = solve(&problem, &options, &Unhindered).unwrap().plan;
    let scatter = Scatter {
        germination: 0.80 + 0.02 * (seed % 10) as f64,
        cv: 0.1 * (seed % 5) as f64,
        days_sd: 3.0 * (seed % 3) as f64,
        station_share: 0.2 * (seed % 4) as f64,
        container_share: 0.1 * (seed % 4) as f64,
    };
    let crops = problem.crops.iter().map(|crop| (crop.clone(), scatter));
    let crops = crops.collect();
    (
        problem,
        plan,
        Uncertainty {
            crops,
            ..Uncertainty::default()
        },
    )
}

#[test]
fn weeks_predicted_at_p_are_met_at_p() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = std::env::var_os("COTYL_CHECK_PYTHON").map_or_else(
        || here.join("../../target/check-venv/bin/python"),
        PathBuf::from,
    );
    assert!(python.exists(), "run cargo xtask setup");
    let mut cases = Vec::new();
    for seed in 0..200 {
        let (problem, plan, uncertainty) = case(seed);
        let predicted = simulate(&problem, &plan, &uncertainty, 4_000, seed).unwrap();
        cases.push(serde_json::json!({"problem": problem, "plan": plan,
            "uncertainty": uncertainty, "predicted": predicted}));
    }
    let file = std::env::temp_dir().join(format!("cotyl-chance-{}.json", std::process::id()));
    std::fs::write(&file, serde_json::to_string(&cases).unwrap()).unwrap();
    let script = here.join("tests/chance_seasons.py");
    let output = Command::new(python)
        .arg(script)
        .arg(&file)
        .output()
        .unwrap();
    std::fs::remove_file(&file).unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    println!("{}", String::from_utf8_lossy(&output.stdout));
    let found: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(found["cells"].as_u64().unwrap() > 200);
    // family-wise confidence 99 % over all cells
    assert!(found["worst_p"].as_f64().unwrap() > 0.01, "{found}");
}

#[test]
fn without_scatter_the_season_is_the_plan() {
    for seed in 0..100 {
        let mut problem = tiny_instance(seed);
        problem.adopted = None;
        let options = Options {
            work: 600,
            ..Options::default()
        };
        let answer = solve(&problem, &options, &Unhindered).unwrap();
        let chances = simulate(&problem, &answer.plan, &Uncertainty::default(), 3, 1).unwrap();
        let planned: BTreeMap<_, _> = check(&problem, &answer.plan)
            .weeks
            .into_iter()
            .map(|cell| ((cell.target, cell.week), cell.short_dg))
            .collect();
        for cell in chances.cells {
            let short = planned[&(cell.target.clone(), cell.week)];
            assert!(
                (cell.expected_short_grams * 10.0 - short as f64).abs() < 1e-6,
                "seed {seed}"
            );
            assert_eq!(cell.met == 1.0, short == 0, "seed {seed}");
        }
    }
}

/// One sowing of ten containers, one cut, one pledge: the problem the closed forms are for.
fn one_sowing(pledge_dg: i64) -> (Problem, Plan) {
    let text = format!(
        r#"{{"format":"planning-problem/1","name":"one","start_date":"2026-03-02",
        "weeks":["2026-W10","2026-W11"],"crops":["leaf"],
        "sites":[{{"id":"hall","slots":[{{"day":1,"week":0,"harvest_week":0}},{{"day":8,"week":1,"harvest_week":1}}],
          "minutes":null,"mixing_dl":null,"most_sowings":null}}],
        "classes":[{{"id":"rack","site":"hall","crops":[{{"crop":"leaf","smallest_sowing":1,"first":[[0,1,1000]],
          "again":[],"cut_dg":[100],"free_at":[1,2],"minutes10":{{"sow":0,"cut":0,"clean":0}},
          "mix_dl":{{"sow":0,"cut":0}},"uses":{{}}}}]}}],
        "stations":[{{"id":"a","site":"hall","class":"rack","places":10,"taken":[]}},
          {{"id":"b","site":"hall","class":"rack","places":10,"taken":[]}}],
        "targets":[{{"id":"pantry","crops":["leaf"],"sites":["hall"],"priority":1,"pledge_dg":[0,{pledge_dg}]}}],
        "committed":[],"committed_work":[],"consumables":[],
        "objective":{{"shortfall_bands":[[1000,1000]],"surplus_per_g":0,"cost_per_cent":0,"labour_per_minute":0,
          "change_per_container":0}},
        "rules":{{"minutes":false,"mixing":false,"stock":false,"smallest_sowing":false,"most_sowings":false}},
        "adopted":null}}"#
    );
    let plan = r#"{"format":"planning-plan/1","problem":"one","sowings":[{"station":"a","crop":"leaf",
        "sow":"2026-03-03","containers":10,"cuts":["2026-03-10"]}]}"#;
    (
        serde_json::from_str(&text).unwrap(),
        serde_json::from_str(plan).unwrap(),
    )
}

fn known(scatter: Scatter) -> Uncertainty {
    let crops = BTreeMap::from([("leaf".to_owned(), scatter)]);
    Uncertainty {
        crops,
        ..Uncertainty::default()
    }
}

/// With germination 0.8, ten containers of 100 dg reach 1000 dg when at least 8 stand: binomial tail
/// 0.677800 (worked out with Python's `fractions`). Four standard errors at 40 000 seasons.
#[test]
fn germination_alone_is_a_binomial_tail() {
    let (problem, plan) = one_sowing(1000);
    let scatter = Scatter {
        germination: 0.8,
        ..Scatter::NONE
    };
    let chances = simulate(&problem, &plan, &known(scatter), 40_000, 3).unwrap();
    assert!(
        (chances.cells[0].met - 0.677800).abs() < 0.0094,
        "{:?}",
        chances.cells
    );
}

/// P(F >= 0.8), F log-normal with mean 1 and coefficient of variation 0.3, and E max(0, 1 - F) * 100 g:
/// standard normal distribution function and numeric integration by scipy 1.x.
#[test]
fn yield_alone_is_log_normal() {
    let scatter = Scatter {
        cv: 0.3,
        ..Scatter::NONE
    };
    let (problem, plan) = one_sowing(800);
    let chances = simulate(&problem, &plan, &known(scatter), 40_000, 3).unwrap();
    assert!(
        (chances.cells[0].met - 0.730177).abs() < 0.0094,
        "{:?}",
        chances.cells
    );
    let (problem, plan) = one_sowing(1000);
    let chances = simulate(&problem, &plan, &known(scatter), 40_000, 3).unwrap();
    let short = chances.cells[0].expected_short_grams;
    assert!((short - 11.669448).abs() < 0.35, "{short}");
}

/// More containers in a sowing never lower the chance of the one pledge it serves: the luck is the same.
#[test]
fn more_containers_never_lower_the_chance() {
    let scatter = Scatter {
        germination: 0.8,
        cv: 0.4,
        station_share: 0.3,
        ..Scatter::NONE
    };
    let mut before = 0.0;
    for containers in 1..=10 {
        let (problem, mut plan) = one_sowing(700);
        plan.sowings[0].containers = containers;
        let met = simulate(&problem, &plan, &known(scatter), 2_000, 5)
            .unwrap()
            .cells[0]
            .met;
        assert!(met >= before, "{containers}: {met} below {before}");
        before = met;
    }
    assert!(before > 0.5);
}

/// Stops the margin before its first round.
struct Stopped;

impl Control for Stopped {
    fn should_stop(&self) -> bool {
        true
    }
    fn progress(&self, _progress: &Progress) {}
}

fn wanted(chance: f64) -> MarginRequest {
    MarginRequest {
        chance,
        seasons: 2_000,
        from_week: 0,
    }
}

const EFFORT: MarginOptions = MarginOptions { work: 600, seed: 4 };

#[test]
fn a_margin_meets_the_pledge_more_often_with_more_containers() {
    let (problem, mut plan) = one_sowing(700);
    plan.sowings[0].containers = 7;
    let scatter = known(Scatter {
        germination: 0.9,
        cv: 0.3,
        ..Scatter::NONE
    });
    let found = margin(
        &problem,
        &plan,
        &scatter,
        &wanted(0.9),
        &EFFORT,
        &Unhindered,
    )
    .unwrap();
    let verdict = check(&problem, &found.plan);
    assert!(verdict.valid, "{:?}", verdict.problems);
    assert_eq!(verdict.objective_e4, found.objective_e4);
    let containers: i64 = found.plan.sowings.iter().map(|s| s.containers).sum();
    assert_eq!(containers - 7, found.more_containers);
    assert!(found.more_containers > 0);
    assert!(
        found.after.cells[0].met > found.before.cells[0].met + 0.2,
        "{found:?}"
    );
    assert_eq!(
        found.not_reached.is_empty(),
        found.after.cells[0].met >= 0.9
    );
    assert!(found.complete);
}

/// Ten containers of one sowing give 800 of 1000 dg with chance 0.730177, two sowings of five with
/// chance 0.831415: P(F + G >= 1.6), F and G log-normal with mean 1 and coefficient of variation 0.3
/// (scipy 1.x, numeric integration). Four standard errors at 40 000 seasons.
#[test]
fn the_same_containers_in_two_sowings_are_likelier() {
    let (problem, plan) = one_sowing(800);
    let scatter = known(Scatter {
        cv: 0.3,
        ..Scatter::NONE
    });
    let request = MarginRequest {
        seasons: 40_000,
        ..wanted(0.8)
    };
    let found = margin(&problem, &plan, &scatter, &request, &EFFORT, &Unhindered).unwrap();
    assert_eq!(
        (found.rounds, found.more_containers, found.spread),
        (0, 0, 1)
    );
    let (before, after) = (found.before.cells[0].met, found.after.cells[0].met);
    assert!((before - 0.730177).abs() < 0.0094, "{before}");
    assert!((after - 0.831415).abs() < 0.0094, "{after}");
    let parts: Vec<_> = found
        .plan
        .sowings
        .iter()
        .map(|s| (s.station.as_str(), s.containers))
        .collect();
    assert_eq!(parts, [("a", 5), ("b", 5)]);
    assert!(check(&problem, &found.plan).valid);
}

#[test]
fn a_margin_over_many_problems_keeps_every_rule() {
    for seed in 0..40 {
        let (problem, plan, scatter) = case(seed);
        let found = || {
            let wanted = wanted(0.8);
            margin(&problem, &plan, &scatter, &wanted, &EFFORT, &Unhindered).unwrap()
        };
        let (found, again) = (found(), found());
        let verdict = check(&problem, &found.plan);
        assert!(verdict.valid, "seed {seed}: {:?}", verdict.problems);
        assert_eq!(found.plan, again.plan, "seed {seed}");
    }
}

#[test]
fn a_margin_that_is_stopped_keeps_the_plan() {
    let (problem, plan, scatter) = case(3);
    let found = margin(&problem, &plan, &scatter, &wanted(0.99), &EFFORT, &Stopped).unwrap();
    assert_eq!(found.plan, plan);
    assert_eq!((found.rounds, found.complete), (0, false));
}

#[test]
fn a_margin_is_asked_for_between_nothing_and_certainty() {
    let (problem, plan, scatter) = case(1);
    for chance in [0.0, 1.0, -0.5, 1.5, f64::NAN] {
        let found = margin(
            &problem,
            &plan,
            &scatter,
            &wanted(chance),
            &EFFORT,
            &Unhindered,
        );
        assert_eq!(found.unwrap_err(), MarginError::BadChance);
    }
}
