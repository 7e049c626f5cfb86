//! What finished work records: by kind, in parts, late, and against what stands by then.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::claims::{SECOND, TestTask, add_task, begin, claim, garden};
use crate::cuts::{TestSowing, go_to};
use crate::garden::{ELSEWHERE, Garden, LEAD, VOLUNTEER};
use crate::mixing::{Cupboard, batch_input, litres};
use crate::sowings::{at, event, read, sow, task_path};
use crate::support::{Api, Reply};

pub async fn finish(api: &Api, who: &str, path: &str, body: Value) -> Reply {
    api.post(who, &format!("{path}/completion"), body).await
}

async fn reports(garden: &Garden) -> Vec<(String, Option<String>)> {
    sqlx::query_as("select state, conflict from work_report order by recorded_at, id")
        .fetch_all(&garden.pool)
        .await
        .unwrap()
}

#[actix_web::test]
async fn a_part_is_kept_and_the_rest_stays_to_be_done() {
    let (api, garden) = garden().await;
    let made = sow(&api, &garden, 6, "2026-09-07").await.expect(201);
    let path = task_path(&made.body, "sow", None);
    claim(&api, VOLUNTEER, &path).await.expect(201);
    for (body, pointer) in [
        (json!({"partial": true}), "/containers"),
        (json!({"partial": true, "containers": 6}), "/containers"),
    ] {
        let reply = finish(&api, VOLUNTEER, &path, body).await.expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
    let part = json!({"partial": true, "containers": 4, "note": "seed ran out", "photo_reference": "phone:17"});
    let seen = finish(&api, VOLUNTEER, &path, part).await.expect(200).body;
    assert_eq!(
        json!([seen["state"], seen["containers_left"], seen["holders"]]),
        json!(["open", 2, []])
    );
    assert_eq!(seen["parts"][0]["outcome"]["photo_reference"], "phone:17");
    assert_eq!(read(&api, &made.id()).await["state"], "planned");
    claim(&api, SECOND, &path).await.expect(201);
    let reply = finish(
        &api,
        SECOND,
        &path,
        json!({"partial": true, "containers": 2}),
    )
    .await;
    assert!(reply.expect(422).text.contains("2 were left"));
    let done = finish(&api, SECOND, &path, json!({"containers": 1}))
        .await
        .expect(200)
        .body;
    assert_eq!(done["state"], "done");
    assert_eq!(done["outcome"], json!({"containers": 1}));
    // four and one
    let now = read(&api, &made.id()).await;
    assert_eq!(
        (&now["containers"], &now["state"]),
        (&json!(5), &json!("sown"))
    );
    // 15 minutes for six containers: four of them are ten, the rest five
    let share = format!(
        "/sites/{}/fair_share?from=2026-09-07&to=2026-09-07",
        garden.site_id
    );
    let shares = api.get(LEAD, &share).await.expect(200).body;
    let minutes = |name: &str| {
        let mut members = shares["members"].as_array().unwrap().iter();
        members.find(|member| member["name"] == name).unwrap()["done"]["minutes"].clone()
    };
    assert_eq!((minutes(VOLUNTEER), minutes(SECOND)), (json!(10), json!(5)));
    // a check is done as a whole
    let check = task_path(&made.body, "check_germination", None);
    let body = json!({"partial": true, "sprouted_containers": 2});
    let reply = finish(&api, LEAD, &check, body).await.expect(422);
    assert!(reply.pointers().contains(&"/partial".to_owned()));
}

#[actix_web::test]
async fn each_kind_tells_what_belongs_to_it() {
    let (api, garden) = garden().await;
    let task = |kind| {
        let garden = &garden;
        async move {
            add_task(
                garden,
                TestTask {
                    kind,
                    ..TestTask::default()
                },
            )
            .await
        }
    };
    for (kind, body, pointer) in [
        (
            "turn",
            json!({"sprouted_containers": 1}),
            "/sprouted_containers",
        ),
        ("measure", json!({}), "/ph"),
        ("measure", json!({"ph": 41}), "/ph"),
        ("top_up", json!({}), "/volume"),
        ("top_up", json!({"volume": litres("1")}), "/batch_id"),
        (
            "top_up",
            json!({"volume": litres("1"), "batch_id": Uuid::now_v7()}),
            "/batch_id",
        ),
        ("mix", json!({}), "/batch_id"),
        ("mix", json!({"batch_id": Uuid::now_v7()}), "/batch_id"),
        (
            "adjust",
            json!({"batch_id": Uuid::now_v7()}),
            "/batch_entry_id",
        ),
        ("count", json!({}), "/stock_count_id"),
        (
            "count",
            json!({"stock_count_id": Uuid::now_v7()}),
            "/stock_count_id",
        ),
        ("pack", json!({}), "/delivery_id"),
        (
            "deliver",
            json!({"delivery_id": Uuid::now_v7()}),
            "/delivery_id",
        ),
        ("other", json!({"containers": 3}), "/containers"),
        ("other", json!({"partial": true}), "/note"),
        ("other", json!({"photo_reference": ""}), "/photo_reference"),
        ("other", json!({"id": Uuid::nil()}), "/id"),
    ] {
        let path = task(kind).await;
        let reply = finish(&api, LEAD, &path, body.clone()).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{kind} {body}");
        assert_eq!(api.get(LEAD, &path).await.body["state"], "open");
    }
    let path = task("measure").await;
    let figures = json!({"ph": 6.2, "conductivity": {"value": 1.5, "scale": "mS/cm"}});
    let done = finish(&api, LEAD, &path, figures).await.expect(200).body;
    let found = api.get(LEAD, "/readings").await.expect(200).body;
    assert_eq!(found["items"][0]["id"], done["outcome"]["reading_id"]);
    assert_eq!(
        json!([
            found["items"][0]["task_id"],
            found["items"][0]["ph"],
            found["items"][0]["conductivity_microsiemens_per_cm"]
        ]),
        json!([done["id"], 6.2, 1500])
    );
    let path = task("turn").await;
    finish(&api, LEAD, &path, json!({})).await.expect(200);
    let path = task("other").await;
    let done = finish(&api, LEAD, &path, json!({"note": "swept"}))
        .await
        .expect(200)
        .body;
    assert_eq!(done["outcome"], json!({"note": "swept"}));
    let path = task("top_up").await;
    finish(&api, LEAD, &path, json!({"volume": litres("0")}))
        .await
        .expect(200);
    let count = api
        .post(LEAD, "/stock_counts", json!({"site_id": garden.site_id}))
        .await
        .expect(201)
        .id();
    let path = task("count").await;
    finish(&api, LEAD, &path, json!({"stock_count_id": count}))
        .await
        .expect(200);
}

#[actix_web::test]
async fn topping_up_takes_from_the_batch_within_its_limit() {
    let (api, garden) = garden().await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let input = batch_input(&garden, &cupboard, "20");
    let batch = api
        .post(VOLUNTEER, "/batches", input)
        .await
        .expect(201)
        .id();
    let entries = format!("/batches/{batch}/entries");
    let mix = add_task(
        &garden,
        TestTask {
            kind: "mix",
            ..TestTask::default()
        },
    )
    .await;
    let told = json!({"batch_id": batch});
    assert_eq!(
        finish(&api, LEAD, &mix, told.clone())
            .await
            .expect(409)
            .problem(),
        "wrong-state"
    );
    api.post(VOLUNTEER, &entries, json!({"kind": "ready"}))
        .await
        .expect(201);
    finish(&api, LEAD, &mix, told).await.expect(200);
    go_to(&api, "2026-09-08T12:00:00Z").await;
    at(&api, "2026-09-08T12:00:00Z", &[SECOND]).await;
    let sowing = crate::cuts::sow(&garden, TestSowing::default()).await;
    let path = add_task(
        &garden,
        TestTask {
            kind: "top_up",
            ..TestTask::default()
        },
    )
    .await;
    sqlx::query("update task set sowing_id = $1 where kind = 'top_up'")
        .bind(sowing)
        .execute(&garden.pool)
        .await
        .unwrap();
    claim(&api, VOLUNTEER, &path).await.expect(201);
    let much = json!({"volume": litres("18"), "batch_id": batch});
    let refused = finish(&api, VOLUNTEER, &path, much).await.expect(409);
    assert_eq!(refused.problem(), "past-refill-limit");
    let entered = async || {
        api.get(VOLUNTEER, &format!("/batches/{batch}"))
            .await
            .expect(200)
            .body["entries"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|entry| entry["kind"] == "use")
            .count()
    };
    assert_eq!(entered().await, 0);
    let poured = json!({"volume": litres("18"), "batch_id": batch, "past_limit_accepted": true, "note": "leak",
        "id": Uuid::now_v7()});
    for _ in 0..5 {
        finish(&api, VOLUNTEER, &path, poured.clone())
            .await
            .expect(200);
    }
    assert_eq!(entered().await, 1);
    let left = api.get(VOLUNTEER, &format!("/batches/{batch}")).await.body["left"].clone();
    assert_eq!(left, json!({"value": "2000", "unit": "mL"}));
}

#[actix_web::test]
async fn a_late_report_counts_once_and_a_conflict_is_kept_for_a_lead() {
    let (api, garden) = garden().await;
    let path = add_task(&garden, TestTask::default()).await;
    claim(&api, VOLUNTEER, &path).await.expect(201);
    let by_phone =
        json!({"id": Uuid::now_v7(), "done_at": "2026-09-07T11:50:00Z", "note": "first"});
    let first = finish(&api, VOLUNTEER, &path, by_phone.clone())
        .await
        .expect(200)
        .body;
    assert_eq!(first["done_at"], "2026-09-07T11:50:00Z");
    for _ in 0..4 {
        let again = finish(&api, VOLUNTEER, &path, by_phone.clone())
            .await
            .expect(200)
            .body;
        assert_eq!(again, first);
    }
    // without an id, the same time says that it is the same
    let no_id = json!({"done_at": "2026-09-07T11:50:00Z", "note": "first"});
    finish(&api, VOLUNTEER, &path, no_id).await.expect(200);
    assert_eq!(reports(&garden).await, [("counted".to_owned(), None)]);
    // somebody else did it too, and says so afterwards
    let late = json!({"id": Uuid::now_v7(), "done_at": "2026-09-07T11:55:00Z", "note": "second"});
    let mut kept = Vec::new();
    for _ in 0..5 {
        kept.push(
            finish(&api, SECOND, &path, late.clone())
                .await
                .expect(202)
                .body,
        );
    }
    assert!(kept.iter().all(|each| *each == kept[0]));
    assert_eq!(kept[0]["state"], "waiting");
    assert_eq!(kept[0]["outcome"]["note"], "second");
    assert!(
        kept[0]["conflict_detail"]
            .as_str()
            .unwrap()
            .contains("done already")
    );
    assert_eq!(reports(&garden).await.len(), 2);
    // another's id is no way in
    let reply = finish(&api, LEAD, &path, late).await.expect(422);
    assert_eq!(reply.pointers(), ["/id"]);
    // without id and time somebody sees the refusal at once
    finish(&api, SECOND, &path, json!({})).await.expect(409);
    // nobody but leads settles, and once
    let report = format!("/work_reports/{}", kept[0]["id"].as_str().unwrap());
    let seen = api.get(SECOND, &report).await.expect(200);
    api.get(VOLUNTEER, &report).await.expect(404);
    api.get(ELSEWHERE, &report).await.expect(404);
    let waiting = api
        .get(LEAD, "/work_reports?state=waiting")
        .await
        .expect(200);
    assert_eq!(waiting.body["items"].as_array().unwrap().len(), 1);
    let own = api.get(VOLUNTEER, "/work_reports").await.expect(200);
    assert_eq!(own.body["items"][0]["state"], "counted");
    let settle = async |who: &str, etag: &str, body: Value| {
        let request = api
            .request(
                who,
                actix_web::http::Method::POST,
                &format!("{report}/settlement"),
            )
            .insert_header(("if-match", etag))
            .set_json(body);
        api.send(request).await
    };
    let yes = || json!({"accept": true, "reason": "both swept"});
    settle(SECOND, &seen.etag(), yes()).await.expect(403);
    let no = json!({"accept": false});
    let reply = settle(LEAD, &seen.etag(), no).await.expect(422);
    assert_eq!(reply.pointers(), ["/reason"]);
    let settled = settle(LEAD, &seen.etag(), yes()).await.expect(200);
    assert_eq!(settled.body["state"], "accepted");
    settle(LEAD, &settled.etag(), yes()).await.expect(409);
    let share = format!(
        "/sites/{}/fair_share?from=2026-09-07&to=2026-09-07",
        garden.site_id
    );
    let shares = api.get(LEAD, &share).await.expect(200).body;
    let second = shares["members"]
        .as_array()
        .unwrap()
        .iter()
        .find(|m| m["name"] == SECOND);
    assert_eq!(second.unwrap()["done"], json!({"tasks": 1, "minutes": 30}));
    // it stays as it was told
    let rewritten = sqlx::query("update work_report set outcome = '{}'")
        .execute(&garden.pool)
        .await;
    assert!(rewritten.is_err());
}

#[actix_web::test]
async fn dropped_missed_and_reassigned_work_is_not_lost() {
    let (api, garden) = garden().await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    let sowing = task_path(&made.body, "sow", None);
    claim(&api, VOLUNTEER, &sowing).await.expect(201);
    let lost = json!({"kind": "lost", "cause": "spilt"});
    event(&api, LEAD, &made.id(), lost).await.expect(201);
    let told = json!({"done_at": "2026-09-07T11:30:00Z"});
    let kept = finish(&api, VOLUNTEER, &sowing, told.clone())
        .await
        .expect(202)
        .body;
    assert!(
        kept["conflict_detail"].as_str().unwrap().contains("spilt"),
        "{kept}"
    );
    // missed, but done in its time: done
    let missed = add_task(&garden, TestTask::default()).await;
    claim(&api, VOLUNTEER, &missed).await.expect(201);
    begin(&api, VOLUNTEER, &missed).await.expect(200);
    sqlx::query("update task set state = 'missed', missed_at = due_at, cause = 'nobody did it' where kind = 'other'")
        .execute(&garden.pool)
        .await
        .unwrap();
    sqlx::query(
        "update claim set ended_at = claimed_at, end_kind = 'lapsed' where ended_at is null",
    )
    .execute(&garden.pool)
    .await
    .unwrap();
    at(
        &api,
        "2026-09-08T12:00:00Z",
        &[VOLUNTEER, SECOND, LEAD, ELSEWHERE],
    )
    .await;
    let outside = json!({"done_at": "2026-09-07T20:00:01Z"});
    let kept = finish(&api, VOLUNTEER, &missed, outside)
        .await
        .expect(202)
        .body;
    assert!(kept["conflict_detail"].as_str().unwrap().contains("missed"));
    let never_held = json!({"done_at": "2026-09-07T19:00:00Z"});
    let kept = finish(&api, SECOND, &missed, never_held)
        .await
        .expect(202)
        .body;
    assert_eq!(kept["conflict"], "not-yours");
    assert_eq!(api.get(LEAD, &missed).await.body["state"], "missed");
    let inside = json!({"done_at": "2026-09-07T19:00:00Z", "note": "swept"});
    let done = finish(&api, VOLUNTEER, &missed, inside)
        .await
        .expect(200)
        .body;
    assert_eq!(
        (&done["state"], &done["done_at"]),
        (&json!("done"), &json!("2026-09-07T19:00:00Z"))
    );
    assert_eq!(reports(&garden).await.len(), 4);
    // another site's task: nothing is kept, nothing is told
    finish(&api, ELSEWHERE, &missed, told).await.expect(404);
    assert_eq!(reports(&garden).await.len(), 4);
}
