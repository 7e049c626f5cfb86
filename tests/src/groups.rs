//! Groups: kept by coordinators and by the lead of their site.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::invitations::me;
use crate::support::Api;

fn club(site_id: Uuid, led_by: &str) -> Value {
    json!({"name": "Garden club", "head_count": 18, "site_id": site_id, "led_by": led_by})
}

#[actix_web::test]
async fn a_group_is_described_read_changed_and_ended() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let lead = me(&api, LEAD).await;
    let made = api
        .post(LEAD, "/groups", club(garden.site_id, &lead))
        .await
        .expect(201);
    let path = format!("/groups/{}", made.id());
    assert_eq!(made.headers["location"], format!("/api/v1{path}"));
    assert_eq!(made.body["leader_name"], LEAD);
    for who in [COORDINATOR, LEAD, VOLUNTEER] {
        assert_eq!(api.get(who, &path).await.expect(200).body, made.body);
    }
    let mut changed = club(garden.site_id, &me(&api, VOLUNTEER).await);
    changed["head_count"] = json!(20);
    let reply = api
        .put(LEAD, &path, "\"v1\"", changed.clone())
        .await
        .expect(200);
    assert_eq!(reply.etag(), "\"v2\"");
    assert_eq!(reply.body["head_count"], 20);
    assert_eq!(reply.body["leader_name"], VOLUNTEER);
    api.put(LEAD, &path, "\"v1\"", changed).await.expect(412);
    // whoever leads a group stays until somebody else does
    let leader = format!("/members/{}", me(&api, VOLUNTEER).await);
    let refused = api.delete(COORDINATOR, &leader, "*").await.expect(409);
    assert_eq!(refused.problem(), "in-use");

    let ended = api.delete(LEAD, &path, "\"v2\"").await.expect(200);
    assert!(ended.body["retired_at"].is_string());
    let again = api.delete(LEAD, &path, "*").await.expect(409);
    assert_eq!(again.problem(), "retired");
    api.delete(COORDINATOR, &leader, "*").await.expect(200);
    let listed = api.get(COORDINATOR, "/groups").await.expect(200);
    assert_eq!(listed.body["items"], json!([]));
    let listed = api
        .get(COORDINATOR, "/groups?with_retired=true")
        .await
        .expect(200);
    assert_eq!(listed.body["items"][0]["id"], made.body["id"]);
    // the name is free again
    api.post(LEAD, "/groups", club(garden.site_id, &lead))
        .await
        .expect(201);
}

#[actix_web::test]
async fn leads_keep_the_groups_of_their_site_only() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let lead = me(&api, LEAD).await;
    let made = api
        .post(COORDINATOR, "/groups", club(garden.site_id, &lead))
        .await
        .expect(201);
    let path = format!("/groups/{}", made.id());
    let there = club(garden.other_site_id, &lead);
    api.post(LEAD, "/groups", there.clone()).await.expect(403);
    // neither taken from another site nor given to one
    api.put(LEAD, &path, "*", there.clone()).await.expect(403);
    api.put(ELSEWHERE, &path, "*", there.clone())
        .await
        .expect(403);
    api.delete(ELSEWHERE, &path, "*").await.expect(403);
    for who in [VOLUNTEER, READER] {
        api.post(who, "/groups", there.clone()).await.expect(403);
        api.put(who, &path, "*", there.clone()).await.expect(403);
        api.delete(who, &path, "*").await.expect(403);
    }
    api.get(READER, "/groups").await.expect(403);
    api.get(READER, &path).await.expect(403);
    api.put(COORDINATOR, &path, "*", there).await.expect(200);
    let items = async |site: Uuid| {
        let path = format!("/groups?site_id={site}");
        let reply = api.get(VOLUNTEER, &path).await.expect(200);
        reply.body["items"].as_array().unwrap().len()
    };
    assert_eq!(
        (
            items(garden.site_id).await,
            items(garden.other_site_id).await
        ),
        (0, 1)
    );
    let other = "other@example.org";
    api.found("Other", other).await;
    api.get(other, &path).await.expect(404);
    api.delete(other, &path, "*").await.expect(404);
    api.put(other, &path, "*", club(garden.site_id, &lead))
        .await
        .expect(404);
    let reply = api
        .post(other, "/groups", club(garden.site_id, &lead))
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/led_by", "/site_id"]);
}

#[actix_web::test]
async fn every_bad_field_is_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let lead = me(&api, LEAD).await;
    let mut input = club(garden.site_id, &lead);
    input["name"] = json!(" ");
    input["head_count"] = json!(0);
    let reply = api.post(COORDINATOR, "/groups", input).await.expect(422);
    assert_eq!(reply.pointers(), ["/name", "/head_count"]);
    let mut input = club(garden.site_id, &lead);
    input["children"] = json!(["Kim"]);
    let reply = api.post(COORDINATOR, "/groups", input).await.expect(422);
    assert_eq!(reply.pointers(), ["/children"]);

    api.delete(
        COORDINATOR,
        &format!("/members/{}", me(&api, VOLUNTEER).await),
        "*",
    )
    .await
    .expect(200);
    let retired: Uuid = sqlx::query_scalar("select id from member where retired_at is not null")
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    sqlx::query("update site set retired_at = now() where id = $1")
        .bind(garden.other_site_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    let input = club(garden.other_site_id, &retired.to_string());
    let reply = api.post(COORDINATOR, "/groups", input).await.expect(422);
    assert_eq!(reply.pointers(), ["/led_by", "/site_id"]);
    assert_eq!(reply.body["errors"][0]["code"], "retired");

    api.post(COORDINATOR, "/groups", club(garden.site_id, &lead))
        .await
        .expect(201);
    let taken = api
        .post(COORDINATOR, "/groups", club(garden.site_id, &lead))
        .await
        .expect(409);
    assert_eq!(taken.problem(), "taken");
}
