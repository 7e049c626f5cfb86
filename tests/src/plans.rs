//! Sowing plans: asked for, solved, followed, explained, compared, adopted, taken back.

use chrono::TimeDelta;
use cotyl_jobs::{Ended, run_once};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, Reply};

/// A small plan, solved in no time.
pub fn plan_input(name: &str) -> Value {
    json!({"name": name, "first_week": "2026-W37", "weeks": 16, "work_limit": 300})
}

pub async fn request(api: &Api, name: &str) -> String {
    api.post(COORDINATOR, "/plans", plan_input(name))
        .await
        .expect(202)
        .id()
}

pub async fn solve_all(api: &Api) {
    while let Some(ended) = run_once(&api.bed.app).await.unwrap() {
        assert_eq!(ended, Ended::Recorded);
    }
}

pub async fn solved(api: &Api, name: &str) -> String {
    let id = request(api, name).await;
    solve_all(api).await;
    id
}

pub async fn read(api: &Api, id: &str) -> Reply {
    api.get(COORDINATOR, &format!("/plans/{id}"))
        .await
        .expect(200)
}

pub async fn adopt(api: &Api, id: &str, accept: bool) -> Reply {
    let body = json!({"accept_changed_inputs": accept});
    api.post(COORDINATOR, &format!("/plans/{id}/adoption"), body)
        .await
}

pub fn grams(mass: &Value) -> f64 {
    assert_eq!(mass["unit"], "g");
    mass["value"].as_str().unwrap().parse().unwrap()
}

pub async fn count(garden: &Garden, sql: &'static str) -> i64 {
    sqlx::query_scalar(sql)
        .fetch_one(&garden.pool)
        .await
        .unwrap()
}

#[actix_web::test]
async fn a_plan_is_asked_for_solved_and_adopted() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let asked = api
        .post(COORDINATOR, "/plans", plan_input("Autumn"))
        .await
        .expect(202);
    let path = format!("/plans/{}", asked.id());
    assert_eq!(asked.headers["location"], format!("/api/v1{path}"));
    assert_eq!(
        (&asked.body["status"], &asked.body["state"]),
        (&json!("waiting"), &json!("draft"))
    );
    assert_eq!(
        adopt(&api, &asked.id(), false).await.expect(409).problem(),
        "wrong-state"
    );
    solve_all(&api).await;

    let plan = read(&api, &asked.id()).await.body;
    assert_eq!(
        (&plan["status"], &plan["stale"]),
        (&json!("solved"), &json!(false))
    );
    let result = &plan["result"];
    assert!(result["bound"].as_f64().unwrap() <= result["objective"].as_f64().unwrap());
    assert_eq!(grams(&result["pledged"]), 9.0 * 300.0);
    assert!(grams(&result["expected"]) > 500.0, "{}", result["summary"]);
    assert_eq!(
        grams(&result["expected"]) + grams(&result["short"]),
        grams(&result["pledged"])
    );
    let weeks = result["weeks"].as_array().unwrap();
    assert_eq!(weeks.len(), 9);
    assert_eq!(weeks[0]["week"], "2026-W43");
    for week in weeks {
        assert_eq!(
            grams(&week["expected"]) + grams(&week["short"]),
            grams(&week["pledged"])
        );
    }
    let sowings = result["sowings"].as_array().unwrap();
    assert!(!sowings.is_empty());
    for sowing in sowings {
        assert_eq!(sowing["station_id"], json!(garden.station_id));
        assert_eq!(
            (&sowing["station_name"], &sowing["crop_name"]),
            (&json!("Bench"), &json!("leaf lettuce"))
        );
        assert!(sowing["sow_on"].as_str().unwrap() > "2026-09-07");
        let cuts = sowing["cuts"].as_array().unwrap();
        let total: f64 = cuts.iter().map(|cut| grams(&cut["expected"])).sum();
        assert!((total - grams(&sowing["expected"])).abs() < 1e-6);
    }

    let adopted = adopt(&api, &asked.id(), false).await.expect(200);
    assert_eq!(adopted.body["state"], "adopted");
    assert_eq!(
        count(
            &garden,
            "select count(*) from sowing where state = 'planned'"
        )
        .await,
        sowings.len() as i64
    );
    let cut_days: usize = sowings
        .iter()
        .map(|s| s["cuts"].as_array().unwrap().len())
        .sum();
    assert_eq!(
        count(
            &garden,
            "select count(*) from task where kind = 'cut' and state = 'open'"
        )
        .await,
        cut_days as i64
    );
    assert_eq!(
        adopt(&api, &asked.id(), false).await.expect(409).problem(),
        "wrong-state"
    );
    assert_eq!(
        read(&api, &asked.id()).await.body["changed_inputs"],
        json!([])
    );
    let listed = api.get(COORDINATOR, "/plans").await.expect(200);
    assert_eq!(listed.body["items"][0]["state"], "adopted");
}

