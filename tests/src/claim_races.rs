//! Claims and reports at the same moment, over connections of their own.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use actix_web::dev::ServerHandle;
use actix_web::web::Data;
use cotyl_api::{ApiState, api_app};
use cotyl_app::App;
use cotyl_app::passwords::Passwords;
use cotyl_domain::Clock;
use cotyl_store::{PoolSettings, Store};
use futures::future::join_all;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::claims::{SECOND, TestTask, add_task, garden, id_of};
use crate::garden::{COORDINATOR, Garden, LEAD, VOLUNTEER};
use crate::sowings::at;
use crate::support::{Api, settings};

/// The application on a socket, with many connections to the database.
pub struct Racing {
    pub address: std::net::SocketAddr,
    pub handle: ServerHandle,
    store: Store,
}

/// One request of a race: who, path and body.
pub type Asked<'a> = (&'a str, String, Option<Value>);

impl Racing {
    pub async fn start(api: &Api, connections: u32) -> Self {
        Self::start_by(api, connections, Arc::new(api.bed.clock.clone())).await
    }

    /// The same by another clock.
    pub async fn start_by(api: &Api, connections: u32, clock: Arc<dyn Clock>) -> Self {
        let pool = PoolSettings {
            connections,
            wait: Duration::from_secs(30),
            ..PoolSettings::default()
        };
        let store = Store::new(api.bed.options.clone(), &pool);
        let app = App::start(store.clone(), clock, Passwords::fast_for_tests().unwrap())
            .await
            .unwrap();
        let state = Data::new(ApiState::new(app, &settings(), None));
        let server = actix_web::HttpServer::new(move || api_app(state.clone()))
            .workers(2)
            .disable_signals()
            .bind(("127.0.0.1", 0))
            .unwrap();
        let address = server.addrs()[0];
        let server = server.run();
        let handle = server.handle();
        actix_web::rt::spawn(server);
        Self {
            address,
            handle,
            store,
        }
    }

    /// All requests at once, each over a connection that was opened before.
    pub async fn run(&self, api: &Api, asked: Vec<Asked<'_>>) -> Vec<(u16, Value)> {
        let clients: Vec<_> = asked.iter().map(|_| reqwest::Client::new()).collect();
        let base = format!("http://{}/api/v1", self.address);
        let opened = join_all(asked.iter().zip(&clients).map(|((who, _, _), client)| {
            client
                .get(format!("{base}/me"))
                .bearer_auth(api.token(who))
                .send()
        }))
        .await;
        assert!(
            opened
                .into_iter()
                .all(|answer| answer.unwrap().status() == 200)
        );
        join_all(
            asked
                .into_iter()
                .zip(&clients)
                .map(async |((who, path, body), client)| {
                    let mut request = client
                        .post(format!("{base}{path}"))
                        .bearer_auth(api.token(who));
                    if let Some(body) = body {
                        request = request.json(&body);
                    }
                    let answer = request.send().await.unwrap();
                    let status = answer.status().as_u16();
                    (status, answer.json::<Value>().await.unwrap_or_default())
                }),
        )
        .await
    }
}

/// How many answers of each status and problem.
pub fn tally(answers: &[(u16, Value)]) -> BTreeMap<String, usize> {
    let mut counts = BTreeMap::new();
    for (status, body) in answers {
        let problem = body["type"].as_str().unwrap_or_default();
        let problem = problem.rsplit(':').next().unwrap_or_default();
        *counts
            .entry(format!("{status} {problem}").trim().to_owned())
            .or_default() += 1;
    }
    counts
}

fn counts(expected: &[(&str, usize)]) -> BTreeMap<String, usize> {
    expected
        .iter()
        .map(|(name, count)| ((*name).to_owned(), *count))
        .collect()
}

async fn open_claims(garden: &Garden) -> i64 {
    sqlx::query_scalar("select count(*) from claim where ended_at is null")
        .fetch_one(&garden.pool)
        .await
        .unwrap()
}

