//! Tasks: seen, claimed, given back, finished.

use actix_web::http::Method;
use serde_json::{Value, json};

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::sowings::{at, qualify, read, sow, task, task_path, weigh};
use crate::support::{Api, Reply};

async fn claim(api: &Api, who: &str, path: &str) -> Reply {
    api.act(who, &format!("{path}/claims")).await
}

async fn release(api: &Api, who: &str, path: &str) -> Reply {
    let path = format!("{path}/claims/mine");
    api.send(api.request(who, Method::DELETE, &path)).await
}

async fn finish(api: &Api, who: &str, path: &str, body: Value) -> Reply {
    api.post(who, &format!("{path}/completion"), body).await
}

/// A garden with a sowing of today; the path of its sowing task.
async fn sown_today(api: &Api) -> (Garden, Reply, String) {
    let garden = Garden::plant(api).await;
    let made = sow(api, &garden, 4, "2026-09-07").await.expect(201);
    let path = task_path(&made.body, "sow", None);
    (garden, made, path)
}

#[actix_web::test]
async fn a_hundred_claims_at_once_give_one_holder() {
    let api = Api::new().await;
    let (garden, _, path) = sown_today(&api).await;
    let people: Vec<String> = (0..100).map(|n| format!("member{n}@example.org")).collect();
    for person in &people {
        garden
            .join(&api, person, &[("volunteer", Some(garden.site_id), None)])
            .await;
    }
    let replies =
        futures::future::join_all(people.iter().map(|person| claim(&api, person, &path))).await;
    let won = replies.iter().filter(|r| r.status == 201).count();
    let lost = replies
        .iter()
        .filter(|r| r.status == 409 && r.problem() == "task-held")
        .count();
    assert_eq!((won, lost), (1, 99));
    let claims: i64 = sqlx::query_scalar("select count(*) from claim")
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(claims, 1);
}

#[actix_web::test]
async fn a_task_for_two_has_two_holders() {
    let api = Api::new().await;
    let (garden, _, path) = sown_today(&api).await;
    sqlx::query("update task set people = 2 where kind = 'sow'")
        .execute(&garden.pool)
        .await
        .unwrap();
    let first = claim(&api, VOLUNTEER, &path).await.expect(201);
    assert_eq!(first.body["place"], 1);
    assert_eq!(
        first.headers["location"],
        format!("/api/v1{path}/claims/mine")
    );
    assert_eq!(
        claim(&api, VOLUNTEER, &path).await.expect(409).problem(),
        "already-yours"
    );
    assert_eq!(api.get(LEAD, &path).await.body["state"], "open");
    let second = claim(&api, LEAD, &path).await.expect(201);
    assert_eq!(second.body["place"], 2);
    assert_eq!(
        claim(&api, COORDINATOR, &path).await.expect(409).problem(),
        "task-held"
    );
    assert_eq!(api.get(LEAD, &path).await.body["state"], "held");
    // the freed place is the one that is taken again
    release(&api, VOLUNTEER, &path).await.expect(204);
    assert_eq!(api.get(LEAD, &path).await.body["state"], "open");
    assert_eq!(
        claim(&api, COORDINATOR, &path).await.expect(201).body["place"],
        1
    );
    finish(&api, LEAD, &path, json!({})).await.expect(200);
    let open: i64 = sqlx::query_scalar("select count(*) from claim where ended_at is null")
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(open, 0);
}

#[actix_web::test]
async fn a_task_given_back_can_be_taken_again() {
    let api = Api::new().await;
    let (garden, _, path) = sown_today(&api).await;
    assert_eq!(
        release(&api, VOLUNTEER, &path).await.expect(409).problem(),
        "not-yours"
    );
    claim(&api, VOLUNTEER, &path).await.expect(201);
    assert_eq!(
        claim(&api, LEAD, &path).await.expect(409).problem(),
        "task-held"
    );
    assert_eq!(
        release(&api, LEAD, &path).await.expect(409).problem(),
        "not-yours"
    );
    release(&api, VOLUNTEER, &path).await.expect(204);
    claim(&api, VOLUNTEER, &path).await.expect(201);
    release(&api, VOLUNTEER, &path).await.expect(204);
    claim(&api, LEAD, &path).await.expect(201);
    // the history stays
    let history: Vec<(i32, Option<String>)> =
        sqlx::query_as("select place, end_kind from claim order by id")
            .fetch_all(&garden.pool)
            .await
            .unwrap();
    let released = Some("released".to_owned());
    assert_eq!(history, [(1, released.clone()), (1, released), (1, None)]);
    // a repeated claim with a key is one claim
    release(&api, LEAD, &path).await.expect(204);
    let request = || {
        api.send(
            api.request(VOLUNTEER, Method::POST, &format!("{path}/claims"))
                .insert_header(("idempotency-key", "bench on Monday")),
        )
    };
    let (one, two) = futures::future::join(request(), request()).await;
    assert_eq!(one.expect(201).body, two.expect(201).body);
}