#[actix_web::test]
async fn plans_of_different_data_are_compared() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let first = solved(&api, "Before").await;
    sqlx::query("update pledge set weekly_milligrams = 100000")
        .execute(&garden.pool)
        .await
        .unwrap();
    let second = solved(&api, "After").await;
    let path = format!("/plans/comparisons?first={first}&second={second}");
    let found = api.get(COORDINATOR, &path).await.expect(200).body;
    let differences = found["weeks"].as_array().unwrap();
    assert!(!differences.is_empty());
    for week in differences {
        assert_ne!(week["first"], week["second"]);
        assert!(grams(&week["second"]) <= 100.0);
    }
    let words = found["words"].as_array().unwrap();
    let sowings = ["only_first", "only_second", "changed"]
        .iter()
        .map(|part| found[part].as_array().unwrap().len());
    assert_eq!(words.len(), sowings.sum::<usize>() + differences.len());
    let last = words.last().unwrap().as_str().unwrap();
    assert!(
        last.contains("kg less of") && last.ends_with("for Corner pantry"),
        "{last}"
    );
    let unsolved = request(&api, "Later").await;
    let path = format!("/plans/comparisons?first={first}&second={unsolved}");
    assert_eq!(
        api.get(COORDINATOR, &path).await.expect(409).problem(),
        "wrong-state"
    );
    api.get(COORDINATOR, "/plans/comparisons?first=x&second=y")
        .await
        .expect(422);
}

#[actix_web::test]
async fn bad_fields_are_named() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let bad = json!({"name": " ", "first_week": "2026-W36", "weeks": 61, "seed": -1,
                     "work_limit": 20_000_001, "time_limit_seconds": 301, "wanted_chance_permille": 1000});
    let reply = api.post(COORDINATOR, "/plans", bad).await.expect(422);
    assert_eq!(
        reply.pointers(),
        [
            "/name",
            "/weeks",
            "/first_week",
            "/seed",
            "/work_limit",
            "/time_limit_seconds",
            "/wanted_chance_permille"
        ]
    );
    for week in ["2026-40", "2026-W54", "next"] {
        let mut bad = plan_input("Autumn");
        bad["first_week"] = json!(week);
        let reply = api.post(COORDINATOR, "/plans", bad).await.expect(422);
        assert_eq!(reply.pointers(), ["/first_week"]);
    }
    let mut far = plan_input("Far");
    far["first_week"] = json!("9999-W52");
    let reply = api.post(COORDINATOR, "/plans", far).await.expect(422);
    assert_eq!(reply.pointers(), ["/first_week"]);
}

#[actix_web::test]
async fn roles_decide_who_plans() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let id = solved(&api, "Autumn").await;
    for who in [LEAD, VOLUNTEER, READER] {
        api.post(who, "/plans", plan_input("Mine"))
            .await
            .expect(403);
        for step in ["cancellation", "withdrawal"] {
            api.act(who, &format!("/plans/{id}/{step}"))
                .await
                .expect(403);
        }
        let body = json!({"accept_changed_inputs": true});
        api.post(who, &format!("/plans/{id}/adoption"), body)
            .await
            .expect(403);
    }
    let reads = [
        "/plans".to_owned(),
        format!("/plans/{id}"),
        format!("/plans/{id}/events"),
        format!("/plans/{id}/explanation"),
        format!("/plans/{id}/picture"),
        format!("/plans/comparisons?first={id}&second={id}"),
    ];
    for path in reads {
        api.get(LEAD, &path).await.expect(200);
        api.get(VOLUNTEER, &path).await.expect(403);
        api.get(READER, &path).await.expect(403);
        api.get("", &path).await.expect(401);
    }
}

