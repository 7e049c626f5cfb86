//! One co-operative whose data cannot be read holds up no look at the others, and is looked at again.

use std::cell::RefCell;
use std::io::Write;

use chrono::TimeDelta;
use serde_json::json;
use uuid::Uuid;

use crate::claims::{TestTask, add_task, claim};
use crate::cuts::go_to;
use crate::garden::{Garden, VOLUNTEER};
use crate::support::Api;

/// A co-operative, older than the garden, with a site in a zone that there is not and somebody who holds a
/// task there.
struct Unreadable {
    cooperative_id: Uuid,
    site_id: Uuid,
}

impl Unreadable {
    async fn found(api: &Api, name: &str, email: &str) -> Self {
        let cooperative_id = api.found(name, email).await;
        let pool = crate::garden::system_pool(api).await;
        let hours = json!([{"weekday": "monday", "opens": "08:00", "closes": "16:00"}]);
        let site_id = Uuid::now_v7();
        sqlx::query("insert into site (id, cooperative_id, name, zone, opening_hours, weekly_minutes) values ($1, $2, 'Hall', 'Mars/Base', $3, 600)")
            .bind(site_id).bind(cooperative_id).bind(hours)
            .execute(&pool).await.unwrap();
        let task_id = Uuid::now_v7();
        sqlx::query(
            "insert into task (id, cooperative_id, site_id, kind, occasion, title, day, opens_at, due_at, minutes, people, state)
             values ($1, $2, $3, 'other', $1::text, 'Sweep', '2026-09-10', '2026-09-10T14:00:00Z', '2026-09-10T18:00:00Z', 30, 1, 'held')",
        )
        .bind(task_id)
        .bind(cooperative_id)
        .bind(site_id)
        .execute(&pool)
        .await
        .unwrap();
        sqlx::query(
            "insert into claim (id, cooperative_id, task_id, member_id, place, claimed_at)
             select $1, $2, $3, id, 1, '2026-09-07T12:00:00Z' from member where cooperative_id = $2",
        )
        .bind(Uuid::now_v7())
        .bind(cooperative_id)
        .bind(task_id)
        .execute(&pool)
        .await
        .unwrap();
        Self {
            cooperative_id,
            site_id,
        }
    }

    async fn set_zone(&self, garden: &Garden, zone: &str) {
        sqlx::query("update site set zone = $2 where id = $1")
            .bind(self.site_id)
            .bind(zone)
            .execute(&garden.pool)
            .await
            .unwrap();
    }

    async fn looked_on(&self, garden: &Garden) -> Option<chrono::NaiveDate> {
        sqlx::query_scalar("select looked_on from low_stock_look where cooperative_id = $1")
            .bind(self.cooperative_id)
            .fetch_optional(&garden.pool)
            .await
            .unwrap()
    }
}

#[actix_web::test]
async fn what_runs_low_is_told_to_all_whose_data_can_be_read() {
    let api = Api::new().await;
    let broken = Unreadable::found(&api, "Old Jars", "old@example.org").await;
    let garden = Garden::plant(&api).await;
    assert!(broken.cooperative_id < garden.cooperative_id);
    let app = &api.bed.app;
    go_to(&api, "2026-09-07T12:00:00Z").await;
    // twice: the others once a day, the one that failed at each call
    assert_eq!(app.write_low_stock().await.unwrap(), 1);
    assert_eq!(app.write_low_stock().await.unwrap(), 0);
    assert_eq!(broken.looked_on(&garden).await, None);
    // an older site that can be read, and what is needed at the other cannot
    sqlx::query(
        "insert into site (id, cooperative_id, name, zone, opening_hours, weekly_minutes)
         select '00000000-0000-7000-8000-000000000001', cooperative_id, 'Shed', 'America/New_York', opening_hours, 600 from site where id = $1",
    )
    .bind(broken.site_id)
    .execute(&garden.pool)
    .await
    .unwrap();
    go_to(&api, "2026-09-08T12:00:00Z").await;
    assert_eq!(app.write_low_stock().await.unwrap(), 1);
    assert_eq!(broken.looked_on(&garden).await, None);
    // mended, it is looked at by the next call
    broken.set_zone(&garden, "America/New_York").await;
    assert_eq!(app.write_low_stock().await.unwrap(), 1);
    assert_eq!(
        broken.looked_on(&garden).await,
        Some("2026-09-08".parse().unwrap())
    );
}

