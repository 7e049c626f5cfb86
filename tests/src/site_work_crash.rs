//! Worker processes killed while they look at sites: no task is lost, none comes twice.

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use chrono::{Days, NaiveDate};
use serde_json::json;
use sqlx::PgPool;
use sqlx::postgres::PgConnectOptions;
use uuid::Uuid;

use crate::binary::{Folder, cotyl, signal};
use crate::garden::Garden;
use crate::power_cuts::Aim;
use crate::support::Api;

const ROUNDS: u32 = 100;

/// A worker of its own on the test's database.
struct WorkerProcess(Child);

impl WorkerProcess {
    fn start(folder: &Path, address: &str) -> Self {
        let log = std::fs::File::create(folder.join("cotyl.log")).unwrap();
        let child = Command::new(cotyl())
            .args(["serve", "--listen", "127.0.0.1:0", "--data-dir"])
            .arg(folder)
            .args(["--database-url", address])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        Self(child)
    }
}

impl Drop for WorkerProcess {
    fn drop(&mut self) {
        signal(self.0.id(), "KILL");
        let _ = self.0.wait();
    }
}

/// The test's database as a worker of its own is told of it.
fn address_of(options: &PgConnectOptions) -> String {
    format!(
        "postgres://{}@localhost:{}/{}?host={}",
        options.get_username(),
        options.get_port(),
        options.get_database().unwrap(),
        options.get_socket().unwrap().display()
    )
}

/// The real server goes by the real clock.
#[allow(clippy::disallowed_methods)]
fn today() -> NaiveDate {
    chrono::Utc::now().date_naive()
}

async fn number(pool: &PgPool, statement: &'static str) -> i64 {
    sqlx::query_scalar(statement).fetch_one(pool).await.unwrap()
}

async fn queue_is_empty(pool: &PgPool) -> bool {
    let waiting =
        "select count(*) from job where kind = 'site_work' and state in ('queued', 'leased')";
    number(pool, waiting).await == 0
}

/// The look at the garden's site that waits in the queue.
async fn waiting_look(garden: &Garden) -> Uuid {
    sqlx::query_scalar(
        "select id from job where kind = 'site_work' and state = 'queued' and payload->>'site_id' = $1::text",
    )
    .bind(garden.site_id)
    .fetch_one(&garden.pool)
    .await
    .unwrap()
}

