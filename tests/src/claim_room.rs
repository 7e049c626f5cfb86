//! What lists say of a task is what a claim says: limits and hours told before anybody tries.

use actix_web::http::Method;
use serde_json::{Value, json};

use crate::claims::{TestTask, add_task, claim, garden};
use crate::garden::{COORDINATOR, LEAD, VOLUNTEER};
use crate::support::Api;

/// What a list or a task says: whether the member may claim it, and what stands against it.
fn told(seen: &Value) -> Value {
    json!([
        seen["may_claim"],
        seen["hindrance"]["code"],
        seen["hindrance"]["detail"]
    ])
}

/// What a claim says, in the same form; a claim that succeeds is given back.
async fn tried(api: &Api, who: &str, path: &str) -> Value {
    let reply = claim(api, who, path).await;
    if reply.status == 201 {
        let mine = format!("{path}/claims/mine");
        api.send(api.request(who, Method::DELETE, &mine))
            .await
            .expect(204);
        return json!([true, null, null]);
    }
    json!([false, reply.problem(), reply.body["detail"]])
}

async fn listed(api: &Api, who: &str, path: &str) -> Vec<Value> {
    let body = api.get(who, path).await.expect(200).body;
    body["items"].as_array().unwrap().clone()
}

/// Every task of every list and each by itself says what a claim of it would; what was refused how often.
async fn all_as_claimed(api: &Api, who: &str, lists: &[String]) -> Vec<(String, usize)> {
    let mut refused: Vec<(String, usize)> = Vec::new();
    for (number, list) in lists.iter().enumerate() {
        let items = listed(api, who, list).await;
        assert!(items.len() > 10, "{list}");
        for item in items {
            let path = format!("/tasks/{}", item["id"].as_str().unwrap());
            let alone = api.get(who, &path).await.expect(200).body;
            assert_eq!(told(&alone), told(&item), "{list} {item:#}");
            if item["may_claim"] == false && item["hindrance"]["code"] == "already-yours" {
                continue;
            }
            assert_eq!(tried(api, who, &path).await, told(&item), "{item:#}");
            let code = item["hindrance"]["code"].as_str().unwrap_or("free");
            if number == 0 {
                match refused.iter_mut().find(|(known, _)| known == code) {
                    Some((_, count)) => *count += 1,
                    None => refused.push((code.to_owned(), 1)),
                }
            }
        }
    }
    refused.sort();
    refused
}

#[actix_web::test]
async fn a_list_tells_of_each_task_what_its_claim_would() {
    let (api, garden) = garden().await;
    let fixed = |opens_at, due_at, minutes| TestTask {
        opens_at,
        due_at,
        minutes,
        ..TestTask::default()
    };
    // at half past ten by the clock of the site, for half an hour; Monday's other hours but twenty minutes
    let held = [
        fixed("2026-09-07T14:30:00Z", "2026-09-07T15:00:00Z", 30),
        fixed("2026-09-07T12:00:00Z", "2026-09-07T20:00:00Z", 430),
    ];
    for task in held {
        let path = add_task(&garden, task).await;
        claim(&api, VOLUNTEER, &path).await.expect(201);
    }
    for task in [
        // ends as it begins; crosses by a minute; within; begins as it ends
        fixed("2026-09-07T14:10:00Z", "2026-09-07T14:30:00Z", 20),
        fixed("2026-09-07T14:11:00Z", "2026-09-07T14:31:00Z", 20),
        fixed("2026-09-07T14:40:00Z", "2026-09-07T14:50:00Z", 10),
        fixed("2026-09-07T15:00:00Z", "2026-09-07T15:20:00Z", 20),
        // beside it there are twenty minutes of the day, not twenty-one
        fixed("2026-09-07T12:00:00Z", "2026-09-07T20:00:00Z", 20),
        fixed("2026-09-07T12:00:00Z", "2026-09-07T20:00:00Z", 21),
        // into the next day there is time enough; that day itself is free
        fixed("2026-09-07T12:00:00Z", "2026-09-08T20:00:00Z", 400),
        fixed("2026-09-08T14:30:00Z", "2026-09-08T15:00:00Z", 30),
        // shared by two, each has half
        TestTask {
            people: 2,
            ..fixed("2026-09-07T12:00:00Z", "2026-09-07T20:00:00Z", 40)
        },
        TestTask {
            people: 2,
            ..fixed("2026-09-07T12:00:00Z", "2026-09-07T20:00:00Z", 42)
        },
        TestTask {
            qualification: Some("concentrates"),
            ..fixed("2026-09-07T14:30:00Z", "2026-09-07T15:00:00Z", 30)
        },
    ] {
        add_task(&garden, task).await;
    }
    let lists = [
        "/tasks".to_owned(),
        format!("/sites/{}/work_now?days_ahead=1", garden.site_id),
    ];
    let found = |pairs: &[(&str, usize)]| -> Vec<(String, usize)> {
        let owned = pairs.iter().map(|(code, count)| ((*code).into(), *count));
        owned.collect()
    };
    assert_eq!(
        all_as_claimed(&api, VOLUNTEER, &lists).await,
        found(&[
            ("claims-overlap", 4),
            ("free", 6),
            ("needs-qualification", 1)
        ])
    );
    // who holds nothing has room
    for item in listed(&api, LEAD, "/tasks").await {
        let code = item["hindrance"]["code"].as_str().unwrap_or("free");
        assert!(["free", "task-held", "needs-qualification"].contains(&code));
    }
    // the limit is told before the hours, as a claim does
    let etag = api.get(COORDINATOR, "/work_settings").await.etag();
    let body = json!({"most_claims": 2});
    api.put(COORDINATOR, "/work_settings", &etag, body)
        .await
        .expect(200);
    assert_eq!(
        all_as_claimed(&api, VOLUNTEER, &lists).await,
        found(&[("claim-limit", 10), ("needs-qualification", 1)])
    );
}

#[actix_web::test]
async fn a_task_made_by_hand_says_at_once_whether_its_maker_has_room() {
    let (api, garden) = garden().await;
    let held = TestTask {
        opens_at: "2026-09-07T14:30:00Z",
        due_at: "2026-09-07T15:00:00Z",
        ..TestTask::default()
    };
    let path = add_task(&garden, held).await;
    claim(&api, LEAD, &path).await.expect(201);
    let body = json!({
        "site_id": garden.site_id, "title": "Sweep", "starts_at": "2026-09-07T10:45:00",
        "ends_at": "2026-09-07T11:00:00", "people": 1, "minutes": 15
    });
    let made = api.post(LEAD, "/tasks", body).await.expect(201);
    assert_eq!(made.body["hindrance"]["code"], "claims-overlap");
    let path = format!("/tasks/{}", made.id());
    assert_eq!(tried(&api, LEAD, &path).await, told(&made.body));
}
