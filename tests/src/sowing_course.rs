//! The course of a sowing: what happens, when, and what it moves.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{Garden, LEAD, VOLUNTEER};
use crate::sowings::{
    at, cut_days, event, qualify, read, sow, sowing_input, task, task_path, weigh,
};
use crate::support::Api;

#[actix_web::test]
async fn sown_late_moves_what_follows_and_keeps_who_holds_it() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    qualify(&garden, VOLUNTEER, None).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    let first_cut = task_path(&made.body, "cut", Some(1));
    api.act(VOLUNTEER, &format!("{first_cut}/claims"))
        .await
        .expect(201);
    // a week late
    at(&api, "2026-09-14T15:00:00Z", &[VOLUNTEER, LEAD]).await;
    event(&api, VOLUNTEER, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    let now = read(&api, &made.id()).await;
    assert_eq!(cut_days(&now), ["2026-10-22", "2026-11-04", "2026-11-17"]);
    assert_eq!(now["free_on"], "2026-11-19");
    let day = |kind, number| task(&now, kind, number)["window"]["day"].clone();
    assert_eq!(day("check_germination", None), "2026-09-17");
    assert_eq!(day("clear_and_clean", None), "2026-11-17");
    // whoever sowed it, the sowing is done
    assert_eq!(task(&now, "sow", None)["state"], "done");
    let cut = api.get(VOLUNTEER, &first_cut).await.expect(200);
    assert_eq!(
        (
            &cut.body["state"],
            &cut.body["holders"][0]["mine"],
            &cut.body["window"]["due_at"]
        ),
        (&json!("held"), &json!(true), &json!("2026-10-22T20:00:00Z"))
    );
    let events = api
        .get(LEAD, &format!("/sowings/{}/events", made.id()))
        .await;
    let moved = events.body["items"]
        .as_array()
        .unwrap()
        .last()
        .unwrap()
        .clone();
    assert_eq!(
        (&moved["kind"], &moved["detail"]["free_on"]["has_room"]),
        (&json!("moved"), &json!(true))
    );
}

#[actix_web::test]
async fn late_seedlings_move_the_cuts() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    event(&api, LEAD, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    // expected on Thursday the 10th; found a week later
    at(&api, "2026-09-17T15:00:00Z", &[LEAD]).await;
    let reply = event(
        &api,
        LEAD,
        &made.id(),
        json!({"kind": "sprouted", "sprouted_containers": 3}),
    )
    .await;
    assert_eq!(
        reply.expect(201).body["detail"],
        json!({"sprouted_containers": 3})
    );
    let now = read(&api, &made.id()).await;
    assert_eq!(cut_days(&now), ["2026-10-22", "2026-11-04", "2026-11-17"]);
    // it was seen on the 10th after all: back to the plan
    let events = api
        .get(LEAD, &format!("/sowings/{}/events", made.id()))
        .await;
    let items = events.body["items"].as_array().unwrap();
    let sprouted = items.iter().find(|e| e["kind"] == "sprouted").unwrap();
    let correction = json!({"kind": "corrected", "corrects": sprouted["id"], "happened_on": "2026-09-10", "note": "wrong day"});
    event(&api, LEAD, &made.id(), correction).await.expect(201);
    let now = read(&api, &made.id()).await;
    assert_eq!(now["sprouted_on"], "2026-09-10");
    assert_eq!(cut_days(&now), cut_days(&made.body));
    assert_eq!(now["free_on"], made.body["free_on"]);
    assert_eq!(
        task(&now, "cut", Some(2))["window"],
        task(&made.body, "cut", Some(2))["window"]
    );
}

#[actix_web::test]
async fn what_really_happened_is_kept_though_the_places_are_promised() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 5, "2026-09-07").await.expect(201);
    assert_eq!(made.body["free_on"], "2026-11-12");
    // the next one takes the places on the day on which they should be free
    sow(&api, &garden, 5, "2026-11-12").await.expect(201);
    at(&api, "2026-09-14T15:00:00Z", &[LEAD]).await;
    event(&api, LEAD, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    let now = read(&api, &made.id()).await;
    assert_eq!(
        (&now["state"], &now["free_on"]),
        (&json!("sown"), &json!("2026-11-12"))
    );
    assert_eq!(cut_days(&now)[2], "2026-11-17");
    let events = api
        .get(LEAD, &format!("/sowings/{}/events", made.id()))
        .await;
    let moved = events.body["items"]
        .as_array()
        .unwrap()
        .last()
        .unwrap()
        .clone();
    assert_eq!(
        moved["detail"]["free_on"],
        json!({"from": "2026-11-12", "wanted": "2026-11-19", "has_room": false})
    );
}

