//! Late reports that a lead accepts: what they tell is entered as it would have been in time, once, or it is
//! said what stands against it.

use actix_web::http::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::claims::{SECOND, TestTask, add_task, claim, ends, garden, id_of};
use crate::cuts::go_to;
use crate::garden::{COORDINATOR, Garden, LEAD, VOLUNTEER};
use crate::mixing::{Cupboard, batch_input, litres};
use crate::sowings::{at, event, read, sow, task_path, weigh};
use crate::support::{Api, Reply};
use crate::top_ups::read_level;
use crate::work_reports::finish;

/// Settles a report as its newest state has it.
async fn settle(api: &Api, who: &str, report: &str, body: Value) -> Reply {
    let path = format!("/work_reports/{report}");
    let seen = api.get(LEAD, &path).await.expect(200);
    let request = api
        .request(who, Method::POST, &format!("{path}/settlement"))
        .insert_header(("if-match", seen.etag()))
        .set_json(body);
    api.send(request).await
}

pub async fn accept(api: &Api, report: &str) -> Reply {
    settle(api, LEAD, report, json!({"accept": true})).await
}

/// Refused with this cause and these words, and the report still waits.
pub async fn refused(api: &Api, report: &str, cause: &str, words: &str) {
    let reply = accept(api, report).await.expect(409);
    assert_eq!(reply.problem(), "not-entered");
    assert_eq!(reply.pointers(), ["/accept"]);
    assert_eq!(reply.body["errors"][0]["code"], cause, "{}", reply.text);
    let detail = reply.body["detail"].as_str().unwrap();
    assert!(
        detail.contains(words) && detail.contains("minutes_only"),
        "{detail}"
    );
    let path = format!("/work_reports/{report}");
    let seen = api.get(LEAD, &path).await.expect(200).body;
    assert_eq!(
        json!([seen["state"], seen["entered"]]),
        json!(["waiting", false])
    );
}

/// Reports late; the report that is kept.
pub async fn late(api: &Api, who: &str, task: &str, done_at: &str, mut told: Value) -> String {
    told["id"] = json!(Uuid::now_v7());
    told["done_at"] = json!(done_at);
    finish(api, who, task, told).await.expect(202).id()
}

/// Minutes that a member did on a day.
async fn minutes(api: &Api, garden: &Garden, name: &str, day: &str) -> Value {
    let path = format!("/sites/{}/fair_share?from={day}&to={day}", garden.site_id);
    let shares = api.get(LEAD, &path).await.expect(200).body;
    let mut members = shares["members"].as_array().unwrap().iter();
    members.find(|member| member["name"] == name).unwrap()["done"]["minutes"].clone()
}

pub async fn count(garden: &Garden, sql: &'static str) -> i64 {
    sqlx::query_scalar(sql)
        .fetch_one(&garden.pool)
        .await
        .unwrap()
}

/// Four jars at half a litre each with roots in the air, so that two litres may go into each, a batch of
/// twenty litres, and a top-up.
pub struct Thirsty {
    pub api: Api,
    pub garden: Garden,
    pub sowing: Uuid,
    pub batch: String,
    pub task: String,
}

impl Thirsty {
    pub async fn stand() -> Self {
        let (api, garden) = garden().await;
        let cupboard = Cupboard::fill(&api, &garden).await;
        let input = batch_input(&garden, &cupboard, "20");
        let batch = api
            .post(VOLUNTEER, "/batches", input)
            .await
            .expect(201)
            .id();
        let ready = json!({"kind": "ready"});
        api.post(VOLUNTEER, &format!("/batches/{batch}/entries"), ready)
            .await
            .expect(201);
        let sowing = crate::top_ups::sow(&garden, "sprouted").await;
        let thirsty = Self {
            task: add_task(
                &garden,
                TestTask {
                    kind: "top_up",
                    opens_at: "2026-10-08T12:00:00Z",
                    due_at: "2026-10-08T20:00:00Z",
                    ..TestTask::default()
                },
            )
            .await,
            api,
            garden,
            sowing,
            batch,
        };
        sqlx::query("update task set sowing_id = $1 where kind = 'top_up'")
            .bind(sowing)
            .execute(&thirsty.garden.pool)
            .await
            .unwrap();
        thirsty.go_to("2026-10-08T13:00:00Z").await;
        let low = json!({"level": litres("0.5"), "air_roots": true});
        read_level(&thirsty.api, sowing, low).await;
        thirsty.go_to("2026-10-08T16:00:00Z").await;
        thirsty
    }

    pub async fn go_to(&self, instant: &str) {
        go_to(&self.api, instant).await;
        at(&self.api, instant, &[SECOND]).await;
    }

