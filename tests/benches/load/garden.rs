//! A co-operative with many tasks, put straight into the database.

use std::path::{Path, PathBuf};

use serde_json::json;
use sqlx::PgPool;
use sqlx::postgres::PgConnectOptions;
use uuid::Uuid;

use crate::http::{PASSWORD, Server};

/// Connections of each load.
pub const CONNECTIONS: usize = 8;
/// Requests and pgbench take turns this often, since a machine is not equally fast all the time.
pub const ROUNDS: u64 = 3;
/// Tasks that each connection may claim in a round: this many by requests, as many by pgbench.
pub const TASKS_EACH: u64 = 10_000;

/// What the load needs to know.
pub struct Garden {
    pub site_id: Uuid,
    pub sowing_id: Uuid,
    /// access tokens, one volunteer for each connection
    pub tokens: Vec<String>,
}

/// Where the private server's socket lies.
pub fn socket(folder: &Path) -> PathBuf {
    let settings = std::fs::read_to_string(folder.join("postgresql/postgresql.conf")).unwrap();
    let line = settings
        .lines()
        .find(|line| line.trim_start().starts_with("unix_socket_directories"))
        .unwrap();
    PathBuf::from(line.split('\'').nth(1).unwrap())
}

/// The task with a number: its id can be worked out in SQL too.
pub fn task_id(number: u64) -> Uuid {
    Uuid::parse_str(&format!("00000000-0000-7000-8000-{number:012x}")).unwrap()
}

/// First number of the tasks of a connection; pgbench has a range of its own.
pub fn first_task(connection: usize, pgbench: bool) -> u64 {
    (2 * connection as u64 + u64::from(pgbench)) * ROUNDS * TASKS_EACH + 1
}

impl Garden {
    pub async fn plant(folder: &Path, server: &Server) -> Self {
        let pool = PgPool::connect_with(
            PgConnectOptions::new()
                .socket(socket(folder))
                .username("cotyl")
                .database("cotyl")
                .options([("cotyl.system", "on")]),
        )
        .await
        .unwrap();
        let cooperative: Uuid = sqlx::query_scalar("select id from cooperative")
            .fetch_one(&pool)
            .await
            .unwrap();
        let [site_id, kind_id, station_id, group_id, crop_id, sowing_id] =
            std::array::from_fn(|_| Uuid::now_v7());
        let starter = cotyl_growth::starter_crops().unwrap().remove(0);
        sqlx::query("insert into site (id, cooperative_id, name, zone, opening_hours) values ($1, $2, 'Site', 'America/New_York', $3)")
            .bind(site_id).bind(cooperative).bind(json!([{"weekday": "monday", "opens": "00:00", "closes": "24:00"}]))
            .execute(&pool).await.unwrap();
        sqlx::query("insert into container_kind (id, cooperative_id, name, volume_microlitres, fill_microlitres, refill_limit_microlitres, plants_per_container) values ($1, $2, 'Jar', 4000000, 3500000, 2500000, 1)")
            .bind(kind_id).bind(cooperative).execute(&pool).await.unwrap();
        sqlx::query("insert into station (id, cooperative_id, site_id, container_kind_id, name, method, places, environment) values ($1, $2, $3, $4, 'Bench', 'passive', 100, $5)")
            .bind(station_id).bind(cooperative).bind(site_id).bind(kind_id)
            .bind(json!([{"first_week": 1, "last_week": 53, "temperature_celsius": 21.0, "daily_light_mol": 15.0}]))
            .execute(&pool).await.unwrap();
        sqlx::query("insert into crop_group (id, cooperative_id, name) values ($1, $2, 'Greens')")
            .bind(group_id)
            .bind(cooperative)
            .execute(&pool)
            .await
            .unwrap();
        sqlx::query("insert into crop (id, cooperative_id, crop_group_id, name, profile) values ($1, $2, $3, 'Leaf', $4)")
            .bind(crop_id).bind(cooperative).bind(group_id).bind(serde_json::to_value(&starter.profile).unwrap())
            .execute(&pool).await.unwrap();
        sqlx::query("insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, planned_cuts, expected_milligrams, state, sown_on)
                     values ($1, $2, $3, $4, $5, 10, current_date - 40, current_date + 20, array[current_date], array[1000000::bigint], 'cutting', current_date - 40)")
            .bind(sowing_id).bind(cooperative).bind(site_id).bind(station_id).bind(crop_id)
            .execute(&pool).await.unwrap();
        // as every sowing made through the API has it: a cut moves what is left from there
        sqlx::query("insert into sowing_event (id, cooperative_id, sowing_id, kind, happened_on, recorded_at, member_id, detail)
                     select $1, w.cooperative_id, w.id, 'planned', w.sow_on, now(), m.id,
                            jsonb_build_object('sow_on', w.sow_on, 'free_on', w.free_on, 'planned_cuts', w.planned_cuts)
                       from sowing w join member m on m.cooperative_id = w.cooperative_id where w.id = $2")
            .bind(Uuid::now_v7()).bind(sowing_id)
            .execute(&pool).await.unwrap();
        sqlx::query("insert into task (id, cooperative_id, site_id, kind, occasion, sowing_id, cut_number, day, opens_at, due_at, minutes)
                     select ('00000000-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid, $1, $2, 'cut', 'cut ' || n, $3, n, current_date + n / 20000,
                            now() + n * interval '1 second', now() + n * interval '1 second' + interval '1 hour', 10
                       from generate_series(1, $4) n")
            .bind(cooperative).bind(site_id).bind(sowing_id)
            .bind(i32::try_from(2 * ROUNDS * TASKS_EACH * CONNECTIONS as u64 + 10).unwrap())
            .execute(&pool).await.unwrap();
        for connection in 0..CONNECTIONS {
            let member = Uuid::now_v7();
            sqlx::query("insert into member (id, cooperative_id, name, email, password_hash) select $1, $2, 'Volunteer', $3, password_hash from member where email = 'ada@example.org'")
                .bind(member).bind(cooperative).bind(email(connection)).execute(&pool).await.unwrap();
            sqlx::query("insert into role_grant (id, cooperative_id, member_id, role, site_id) values ($1, $2, $3, 'volunteer', $4)")
                .bind(Uuid::now_v7()).bind(cooperative).bind(member).bind(site_id).execute(&pool).await.unwrap();
        }
        // a season's claims, mostly given back: statements planned over an empty table stay poor until
        // PostgreSQL next looks at it by itself
        sqlx::query("insert into claim (id, cooperative_id, task_id, member_id, place, claimed_at, ended_at, end_kind)
                     select gen_random_uuid(), t.cooperative_id, t.id, m.id, 1, now(), now(), 'released'
                       from task t cross join lateral (select id from member order by email desc limit 1) m
                      where t.cut_number % 16 = 0")
            .execute(&pool).await.unwrap();
        sqlx::query("analyze").execute(&pool).await.unwrap();
        pool.close().await;
        let mut tokens = Vec::new();
        for connection in 0..CONNECTIONS {
            tokens.push(server.sign_in(&email(connection), PASSWORD).await);
        }
        Self {
            site_id,
            sowing_id,
            tokens,
        }
    }
}

fn email(connection: usize) -> String {
    format!("volunteer{connection}@example.org")
}
