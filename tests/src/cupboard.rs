//! Items and lots for tests of the cupboard, made through the API.

use serde_json::{Value, json};

use crate::cuts::grams;
use crate::garden::{COORDINATOR, Garden};
use crate::support::{Api, Reply};

/// An item kept by weight, as the API wants it described.
pub fn item_input(name: &str) -> Value {
    json!({"name": name, "category": "medium", "dimension": "mass"})
}

/// An item kept by weight.
pub async fn item(api: &Api, name: &str) -> String {
    api.post(COORDINATOR, "/stock_items", item_input(name))
        .await
        .expect(201)
        .id()
}

/// A lot at the garden's site, as the API wants it described.
pub fn lot_input(garden: &Garden, item_id: &str, code: &str, weight: &str) -> Value {
    json!({"stock_item_id": item_id, "site_id": garden.site_id, "code": code, "amount": grams(weight)})
}

/// Receives a lot; `more` adds to what is told about it.
pub async fn receive(
    api: &Api,
    garden: &Garden,
    item_id: &str,
    code: &str,
    weight: &str,
    more: Value,
) -> String {
    let mut input = lot_input(garden, item_id, code, weight);
    for (name, value) in more.as_object().into_iter().flatten() {
        input[name] = value.clone();
    }
    api.post(COORDINATOR, "/lots", input).await.expect(201).id()
}

/// An issue from the garden's site.
pub fn issue_input(garden: &Garden, item_id: &str, weight: &str) -> Value {
    json!({"kind": "issue", "site_id": garden.site_id, "stock_item_id": item_id, "amount": grams(weight)})
}

/// Codes and amounts of what was recorded.
pub fn taken(reply: &Reply) -> Vec<(String, String)> {
    let movements = reply.body["movements"].as_array().unwrap();
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    movements
        .iter()
        .map(|movement| {
            (
                text(&movement["lot_code"]),
                text(&movement["amount"]["value"]),
            )
        })
        .collect()
}

/// What the store of the garden's site holds of an item, in its usual unit; `0` for nothing.
pub async fn balance(api: &Api, who: &str, garden: &Garden, item_id: &str, at: &str) -> String {
    let reply = api
        .get(
            who,
            &format!(
                "/stock?site_id={}&stock_item_id={item_id}{at}",
                garden.site_id
            ),
        )
        .await
        .expect(200);
    let amount = &reply.body["items"][0]["amount"]["value"];
    amount.as_str().unwrap_or("0").to_owned()
}

/// Every row of the ledger and of the stores, to show that nothing changed.
pub async fn whole_ledger(garden: &Garden) -> Vec<String> {
    sqlx::query_scalar(
        "select to_jsonb(m)::text from movement m union all select to_jsonb(s)::text from store_lot s
         union all select to_jsonb(l)::text from store_line l order by 1",
    )
    .fetch_all(&garden.pool)
    .await
    .unwrap()
}
