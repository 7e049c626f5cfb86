//! Mail to members: written with its cause, sent once, tried again, given up, and kept quiet about.

use actix_web::http::Method;
use chrono::{DateTime, TimeDelta, Utc};
use cotyl_app::notices::MOST_ATTEMPTS;
use cotyl_jobs::post_once;
use serde_json::{Value, json};

use crate::garden::{COORDINATOR, Garden, LEAD, VOLUNTEER};
use crate::mail_server::{TestMailServer, mailer};
use crate::sowings::{sow, task_path};
use crate::support::{Api, PASSWORD};

async fn invite(api: &Api, name: &str, email: &str) -> String {
    let body = json!({"name": name, "email": email, "roles": []});
    let reply = api.post(COORDINATOR, "/invitations", body).await;
    reply.expect(201).body["token"].as_str().unwrap().to_owned()
}

async fn notices(api: &Api, who: &str) -> Vec<Value> {
    let reply = api.get(who, "/notices").await.expect(200);
    reply.body["items"].as_array().unwrap().clone()
}

pub async fn send_all(api: &Api, mailer: &cotyl_jobs::Mailer) -> usize {
    let mut sent = 0;
    while post_once(&api.bed.app, mailer).await.unwrap() {
        sent += 1;
    }
    sent
}

#[actix_web::test]
async fn an_invitation_goes_out_with_its_link_and_the_list_hides_it() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let server = TestMailServer::start();
    let mailer = server.mailer();
    let token = invite(&api, "Zoë Müller-Łukasz", "zoe@example.org").await;
    assert_eq!(send_all(&api, &mailer).await, 1);
    let mail = server.next();
    assert_eq!(mail.to(), "zoe@example.org");
    assert!(
        mail.header("To").contains("Zoë Müller-Łukasz"),
        "{}",
        mail.header("To")
    );
    assert_eq!(mail.header("From"), "Cotyl <cotyl@example.org>");
    assert_eq!(mail.header("Subject"), "Your invitation to Green Jars");
    assert!(mail.header("Content-Type").starts_with("text/plain"));
    assert!(mail.body().contains("Hello Zoë Müller-Łukasz,"));
    assert!(mail.body().contains(&token));
    // letters outside ASCII are encoded for servers that know none (RFC 2045, RFC 2047)
    assert!(mail.is_ascii());
    // the list tells of it, without the secret
    let listed = notices(&api, COORDINATOR).await;
    assert_eq!(listed[0]["state"], "sent");
    assert_eq!(listed[0]["has_link"], true);
    assert!(!listed[0].to_string().contains(&token));
    assert_eq!(
        mail.header("Message-ID"),
        format!("<{}@example.org>", listed[0]["id"].as_str().unwrap())
    );
    // the link works
    let accept = json!({"token": token, "password": "a good long password"});
    api.post("", "/invitations/acceptances", accept)
        .await
        .expect(201);
    // others see their own only
    assert!(notices(&api, VOLUNTEER).await.is_empty());
    server.expect_none();
}

#[actix_web::test]
async fn nothing_of_a_name_becomes_a_header() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let server = TestMailServer::start();
    let mailer = server.mailer();
    let name = "Bo\r\nBcc: all@example.org\r\n\r\nGreetings";
    // the door lets control characters in names pass or not; the mail must hold either way
    sqlx::query("update cooperative set name = $1")
        .bind(name)
        .execute(&garden.pool)
        .await
        .unwrap();
    invite(&api, "Bo Reed", "bo@example.org").await;
    sqlx::query("update member set name = $1 where email = 'bo@example.org'")
        .bind(name)
        .execute(&garden.pool)
        .await
        .unwrap();
    assert_eq!(send_all(&api, &mailer).await, 1);
    let mail = server.next();
    assert_eq!(mail.to(), "bo@example.org");
    let mut names = mail.names();
    names.sort();
    assert!(!names.contains(&"bcc".to_owned()), "{names:?}");
    assert_eq!(names.iter().filter(|n| *n == "subject").count(), 1);
    assert!(mail.header("Subject").contains("Bcc: all@example.org"));
    server.expect_none();
}

