//! Recipes: what they come to in a water, concentrates that stay clear, and grams chosen for a profile.

use cotyl_solution::{
    Conditions, Nutrient, RecipeLine, Solution, dissolve, expectation, grams_per_litre_for,
};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::mixing::{
    Cupboard, HOAGLAND, litres, make, pure, receive, recipe_input, require_cautions, water,
};
use crate::support::Api;

/// mg/L of an element in an answer.
fn holds(composition: &Value, name: &str) -> f64 {
    let all = composition.as_array().unwrap();
    let found = all.iter().find(|item| item["nutrient"] == name).unwrap();
    found["milligrams_per_litre"].as_f64().unwrap()
}

fn lines() -> Vec<(cotyl_solution::Product, f64)> {
    HOAGLAND
        .map(|(_, substance, grams)| (pure(substance), grams.parse().unwrap()))
        .into()
}

fn mixed(water: &Solution) -> Solution {
    let lines = lines();
    let lines: Vec<RecipeLine<'_>> = lines
        .iter()
        .map(|(product, grams_per_litre)| RecipeLine {
            product,
            grams_per_litre: *grams_per_litre,
        })
        .collect();
    dissolve(water, &lines).unwrap()
}

#[actix_web::test]
async fn a_published_recipe_comes_to_its_published_figures() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let path = format!("/recipes/{}", cupboard.recipe);
    let plain = api.get(VOLUNTEER, &path).await.expect(200);
    // printed: Hoagland and Arnon, Circular 347, 1950, solution 1, in whole milligrams and magnesium to a
    // tenth; exact: computed with molmass from IUPAC atomic masses
    for (nutrient, printed, exact) in [
        ("nitrate_nitrogen", 210.0, 210.10),
        ("phosphorus", 31.0, 30.97),
        ("potassium", 235.0, 234.59),
        ("calcium", 200.0, 200.39),
        ("magnesium", 48.6, 48.61),
        ("sulfur", 64.0, 64.13),
    ] {
        let got = holds(&plain.body["composition"], nutrient);
        assert!((got / exact - 1.0).abs() < 0.001, "{nutrient}: {got}");
        assert!((got - printed).abs() < 0.5, "{nutrient}: {got}");
    }
    let phosphorus = plain.body["composition"]
        .as_array()
        .unwrap()
        .iter()
        .find(|item| item["nutrient"] == "phosphorus")
        .unwrap();
    assert_eq!(phosphorus["as_oxide"]["oxide"], "phosphorus_pentoxide");
    // P2O5 = 2.2914 P, computed with molmass
    let oxide = phosphorus["as_oxide"]["milligrams_per_litre"].as_f64();
    assert!((oxide.unwrap() / (30.97 * 2.2914) - 1.0).abs() < 0.001);
    // the amounts come back as they were sent, to the microgram
    assert_eq!(
        plain.body["lines"][0]["per_litre"],
        json!({"value": "0.5055", "unit": "g"})
    );
    require_cautions(
        &plain.body["handling"],
        &["no-dust", "eye-protection-and-gloves"],
    );

    // what the meters should show, in pure and in tap water, against the rules themselves
    let in_tap = api
        .get(LEAD, &format!("{path}?source_water_id={}", cupboard.water))
        .await
        .expect(200);
    for (reply, water) in [(&plain, Solution::WATER), (&in_tap, water())] {
        let expected = expectation(&mixed(&water), Conditions::STANDARD).unwrap();
        let shown = &reply.body["expected"];
        assert!((shown["ph"].as_f64().unwrap() - expected.ph).abs() <= 0.0051);
        let microsiemens = shown["microsiemens_per_cm"].as_f64().unwrap();
        assert!((microsiemens - expected.conductivity.microsiemens_per_cm).abs() <= 0.5);
        assert!(shown["uncertainty_microsiemens_per_cm"].as_f64().unwrap() >= 0.04 * microsiemens);
        assert!(shown["ph_low"].as_f64() < shown["ph"].as_f64());
    }
    let calcium = holds(&in_tap.body["composition"], "calcium");
    assert!((calcium - 260.39).abs() < 0.2, "{calcium}");
    api.get(READER, &path).await.expect(403);
    api.get(LEAD, &format!("{path}?source_water_id={}", Uuid::now_v7()))
        .await
        .expect(422);
}

