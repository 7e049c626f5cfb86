//! What everything in a garden has in common: the story of a record, who may touch it, and that no
//! other co-operative knows of it.

use actix_web::http::Method;
use futures::future::join_all;
use serde_json::{Value, json};

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::garden_inputs::{items, nouns};
use crate::support::Api;

const STRANGER: &str = "stranger@example.org";

#[actix_web::test]
async fn records_are_described_read_changed_and_retired() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for (list, base, input) in nouns(&garden, "First") {
        let before = items(&api, COORDINATOR, &list).await.len();
        let made = api
            .post(COORDINATOR, &list, input.clone())
            .await
            .expect(201);
        let path = format!("{base}/{}", made.id());
        assert_eq!(made.headers["location"], format!("/api/v1{path}"));
        assert_eq!(made.etag(), "\"v1\"");
        let read = api.get(COORDINATOR, &path).await.expect(200);
        assert_eq!(read.body, made.body);

        let unguarded = api
            .send(
                api.request(COORDINATOR, Method::PUT, &path)
                    .set_json(&input),
            )
            .await
            .expect(428);
        assert_eq!(unguarded.problem(), "precondition-required");
        let mut changed = input.clone();
        let (field, value) = match base {
            "/closures" | "/outages" => ("reason", json!("Something else")),
            "/pledges" => ("priority", json!(7)),
            _ => ("name", json!("Second")),
        };
        changed[field] = value.clone();
        let reply = api
            .put(COORDINATOR, &path, "\"v1\"", changed.clone())
            .await
            .expect(200);
        assert_eq!(
            (reply.etag().as_str(), &reply.body[field]),
            ("\"v2\"", &value)
        );
        let stale = api
            .put(COORDINATOR, &path, "\"v1\"", input.clone())
            .await
            .expect(412);
        assert_eq!(stale.problem(), "stale");
        api.delete(COORDINATOR, &path, "\"v1\"").await.expect(412);

        let retired = api.delete(COORDINATOR, &path, "\"v2\"").await.expect(200);
        assert!(retired.body["retired_at"].is_string(), "{path}");
        for reply in [
            api.put(COORDINATOR, &path, "*", changed.clone()).await,
            api.delete(COORDINATOR, &path, "*").await,
        ] {
            assert_eq!(reply.expect(409).problem(), "retired", "{path}");
        }
        assert_eq!(items(&api, COORDINATOR, &list).await.len(), before);
        let with_retired = items(&api, COORDINATOR, &format!("{list}?with_retired=true")).await;
        assert!(
            with_retired
                .iter()
                .any(|item| item["id"] == made.body["id"])
        );
        // the name is free again
        api.post(COORDINATOR, &list, changed).await.expect(201);
    }
    check_audit(&garden).await;
}

/// Each noun was made twice, changed and retired, and every step was written down.
async fn check_audit(garden: &Garden) {
    let kept: Vec<(String, i64)> = sqlx::query_as(
        "select noun, count(*) from audit_entry where change <> '{}' group by noun order by noun",
    )
    .fetch_all(&garden.pool)
    .await
    .unwrap();
    for noun in [
        "closure",
        "container_kind",
        "crop",
        "crop_group",
        "outage",
        "pledge",
        "recipient",
        "station",
    ] {
        assert!(kept.contains(&(noun.to_owned(), 4)), "{noun}: {kept:?}");
    }
}

#[actix_web::test]
async fn nothing_is_known_to_another_co_operative() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    api.found("Other Jars", STRANGER).await;
    for (list, base, input) in nouns(&garden, "First") {
        let made = api
            .post(COORDINATOR, &list, input.clone())
            .await
            .expect(201);
        let path = format!("{base}/{}", made.id());
        for reply in [
            api.get(STRANGER, &path).await,
            api.put(STRANGER, &path, "*", input.clone()).await,
            api.delete(STRANGER, &path, "*").await,
        ] {
            assert_eq!(reply.expect(404).problem(), "not-found", "{path}");
        }
        let listed = api.get(STRANGER, &list).await;
        if base == "/outages" {
            listed.expect(404);
            api.post(STRANGER, &list, input).await.expect(404);
        } else {
            assert_eq!(listed.expect(200).body["items"], json!([]), "{list}");
        }
        let untouched = api.get(COORDINATOR, &path).await.expect(200);
        assert_eq!(untouched.body, made.body);
        api.get(COORDINATOR, &format!("{base}/not-an-id"))
            .await
            .expect(404);
    }
}

