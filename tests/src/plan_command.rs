//! `cotyl plan` through the real binary: what it says beyond the plan.

use cotyl_planner::Plan;
use cotyl_planner::check::check;
use serde_json::Value;

use crate::binary::{Folder, run};

const EXAMPLE: &str = include_str!("../../crates/app/data/example_scenario.json");

/// Sentences of a kind that were said.
fn lines<'a>(said: &'a str, after: &str) -> Vec<&'a str> {
    said.lines()
        .skip_while(|line| !line.starts_with(after))
        .skip(1)
        .take_while(|line| line.starts_with("  "))
        .collect()
}

fn plan(file: &str, more: &[&str]) -> (Plan, String) {
    let mut arguments = vec!["plan", file, "--work", "4000", "--seconds", "120"];
    arguments.extend(more);
    let (done, out, said) = run(&arguments, "");
    assert!(done, "{said}");
    (serde_json::from_str(&out).unwrap(), said)
}

fn containers(plan: &Plan) -> i64 {
    plan.sowings.iter().map(|sowing| sowing.containers).sum()
}

#[test]
fn remedies_are_told_with_what_they_take_and_a_chance_with_what_it_costs() {
    let folder = Folder::new("plan command");
    let mut scenario: Value = serde_json::from_str(EXAMPLE).unwrap();
    // too few places for what is pledged
    for station in scenario["stations"].as_array_mut().unwrap() {
        station["places"] = 6.into();
    }
    let file = folder.0.join("scenario.json");
    std::fs::create_dir_all(&folder.0).unwrap();
    std::fs::write(&file, scenario.to_string()).unwrap();
    let file = file.to_str().unwrap();

    let (plain, _) = plan(file, &[]);
    let (same, said) = plan(file, &["--remedies"]);
    // trying changes does not change the plan
    assert_eq!(plain.sowings, same.sowings);
    let remedies = lines(&said, "What would help, the cheapest first");
    assert!(!remedies.is_empty() && remedies.len() <= 5, "{said}");
    assert!(
        remedies
            .iter()
            .any(|line| line.contains("more place") && line.contains(" g for each place")),
        "{said}"
    );
    for line in remedies {
        assert!(
            line.contains(" kg less short over these weeks; takes "),
            "{line}"
        );
    }

    let (wide, said) = plan(file, &["--chance", "80"]);
    let more = containers(&wide) - containers(&plain);
    let costs = format!("it takes {more} containers and ");
    assert!(
        said.contains("A chance of 80 % is reached in ") && said.contains(&costs),
        "{said}"
    );
    assert!(!lines(&said, "It is not reached in").is_empty(), "{said}");
    let (done, _, said) = run(&["plan", file, "--chance", "100"], "");
    assert!(!done && said.contains("50..=99"), "{said}");
}

#[test]
fn seconds_alone_are_made_use_of_and_beside_work_only_stop() {
    let file = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../crates/planner/tests/data/check_s2_problem.json"
    );
    let told = "more time may give a better plan";
    let (_, said) = plan(file, &[]);
    assert!(!said.contains(told), "{said}");

    let problem = serde_json::from_slice(&std::fs::read(file).unwrap()).unwrap();
    for seconds in ["0", "1"] {
        let (done, out, said) = run(&["plan", file, "--seconds", seconds], "");
        assert!(done && said.contains(told), "{said}");
        let found: Plan = serde_json::from_str(&out).unwrap();
        assert!(check(&problem, &found).valid);
    }
}
