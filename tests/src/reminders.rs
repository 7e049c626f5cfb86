//! When whoever holds a task is reminded of it. The site is in New York, four hours behind UTC.

use serde_json::{Value, json};

use crate::claims::{SECOND, TestTask, add_task, begin, claim, garden, id_of};
use crate::garden::{Garden, LEAD, VOLUNTEER};
use crate::mail::{choose, send_all};
use crate::mail_server::TestMailServer;
use crate::sowings::at;
use crate::support::Api;

/// From ten to two by the clock of the site, on Thursday.
fn thursday() -> TestTask {
    TestTask {
        opens_at: "2026-09-10T14:00:00Z",
        due_at: "2026-09-10T18:00:00Z",
        ..TestTask::default()
    }
}

async fn reminders(api: &Api, who: &str) -> Vec<Value> {
    let reply = api.get(who, "/notices").await.expect(200);
    let all = reply.body["items"].as_array().unwrap();
    let of_kind = |notice: &&Value| notice["kind"] == "reminder";
    all.iter().filter(of_kind).cloned().collect()
}

/// Reminders that are written at an instant, by two workers at once.
async fn written_at(api: &Api, instant: &str) -> usize {
    api.bed.clock.set(instant.parse().unwrap());
    let app = &api.bed.app;
    let (one, two) = futures::future::join(app.write_reminders(), app.write_reminders()).await;
    one.unwrap() + two.unwrap()
}

async fn claimed(api: &Api, garden: &Garden, who: &str, task: TestTask, instant: &str) -> String {
    at(api, instant, &[VOLUNTEER, SECOND, LEAD]).await;
    let path = add_task(garden, task).await;
    claim(api, who, &path).await.expect(201);
    path
}

#[actix_web::test]
async fn a_claim_of_the_evening_before_is_told_of_in_the_morning() {
    let (api, garden) = garden().await;
    let path = claimed(&api, &garden, VOLUNTEER, thursday(), "2026-09-09T22:00:00Z").await;
    let server = TestMailServer::start();
    let mailer = server.mailer();
    // not at once, and not in the night
    for instant in ["2026-09-09T22:00:00Z", "2026-09-10T09:59:00Z"] {
        assert_eq!(written_at(&api, instant).await, 0, "{instant}");
    }
    assert_eq!(written_at(&api, "2026-09-10T10:00:00Z").await, 1);
    assert_eq!(written_at(&api, "2026-09-10T13:00:00Z").await, 0);
    assert_eq!(send_all(&api, &mailer).await, 1);
    let mail = server.next();
    assert_eq!(mail.to(), VOLUNTEER);
    let body = mail.body();
    assert!(body.contains("You took this task"), "{body}");
    assert!(
        body.contains("Thursday 10 September 2026, 10:00 to 14:00"),
        "{body}"
    );
    // given back and taken again on the day, it is another claim: two hours before is too soon by then
    at(&api, "2026-09-10T13:00:00Z", &[VOLUNTEER]).await;
    let mine = format!("{path}/claims/mine");
    api.send(api.request(VOLUNTEER, actix_web::http::Method::DELETE, &mine))
        .await
        .expect(204);
    claim(&api, VOLUNTEER, &path).await.expect(201);
    for instant in [
        "2026-09-10T13:30:00Z",
        "2026-09-10T14:00:00Z",
        "2026-09-10T17:00:00Z",
    ] {
        assert_eq!(written_at(&api, instant).await, 0, "{instant}");
    }
    server.expect_none();
}

#[actix_web::test]
async fn a_claim_of_the_day_itself_is_told_of_two_hours_ahead() {
    let (api, garden) = garden().await;
    // at four in the morning, six hours before it opens
    claimed(&api, &garden, VOLUNTEER, thursday(), "2026-09-10T08:00:00Z").await;
    assert_eq!(written_at(&api, "2026-09-10T11:59:00Z").await, 0);
    assert_eq!(written_at(&api, "2026-09-10T12:00:00Z").await, 1);
    // taken as it opens: two hours before it is due
    let path = claimed(&api, &garden, SECOND, thursday(), "2026-09-10T14:00:00Z").await;
    assert_eq!(written_at(&api, "2026-09-10T15:59:00Z").await, 0);
    assert_eq!(written_at(&api, "2026-09-10T16:00:00Z").await, 1);
    at(&api, "2026-09-10T16:00:00Z", &[SECOND]).await;
    assert_eq!(reminders(&api, SECOND).await.len(), 1);
    // whoever is at it by then needs none
    let server = TestMailServer::start();
    begin(&api, SECOND, &path).await.expect(200);
    assert_eq!(send_all(&api, &server.mailer()).await, 1);
    assert_eq!(server.next().to(), VOLUNTEER);
    server.expect_none();
    assert_eq!(reminders(&api, SECOND).await[0]["state"], "withdrawn");
}