#[actix_web::test]
async fn another_co_operative_knows_nothing_of_a_plan() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let id = solved(&api, "Autumn").await;
    let stranger = "stranger@example.org";
    api.found("Other Jars", stranger).await;
    for path in [
        format!("/plans/{id}"),
        format!("/plans/{id}/events"),
        format!("/plans/{id}/explanation"),
        format!("/plans/comparisons?first={id}&second={id}"),
    ] {
        api.get(stranger, &path).await.expect(404);
    }
    for step in ["cancellation", "withdrawal"] {
        api.act(stranger, &format!("/plans/{id}/{step}"))
            .await
            .expect(404);
    }
    let body = json!({"accept_changed_inputs": true});
    api.post(stranger, &format!("/plans/{id}/adoption"), body)
        .await
        .expect(404);
    assert_eq!(api.get(stranger, "/plans").await.body["items"], json!([]));
    api.get(COORDINATOR, &format!("/plans/{}", Uuid::now_v7()))
        .await
        .expect(404);
}

#[actix_web::test]
async fn a_repeated_request_makes_one_plan() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let send = || {
        api.send(
            api.request(COORDINATOR, actix_web::http::Method::POST, "/plans")
                .insert_header(("idempotency-key", "autumn"))
                .set_json(plan_input("Autumn")),
        )
    };
    let replies = futures::future::join_all((0..4).map(|_| send())).await;
    for reply in &replies {
        assert_eq!(
            (reply.status.as_u16(), &reply.body),
            (202, &replies[0].body)
        );
    }
    assert_eq!(
        count(
            &garden,
            "select count(*) from job where kind <> 'site_work'"
        )
        .await,
        1
    );
    solve_all(&api).await;
    let path = format!("/plans/{}/adoption", replies[0].id());
    for _ in 0..2 {
        let reply = api
            .send(
                api.request(COORDINATOR, actix_web::http::Method::POST, &path)
                    .insert_header(("idempotency-key", "adopt"))
                    .set_json(json!({"accept_changed_inputs": false})),
            )
            .await
            .expect(200);
        assert_eq!(reply.body["state"], "adopted");
    }
    // kept for two days, then forgotten
    assert_eq!(api.bed.app.forget_old_answers().await.unwrap(), 0);
    api.bed.clock.advance(TimeDelta::hours(49));
    assert_eq!(api.bed.app.forget_old_answers().await.unwrap(), 2);
}

#[actix_web::test]
async fn of_two_adoptions_at_once_one_wins() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for accept in [false, true] {
        let (first, second) = (solved(&api, "One").await, solved(&api, "Two").await);
        let replies =
            futures::future::join(adopt(&api, &first, accept), adopt(&api, &second, accept)).await;
        let statuses = [replies.0.status.as_u16(), replies.1.status.as_u16()];
        assert!(
            statuses == [200, 409] || statuses == [409, 200],
            "{statuses:?}"
        );
        let loser = if statuses[0] == 409 {
            replies.0
        } else {
            replies.1
        };
        assert_eq!(loser.problem(), "plan-overtaken", "{}", loser.text);
        assert_eq!(
            count(&garden, "select count(*) from plan where state = 'adopted'").await,
            1
        );
    }
    assert_eq!(
        count(
            &garden,
            "select count(*) from plan where state = 'superseded'"
        )
        .await,
        1
    );
}