#[actix_web::test]
async fn two_hundred_connections_claim_one_task() {
    let (api, garden) = garden().await;
    let path = add_task(&garden, TestTask::default()).await;
    let people: Vec<String> = (0..199).map(|n| format!("member{n}@example.org")).collect();
    for person in &people {
        let roles = [("volunteer", Some(garden.site_id), None)];
        garden.join(&api, person, &roles).await;
    }
    let racing = Racing::start(&api, 50).await;
    let asked = people
        .iter()
        .map(String::as_str)
        .chain([LEAD])
        .map(|who| (who, format!("{path}/claims"), None))
        .collect();
    let begun = std::time::Instant::now();
    let answers = racing.run(&api, asked).await;
    println!(
        "200 claims of one task over 200 connections, {} to the database: {:?} in {:.2} s",
        racing.store.open_connections(),
        tally(&answers),
        begun.elapsed().as_secs_f64()
    );
    assert_eq!(
        tally(&answers),
        counts(&[("201", 1), ("409 task-held", 199)])
    );
    assert_eq!(open_claims(&garden).await, 1);
    // only the lead is told by whom, if they lost
    let (status, lead) = answers.last().unwrap();
    let named = |body: &Value| {
        body["detail"]
            .as_str()
            .unwrap_or_default()
            .contains("@example.org")
    };
    assert!(*status == 201 || named(lead));
    assert!(!answers[..199].iter().any(|(_, body)| named(body)));
    racing.handle.stop(true).await;
}

#[actix_web::test]
async fn the_limit_of_claims_holds_under_many_at_once() {
    let (api, garden) = garden().await;
    let mut paths = Vec::new();
    for _ in 0..40 {
        paths.push(
            add_task(
                &garden,
                TestTask {
                    minutes: 1,
                    ..TestTask::default()
                },
            )
            .await,
        );
    }
    let racing = Racing::start(&api, 40).await;
    let asked = paths
        .iter()
        .map(|path| (VOLUNTEER, format!("{path}/claims"), None))
        .collect();
    let answers = racing.run(&api, asked).await;
    println!("40 claims of one member, 10 allowed: {:?}", tally(&answers));
    assert_eq!(
        tally(&answers),
        counts(&[("201", 10), ("409 claim-limit", 30)])
    );
    assert_eq!(open_claims(&garden).await, 10);
    racing.handle.stop(true).await;
}

#[actix_web::test]
async fn one_member_cannot_be_at_two_fixed_times_at_once() {
    let (api, garden) = garden().await;
    let mut paths = Vec::new();
    for _ in 0..20 {
        let fixed = TestTask {
            opens_at: "2026-09-07T14:00:00Z",
            due_at: "2026-09-07T14:30:00Z",
            ..TestTask::default()
        };
        paths.push(add_task(&garden, fixed).await);
    }
    let racing = Racing::start(&api, 20).await;
    let asked = paths
        .iter()
        .map(|path| (VOLUNTEER, format!("{path}/claims"), None))
        .collect();
    let answers = racing.run(&api, asked).await;
    println!(
        "20 claims of one member at one fixed time: {:?}",
        tally(&answers)
    );
    assert_eq!(
        tally(&answers),
        counts(&[("201", 1), ("409 claims-overlap", 19)])
    );
    racing.handle.stop(true).await;
}

#[actix_web::test]
async fn the_same_report_sent_by_many_connections_has_one_effect() {
    let (api, garden) = garden().await;
    let path = add_task(
        &garden,
        TestTask {
            kind: "measure",
            ..TestTask::default()
        },
    )
    .await;
    api.act(VOLUNTEER, &format!("{path}/claims"))
        .await
        .expect(201);
    let racing = Racing::start(&api, 20).await;
    let report = json!({"id": Uuid::now_v7(), "done_at": "2026-09-07T11:30:00Z", "ph": 6.1});
    let same = (0..5).map(|_| {
        (
            VOLUNTEER,
            format!("{path}/completion"),
            Some(report.clone()),
        )
    });
    let others = (0..5).map(|n| {
        let body =
            json!({"id": Uuid::now_v7(), "done_at": format!("2026-09-07T11:4{n}:00Z"), "ph": 6.2});
        (LEAD, format!("{path}/completion"), Some(body))
    });
    let answers = racing.run(&api, same.chain(others).collect()).await;
    println!(
        "one report five times against five of a lead: {:?}",
        tally(&answers)
    );
    let readings: i64 = sqlx::query_scalar("select count(*) from reading")
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(readings, 1);
    let states: Vec<(String, i64)> =
        sqlx::query_as("select state, count(*) from work_report group by state order by state")
            .fetch_all(&garden.pool)
            .await
            .unwrap();
    // six different reports: one counts, five wait
    assert_eq!(
        states,
        [("counted".to_owned(), 1), ("waiting".to_owned(), 5)]
    );
    let of_one: Vec<&(u16, Value)> = answers[..5].iter().collect();
    assert!(of_one.iter().all(|answer| answer.0 == of_one[0].0));
    assert!(
        answers
            .iter()
            .all(|(status, _)| [200, 202].contains(status))
    );
    racing.handle.stop(true).await;
}