#[actix_web::test]
async fn two_workers_send_each_mail_once() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let server = TestMailServer::start();
    let (one, two) = (server.mailer(), server.mailer());
    for n in 0..12 {
        invite(&api, "Bo Reed", &format!("bo{n}@example.org")).await;
    }
    let (first, second) = futures::future::join(send_all(&api, &one), send_all(&api, &two)).await;
    assert_eq!(first + second, 12);
    assert!(first > 0 && second > 0, "{first} {second}");
    let mut ids: Vec<String> = (0..12)
        .map(|_| server.next().header("Message-ID"))
        .collect();
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), 12);
    server.expect_none();
    assert!(
        notices(&api, COORDINATOR)
            .await
            .iter()
            .all(|n| n["state"] == "sent" && n["attempts"] == 1)
    );
}

/// SMTP cannot tell once from twice: a mail goes out at least once, the second time under the same
/// Message-ID, and only after the lease of the dead worker has run out.
#[actix_web::test]
async fn a_worker_that_dies_after_sending_sends_again_under_the_same_id() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let server = TestMailServer::start();
    let mailer = server.mailer();
    invite(&api, "Bo Reed", "bo@example.org").await;
    let letter = api.bed.app.lease_letter().await.unwrap().unwrap();
    mailer.hand_over(&letter).await;
    let first = server.next().header("Message-ID");
    // nothing while the lease holds
    assert_eq!(send_all(&api, &mailer).await, 0);
    api.bed.clock.advance(TimeDelta::minutes(4));
    assert_eq!(send_all(&api, &mailer).await, 1);
    assert_eq!(server.next().header("Message-ID"), first);
    // what the first worker says later is not heard
    let late = cotyl_app::notices::Handed::Never("late".into());
    assert!(!api.bed.app.record_letter(&letter, &late).await.unwrap());
    let listed = notices(&api, COORDINATOR).await;
    assert_eq!(
        (listed[0]["state"].as_str(), listed[0]["attempts"].as_i64()),
        (Some("sent"), Some(2))
    );
    server.expect_none();
}

#[actix_web::test]
async fn a_busy_server_is_tried_again_and_a_refusal_is_the_end() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let server = TestMailServer::start();
    let mailer = server.mailer();
    invite(&api, "Bo Reed", "busy@example.org").await;
    invite(&api, "Bo Reed", "nobody@example.org").await;
    assert_eq!(send_all(&api, &mailer).await, 2);
    let listed = notices(&api, COORDINATOR).await;
    assert_eq!(listed[0]["state"], "given_up");
    assert!(
        listed[0]["failure"]
            .as_str()
            .unwrap()
            .contains("nobody of this name")
    );
    assert_eq!(
        (listed[1]["state"].as_str(), listed[1]["attempts"].as_i64()),
        (Some("waiting"), Some(1))
    );
    // a minute, then five
    api.bed.clock.advance(TimeDelta::seconds(59));
    assert_eq!(send_all(&api, &mailer).await, 0);
    api.bed.clock.advance(TimeDelta::seconds(1));
    assert_eq!(send_all(&api, &mailer).await, 1);
    api.bed.clock.advance(TimeDelta::minutes(4));
    assert_eq!(send_all(&api, &mailer).await, 0);
    api.bed.clock.advance(TimeDelta::minutes(1));
    assert_eq!(send_all(&api, &mailer).await, 1);
    assert_eq!(server.next().to(), "busy@example.org");
    assert_eq!(notices(&api, COORDINATOR).await[1]["state"], "sent");
    server.expect_none();
}

#[actix_web::test]
async fn a_server_that_is_never_there_is_given_up() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    // nobody listens on port 1
    let mailer = mailer(1);
    invite(&api, "Bo Reed", "bo@example.org").await;
    let mut tried = 0;
    for _ in 0..400 {
        tried += send_all(&api, &mailer).await;
        api.bed.clock.advance(TimeDelta::minutes(5));
    }
    assert_eq!(tried, MOST_ATTEMPTS);
    api.sign_in(COORDINATOR, PASSWORD).await.expect(201);
    let listed = notices(&api, COORDINATOR).await;
    assert_eq!(listed[0]["state"], "given_up");
    assert!(
        listed[0]["failure"]
            .as_str()
            .unwrap()
            .starts_with("tried 7 times")
    );
}

