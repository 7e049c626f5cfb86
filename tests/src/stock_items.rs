//! What is kept: items, what containers take, orders and lots.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::cupboard::{item, item_input, lot_input, receive};
use crate::cuts::{go_to, grams};
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::Api;

#[actix_web::test]
async fn an_item_is_described_changed_and_retired() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let mut input = json!({
        "name": "Leaf lettuce seed", "category": "seed", "dimension": "count", "crop_id": garden.crop_id,
        "pack": {"value": "500", "unit": "1"}, "pack_cents": 375, "scoop": {"value": "25", "unit": "1"}
    });
    let made = api
        .post(COORDINATOR, "/stock_items", input.clone())
        .await
        .expect(201);
    assert_eq!(made.body["lead_days"], 7);
    assert_eq!(made.body["service_permille"], 950);
    let path = format!("/stock_items/{}", made.id());
    assert_eq!(api.get(VOLUNTEER, &path).await.expect(200).body, made.body);

    // the same crop has one item of seed, and a name is used once whatever its case
    let mut twice = input.clone();
    twice["name"] = json!("Other seed");
    let reply = api.post(COORDINATOR, "/stock_items", twice).await;
    assert_eq!(reply.expect(409).problem(), "taken");
    let reply = api
        .post(COORDINATOR, "/stock_items", item_input("LEAF LETTUCE SEED"))
        .await;
    assert_eq!(reply.expect(409).problem(), "taken");

    input["supplier"] = json!("Seed house");
    input["lead_days"] = json!(14);
    let changed = api
        .put(COORDINATOR, &path, &made.etag(), input.clone())
        .await
        .expect(200);
    assert_eq!(changed.body["lead_days"], 14);
    api.put(COORDINATOR, &path, &made.etag(), input.clone())
        .await
        .expect(412);
    // by what it is kept stays, since its lots are written in it
    input["dimension"] = json!("mass");
    input["pack"] = grams("5");
    input["scoop"] = Value::Null;
    let reply = api.put(COORDINATOR, &path, "*", input).await.expect(422);
    assert_eq!(reply.pointers(), ["/dimension"]);

    let listed = api
        .get(LEAD, "/stock_items?category=seed")
        .await
        .expect(200);
    assert_eq!(listed.body["items"], json!([changed.body]));
    let medium = api
        .get(LEAD, "/stock_items?category=medium")
        .await
        .expect(200);
    assert_eq!(medium.body["items"], json!([]));
    api.delete(COORDINATOR, &path, &changed.etag())
        .await
        .expect(200);
    assert_eq!(
        api.delete(COORDINATOR, &path, "*")
            .await
            .expect(409)
            .problem(),
        "retired"
    );
}

#[actix_web::test]
async fn fields_of_an_item_that_make_no_sense_are_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for (name, value, pointer) in [
        ("name", json!(" "), "/name"),
        ("crop_id", json!(garden.crop_id), "/crop_id"),
        ("product_id", json!(Uuid::now_v7()), "/product_id"),
        ("lead_days", json!(-1), "/lead_days"),
        ("service_permille", json!(1000), "/service_permille"),
        (
            "density_milligrams_per_millilitre",
            json!(0),
            "/density_milligrams_per_millilitre",
        ),
        ("pack_cents", json!(100), "/pack"),
        ("pack", json!({"value": "1", "unit": "L"}), "/pack"),
        ("pack", json!({"value": "-1", "unit": "g"}), "/pack"),
        ("scoop", json!({"value": "1", "unit": "scoop"}), "/scoop"),
        ("scoop", json!({"value": "2000", "unit": "kg"}), "/scoop"),
        ("colour", json!("green"), "/colour"),
    ] {
        let mut input = item_input("Perlite");
        input[name] = value;
        let reply = api
            .post(COORDINATOR, "/stock_items", input)
            .await
            .expect(422);
        assert_eq!(reply.pointers(), [pointer], "{}", reply.text);
    }
    let seed = json!({"name": "Seed", "category": "seed", "dimension": "count", "crop_id": Uuid::now_v7()});
    let reply = api
        .post(COORDINATOR, "/stock_items", seed)
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/crop_id"]);
    let food = json!({"name": "Food", "category": "fertiliser", "dimension": "mass", "product_id": Uuid::now_v7()});
    let reply = api
        .post(COORDINATOR, "/stock_items", food)
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/product_id"]);
    for who in [LEAD, VOLUNTEER, READER] {
        api.post(who, "/stock_items", item_input("Perlite"))
            .await
            .expect(403);
    }
}

