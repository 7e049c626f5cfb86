//! Sowings: from sowing by hand to clearing, and what follows for tasks and places.

use actix_web::http::Method;
use chrono::NaiveDate;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, PASSWORD, Reply};

/// Sets the clock and signs in again those who act then.
pub async fn at(api: &Api, instant: &str, people: &[&str]) {
    api.bed.clock.set(instant.parse().unwrap());
    for person in people {
        api.sign_in(person, PASSWORD).await.expect(201);
    }
}

pub fn sowing_input(garden: &Garden, containers: i32, sow_on: &str) -> Value {
    json!({
        "site_id": garden.site_id, "station_id": garden.station_id, "crop_id": garden.crop_id,
        "containers": containers, "sow_on": sow_on, "planned_cuts": null
    })
}

pub async fn sow(api: &Api, garden: &Garden, containers: i32, sow_on: &str) -> Reply {
    api.post(LEAD, "/sowings", sowing_input(garden, containers, sow_on))
        .await
}

/// The task of a kind in the answer about a sowing; cuts by their number.
pub fn task(sowing: &Value, kind: &str, number: Option<i64>) -> Value {
    sowing["tasks"]
        .as_array()
        .unwrap()
        .iter()
        .find(|task| task["kind"] == kind && task["cut_number"].as_i64() == number)
        .unwrap_or_else(|| panic!("no {kind} {number:?} in {sowing:#}"))
        .clone()
}

pub fn task_path(sowing: &Value, kind: &str, number: Option<i64>) -> String {
    format!(
        "/tasks/{}",
        task(sowing, kind, number)["id"].as_str().unwrap()
    )
}

pub async fn read(api: &Api, id: &str) -> Value {
    api.get(LEAD, &format!("/sowings/{id}"))
        .await
        .expect(200)
        .body
}

/// A weighed cut, behind the interface.
pub async fn weigh(garden: &Garden, sowing: &str, number: i32, on: &str) {
    sqlx::query(
        "insert into cut (id, cooperative_id, sowing_id, number, cut_on, milligrams, quality, tray_code, member_id, recorded_at)
         select $1, $2, $3, $4, $5, 250000, 'good', $6, id, now() from member where cooperative_id = $2 limit 1",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(sowing.parse::<Uuid>().unwrap())
    .bind(number)
    .bind(on.parse::<NaiveDate>().unwrap())
    .bind(format!("{sowing}-{number}"))
    .execute(&garden.pool)
    .await
    .unwrap();
}

pub async fn qualify(garden: &Garden, email: &str, expires_on: Option<&str>) {
    sqlx::query(
        "insert into qualification (id, cooperative_id, member_id, kind, issued_on, expires_on)
         select $1, cooperative_id, id, 'food_handling', '2026-01-01', $3 from member where email = $2",
    )
    .bind(Uuid::now_v7())
    .bind(email)
    .bind(expires_on.map(|day| day.parse::<NaiveDate>().unwrap()))
    .execute(&garden.pool)
    .await
    .unwrap();
}

async fn event(api: &Api, who: &str, id: &str, body: Value) -> Reply {
    api.post(who, &format!("/sowings/{id}/events"), body).await
}

fn cut_days(sowing: &Value) -> Vec<&str> {
    sowing["planned_cuts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|cut| cut["day"].as_str().unwrap())
        .collect()
}

/// Worked by hand from the formulas of the growth rules: 21 °C is an optimum, sqrt(15/17) = 0.93934
/// of the light response, so 35 days take 38 and 12 take 13; seeds come up in 2.1 / 0.8198 = 3 days;
/// 70 g x 0.96 x 0.939 x 4 containers = 252.4 g.
#[actix_web::test]
async fn growth_sets_days_weights_and_tasks() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-14").await.expect(201);
    assert_eq!(
        made.headers["location"],
        format!("/api/v1/sowings/{}", made.id())
    );
    let sowing = &made.body;
    assert_eq!(cut_days(sowing), ["2026-10-22", "2026-11-04", "2026-11-17"]);
    let expected: Vec<&Value> = (0..3)
        .map(|cut| &sowing["planned_cuts"][cut]["expected"])
        .collect();
    assert_eq!(
        expected,
        [
            &json!({"value": "252.4", "unit": "g"}),
            &json!({"value": "180.288", "unit": "g"}),
            &json!({"value": "126.2", "unit": "g"})
        ]
    );
    // one day of cleaning after the day that follows the last cut
    assert_eq!(sowing["free_on"], "2026-11-19");
    assert_eq!(
        (
            &sowing["state"],
            &sowing["station_name"],
            &sowing["crop_name"]
        ),
        (&json!("planned"), &json!("Bench"), &json!("leaf lettuce"))
    );
    let tasks: Vec<(&str, &str, i64, Option<i64>)> = sowing["tasks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|task| {
            (
                task["kind"].as_str().unwrap(),
                task["window"]["day"].as_str().unwrap(),
                task["minutes"].as_i64().unwrap(),
                task["cut_number"].as_i64(),
            )
        })
        .collect();
    assert_eq!(
        tasks,
        [
            ("sow", "2026-09-14", 10, None),
            ("check_germination", "2026-09-17", 2, None),
            ("cut", "2026-10-22", 6, Some(1)),
            ("cut", "2026-11-04", 6, Some(2)),
            ("cut", "2026-11-17", 6, Some(3)),
            ("clear_and_clean", "2026-11-17", 8, None),
        ]
    );
    // the clocks go back on 1 November in New York
    let window = |number| task(sowing, "cut", Some(number))["window"].clone();
    assert_eq!(window(1)["opens_at"], "2026-10-22T12:00:00Z");
    assert_eq!(window(1)["local_opens_at"], "2026-10-22T08:00:00-04:00");
    assert_eq!(window(2)["opens_at"], "2026-11-04T13:00:00Z");
    assert_eq!(window(2)["local_due_at"], "2026-11-04T16:00:00-05:00");
    assert_eq!(read(&api, &made.id()).await, *sowing);
}