#[actix_web::test]
async fn a_link_that_is_void_is_not_sent() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let server = TestMailServer::start();
    let mailer = server.mailer();
    invite(&api, "Bo Reed", "bo@example.org").await;
    let token = invite(&api, "Bo Reed", "bo@example.org").await;
    send_all(&api, &mailer).await;
    assert!(server.next().body().contains(&token));
    server.expect_none();
    let listed = notices(&api, COORDINATOR).await;
    let states: Vec<&str> = listed
        .iter()
        .map(|n| n["state"].as_str().unwrap())
        .collect();
    assert_eq!(states, ["sent", "withdrawn"]);
    // without a mail server, what is not sent in time is shown as that
    invite(&api, "Ada", "ada@example.org").await;
    api.bed.clock.advance(TimeDelta::days(15));
    api.sign_in(COORDINATOR, PASSWORD).await.expect(201);
    let listed = notices(&api, COORDINATOR).await;
    assert_eq!(listed[0]["state"], "expired");
}

#[actix_web::test]
async fn password_resets_go_out_by_mail() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let server = TestMailServer::start();
    let mailer = server.mailer();
    let me = api.get(VOLUNTEER, "/me").await.id();
    let reset = api
        .act(COORDINATOR, &format!("/members/{me}/password_resets"))
        .await
        .expect(201);
    send_all(&api, &mailer).await;
    let mail = server.next();
    assert_eq!(mail.header("Subject"), "A new password for Green Jars");
    assert!(mail.body().contains(reset.body["token"].as_str().unwrap()));
    let own = notices(&api, VOLUNTEER).await;
    assert_eq!(own[0]["kind"], "password_reset");
}

pub async fn choose(api: &Api, who: &str, body: Value) {
    let kept = api.get(who, "/me/notice_choices").await.expect(200);
    api.put(who, "/me/notice_choices", &kept.etag(), body)
        .await
        .expect(200);
}

#[actix_web::test]
async fn choices_are_kept_and_checked() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let path = "/me/notice_choices";
    let usual = api.get(VOLUNTEER, path).await.expect(200);
    assert_eq!(usual.etag(), "\"v0\"");
    assert_eq!(usual.body["zone"], "America/New_York");
    assert_eq!(usual.body["mail_is_sent"], false);
    assert_eq!(usual.body["reminder_minutes_ahead"], 1440);
    assert_eq!(
        usual.body["kinds"],
        json!(["reminder", "low_stock", "week_at_risk", "week_summary"])
    );
    let body = json!({"kinds": ["task_free"], "quiet_from": "21:00", "quiet_to": "07:00", "zone": "Europe/London"});
    let kept = api
        .put(VOLUNTEER, path, "\"v0\"", body.clone())
        .await
        .expect(200);
    assert_eq!(kept.etag(), "\"v1\"");
    assert_eq!(kept.body["zone_is_chosen"], true);
    assert_eq!(kept.body["quiet_to"], "07:00");
    api.put(VOLUNTEER, path, "\"v0\"", body).await.expect(412);
    for (body, pointer) in [
        (json!({"kinds": ["gossip"]}), "/kinds/0"),
        (json!({"kinds": [], "quiet_from": "21:00"}), "/quiet_to"),
        (
            json!({"kinds": [], "quiet_from": "21:00", "quiet_to": "21:00"}),
            "/quiet_to",
        ),
        (
            json!({"kinds": [], "quiet_from": "9 pm", "quiet_to": "21:00"}),
            "/quiet_from",
        ),
        (json!({"kinds": [], "zone": "Mars/Base"}), "/zone"),
        (
            json!({"kinds": [], "reminder_minutes_ahead": 29}),
            "/reminder_minutes_ahead",
        ),
        (
            json!({"kinds": [], "reminder_minutes_ahead": 10081}),
            "/reminder_minutes_ahead",
        ),
    ] {
        let reply = api.put(VOLUNTEER, path, "\"v1\"", body).await.expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
}