#[actix_web::test]
async fn an_item_with_a_lot_in_a_store_or_on_order_stays() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let path = format!("/stock_items/{item_id}");
    let order = json!({"site_id": garden.site_id, "stock_item_id": item_id, "amount": grams("10")});
    let order = api.post(LEAD, "/stock_orders", order).await.expect(201);
    let reply = api.delete(COORDINATOR, &path, "*").await.expect(409);
    assert_eq!(reply.problem(), "in-use");
    let order_path = format!("/stock_orders/{}", order.id());
    api.delete(LEAD, &order_path, &order.etag())
        .await
        .expect(200);

    let lot_id = receive(&api, &garden, &item_id, "P1", "10", json!({})).await;
    let reply = api.delete(COORDINATOR, &path, "*").await.expect(409);
    assert!(reply.text.contains("P1"), "{}", reply.text);
    let spoil = json!({"kind": "spoil", "site_id": garden.site_id, "lot_id": lot_id, "amount": grams("10"), "reason": "Wet"});
    api.post(LEAD, "/movements", spoil).await.expect(201);
    api.delete(COORDINATOR, &path, "*").await.expect(200);
    let reply = api
        .post(
            COORDINATOR,
            "/lots",
            lot_input(&garden, &item_id, "P2", "1"),
        )
        .await;
    assert_eq!(reply.expect(422).pointers(), ["/stock_item_id"]);
}

#[actix_web::test]
async fn what_containers_take_is_stated_once_for_each_item() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let mut input = json!({
        "container_kind_id": garden.container_kind_id, "stock_item_id": item_id, "amount": grams("35.5")
    });
    let made = api
        .post(COORDINATOR, "/container_supplies", input.clone())
        .await
        .expect(201);
    assert_eq!(made.body["amount"], grams("35.5"));
    let reply = api
        .post(COORDINATOR, "/container_supplies", input.clone())
        .await;
    assert_eq!(reply.expect(409).problem(), "taken");
    let path = format!("/container_supplies/{}", made.id());
    input["amount"] = json!({"value": "1", "unit": "[oz_av]"});
    let changed = api
        .put(COORDINATOR, &path, &made.etag(), input.clone())
        .await
        .expect(200);
    // NIST Handbook 44, Appendix C: 28.349 523 125 g, rounded to whole milligrams
    assert_eq!(changed.body["amount"], grams("28.35"));
    input["amount"] = json!({"value": "1", "unit": "L"});
    let reply = api.put(COORDINATOR, &path, "*", input.clone()).await;
    assert_eq!(reply.expect(422).pointers(), ["/amount"]);
    input["amount"] = grams("1");
    input["stock_item_id"] = json!(item(&api, "Clay").await);
    let reply = api.put(COORDINATOR, &path, "*", input.clone()).await;
    assert_eq!(reply.expect(422).pointers(), ["/stock_item_id"]);
    let listed = api
        .get(
            VOLUNTEER,
            &format!("/container_supplies?stock_item_id={item_id}"),
        )
        .await
        .expect(200);
    assert_eq!(listed.body["items"], json!([changed.body]));
    api.delete(COORDINATOR, &path, "*").await.expect(200);
    let listed = api.get(VOLUNTEER, "/container_supplies").await.expect(200);
    assert_eq!(listed.body["items"], json!([]));
    api.delete(LEAD, &path, "*").await.expect(403);
}

