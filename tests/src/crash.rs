//! Power cuts while a plan is adopted: all of it or none, and the next start serves.

use std::path::Path;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use sqlx::PgPool;
use sqlx::postgres::PgConnectOptions;

use crate::binary::{Folder, Serving, found};
use crate::power_cuts::{Aim, cut, postgresql};

const ADA: &str = "ada@example.org";
const ROUNDS: u32 = 32;

/// A small co-operative through the API.
async fn describe(server: &Serving) {
    let make = async |path: &str, body: Value| -> Value {
        let (status, record) = server.post(path, body).await.unwrap();
        assert_eq!(status, 201, "{path}: {record}");
        record["id"].clone()
    };
    let hours: Vec<Value> = ["monday", "wednesday", "friday"]
        .map(|day| json!({"weekday": day, "opens": "08:00", "closes": "18:00"}))
        .into();
    let site = make("/sites", json!({"name": "Hall", "zone": "America/New_York", "opening_hours": hours, "weekly_minutes": 600, "weekly_mixing": null, "most_sowings_per_week": null})).await;
    let litres = |value: &str| json!({"value": value, "unit": "L"});
    let kind = make("/container_kinds", json!({"name": "Jar", "volume": litres("4"), "fill": litres("3.5"), "refill_limit": litres("2.5"), "plants_per_container": 1, "yield_permille": 1000})).await;
    let environment = json!([{"first_week": 1, "last_week": 53, "temperature_celsius": 21.0, "daily_light_mol": 15.0}]);
    make("/stations", json!({"site_id": site, "container_kind_id": kind, "name": "Rack", "method": "passive", "places": 60, "environment": environment})).await;
    let group = make("/crop_groups", json!({"name": "Greens"})).await;
    let (_, starters) = server.get("/starter_crops").await.unwrap();
    for starter in starters["items"].as_array().unwrap().iter().take(4) {
        let mut crop = starter["crop"].clone();
        crop["crop_group_id"] = group.clone();
        make("/crops", crop).await;
    }
    let recipient = make("/recipients", json!({"name": "Pantry", "kind": "pantry", "contact": "", "delivery_weekdays": ["wednesday", "friday"], "keep_days": 4})).await;
    let week = this_week();
    make("/pledges", json!({"recipient_id": recipient, "crop_id": null, "crop_group_id": group, "weekly": {"value": "0.8", "unit": "kg"}, "first_week": week.to_string(), "last_week": week.plus_weeks(14).unwrap().to_string(), "priority": 1})).await;
}

/// The real server goes by the real clock.
#[allow(clippy::disallowed_methods)]
fn this_week() -> cotyl_calendar::IsoWeek {
    cotyl_calendar::IsoWeek::of(chrono::Utc::now().date_naive()).unwrap()
}

/// A solved plan; each round asks with another seed.
async fn solved(server: &Serving, seed: u32) -> Value {
    let (status, plan) = server
        .post("/plans", json!({"name": format!("Plan {seed}"), "first_week": this_week().to_string(), "weeks": 16, "seed": seed, "work_limit": 300, "time_limit_seconds": 20}))
        .await
        .unwrap();
    assert_eq!(status, 202, "{plan}");
    let path = format!("/plans/{}", plan["id"].as_str().unwrap());
    let until = Instant::now() + Duration::from_secs(60);
    loop {
        let (_, plan) = server.get(&path).await.unwrap();
        match plan["status"].as_str().unwrap() {
            "solved" => return plan,
            "waiting" | "solving" => assert!(Instant::now() < until, "{plan}"),
            _ => panic!("{plan}"),
        }
        tokio::time::sleep(Duration::from_millis(30)).await;
    }
}