/// The site is in New York and the garden's clock begins on Monday 7 September 2026, 08:00 there.
#[actix_web::test]
async fn a_task_come_free_waits_for_the_end_of_quiet_hours() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let server = TestMailServer::start();
    let mailer = server.mailer();
    // 12:00 to 13:00 UTC are 08:00 to 09:00 in New York
    choose(
        &api,
        LEAD,
        json!({"kinds": ["task_free"], "quiet_from": "07:30", "quiet_to": "09:00"}),
    )
    .await;
    choose(
        &api,
        COORDINATOR,
        json!({"kinds": ["task_free"], "quiet_from": "08:30", "quiet_to": "09:00"}),
    )
    .await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    let path = task_path(&made.body, "sow", None);
    api.act(VOLUNTEER, &format!("{path}/claims"))
        .await
        .expect(201);
    let release =
        || api.send(api.request(VOLUNTEER, Method::DELETE, &format!("{path}/claims/mine")));
    release().await.expect(204);
    send_all(&api, &mailer).await;
    let mail = server.next();
    assert_eq!(mail.to(), COORDINATOR);
    assert!(
        mail.header("Subject")
            .starts_with("Free again: Sow at North school")
    );
    assert!(
        mail.body()
            .contains("Monday 7 September 2026, 08:00 to 16:00"),
        "{}",
        mail.body()
    );
    server.expect_none();
    let waiting = notices(&api, LEAD).await;
    assert_eq!(
        (
            waiting[0]["state"].as_str(),
            waiting[0]["attempts"].as_i64()
        ),
        (Some("waiting"), Some(0))
    );
    let due: DateTime<Utc> = waiting[0]["due_at"].as_str().unwrap().parse().unwrap();
    assert_eq!(
        due,
        "2026-09-07T13:00:00Z".parse::<DateTime<Utc>>().unwrap()
    );
    api.bed.clock.advance(TimeDelta::minutes(60));
    send_all(&api, &mailer).await;
    assert_eq!(server.next().to(), LEAD);
    server.expect_none();
    // taken again before anybody is told: nobody is
    api.sign_in(VOLUNTEER, PASSWORD).await.expect(201);
    api.act(VOLUNTEER, &format!("{path}/claims"))
        .await
        .expect(201);
    release().await.expect(204);
    api.act(VOLUNTEER, &format!("{path}/claims"))
        .await
        .expect(201);
    send_all(&api, &mailer).await;
    server.expect_none();
}

#[actix_web::test]
async fn who_holds_a_task_is_reminded_once_the_day_before() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let server = TestMailServer::start();
    let mailer = server.mailer();
    let made = sow(&api, &garden, 4, "2026-09-10").await.expect(201);
    let path = task_path(&made.body, "sow", None);
    api.act(VOLUNTEER, &format!("{path}/claims"))
        .await
        .expect(201);
    let app = &api.bed.app;
    assert_eq!(app.write_reminders().await.unwrap(), 0);
    // 08:00 in New York on the day before
    api.bed.clock.set("2026-09-09T12:00:00Z".parse().unwrap());
    let (one, two) = futures::future::join(app.write_reminders(), app.write_reminders()).await;
    assert_eq!(one.unwrap() + two.unwrap(), 1);
    assert_eq!(app.write_reminders().await.unwrap(), 0);
    send_all(&api, &mailer).await;
    let mail = server.next();
    assert_eq!(mail.to(), VOLUNTEER);
    assert_eq!(mail.header("Subject"), "Reminder: Sow at North school");
    assert!(
        mail.body()
            .contains("Thursday 10 September 2026, 08:00 to 16:00"),
        "{}",
        mail.body()
    );
    server.expect_none();
}

#[actix_web::test]
async fn the_week_is_summed_up_on_monday_morning() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let server = TestMailServer::start();
    let mailer = server.mailer();
    choose(&api, COORDINATOR, json!({"kinds": []})).await;
    let made = sow(&api, &garden, 4, "2026-09-08").await.expect(201);
    let path = task_path(&made.body, "sow", None);
    api.act(VOLUNTEER, &format!("{path}/claims"))
        .await
        .expect(201);
    let app = &api.bed.app;
    // 05:59 in New York, then 06:00
    api.bed.clock.set("2026-09-07T09:59:00Z".parse().unwrap());
    assert_eq!(app.write_summaries().await.unwrap(), 0);
    api.bed.clock.set("2026-09-07T10:00:00Z".parse().unwrap());
    // lead, volunteer, and the lead of the other site; the coordinator chose none and readers get none
    assert_eq!(app.write_summaries().await.unwrap(), 3);
    assert_eq!(app.write_summaries().await.unwrap(), 0);
    send_all(&api, &mailer).await;
    let mails: Vec<_> = (0..3).map(|_| server.next()).collect();
    let mine = mails.iter().find(|mail| mail.to() == VOLUNTEER).unwrap();
    assert_eq!(mine.header("Subject"), "Your week 2026-W37");
    assert!(
        mine.body().contains("Tasks that you hold this week: 1\n"),
        "{}",
        mine.body()
    );
    server.expect_none();
    api.bed.clock.set("2026-09-08T10:00:00Z".parse().unwrap());
    assert_eq!(app.write_summaries().await.unwrap(), 0);
}
