//! A member's calendar: secret, revocable, and read alike by two other programs.

use actix_web::http::Method;
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};

use crate::garden::{Garden, LEAD, READER, VOLUNTEER};
use crate::mail_server::run_python;
use crate::sowings::{sow, task_path};
use crate::support::Api;

/// Reads a calendar by the PyPI packages `icalendar` (zones by name from `tzdata`) and `vobject` (zones
/// by the `VTIMEZONE` alone), and writes what each makes of it.
const READERS: &str = r#"
import json, sys
from datetime import timezone
import icalendar, vobject
from dateutil.tz import tzical
import io

text = sys.stdin.buffer.read().decode("utf-8")
utc = lambda t: t.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")

first = []
calendar = icalendar.Calendar.from_ical(text)
assert not calendar.errors
for event in calendar.walk("VEVENT"):
    assert not event.errors, event.errors
    first.append([str(event["UID"]), utc(event["DTSTART"].dt), utc(event["DTEND"].dt), str(event["SUMMARY"]),
                  str(event.get("DESCRIPTION", "")), str(event["LOCATION"]), str(event["STATUS"]), int(event["SEQUENCE"])])

zones = tzical(io.StringIO(text.replace("\r\n ", "").replace("\r\n", "\n")))
second = []
component = vobject.readOne(text)
component.validate(raiseException=True)
for event in component.contents.get("vevent", []):
    event.validate(raiseException=True)
    def moment(line):
        zone = line.params.get("X-VOBJ-ORIGINAL-TZID", line.params.get("TZID", [None]))[0]
        value = line.value.replace(tzinfo=zones.get(zone)) if zone else line.value
        return utc(value)
    text_of = lambda name: getattr(event, name).value if hasattr(event, name) else ""
    second.append([event.uid.value, moment(event.dtstart), moment(event.dtend), text_of("summary"),
                   text_of("description"), text_of("location"), text_of("status"), int(text_of("sequence"))])
print(json.dumps([sorted(first), sorted(second)]))
"#;

/// What both programs read, which must be the same: uid, start, end, summary, description, place,
/// status, sequence.
fn read(text: &str) -> Vec<Value> {
    let [first, second]: [Vec<Value>; 2] =
        serde_json::from_str(&run_python(READERS, text)).unwrap();
    assert_eq!(first, second);
    first
}

async fn open(api: &Api, who: &str, with_open_tasks: bool) -> String {
    let body = json!({"with_open_tasks": with_open_tasks});
    let made = api.post(who, "/me/calendar_feed", body).await.expect(201);
    let path = made.body["path"].as_str().unwrap();
    path.strip_prefix("/api/v1").unwrap().to_owned()
}

async fn text(api: &Api, path: &str) -> String {
    let reply = api.get("", path).await.expect(200);
    assert_eq!(
        reply.headers["content-type"],
        "text/calendar; charset=utf-8"
    );
    assert!(reply.text.split("\r\n").all(|line| line.len() <= 75));
    assert!(!reply.text.replace("\r\n", "").contains(['\r', '\n']));
    reply.text
}

fn entry<'a>(entries: &'a [Value], uid: &str) -> &'a Value {
    entries.iter().find(|entry| entry[0] == uid).unwrap()
}

