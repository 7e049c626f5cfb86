//! The ledger: what is drawn, moved, thrown away and undone, and what is then in the stores.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::cupboard::{balance, issue_input, item, receive, taken};
use crate::cuts::{TestSowing, go_to, grams, sow};
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::Api;

fn pairs(list: &[(&str, &str)]) -> Vec<(String, String)> {
    list.iter()
        .map(|(code, value)| ((*code).to_owned(), (*value).to_owned()))
        .collect()
}

#[actix_web::test]
async fn the_lot_that_expires_first_goes_first_and_the_next_fills_up() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    for (code, last_day) in [
        ("NEVER", Value::Null),
        ("DECEMBER", json!("2026-12-01")),
        ("OCTOBER", json!("2026-10-01")),
    ] {
        receive(
            &api,
            &garden,
            &item_id,
            code,
            "100",
            json!({"expires_on": last_day}),
        )
        .await;
    }
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let mut input = issue_input(&garden, &item_id, "150");
    input["sowing_id"] = json!(sowing_id);
    let made = api.post(VOLUNTEER, "/movements", input).await.expect(201);
    assert_eq!(
        taken(&made),
        pairs(&[("OCTOBER", "100"), ("DECEMBER", "50")])
    );
    let first = &made.body["movements"][0];
    assert_eq!(first["from_place"], "store");
    assert_eq!(first["to_place"], "in_use");
    assert_eq!(first["sowing_id"], json!(sowing_id));
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "150");

    // DECEMBER has expired by now: only NEVER may be used
    go_to(&api, "2026-12-02T15:00:00Z").await;
    let reply = api
        .post(
            VOLUNTEER,
            "/movements",
            issue_input(&garden, &item_id, "120"),
        )
        .await
        .expect(409);
    assert_eq!(reply.problem(), "not-enough-stock");
    let says = reply.body["detail"].as_str().unwrap();
    assert_eq!(
        says,
        "120 g of Perlite are wanted and 100 g may be used; 50 g more have expired"
    );
    let made = api
        .post(
            VOLUNTEER,
            "/movements",
            issue_input(&garden, &item_id, "100"),
        )
        .await
        .expect(201);
    assert_eq!(taken(&made), pairs(&[("NEVER", "100")]));
}

#[actix_web::test]
async fn an_expired_lot_is_used_only_when_somebody_says_so() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let last_day = json!({"expires_on": "2026-09-10"});
    let lot_id = receive(&api, &garden, &item_id, "P1", "100", last_day).await;
    let mut input = issue_input(&garden, &item_id, "10");
    input["lot_id"] = json!(lot_id);
    // the last day ends at midnight in New York, 04:00 in UTC
    go_to(&api, "2026-09-11T03:59:00Z").await;
    api.post(VOLUNTEER, "/movements", input.clone())
        .await
        .expect(201);
    go_to(&api, "2026-09-11T04:00:00Z").await;
    let reply = api
        .post(VOLUNTEER, "/movements", input.clone())
        .await
        .expect(409);
    assert_eq!(reply.problem(), "lot-expired");
    assert!(
        reply.text.contains("P1 expired on 2026-09-10"),
        "{}",
        reply.text
    );
    input["expired_accepted"] = json!(true);
    let reply = api
        .post(VOLUNTEER, "/movements", input.clone())
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/reason"]);
    input["reason"] = json!("Still dry and loose");
    let made = api.post(VOLUNTEER, "/movements", input).await.expect(201);
    assert_eq!(taken(&made), pairs(&[("P1", "10")]));
    assert_eq!(made.body["movements"][0]["reason"], "Still dry and loose");
}

