//! Plans and what the co-operative keeps: too little of it holds a plan up, an order makes it whole.

use serde_json::{Value, json};

use crate::cuts::grams;
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD};
use crate::plans::{plan_input, read, solve_all};
use crate::support::Api;

fn weight(mass: &Value) -> f64 {
    crate::plans::grams(mass)
}

async fn plan(api: &Api, input: Value) -> Value {
    let asked = api.post(COORDINATOR, "/plans", input).await.expect(202);
    solve_all(api).await;
    let plan = read(api, &asked.id()).await.body;
    assert_eq!(plan["status"], "solved", "{plan}");
    plan
}

/// Medium in packs of 250 g for 4.50 that takes ten weeks to come, 100 g in each jar.
async fn medium(api: &Api, garden: &Garden) -> String {
    let item = json!({
        "name": "Medium", "category": "medium", "dimension": "mass", "pack": grams("250"), "pack_cents": 450,
        "lead_days": 70,
    });
    let id = api
        .post(COORDINATOR, "/stock_items", item)
        .await
        .expect(201)
        .id();
    let supply = json!({
        "container_kind_id": garden.container_kind_id, "stock_item_id": id, "amount": grams("100"),
    });
    api.post(COORDINATOR, "/container_supplies", supply)
        .await
        .expect(201);
    id
}

async fn receive(api: &Api, garden: &Garden, item_id: &str, amount: &str) {
    let lot = json!({
        "stock_item_id": item_id, "site_id": garden.site_id, "code": "M-1", "amount": grams(amount),
    });
    api.post(COORDINATOR, "/lots", lot).await.expect(201);
}

fn short(plan: &Value) -> f64 {
    weight(&plan["result"]["short"])
}

/// Some short week says that the medium runs out, and when more can be there.
async fn reason_is_medium(api: &Api, plan: &Value) {
    let id = plan["id"].as_str().unwrap();
    let explained = api
        .get(COORDINATOR, &format!("/plans/{id}/explanation"))
        .await
        .expect(200)
        .body;
    let reasons = explained["short"].as_array().unwrap();
    let cause = reasons
        .iter()
        .flat_map(|reason| reason["causes"].as_array().unwrap())
        .find(|cause| cause["kind"] == "stock")
        .unwrap_or_else(|| panic!("{explained}"));
    let words = cause["words"].as_str().unwrap();
    assert!(
        words.starts_with("Medium at North school runs out: ")
            && words.contains("usually comes on 2026-11-16"),
        "{words}"
    );
}

/// The remedy is an order by a day, in whole packs.
fn order_that_helps(garden: &Garden, item_id: &str, plan: &Value) -> Value {
    let remedies = plan["result"]["remedies"].as_array().unwrap();
    let remedy = remedies
        .iter()
        .find(|remedy| remedy["kind"] == "goods")
        .unwrap_or_else(|| panic!("{remedies:?}"));
    assert_eq!(
        (&remedy["site_id"], &remedy["stock_item_id"]),
        (&json!(garden.site_id), &json!(item_id))
    );
    assert_eq!(remedy["cost"]["provide"], "goods");
    let there_by = remedy["there_by"].as_str().unwrap();
    let ordered = weight(&remedy["quantity"]);
    assert_eq!(ordered % 250.0, 0.0);
    let words = remedy["words"].as_str().unwrap();
    assert!(
        words.starts_with("order ")
            && words.contains(&format!("to be at North school by {there_by}")),
        "{words}"
    );
    remedy.clone()
}