#[actix_web::test]
async fn from_sowing_by_hand_to_clearing() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    qualify(&garden, VOLUNTEER, None).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    let id = made.id();
    let done = |kind: &'static str, number: Option<i64>, body: Value| {
        let (api, sowing) = (&api, &made.body);
        async move {
            let path = task_path(sowing, kind, number);
            api.act(VOLUNTEER, &format!("{path}/claims"))
                .await
                .expect(201);
            api.post(VOLUNTEER, &format!("{path}/completion"), body)
                .await
        }
    };
    let reply = done("sow", None, json!({})).await.expect(200);
    assert_eq!(
        (&reply.body["state"], &reply.body["holders"]),
        (&json!("done"), &json!([]))
    );
    assert_eq!(read(&api, &id).await["sown_on"], "2026-09-07");

    at(&api, "2026-09-10T15:00:00Z", &[VOLUNTEER, LEAD]).await;
    done("check_germination", None, json!({"sprouted_containers": 4}))
        .await
        .expect(200);
    assert_eq!(read(&api, &id).await["state"], "sprouted");

    for (number, day) in [(1, "2026-10-15"), (2, "2026-10-28"), (3, "2026-11-10")] {
        at(&api, &format!("{day}T16:00:00Z"), &[VOLUNTEER, LEAD]).await;
        let unweighed = done("cut", Some(number), json!({})).await.expect(409);
        assert_eq!(unweighed.problem(), "wrong-state");
        assert!(unweighed.text.contains("weight"), "{}", unweighed.text);
        weigh(&garden, &id, i32::try_from(number).unwrap(), day).await;
        let path = task_path(&made.body, "cut", Some(number));
        api.post(VOLUNTEER, &format!("{path}/completion"), json!({}))
            .await
            .expect(200);
        let now = read(&api, &id).await;
        assert_eq!(now["state"], "cutting");
        assert_eq!(now["cuts"].as_array().unwrap().len(), number as usize);
    }
    done("clear_and_clean", None, json!({})).await.expect(200);
    let now = read(&api, &id).await;
    assert_eq!(
        (&now["state"], &now["cleared_on"], &now["free_on"]),
        (
            &json!("cleared"),
            &json!("2026-11-10"),
            &json!("2026-11-10")
        )
    );
    assert!(
        now["tasks"]
            .as_array()
            .unwrap()
            .iter()
            .all(|t| t["state"] == "done")
    );
    let events = api
        .get(VOLUNTEER, &format!("/sowings/{id}/events"))
        .await
        .expect(200);
    let kinds: Vec<&str> = events.body["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|event| event["kind"].as_str().unwrap())
        .collect();
    assert_eq!(kinds, ["planned", "sown", "sprouted", "cut", "cleared"]);
    let over = event(&api, LEAD, &id, json!({"kind": "lost", "cause": "late"})).await;
    assert_eq!(over.expect(409).problem(), "wrong-state");
    let listed = |query: &'static str| {
        let api = &api;
        async move {
            let reply = api.get(VOLUNTEER, &format!("/sowings?{query}")).await;
            reply.expect(200).body["items"].as_array().unwrap().len()
        }
    };
    assert_eq!(listed("state=cleared").await, 1);
    assert_eq!(listed("state=sown").await, 0);
    let reply = api
        .get(VOLUNTEER, "/sowings?state=asleep")
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["state"]);
}