#[actix_web::test]
async fn reminders_summaries_and_lapsed_claims_go_on_without_it() {
    let api = Api::new().await;
    let broken = Unreadable::found(&api, "Old Jars", "old@example.org").await;
    let garden = Garden::plant(&api).await;
    let app = &api.bed.app;
    let thursday = TestTask {
        opens_at: "2026-09-10T14:00:00Z",
        due_at: "2026-09-10T18:00:00Z",
        ..TestTask::default()
    };
    let path = add_task(&garden, thursday).await;
    claim(&api, VOLUNTEER, &path).await.expect(201);
    // Monday, eight in the morning in New York
    assert!(app.write_summaries().await.unwrap() > 0);
    assert_eq!(app.write_summaries().await.unwrap(), 0);
    broken.set_zone(&garden, "America/New_York").await;
    assert_eq!(app.write_summaries().await.unwrap(), 1);
    // the day before at ten
    broken.set_zone(&garden, "Mars/Base").await;
    go_to(&api, "2026-09-09T14:00:00Z").await;
    assert_eq!(app.write_reminders().await.unwrap(), 1);
    assert_eq!(app.write_reminders().await.unwrap(), 0);
    broken.set_zone(&garden, "America/New_York").await;
    assert_eq!(app.write_reminders().await.unwrap(), 1);
    broken.set_zone(&garden, "Mars/Base").await;
    go_to(&api, "2026-09-10T18:00:00Z").await;
    assert_eq!(app.free_lapsed_claims().await.unwrap(), 1);
    assert_eq!(app.free_lapsed_claims().await.unwrap(), 0);
    broken.set_zone(&garden, "America/New_York").await;
    assert_eq!(app.free_lapsed_claims().await.unwrap(), 1);
}

thread_local! {
    /// What this thread logs, once it is watched.
    static LOG: RefCell<Option<Vec<u8>>> = const { RefCell::new(None) };
}

struct ThisThread;

impl Write for ThisThread {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        LOG.with_borrow_mut(|log| log.as_mut().map(|log| log.extend_from_slice(bytes)));
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Watches what this thread logs. The subscriber is that of all tests: one of a single thread may miss what another
/// thread was the first to log.
fn watch_log() {
    tracing_subscriber::fmt()
        .with_ansi(false)
        .with_writer(|| ThisThread)
        .init();
    LOG.set(Some(Vec::new()));
}

/// The lines about left out co-operatives since the last time.
fn logged() -> Vec<String> {
    let bytes = LOG.with_borrow_mut(|log| log.as_mut().map(std::mem::take));
    let text = String::from_utf8(bytes.unwrap()).unwrap();
    let about = text.lines().filter(|line| line.contains("left out"));
    about.map(str::to_owned).collect()
}

#[actix_web::test]
async fn what_lasts_is_logged_once_an_hour() {
    let api = Api::new().await;
    let broken = Unreadable::found(&api, "Old Jars", "old@example.org").await;
    let garden = Garden::plant(&api).await;
    watch_log();
    let app = &api.bed.app;
    // its task opens on Thursday at ten; looked at each minute for two hours, from a day before on
    go_to(&api, "2026-09-09T14:00:00Z").await;
    let mut said = Vec::new();
    for minute in 0..120 {
        app.write_reminders().await.unwrap();
        // connections of one's own say nothing twice
        app.with_own_connections(1).write_reminders().await.unwrap();
        for line in logged() {
            assert!(line.contains(&broken.cooperative_id.to_string()), "{line}");
            assert!(
                line.contains("Mars/Base") && line.contains("ERROR"),
                "{line}"
            );
            said.push(minute);
        }
        api.bed.clock.advance(TimeDelta::minutes(1));
    }
    assert_eq!(said, [0, 60]);
    // another cause, at once and once
    broken.set_zone(&garden, "Mars/Crater").await;
    for expected in [1, 0] {
        app.write_reminders().await.unwrap();
        assert_eq!(logged().len(), expected);
    }
    // mended, once
    broken.set_zone(&garden, "America/New_York").await;
    app.write_reminders().await.unwrap();
    let lines = logged();
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert!(
        lines[0].contains("INFO") && lines[0].contains("looked at again"),
        "{lines:?}"
    );
    app.write_reminders().await.unwrap();
    assert_eq!(logged(), [""; 0]);
}
