//! Sites: the form that every noun follows.

use actix_web::http::Method;
use serde_json::json;

use crate::garden::{COORDINATOR, Garden, LEAD, VOLUNTEER};
use crate::support::{Api, site_input};

const ADA: &str = "ada@example.org";

#[actix_web::test]
async fn a_site_is_described_read_changed_and_retired() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let made = api
        .post(ADA, "/sites", site_input("North school"))
        .await
        .expect(201);
    let path = format!("/sites/{}", made.id());
    assert_eq!(made.headers["location"], format!("/api/v1{path}"));
    let read = api.get(ADA, &path).await.expect(200);
    assert_eq!(read.body, made.body);
    assert_eq!(read.etag(), "\"v1\"");

    let mut changed = site_input("North school annex");
    changed["weekly_minutes"] = json!(120);
    let missing = api
        .send(api.request(ADA, Method::PUT, &path).set_json(&changed))
        .await
        .expect(428);
    assert_eq!(missing.problem(), "precondition-required");
    let reply = api
        .put(ADA, &path, "\"v1\"", changed.clone())
        .await
        .expect(200);
    assert_eq!(reply.etag(), "\"v2\"");
    assert_eq!(reply.body["weekly_minutes"], 120);
    let stale = api.put(ADA, &path, "\"v1\"", changed).await.expect(412);
    assert_eq!(stale.problem(), "stale");

    let retired = api.delete(ADA, &path, "\"v2\"").await.expect(200);
    assert!(retired.body["retired_at"].is_string());
    assert_eq!(api.get(ADA, "/sites").await.body["items"], json!([]));
    assert_eq!(
        api.get(ADA, "/sites?with_retired=true").await.body["items"][0]["id"],
        made.body["id"]
    );
    // the name is free again
    api.post(ADA, "/sites", site_input("North school annex"))
        .await
        .expect(201);
}

#[actix_web::test]
async fn every_bad_field_is_named() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let mut input = site_input("  ");
    input["zone"] = json!("Europe/Atlantis");
    input["weekly_minutes"] = json!(-5);
    input["opening_hours"][2]["closes"] = json!("07:00");
    let reply = api.post(ADA, "/sites", input).await.expect(422);
    assert_eq!(
        reply.pointers(),
        [
            "/name",
            "/zone",
            "/opening_hours/2/closes",
            "/weekly_minutes"
        ]
    );

    let mut input = site_input("North");
    input["weekly_mixing"] = json!({"value": "3", "unit": "kg"});
    let reply = api.post(ADA, "/sites", input).await.expect(422);
    assert_eq!(reply.pointers(), ["/weekly_mixing"]);

    let mut input = site_input("North");
    input["colour"] = json!("green");
    input["opening_hours"][0]["lunch"] = json!("12:00");
    let reply = api.post(ADA, "/sites", input).await.expect(422);
    assert_eq!(reply.pointers(), ["/colour", "/opening_hours/0/lunch"]);
    assert_eq!(api.get(ADA, "/sites").await.body["items"], json!([]));
}

#[actix_web::test]
async fn a_repeated_request_has_one_effect_and_one_answer() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let request = |name: &str| {
        api.send(
            api.request(ADA, Method::POST, "/sites")
                .insert_header(("idempotency-key", "first of September"))
                .set_json(site_input(name)),
        )
    };
    let replies = futures::future::join_all((0..6).map(|_| request("North school"))).await;
    for reply in &replies {
        assert_eq!(
            (reply.status.as_u16(), &reply.body),
            (201, &replies[0].body),
            "{}",
            reply.text
        );
    }
    let other = request("South school").await.expect(422);
    assert_eq!(other.problem(), "key-reused");
    assert_eq!(
        api.get(ADA, "/sites").await.body["items"]
            .as_array()
            .unwrap()
            .len(),
        1
    );
}

#[actix_web::test]
async fn lists_go_page_by_page() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let mut made = Vec::new();
    for number in 1..=5 {
        made.push(
            api.post(ADA, "/sites", site_input(&format!("Site {number}")))
                .await
                .expect(201)
                .id(),
        );
    }
    let mut seen = Vec::new();
    let mut path = "/sites?limit=2".to_owned();
    loop {
        let page = api.get(ADA, &path).await.expect(200);
        for item in page.body["items"].as_array().unwrap() {
            seen.push(item["id"].as_str().unwrap().to_owned());
        }
        let Some(link) = page.headers.get("link") else {
            break;
        };
        path = link
            .trim_start_matches("</api/v1")
            .split('>')
            .next()
            .unwrap()
            .to_owned();
    }
    assert_eq!(seen, made);
    assert_eq!(
        api.get(ADA, "/sites?limit=0").await.expect(422).pointers(),
        ["limit"]
    );
    assert_eq!(
        api.get(ADA, "/sites?after=zzz")
            .await
            .expect(422)
            .pointers(),
        ["after"]
    );
    api.get(ADA, "/sites?colour=green").await.expect(422);
}

#[actix_web::test]
async fn a_lead_changes_their_own_site_only() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let change = |who, site| {
        let api = &api;
        async move {
            let path = format!("/sites/{site}");
            api.put(who, &path, "*", site_input(&format!("{who} {site}")))
                .await
        }
    };
    change(LEAD, garden.site_id).await.expect(200);
    change(LEAD, garden.other_site_id).await.expect(403);
    change(VOLUNTEER, garden.site_id).await.expect(403);
    // a station is still there
    let reply = api
        .delete(COORDINATOR, &format!("/sites/{}", garden.site_id), "*")
        .await;
    assert_eq!(reply.expect(409).problem(), "in-use");
}