#[actix_web::test]
async fn quiet_hours_and_choices_hold_for_late_reminders() {
    let (api, garden) = garden().await;
    let quiet = json!({"kinds": ["reminder"], "quiet_from": "21:00", "quiet_to": "07:30"});
    choose(&api, VOLUNTEER, quiet).await;
    choose(&api, SECOND, json!({"kinds": ["task_free"]})).await;
    for who in [VOLUNTEER, SECOND] {
        claimed(&api, &garden, who, thursday(), "2026-09-09T22:00:00Z").await;
    }
    let server = TestMailServer::start();
    let mailer = server.mailer();
    assert_eq!(written_at(&api, "2026-09-10T10:00:00Z").await, 2);
    assert_eq!(send_all(&api, &mailer).await, 0);
    api.bed.clock.set("2026-09-10T11:29:00Z".parse().unwrap());
    assert_eq!(send_all(&api, &mailer).await, 0);
    // half past seven by the clock there
    api.bed.clock.set("2026-09-10T11:30:00Z".parse().unwrap());
    assert_eq!(send_all(&api, &mailer).await, 1);
    assert_eq!(server.next().to(), VOLUNTEER);
    server.expect_none();
    at(&api, "2026-09-10T11:30:00Z", &[SECOND]).await;
    assert_eq!(reminders(&api, SECOND).await[0]["state"], "withdrawn");
}

#[actix_web::test]
async fn who_was_given_a_task_late_is_told_at_once() {
    let (api, garden) = garden().await;
    at(&api, "2026-09-10T13:00:00Z", &[LEAD, SECOND]).await;
    let path = add_task(&garden, thursday()).await;
    let given = json!({"assignments": [{
        "task_id": path.trim_start_matches("/tasks/"), "member_id": id_of(&garden, SECOND).await
    }]});
    let assignments = format!("/sites/{}/assignments", garden.site_id);
    api.post(LEAD, &assignments, given).await.expect(200);
    assert_eq!(written_at(&api, "2026-09-10T13:01:00Z").await, 1);
    let server = TestMailServer::start();
    assert_eq!(send_all(&api, &server.mailer()).await, 1);
    let mail = server.next();
    assert_eq!(mail.to(), SECOND);
    assert!(
        mail.body().contains("You were given this task"),
        "{}",
        mail.body()
    );
}

/// Clocks in New York go back on Sunday 1 November 2026 at two in the morning, from four hours behind UTC to
/// five (15 U.S.C. 260a).
#[actix_web::test]
async fn each_member_is_reminded_as_long_ahead_as_they_chose() {
    let (api, garden) = garden().await;
    // ten in the morning on that Sunday
    let sunday = || TestTask {
        opens_at: "2026-11-01T15:00:00Z",
        due_at: "2026-11-01T18:00:00Z",
        minutes: 30,
        ..TestTask::default()
    };
    let chosen = |minutes: i64| json!({"kinds": ["reminder"], "reminder_minutes_ahead": minutes});
    choose(&api, SECOND, chosen(2 * 24 * 60)).await;
    choose(&api, LEAD, chosen(10 * 60)).await;
    let kept = api.get(LEAD, "/me/notice_choices").await.expect(200);
    assert_eq!(kept.body["reminder_minutes_ahead"], 600);
    // the volunteer chose nothing: a day
    for who in [VOLUNTEER, SECOND, LEAD] {
        claimed(&api, &garden, who, sunday(), "2026-10-20T12:00:00Z").await;
    }
    for (before, at, who) in [
        // Friday and Saturday at ten: days are counted by the clock
        ("2026-10-30T13:59:59Z", "2026-10-30T14:00:00Z", SECOND),
        ("2026-10-31T13:59:59Z", "2026-10-31T14:00:00Z", VOLUNTEER),
        // ten hours pass from the first one o'clock of the night on
        ("2026-11-01T04:59:59Z", "2026-11-01T05:00:00Z", LEAD),
    ] {
        assert_eq!(written_at(&api, before).await, 0, "{who}");
        assert_eq!(written_at(&api, at).await, 1, "{who}");
        crate::sowings::at(&api, at, &[who]).await;
        assert_eq!(reminders(&api, who).await.len(), 1, "{who}");
    }
    // left out, it is what is usual
    choose(&api, LEAD, json!({"kinds": ["reminder"]})).await;
    let kept = api.get(LEAD, "/me/notice_choices").await.expect(200);
    assert_eq!(kept.body["reminder_minutes_ahead"], 1440);
}
