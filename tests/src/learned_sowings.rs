//! Sowings made by hand are foreseen by what was learned, as plans are.

use chrono::NaiveDate;
use cotyl_growth::starter_crops;
use serde_json::{Value, json};

use crate::cuts::{cut_input, go_to, sow as sown};
use crate::garden::{COORDINATOR, Garden, LEAD, VOLUNTEER};
use crate::learning::{figure, learned, number, record, spring};
use crate::site_work::look;
use crate::sowings::{cut_days, sow};
use crate::support::Api;

const SOW_ON: &str = "2026-09-14";

/// Days to the first cut of a sowing made by hand, and grams of a container at that cut.
async fn foreseen(api: &Api, garden: &Garden) -> (f64, f64) {
    let made = sow(api, garden, 1, SOW_ON).await.expect(201).body;
    let day = |text: &str| text.parse::<NaiveDate>().unwrap();
    let days = (day(cut_days(&made)[0]) - day(SOW_ON)).num_days();
    let expected = &made["planned_cuts"][0]["expected"];
    assert_eq!(expected["unit"], "g", "{expected}");
    let grams = expected["value"].as_str().unwrap().parse().unwrap();
    (days as f64, grams)
}

async fn choose(api: &Api, garden: &Garden, choice: Value) -> (String, String) {
    let path = format!("/crops/{}/learning/choices", garden.crop_id);
    let made = api.post(COORDINATOR, &path, choice).await.expect(201);
    (format!("{path}/{}", made.id()), made.etag())
}

#[actix_web::test]
async fn a_sowing_by_hand_is_foreseen_by_what_was_learned_held_and_forgotten() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    look(&api).await;
    let (days_before, grams_before) = foreseen(&api, &garden).await;
    spring(&garden, 80, 30).await;
    look(&api).await;
    let known = learned(&api, &garden).await;
    let days_factor = number(&figure(&known, "days")["value"]);
    let grams_factor = number(&figure(&known, "grams")["value"]);
    assert!(days_factor > 1.15 && grams_factor < 0.8, "{known}");
    let (days, grams) = foreseen(&api, &garden).await;
    // the site is closed on two days in a row, and days to the first cut are whole
    let off = days - days_before * days_factor;
    assert!(off.abs() <= 3.5, "{days} of {days_before} by {days_factor}");
    let survival = number(&figure(&known, "survival")["value"]);
    let profile = starter_crops().unwrap().remove(0).profile;
    let expected = grams_factor * survival / cotyl_growth::learning::expected_survival(&profile);
    let ratio = grams / grams_before;
    assert!((ratio / expected - 1.0).abs() < 0.02, "{ratio} {expected}");

    // held by a coordinator: that holds here too
    let hold = json!({"station_id": garden.station_id, "quantity": "grams", "held_permille": 1500, "note": "weighed"});
    let (path, etag) = choose(&api, &garden, hold).await;
    look(&api).await;
    let held = foreseen(&api, &garden).await;
    assert_eq!(held.0, days);
    let ratio = held.1 / grams;
    assert!((ratio * grams_factor / 1.5 - 1.0).abs() < 0.01, "{ratio}");
    api.delete(COORDINATOR, &path, &etag).await.expect(200);
    look(&api).await;
    assert_eq!(foreseen(&api, &garden).await, (days, grams));

    // forgotten: the profile stands again
    for quantity in ["days", "grams", "survival"] {
        let forget = json!({"quantity": quantity, "forget_before": "2026-06-01"});
        choose(&api, &garden, forget).await;
    }
    look(&api).await;
    assert_eq!(foreseen(&api, &garden).await, (days_before, grams_before));
}

#[actix_web::test]
async fn a_value_that_is_held_counts_without_any_record() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let (days, grams) = foreseen(&api, &garden).await;
    let hold = json!({"quantity": "grams", "held_permille": 500, "note": "small jars"});
    choose(&api, &garden, hold).await;
    look(&api).await;
    let held = foreseen(&api, &garden).await;
    assert_eq!(held.0, days);
    assert!((held.1 / grams - 0.5).abs() < 0.01, "{held:?} {grams}");
}

#[actix_web::test]
async fn what_is_learned_is_reckoned_anew_only_when_something_changed() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    spring(&garden, 80, 30).await;
    look(&api).await;
    let kept = async || -> (i64, String) {
        sqlx::query_as("select version, rests_on from learned_growth where cooperative_id = $1")
            .bind(garden.cooperative_id)
            .fetch_one(&garden.pool)
            .await
            .unwrap()
    };
    let first = kept().await;
    sow(&api, &garden, 1, SOW_ON).await.expect(201);
    look(&api).await;
    assert_eq!(kept().await, first, "a planned sowing teaches nothing");
    record(&garden, "2026-07-20", 40, 50).await;
    look(&api).await;
    let second = kept().await;
    assert_eq!(second.0, first.0 + 1);
    assert_ne!(second.1, first.1);
}

#[actix_web::test]
async fn a_harmed_cut_is_seen_and_teaches_nothing() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    spring(&garden, 40, 100).await;
    go_to(&api, "2026-10-20T15:00:00Z").await;
    let before = learned(&api, &garden).await;
    let [healthy, harmed] = [
        sown(&garden, Default::default()).await,
        sown(&garden, Default::default()).await,
    ];
    let wrong = {
        let mut input = cut_input(harmed, "5");
        input["harmed_by"] = json!("bad luck");
        input
    };
    api.post(VOLUNTEER, "/cuts", wrong).await.expect(422);
    let mut input = cut_input(harmed, "5");
    input["quality"] = json!("poor");
    input["harmed_by"] = json!("lack_of_nutrient");
    let cut = api.post(VOLUNTEER, "/cuts", input).await.expect(201);
    assert_eq!(cut.body["harmed_by"], "lack_of_nutrient");
    let after = learned(&api, &garden).await;
    for quantity in ["days", "grams"] {
        assert_eq!(figure(&after, quantity), figure(&before, quantity));
    }

    // it is seen all the same, with what harmed it
    let path = format!("/crops/{}/learning/observations", garden.crop_id);
    let seen = api.get(LEAD, &path).await.expect(200).body;
    let found = seen["observations"].as_array().unwrap();
    let one = found
        .iter()
        .find(|one| one["sowing_id"] == json!(harmed))
        .unwrap();
    assert_eq!(number(&one["grams"]["observed"]), 5.0);
    assert_eq!(one["harmed_cuts"].as_array().unwrap().len(), 1);
    assert_eq!(one["harmed_cuts"][0]["harmed_by"], "lack_of_nutrient");

    // the same cut with nothing that harmed it counts
    let input = cut_input(healthy, "5");
    api.post(VOLUNTEER, "/cuts", input).await.expect(201);
    let counted = learned(&api, &garden).await;
    let grams = |learned: &Value| number(&figure(learned, "grams")["value"]);
    assert!(grams(&counted) < grams(&before), "{counted}");
    assert_eq!(figure(&counted, "grams")["sowings"], 9);
}
