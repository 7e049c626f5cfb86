//! The work on plans: waiting, cancelled, cut short, taken over, given up, followed; and what stays.

use chrono::TimeDelta;
use cotyl_app::plans::work::Reins;
use cotyl_jobs::{Ended, Worker, WorkerSettings, run_once};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, Garden, LEAD};
use crate::plans::{adopt, count, plan_input, read, request, solve_all, solved};
use crate::support::{Api, Reply};

#[actix_web::test]
async fn a_waiting_plan_is_cancelled_at_once_and_a_running_one_soon() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let waiting = request(&api, "Waiting").await;
    let path = format!("/plans/{waiting}/cancellation");
    assert_eq!(
        api.act(COORDINATOR, &path).await.expect(200).body["status"],
        "cancelled"
    );
    assert_eq!(
        api.act(COORDINATOR, &path).await.expect(409).problem(),
        "wrong-state"
    );
    assert_eq!(run_once(&api.bed.app).await.unwrap(), None);

    let long = json!({"name": "Long", "first_week": "2026-W37", "weeks": 30, "work_limit": 20_000_000, "time_limit_seconds": 120});
    let running = api.post(COORDINATOR, "/plans", long).await.expect(202).id();
    let cancel = async {
        loop {
            tokio::time::sleep(std::time::Duration::from_millis(100)).await;
            if read(&api, &running).await.body["status"] == "solving" {
                break;
            }
        }
        api.act(COORDINATOR, &format!("/plans/{running}/cancellation"))
            .await
            .expect(200)
    };
    let (ended, reply) = futures::future::join(run_once(&api.bed.app), cancel).await;
    assert_eq!(ended.unwrap(), Some(Ended::Recorded));
    assert_eq!(
        (&reply.body["status"], &reply.body["cancel_requested"]),
        (&json!("solving"), &json!(true))
    );
    let plan = read(&api, &running).await.body;
    assert_eq!(
        (&plan["status"], &plan["result"]),
        (&json!("cancelled"), &Value::Null)
    );
    assert_eq!(
        adopt(&api, &running, true).await.expect(409).problem(),
        "wrong-state"
    );
}

#[actix_web::test]
async fn the_time_limit_ends_a_search_early() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let long = json!({"name": "Long", "first_week": "2026-W37", "weeks": 16, "work_limit": 20_000_000, "time_limit_seconds": 1});
    let id = api.post(COORDINATOR, "/plans", long).await.expect(202).id();
    solve_all(&api).await;
    let plan = read(&api, &id).await.body;
    assert_eq!(
        (&plan["status"], &plan["result"]["complete"]),
        (&json!("solved"), &json!(false))
    );
    assert!(plan["progress"]["work_done"].as_u64().unwrap() < 20_000_000);
}

#[actix_web::test]
async fn a_dead_workers_job_is_taken_again_and_its_late_result_refused() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let id = request(&api, "Autumn").await;
    let app = &api.bed.app;
    let lost = app.lease_job().await.unwrap().unwrap();
    let work = app.begin_plan_work(&lost).await.unwrap();
    assert_eq!(read(&api, &id).await.body["status"], "solving");
    // while the lease holds, nobody else gets the job
    assert_eq!(run_once(app).await.unwrap(), None);
    api.bed.clock.advance(TimeDelta::seconds(20));
    assert_eq!(app.beat_job(&lost, None).await.unwrap(), Some(false));
    api.bed.clock.advance(TimeDelta::seconds(29));
    assert_eq!(run_once(app).await.unwrap(), None);
    // the worker is gone: no more heartbeats
    api.bed.clock.advance(TimeDelta::seconds(2));
    let taken = app.lease_job().await.unwrap().unwrap();
    assert_eq!((taken.id, taken.attempts), (lost.id, 2));
    assert_eq!(app.beat_job(&lost, None).await.unwrap(), None);
    let late = work.work_out(&Reins::default());
    assert!(
        !app.record_plan_work(&lost, &work, Some(&late))
            .await
            .unwrap()
    );
    assert_eq!(read(&api, &id).await.body["status"], "solving");
    assert!(!app.put_back_job(&lost).await.unwrap());

    let second = app.begin_plan_work(&taken).await.unwrap();
    let answer = second.work_out(&Reins::default());
    assert!(
        app.record_plan_work(&taken, &second, Some(&answer))
            .await
            .unwrap()
    );
    assert_eq!(read(&api, &id).await.body["status"], "solved");
    assert!(
        !app.record_plan_work(&taken, &second, Some(&answer))
            .await
            .unwrap()
    );
}