#[actix_web::test]
async fn a_recipe_is_changed_and_retired_by_coordinators_only() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let path = format!("/recipes/{}", cupboard.recipe);
    let read = api.get(COORDINATOR, &path).await.expect(200);
    let mut input = recipe_input(&cupboard.salts);
    input["usual"] = json!(true);
    for who in [LEAD, VOLUNTEER, READER] {
        api.post(who, "/recipes", input.clone()).await.expect(403);
        api.put(who, &path, "*", input.clone()).await.expect(403);
        api.delete(who, &path, "*").await.expect(403);
    }
    let changed = api
        .put(COORDINATOR, &path, &read.etag(), input.clone())
        .await
        .expect(200);
    assert_eq!(changed.body["usual"], true);
    api.put(COORDINATOR, &path, &read.etag(), input.clone())
        .await
        .expect(412);
    let reply = api.post(COORDINATOR, "/recipes", input.clone()).await;
    assert_eq!(reply.expect(409).problem(), "taken");
    // one recipe is the usual one
    input["name"] = json!("Another");
    let reply = api.post(COORDINATOR, "/recipes", input.clone()).await;
    assert_eq!(reply.expect(409).problem(), "taken");
    let salt = format!("/products/{}", cupboard.salts[0]);
    let reply = api.delete(COORDINATOR, &salt, "*").await;
    assert_eq!(reply.expect(409).problem(), "in-use");
    api.delete(COORDINATOR, &path, &changed.etag())
        .await
        .expect(200);
    let listed = api.get(VOLUNTEER, "/recipes").await.expect(200);
    assert_eq!(listed.body["items"], json!([]));
    api.post(COORDINATOR, "/recipes", input).await.expect(201);
}

#[actix_web::test]
async fn calcium_is_kept_apart_in_concentrates() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let [nitre, calcium, epsom, phosphate] = cupboard.salts[..] else {
        panic!("four salts")
    };
    let with = |name: &str, concentrates: Value| {
        let mut input = recipe_input(&cupboard.salts);
        input["name"] = json!(name);
        input["concentrates"] = concentrates;
        input
    };
    // every extension sheet on stock solutions keeps these apart; common practice, from memory
    for (ids, salt) in [
        (vec![calcium, epsom], "gypsum"),
        (vec![calcium, phosphate], "brushite"),
        (vec![nitre, calcium, epsom, phosphate], "gypsum"),
    ] {
        let concentrates = json!([{"name": "All", "times": 100.0, "product_ids": ids}]);
        let reply = api
            .post(COORDINATOR, "/recipes", with("One bottle", concentrates))
            .await
            .expect(422);
        assert_eq!(reply.pointers(), ["/concentrates/0"]);
        assert_eq!(reply.body["errors"][0]["code"], "settles");
        assert!(reply.text.contains(salt), "{}", reply.text);
    }
    let two = json!([
        {"name": "A", "times": 100.0, "product_ids": [calcium]},
        {"name": "B", "times": 100.0, "product_ids": [nitre, epsom, phosphate]},
    ]);
    let made = api
        .post(COORDINATOR, "/recipes", with("Two bottles", two.clone()))
        .await
        .expect(201);
    let a = &made.body["concentrate_products"][0]["products"][0];
    assert!((a["grams_per_litre"].as_f64().unwrap() - 118.07).abs() < 1e-6);
    // who makes concentrates is trained for it
    assert_eq!(made.body["handling"]["needs_qualification"], "concentrates");
    require_cautions(
        &made.body["handling"],
        &["never-parts-undiluted", "trained-adults-only"],
    );
    for (change, pointer) in [
        (json!({"times": 1.0}), "/concentrates/0/times"),
        (json!({"name": ""}), "/concentrates/0/name"),
        (json!({"product_ids": []}), "/concentrates/0/product_ids"),
        (
            json!({"product_ids": [cupboard.acid]}),
            "/concentrates/0/product_ids/0",
        ),
        (
            json!({"product_ids": [calcium, calcium]}),
            "/concentrates/0/product_ids/1",
        ),
    ] {
        let mut concentrates = two.clone();
        for (name, value) in change.as_object().unwrap() {
            concentrates[0][name] = value.clone();
        }
        let input = with("Third", concentrates);
        let reply = api.post(COORDINATOR, "/recipes", input).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{change}");
    }
}

#[actix_web::test]
async fn every_bad_field_of_a_recipe_is_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let line = |value: &str, unit: &str| json!([{"product_id": cupboard.salts[0], "per_litre": {"value": value, "unit": unit}}]);
    for (field, value, pointer) in [
        ("name", json!(""), "/name"),
        ("ph_least", json!(-5.0), "/ph_least"),
        ("ph_most", json!(41.0), "/ph_most"),
        ("ph_most", json!(5.65), "/ph_most"),
        ("lines", json!([]), "/lines"),
        ("lines", line("0", "g"), "/lines/0/per_litre"),
        ("lines", line("-1", "g"), "/lines/0/per_litre"),
        ("lines", line("1.1", "kg"), "/lines/0/per_litre"),
        ("lines", line("1", "pinch"), "/lines/0/per_litre"),
        ("lines", line("1,5", "g"), "/lines/0/per_litre"),
        // a powder is weighed
        ("lines", line("1", "mL"), "/lines/0/per_litre"),
        ("note", json!("x".repeat(1001)), "/note"),
    ] {
        let mut input = recipe_input(&cupboard.salts);
        input["name"] = json!("Other");
        input[field] = value.clone();
        let reply = api.post(COORDINATOR, "/recipes", input).await.expect(422);
        assert_eq!(
            reply.pointers(),
            [pointer],
            "{field} {value}: {}",
            reply.text
        );
    }
    let mut input = recipe_input(&cupboard.salts);
    input["lines"][1]["product_id"] = json!(cupboard.salts[0]);
    let reply = api.post(COORDINATOR, "/recipes", input.clone()).await;
    assert_eq!(reply.expect(422).pointers(), ["/lines/1/product_id"]);
    input["lines"][1]["product_id"] = json!(Uuid::now_v7());
    let reply = api.post(COORDINATOR, "/recipes", input).await;
    assert_eq!(reply.expect(422).pointers(), ["/lines/1/product_id"]);
}