pub async fn behind(folder: &Path) -> PgPool {
    let settings = std::fs::read_to_string(postgresql(folder).join("postgresql.conf")).unwrap();
    let socket = settings
        .lines()
        .find(|line| line.trim_start().starts_with("unix_socket_directories"))
        .and_then(|line| line.split('\'').nth(1))
        .unwrap()
        .to_owned();
    let options = PgConnectOptions::new()
        .socket(socket)
        .username("cotyl")
        .database("cotyl")
        .options([("cotyl.system", "on")]);
    sqlx::postgres::PgPoolOptions::new()
        .max_connections(1)
        .connect_with(options)
        .await
        .unwrap()
}

/// Whether the plan is in force, after checking that everything of it is there or nothing is.
async fn adopted_whole_or_not_at_all(folder: &Path, plan: &Value) -> bool {
    let pool = behind(folder).await;
    let id: uuid::Uuid = plan["id"].as_str().unwrap().parse().unwrap();
    let (state, audited, planned, told, tasks): (String, i64, i64, i64, i64) = sqlx::query_as(
        "select p.state,
                (select count(*) from audit_entry a where a.noun_id = p.id and a.operation = 'adopt_plan'),
                (select count(*) from sowing s where s.state = 'planned' and s.plan_id is not null),
                (select count(distinct e.sowing_id) from sowing_event e join sowing s on s.id = e.sowing_id where s.state = 'planned' and e.kind = 'planned'),
                (select count(*) from task t join sowing s on s.id = t.sowing_id where s.state = 'planned' and t.kind = 'sow' and t.state = 'open')
           from plan p where p.id = $1",
    )
    .bind(id)
    .fetch_one(&pool)
    .await
    .unwrap();
    let in_force: i64 = sqlx::query_scalar("select count(*) from plan where state = 'adopted'")
        .fetch_one(&pool)
        .await
        .unwrap();
    pool.close().await;
    // whatever plan is in force, its sowings, their events and their tasks stand together
    assert_eq!((planned, planned), (told, tasks), "{state}");
    assert!(in_force <= 1);
    let sowings = plan["result"]["sowings"].as_array().unwrap().len() as i64;
    match state.as_str() {
        "adopted" => {
            assert_eq!((audited, planned), (1, sowings));
            true
        }
        "draft" => {
            assert_eq!(audited, 0);
            false
        }
        other => panic!("{other}"),
    }
}

#[actix_web::test]
async fn power_cuts_during_adoption_leave_all_of_it_or_none() {
    let folder = Folder::new("power cuts");
    found(&folder.0, "Green Jars", ADA);
    let mut server = Serving::start(&folder.0).await;
    server.sign_in(ADA).await;
    describe(&server).await;
    let first = solved(&server, 1000).await;
    assert!(first["result"]["sowings"].as_array().unwrap().len() > 5);
    let adopt = |plan: &Value| format!("/plans/{}/adoption", plan["id"].as_str().unwrap());
    let begun = Instant::now();
    let (status, said) = server
        .post(&adopt(&first), json!({"accept_changed_inputs": false}))
        .await
        .unwrap();
    assert_eq!(status, 200, "{said}");

    let mut aim = Aim::new(begun.elapsed(), 7);
    let (mut kept, mut lost) = (0, 0);
    for round in 0..ROUNDS {
        let plan = solved(&server, round).await;
        let pause = aim.pause();
        let path = adopt(&plan);
        let adoption = server.post(&path, json!({"accept_changed_inputs": false}));
        let cut = async {
            tokio::time::sleep(pause).await;
            cut(&server, &folder.0, round % 2 == 0);
        };
        let (answer, ()) = futures::future::join(adoption, cut).await;
        drop(server);
        server = Serving::start(&folder.0).await;
        server.sign_in(ADA).await;
        let adopted = adopted_whole_or_not_at_all(&folder.0, &plan).await;
        // what was answered with success has happened
        if let Ok((status, said)) = answer {
            assert!(status != 200 || adopted, "{said}");
        }
        if adopted {
            kept += 1
        } else {
            lost += 1
        }
        aim.learn(adopted);
    }
    assert!(
        kept > 1 && lost > 1,
        "{kept} adopted, {lost} not: the cuts missed the adoption"
    );
    server.signal("TERM");
    assert!(server.wait());
}