#[actix_web::test]
async fn finishing_counts_once() {
    let api = Api::new().await;
    let (_garden, made, path) = sown_today(&api).await;
    assert_eq!(
        finish(&api, VOLUNTEER, &path, json!({}))
            .await
            .expect(409)
            .problem(),
        "not-yours"
    );
    claim(&api, VOLUNTEER, &path).await.expect(201);
    let request = || {
        api.send(
            api.request(VOLUNTEER, Method::POST, &format!("{path}/completion"))
                .insert_header(("idempotency-key", "done by phone"))
                .set_json(json!({"containers": 3, "done_at": "2026-09-07T11:30:00Z"})),
        )
    };
    let first = request().await.expect(200);
    let again = request().await.expect(200);
    assert_eq!(first.body, again.body);
    assert_eq!(first.body["done_at"], "2026-09-07T11:30:00Z");
    assert_eq!(first.body["recorded_done_at"], "2026-09-07T12:00:00Z");
    assert_eq!(
        finish(&api, VOLUNTEER, &path, json!({}))
            .await
            .expect(409)
            .problem(),
        "wrong-state"
    );
    assert_eq!(
        claim(&api, LEAD, &path).await.expect(409).problem(),
        "wrong-state"
    );
    let now = read(&api, &made.id()).await;
    assert_eq!(
        (&now["containers"], &now["state"]),
        (&json!(3), &json!("sown"))
    );
    assert_eq!(now["planned_cuts"][0]["expected"]["value"], "189.3");
    assert_eq!(task(&now, "clear_and_clean", None)["minutes"], 6);
    let events = api
        .get(LEAD, &format!("/sowings/{}/events", made.id()))
        .await;
    let events = events.body["items"].as_array().unwrap();
    let kinds: Vec<&Value> = events.iter().map(|event| &event["kind"]).collect();
    // that fewer were sown than planned is kept, with what had been expected of them
    assert_eq!(kinds, ["planned", "moved", "sown"]);
}

#[actix_web::test]
async fn a_race_to_finish_and_to_lose_ends_in_one_story() {
    let api = Api::new().await;
    let (_garden, made, path) = sown_today(&api).await;
    let events = format!("/sowings/{}/events", made.id());
    let replies = futures::future::join_all((0..8).map(|turn| {
        let (api, path, events) = (&api, &path, &events);
        async move {
            match turn % 4 {
                0 => claim(api, VOLUNTEER, path).await,
                1 => finish(api, LEAD, path, json!({})).await,
                2 => {
                    api.post(LEAD, events, json!({"kind": "lost", "cause": "spilt"}))
                        .await
                }
                _ => api.post(LEAD, events, json!({"kind": "sown"})).await,
            }
        }
    }))
    .await;
    for reply in &replies {
        assert!(
            reply.status.is_success() || reply.status == 409,
            "{}",
            reply.text
        );
    }
    let now = read(&api, &made.id()).await;
    assert_eq!(now["state"], "lost");
    for left in now["tasks"].as_array().unwrap() {
        assert!(["done", "dropped"].contains(&left["state"].as_str().unwrap()));
        assert_eq!(left["holders"], json!([]));
    }
}