#[actix_web::test]
async fn a_lost_sowing_frees_its_places_and_drops_its_tasks() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    qualify(&garden, VOLUNTEER, None).await;
    let made = sow(&api, &garden, 8, "2026-09-07").await.expect(201);
    event(&api, LEAD, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    let held = task_path(&made.body, "cut", Some(1));
    api.act(VOLUNTEER, &format!("{held}/claims"))
        .await
        .expect(201);
    at(&api, "2026-09-21T15:00:00Z", &[VOLUNTEER, LEAD]).await;
    assert_eq!(
        sow(&api, &garden, 1, "2026-09-21")
            .await
            .expect(409)
            .problem(),
        "station-full"
    );
    let missing = event(&api, LEAD, &made.id(), json!({"kind": "lost"})).await;
    assert_eq!(missing.expect(422).pointers(), ["/cause"]);
    event(
        &api,
        VOLUNTEER,
        &made.id(),
        json!({"kind": "lost", "cause": "heat", "happened_on": "2026-09-18"}),
    )
    .await
    .expect(201);
    let now = read(&api, &made.id()).await;
    assert_eq!(
        (&now["state"], &now["lost_cause"], &now["free_on"]),
        (&json!("lost"), &json!("heat"), &json!("2026-09-18"))
    );
    for left in now["tasks"].as_array().unwrap() {
        let expect = if left["kind"] == "sow" {
            json!(["done", null])
        } else {
            json!(["dropped", "heat"])
        };
        assert_eq!(json!([left["state"], left["cause"]]), expect);
        assert_eq!(left["holders"], json!([]));
    }
    let ended: Vec<String> = sqlx::query_scalar("select end_kind from claim")
        .fetch_all(&garden.pool)
        .await
        .unwrap();
    assert_eq!(ended, ["dropped"]);
    let mine = api.get(VOLUNTEER, "/tasks?mine=true").await.expect(200);
    assert_eq!(mine.body["items"], json!([]));
    assert_eq!(
        api.act(VOLUNTEER, &format!("{held}/claims"))
            .await
            .expect(409)
            .problem(),
        "wrong-state"
    );
    sow(&api, &garden, 8, "2026-09-21").await.expect(201);
}

#[actix_web::test]
async fn entries_follow_the_states_and_the_calendar() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    // 03:30 UTC on the 8th is still the evening of the 7th in New York
    at(&api, "2026-09-08T03:30:00Z", &[LEAD, VOLUNTEER]).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    let id = made.id();
    let refused = |body: Value, status: u16| {
        let (api, id) = (&api, &id);
        async move { event(api, VOLUNTEER, id, body).await.expect(status) }
    };
    assert_eq!(
        refused(json!({"kind": "sprouted"}), 409).await.problem(),
        "wrong-state"
    );
    assert_eq!(
        refused(json!({"kind": "cleared"}), 409).await.problem(),
        "wrong-state"
    );
    let future = json!({"kind": "sown", "happened_on": "2026-09-08"});
    assert_eq!(refused(future, 409).await.problem(), "day-not-allowed");
    let made_entry = event(&api, VOLUNTEER, &id, json!({"kind": "sown"}))
        .await
        .expect(201);
    assert_eq!(made_entry.body["happened_on"], "2026-09-07");
    assert_eq!(
        made_entry.headers["location"],
        format!("/api/v1/sowings/{id}")
    );
    let sown = made_entry.body["id"].clone();
    assert_eq!(
        refused(json!({"kind": "sown"}), 409).await.problem(),
        "wrong-state"
    );
    let before = json!({"kind": "sprouted", "happened_on": "2026-09-06"});
    assert_eq!(refused(before, 409).await.problem(), "day-not-allowed");
    for (body, pointers) in [
        (json!({"kind": "eaten"}), vec!["/kind"]),
        (json!({"kind": "noted"}), vec!["/note"]),
        (
            json!({"kind": "sprouted", "cause": "x", "note": "y"}),
            vec!["/cause", "/note"],
        ),
        (
            json!({"kind": "sprouted", "sprouted_containers": 5}),
            vec!["/sprouted_containers"],
        ),
        (json!({"kind": "corrected", "note": "x"}), vec!["/corrects"]),
        (
            json!({"kind": "corrected", "note": "x", "corrects": Uuid::now_v7()}),
            vec!["/corrects"],
        ),
        (json!({"kind": "lost", "cause": " "}), vec!["/cause"]),
    ] {
        assert_eq!(refused(body, 422).await.pointers(), pointers);
    }
    event(
        &api,
        VOLUNTEER,
        &id,
        json!({"kind": "noted", "note": "one jar fell"}),
    )
    .await
    .expect(201);
    // sown three days before it was written down, and before its planned day
    let correction = json!({"kind": "corrected", "corrects": sown, "happened_on": "2026-09-04", "note": "sown on Friday"});
    event(&api, VOLUNTEER, &id, correction).await.expect(201);
    let now = read(&api, &id).await;
    assert_eq!(
        (&now["sown_on"], &now["sow_on"], &now["state"]),
        (&json!("2026-09-04"), &json!("2026-09-04"), &json!("sown"))
    );
    // the entry itself stays as it was written
    let events = api
        .get(LEAD, &format!("/sowings/{id}/events?limit=2"))
        .await
        .expect(200);
    assert_eq!(events.body["items"][1], made_entry.body);
    assert!(events.body["next"].is_string());
    let rewritten = sqlx::query("update sowing_event set happened_on = '2026-01-01'")
        .execute(&garden.pool)
        .await;
    assert!(rewritten.is_err());
}

