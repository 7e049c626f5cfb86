//! What is learned from the record of sowings: seen, used by plans, held and forgotten.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::plans::{read, solved};
use crate::support::Api;

/// A container that was sown and cut once, so many days after sowing, in a past year.
pub async fn record(garden: &Garden, sown_on: &str, days: i32, grams: i64) {
    let (sowing, cut) = (Uuid::now_v7(), Uuid::now_v7());
    sqlx::query("insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, state, sown_on, cleared_on)
                 values ($1, $2, $3, $4, $5, 1, $6::text::date, $6::text::date + $7 + 1, 'cleared', $6::text::date, $6::text::date + $7)")
        .bind(sowing).bind(garden.cooperative_id).bind(garden.site_id)
        .bind(garden.station_id).bind(garden.crop_id).bind(sown_on).bind(days)
        .execute(&garden.pool).await.unwrap();
    sqlx::query("insert into cut (id, cooperative_id, sowing_id, number, cut_on, milligrams, quality, tray_code, member_id, recorded_at)
                 select $1, $2, $3, 1, $4::text::date + $5, $6, 'good', $1::text, id, now() from member where cooperative_id = $2 limit 1")
        .bind(cut).bind(garden.cooperative_id).bind(sowing).bind(sown_on).bind(days).bind(grams * 1000)
        .execute(&garden.pool).await.unwrap();
}

/// Sowings of a spring, all alike.
pub async fn spring(garden: &Garden, days: i32, grams: i64) {
    for day in [
        "03-02", "03-09", "03-16", "03-23", "03-30", "04-06", "04-13", "04-20",
    ] {
        record(garden, &format!("2026-{day}"), days, grams).await;
    }
}

pub fn figure<'a>(learned: &'a Value, quantity: &str) -> &'a Value {
    let figures = learned["figures"].as_array().unwrap();
    figures
        .iter()
        .find(|figure| figure["quantity"] == quantity)
        .unwrap()
}

pub async fn learned(api: &Api, garden: &Garden) -> Value {
    let path = format!("/crops/{}/learning", garden.crop_id);
    api.get(COORDINATOR, &path).await.expect(200).body
}

pub fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

#[actix_web::test]
async fn without_a_record_the_profile_stands() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let learned = learned(&api, &garden).await;
    for quantity in ["days", "grams"] {
        let figure = figure(&learned, quantity);
        assert_eq!(
            (&figure["sowings"], &figure["basis"]),
            (&json!(0), &json!(null))
        );
        assert!((number(&figure["value"]) - 1.0).abs() < 0.02, "{figure}");
        assert!(number(&figure["low"]) < 1.0 && 1.0 < number(&figure["high"]));
    }
    assert_eq!(learned["choices"], json!([]));
}

#[actix_web::test]
async fn a_slow_bench_is_learned_and_planned_for() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let before = solved(&api, "Before").await;
    spring(&garden, 80, 30).await;
    let known = learned(&api, &garden).await;
    let days = figure(&known, "days");
    assert_eq!(
        (&days["sowings"], &days["basis"]),
        (&json!(8), &json!("crop_station"))
    );
    assert!(number(&days["value"]) > 1.15, "{days}");
    let grams = figure(&known, "grams");
    assert!(number(&grams["value"]) < 0.8, "{grams}");
    for figure in [days, grams] {
        assert!(number(&figure["low"]) < number(&figure["value"]));
        assert!(number(&figure["value"]) < number(&figure["high"]));
    }
    let after = solved(&api, "After").await;
    // the first cut comes later, and a container gives less
    let plan = |body: Value| {
        let sowings = body["result"]["sowings"].as_array().unwrap().clone();
        let wait = sowings
            .iter()
            .map(|sowing| {
                let day =
                    |text: &Value| text.as_str().unwrap().parse::<chrono::NaiveDate>().unwrap();
                (day(&sowing["cuts"][0]["day"]) - day(&sowing["sow_on"])).num_days()
            })
            .min();
        (wait, body["result"]["expected"].clone())
    };
    let (wait_before, _) = plan(read(&api, &before).await.body);
    let (wait_after, _) = plan(read(&api, &after).await.body);
    assert!(
        wait_after.is_none() || wait_after > wait_before,
        "{wait_before:?} {wait_after:?}"
    );
}

#[actix_web::test]
async fn a_figure_is_held_and_old_sowings_are_forgotten() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    spring(&garden, 80, 30).await;
    let path = format!("/crops/{}/learning/choices", garden.crop_id);
    let hold = json!({"station_id": garden.station_id, "quantity": "days", "held_permille": 1100, "note": "counted"});
    let held = api.post(COORDINATOR, &path, hold.clone()).await.expect(201);
    assert_eq!(
        api.post(COORDINATOR, &path, hold)
            .await
            .expect(409)
            .problem(),
        "taken"
    );
    let known = learned(&api, &garden).await;
    let days = figure(&known, "days");
    assert_eq!((&days["held"], number(&days["value"])), (&json!(true), 1.1));
    assert_eq!(known["choices"][0]["id"], json!(held.id()));

    let one = format!("{path}/{}", held.id());
    api.delete(COORDINATOR, &one, "\"v9\"").await.expect(412);
    api.delete(COORDINATOR, &one, &held.headers["etag"])
        .await
        .expect(200);
    let known = learned(&api, &garden).await;
    assert_eq!(figure(&known, "days")["held"], false);

    let forget = json!({"quantity": "days", "forget_before": "2026-06-01"});
    api.post(COORDINATOR, &path, forget).await.expect(201);
    let known = learned(&api, &garden).await;
    assert_eq!(figure(&known, "days")["sowings"], 0);
    assert_eq!(figure(&known, "grams")["sowings"], 8);
}

#[actix_web::test]
async fn bad_choices_are_named_and_only_coordinators_choose() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let path = format!("/crops/{}/learning/choices", garden.crop_id);
    for (body, pointer) in [
        (
            json!({"quantity": "luck", "held_permille": 1000}),
            "/quantity",
        ),
        (json!({"quantity": "days"}), "/held_permille"),
        (
            json!({"quantity": "days", "held_permille": 900, "forget_before": "2026-01-01"}),
            "/held_permille",
        ),
        (
            json!({"quantity": "survival", "held_permille": 1001}),
            "/held_permille",
        ),
        (
            json!({"quantity": "grams", "held_permille": 0}),
            "/held_permille",
        ),
        (
            json!({"quantity": "days", "held_permille": 900, "station_id": Uuid::now_v7()}),
            "/station_id",
        ),
    ] {
        let reply = api.post(COORDINATOR, &path, body.clone()).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{body}");
    }
    let nowhere = format!("/crops/{}/learning", Uuid::now_v7());
    api.get(COORDINATOR, &nowhere).await.expect(404);
    let good = json!({"quantity": "days", "held_permille": 900});
    for who in [LEAD, VOLUNTEER, READER] {
        api.post(who, &path, good.clone()).await.expect(403);
    }
    let reading = format!("/crops/{}/learning", garden.crop_id);
    api.get(LEAD, &reading).await.expect(200);
    api.get(VOLUNTEER, &reading).await.expect(403);
    api.get(READER, &reading).await.expect(403);
}