/// Waits until a look is in one of these states.
async fn until_it_is(pool: &PgPool, look: Uuid, states: &[&str]) {
    let begun = Instant::now();
    loop {
        let state: String = sqlx::query_scalar("select state from job where id = $1")
            .bind(look)
            .fetch_one(pool)
            .await
            .unwrap();
        if states.contains(&state.as_str()) {
            return;
        }
        assert!(
            begun.elapsed() < Duration::from_secs(60),
            "it stays {state}"
        );
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
}

/// Sowings all over the next weeks, some sown, on many benches.
async fn plant_much(garden: &Garden, today: NaiveDate) {
    sqlx::query("update station set places = 400 where id = $1")
        .bind(garden.station_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    for number in 0..40_u64 {
        let sow_on = today - Days::new(4) + Days::new(number % 12);
        let sown = (sow_on < today).then_some(sow_on);
        let cuts: Vec<NaiveDate> = [40, 55].map(|days| sow_on + Days::new(days)).into();
        sqlx::query(
            "insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, planned_cuts, expected_milligrams, state, sown_on)
             values (gen_random_uuid(), $1, $2, $3, $4, 4, $5, $6, $7, '{1000, 1000}', $8, $9)",
        )
        .bind(garden.cooperative_id)
        .bind(garden.site_id)
        .bind(garden.station_id)
        .bind(garden.crop_id)
        .bind(sow_on)
        .bind(sow_on + Days::new(58))
        .bind(cuts)
        .bind(if sown.is_some() { "sown" } else { "planned" })
        .bind(sown)
        .execute(&garden.pool)
        .await
        .unwrap();
    }
}

/// A cause that changes many tasks: every one is another day, or another length.
async fn cause(garden: &Garden, round: u32, today: NaiveDate) {
    if round.is_multiple_of(3) {
        sqlx::query(
            "insert into task_rule (id, cooperative_id, rule, change) values (gen_random_uuid(), $1, 'mist', $2)
             on conflict (cooperative_id, rule) do update set change = excluded.change",
        )
        .bind(garden.cooperative_id)
        .bind(json!({"fixed_minutes": round, "enabled": round.is_multiple_of(2)}))
        .execute(&garden.pool)
        .await
        .unwrap();
        return;
    }
    sqlx::query("update closure set retired_at = now() where retired_at is null")
        .execute(&garden.pool)
        .await
        .unwrap();
    let first = today + Days::new(u64::from(round % 20));
    sqlx::query(
        "insert into closure (id, cooperative_id, site_id, first_day, last_day, reason) values (gen_random_uuid(), $1, $2, $3, $4, 'Snow')",
    )
    .bind(garden.cooperative_id)
    .bind(garden.site_id)
    .bind(first)
    .bind(first + Days::new(u64::from(round % 4)))
    .execute(&garden.pool)
    .await
    .unwrap();
}

/// Each step of each sowing stands exactly once, and nothing falls on a closed day.
async fn whole(garden: &Garden) {
    let pool = &garden.pool;
    let torn = "select count(*) from sowing w
                 where (select count(*) from task t where t.sowing_id = w.id and t.kind = 'cut' and t.state = 'open') <> 2
                    or (select count(*) from task t where t.sowing_id = w.id and t.kind = 'clear_and_clean' and t.state = 'open') <> 1
                    or (select count(*) from task t where t.sowing_id = w.id and t.kind = 'check_germination' and t.state = 'open') <> 1
                    or (select count(*) from task t where t.sowing_id = w.id and t.kind = 'sow' and t.state = 'open') <> (w.state = 'planned')::integer";
    assert_eq!(number(pool, torn).await, 0);
    let closed = "select count(*) from task t join closure c on c.site_id = t.site_id and c.retired_at is null
                   where t.state = 'open' and t.day between c.first_day and c.last_day";
    assert_eq!(number(pool, closed).await, 0);
    let doubled = "select count(*) - count(distinct occasion) from task";
    assert_eq!(number(pool, doubled).await, 0);
}

#[actix_web::test]
async fn workers_killed_a_hundred_times_lose_and_double_no_task() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let today = today();
    // people sign in by the test's clock; the workers go by the real one
    plant_much(&garden, today).await;
    let address = address_of(&api.bed.options);
    let folder = Folder::new("killed workers");
    let worker = WorkerProcess::start(&folder.0, &address);
    let first = waiting_look(&garden).await;
    until_it_is(&garden.pool, first, &["done"]).await;
    whole(&garden).await;

    let mut aim = Aim::new(Duration::from_millis(30), 23);
    let (mut ended, mut cut_off) = (0, 0);
    drop(worker);
    for round in 0..ROUNDS {
        cause(&garden, round, today).await;
        let look = waiting_look(&garden).await;
        let worker = WorkerProcess::start(&folder.0, &address);
        until_it_is(&garden.pool, look, &["leased", "done"]).await;
        tokio::time::sleep(aim.pause()).await;
        drop(worker);
        let state: String = sqlx::query_scalar("select state from job where id = $1")
            .bind(look)
            .fetch_one(&garden.pool)
            .await
            .unwrap();
        if state == "done" {
            ended += 1;
        } else {
            cut_off += 1;
        }
        aim.learn(state == "done");
        let doubled = "select count(*) - count(distinct occasion) from task";
        assert_eq!(number(&garden.pool, doubled).await, 0);
    }
    assert!(
        ended > 10 && cut_off > 10,
        "{ended} ended, {cut_off} cut off: the cuts missed the looks"
    );

    // what the killed held comes free when its lease runs out
    let _worker = WorkerProcess::start(&folder.0, &address);
    let until = Instant::now() + Duration::from_secs(90);
    while !queue_is_empty(&garden.pool).await {
        assert!(Instant::now() < until, "no look ended");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    whole(&garden).await;
    let sum = "select coalesce(sum(version), 0)::bigint + count(*) from task";
    let before = number(&garden.pool, sum).await;
    sqlx::query("select wake_every_site($1)")
        .bind(garden.cooperative_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    while !queue_is_empty(&garden.pool).await {
        assert!(Instant::now() < until, "no look ended");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    assert_eq!(number(&garden.pool, sum).await, before);
}