#[actix_web::test]
async fn claims_come_change_and_go() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-08").await.expect(201);
    let task = task_path(&made.body, "sow", None);
    let id = task.rsplit('/').next().unwrap();
    let feed = open(&api, VOLUNTEER, false).await;
    assert!(read(&text(&api, &feed).await).is_empty());
    api.act(VOLUNTEER, &format!("{task}/claims"))
        .await
        .expect(201);
    let claimed = read(&text(&api, &feed).await);
    assert_eq!(claimed.len(), 1);
    let first = entry(&claimed, id);
    // 08:00 to 16:00 in New York
    assert_eq!(
        (&first[1], &first[2]),
        (
            &json!("2026-09-08T12:00:00Z"),
            &json!("2026-09-08T20:00:00Z")
        )
    );
    assert_eq!(
        (&first[5], &first[6]),
        (&json!("North school, Bench"), &json!("CONFIRMED"))
    );
    // the same bytes when nothing changed
    assert_eq!(text(&api, &feed).await, text(&api, &feed).await);
    // given back: cancelled, with a higher sequence; taken again: confirmed, higher still
    let path = format!("{task}/claims/mine");
    api.send(api.request(VOLUNTEER, Method::DELETE, &path))
        .await
        .expect(204);
    let released = read(&text(&api, &feed).await);
    let second = entry(&released, id);
    assert_eq!(second[6], "CANCELLED");
    assert!(second[7].as_i64() > first[7].as_i64());
    api.act(VOLUNTEER, &format!("{task}/claims"))
        .await
        .expect(201);
    let again = read(&text(&api, &feed).await);
    let third = entry(&again, id);
    assert_eq!(third[6], "CONFIRMED");
    assert!(third[7].as_i64() > second[7].as_i64());
    // a month after its end it is forgotten
    api.bed.clock.advance(TimeDelta::days(33));
    assert!(read(&text(&api, &feed).await).is_empty());
}

#[actix_web::test]
async fn open_tasks_are_shown_when_asked_for() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-08").await.expect(201);
    let task = task_path(&made.body, "sow", None);
    let id = task.rsplit('/').next().unwrap();
    let feed = open(&api, VOLUNTEER, true).await;
    let shown = read(&text(&api, &feed).await);
    assert!(shown.len() > 2);
    let open_entry = entry(&shown, id);
    assert_eq!(open_entry[6], "TENTATIVE");
    assert!(
        open_entry[3]
            .as_str()
            .unwrap()
            .ends_with("(somebody is needed)")
    );
    api.act(LEAD, &format!("{task}/claims")).await.expect(201);
    assert_eq!(entry(&read(&text(&api, &feed).await), id)[6], "CANCELLED");
    // readers have no sites, so nothing
    let theirs = open(&api, READER, true).await;
    assert!(read(&text(&api, &theirs).await).is_empty());
}