#[actix_web::test]
async fn every_bad_field_of_a_sowing_is_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let check = |change: Value, expect: &'static [&'static str]| {
        let (api, mut input) = (&api, sowing_input(&garden, 4, "2026-09-14"));
        async move {
            for (field, value) in change.as_object().unwrap() {
                input[field] = value.clone();
            }
            let reply = api.post(COORDINATOR, "/sowings", input).await.expect(422);
            assert_eq!(reply.pointers(), expect, "{}", reply.text);
        }
    };
    let nothing = Uuid::now_v7();
    check(
        json!({"site_id": nothing, "station_id": nothing, "crop_id": nothing}),
        &["/site_id", "/station_id", "/crop_id"],
    )
    .await;
    check(json!({"site_id": garden.other_site_id}), &["/station_id"]).await;
    check(json!({"containers": 0}), &["/containers"]).await;
    check(json!({"containers": 20000}), &["/containers"]).await;
    check(json!({"sow_on": "2027-12-01"}), &["/sow_on"]).await;
    check(json!({"sow_on": "2024-09-14"}), &["/sow_on"]).await;
    check(json!({"sow_on": "-262143-01-01"}), &["/sow_on"]).await;
    check(json!({"sow_on": "2026-09-31"}), &["/sow_on"]).await;
    // a Saturday
    check(json!({"sow_on": "2026-09-12"}), &["/sow_on"]).await;
    check(json!({"planned_cuts": []}), &["/planned_cuts"]).await;
    let four = ["2026-10-20", "2026-11-03", "2026-11-17", "2026-12-01"];
    check(json!({"planned_cuts": four}), &["/planned_cuts"]).await;
    check(
        json!({"planned_cuts": ["2026-09-14", "2026-10-24", "2028-10-24"]}),
        &["/planned_cuts/0", "/planned_cuts/1", "/planned_cuts/2"],
    )
    .await;
    check(json!({"planned_cuts": ["soon"]}), &["/planned_cuts/0"]).await;
    check(json!({"colour": "green"}), &["/colour"]).await;
    sqlx::query("update station set retired_at = now() where id = $1")
        .bind(garden.station_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    sqlx::query("update crop set retired_at = now() where id = $1")
        .bind(garden.crop_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    check(json!({}), &["/station_id", "/crop_id"]).await;
}

#[actix_web::test]
async fn given_days_are_kept_and_weighed_by_growth() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let mut input = sowing_input(&garden, 4, "2026-09-14");
    input["planned_cuts"] = json!(["2026-10-23"]);
    let made = api.post(LEAD, "/sowings", input.clone()).await.expect(201);
    // one day after it is ready: 15 thousandths less of 939, rounded down, of 67.2 g
    assert_eq!(
        made.body["planned_cuts"][0],
        json!({"number": 1, "day": "2026-10-23", "expected": {"value": "248.368", "unit": "g"}})
    );
    assert_eq!(made.body["free_on"], "2026-10-25");
    // long before it is ready
    input["planned_cuts"] = json!(["2026-09-28"]);
    let early = api.post(LEAD, "/sowings", input).await.expect(201);
    assert_eq!(early.body["planned_cuts"][0]["expected"]["value"], "0");
    // sown on its day, the days chosen by hand stay
    at(&api, "2026-09-14T15:00:00Z", &[LEAD]).await;
    event(&api, LEAD, &early.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    assert_eq!(cut_days(&read(&api, &early.id()).await), ["2026-09-28"]);
}

#[actix_web::test]
async fn only_those_of_the_site_see_and_sow() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let input = sowing_input(&garden, 2, "2026-09-14");
    for who in [VOLUNTEER, READER, ELSEWHERE] {
        let reply = api.post(who, "/sowings", input.clone()).await.expect(403);
        assert_eq!(reply.problem(), "forbidden");
    }
    let made = api.post(LEAD, "/sowings", input.clone()).await.expect(201);
    let path = format!("/sowings/{}", made.id());
    api.get(READER, &path).await.expect(403);
    api.get(VOLUNTEER, &path).await.expect(200);
    // a lead elsewhere may see it, not change it
    api.get(ELSEWHERE, &path).await.expect(200);
    let change = json!({"containers": 2, "note": ""});
    api.put(ELSEWHERE, &path, "*", change.clone())
        .await
        .expect(403);
    event(&api, ELSEWHERE, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(403);
    // a volunteer elsewhere may not know of it
    garden
        .join(
            &api,
            "far@example.org",
            &[("volunteer", Some(garden.other_site_id), None)],
        )
        .await;
    api.get("far@example.org", &path).await.expect(404);
    api.get("far@example.org", &format!("{path}/events"))
        .await
        .expect(404);
    event(&api, "far@example.org", &made.id(), json!({"kind": "sown"}))
        .await
        .expect(404);
    assert_eq!(
        api.get("far@example.org", "/sowings").await.body["items"],
        json!([])
    );
    // another co-operative
    api.found("Red Pots", "other@example.org").await;
    api.get("other@example.org", &path).await.expect(404);
    api.get("other@example.org", &format!("{path}/events"))
        .await
        .expect(404);
    api.put("other@example.org", &path, "*", change)
        .await
        .expect(404);
    event(
        &api,
        "other@example.org",
        &made.id(),
        json!({"kind": "sown"}),
    )
    .await
    .expect(404);
    let reply = api
        .post("other@example.org", "/sowings", input)
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/site_id", "/station_id", "/crop_id"]);
    assert_eq!(
        api.get("other@example.org", "/sowings").await.body["items"],
        json!([])
    );
}

#[actix_web::test]
async fn the_last_places_go_to_one_sowing() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    sow(&api, &garden, 3, "2026-09-14").await.expect(201);
    let replies =
        futures::future::join_all((0..6).map(|_| sow(&api, &garden, 3, "2026-09-21"))).await;
    let won = replies.iter().filter(|r| r.status == 201).count();
    assert_eq!(won, 1);
    for reply in replies.iter().filter(|r| r.status != 201) {
        assert_eq!(
            (reply.status.as_u16(), reply.problem()),
            (409, "station-full")
        );
    }
    // nothing is left of those that lost
    let tasks: i64 = sqlx::query_scalar("select count(*) from task")
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(tasks, 12);
}

