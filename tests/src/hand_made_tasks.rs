//! Tasks made by hand.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::site_work::look;
use crate::sowings::{at, sow, task_path};
use crate::support::Api;

fn shelf(site_id: Uuid) -> Value {
    json!({
        "site_id": site_id, "station_id": null, "title": "Mend the shelf", "note": "Screws are in the drawer.",
        "starts_at": "2026-09-10T15:00", "ends_at": "2026-09-10T17:00:00", "people": 2, "minutes": 30, "qualification": null
    })
}

#[actix_web::test]
async fn a_lead_makes_changes_and_drops_a_task() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = api
        .post(LEAD, "/tasks", shelf(garden.site_id))
        .await
        .expect(201);
    assert_eq!(
        (&made.body["kind"], &made.body["title"]),
        (&json!("other"), &json!("Mend the shelf"))
    );
    // 15:00 in New York
    assert_eq!(made.body["window"]["opens_at"], "2026-09-10T19:00:00Z");
    assert_eq!(made.body["window"]["day"], "2026-09-10");
    let path = made.headers["location"]
        .trim_start_matches("/api/v1")
        .to_owned();
    api.act(VOLUNTEER, &format!("{path}/claims"))
        .await
        .expect(201);
    api.act(LEAD, &format!("{path}/claims")).await.expect(201);
    let held = api.get(LEAD, &path).await;
    assert_eq!(held.body["state"], "held");
    // three people: one more is needed; one: two places are held
    let mut more = shelf(garden.site_id);
    more["people"] = json!(3);
    more["starts_at"] = json!("2026-09-11T15:00");
    more["ends_at"] = json!("2026-09-11T16:00");
    api.put(LEAD, &path, &made.etag(), more.clone())
        .await
        .expect(412);
    let changed = api
        .put(LEAD, &path, &held.etag(), more.clone())
        .await
        .expect(200);
    assert_eq!(
        (&changed.body["state"], &changed.body["window"]["day"]),
        (&json!("open"), &json!("2026-09-11"))
    );
    assert_eq!(changed.body["holders"].as_array().unwrap().len(), 2);
    more["people"] = json!(1);
    assert_eq!(
        api.put(LEAD, &path, &changed.etag(), more.clone())
            .await
            .expect(422)
            .pointers(),
        ["/people"]
    );
    more["people"] = json!(2);
    more["qualification"] = json!("concentrates");
    assert_eq!(
        api.put(LEAD, &path, &changed.etag(), more)
            .await
            .expect(409)
            .problem(),
        "wrong-state"
    );
    // dropped with a cause, once
    let drop = |who: &'static str, etag: String, cause: &'static str| {
        api.send(
            api.request(who, actix_web::http::Method::POST, &format!("{path}/drop"))
                .insert_header(("if-match", etag))
                .set_json(json!({"cause": cause})),
        )
    };
    assert_eq!(
        drop(LEAD, changed.etag(), " ").await.expect(422).pointers(),
        ["/cause"]
    );
    let dropped = drop(LEAD, changed.etag(), "It was replaced")
        .await
        .expect(200);
    assert_eq!(
        (&dropped.body["state"], &dropped.body["cause"]),
        (&json!("dropped"), &json!("It was replaced"))
    );
    assert!(dropped.body["holders"].as_array().unwrap().is_empty());
    assert_eq!(
        drop(LEAD, dropped.etag(), "Again")
            .await
            .expect(409)
            .problem(),
        "wrong-state"
    );
    let ends: Vec<String> = sqlx::query_scalar("select end_kind from claim")
        .fetch_all(&garden.pool)
        .await
        .unwrap();
    assert_eq!(ends, ["dropped", "dropped"]);
}

#[actix_web::test]
async fn what_cannot_be_is_refused_by_field() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for (change, pointer) in [
        (json!({"title": " "}), "/title"),
        (json!({"people": 0}), "/people"),
        (json!({"minutes": -1}), "/minutes"),
        (json!({"qualification": "juggling"}), "/qualification"),
        (json!({"ends_at": "2026-09-10T15:00"}), "/ends_at"),
        (json!({"ends_at": "2026-10-12T15:00"}), "/ends_at"),
        (
            json!({"starts_at": "2026-09-01T15:00", "ends_at": "2026-09-01T16:00"}),
            "/ends_at",
        ),
        (json!({"starts_at": "2026-09-10T15:00:00Z"}), "/starts_at"),
        (json!({"site_id": Uuid::now_v7()}), "/site_id"),
        (json!({"station_id": Uuid::now_v7()}), "/station_id"),
    ] {
        let mut body = shelf(garden.site_id);
        body.as_object_mut()
            .unwrap()
            .extend(change.as_object().unwrap().clone());
        let reply = api.post(LEAD, "/tasks", body).await.expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
    // a station of another site
    let mut body = shelf(garden.other_site_id);
    body["station_id"] = json!(garden.station_id);
    assert_eq!(
        api.post(COORDINATOR, "/tasks", body)
            .await
            .expect(422)
            .pointers(),
        ["/station_id"]
    );
}

