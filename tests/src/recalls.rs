//! Recalls: drafted from a trace, told recipient by recipient, closed when everybody knows.

use actix_web::http::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::cuts::{go_to, grams};
use crate::deliveries::delivery_input;
use crate::garden::{COORDINATOR, ELSEWHERE, LEAD, READER, VOLUNTEER};
use crate::support::{Api, Reply};
use crate::traces::Season;

pub async fn step(api: &Api, who: &str, path: &str, etag: &str, body: Option<Value>) -> Reply {
    let request = api
        .request(who, Method::POST, path)
        .insert_header(("if-match", etag));
    let request = match body {
        Some(body) => request.set_json(body),
        None => request,
    };
    api.send(request).await
}

fn draft(season: &Season) -> Value {
    json!({
        "title": "Lettuce seed lot 4711", "why": "The supplier calls the lot back",
        "suspect": {"of": "lot", "id": season.seed_lot},
    })
}

fn notice(reply: &Reply, name: &str) -> Value {
    let notices = reply.body["notices"].as_array().unwrap();
    let found = notices.iter().find(|one| one["recipient_name"] == name);
    found.unwrap_or_else(|| panic!("{}", reply.text)).clone()
}

pub async fn member(season: &Season, email: &str) -> Uuid {
    sqlx::query_scalar("select id from member where email = $1")
        .bind(email)
        .fetch_one(&season.garden.pool)
        .await
        .unwrap()
}