#[actix_web::test]
async fn too_little_on_the_shelf_holds_a_plan_up_until_an_order_is_entered() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    // no more than the bench can carry
    sqlx::query("update pledge set weekly_milligrams = 80000 where id = $1")
        .bind(garden.pledge_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    let item_id = medium(&api, &garden).await;
    // nobody has ever counted it: no limit, and the plan says so
    let uncounted = plan(&api, plan_input("Not counted")).await;
    let notes = uncounted["result"]["notes"].to_string();
    assert!(
        notes.contains(
            "North school: not counted, and so no limit, since its store has never held any: Medium"
        ),
        "{notes}"
    );
    assert_eq!(uncounted["count_stock"], true);
    let whole = short(&uncounted);

    // enough for one jar, and new medium takes ten weeks
    receive(&api, &garden, &item_id, "100").await;
    let held_up = plan(&api, plan_input("Held up")).await;
    assert!(
        short(&held_up) > whole + 100.0,
        "{}",
        held_up["result"]["summary"]
    );
    reason_is_medium(&api, &held_up).await;
    let remedy = order_that_helps(&garden, &item_id, &held_up);

    // as if everything were at hand; what is to be bought would come too late
    let mut input = plan_input("As if");
    input["count_stock"] = json!(false);
    let as_if = plan(&api, input).await;
    assert_eq!(as_if["count_stock"], false);
    assert!((short(&as_if) - whole).abs() <= 20.0, "{}", short(&as_if));
    let bought = &as_if["result"]["purchases"][0];
    assert_eq!(
        (&bought["name"], &bought["too_late"]),
        (&json!("Medium"), &json!(true))
    );
    let cost = as_if["result"]["purchases_cost_cents"].as_i64().unwrap();
    assert_eq!(cost, 450 * bought["packs"].as_i64().unwrap());

    // with the order entered the plan brings what the remedy told
    let order = json!({
        "stock_item_id": item_id, "site_id": garden.site_id, "amount": remedy["quantity"],
        "expected_on": remedy["there_by"],
    });
    api.post(COORDINATOR, "/stock_orders", order)
        .await
        .expect(201);
    let after = plan(&api, plan_input("Ordered")).await;
    let promised = short(&held_up) - weight(&remedy["less_short"]);
    assert!(promised < (whole + short(&held_up)) / 2.0, "{remedy}");
    assert!(
        short(&after) <= promised + 1.0,
        "{} {promised} {remedy}",
        short(&after)
    );
}

#[actix_web::test]
async fn a_plan_tells_the_shopping_list_of_its_sowings() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = medium(&api, &garden).await;
    let change = json!({
        "name": "Medium", "category": "medium", "dimension": "mass", "pack": grams("250"), "pack_cents": 450,
        "lead_days": 3,
    });
    let path = format!("/stock_items/{item_id}");
    api.put(COORDINATOR, &path, "*", change).await.expect(200);
    receive(&api, &garden, &item_id, "300").await;
    let made = plan(&api, plan_input("Autumn")).await;
    let id = made["id"].as_str().unwrap();
    let list = api
        .get(
            LEAD,
            &format!("/shopping_list?plan_id={id}&site_id={}", garden.site_id),
        )
        .await
        .expect(200)
        .body;
    let bought = &made["result"]["purchases"][0];
    let listed = &list["items"][0];
    for (told, known) in [
        ("short_on", "short_on"),
        ("short", "shortfall"),
        ("packs", "packs"),
        ("quantity", "quantity"),
        ("cost_cents", "cost_cents"),
        ("order_by", "order_by"),
        ("earliest_on", "earliest_on"),
        ("too_late", "too_late"),
    ] {
        assert_eq!(
            bought[told], listed["purchase"][known],
            "{told}: {bought} {listed}"
        );
    }
    assert_eq!(bought["needed"], listed["needed"]);
    let summary = made["result"]["summary"].as_str().unwrap();
    let expected = format!(
        "1 item is to be bought, the first to be ordered by {}, for ",
        bought["order_by"].as_str().unwrap()
    );
    assert!(summary.contains(&expected), "{summary}");

    // who may be counting does not learn what the store holds
    let count = json!({"site_id": garden.site_id});
    api.post(LEAD, "/stock_counts", count).await.expect(201);
    let path = format!("/plans/{id}");
    let hidden = api.get(ELSEWHERE, &path).await.expect(200).body;
    assert_eq!(hidden["result"]["purchases"], json!([]));
    let notes = hidden["result"]["notes"].to_string();
    assert!(
        notes.contains("a stock-taking that hides the ledger is open"),
        "{notes}"
    );
    for who in [LEAD, COORDINATOR] {
        let seen = api.get(who, &path).await.expect(200).body;
        assert_eq!(seen["result"]["purchases"][0], *bought);
    }
}