#[actix_web::test]
async fn stock_moves_between_sites_and_what_is_undone_is_undone_once() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let cost = json!({"cost_cents": 1000});
    let lot_id = receive(&api, &garden, &item_id, "P1", "300", cost).await;
    let transfer = json!({
        "kind": "transfer", "site_id": garden.site_id, "to_site_id": garden.other_site_id,
        "stock_item_id": item_id, "amount": grams("100")
    });
    let moved = api
        .post(LEAD, "/movements", transfer.clone())
        .await
        .expect(201);
    let moved_id = moved.body["movements"][0]["id"]
        .as_str()
        .unwrap()
        .to_owned();
    let stock = api.get(COORDINATOR, "/stock").await.expect(200);
    let mut values: Vec<(String, i64)> = stock.body["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| {
            (
                b["amount"]["value"].as_str().unwrap().to_owned(),
                b["value_cents"].as_i64().unwrap(),
            )
        })
        .collect();
    values.sort();
    // two thirds and one third of 1000 cents
    assert_eq!(values, [("100".to_owned(), 333), ("200".to_owned(), 667)]);

    let lot = api.get(LEAD, &format!("/lots/{lot_id}")).await.expect(200);
    assert_eq!(lot.body["left"], grams("300"));
    assert_eq!(lot.body["stores"].as_array().unwrap().len(), 2);

    // the lead of the site that has it now may give it back; the other lead may not take it
    let undo = json!({"kind": "reverse", "movement_id": moved_id, "reason": "Wrong site"});
    api.post(LEAD, "/movements", undo.clone()).await.expect(403);
    let undone = api
        .post(ELSEWHERE, "/movements", undo.clone())
        .await
        .expect(201);
    let undone = &undone.body["movements"][0];
    assert_eq!(undone["from_site_id"], json!(garden.other_site_id));
    assert_eq!(undone["to_site_id"], json!(garden.site_id));
    assert_eq!(undone["reverses_id"], json!(moved_id));
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "300");
    let read = api
        .get(LEAD, &format!("/movements/{moved_id}"))
        .await
        .expect(200);
    assert_eq!(read.body["reversed_by"], undone["id"]);
    for movement_id in [json!(moved_id), undone["id"].clone()] {
        let again = json!({"kind": "reverse", "movement_id": movement_id, "reason": "Once more"});
        let reply = api.post(COORDINATOR, "/movements", again).await;
        assert_eq!(reply.expect(409).problem(), "not-reversible");
    }
    // a receipt cannot be undone once something of it is gone
    let issue = issue_input(&garden, &item_id, "1");
    api.post(VOLUNTEER, "/movements", issue).await.expect(201);
    let movements = api
        .get(LEAD, &format!("/movements?lot_id={lot_id}"))
        .await
        .expect(200);
    let receipt = movements.body["items"][0]["id"].clone();
    let undo = json!({"kind": "reverse", "movement_id": receipt, "reason": "Never came"});
    let reply = api.post(LEAD, "/movements", undo).await.expect(409);
    assert_eq!(reply.problem(), "store-below-nothing");
}

#[actix_web::test]
async fn balances_of_the_past_stay_and_late_reports_are_sorted_in() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    receive(
        &api,
        &garden,
        &item_id,
        "P1",
        "100",
        json!({"cost_cents": 500}),
    )
    .await;
    go_to(&api, "2026-09-09T12:00:00Z").await;
    let issue = issue_input(&garden, &item_id, "40");
    api.post(VOLUNTEER, "/movements", issue).await.expect(201);
    let at = async |instant: &str| {
        balance(&api, LEAD, &garden, &item_id, &format!("&at={instant}")).await
    };
    assert_eq!(at("2026-09-07T11:59:59Z").await, "0");
    assert_eq!(at("2026-09-07T12:00:00Z").await, "100");
    assert_eq!(at("2026-09-09T11:59:59Z").await, "100");
    assert_eq!(at("2026-09-09T12:00:00Z").await, "60");

    // 30 g were drawn the day before and are told now
    let mut late = issue_input(&garden, &item_id, "30");
    late["happened_at"] = json!("2026-09-08T12:00:00Z");
    let made = api
        .post(VOLUNTEER, "/movements", late.clone())
        .await
        .expect(201);
    let movement = &made.body["movements"][0];
    assert_eq!(movement["happened_at"], "2026-09-08T12:00:00Z");
    assert_eq!(movement["recorded_at"], "2026-09-09T12:00:00Z");
    assert_eq!(at("2026-09-08T11:00:00Z").await, "100");
    assert_eq!(at("2026-09-08T13:00:00Z").await, "70");
    assert_eq!(at("2026-09-09T12:00:00Z").await, "30");
    // 60 g were there on the 8th, but only 30 of them are not gone since
    late["amount"] = grams("60");
    let reply = api.post(VOLUNTEER, "/movements", late).await.expect(409);
    assert_eq!(reply.problem(), "not-enough-stock");

    // all gone and something new: the past stays as it was
    let issue = issue_input(&garden, &item_id, "30");
    api.post(VOLUNTEER, "/movements", issue).await.expect(201);
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "0");
    go_to(&api, "2026-09-20T12:00:00Z").await;
    receive(&api, &garden, &item_id, "P2", "500", json!({})).await;
    assert_eq!(at("2026-09-08T11:00:00Z").await, "100");
    assert_eq!(at("2026-09-15T00:00:00Z").await, "0");
    assert_eq!(at("2026-09-20T12:00:00Z").await, "500");
    let reply = api.get(LEAD, "/stock?at=2026-09-20T12:00:01Z").await;
    assert_eq!(reply.expect(422).pointers(), ["at"]);
    let stock = api.get(VOLUNTEER, "/stock").await.expect(200);
    assert_eq!(stock.body["items"][0]["lots_without_cost"], 1);
    assert_eq!(stock.body["items"][0]["value_cents"], 0);
}