    pub fn poured(&self, volume: &str) -> Value {
        json!({"volume": litres(volume), "batch_id": self.batch})
    }

    /// Someone else does the task with nothing to pour.
    pub async fn done_by_lead(&self) {
        let nothing = json!({"volume": litres("0")});
        finish(&self.api, LEAD, &self.task, nothing)
            .await
            .expect(200);
    }

    async fn batch(&self) -> Value {
        let path = format!("/batches/{}", self.batch);
        self.api.get(LEAD, &path).await.expect(200).body
    }

    pub async fn left(&self) -> Value {
        self.batch().await["left"]["value"].clone()
    }
}

#[actix_web::test]
async fn what_was_poured_is_entered_when_it_was_poured_for_whoever_poured_it() {
    let thirsty = Thirsty::stand().await;
    let (api, garden) = (&thirsty.api, &thirsty.garden);
    claim(api, VOLUNTEER, &thirsty.task).await.expect(201);
    thirsty.done_by_lead().await;
    let told = thirsty.poured("8");
    let report = late(api, SECOND, &thirsty.task, "2026-10-08T14:00:00Z", told).await;
    assert_eq!(thirsty.left().await, "20000");
    // the level was read after it was poured, and shows it: two litres more would be too much now
    thirsty.go_to("2026-10-08T16:10:00Z").await;
    read_level(
        api,
        thirsty.sowing,
        json!({"level": litres("2.5"), "read_at": "2026-10-08T15:00:00Z"}),
    )
    .await;
    let full = json!({"sowing_id": thirsty.sowing, "volume": litres("8")});
    api.post(VOLUNTEER, "/top_ups/checks", full)
        .await
        .expect(409);
    // more than a week after it was done: it was heard of in time
    thirsty.go_to("2026-10-20T15:00:00Z").await;
    let accepted = accept(api, &report).await.expect(200).body;
    assert_eq!(
        json!([
            accepted["state"],
            accepted["entered"],
            accepted["settled_by"],
            accepted["member_id"]
        ]),
        json!([
            "accepted",
            true,
            id_of(garden, LEAD).await,
            id_of(garden, SECOND).await
        ])
    );
    let batch = thirsty.batch().await;
    assert_eq!(batch["left"]["value"], "12000");
    let entries = batch["entries"].as_array().unwrap();
    let entry = entries.iter().find(|entry| entry["kind"] == "use").unwrap();
    assert_eq!(entry["id"], accepted["outcome"]["batch_entry_id"]);
    assert_eq!(
        json!([
            entry["happened_at"],
            entry["recorded_at"],
            entry["member_id"],
            entry["sowing_id"]
        ]),
        json!([
            "2026-10-08T14:00:00Z",
            "2026-10-20T15:00:00Z",
            id_of(garden, SECOND).await,
            thirsty.sowing
        ])
    );
    // the lead did it, in the log
    let actors: Vec<(String, Uuid)> = sqlx::query_as(
        "select operation, member_id from audit_entry where at = '2026-10-20T15:00:00Z' and operation in ('record_batch_entry', 'settle_work_report') order by id",
    )
    .fetch_all(&garden.pool)
    .await
    .unwrap();
    let lead = id_of(garden, LEAD).await;
    assert_eq!(actors.len(), 3);
    assert!(actors.iter().all(|(_, member_id)| *member_id == lead));
    // the task stays done by whoever did it first, and both have their minutes
    let task = api.get(LEAD, &thirsty.task).await.expect(200).body;
    assert_eq!(task["done_at"], "2026-10-08T16:00:00Z");
    assert_eq!(minutes(api, garden, SECOND, "2026-10-08").await, 30);
    // settled once
    let again = accept(api, &report).await.expect(409);
    assert_eq!(again.problem(), "wrong-state");
    assert_eq!(thirsty.left().await, "12000");
    // what was reported is not rewritten
    let rewritten = sqlx::query("update work_report set outcome = outcome || '{\"note\": \"x\"}'")
        .execute(&garden.pool)
        .await;
    assert!(rewritten.is_err());
    // the phone that sends it once more is told what became of it
    let mut told = thirsty.poured("8");
    told["id"] = json!(report);
    told["done_at"] = json!("2026-10-08T14:00:00Z");
    let seen = finish(api, SECOND, &thirsty.task, told)
        .await
        .expect(202)
        .body;
    assert_eq!(seen["state"], "accepted");
    assert_eq!(thirsty.left().await, "12000");
}