/// Offsets from the IANA data: New York leaves daylight saving on 2026-11-01 at 02:00 (UTC-4 to -5),
/// Lord Howe enters it on 2026-10-04 at 02:00, by half an hour (UTC+10:30 to +11).
#[actix_web::test]
async fn windows_keep_to_the_clock_of_the_site() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let hours = |opens: &str, closes: &str| {
        let days = [
            "monday",
            "tuesday",
            "wednesday",
            "thursday",
            "friday",
            "saturday",
            "sunday",
        ];
        json!(days.map(|day| json!({"weekday": day, "opens": opens, "closes": closes})))
    };
    let set = |zone: &'static str, hours: Value| {
        let garden = &garden;
        async move {
            sqlx::query("update site set zone = $2, opening_hours = $3 where id = $1")
                .bind(garden.site_id)
                .bind(zone)
                .bind(hours)
                .execute(&garden.pool)
                .await
                .unwrap();
        }
    };
    let check =
        |sow_on: &'static str, opens: &'static str, local: &'static str, due: &'static str| {
            let (api, garden) = (&api, &garden);
            async move {
                let made = sow(api, garden, 1, sow_on).await.expect(201);
                let window = task(&made.body, "sow", None)["window"].clone();
                assert_eq!(
                    [
                        &window["opens_at"],
                        &window["local_opens_at"],
                        &window["due_at"]
                    ],
                    [opens, local, due],
                    "{sow_on}"
                );
            }
        };
    set("America/New_York", hours("01:30", "12:00")).await;
    check(
        "2026-10-31",
        "2026-10-31T05:30:00Z",
        "2026-10-31T01:30:00-04:00",
        "2026-10-31T16:00:00Z",
    )
    .await;
    // 01:30 comes twice: the first is meant
    check(
        "2026-11-01",
        "2026-11-01T05:30:00Z",
        "2026-11-01T01:30:00-04:00",
        "2026-11-01T17:00:00Z",
    )
    .await;
    check(
        "2026-11-02",
        "2026-11-02T06:30:00Z",
        "2026-11-02T01:30:00-05:00",
        "2026-11-02T17:00:00Z",
    )
    .await;
    set("Australia/Lord_Howe", hours("02:00", "09:00")).await;
    check(
        "2026-10-03",
        "2026-10-02T15:30:00Z",
        "2026-10-03T02:00:00+10:30",
        "2026-10-02T22:30:00Z",
    )
    .await;
    // 02:00 does not come: half past two
    check(
        "2026-10-04",
        "2026-10-03T15:30:00Z",
        "2026-10-04T02:30:00+11:00",
        "2026-10-03T22:00:00Z",
    )
    .await;
    check(
        "2026-10-05",
        "2026-10-04T15:00:00Z",
        "2026-10-05T02:00:00+11:00",
        "2026-10-04T22:00:00Z",
    )
    .await;
}

#[actix_web::test]
async fn a_late_cut_moves_the_next() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    assert_eq!(
        cut_days(&made.body),
        ["2026-10-15", "2026-10-28", "2026-11-10"]
    );
    event(&api, LEAD, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    // five days late; 13 days on it is ready again, and again on a Sunday
    at(&api, "2026-10-20T15:00:00Z", &[LEAD]).await;
    weigh(&garden, &made.id(), 1, "2026-10-20").await;
    let path = task_path(&made.body, "cut", Some(1));
    api.post(LEAD, &format!("{path}/completion"), json!({}))
        .await
        .expect(200);
    let now = read(&api, &made.id()).await;
    assert_eq!(cut_days(&now), ["2026-10-15", "2026-11-02", "2026-11-16"]);
    assert_eq!(now["free_on"], "2026-11-18");
    assert_eq!(
        task(&now, "clear_and_clean", None)["window"]["day"],
        "2026-11-16"
    );
    // nobody had looked at the seedlings; cutting them shows that they stand
    assert_eq!(task(&now, "check_germination", None)["state"], "done");
}