#[actix_web::test]
async fn records_of_another_co_operative_cannot_be_referred_to() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    api.found("Other Jars", STRANGER).await;
    let check = async |list: &str, input: Value, expect: &[&str]| {
        let reply = api.post(STRANGER, list, input).await.expect(422);
        assert_eq!(reply.pointers(), expect, "{list}");
        assert!(
            reply.body["errors"]
                .as_array()
                .unwrap()
                .iter()
                .all(|e| e["code"] == "unknown"),
            "{}",
            reply.text
        );
    };
    let described: Vec<Value> = nouns(&garden, "Borrowed")
        .into_iter()
        .map(|n| n.2)
        .collect();
    check("/closures", described[0].clone(), &["/site_id"]).await;
    check(
        "/stations",
        described[2].clone(),
        &["/site_id", "/container_kind_id"],
    )
    .await;
    check(
        "/crops",
        described[5].clone(),
        &["/crop_group_id", "/station_days/0/station_id"],
    )
    .await;
    check(
        "/pledges",
        described[7].clone(),
        &["/recipient_id", "/crop_id"],
    )
    .await;
    let mut by_group = described[7].clone();
    by_group["crop_id"] = json!(null);
    by_group["crop_group_id"] = json!(garden.crop_group_id);
    check("/pledges", by_group, &["/recipient_id", "/crop_group_id"]).await;
}

#[actix_web::test]
async fn roles_reach_as_far_as_the_table_says() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for (list, base, input) in nouns(&garden, "First") {
        let at_site = matches!(base, "/closures" | "/stations" | "/outages");
        let for_recipient = matches!(base, "/recipients" | "/pledges");
        let made = api
            .post(COORDINATOR, &list, input.clone())
            .await
            .expect(201);
        let path = format!("{base}/{}", made.id());
        for who in [LEAD, VOLUNTEER, ELSEWHERE] {
            api.get(who, &list).await.expect(200);
            api.get(who, &path).await.expect(200);
        }
        if !for_recipient {
            api.get(READER, &list).await.expect(403);
            api.get(READER, &path).await.expect(403);
        }
        for who in [VOLUNTEER, ELSEWHERE, READER] {
            for reply in [
                api.post(who, &list, input.clone()).await,
                api.put(who, &path, "*", input.clone()).await,
                api.delete(who, &path, "*").await,
            ] {
                assert_eq!(reply.expect(403).problem(), "forbidden", "{who} {path}");
            }
        }
        let status = if at_site { 200 } else { 403 };
        api.put(LEAD, &path, "*", input.clone())
            .await
            .expect(status);
        api.delete(LEAD, &path, "*").await.expect(status);
        let status = if at_site { 201 } else { 403 };
        api.post(LEAD, &list, input.clone()).await.expect(status);
        api.get("", &list).await.expect(401);
        api.post("", &list, input).await.expect(401);
    }
}

#[actix_web::test]
async fn a_name_is_given_once_whoever_asks_at_the_same_moment() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for (list, _, input) in nouns(&garden, "Wanted") {
        if input["name"].is_null() {
            continue;
        }
        let mut loud = input.clone();
        loud["name"] = json!("WANTED");
        let replies = join_all([
            api.post(COORDINATOR, &list, input.clone()),
            api.post(COORDINATOR, &list, loud),
            api.post(COORDINATOR, &list, input.clone()),
            api.post(COORDINATOR, &list, input),
        ])
        .await;
        let mut statuses: Vec<u16> = replies.iter().map(|r| r.status.as_u16()).collect();
        statuses.sort_unstable();
        assert_eq!(statuses, [201, 409, 409, 409], "{list}");
        let refused = replies.iter().find(|r| r.status == 409).unwrap();
        assert_eq!(refused.problem(), "taken");
    }
}