#[actix_web::test]
async fn only_leads_of_the_site_and_coordinators_make_tasks() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for who in [VOLUNTEER, READER, ELSEWHERE] {
        api.post(who, "/tasks", shelf(garden.site_id))
            .await
            .expect(403);
    }
    let made = api
        .post(COORDINATOR, "/tasks", shelf(garden.site_id))
        .await
        .expect(201);
    let path = format!("/tasks/{}", made.id());
    api.put(VOLUNTEER, &path, &made.etag(), shelf(garden.site_id))
        .await
        .expect(403);
    api.put(ELSEWHERE, &path, &made.etag(), shelf(garden.site_id))
        .await
        .expect(404);
    // tasks of sowings follow their sowing
    let sown = sow(&api, &garden, 4, "2026-09-08").await.expect(201);
    let path = task_path(&sown.body, "sow", None);
    let task = api.get(LEAD, &path).await;
    assert_eq!(
        api.put(LEAD, &path, &task.etag(), shelf(garden.site_id))
            .await
            .expect(409)
            .problem(),
        "wrong-state"
    );
}

/// State of a task after the looks that are due at an instant.
async fn state_at(api: &Api, path: &str, instant: &str) -> String {
    at(api, instant, &[LEAD, VOLUNTEER]).await;
    api.bed.app.queue_due_looks().await.unwrap();
    look(api).await;
    let task = api.get(LEAD, path).await.expect(200);
    task.body["state"].as_str().unwrap().to_owned()
}

#[actix_web::test]
async fn what_nobody_did_by_the_day_after_is_missed_like_work_that_comes_again() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = api
        .post(LEAD, "/tasks", shelf(garden.site_id))
        .await
        .expect(201);
    let path = format!("/tasks/{}", made.id());
    // due at 17:00 on Thursday in New York; put off by a day, it counts as missed a day later
    let mut later = shelf(garden.site_id);
    later["starts_at"] = json!("2026-09-11T15:00");
    later["ends_at"] = json!("2026-09-11T17:00");
    api.put(LEAD, &path, &made.etag(), later).await.expect(200);
    let kept = api
        .post(LEAD, "/tasks", shelf(garden.site_id))
        .await
        .expect(201);
    let kept = format!("/tasks/{}", kept.id());
    api.act(VOLUNTEER, &format!("{kept}/claims"))
        .await
        .expect(201);
    api.act(VOLUNTEER, &format!("{kept}/claims/mine/beginning"))
        .await
        .expect(200);
    assert_eq!(state_at(&api, &path, "2026-09-11T04:00:00Z").await, "open");
    // the day after, until midnight: the look of the next morning finds it
    assert_eq!(state_at(&api, &kept, "2026-09-11T20:59:00Z").await, "open");
    assert_eq!(
        state_at(&api, &kept, "2026-09-12T04:00:00Z").await,
        "missed"
    );
    assert_eq!(state_at(&api, &path, "2026-09-12T04:01:00Z").await, "open");
    assert_eq!(
        state_at(&api, &path, "2026-09-13T04:00:00Z").await,
        "missed"
    );
    // done in its time, and heard of later, it counts all the same
    let told = json!({"done_at": "2026-09-10T20:00:00Z", "note": "mended"});
    let done = api
        .post(VOLUNTEER, &format!("{kept}/completion"), told.clone())
        .await
        .expect(200);
    assert_eq!(done.body["state"], "done");
    // out of its time it is kept for a lead
    let reply = api.post(LEAD, &format!("{path}/completion"), told).await;
    assert_eq!(reply.expect(202).body["conflict"], "wrong-state");
}

/// Tasks that were made before the rule was are bound by it, too.
#[actix_web::test]
async fn the_schema_gives_older_tasks_the_same_rule() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = api
        .post(LEAD, "/tasks", shelf(garden.site_id))
        .await
        .expect(201);
    let store = api.bed.app.store();
    cotyl_store::migrations::revert(store, 16).await.unwrap();
    sqlx::query("update task set missed_after = null where occasion like 'by_hand:%'")
        .execute(&garden.pool)
        .await
        .unwrap();
    cotyl_store::migrations::migrate(store).await.unwrap();
    let path = format!("/tasks/{}", made.id());
    assert_eq!(
        state_at(&api, &path, "2026-09-12T04:00:00Z").await,
        "missed"
    );
}