#[actix_web::test]
async fn spoons_and_scoops_take_what_the_item_states() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Powder").await;
    receive(&api, &garden, &item_id, "P1", "100", json!({})).await;
    let with = |unit: &str| {
        let mut input = issue_input(&garden, &item_id, "1");
        input["amount"] = json!({"value": "1", "unit": unit});
        input
    };
    for (unit, code, says) in [
        ("[tsp_us]", "density", "weigh a level measure"),
        ("scoop", "scoop", "weigh one level scoop"),
    ] {
        let reply = api
            .post(VOLUNTEER, "/movements", with(unit))
            .await
            .expect(422);
        assert_eq!(reply.pointers(), ["/amount"]);
        assert_eq!(reply.body["errors"][0]["code"], code);
        assert!(reply.text.contains(says), "{}", reply.text);
    }
    let path = format!("/stock_items/{item_id}");
    let mut stated = crate::cupboard::item_input("Powder");
    stated["density_milligrams_per_millilitre"] = json!(900);
    stated["scoop"] = grams("12.5");
    api.put(COORDINATOR, &path, "*", stated).await.expect(200);
    // NIST Handbook 44, Appendix C: a teaspoon of 4.928 921 593 75 mL, at 0.9 g/mL
    for (unit, value) in [("[tsp_us]", "4.436"), ("scoop", "12.5")] {
        let made = api
            .post(VOLUNTEER, "/movements", with(unit))
            .await
            .expect(201);
        assert_eq!(taken(&made), pairs(&[("P1", value)]));
    }
}

#[actix_web::test]
async fn movements_are_listed_by_what_they_touch() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let (clay, perlite) = (item(&api, "Clay").await, item(&api, "Perlite").await);
    let clay_lot = receive(&api, &garden, &clay, "C1", "10", json!({})).await;
    let there = json!({"site_id": garden.other_site_id});
    receive(&api, &garden, &perlite, "P1", "10", there).await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    go_to(&api, "2026-09-08T12:00:00Z").await;
    let mut issue = issue_input(&garden, &clay, "3");
    issue["sowing_id"] = json!(sowing_id);
    api.post(VOLUNTEER, "/movements", issue).await.expect(201);
    let count = async |who: &str, query: String| {
        let reply = api
            .get(who, &format!("/movements{query}"))
            .await
            .expect(200);
        reply.body["items"].as_array().unwrap().len()
    };
    assert_eq!(count(LEAD, String::new()).await, 3);
    assert_eq!(count(VOLUNTEER, String::new()).await, 2);
    for (query, found) in [
        (format!("?stock_item_id={clay}"), 2),
        (format!("?lot_id={clay_lot}"), 2),
        (format!("?site_id={}", garden.other_site_id), 1),
        (format!("?sowing_id={sowing_id}"), 1),
        (format!("?batch_id={}", Uuid::now_v7()), 0),
        ("?from=2026-09-08T00:00:00Z".to_owned(), 1),
        ("?to=2026-09-08T00:00:00Z".to_owned(), 2),
    ] {
        assert_eq!(count(LEAD, query.clone()).await, found, "{query}");
    }
    api.get(READER, "/movements").await.expect(403);
}