#[actix_web::test]
async fn a_recall_is_drafted_told_and_closed() {
    let season = Season::grow().await;
    let api = &season.api;
    let made = api
        .post(COORDINATOR, "/recalls", draft(&season))
        .await
        .expect(201);
    let path = format!("/recalls/{}", made.id());
    assert_eq!(made.headers["location"], format!("/api/v1{path}"));
    assert_eq!(
        (&made.body["state"], &made.body["weight"]),
        (&json!("draft"), &grams("350"))
    );
    assert_eq!(made.body["suspect_name"], "Lettuce seed 4711");
    let pantry = notice(&made, "Corner pantry");
    assert_eq!(
        (&pantry["weight"], &pantry["told"]),
        (&grams("250"), &json!(false))
    );
    assert_eq!(
        pantry["deliveries"],
        json!([{
            "delivery_id": season.first, "weight": grams("250"), "packed_on": "2026-10-19",
            "handed_over_at": "2026-10-19T15:00:00Z", "received_by": "R. Okafor",
        }])
    );
    let kitchen = notice(&made, "Soup kitchen");
    assert_eq!(kitchen["deliveries"][0]["handed_over_at"], Value::Null);
    let cautions = made.body["cautions"].to_string();
    assert!(
        cautions.contains("local food-safety or health authority"),
        "{cautions}"
    );

    // a volunteer is to call the pantry; before it is under way nobody is told
    let volunteer = member(&season, VOLUNTEER).await;
    api.get(VOLUNTEER, &path).await.expect(404);
    let assign = json!({"recipient_id": season.garden.recipient_id, "member_id": volunteer});
    let assignments = format!("{path}/assignments");
    let assigned = api
        .post(COORDINATOR, &assignments, assign.clone())
        .await
        .expect(200);
    assert_eq!(
        notice(&assigned, "Corner pantry")["assigned_name"],
        VOLUNTEER
    );
    let notices = format!("{path}/notices");
    let told =
        json!({"recipient_id": season.garden.recipient_id, "note": "R. Okafor, by telephone"});
    let early = api.post(VOLUNTEER, &notices, told.clone()).await;
    assert_eq!(early.expect(409).problem(), "wrong-state");
    // packed between the draft and the start, it is found by the start
    let mut input = delivery_input(&season.garden, &[(&season.cut, "30")]);
    input["recipient_id"] = json!(season.second_recipient);
    let third = api.post(VOLUNTEER, "/deliveries", input.clone()).await;
    let third = third.expect(201);
    let start = format!("{path}/start");
    let stale = step(api, COORDINATOR, &start, &made.etag(), None).await;
    stale.expect(412);
    let started = step(api, COORDINATOR, &start, &assigned.etag(), None).await;
    let started = started.expect(200);
    assert_eq!(
        (&started.body["state"], &started.body["revision"]),
        (&json!("under_way"), &json!(2))
    );
    let kitchen = notice(&started, "Soup kitchen");
    assert_eq!(
        (&kitchen["weight"], &started.body["weight"]),
        (&grams("130"), &grams("380"))
    );
    assert!(kitchen.to_string().contains(&third.id()));
    // whoever was assigned stays so
    assert_eq!(
        notice(&started, "Corner pantry")["assigned_name"],
        VOLUNTEER
    );
    assert_eq!(started.body["notices"].as_array().unwrap().len(), 2);

    // the volunteer sees the pantry only
    let seen = api.get(VOLUNTEER, &path).await.expect(200);
    assert_eq!(seen.body["notices"].as_array().unwrap().len(), 1);
    assert_eq!(
        (&seen.body["weight"], &seen.body["entries"]),
        (&grams("250"), &json!([]))
    );
    assert!(!seen.text.contains("Soup kitchen"));
    let listed = api.get(VOLUNTEER, "/recalls").await.expect(200);
    assert_eq!(listed.body["items"].as_array().unwrap().len(), 1);
    go_to(api, "2026-10-19T16:00:00Z").await;
    let reply = api.post(VOLUNTEER, &notices, told).await.expect(200);
    let pantry = notice(&reply, "Corner pantry");
    assert_eq!(
        (&pantry["told"], &pantry["told_at"], &pantry["told_by"]),
        (
            &json!(true),
            &json!("2026-10-19T16:00:00Z"),
            &json!(volunteer)
        )
    );
    // of whom they are not to tell, they know nothing
    let other = json!({"recipient_id": season.second_recipient});
    api.post(VOLUNTEER, &notices, other.clone())
        .await
        .expect(403);

    // it is not closed before everybody knows
    let closing = format!("{path}/closing");
    let outcome = json!({"outcome": "All told"});
    let reply = step(api, COORDINATOR, &closing, "*", Some(outcome.clone())).await;
    let reply = reply.expect(409);
    assert!(reply.text.contains("Soup kitchen") && !reply.text.contains("Corner pantry"));
    api.post(COORDINATOR, &notices, other).await.expect(200);

    // the pantry got less than was written down, and the kitchen is to get more: traced again, both are to be told
    // again; from the tray nothing more is packed
    api.post(VOLUNTEER, "/deliveries", input).await.expect(422);
    season.correct_delivery(&season.first, "240").await;
    season.correct_delivery(&third.id(), "50").await;
    let traces = format!("{path}/traces");
    let again = step(api, COORDINATOR, &traces, "*", None).await.expect(200);
    assert_eq!(again.body["revision"], 3);
    let pantry = notice(&again, "Corner pantry");
    assert_eq!(
        (&pantry["weight"], &pantry["told"], &pantry["told_weight"]),
        (&grams("240"), &json!(false), &grams("250"))
    );
    let kitchen = notice(&again, "Soup kitchen");
    assert_eq!(
        (&kitchen["weight"], &kitchen["told"]),
        (&grams("150"), &json!(false))
    );
    assert_eq!(kitchen["deliveries"].as_array().unwrap().len(), 2);
    let reply = step(api, COORDINATOR, &closing, "*", Some(outcome.clone())).await;
    assert_eq!(reply.expect(409).problem(), "wrong-state");
    for recipient in [season.garden.recipient_id, season.second_recipient] {
        let told = json!({"recipient_id": recipient});
        api.post(COORDINATOR, &notices, told).await.expect(200);
    }
    let closed = step(api, COORDINATOR, &closing, "*", Some(outcome.clone())).await;
    let closed = closed.expect(200);
    assert_eq!(
        (&closed.body["state"], &closed.body["outcome"]),
        (&json!("closed"), &json!("All told"))
    );
    // all that was done stays
    let entries = closed.body["entries"].as_array().unwrap();
    let kinds: Vec<&str> = entries
        .iter()
        .map(|e| e["kind"].as_str().unwrap())
        .collect();
    assert_eq!(
        kinds,
        [
            "drafted", "assigned", "started", "told", "told", "traced", "told", "told", "closed"
        ]
    );
    assert_eq!(
        entries[0]["detail"]["found"]["deliveries"]
            .as_array()
            .unwrap()
            .len(),
        2
    );
    let found_at_start = &entries[2]["detail"]["found"]["deliveries"];
    assert_eq!(found_at_start.as_array().unwrap().len(), 3);
    assert_eq!(entries[3]["detail"]["milligrams"], 250_000);
    let kept: Vec<i64> = sqlx::query_scalar(
        "select count(*) from recall_delivery group by revision order by revision",
    )
    .fetch_all(&season.garden.pool)
    .await
    .unwrap();
    assert_eq!(kept, [2, 3, 3]);
    // and nothing more is done
    for reply in [
        step(api, COORDINATOR, &closing, "*", Some(outcome.clone())).await,
        step(api, COORDINATOR, &start, "*", None).await,
        api.post(COORDINATOR, &assignments, assign).await,
    ] {
        assert_eq!(reply.expect(409).problem(), "wrong-state");
    }
    let listed = api.get(LEAD, "/recalls?state=closed").await.expect(200);
    assert_eq!(listed.body["items"][0]["id"], closed.body["id"]);
    let listed = api.get(LEAD, "/recalls?state=draft").await.expect(200);
    assert_eq!(listed.body["items"], json!([]));

    // unless the weight changes: traced again, it stays closed as long as everybody knows
    let again = step(api, COORDINATOR, &traces, "*", None).await.expect(200);
    assert_eq!(
        (&again.body["state"], &again.body["outcome"]),
        (&json!("closed"), &json!("All told"))
    );
    season.correct_delivery(&third.id(), "60").await;
    let again = step(api, COORDINATOR, &traces, "*", None).await.expect(200);
    assert_eq!(
        (
            &again.body["state"],
            &again.body["closed_at"],
            &again.body["outcome"]
        ),
        (&json!("under_way"), &Value::Null, &json!(""))
    );
    assert_eq!(notice(&again, "Corner pantry")["told"], true);
    assert_eq!(notice(&again, "Soup kitchen")["told"], false);
    let entries = again.body["entries"].as_array().unwrap();
    assert_eq!(entries[8]["detail"]["outcome"], "All told");
    assert_eq!(entries[9]["detail"]["reopened"], Value::Null);
    assert_eq!(entries[10]["detail"]["reopened"], true);
    let reply = step(api, COORDINATOR, &closing, "*", Some(outcome.clone())).await;
    assert_eq!(reply.expect(409).problem(), "wrong-state");
    let kitchen = json!({"recipient_id": season.second_recipient});
    api.post(COORDINATOR, &notices, kitchen).await.expect(200);
    let closed = step(api, COORDINATOR, &closing, "*", Some(outcome)).await;
    assert_eq!(closed.expect(200).body["state"], "closed");
}