#[actix_web::test]
async fn what_cannot_be_poured_any_more_is_refused_and_leaves_nothing() {
    let thirsty = Thirsty::stand().await;
    let (api, garden) = (&thirsty.api, &thirsty.garden);
    thirsty.done_by_lead().await;
    let when = "2026-10-08T14:00:00Z";
    // past the limit of two litres each
    let told = thirsty.poured("9");
    let past = late(api, SECOND, &thirsty.task, when, told).await;
    refused(api, &past, "past-refill-limit", "past_limit_accepted").await;
    let unsaid = json!({"accept": true, "past_limit_accepted": true});
    let reply = settle(api, LEAD, &past, unsaid).await.expect(422);
    assert_eq!(reply.pointers(), ["/reason"]);
    let both = json!({"accept": true, "past_limit_accepted": true, "minutes_only": true, "reason": "a leak"});
    let reply = settle(api, LEAD, &past, both).await.expect(422);
    assert_eq!(reply.pointers(), ["/past_limit_accepted"]);
    let leak = json!({"accept": true, "past_limit_accepted": true, "reason": "a leak"});
    let seen = settle(api, LEAD, &past, leak).await.expect(200).body;
    assert_eq!(
        json!([seen["outcome"]["past_limit_accepted"], seen["reason"]]),
        json!([true, "a leak"])
    );
    assert_eq!(seen["outcome"].get("note"), None);
    assert_eq!(thirsty.left().await, "11000");
    // more than the batch had left then
    let other = late(
        api,
        VOLUNTEER,
        &thirsty.task,
        "2026-10-08T14:30:00Z",
        json!({"volume": litres("12"), "batch_id": thirsty.batch, "past_limit_accepted": true, "note": "it ran over"}),
    )
    .await;
    refused(api, &other, "more-than-left", "12000000 uL").await;
    // a jar is poured away meanwhile: its end came after it
    let late_pour = late(
        api,
        VOLUNTEER,
        &thirsty.task,
        "2026-10-08T15:00:00Z",
        json!({"volume": litres("0.1"), "batch_id": thirsty.batch, "past_limit_accepted": true, "note": "rinsed"}),
    )
    .await;
    let lost = json!({"kind": "lost", "cause": "knocked over"});
    event(api, LEAD, &thirsty.sowing.to_string(), lost)
        .await
        .expect(201);
    let after = late(
        api,
        VOLUNTEER,
        &thirsty.task,
        "2026-10-08T16:00:30Z",
        json!({"volume": litres("0.1"), "plain_water": true}),
    )
    .await;
    refused(
        api,
        &after,
        "wrong-state",
        "the sowing is lost since 2026-10-08",
    )
    .await;
    accept(api, &late_pour).await.expect(200);
    assert_eq!(thirsty.left().await, "10900");
    // nothing left to pour from
    let entries = format!("/batches/{}/entries", thirsty.batch);
    api.post(LEAD, &entries, json!({"kind": "discard"}))
        .await
        .expect(201);
    refused(api, &other, "wrong-state", "the batch is discarded").await;
    // the minutes can be had all the same, and nothing else
    let only = json!({"accept": true, "minutes_only": true});
    let before = count(garden, "select count(*) from batch_entry").await;
    let seen = settle(api, LEAD, &other, only).await.expect(200).body;
    assert_eq!(
        json!([seen["state"], seen["entered"]]),
        json!(["accepted", false])
    );
    assert_eq!(seen["outcome"].get("batch_entry_id"), None);
    assert_eq!(
        count(garden, "select count(*) from batch_entry").await,
        before
    );
    let aside = json!({"accept": false, "minutes_only": true, "reason": "twice"});
    let reply = settle(api, LEAD, &after, aside).await.expect(422);
    assert_eq!(reply.pointers(), ["/minutes_only"]);
}

#[actix_web::test]
async fn plain_water_and_parts_count_once_accepted() {
    let thirsty = Thirsty::stand().await;
    let (api, garden) = (&thirsty.api, &thirsty.garden);
    claim(api, VOLUNTEER, &thirsty.task).await.expect(201);
    // somebody who does not hold it poured into two of the four
    let part =
        json!({"partial": true, "containers": 2, "volume": litres("4"), "plain_water": true});
    let report = late(api, SECOND, &thirsty.task, "2026-10-08T15:00:00Z", part).await;
    let task = api.get(LEAD, &thirsty.task).await.expect(200).body;
    assert_eq!(task["containers_left"], 4);
    accept(api, &report).await.expect(200);
    let task = api.get(LEAD, &thirsty.task).await.expect(200).body;
    assert_eq!(
        json!([
            task["containers_left"],
            task["state"],
            task["holders"].as_array().unwrap().len()
        ]),
        json!([2, "held", 1])
    );
    let listed = crate::top_ups::top_ups(api, garden, "").await;
    assert_eq!(listed["items"][0]["containers"], 2);
    // the rest is for two, and the minutes are shared
    thirsty.go_to("2026-10-08T16:05:00Z").await;
    finish(api, VOLUNTEER, &thirsty.task, thirsty.poured("4"))
        .await
        .expect(200);
    assert_eq!(minutes(api, garden, SECOND, "2026-10-08").await, 15);
    assert_eq!(minutes(api, garden, VOLUNTEER, "2026-10-08").await, 15);
}

