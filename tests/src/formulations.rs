//! Grams for a profile: pairs that must not meet in one concentrate, and whole scoops.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, Garden};
use crate::mixing::{Cupboard, litres, make, receive};
use crate::support::{Api, Reply};

const PATH: &str = "/recipes/formulations";

fn wish(item: &str, amount: f64) -> Value {
    json!({"item": item, "milligrams_per_litre": amount})
}

fn chosen(reply: &Reply) -> Vec<Uuid> {
    let products = reply.body["products"].as_array().unwrap();
    products
        .iter()
        .map(|one| one["product_id"].as_str().unwrap().parse().unwrap())
        .collect()
}

/// Pairs of an answer with their reason, each sorted.
fn apart(reply: &Reply) -> Vec<([Uuid; 2], String)> {
    let id = |value: &Value| value.as_str().unwrap().parse::<Uuid>().unwrap();
    let pairs = reply.body["apart"].as_array().unwrap();
    let mut found: Vec<_> = pairs
        .iter()
        .map(|pair| {
            let mut ids = [id(&pair["product_id"]), id(&pair["other_product_id"])];
            ids.sort_unstable();
            (ids, pair["reason"].as_str().unwrap().to_owned())
        })
        .collect();
    found.sort();
    found
}

fn pair(one: Uuid, other: Uuid, reason: &str) -> ([Uuid; 2], String) {
    let mut ids = [one, other];
    ids.sort_unstable();
    (ids, reason.to_owned())
}

/// A hundredfold concentrate of solution 1 holds 0.5 mol/L of calcium beside 0.2 mol/L of sulfate and 0.1 mol/L of
/// phosphate. Gypsum dissolves to about 0.015 mol/L (2.6 g/L, CRC Handbook, from memory), calcium phosphates to less.
#[actix_web::test]
async fn calcium_meets_neither_sulfate_nor_phosphate_in_one_concentrate() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let [_, calcium, epsom, phosphate] = cupboard.salts[..] else {
        panic!("four salts")
    };
    let profile = json!([
        wish("nitrogen", 210.1),
        wish("phosphorus", 30.974),
        wish("potassium", 234.59),
        wish("calcium", 200.39),
        wish("magnesium", 48.61),
        wish("sulfur", 64.12),
    ]);
    let mut ask = json!({"site_id": garden.site_id, "targets": profile, "volume": litres("100")});
    let told = api.post(COORDINATOR, PATH, ask.clone()).await.expect(200);
    assert_eq!(chosen(&told).len(), 4);
    let mut expected = vec![
        pair(calcium, epsom, "settles"),
        pair(calcium, phosphate, "settles"),
    ];
    expected.sort();
    assert_eq!(apart(&told), expected);
    let words = told.body["apart"][0]["detail"].as_str().unwrap();
    assert!(words.contains("concentrate of its own"), "{words}");
    // so thin that it stays clear
    ask["concentrate_times"] = json!(2.0);
    let thin = api.post(COORDINATOR, PATH, ask.clone()).await.expect(200);
    assert_eq!(apart(&thin), []);

    ask["concentrate_times"] = json!(100.0);
    ask["one_concentrate"] = json!(true);
    let one = api.post(COORDINATOR, PATH, ask.clone()).await.expect(200);
    let together = chosen(&one);
    assert!(
        !together.contains(&calcium)
            || !(together.contains(&epsom) || together.contains(&phosphate)),
        "{}",
        one.text
    );
    assert_eq!(apart(&one), expected);
    assert_eq!(one.body["concentrate_fault"], Value::Null);
    assert_eq!(one.body["handling"]["needs_qualification"], "concentrates");
    let deviation = |reply: &Reply| reply.body["deviation"].as_f64().unwrap();
    assert!(deviation(&one) > deviation(&told) + 0.5);
    ask["concentrate_times"] = json!(1.0);
    let reply = api.post(COORDINATOR, PATH, ask).await.expect(422);
    assert_eq!(reply.pointers(), ["/concentrate_times"]);
}

#[actix_web::test]
async fn parts_of_a_set_stay_apart() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let mut ids = Vec::new();
    for (name, part, substance) in [
        ("Bag one", "a", "potassium_nitrate"),
        ("Bag two", "b", "urea"),
    ] {
        let input = json!({
            "name": name, "purpose": "fertiliser", "part": part, "form": "solid",
            "composition": {"substances": {substance: 100.0}},
        });
        let id = make(&api, "/products", input).await;
        receive(&garden, id, "mass", 1_000_000, None).await;
        ids.push(id);
    }
    let targets = json!([wish("nitrogen", 150.0), wish("potassium", 100.0)]);
    let mut ask = json!({"site_id": garden.site_id, "targets": targets});
    let told = api.post(COORDINATOR, PATH, ask.clone()).await.expect(200);
    assert_eq!(chosen(&told).len(), 2);
    let expected = [pair(ids[0], ids[1], "parts")];
    assert_eq!(apart(&told), expected);
    ask["one_concentrate"] = json!(true);
    let one = api.post(COORDINATOR, PATH, ask).await.expect(200);
    assert_eq!(chosen(&one).len(), 1);
    assert_eq!(apart(&one), expected);
}

