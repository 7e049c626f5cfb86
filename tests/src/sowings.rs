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

pub async fn event(api: &Api, who: &str, id: &str, body: Value) -> Reply {
    api.post(who, &format!("/sowings/{id}/events"), body).await
}

pub fn cut_days(sowing: &Value) -> Vec<&str> {
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