#[actix_web::test]
async fn a_repeated_sowing_is_one() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let request = || {
        api.send(
            api.request(LEAD, Method::POST, "/sowings")
                .insert_header(("idempotency-key", "monday bench"))
                .set_json(sowing_input(&garden, 3, "2026-09-14")),
        )
    };
    let first = request().await.expect(201);
    let again = request().await.expect(201);
    assert_eq!(first.body, again.body);
    let listed = api.get(LEAD, "/sowings").await.expect(200);
    assert_eq!(listed.body["items"].as_array().unwrap().len(), 1);
}

#[actix_web::test]
async fn containers_change_while_planned() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    let path = format!("/sowings/{}", made.id());
    let change = |etag: String, containers: i32| {
        let (api, path) = (&api, &path);
        async move {
            let body = json!({"containers": containers, "note": "old seed"});
            api.put(LEAD, path, &etag, body).await
        }
    };
    let reply = change(made.etag(), 6).await.expect(200);
    assert_eq!(reply.body["note"], "old seed");
    assert_eq!(reply.body["planned_cuts"][0]["expected"]["value"], "378.6");
    assert_eq!(task(&reply.body, "sow", None)["minutes"], 15);
    assert_eq!(change(made.etag(), 5).await.expect(412).problem(), "stale");
    let body = json!({"containers": 5, "note": ""});
    let request = api.request(LEAD, Method::PUT, &path).set_json(body);
    api.send(request).await.expect(428);
    assert_eq!(
        change("*".into(), 9).await.expect(409).problem(),
        "station-full"
    );
    assert_eq!(
        change("*".into(), 0).await.expect(422).pointers(),
        ["/containers"]
    );
    event(&api, LEAD, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    assert_eq!(
        change("*".into(), 5).await.expect(409).problem(),
        "wrong-state"
    );
    change("*".into(), 6).await.expect(200);
}

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