/// Calcium nitrate tetrahydrate, 236.15 g/mol, holds 40.078 / 236.15 = 16.971 % calcium and 2 x 14.007 / 236.15 =
/// 11.863 % nitrogen. 150 mg/L of calcium in 20 L are 17.677 g, or 3.54 scoops of 5 g. Four are 20 g: 169.7 mg/L, 13.1 %
/// over; three would be 127.3 mg/L, 15.1 % short.
#[actix_web::test]
async fn whole_scoops_and_what_rounding_brings() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let calcium = cupboard.salts[1];
    let mut ask = json!({
        "site_id": garden.site_id, "targets": [wish("calcium", 150.0)], "product_ids": [calcium], "volume": litres("20"),
    });
    let exact = api.post(COORDINATOR, PATH, ask.clone()).await.expect(200);
    assert_eq!(exact.body["scoop_rounding"], Value::Null);
    assert_eq!(exact.body["products"][0]["scoops"], Value::Null);
    let figure = |value: &Value| value.as_f64().unwrap();
    assert!((figure(&exact.body["products"][0]["grams"]) - 17.677).abs() < 0.005);

    // neither the request nor the item says what a scoop weighs
    ask["scoops"] = json!([{"product_id": calcium}]);
    let reply = api.post(COORDINATOR, PATH, ask.clone()).await.expect(422);
    assert_eq!(reply.pointers(), ["/scoops/0/weight"]);
    ask["scoops"] = json!([{"product_id": calcium, "weight": {"value": "5", "unit": "g"}}]);
    let rounded = api.post(COORDINATOR, PATH, ask.clone()).await.expect(200);
    let product = &rounded.body["products"][0];
    assert_eq!(
        (&product["scoops"], &product["grams"]),
        (&json!(4), &json!(20.0))
    );
    let rounding = &rounded.body["scoop_rounding"];
    let of = |item: &str| {
        let all = rounding["nutrients"].as_array().unwrap();
        let found = all.iter().find(|one| one["item"] == item).unwrap();
        [
            "exact_milligrams_per_litre",
            "milligrams_per_litre",
            "deviation_milligrams_per_litre",
        ]
        .map(|name| figure(&found[name]))
    };
    for (item, expected) in [
        ("calcium", [150.0, 169.71, 19.71]),
        ("nitrogen", [104.85, 118.63, 13.78]),
    ] {
        for (got, expected) in of(item).iter().zip(expected) {
            assert!((got - expected).abs() < 0.03, "{item}: {got}, {expected}");
        }
    }
    // conductivity goes with the amount: 13 % more salt, a little less than 13 % more
    let exact_ec = figure(&rounding["exact_microsiemens_per_cm"]);
    let change = figure(&rounding["deviation_microsiemens_per_cm"]) / exact_ec;
    assert!((0.11..0.1315).contains(&change), "{change}");

    // what the item says of its scoop
    sqlx::query("update stock_item set scoop_quantity = 2500 where product_id = $1")
        .bind(calcium)
        .execute(&garden.pool)
        .await
        .unwrap();
    ask["scoops"] = json!([{"product_id": calcium}]);
    let kept = api.post(COORDINATOR, PATH, ask.clone()).await.expect(200);
    let product = &kept.body["products"][0];
    assert_eq!(
        (&product["scoops"], &product["grams"]),
        (&json!(7), &json!(17.5))
    );
    for (scoops, pointer) in [
        (
            json!([{"product_id": Uuid::now_v7()}]),
            "/scoops/0/product_id",
        ),
        (
            json!([{"product_id": calcium}, {"product_id": calcium}]),
            "/scoops/1/product_id",
        ),
        (
            json!([{"product_id": calcium, "weight": {"value": "0", "unit": "g"}}]),
            "/scoops/0/weight",
        ),
        (
            json!([{"product_id": calcium, "weight": {"value": "5", "unit": "mL"}}]),
            "/scoops/0/weight",
        ),
    ] {
        ask["scoops"] = scoops;
        let reply = api.post(COORDINATOR, PATH, ask.clone()).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{}", reply.text);
    }
}