#[actix_web::test]
async fn a_plan_of_old_data_is_refused_unless_it_still_holds() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let id = solved(&api, "Autumn").await;
    sqlx::query("update pledge set priority = 2")
        .execute(&garden.pool)
        .await
        .unwrap();
    let plan = read(&api, &id).await.body;
    assert_eq!(
        (&plan["stale"], &plan["changed_inputs"]),
        (&json!(true), &json!(["pledge"]))
    );
    let refused = adopt(&api, &id, false).await.expect(409);
    assert_eq!(refused.problem(), "stale-inputs");
    assert!(refused.body["detail"].as_str().unwrap().contains("pledge"));
    assert_eq!(count(&garden, "select count(*) from sowing").await, 0);

    // a change that breaks it cannot be accepted
    sqlx::query("insert into closure (id, cooperative_id, site_id, first_day, last_day, reason) values ($1, $2, $3, '2026-09-08', '2026-12-31', 'Flood')")
        .bind(Uuid::now_v7()).bind(garden.cooperative_id).bind(garden.site_id)
        .execute(&garden.pool).await.unwrap();
    let broken = adopt(&api, &id, true).await.expect(409);
    assert_eq!(broken.problem(), "plan-broken");
    sqlx::query("update closure set retired_at = now()")
        .execute(&garden.pool)
        .await
        .unwrap();
    assert_eq!(
        adopt(&api, &id, false).await.expect(409).problem(),
        "stale-inputs"
    );
    adopt(&api, &id, true).await.expect(200);
}

#[actix_web::test]
async fn a_newer_plan_replaces_what_was_not_sown() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let first = solved(&api, "First").await;
    adopt(&api, &first, false).await.expect(200);
    // nothing changed but the adoption itself: the next plan keeps what stands in the first
    let same = solved(&api, "Same").await;
    let planned = read(&api, &same).await.body["result"]["sowings"]
        .as_array()
        .unwrap()
        .len() as i64;
    adopt(&api, &same, false).await.expect(200);
    assert_eq!(
        count(
            &garden,
            "select count(*) from sowing where state = 'planned'"
        )
        .await,
        planned
    );

    // less is pledged: sowings go, their tasks with them
    sqlx::query("update pledge set weekly_milligrams = 60000, last_monday = '2026-11-02'")
        .execute(&garden.pool)
        .await
        .unwrap();
    let less = solved(&api, "Less").await;
    adopt(&api, &less, false).await.expect(200);
    let plan = read(&api, &less).await.body;
    let planned = plan["result"]["sowings"].as_array().unwrap().len() as i64;
    assert_eq!(
        count(
            &garden,
            "select count(*) from sowing where state = 'planned'"
        )
        .await,
        planned
    );
    assert!(count(&garden, "select count(*) from sowing where state = 'lost' and lost_cause = 'replaced by a newer plan'").await > 0);
    assert_eq!(count(&garden, "select count(*) from task t join sowing s on s.id = t.sowing_id where s.state = 'lost' and t.state <> 'dropped'").await, 0);
    assert_eq!(count(&garden, "select count(*) from sowing s join plan p on p.id = s.plan_id where s.state = 'planned' and p.state <> 'adopted'").await, 0);

    // taken back: nothing is left to be done
    api.act(COORDINATOR, &format!("/plans/{less}/withdrawal"))
        .await
        .expect(200);
    assert_eq!(
        count(
            &garden,
            "select count(*) from sowing where state = 'planned'"
        )
        .await,
        0
    );
    assert_eq!(
        count(&garden, "select count(*) from task where state = 'open'").await,
        0
    );
    let again = api
        .act(COORDINATOR, &format!("/plans/{less}/withdrawal"))
        .await
        .expect(409);
    assert_eq!(again.problem(), "wrong-state");
}

#[actix_web::test]
async fn what_stands_is_counted_and_keeps_its_places() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    // the whole bench was sown three weeks ago by hand
    sqlx::query("insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, state, sown_on)
                 values ($1, $2, $3, $4, $5, 8, '2026-08-17', '2026-12-31', 'sprouted', '2026-08-17')")
        .bind(Uuid::now_v7()).bind(garden.cooperative_id).bind(garden.site_id).bind(garden.station_id).bind(garden.crop_id)
        .execute(&garden.pool).await.unwrap();
    let id = solved(&api, "Full").await;
    let result = read(&api, &id).await.body["result"].clone();
    assert_eq!(result["sowings"], json!([]));
    // it was ready long before the pledges begin, so its cuts are surplus or serve the first weeks
    assert!(grams(&result["surplus"]) + grams(&result["expected"]) > 0.0);
    let explanation = api
        .get(COORDINATOR, &format!("/plans/{id}/explanation"))
        .await
        .expect(200)
        .body;
    let short = explanation["short"].as_array().unwrap();
    let last = short.last().unwrap();
    assert_eq!(last["causes"][0]["kind"], "places", "{last:#}");
    let words = last["words"].as_str().unwrap();
    assert!(
        words.contains("Bench") && words.contains("leaf lettuce") && words.contains("2026-W51"),
        "{words}"
    );
    assert!(!words.contains(&garden.station_id.to_string()), "{words}");
}

