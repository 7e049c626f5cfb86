//! What all crops at a station have in common: seen apart from what the crop has, held and forgotten.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::learning::{figure, learned, number, spring};
use crate::site_work::look;
use crate::sowings::{cut_days, sow};
use crate::support::Api;

async fn of_station(api: &Api, garden: &Garden) -> Value {
    let path = format!("/stations/{}/learning", garden.station_id);
    api.get(COORDINATOR, &path).await.expect(200).body
}

fn choices(garden: &Garden) -> String {
    format!("/stations/{}/learning/choices", garden.station_id)
}

#[actix_web::test]
async fn parts_of_crop_and_station_are_seen_in_plain_words() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let nothing = of_station(&api, &garden).await;
    let words = figure(&nothing, "days")["explanation"].as_str().unwrap();
    assert!(words.starts_with("nothing is on record"), "{words}");
    spring(&garden, 80, 30).await;

    let crop = learned(&api, &garden).await;
    let station = of_station(&api, &garden).await;
    let days = figure(&crop, "days");
    for (part, sowings) in [("of_crop", 8), ("of_station", 8)] {
        let part = &days[part];
        assert_eq!(part["sowings"], sowings, "{days}");
        assert!(number(&part["low"]) < number(&part["value"]));
        assert!(number(&part["value"]) < number(&part["high"]));
        // Only one crop was ever grown and at one station, so each is blamed in part.
        assert!(number(&part["value"]) > 1.0 && number(&part["value"]) < number(&days["value"]));
    }
    assert_eq!(
        figure(&station, "days")["value"],
        days["of_station"]["value"]
    );
    let words = days["explanation"].as_str().unwrap();
    assert!(
        words.contains("% longer wherever it grows; crops at "),
        "{words}"
    );
    let grams = figure(&station, "grams");
    assert!(number(&grams["value"]) < 1.0, "{grams}");
    let words = grams["explanation"].as_str().unwrap();
    assert!(words.ends_with("% less"), "{words}");
}

#[actix_web::test]
async fn a_station_is_held_and_its_old_sowings_are_forgotten() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let first_cut = async || {
        look(&api).await;
        let made = sow(&api, &garden, 1, "2026-09-14").await.expect(201).body;
        cut_days(&made)[0].to_owned()
    };
    let before = first_cut().await;
    let hold = json!({"quantity": "days", "held_permille": 2000, "note": "A cold cellar"});
    let held = api
        .post(COORDINATOR, &choices(&garden), hold.clone())
        .await
        .expect(201);
    let again = api
        .post(COORDINATOR, &choices(&garden), hold)
        .await
        .expect(409);
    assert_eq!(again.problem(), "taken");
    let station = of_station(&api, &garden).await;
    let days = figure(&station, "days");
    assert_eq!((&days["held"], number(&days["value"])), (&json!(true), 2.0));
    assert_eq!(station["choices"][0]["id"], json!(held.id()));
    let crop = learned(&api, &garden).await;
    let days = figure(&crop, "days");
    assert_eq!(days["of_station"]["held"], true);
    assert!(
        number(&days["value"]) > 1.9 && days["held"] == false,
        "{days}"
    );
    // sowings are foreseen by it
    assert!(first_cut().await > before);

    let one = format!("{}/{}", choices(&garden), held.id());
    api.delete(COORDINATOR, &one, "\"v9\"").await.expect(412);
    let elsewhere = format!(
        "/stations/{}/learning/choices/{}",
        Uuid::now_v7(),
        held.id()
    );
    api.delete(COORDINATOR, &elsewhere, &held.etag())
        .await
        .expect(404);
    api.delete(COORDINATOR, &one, &held.etag())
        .await
        .expect(200);
    assert_eq!(first_cut().await, before);

    spring(&garden, 80, 30).await;
    let forget = json!({"quantity": "days", "forget_before": "2026-06-01", "note": "New lamps"});
    api.post(COORDINATOR, &choices(&garden), forget)
        .await
        .expect(201);
    let crop = learned(&api, &garden).await;
    assert_eq!(figure(&crop, "days")["sowings"], 0);
    assert_eq!(figure(&crop, "grams")["sowings"], 8);
    assert_eq!(first_cut().await, before);
}

#[actix_web::test]
async fn bad_choices_of_stations_are_named_and_only_coordinators_choose() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for (body, pointer) in [
        (
            json!({"quantity": "luck", "held_permille": 1000}),
            "/quantity",
        ),
        (json!({"quantity": "days"}), "/held_permille"),
        (
            json!({"quantity": "survival", "held_permille": 900}),
            "/held_permille",
        ),
        (
            json!({"quantity": "grams", "held_permille": 10001}),
            "/held_permille",
        ),
    ] {
        let reply = api
            .post(COORDINATOR, &choices(&garden), body.clone())
            .await
            .expect(422);
        assert_eq!(reply.pointers(), [pointer], "{body}");
    }
    let good = json!({"quantity": "days", "held_permille": 900});
    let nowhere = format!("/stations/{}/learning", Uuid::now_v7());
    api.get(COORDINATOR, &nowhere).await.expect(404);
    api.post(COORDINATOR, &format!("{nowhere}/choices"), good.clone())
        .await
        .expect(404);
    for who in [LEAD, VOLUNTEER, READER] {
        api.post(who, &choices(&garden), good.clone())
            .await
            .expect(403);
    }
    let reading = format!("/stations/{}/learning", garden.station_id);
    api.get(LEAD, &reading).await.expect(200);
    api.get(VOLUNTEER, &reading).await.expect(403);
    api.get(READER, &reading).await.expect(403);
}
