//! What a look at a site costs with 10, 100, 1 000 and 10 000 sowings at it.
//!
//! `cargo bench -p cotyl-tests --bench site_work [-- SOWINGS...]`. Whole looks over a throwaway PostgreSQL on this
//! machine, which does not wait for the disk: facts read, tasks derived, compared and written. Ten sowings stand at
//! each station, sown over the last nine weeks and the next.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    missing_docs
)]

use std::time::Instant;

use cotyl_jobs::{Ended, look_once};
use cotyl_testkit::Bed;
use serde_json::json;
use sqlx::{ConnectOptions, PgConnection};
use uuid::Uuid;

const SIZES: [i64; 4] = [10, 100, 1_000, 10_000];
const PASSWORD: &str = "green leaves every week";

fn main() {
    // `cargo test --benches` and `cargo bench` pass flags of the usual harness
    let mut sizes: Vec<i64> = std::env::args()
        .skip(1)
        .filter_map(|argument| argument.parse().ok())
        .collect();
    if sizes.is_empty() {
        sizes = SIZES.to_vec();
    }
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap();
    println!("milliseconds of one look");
    println!(
        "{:>8} {:>8} {:>10} {:>12} {:>10} {:>14} {:>10}",
        "sowings", "tasks", "first", "tasks a s", "unchanged", "after closure", "moved"
    );
    for size in sizes {
        runtime.block_on(measure(size));
    }
}

async fn measure(sowings: i64) {
    let bed = Bed::new().await;
    let founded = bed
        .app
        .found(
            "Green Jars",
            "Coordinator",
            "coordinator@example.org",
            PASSWORD,
        )
        .await
        .unwrap();
    let options = bed.options.clone().options([("cotyl.system", "on")]);
    let mut connection = options.connect().await.unwrap();
    let site_id = plant(&mut connection, founded.cooperative_id, sowings).await;
    let first = look(&bed).await;
    let tasks = count(&mut connection, "select count(*) from task").await;
    wake(&mut connection, founded.cooperative_id).await;
    let unchanged = look(&bed).await;
    let versions = "select coalesce(sum(version), 0)::bigint from task";
    let before = count(&mut connection, versions).await;
    sqlx::query("insert into closure (id, cooperative_id, site_id, first_day, last_day, reason) values ($1, $2, $3, '2026-09-14', '2026-09-18', 'Snow')")
        .bind(Uuid::now_v7())
        .bind(founded.cooperative_id)
        .bind(site_id)
        .execute(&mut connection)
        .await
        .unwrap();
    let closure = look(&bed).await;
    let moved = count(&mut connection, versions).await - before;
    println!(
        "{sowings:>8} {tasks:>8} {first:>10.1} {:>12.0} {unchanged:>10.1} {closure:>14.1} {moved:>10}",
        tasks as f64 / first * 1e3
    );
}

/// Looks once; how long it took.
async fn look(bed: &Bed) -> f64 {
    let begun = Instant::now();
    assert_eq!(look_once(&bed.app).await.unwrap(), Some(Ended::Recorded));
    begun.elapsed().as_secs_f64() * 1e3
}

async fn wake(connection: &mut PgConnection, cooperative_id: Uuid) {
    sqlx::query("select wake_every_site($1)")
        .bind(cooperative_id)
        .execute(connection)
        .await
        .unwrap();
}

async fn count(connection: &mut PgConnection, statement: &'static str) -> i64 {
    sqlx::query_scalar(statement)
        .fetch_one(connection)
        .await
        .unwrap()
}

/// A site with so many sowings.
async fn plant(connection: &mut PgConnection, cooperative_id: Uuid, sowings: i64) -> Uuid {
    let [site_id, kind_id, group_id, crop_id] = std::array::from_fn(|_| Uuid::now_v7());
    let hours: Vec<_> = ["monday", "tuesday", "wednesday", "thursday", "friday"]
        .map(|day| json!({"weekday": day, "opens": "08:00", "closes": "16:00"}))
        .into();
    let environment = json!([{"first_week": 1, "last_week": 53, "temperature_celsius": 21.0, "daily_light_mol": 15.0}]);
    let starter = cotyl_growth::starter_crops().unwrap().remove(0);
    let profile = serde_json::to_value(&starter.profile).unwrap();
    sqlx::query("insert into site (id, cooperative_id, name, zone, opening_hours) values ($1, $2, 'North', 'America/New_York', $3)")
        .bind(site_id).bind(cooperative_id).bind(json!(hours))
        .execute(&mut *connection).await.unwrap();
    sqlx::query("insert into container_kind (id, cooperative_id, name, volume_microlitres, fill_microlitres, refill_limit_microlitres, plants_per_container)
                 values ($1, $2, 'Jar', 4000000, 3500000, 2500000, 1)")
        .bind(kind_id).bind(cooperative_id)
        .execute(&mut *connection).await.unwrap();
    sqlx::query("insert into crop_group (id, cooperative_id, name) values ($1, $2, 'Greens')")
        .bind(group_id)
        .bind(cooperative_id)
        .execute(&mut *connection)
        .await
        .unwrap();
    sqlx::query("insert into crop (id, cooperative_id, crop_group_id, name, profile) values ($1, $2, $3, 'Lettuce', $4)")
        .bind(crop_id).bind(cooperative_id).bind(group_id).bind(profile)
        .execute(&mut *connection).await.unwrap();
    sqlx::query(
        "insert into station (id, cooperative_id, site_id, container_kind_id, name, method, places, environment)
         select gen_random_uuid(), $1, $2, $3, 'Bench ' || n, case when n % 4 = 3 then 'aerated' else 'passive' end, 400, $4
           from generate_series(1, $5) n",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(kind_id)
    .bind(environment)
    .bind((sowings + 9) / 10)
    .execute(&mut *connection)
    .await
    .unwrap();
    sqlx::query(
        "insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, planned_cuts, expected_milligrams,
                             state, sown_on, sprouted_on)
         select gen_random_uuid(), $1, $2, s.id, $3, 10, d.sow_on, d.sow_on + 70, array[d.sow_on + 38, d.sow_on + 51, d.sow_on + 64], '{1000, 1000, 1000}',
                case when d.sow_on >= '2026-09-07' then 'planned' when d.sow_on >= '2026-09-04' then 'sown' else 'sprouted' end,
                case when d.sow_on < '2026-09-07' then d.sow_on end,
                case when d.sow_on < '2026-09-04' then d.sow_on + 3 end
           from generate_series(0, $4 - 1) n
           join (select id, row_number() over (order by id) - 1 as place, count(*) over () as places from station where cooperative_id = $1) s
             on s.place = n % s.places
           cross join lateral (select date '2026-07-06' + (n * 7 % 70)::integer as sow_on) d",
    )
    .bind(cooperative_id)
    .bind(site_id)
    .bind(crop_id)
    .bind(sowings)
    .execute(&mut *connection)
    .await
    .unwrap();
    site_id
}