#[actix_web::test]
async fn a_task_that_was_to_be_done_is_done_by_whoever_did_it() {
    let (api, garden) = garden().await;
    let measure = TestTask {
        kind: "measure",
        ..TestTask::default()
    };
    let task = add_task(&garden, measure).await;
    claim(&api, VOLUNTEER, &task).await.expect(201);
    let figures = json!({"ph": 6.2, "conductivity": {"value": 1.5, "scale": "mS/cm", "compensated": false},
        "temperature": {"value": "24.5", "unit": "Cel"}});
    let report = late(&api, SECOND, &task, "2026-09-07T11:30:00Z", figures).await;
    assert_eq!(count(&garden, "select count(*) from reading").await, 0);
    let accepted = accept(&api, &report).await.expect(200).body;
    let found = api.get(LEAD, "/readings").await.expect(200).body;
    let reading = &found["items"][0];
    assert_eq!(reading["id"], accepted["outcome"]["reading_id"]);
    assert_eq!(
        json!([
            reading["measured_at"],
            reading["member_id"],
            reading["ph"],
            reading["temperature"]
        ]),
        json!([
            "2026-09-07T11:30:00Z",
            id_of(&garden, SECOND).await,
            6.2,
            {"value": "24.5", "unit": "Cel"}
        ])
    );
    let seen = api.get(LEAD, &task).await.expect(200).body;
    assert_eq!(
        json!([seen["state"], seen["done_at"], seen["done_by"]]),
        json!(["done", "2026-09-07T11:30:00Z", id_of(&garden, SECOND).await])
    );
    assert_eq!(seen["outcome"], accepted["outcome"]);
    // who held it did not do it
    assert_eq!(ends(&garden).await, [Some("dropped".to_owned())]);
    assert_eq!(minutes(&api, &garden, SECOND, "2026-09-07").await, 30);
    assert_eq!(minutes(&api, &garden, VOLUNTEER, "2026-09-07").await, 0);
}

#[actix_web::test]
async fn a_sowing_goes_on_by_late_reports_and_its_end_stands_against_them() {
    let (api, garden) = garden().await;
    let people = [VOLUNTEER, SECOND, LEAD, COORDINATOR];
    let made = sow(&api, &garden, 6, "2026-09-07").await.expect(201);
    let task = task_path(&made.body, "sow", None);
    at(&api, "2026-09-09T12:00:00Z", &people).await;
    let five = json!({"containers": 5});
    let report = late(&api, SECOND, &task, "2026-09-08T15:00:00Z", five.clone()).await;
    let second = late(&api, VOLUNTEER, &task, "2026-09-08T15:10:00Z", five).await;
    let hands = late(&api, VOLUNTEER, &task, "2026-09-08T15:20:00Z", json!({})).await;
    accept(&api, &report).await.expect(200);
    let now = read(&api, &made.id()).await;
    assert_eq!(
        json!([now["state"], now["sown_on"], now["containers"]]),
        json!(["sown", "2026-09-08", 5])
    );
    let by: Vec<(String, Uuid)> = sqlx::query_as(
        "select kind, member_id from sowing_event where kind in ('sown', 'moved') order by id",
    )
    .fetch_all(&garden.pool)
    .await
    .unwrap();
    let who = id_of(&garden, SECOND).await;
    assert!(by.iter().any(|(kind, _)| kind == "sown"), "{by:?}");
    assert!(by.iter().all(|(_, member_id)| *member_id == who), "{by:?}");
    // a second count of what is sown cannot be entered; a second pair of hands can
    refused(
        &api,
        &second,
        "wrong-state",
        "the sowing is sown, so it cannot be sown",
    )
    .await;
    accept(&api, &hands).await.expect(200);
    // the cut is weighed first
    crate::sowings::qualify(&garden, SECOND, None).await;
    let cut = task_path(&made.body, "cut", Some(1));
    at(&api, "2026-10-20T12:00:00Z", &people).await;
    let report = late(&api, SECOND, &cut, "2026-10-20T11:00:00Z", json!({})).await;
    refused(&api, &report, "wrong-state", "not weighed yet").await;
    weigh(&garden, &made.id(), 1, "2026-10-20").await;
    accept(&api, &report).await.expect(200);
    assert_eq!(read(&api, &made.id()).await["state"], "cutting");
    // more than there is room for, because others took the places
    let one = sow(&api, &garden, 2, "2026-10-20").await.expect(201);
    let sow_one = task_path(&one.body, "sow", None);
    let told = json!({"containers": 9});
    let report = late(&api, SECOND, &sow_one, "2026-10-20T11:00:00Z", told).await;
    refused(&api, &report, "station-full", "places").await;
    assert_eq!(read(&api, &one.id()).await["state"], "planned");
    // lost meanwhile
    let lost = json!({"kind": "lost", "cause": "spilt"});
    event(&api, LEAD, &one.id(), lost).await.expect(201);
    let report = late(&api, SECOND, &sow_one, "2026-10-20T11:10:00Z", json!({})).await;
    refused(&api, &report, "wrong-state", "the sowing is lost").await;
    let only = json!({"accept": true, "minutes_only": true, "reason": "sown, then spilt"});
    settle(&api, LEAD, &report, only).await.expect(200);
    assert_eq!(read(&api, &one.id()).await["state"], "lost");
}