#[actix_web::test]
async fn an_order_becomes_a_lot_or_is_given_up() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let mut input = json!({
        "site_id": garden.site_id, "stock_item_id": item_id, "amount": {"value": "2", "unit": "kg"}, "cost_cents": 900
    });
    let order = api
        .post(LEAD, "/stock_orders", input.clone())
        .await
        .expect(201);
    // today at the site, and the item's 7 days of lead
    assert_eq!(order.body["ordered_on"], "2026-09-07");
    assert_eq!(order.body["expected_on"], "2026-09-14");
    let path = format!("/stock_orders/{}", order.id());
    input["expected_on"] = json!("2026-09-20");
    let changed = api
        .put(LEAD, &path, &order.etag(), input.clone())
        .await
        .expect(200);
    assert_eq!(changed.body["expected_on"], "2026-09-20");
    for (name, value) in [
        ("expected_on", json!("2026-09-06")),
        ("expected_on", json!("2029-09-06")),
        ("ordered_on", json!("2026-09-08")),
        ("cost_cents", json!(-1)),
        ("amount", json!({"value": "2", "unit": "L"})),
    ] {
        let mut wrong = input.clone();
        wrong[name] = value;
        let reply = api.put(LEAD, &path, "*", wrong).await.expect(422);
        assert_eq!(reply.pointers(), [format!("/{name}")], "{}", reply.text);
    }
    api.post(ELSEWHERE, "/stock_orders", input.clone())
        .await
        .expect(403);
    api.post(VOLUNTEER, "/stock_orders", input.clone())
        .await
        .expect(403);

    // a lot of another item does not answer it
    let other = item(&api, "Clay").await;
    let mut lot = lot_input(&garden, &other, "P1", "2000");
    lot["stock_order_id"] = json!(order.id());
    let reply = api.post(LEAD, "/lots", lot.clone()).await.expect(422);
    assert_eq!(reply.pointers(), ["/stock_order_id"]);
    lot["stock_item_id"] = json!(item_id);
    api.post(LEAD, "/lots", lot.clone()).await.expect(201);
    let received = api.get(VOLUNTEER, &path).await.expect(200);
    assert_eq!(received.body["state"], "received");
    let reply = api.post(LEAD, "/lots", lot).await.expect(409);
    assert_eq!(reply.problem(), "wrong-state");
    let reply = api.put(LEAD, &path, "*", input.clone()).await.expect(409);
    assert_eq!(reply.problem(), "wrong-state");
    assert_eq!(
        api.delete(LEAD, &path, "*").await.expect(409).problem(),
        "wrong-state"
    );
    input["expected_on"] = Value::Null;
    let second = api.post(LEAD, "/stock_orders", input).await.expect(201);
    let open = api.get(LEAD, "/stock_orders?state=open").await.expect(200);
    assert_eq!(open.body["items"], json!([second.body]));
    assert_eq!(
        api.get(ELSEWHERE, &path).await.expect(200).body["state"],
        "received"
    );
}