#[actix_web::test]
async fn limits_of_what_was_done() {
    let api = Api::new().await;
    let (_garden, made, path) = sown_today(&api).await;
    claim(&api, VOLUNTEER, &path).await.expect(201);
    for (body, pointer) in [
        (json!({"done_at": "2026-08-31T11:59:59Z"}), "/done_at"),
        (json!({"done_at": "2026-09-07T12:05:01Z"}), "/done_at"),
        (json!({"done_at": "yesterday"}), "/done_at"),
        (json!({"containers": 0}), "/containers"),
        (json!({"sprouted_containers": 1}), "/sprouted_containers"),
        (json!({"grams": 1}), "/grams"),
    ] {
        let reply = finish(&api, VOLUNTEER, &path, body).await.expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
    let reply = finish(&api, VOLUNTEER, &path, json!({"containers": 9})).await;
    assert_eq!(reply.expect(409).problem(), "station-full");
    // a phone that runs a little fast
    finish(
        &api,
        VOLUNTEER,
        &path,
        json!({"done_at": "2026-09-07T12:05:00Z"}),
    )
    .await
    .expect(200);

    let check = task_path(&made.body, "check_germination", None);
    claim(&api, VOLUNTEER, &check).await.expect(201);
    for body in [
        json!({}),
        json!({"sprouted_containers": 5}),
        json!({"sprouted_containers": -1}),
    ] {
        let reply = finish(&api, VOLUNTEER, &check, body).await.expect(422);
        assert_eq!(reply.pointers(), ["/sprouted_containers"]);
    }
    // nothing came up: the look is done, the sowing has not sprouted
    at(&api, "2026-09-10T15:00:00Z", &[VOLUNTEER, LEAD]).await;
    finish(&api, VOLUNTEER, &check, json!({"sprouted_containers": 0}))
        .await
        .expect(200);
    let now = read(&api, &made.id()).await;
    assert_eq!(
        (&now["state"], &now["sprouted_on"]),
        (&json!("sown"), &Value::Null)
    );
    assert_eq!(task(&now, "check_germination", None)["state"], "done");
}

#[actix_web::test]
async fn what_was_not_sown_is_not_looked_at_or_cleared() {
    let api = Api::new().await;
    let (garden, made, _) = sown_today(&api).await;
    let check = task_path(&made.body, "check_germination", None);
    let reply = finish(&api, LEAD, &check, json!({"sprouted_containers": 4})).await;
    assert_eq!(reply.expect(409).problem(), "wrong-state");
    let clear = task_path(&made.body, "clear_and_clean", None);
    assert_eq!(
        finish(&api, LEAD, &clear, json!({}))
            .await
            .expect(409)
            .problem(),
        "wrong-state"
    );
    // cut and weighed, but never said so before it was cleared
    let sown = task_path(&made.body, "sow", None);
    finish(&api, LEAD, &sown, json!({})).await.expect(200);
    at(&api, "2026-10-15T15:00:00Z", &[LEAD]).await;
    weigh(&garden, &made.id(), 1, "2026-10-15").await;
    finish(&api, LEAD, &clear, json!({})).await.expect(200);
    let now = read(&api, &made.id()).await;
    let cut = |number| task(&now, "cut", Some(number));
    assert_eq!(
        (&cut(1)["state"], &cut(2)["state"]),
        (&json!("done"), &json!("dropped"))
    );
    assert_eq!(cut(2)["cause"], "the sowing was cleared");
}

#[actix_web::test]
async fn other_sites_and_co_operatives_see_and_claim_nothing() {
    let api = Api::new().await;
    let (_garden, _, path) = sown_today(&api).await;
    api.found("Red Pots", "other@example.org").await;
    for who in [ELSEWHERE, "other@example.org"] {
        api.get(who, &path).await.expect(404);
        claim(&api, who, &path).await.expect(404);
        release(&api, who, &path).await.expect(404);
        finish(&api, who, &path, json!({})).await.expect(404);
        assert_eq!(
            api.get(who, "/tasks").await.expect(200).body["items"],
            json!([])
        );
    }
    api.get(READER, "/tasks").await.expect(403);
    api.get(READER, &path).await.expect(403);
    claim(&api, READER, &path).await.expect(403);
    claim(&api, VOLUNTEER, &path).await.expect(201);
}

#[actix_web::test]
async fn cutting_needs_training_that_holds_on_the_day() {
    let api = Api::new().await;
    let (garden, made, _) = sown_today(&api).await;
    let (first, third) = (
        task_path(&made.body, "cut", Some(1)),
        task_path(&made.body, "cut", Some(3)),
    );
    assert_eq!(
        task(&made.body, "cut", Some(1))["window"]["day"],
        "2026-10-15"
    );
    let seen = api.get(VOLUNTEER, &first).await.expect(200);
    assert_eq!(
        (&seen.body["may_claim"], &seen.body["hindrance"]["code"]),
        (&json!(false), &json!("needs-qualification"))
    );
    assert_eq!(
        claim(&api, VOLUNTEER, &first).await.expect(409).problem(),
        "needs-qualification"
    );
    // a coordinator has no way round it
    assert_eq!(
        claim(&api, COORDINATOR, &first).await.expect(409).problem(),
        "needs-qualification"
    );
    qualify(&garden, VOLUNTEER, Some("2026-10-15")).await;
    assert_eq!(
        claim(&api, VOLUNTEER, &third).await.expect(409).problem(),
        "needs-qualification"
    );
    assert_eq!(api.get(VOLUNTEER, &first).await.body["may_claim"], true);
    claim(&api, VOLUNTEER, &first).await.expect(201);
}

#[actix_web::test]
async fn a_task_tells_all_that_the_work_needs() {
    let api = Api::new().await;
    let (garden, made, path) = sown_today(&api).await;
    claim(&api, VOLUNTEER, &path).await.expect(201);
    garden
        .join(
            &api,
            "second@example.org",
            &[("volunteer", Some(garden.site_id), None)],
        )
        .await;
    let own = api.get(VOLUNTEER, &path).await.expect(200).body;
    assert_eq!(
        json!([
            own["site_name"],
            own["station_name"],
            own["crop_name"],
            own["containers"],
            own["minutes"],
            own["kind"]
        ]),
        json!(["North school", "Bench", "leaf lettuce", 4, 10, "sow"])
    );
    assert_eq!(own["holders"][0]["name"], VOLUNTEER);
    assert_eq!(own["hindrance"]["code"], "already-yours");
    let others = api.get("second@example.org", &path).await.expect(200).body;
    assert_eq!(
        others["holders"],
        json!([{
            "place": 1, "mine": false, "member_id": null, "name": null, "claimed_at": null, "begun_at": null, "comes_free_at": null,
            "assigned_by": null, "offered_to": null, "offered_to_me": false
        }])
    );
    assert!(!others.to_string().contains(VOLUNTEER));
    for who in [LEAD, COORDINATOR] {
        assert_eq!(
            api.get(who, &path).await.body["holders"][0]["name"],
            VOLUNTEER
        );
    }
    let cautions = |body: &Value| body["cautions"].to_string();
    assert!(!cautions(&own).contains("Unplug"));
    assert!(own["steps"].as_array().unwrap().len() > 2);
    let cut = task_path(&made.body, "cut", Some(1));
    assert!(cautions(&api.get(VOLUNTEER, &cut).await.body).contains("if you are ill"));
    sqlx::query("update station set method = 'aerated'")
        .execute(&garden.pool)
        .await
        .unwrap();
    assert!(cautions(&api.get(VOLUNTEER, &path).await.body).contains("Unplug"));
    // names stay hidden once it is done, too
    let done = finish(&api, VOLUNTEER, &path, json!({}))
        .await
        .expect(200)
        .body;
    assert!(done["done_by"].is_string());
    assert_eq!(
        api.get("second@example.org", &path).await.body["done_by"],
        Value::Null
    );
}

#[actix_web::test]
async fn lists_are_filtered_and_go_page_by_page() {
    let api = Api::new().await;
    let (garden, made, path) = sown_today(&api).await;
    sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    let ids = |reply: Reply| -> Vec<String> {
        reply.body["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|task| task["id"].as_str().unwrap().to_owned())
            .collect()
    };
    let all = ids(api.get(VOLUNTEER, "/tasks").await.expect(200));
    assert_eq!(all.len(), 12);
    let mut seen = Vec::new();
    let mut next = "/tasks?limit=5".to_owned();
    loop {
        let page = api.get(VOLUNTEER, &next).await.expect(200);
        let link = page.headers.get("link").cloned();
        seen.extend(ids(page));
        let Some(link) = link else { break };
        next = link
            .trim_start_matches("</api/v1")
            .split('>')
            .next()
            .unwrap()
            .to_owned();
    }
    assert_eq!(seen, all);

    claim(&api, VOLUNTEER, &path).await.expect(201);
    let count = |query: &'static str| {
        let api = &api;
        async move {
            ids(api
                .get(VOLUNTEER, &format!("/tasks?{query}"))
                .await
                .expect(200))
            .len()
        }
    };
    for (query, expect) in [
        ("mine=true", 1),
        ("state=held", 1),
        ("state=open", 11),
        ("state=done", 0),
        ("kind=cut", 6),
        ("kind=cut&from=2026-10-16", 4),
        ("from=2026-09-10&to=2026-10-15", 4),
        ("to=2026-09-07", 2),
        // the window of the 7th is 12:00 to 20:00 UTC
        ("to=2026-09-07T12:00:00Z", 2),
        ("to=2026-09-07T11:59:59Z", 0),
        ("from=2026-09-07T20:00:00Z", 12),
        ("from=2026-09-07T20:00:01Z", 10),
    ] {
        assert_eq!(count(query).await, expect, "{query}");
    }
    let other = format!("/tasks?site_id={}", garden.other_site_id);
    assert_eq!(ids(api.get(COORDINATOR, &other).await.expect(200)).len(), 0);
    for (query, pointer) in [
        ("state=asleep", "state"),
        ("kind=sing", "kind"),
        ("from=soon", "from"),
        ("to=2026-02-30", "to"),
        ("after=zzz", "after"),
        ("limit=0", "limit"),
    ] {
        let reply = api
            .get(VOLUNTEER, &format!("/tasks?{query}"))
            .await
            .expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
    // the window passes: late, not gone
    assert_eq!(api.get(VOLUNTEER, &path).await.body["overdue"], false);
    at(&api, "2026-09-07T20:00:01Z", &[VOLUNTEER]).await;
    assert_eq!(api.get(VOLUNTEER, &path).await.body["overdue"], true);
    finish(&api, VOLUNTEER, &path, json!({})).await.expect(200);
    assert_eq!(api.get(VOLUNTEER, &path).await.body["overdue"], false);
    assert_eq!(ids(api.get(VOLUNTEER, "/tasks").await).len(), 11);
    assert!(made.id() != all[0]);
}