#[actix_web::test]
async fn two_leads_assign_at_once() {
    let (api, garden) = garden().await;
    let racing = Racing::start(&api, 20).await;
    let (volunteer, second) = (
        id_of(&garden, VOLUNTEER).await,
        id_of(&garden, SECOND).await,
    );
    let url = format!("/sites/{}/assignments", garden.site_id);
    let mut tallies = BTreeMap::new();
    for _ in 0..8 {
        let one = add_task(
            &garden,
            TestTask {
                minutes: 1,
                ..TestTask::default()
            },
        )
        .await;
        let other = add_task(
            &garden,
            TestTask {
                minutes: 1,
                ..TestTask::default()
            },
        )
        .await;
        let of = |path: &str, member: Uuid| json!({"task_id": path.trim_start_matches("/tasks/"), "member_id": member});
        // in opposite orders of tasks and members
        let forth = json!({"assignments": [of(&one, volunteer), of(&other, second)]});
        let back = json!({"assignments": [of(&other, volunteer), of(&one, second)]});
        let asked = vec![
            (LEAD, url.clone(), Some(forth)),
            (COORDINATOR, url.clone(), Some(back)),
        ];
        for (name, count) in tally(&racing.run(&api, asked).await) {
            *tallies.entry(name).or_default() += count;
        }
    }
    println!("two leads assign the same two tasks, eight times: {tallies:?}");
    assert_eq!(tallies, counts(&[("200", 8), ("409 not-assignable", 8)]));
    assert_eq!(open_claims(&garden).await, 16);
    racing.handle.stop(true).await;
}

#[actix_web::test]
async fn lapsing_and_beginning_at_once_end_in_one_story() {
    let (api, garden) = garden().await;
    let racing = Racing::start(&api, 20).await;
    let mut stories: BTreeMap<String, usize> = BTreeMap::new();
    for _ in 0..8 {
        api.bed.clock.set("2026-09-07T12:00:00Z".parse().unwrap());
        let path = add_task(
            &garden,
            TestTask {
                minutes: 1,
                ..TestTask::default()
            },
        )
        .await;
        at(&api, "2026-09-07T19:59:00Z", &[VOLUNTEER, SECOND]).await;
        api.act(VOLUNTEER, &format!("{path}/claims"))
            .await
            .expect(201);
        api.bed.clock.set("2026-09-07T20:00:00Z".parse().unwrap());
        let asked = vec![
            (VOLUNTEER, format!("{path}/claims/mine/beginning"), None),
            (SECOND, format!("{path}/claims"), None),
        ];
        let (answers, swept) =
            futures::join!(racing.run(&api, asked), api.bed.app.free_lapsed_claims());
        swept.unwrap();
        // past the due time it is too late to begin, and the other has it
        assert_eq!((answers[0].0, answers[1].0), (409, 201), "{answers:?}");
        *stories.entry(format!("{:?}", tally(&answers))).or_default() += 1;
        let held: i64 = sqlx::query_scalar(
            "select count(*) from claim where ended_at is null and task_id = $1",
        )
        .bind(path.trim_start_matches("/tasks/").parse::<Uuid>().unwrap())
        .fetch_one(&garden.pool)
        .await
        .unwrap();
        assert_eq!(held, 1);
    }
    println!("begin against lapse and another claim, eight times: {stories:?}");
    racing.handle.stop(true).await;
}