#[actix_web::test]
async fn a_lot_is_received_read_and_corrected() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let seed = json!({
        "name": "Lettuce seed", "category": "seed", "dimension": "count", "crop_id": garden.crop_id,
        "scoop": {"value": "50", "unit": "1"}
    });
    let seed_id = api
        .post(COORDINATOR, "/stock_items", seed)
        .await
        .expect(201)
        .id();
    let mut input = lot_input(&garden, &seed_id, "L-2291", "0");
    input["amount"] = json!({"value": "10", "unit": "scoop"});
    input["cost_cents"] = json!(375);
    input["received_on"] = json!("2026-09-05");
    input["expires_on"] = json!("2027-12-31");
    input["germination_permille"] = json!(920);
    input["germination_tested_on"] = json!("2026-08-01");
    let made = api.post(LEAD, "/lots", input.clone()).await.expect(201);
    let pieces = json!({"value": "500", "unit": "1"});
    assert_eq!(made.body["amount"], pieces);
    assert_eq!(made.body["left"], pieces);
    assert_eq!(
        made.body["stores"],
        json!([{"site_id": garden.site_id, "amount": pieces}])
    );
    let path = format!("/lots/{}", made.id());
    assert_eq!(api.get(VOLUNTEER, &path).await.expect(200).body, made.body);
    // another site's volunteer knows nothing of it; that site's lead may look everywhere
    let stranger = "stranger@example.org";
    garden
        .join(
            &api,
            stranger,
            &[("volunteer", Some(garden.other_site_id), None)],
        )
        .await;
    api.get(stranger, &path).await.expect(404);
    api.get(ELSEWHERE, &path).await.expect(200);
    // it came on Saturday: midnight in New York is 04:00 in UTC
    let movements = api.get(LEAD, "/movements").await.expect(200);
    assert_eq!(movements.body["items"][0]["kind"], "receive");
    assert_eq!(
        movements.body["items"][0]["happened_at"],
        "2026-09-05T04:00:00Z"
    );

    let change = json!({"expires_on": "2027-06-30", "germination_permille": 850, "germination_tested_on": "2026-09-07"});
    let changed = api
        .put(LEAD, &path, &made.etag(), change.clone())
        .await
        .expect(200);
    assert_eq!(changed.body["germination_permille"], 850);
    api.put(LEAD, &path, &made.etag(), change.clone())
        .await
        .expect(412);
    api.put(ELSEWHERE, &path, "*", change.clone())
        .await
        .expect(403);
    api.put(VOLUNTEER, &path, "*", change).await.expect(403);

    let perlite = item(&api, "Perlite").await;
    for (name, value, pointer) in [
        ("code", json!(""), "/code"),
        ("amount", json!({"value": "1.5", "unit": "1"}), "/amount"),
        ("amount", grams("5"), "/amount"),
        ("received_on", json!("2026-09-08"), "/received_on"),
        ("received_on", json!("1800-01-01"), "/received_on"),
        ("expires_on", json!("2026-09-01"), "/expires_on"),
        ("germination_permille", json!(1001), "/germination_permille"),
        (
            "germination_tested_on",
            Value::Null,
            "/germination_tested_on",
        ),
        (
            "germination_tested_on",
            json!("2026-09-08"),
            "/germination_tested_on",
        ),
        ("cost_cents", json!(-5), "/cost_cents"),
        ("site_id", json!(Uuid::now_v7()), "/site_id"),
        ("stock_item_id", json!(Uuid::now_v7()), "/stock_item_id"),
        ("stock_order_id", json!(Uuid::now_v7()), "/stock_order_id"),
    ] {
        let mut wrong = input.clone();
        wrong[name] = value;
        let reply = api.post(LEAD, "/lots", wrong).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{}", reply.text);
    }
    let mut wrong = lot_input(&garden, &perlite, "P1", "5");
    wrong["germination_permille"] = json!(900);
    wrong["germination_tested_on"] = json!("2026-08-01");
    let reply = api.post(LEAD, "/lots", wrong).await.expect(422);
    assert_eq!(reply.pointers(), ["/germination_permille"]);
    api.post(VOLUNTEER, "/lots", lot_input(&garden, &perlite, "P1", "5"))
        .await
        .expect(403);
}

#[actix_web::test]
async fn lists_of_lots_show_what_is_left() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let (clay, perlite) = (item(&api, "Clay").await, item(&api, "Perlite").await);
    let first = receive(&api, &garden, &clay, "C1", "10", json!({})).await;
    let second = receive(&api, &garden, &perlite, "P1", "10", json!({})).await;
    let there = json!({"site_id": garden.other_site_id});
    let third = receive(&api, &garden, &perlite, "P2", "10", there).await;
    let spoil = json!({"kind": "spoil", "site_id": garden.site_id, "lot_id": first, "amount": grams("10"), "reason": "Wet"});
    api.post(LEAD, "/movements", spoil).await.expect(201);
    let ids = async |who: &str, query: String| -> Vec<String> {
        let reply = api.get(who, &format!("/lots{query}")).await.expect(200);
        let items = reply.body["items"].as_array().unwrap().clone();
        items
            .iter()
            .map(|lot| lot["id"].as_str().unwrap().to_owned())
            .collect()
    };
    let [first, second, third] = [first.as_str(), &second, &third];
    assert_eq!(ids(LEAD, String::new()).await, [second, third]);
    assert_eq!(
        ids(LEAD, "?with_empty=true".into()).await,
        [first, second, third]
    );
    assert_eq!(
        ids(VOLUNTEER, "?with_empty=true".into()).await,
        [first, second]
    );
    assert_eq!(
        ids(VOLUNTEER, format!("?stock_item_id={clay}")).await,
        [""; 0]
    );
    assert_eq!(
        ids(LEAD, format!("?site_id={}", garden.other_site_id)).await,
        [third]
    );
    go_to(&api, "2026-09-08T12:00:00Z").await;
    let page = api.get(LEAD, "/lots?limit=1").await.expect(200);
    let next = page.body["next"].as_str().unwrap();
    assert_eq!(ids(LEAD, format!("?limit=1&after={next}")).await, [third]);
}