#[actix_web::test]
async fn grams_are_chosen_from_the_shelf() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let wish = |item: &str, amount: f64| json!({"item": item, "milligrams_per_litre": amount});
    // the published profile: only the published grams give it
    let profile = json!([
        wish("nitrogen", 210.1),
        wish("phosphorus", 30.974),
        wish("potassium", 234.59),
        wish("calcium", 200.39),
        wish("magnesium", 48.61),
        wish("sulfur", 64.12),
    ]);
    let ask = json!({"site_id": garden.site_id, "targets": profile, "volume": litres("100")});
    let path = "/recipes/formulations";
    let found = api.post(LEAD, path, ask.clone()).await.expect(200);
    for (id, (_, _, grams)) in cupboard.salts.iter().zip(HOAGLAND) {
        let all = found.body["products"].as_array().unwrap();
        let chosen = all.iter().find(|p| p["product_id"] == json!(id)).unwrap();
        let got = chosen["grams_per_litre"].as_f64().unwrap();
        let published: f64 = grams.parse().unwrap();
        assert!(
            (got / published - 1.0).abs() < 0.001,
            "{got} for {published}"
        );
    }
    assert!(found.body["deviation"].as_f64().unwrap() < 0.001);
    require_cautions(&found.body["handling"], &["no-dust"]);

    // no more than the shelf holds: 500 g of potassium nitrate do for 100 L but not for 2000 L
    let mut large = ask.clone();
    large["volume"] = litres("2000");
    let short = api.post(LEAD, path, large.clone()).await.expect(200);
    let nitre = short.body["products"]
        .as_array()
        .unwrap()
        .iter()
        .find(|p| p["product_id"] == json!(cupboard.salts[0]));
    assert!(nitre.is_none_or(|p| p["grams"].as_f64().unwrap() <= 500.001));
    assert!(short.body["deviation"].as_f64().unwrap() > 0.05);
    large["within_stock"] = json!(false);
    let free = api.post(LEAD, path, large).await.expect(200);
    assert!(free.body["deviation"].as_f64().unwrap() < 0.001);

    // one product for one nutrient is arithmetic
    let one = json!({
        "site_id": garden.site_id, "targets": [wish("calcium", 150.0)], "product_ids": [cupboard.salts[1]],
        "within_stock": false,
    });
    let reply = api.post(COORDINATOR, path, one).await.expect(200);
    let direct = grams_per_litre_for(&pure(HOAGLAND[1].1), Nutrient::Calcium, 150.0).unwrap();
    let got = reply.body["products"][0]["grams_per_litre"].as_f64();
    assert!((got.unwrap() - direct).abs() < 1e-5);
}

#[actix_web::test]
async fn a_formulation_names_what_is_wrong() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let path = "/recipes/formulations";
    let target = json!([{"item": "nitrogen", "milligrams_per_litre": 150.0}]);
    let ask = json!({"site_id": garden.site_id, "targets": target});
    // nothing is on the shelf yet
    let reply = api.post(COORDINATOR, path, ask.clone()).await.expect(422);
    assert_eq!(reply.pointers(), ["/product_ids"]);
    let input = json!({
        "name": "Urea", "purpose": "fertiliser", "form": "solid", "composition": {"substances": {"urea": 100.0}},
    });
    let urea = make(&api, "/products", input).await;
    receive(&garden, urea, "mass", 1_000_000, None).await;
    let found = api.post(COORDINATOR, path, ask.clone()).await.expect(200);
    assert_eq!(found.body["products"][0]["product_id"], json!(urea));
    api.post(VOLUNTEER, path, ask.clone()).await.expect(403);
    api.post(ELSEWHERE, path, ask.clone()).await.expect(403);
    for (field, value, pointer) in [
        ("site_id", json!(Uuid::now_v7()), "/site_id"),
        ("source_water_id", json!(Uuid::now_v7()), "/source_water_id"),
        ("targets", json!([]), "/targets"),
        (
            "targets",
            json!([{"item": "luck", "milligrams_per_litre": 1.0}]),
            "/targets/0/item",
        ),
        (
            "targets",
            json!([{"item": "nitrogen", "milligrams_per_litre": -1.0}]),
            "/targets/0/milligrams_per_litre",
        ),
        (
            "ceilings",
            json!([{"item": "luck", "most_milligrams_per_litre": 1.0}]),
            "/ceilings/0/item",
        ),
        ("product_ids", json!([Uuid::now_v7()]), "/product_ids/0"),
        ("volume", litres("0"), "/volume"),
    ] {
        let mut input = ask.clone();
        input[field] = value.clone();
        let reply = api.post(COORDINATOR, path, input).await.expect(422);
        assert!(
            reply.pointers().contains(&pointer.to_owned()),
            "{field} {value}: {}",
            reply.text
        );
    }
}