#[actix_web::test]
async fn training_and_missed_work_are_judged_as_of_their_day() {
    let (api, garden) = garden().await;
    let people = [VOLUNTEER, SECOND, LEAD, COORDINATOR];
    let trained = TestTask {
        qualification: Some("food_handling"),
        ..TestTask::default()
    };
    let task = add_task(&garden, trained).await;
    let report = late(&api, SECOND, &task, "2026-09-07T11:30:00Z", json!({})).await;
    refused(
        &api,
        &report,
        "needs-qualification",
        "food handling qualification",
    )
    .await;
    crate::sowings::qualify(&garden, SECOND, Some("2026-09-06")).await;
    refused(&api, &report, "needs-qualification", "on that day").await;
    sqlx::query("update qualification set expires_on = '2026-09-07'")
        .execute(&garden.pool)
        .await
        .unwrap();
    accept(&api, &report).await.expect(200);
    assert_eq!(api.get(LEAD, &task).await.expect(200).body["state"], "done");
    // missed, and done outside its time: done after all, once a lead says so
    let measure = TestTask {
        kind: "measure",
        ..TestTask::default()
    };
    let missed = add_task(&garden, measure).await;
    sqlx::query("update task set state = 'missed', missed_at = due_at, cause = 'nobody did it' where kind = 'measure'")
        .execute(&garden.pool)
        .await
        .unwrap();
    at(&api, "2026-09-08T12:00:00Z", &people).await;
    let report = late(
        &api,
        VOLUNTEER,
        &missed,
        "2026-09-08T11:00:00Z",
        json!({"ph": 5.9}),
    )
    .await;
    accept(&api, &report).await.expect(200);
    let seen = api.get(LEAD, &missed).await.expect(200).body;
    assert_eq!(
        json!([seen["state"], seen["done_at"]]),
        json!(["done", "2026-09-08T11:00:00Z"])
    );
    assert_eq!(count(&garden, "select count(*) from reading").await, 1);
    assert_eq!(minutes(&api, &garden, VOLUNTEER, "2026-09-07").await, 30);
}

#[actix_web::test]
async fn a_disputed_delivery_is_answered_first() {
    let (api, garden) = garden().await;
    let recipient = garden.recipient_id;
    let delivery = Uuid::now_v7();
    let member = id_of(&garden, LEAD).await;
    sqlx::query(
        "insert into delivery (id, cooperative_id, site_id, recipient_id, packed_on) values ($1, $2, $3, $4, '2026-09-07')",
    )
    .bind(delivery)
    .bind(garden.cooperative_id)
    .bind(garden.site_id)
    .bind(recipient)
    .execute(&garden.pool)
    .await
    .unwrap();
    let pack = TestTask {
        kind: "pack",
        ..TestTask::default()
    };
    let task = add_task(&garden, pack).await;
    let told = json!({"delivery_id": delivery});
    let report = late(&api, SECOND, &task, "2026-09-07T11:00:00Z", told).await;
    sqlx::query(
        "insert into delivery_dispute (id, cooperative_id, delivery_id, reason, member_id, recorded_at)
         values ($1, $2, $3, 'nothing came', $4, '2026-09-07T11:30:00Z')",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(delivery)
    .bind(member)
    .execute(&garden.pool)
    .await
    .unwrap();
    refused(&api, &report, "dispute-open", "Answer the dispute").await;
}