#[actix_web::test]
async fn closed_days_are_worked_around() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    sqlx::query("insert into closure (id, cooperative_id, site_id, first_day, last_day, reason) values ($1, $2, $3, '2026-10-22', '2026-10-23', 'snow')")
        .bind(Uuid::now_v7())
        .bind(garden.cooperative_id)
        .bind(garden.site_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    let made = sow(&api, &garden, 4, "2026-09-14").await.expect(201);
    // ready on Thursday the 22nd, cut on Monday the 26th: four days of waiting cost 60 thousandths
    assert_eq!(cut_days(&made.body)[0], "2026-10-26");
    assert_eq!(made.body["planned_cuts"][0]["expected"]["value"], "237.08");
    let mut input = sowing_input(&garden, 1, "2026-10-22");
    let reply = api.post(LEAD, "/sowings", input.clone()).await.expect(422);
    assert_eq!(reply.pointers(), ["/sow_on"]);
    input["sow_on"] = json!("2026-09-14");
    input["planned_cuts"] = json!(["2026-10-23"]);
    let reply = api.post(LEAD, "/sowings", input).await.expect(422);
    assert_eq!(reply.pointers(), ["/planned_cuts/0"]);
    // seedlings of a Wednesday come up on a Saturday, those of a Thursday on a Sunday
    for (sow_on, check) in [("2026-09-16", "2026-09-18"), ("2026-09-17", "2026-09-21")] {
        let made = sow(&api, &garden, 1, sow_on).await.expect(201);
        let window = &task(&made.body, "check_germination", None)["window"];
        assert_eq!(window["day"], check, "{sow_on}");
    }
}

#[actix_web::test]
async fn a_season_that_does_not_suit_gives_no_cut() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let dark = json!([{"first_week": 1, "last_week": 53, "temperature_celsius": 21.0, "daily_light_mol": 3.0}]);
    sqlx::query("update station set environment = $1")
        .bind(dark)
        .execute(&garden.pool)
        .await
        .unwrap();
    let reply = sow(&api, &garden, 4, "2026-09-14").await.expect(422);
    assert_eq!(reply.pointers(), ["/planned_cuts"]);
    assert_eq!(reply.body["errors"][0]["code"], "none-expected");
    // what the co-operative knows of its own bench wins over the model
    sqlx::query(
        "update station set environment = jsonb_set(environment, '{0,daily_light_mol}', '6')",
    )
    .execute(&garden.pool)
    .await
    .unwrap();
    let known =
        json!([{"station_id": garden.station_id, "days_to_first_cut": 30, "days_to_regrow": 10}]);
    sqlx::query("update crop set station_days = $1")
        .bind(known)
        .execute(&garden.pool)
        .await
        .unwrap();
    let made = sow(&api, &garden, 4, "2026-09-14").await.expect(201);
    assert_eq!(
        cut_days(&made.body),
        ["2026-10-14", "2026-10-26", "2026-11-05"]
    );
    // a crop for another method
    sqlx::query("update crop set profile = jsonb_set(profile, '{methods}', '[\"aerated\"]')")
        .execute(&garden.pool)
        .await
        .unwrap();
    let reply = sow(&api, &garden, 4, "2026-09-14").await.expect(422);
    assert_eq!(reply.pointers(), ["/station_id"]);
}

#[actix_web::test]
async fn sowing_before_its_day_needs_free_places() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let first = sow(&api, &garden, 5, "2026-09-07").await.expect(201);
    let free_on = first.body["free_on"].as_str().unwrap();
    let next = sow(&api, &garden, 5, free_on).await.expect(201);
    at(&api, "2026-11-11T15:00:00Z", &[LEAD]).await;
    let early = event(&api, LEAD, &next.id(), json!({"kind": "sown"})).await;
    assert_eq!(early.expect(409).problem(), "station-full");
    // nothing of the refused step is left
    assert_eq!(read(&api, &next.id()).await, next.body);
    event(&api, LEAD, &first.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    event(&api, LEAD, &first.id(), json!({"kind": "cleared"}))
        .await
        .expect(201);
    event(&api, LEAD, &next.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    let now = read(&api, &next.id()).await;
    assert_eq!(now["sow_on"], "2026-11-11");
    // what was to be cut later can wait until then
    assert_eq!(cut_days(&now), cut_days(&next.body));
}