#[actix_web::test]
async fn only_coordinators_recall_and_bad_drafts_are_named() {
    let season = Season::grow().await;
    let api = &season.api;
    for who in [LEAD, VOLUNTEER, READER, ELSEWHERE] {
        api.post(who, "/recalls", draft(&season)).await.expect(403);
    }
    for (pointer, at, value) in [
        ("/title", "/title", json!("")),
        ("/why", "/why", json!("")),
        ("/suspect/of", "/suspect/of", json!("luck")),
        ("/suspect/id", "/suspect/id", json!(Uuid::now_v7())),
        ("/suspect/id", "/suspect/id", Value::Null),
        (
            "/suspect/first_day",
            "/suspect/first_day",
            json!("2026-09-01"),
        ),
    ] {
        let mut input = draft(&season);
        match input.pointer_mut(at) {
            Some(field) => *field = value,
            None => input["suspect"]["first_day"] = value,
        }
        let reply = api.post(COORDINATOR, "/recalls", input).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{}", reply.text);
    }
    // by the tray code: one delivery each
    let by_tray = json!({
        "title": "Tray", "why": "A glove is missing",
        "suspect": {"of": "cut", "tray_code": season.tray_code},
    });
    let made = api.post(COORDINATOR, "/recalls", by_tray).await.expect(201);
    assert_eq!(made.body["suspect_name"], json!(season.tray_code));
    assert_eq!(made.body["weight"], grams("350"));
    let path = format!("/recalls/{}", made.id());
    api.get(READER, &path).await.expect(403);
    api.get(READER, "/recalls").await.expect(403);
    for (field, body) in [
        (
            "/member_id",
            json!({"recipient_id": season.second_recipient, "member_id": Uuid::now_v7()}),
        ),
        (
            "/recipient_id",
            json!({"recipient_id": Uuid::now_v7(), "member_id": Uuid::now_v7()}),
        ),
    ] {
        let assignments = format!("{path}/assignments");
        let reply = api.post(COORDINATOR, &assignments, body).await.expect(422);
        assert_eq!(reply.pointers(), [field]);
    }
    let reply = api.get(COORDINATOR, "/recalls?state=open").await;
    assert_eq!(reply.expect(422).pointers(), ["state"]);
    // a stranger sees none of it
    let stranger = "stranger@example.org";
    api.found("Other", stranger).await;
    api.get(stranger, &path).await.expect(404);
    let reply = api.post(stranger, "/recalls", draft(&season)).await;
    assert_eq!(reply.expect(422).pointers(), ["/suspect/id"]);
}