#[actix_web::test]
async fn work_that_never_ends_is_given_up() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let id = request(&api, "Autumn").await;
    for _ in 0..3 {
        assert!(api.bed.app.lease_job().await.unwrap().is_some());
        api.bed.clock.advance(TimeDelta::seconds(31));
    }
    assert_eq!(api.bed.app.lease_job().await.unwrap(), None);
    let plan = read(&api, &id).await.body;
    assert_eq!(plan["status"], "failed");
    assert!(
        plan["failure"]
            .as_str()
            .unwrap()
            .contains("begun several times")
    );
    api.act(COORDINATOR, &format!("/plans/{id}/withdrawal"))
        .await
        .expect(200);
}

#[actix_web::test]
async fn several_workers_take_each_job_once() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for number in 0..4 {
        request(&api, &format!("Plan {number}")).await;
    }
    let app = &api.bed.app;
    let leased = futures::future::join_all((0..6).map(|_| app.lease_job())).await;
    let mut ids: Vec<Uuid> = leased
        .into_iter()
        .filter_map(|job| job.unwrap())
        .map(|job| job.id)
        .collect();
    assert_eq!(ids.len(), 4);
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), 4);

    // put back by workers going home, then done by two others
    sqlx::query("update job set state = 'queued', lease_id = null")
        .execute(&garden.pool)
        .await
        .unwrap();
    let settings = WorkerSettings {
        poll: std::time::Duration::from_millis(20),
        ..WorkerSettings::default()
    };
    let workers = [
        Worker::new(app.clone(), settings.clone()),
        Worker::new(app.clone(), settings),
    ];
    let done = || async {
        while count(
            &garden,
            "select count(*) from plan where solving = 'solved'",
        )
        .await
            < 4
        {
            tokio::time::sleep(std::time::Duration::from_millis(50)).await;
        }
    };
    futures::future::join(workers[0].run(done()), workers[1].run(done())).await;
    assert_eq!(
        count(
            &garden,
            "select count(*) from job where state = 'done' and attempts = 2"
        )
        .await,
        4
    );
}

#[actix_web::test]
async fn a_worker_going_home_puts_its_job_back() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let long = json!({"name": "Long", "first_week": "2026-W37", "weeks": 30, "work_limit": 20_000_000, "time_limit_seconds": 120});
    api.post(COORDINATOR, "/plans", long).await.expect(202);
    let begun = async {
        while count(
            &garden,
            "select count(*) from plan where solving = 'solving'",
        )
        .await
            < 1
        {
            tokio::time::sleep(std::time::Duration::from_millis(50)).await;
        }
    };
    Worker::new(api.bed.app.clone(), WorkerSettings::default())
        .run(begun)
        .await;
    assert_eq!(
        count(
            &garden,
            "select count(*) from job where kind <> 'site_work' and state = 'queued' and attempts = 0"
        )
        .await,
        1
    );
}