/// Windows about the changes of the clock in New York, Lord Howe and London (tzdata 2026f), with every
/// character that has a meaning: both programs read the instants that are kept.
#[actix_web::test]
async fn other_programs_read_the_same_instants_and_words() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    api.bed.clock.set("2026-10-01T12:00:00Z".parse().unwrap());
    api.sign_in(VOLUNTEER, crate::support::PASSWORD)
        .await
        .expect(201);
    let me: uuid::Uuid = api.get(VOLUNTEER, "/me").await.id().parse().unwrap();
    let note = "Scheren; Eimer, Tücher\nC:\\Keller 🌱 und noch viel mehr Text, damit die Zeile gefaltet wird: äöüß";
    let mut expected = Vec::new();
    sqlx::query("insert into work_settings (cooperative_id, most_claims) values ($1, 100)")
        .bind(garden.cooperative_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    for (zone, starts) in [
        (
            "America/New_York",
            [
                "2026-10-31T23:30:00Z",
                "2026-11-01T05:30:00Z",
                "2026-11-01T06:30:00Z",
                "2026-11-01T07:15:00Z",
                "2026-11-05T14:00:00Z",
            ],
        ),
        (
            "Australia/Lord_Howe",
            [
                "2026-10-03T15:00:00Z",
                "2026-10-03T15:29:00Z",
                "2026-10-03T15:30:00Z",
                "2026-10-03T16:10:00Z",
                "2026-12-01T00:00:00Z",
            ],
        ),
        (
            "Europe/London",
            [
                "2026-10-25T00:15:00Z",
                "2026-10-25T00:45:00Z",
                "2026-10-25T01:00:00Z",
                "2026-10-25T01:45:00Z",
                "2026-11-25T12:00:00Z",
            ],
        ),
    ] {
        let site = uuid::Uuid::now_v7();
        sqlx::query("insert into site (id, cooperative_id, name, zone, opening_hours, weekly_minutes) values ($1, $2, $3, $3, '[]', 60)")
            .bind(site).bind(garden.cooperative_id).bind(zone).execute(&garden.pool).await.unwrap();
        for start in starts {
            let opens: DateTime<Utc> = start.parse().unwrap();
            let due = opens + TimeDelta::minutes(45);
            let task = uuid::Uuid::now_v7();
            sqlx::query("insert into task (id, cooperative_id, site_id, kind, occasion, title, note, day, opens_at, due_at, minutes)
                         values ($1, $2, $3, 'other', $7, 'Fegen, wischen; lüften', $4, '2026-11-01', $5, $6, 10)")
                .bind(task).bind(garden.cooperative_id).bind(site).bind(note).bind(opens).bind(due).bind(format!("test:{task}")).execute(&garden.pool).await.unwrap();
            sqlx::query("insert into claim (id, cooperative_id, task_id, member_id, place, claimed_at) values ($1, $2, $3, $4, 1, now())")
                .bind(uuid::Uuid::now_v7()).bind(garden.cooperative_id).bind(task).bind(me).execute(&garden.pool).await.unwrap();
            let shown = |at: DateTime<Utc>| at.format("%Y-%m-%dT%H:%M:%SZ").to_string();
            expected.push((task.to_string(), shown(opens), shown(due)));
        }
    }
    let feed = open(&api, VOLUNTEER, false).await;
    let written = text(&api, &feed).await;
    assert_eq!(written.matches("BEGIN:VTIMEZONE").count(), 3);
    let entries = read(&written);
    assert_eq!(entries.len(), expected.len());
    for (uid, opens, due) in expected {
        let found = entry(&entries, &uid);
        assert_eq!(
            (found[1].as_str(), found[2].as_str()),
            (Some(opens.as_str()), Some(due.as_str()))
        );
        assert_eq!(found[3], "Fegen, wischen; lüften");
        assert_eq!(found[4], note);
    }
}

#[actix_web::test]
async fn the_address_is_a_secret_that_can_be_made_void() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let first = open(&api, VOLUNTEER, false).await;
    let second = open(&api, VOLUNTEER, false).await;
    assert_ne!(first, second);
    api.get("", &first).await.expect(404);
    api.get("", &second).await.expect(200);
    // only a hash is kept
    let secret = second
        .trim_start_matches("/feeds/")
        .trim_end_matches(".ics")
        .to_owned();
    assert_eq!(secret.len(), 43);
    let kept: i64 = sqlx::query_scalar("select count(*) from calendar_feed where encode(secret_hash, 'escape') like '%' || $1 || '%'")
        .bind(&secret).fetch_one(&garden.pool).await.unwrap();
    assert_eq!(kept, 0);
    let told: i64 = sqlx::query_scalar(
        "select count(*) from audit_entry where change::text like '%' || $1 || '%'",
    )
    .bind(&secret)
    .fetch_one(&garden.pool)
    .await
    .unwrap();
    assert_eq!(told, 0);
    api.send(api.request(VOLUNTEER, Method::DELETE, "/me/calendar_feed"))
        .await
        .expect(204);
    api.get("", &second).await.expect(404);
    api.send(api.request(VOLUNTEER, Method::DELETE, "/me/calendar_feed"))
        .await
        .expect(404);
    // guessing is slowed down
    let mut refused = 0;
    for guess in 0..80 {
        let reply = api.get("", &format!("/feeds/guess{guess}.ics")).await;
        refused += usize::from(reply.status == 429);
    }
    assert!(refused > 0);
}

#[actix_web::test]
async fn whoever_leaves_has_no_calendar() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let feed = open(&api, VOLUNTEER, true).await;
    api.get("", &feed).await.expect(200);
    sqlx::query("update member set retired_at = now() where email = $1")
        .bind(VOLUNTEER)
        .execute(&garden.pool)
        .await
        .unwrap();
    api.get("", &feed).await.expect(404);
}
