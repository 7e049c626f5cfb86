//! Recipients and pledges, and what a reader sees of them.

use serde_json::{Value, json};

use crate::garden::{COORDINATOR, Garden, LEAD, READER};
use crate::garden_inputs::{items, pledge, recipient};
use crate::support::Api;

#[actix_web::test]
async fn a_reader_sees_their_own_recipient_only() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let other = api
        .post(COORDINATOR, "/recipients", recipient("Church kitchen"))
        .await
        .expect(201);
    let mut promised = pledge(&garden);
    promised["recipient_id"] = other.body["id"].clone();
    let foreign = api
        .post(COORDINATOR, "/pledges", promised)
        .await
        .expect(201);

    let seen = items(&api, READER, "/recipients").await;
    assert_eq!(seen.len(), 1);
    assert_eq!(seen[0]["id"], json!(garden.recipient_id));
    let seen = items(&api, READER, "/pledges").await;
    assert_eq!(seen.len(), 1);
    assert_eq!(seen[0]["id"], json!(garden.pledge_id));
    let path = format!("/pledges?recipient_id={}", other.id());
    assert_eq!(items(&api, READER, &path).await, [json!(null); 0]);
    assert_eq!(items(&api, LEAD, &path).await.len(), 1);

    let own = format!("/recipients/{}", garden.recipient_id);
    api.get(READER, &own).await.expect(200);
    let own = format!("/pledges/{}", garden.pledge_id);
    api.get(READER, &own).await.expect(200);
    for path in [
        format!("/recipients/{}", other.id()),
        format!("/pledges/{}", foreign.id()),
    ] {
        let hidden = api.get(READER, &path).await.expect(404);
        let missing = api
            .get(READER, &path.replace(&path[path.len() - 4..], "0000"))
            .await
            .expect(404);
        assert_eq!(hidden.body, missing.body);
        api.get(COORDINATOR, &path).await.expect(200);
    }
}

#[actix_web::test]
async fn a_recipient_keeps_its_weekdays() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let mut input = recipient("Church kitchen");
    input["delivery_weekdays"] = json!(["sunday", "monday"]);
    input.as_object_mut().unwrap().remove("keep_days");
    input.as_object_mut().unwrap().remove("contact");
    let made = api
        .post(COORDINATOR, "/recipients", input)
        .await
        .expect(201);
    assert_eq!(made.body["delivery_weekdays"], json!(["monday", "sunday"]));
    assert_eq!(
        (&made.body["keep_days"], &made.body["contact"]),
        (&json!(2), &json!(""))
    );
    let check = async |changes: Value, expect: &[&str]| {
        let mut input = recipient("Bad");
        for (field, value) in changes.as_object().unwrap() {
            input[field] = value.clone();
        }
        let reply = api
            .post(COORDINATOR, "/recipients", input)
            .await
            .expect(422);
        assert_eq!(reply.pointers(), expect, "{changes}");
    };
    check(
        json!({"name": "", "keep_days": 15}),
        &["/name", "/keep_days"],
    )
    .await;
    check(json!({"kind": "shop"}), &["/kind"]).await;
    check(json!({"contact": "x".repeat(501)}), &["/contact"]).await;
    check(json!({"delivery_weekdays": []}), &["/delivery_weekdays"]).await;
    check(
        json!({"delivery_weekdays": ["friday", "friday"]}),
        &["/delivery_weekdays/1"],
    )
    .await;
    check(
        json!({"delivery_weekdays": ["friday", "Funday"]}),
        &["/delivery_weekdays/1"],
    )
    .await;
    check(json!({"delivery_weekdays": [5]}), &["/delivery_weekdays/0"]).await;
}

#[actix_web::test]
async fn a_pledge_is_in_force_from_its_first_to_its_last_week() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let mut input = pledge(&garden);
    // 2026 has 53 ISO weeks: it begins on a Thursday
    input["first_week"] = json!("2026-W53");
    input["last_week"] = json!("2027-W01");
    let made = api.post(COORDINATOR, "/pledges", input).await.expect(201);
    assert_eq!(
        (&made.body["first_week"], &made.body["last_week"]),
        (&json!("2026-W53"), &json!("2027-W01"))
    );
    // 1 lb is 453.592 37 g exactly (NIST Handbook 44, Appendix C)
    assert_eq!(
        made.body["weekly"],
        json!({"value": "680.389", "unit": "g"})
    );
    let check = async |week: &str, expect: usize| {
        let found = items(&api, LEAD, &format!("/pledges?week={week}")).await;
        assert_eq!(found.len(), expect, "{week}");
    };
    check("2026-W42", 0).await;
    check("2026-W43", 1).await;
    check("2026-W51", 1).await;
    check("2026-W52", 0).await;
    check("2026-W53", 1).await;
    check("2027-W01", 1).await;
    check("2027-W02", 0).await;
    for week in ["2027-W53", "2026-40", "soon"] {
        let reply = api.get(LEAD, &format!("/pledges?week={week}")).await;
        assert_eq!(reply.expect(422).pointers(), ["week"]);
    }
    let path = format!("/pledges/{}", made.id());
    let other = api
        .post(COORDINATOR, "/recipients", recipient("Church kitchen"))
        .await
        .expect(201);
    let mut moved = pledge(&garden);
    moved["recipient_id"] = other.body["id"].clone();
    let reply = api.put(COORDINATOR, &path, "*", moved).await.expect(422);
    assert_eq!(reply.pointers(), ["/recipient_id"]);
}

#[actix_web::test]
async fn bad_fields_of_a_pledge_are_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let check = async |changes: Value, expect: &[&str]| {
        let mut input = pledge(&garden);
        for (field, value) in changes.as_object().unwrap() {
            input[field] = value.clone();
        }
        let reply = api.post(COORDINATOR, "/pledges", input).await.expect(422);
        assert_eq!(reply.pointers(), expect, "{changes}");
    };
    check(json!({"crop_id": null}), &["/crop_id"]).await;
    check(
        json!({"crop_group_id": garden.crop_group_id}),
        &["/crop_id"],
    )
    .await;
    check(json!({"weekly": {"value": "0", "unit": "g"}}), &["/weekly"]).await;
    check(
        json!({"weekly": {"value": "1000000.001", "unit": "kg"}}),
        &["/weekly"],
    )
    .await;
    check(json!({"weekly": {"value": "1", "unit": "L"}}), &["/weekly"]).await;
    check(json!({"first_week": "2026-W51"}), &["/last_week"]).await;
    check(
        json!({"first_week": "2016-W40", "last_week": "2026-W50"}),
        &["/last_week"],
    )
    .await;
    check(json!({"first_week": "2025-W53"}), &["/first_week"]).await;
    check(
        json!({"first_week": "0001-W01", "last_week": "0001-W01"}),
        &["/first_week", "/last_week"],
    )
    .await;
    check(json!({"priority": 10}), &["/priority"]).await;
}