#[actix_web::test]
async fn a_plan_is_followed_to_its_end() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let id = request(&api, "Autumn").await;
    let path = format!("/plans/{id}/events");
    let (events, ended) = futures::future::join(api.get(LEAD, &path), run_once(&api.bed.app)).await;
    assert_eq!(ended.unwrap(), Some(Ended::Recorded));
    let events = events.expect(200);
    assert_eq!(events.headers["content-type"], "text/event-stream");
    let blocks: Vec<&str> = events.text.trim_end().split("\n\n").collect();
    assert!(blocks.len() >= 2, "{}", events.text);
    assert!(blocks[0].starts_with("event: progress\ndata: {"));
    let last = blocks
        .last()
        .unwrap()
        .strip_prefix("event: end\ndata: ")
        .unwrap();
    let plan: Value = serde_json::from_str(last).unwrap();
    assert_eq!(
        (&plan["id"], &plan["status"]),
        (&json!(id), &json!("solved"))
    );
    assert!(
        plan["progress"]["bound"].as_f64().unwrap()
            <= plan["progress"]["objective"].as_f64().unwrap()
    );
    // of a solved plan the end comes at once
    let events = api.get(LEAD, &path).await.expect(200);
    assert!(events.text.starts_with("event: end\n"));
}

#[actix_web::test]
async fn work_of_an_unknown_kind_fails() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    sqlx::query("insert into job (id, cooperative_id, kind, payload, run_at) values ($1, $2, 'bake', '{}', '2026-01-01')")
        .bind(Uuid::now_v7()).bind(garden.cooperative_id).execute(&garden.pool).await.unwrap();
    assert_eq!(run_once(&api.bed.app).await.unwrap(), Some(Ended::Recorded));
    assert_eq!(
        count(
            &garden,
            "select count(*) from job where state = 'failed' and failure like '%bake%'"
        )
        .await,
        1
    );
}

#[actix_web::test]
async fn a_wish_to_stop_outlives_its_worker() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let id = request(&api, "Autumn").await;
    let lost = api.bed.app.lease_job().await.unwrap().unwrap();
    api.bed.app.begin_plan_work(&lost).await.unwrap();
    api.act(COORDINATOR, &format!("/plans/{id}/cancellation"))
        .await
        .expect(200);
    assert_eq!(api.bed.app.beat_job(&lost, None).await.unwrap(), Some(true));
    api.bed.clock.advance(TimeDelta::seconds(31));
    assert_eq!(run_once(&api.bed.app).await.unwrap(), Some(Ended::Recorded));
    assert_eq!(read(&api, &id).await.body["status"], "cancelled");
}

#[actix_web::test]
async fn only_so_many_plans_wait() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    for number in 0..10 {
        request(&api, &format!("Plan {number}")).await;
    }
    let reply = api
        .post(COORDINATOR, "/plans", plan_input("One more"))
        .await
        .expect(409);
    assert_eq!(reply.problem(), "too-much");
}

#[actix_web::test]
async fn what_was_sown_stays_when_a_plan_is_replaced_or_withdrawn() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let first = solved(&api, "First").await;
    adopt(&api, &first, false).await.expect(200);
    sqlx::query(
        "update sowing set state = 'sown', sown_on = sow_on
          where id = (select id from sowing order by sow_on, id limit 1)",
    )
    .execute(&garden.pool)
    .await
    .unwrap();
    let plan = read(&api, &first).await.body;
    assert_eq!(plan["changed_inputs"], json!(["sowing"]));
    let second = solved(&api, "Second").await;
    adopt(&api, &second, false).await.expect(200);
    api.act(COORDINATOR, &format!("/plans/{second}/withdrawal"))
        .await
        .expect(200);
    assert_eq!(
        count(&garden, "select count(*) from sowing where state = 'sown'").await,
        1
    );
    assert_eq!(
        count(
            &garden,
            "select count(*) from sowing where state = 'planned'"
        )
        .await,
        0
    );
}

#[actix_web::test]
async fn the_same_seed_and_work_give_the_same_plan() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let (first, second) = (solved(&api, "One").await, solved(&api, "Two").await);
    let sowings = |reply: Reply| reply.body["result"]["sowings"].clone();
    assert_eq!(
        sowings(read(&api, &first).await),
        sowings(read(&api, &second).await)
    );
    let path = format!("/plans/comparisons?first={first}&second={second}");
    let same = api.get(COORDINATOR, &path).await.expect(200).body;
    for list in ["only_first", "only_second", "changed", "weeks"] {
        assert_eq!(same[list], json!([]), "{list}");
    }
}