#[actix_web::test]
async fn a_repeated_request_makes_one_record() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for (list, _, input) in nouns(&garden, "Once") {
        let before = items(&api, COORDINATOR, &list).await.len();
        let send = |input: &Value| {
            api.send(
                api.request(COORDINATOR, Method::POST, &list)
                    .insert_header(("idempotency-key", format!("for {list}")))
                    .set_json(input),
            )
        };
        let first = send(&input).await.expect(201);
        let again = send(&input).await.expect(201);
        assert_eq!(first.body, again.body, "{list}");
        assert_eq!(items(&api, COORDINATOR, &list).await.len(), before + 1);
        let mut other = input.clone();
        let field = if input["name"].is_null() {
            "reason"
        } else {
            "name"
        };
        if list != "/pledges" {
            other[field] = json!("Another");
            assert_eq!(send(&other).await.expect(422).problem(), "key-reused");
        }
    }
}

#[actix_web::test]
async fn a_record_is_retired_only_when_nothing_refers_to_it() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let refused = async |path: String, by: &str| {
        let reply = api.delete(COORDINATOR, &path, "*").await.expect(409);
        assert_eq!(reply.problem(), "in-use", "{path}");
        assert!(
            reply.body["detail"].as_str().unwrap().contains(by),
            "{}",
            reply.text
        );
    };
    let kind = format!("/container_kinds/{}", garden.container_kind_id);
    let group = format!("/crop_groups/{}", garden.crop_group_id);
    let crop = format!("/crops/{}", garden.crop_id);
    let recipient = format!("/recipients/{}", garden.recipient_id);
    let pledge = format!("/pledges/{}", garden.pledge_id);
    refused(kind.clone(), "station Bench").await;
    refused(group.clone(), "crop leaf lettuce").await;
    refused(recipient.clone(), "2026-12-14").await;
    api.delete(COORDINATOR, &pledge, "*").await.expect(200);
    api.delete(COORDINATOR, &recipient, "*").await.expect(200);
    api.delete(COORDINATOR, &crop, "*").await.expect(200);
    api.delete(COORDINATOR, &group, "*").await.expect(200);
    let station = format!("/stations/{}", garden.station_id);
    api.delete(COORDINATOR, &station, "*").await.expect(200);
    api.delete(COORDINATOR, &kind, "*").await.expect(200);
    // what is retired cannot be referred to
    for (list, pointer, input) in [
        ("/stations", "/container_kind_id", 2),
        ("/crops", "/crop_group_id", 5),
        ("/pledges", "/recipient_id", 7),
    ] {
        let input = nouns(&garden, "Late").remove(input).2;
        let reply = api.post(COORDINATOR, list, input).await.expect(422);
        assert_eq!(reply.pointers()[0], pointer, "{}", reply.text);
        assert_eq!(reply.body["errors"][0]["code"], "retired");
    }
    let outages = format!("{station}/outages");
    let reply = api
        .post(COORDINATOR, &outages, crate::garden_inputs::outage())
        .await;
    assert_eq!(reply.expect(409).problem(), "retired");
}

#[actix_web::test]
async fn a_kind_is_not_retired_under_a_station_being_described() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for round in 0..5 {
        let name = format!("Round {round}");
        let kind = api
            .post(
                COORDINATOR,
                "/container_kinds",
                crate::garden_inputs::container_kind(&name),
            )
            .await
            .expect(201);
        let mut station = crate::garden_inputs::station(&garden, &name);
        station["container_kind_id"] = kind.body["id"].clone();
        let path = format!("/container_kinds/{}", kind.id());
        let (described, retired) = futures::join!(
            api.post(COORDINATOR, "/stations", station),
            api.delete(COORDINATOR, &path, "*")
        );
        match (described.status.as_u16(), retired.status.as_u16()) {
            (201, 409) | (422, 200) => {}
            both => panic!("{both:?}: {} {}", described.text, retired.text),
        }
    }
}