#[actix_web::test]
async fn weeks_that_nothing_can_meet_are_explained() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    sqlx::query("update pledge set first_monday = '2026-09-14'")
        .execute(&garden.pool)
        .await
        .unwrap();
    let id = solved(&api, "Early").await;
    let explanation = api
        .get(COORDINATOR, &format!("/plans/{id}/explanation"))
        .await
        .expect(200)
        .body;
    let first = &explanation["short"][0];
    assert_eq!(
        (&first["week"], &first["ways"]),
        (&json!("2026-W38"), &json!(0))
    );
    assert!(
        first["words"]
            .as_str()
            .unwrap()
            .contains("Nothing sown from now on can be ready")
    );
    assert_eq!(
        first["rules"],
        json!([]),
        "5 weeks of growth are too many for a start two weeks earlier"
    );
    // lettuce on this bench takes 37 to 38 days: the week of 12 October is met only with a head start
    let helped: Vec<&Value> = explanation["short"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|cell| cell["rules"].as_array().unwrap().contains(&json!("start")))
        .collect();
    assert!(!helped.is_empty(), "{explanation:#}");

    sqlx::query("update station set method = 'aerated'")
        .execute(&garden.pool)
        .await
        .unwrap();
    sqlx::query("update crop set profile = jsonb_set(profile, '{methods}', '[\"passive\"]')")
        .execute(&garden.pool)
        .await
        .unwrap();
    let id = solved(&api, "Method").await;
    let explanation = api
        .get(COORDINATOR, &format!("/plans/{id}/explanation"))
        .await
        .expect(200)
        .body;
    let last = explanation["short"].as_array().unwrap().last().unwrap();
    assert_eq!(last["rules"], json!(["method"]), "{last:#}");
    assert!(
        last["words"]
            .as_str()
            .unwrap()
            .contains("another growing method")
    );
}

#[actix_web::test]
async fn the_impossible_is_solved_with_reasons() {
    for (sql, note) in [
        ("update station set retired_at = now()", "no station"),
        ("update crop set retired_at = now()", "no crop"),
        ("update pledge set retired_at = now()", "nothing is pledged"),
        ("update site set opening_hours = '[]'", "no site is open"),
        ("update site set retired_at = now()", "no station"),
        ("update station set environment = '[{\"first_week\": 1, \"last_week\": 53, \"temperature_celsius\": 2, \"daily_light_mol\": 1}]'", ""),
        ("update site set weekly_minutes = 0", ""),
        ("update site set most_sowings_per_week = 0", ""),
        ("update recipient set keep_days = 0, delivery_weekdays = '{7}'", ""),
        ("insert into closure (id, cooperative_id, site_id, first_day, last_day, reason)
          select gen_random_uuid(), cooperative_id, id, '2026-09-01', '2027-03-01', 'Winter' from site", "no site is open"),
    ] {
        let api = Api::new().await;
        let garden = Garden::plant(&api).await;
        sqlx::query(sql).execute(&garden.pool).await.unwrap();
        let id = solved(&api, "Nothing").await;
        let plan = read(&api, &id).await.body;
        assert_eq!(plan["status"], "solved", "{sql}: {plan:#}");
        assert_eq!(plan["result"]["sowings"], json!([]), "{sql}");
        let notes = plan["result"]["notes"].to_string();
        assert!(notes.contains(note), "{sql}: {notes}");
        let explanation = api.get(COORDINATOR, &format!("/plans/{id}/explanation")).await.expect(200).body;
        let short = explanation["short"].as_array().unwrap();
        if note != "nothing is pledged" {
            assert_eq!(short.len(), 9, "{sql}");
        }
        for cell in short {
            assert!(cell["ways"] == 0 || cell["causes"] != json!([]), "{sql}: {cell:#}");
        }
        adopt(&api, &id, false).await.expect(200);
    }
}
