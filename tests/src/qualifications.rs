//! Qualifications: recorded by coordinators, seen by leads and by whoever has them.

use actix_web::http::Method;
use serde_json::{Value, json};

use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::invitations::me;
use crate::support::Api;

fn course() -> Value {
    json!({"kind": "concentrates", "issued_on": "2026-09-01", "expires_on": "2028-08-31", "note": "Course at the town college"})
}

#[actix_web::test]
async fn a_qualification_is_recorded_changed_and_withdrawn() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let list = format!("/members/{}/qualifications", me(&api, VOLUNTEER).await);
    let made = api.post(COORDINATOR, &list, course()).await.expect(201);
    let path = format!("/qualifications/{}", made.id());
    assert_eq!(made.headers["location"], format!("/api/v1{path}"));
    for who in [COORDINATOR, LEAD, VOLUNTEER] {
        assert_eq!(api.get(who, &path).await.expect(200).body, made.body);
        let listed = api.get(who, &list).await.expect(200);
        assert_eq!(listed.body["items"], json!([made.body]));
    }
    let mut changed = course();
    changed["kind"] = json!("food_handling");
    changed["expires_on"] = Value::Null;
    let missing = api
        .send(
            api.request(COORDINATOR, Method::PUT, &path)
                .set_json(&changed),
        )
        .await;
    missing.expect(428);
    let reply = api
        .put(COORDINATOR, &path, "\"v1\"", changed.clone())
        .await
        .expect(200);
    assert_eq!(reply.body["kind"], "food_handling");
    assert_eq!(reply.body["expires_on"], Value::Null);
    api.put(COORDINATOR, &path, "\"v1\"", changed.clone())
        .await
        .expect(412);
    api.delete(COORDINATOR, &path, "\"v1\"").await.expect(412);
    api.delete(COORDINATOR, &path, "\"v2\"").await.expect(200);
    let reply = api.put(COORDINATOR, &path, "*", changed).await;
    assert_eq!(reply.expect(409).problem(), "retired");
    let listed = api.get(VOLUNTEER, &list).await.expect(200);
    assert_eq!(listed.body["items"], json!([]));
    let listed = api
        .get(VOLUNTEER, &format!("{list}?with_retired=true"))
        .await
        .expect(200);
    assert_eq!(listed.body["items"][0]["id"], made.body["id"]);
    // withdrawn, it is none of theirs any more
    let me = api.get(VOLUNTEER, "/me").await.expect(200);
    assert_eq!(me.body["qualifications"], json!([]));
}

#[actix_web::test]
async fn most_see_their_own_only() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let of_lead = format!("/members/{}/qualifications", me(&api, LEAD).await);
    let made = api.post(COORDINATOR, &of_lead, course()).await.expect(201);
    let path = format!("/qualifications/{}", made.id());
    for who in [VOLUNTEER, READER] {
        api.get(who, &of_lead).await.expect(404);
        api.get(who, &path).await.expect(404);
        let own = format!("/members/{}/qualifications", me(&api, who).await);
        let listed = api.get(who, &own).await.expect(200);
        assert_eq!(listed.body["items"], json!([]));
    }
    for who in [LEAD, VOLUNTEER, READER] {
        api.post(who, &of_lead, course()).await.expect(403);
        api.put(who, &path, "*", course()).await.expect(403);
        api.delete(who, &path, "*").await.expect(403);
    }
    let other = "other@example.org";
    api.found("Other", other).await;
    api.get(other, &path).await.expect(404);
    api.put(other, &path, "*", course()).await.expect(404);
    api.delete(other, &path, "*").await.expect(404);
    api.get(other, &of_lead).await.expect(404);
    api.post(other, &of_lead, course()).await.expect(404);
}

#[actix_web::test]
async fn every_bad_field_is_named() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let list = format!("/members/{}/qualifications", me(&api, VOLUNTEER).await);
    for (field, value, pointers) in [
        ("kind", json!("juggling"), vec!["/kind"]),
        ("issued_on", json!("2026-02-30"), vec!["/issued_on"]),
        ("issued_on", json!("0001-01-01"), vec!["/issued_on"]),
        ("expires_on", json!("2026-08-31"), vec!["/expires_on"]),
        ("expires_on", json!("9999-01-01"), vec!["/expires_on"]),
        ("note", json!("x".repeat(1001)), vec!["/note"]),
        ("score", json!(5), vec!["/score"]),
    ] {
        let mut input = course();
        input[field] = value;
        let reply = api.post(COORDINATOR, &list, input).await.expect(422);
        assert_eq!(reply.pointers(), pointers);
    }
    let listed = api.get(COORDINATOR, &list).await.expect(200);
    assert_eq!(listed.body["items"], json!([]));
}

#[actix_web::test]
async fn a_repeated_request_records_once() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let list = format!("/members/{}/qualifications", me(&api, VOLUNTEER).await);
    let once = || {
        api.send(
            api.request(COORDINATOR, Method::POST, &list)
                .insert_header(("idempotency-key", "course"))
                .set_json(course()),
        )
    };
    let replies = futures::future::join_all((0..4).map(|_| once())).await;
    for reply in &replies {
        assert_eq!(
            (reply.status.as_u16(), &reply.body),
            (201, &replies[0].body)
        );
    }
    let listed = api.get(COORDINATOR, &list).await.expect(200);
    assert_eq!(listed.body["items"].as_array().unwrap().len(), 1);
}
