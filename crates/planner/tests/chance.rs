//! Chances against seasons drawn independently (numpy) and against closed forms.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use cotyl_planner::chance::{Scatter, Uncertainty, simulate};
use cotyl_planner::testing::tiny_instance;
use cotyl_planner::{Options, Plan, Problem, Unhindered, solve};

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
        let planned: BTreeMap<_, _> = cotyl_planner::check::check(&problem, &answer.plan)
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
