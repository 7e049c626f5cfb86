//! Scenario documents.

use cotyl_planner::Unhindered;
use serde_json::{Value, json};

use super::super::answer::work_out;
use super::super::scenario::Scenario;
use super::{EXAMPLE, search, season, small, stated};

#[test]
fn the_example_is_planned() {
    let season = Scenario::read(EXAMPLE.as_bytes())
        .unwrap()
        .season()
        .unwrap();
    let problem = stated(&season);
    assert_eq!(problem.stations.len(), 3);
    let answer = work_out(&season, search(300), &Unhindered).unwrap();
    assert!(answer.totals.expected_milligrams > answer.totals.pledged_milligrams / 2);
    assert!(answer.bound_e4 <= answer.objective_e4);
}

#[test]
fn a_scenario_names_what_is_wrong() {
    let check = |change: &dyn Fn(&mut Value), expect: &str| {
        let mut document = small();
        change(&mut document);
        let read = Scenario::read(document.to_string().as_bytes()).and_then(Scenario::season);
        let told = read.unwrap_err().to_string();
        assert!(told.contains(expect), "{told}");
    };
    check(
        &|d| d["stations"][0]["site_id"] = json!("attic"),
        "no site \"attic\"",
    );
    check(
        &|d| d["crops"][0]["crop_group_id"] = json!("fruit"),
        "no crop group \"fruit\"",
    );
    check(
        &|d| d["pledges"][0]["recipient_id"] = json!("nobody"),
        "no recipient \"nobody\"",
    );
    check(
        &|d| d["pledges"][0]["crop_id"] = json!("leaf"),
        "either a crop or a crop group",
    );
    check(
        &|d| d["sites"][0]["zone"] = json!("Europe/Atlantis"),
        "Hall",
    );
    check(
        &|d| d["crops"][0]["profile"]["seed_per_container"] = json!({"value": "1", "unit": "L"}),
        "leaf lettuce",
    );
    check(
        &|d| d["crops"][0]["profile"]["colour"] = json!("red"),
        "colour",
    );
    check(
        &|d| d["crops"][0]["profile"]["days_to_first_cut"] = json!(0),
        "leaf lettuce",
    );
    check(&|d| d["weeks"] = json!(0), "weeks");
    check(&|d| d["first_week"] = json!("2026-W60"), "the scenario");
    check(
        &|d| d["closures"][0]["last_day"] = json!("2026-03-01"),
        "Hall",
    );
    check(&|d| d["stations"][0]["places"] = json!(0), "places");
    check(
        &|d| {
            d["stations"]
                .as_array_mut()
                .unwrap()
                .push(small()["stations"][0].clone())
        },
        "twice",
    );
}

#[test]
fn the_order_of_a_document_does_not_matter() {
    let document: Value = serde_json::from_str(EXAMPLE).unwrap();
    let mut turned = document.clone();
    for list in turned.as_object_mut().unwrap().values_mut() {
        if let Value::Array(items) = list {
            items.reverse();
        }
    }
    assert_ne!(turned, document);
    assert_eq!(stated(&season(&turned)), stated(&season(&document)));
}
