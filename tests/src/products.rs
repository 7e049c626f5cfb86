//! Products: by label or by substance, with what follows for whoever handles them.

use serde_json::{Value, json};

use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::mixing::{acid_input, receive, require_cautions};
use crate::support::Api;

fn label() -> Value {
    json!({
        "name": "Base 5-11-26", "purpose": "fertiliser", "part": "a", "form": "solid",
        "composition": {"analysis": {"basis": "mass", "percent": {
            "nitrate_nitrogen": 5.0, "phosphorus_pentoxide": 11.0, "potassium_oxide": 26.0, "magnesium": 3.1, "sulfur": 4.0, "iron": 0.3,
        }}},
    })
}

#[actix_web::test]
async fn a_product_is_described_read_changed_and_retired() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = api
        .post(COORDINATOR, "/products", label())
        .await
        .expect(201);
    let path = format!("/products/{}", made.id());
    assert_eq!(made.headers["location"], format!("/api/v1{path}"));
    let brings = |name: &str| {
        let all = made.body["gram_per_litre"].as_array().unwrap();
        let found = all.iter().find(|item| item["nutrient"] == name).unwrap();
        found["milligrams_per_litre"].as_f64().unwrap()
    };
    // P = 0.4364 P2O5 and K = 0.8301 K2O, computed with molmass from IUPAC atomic masses
    assert!((brings("phosphorus") / (110.0 * 0.4364) - 1.0).abs() < 2e-4);
    assert!((brings("potassium") / (260.0 * 0.8301) - 1.0).abs() < 2e-4);
    assert!((brings("nitrate_nitrogen") - 50.0).abs() < 1e-9);
    require_cautions(
        &made.body["handling"],
        &["no-dust", "store-locked-and-apart"],
    );
    assert_eq!(made.body["handling"]["needs_qualification"], Value::Null);
    for who in [COORDINATOR, LEAD, VOLUNTEER] {
        assert_eq!(api.get(who, &path).await.expect(200).body, made.body);
    }
    api.get(READER, &path).await.expect(403);
    for who in [LEAD, VOLUNTEER, READER] {
        api.post(who, "/products", label()).await.expect(403);
        api.put(who, &path, "*", label()).await.expect(403);
        api.delete(who, &path, "*").await.expect(403);
    }
    let mut changed = label();
    changed["hazard_statements"] = json!(["H318"]);
    let now = api
        .put(COORDINATOR, &path, &made.etag(), changed.clone())
        .await
        .expect(200);
    assert_eq!(now.body["handling"]["hazards"][0]["code"], "H318");
    assert_eq!(
        now.body["handling"]["hazards"][0]["source"],
        "label of the product"
    );
    // a grave label makes it one for trained members, whatever its analysis
    assert_eq!(now.body["handling"]["needs_qualification"], "concentrates");
    api.put(COORDINATOR, &path, &made.etag(), changed.clone())
        .await
        .expect(412);
    changed["form"] = json!("liquid");
    changed["density_milligrams_per_millilitre"] = json!(1100);
    let reply = api.put(COORDINATOR, &path, "*", changed).await.expect(422);
    assert_eq!(reply.pointers(), ["/form"]);
    let reply = api.post(COORDINATOR, "/products", label()).await;
    assert_eq!(reply.expect(409).problem(), "taken");
    receive(&garden, made.id().parse().unwrap(), "mass", 1000, None).await;
    let reply = api.delete(COORDINATOR, &path, "*").await;
    assert_eq!(reply.expect(409).problem(), "in-use");
    sqlx::query("update stock_item set retired_at = now()")
        .execute(&garden.pool)
        .await
        .unwrap();
    let adjuster = json!({"name": "Shelf", "category": "adjuster", "dimension": "mass", "product_id": made.id()});
    let reply = api.post(COORDINATOR, "/stock_items", adjuster).await;
    assert_eq!(reply.expect(422).pointers(), ["/product_id"]);
    let gone = api.delete(COORDINATOR, &path, "*").await.expect(200);
    let item = json!({"name": "Shelf", "category": "fertiliser", "dimension": "mass", "product_id": made.id()});
    let reply = api
        .post(COORDINATOR, "/stock_items", item)
        .await
        .expect(422);
    assert_eq!(reply.body["errors"][0]["code"], "retired");
    assert_ne!(gone.body["retired_at"], Value::Null);
    let listed = api.get(LEAD, "/products").await.expect(200);
    assert_eq!(listed.body["items"], json!([]));
    let audited: i64 =
        sqlx::query_scalar("select count(*) from audit_entry where noun = 'product'")
            .fetch_one(&garden.pool)
            .await
            .unwrap();
    assert_eq!(audited, 3);
}

#[actix_web::test]
async fn an_acid_carries_its_hazards() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let made = api
        .post(COORDINATOR, "/products", acid_input())
        .await
        .expect(201);
    let handling = &made.body["handling"];
    assert_eq!(handling["needs_qualification"], "concentrates");
    let codes: Vec<&str> = handling["hazards"]
        .as_array()
        .unwrap()
        .iter()
        .map(|hazard| hazard["code"].as_str().unwrap())
        .collect();
    // Annex VI to Regulation (EC) 1272/2008: nitric acid is corrosive from 5 %, from memory
    assert_eq!(codes, ["H290", "H314"]);
    require_cautions(
        handling,
        &[
            "concentrate-into-water",
            "never-acid-with-base",
            "eye-protection-and-gloves",
            "trained-adults-only",
            "not-for-drinking",
        ],
    );
    let listed = api.get(VOLUNTEER, "/products?purpose=acid").await;
    assert_eq!(listed.expect(200).body["items"], json!([made.body]));
    let none = api.get(VOLUNTEER, "/products?purpose=base").await;
    assert_eq!(none.expect(200).body["items"], json!([]));
}

#[actix_web::test]
async fn every_bad_field_of_a_product_is_named() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let analysis = |percent: Value| json!({"analysis": {"basis": "mass", "percent": percent}});
    let of_label = "/composition/analysis/percent";
    for (field, value, pointer) in [
        ("name", json!(" "), "/name".to_owned()),
        ("purpose", json!("tonic"), "/purpose".into()),
        // a label never says how acid a product is
        ("purpose", json!("acid"), "/purpose".into()),
        ("part", json!("d"), "/part".into()),
        (
            "form",
            json!("liquid"),
            "/density_milligrams_per_millilitre".into(),
        ),
        (
            "density_milligrams_per_millilitre",
            json!(1100),
            "/density_milligrams_per_millilitre".into(),
        ),
        (
            "hazard_statements",
            json!(["danger"]),
            "/hazard_statements/0".into(),
        ),
        (
            "most_per_litre",
            json!({"value": "0", "unit": "g"}),
            "/most_per_litre".into(),
        ),
        (
            "most_per_litre",
            json!({"value": "1", "unit": "mL"}),
            "/most_per_litre".into(),
        ),
        ("composition", analysis(json!({})), of_label.into()),
        (
            "composition",
            analysis(json!({"potash": 5})),
            format!("{of_label}/potash"),
        ),
        (
            "composition",
            analysis(json!({"potassium": -5})),
            format!("{of_label}/potassium"),
        ),
        (
            "composition",
            analysis(json!({"calcium": 60, "magnesium": 50})),
            of_label.into(),
        ),
        (
            "composition",
            analysis(json!({"sulfur": 5, "sulfate": 15})),
            format!("{of_label}/sulfur"),
        ),
        (
            "composition",
            json!({"analysis": {"basis": "volume", "percent": {"potassium": 5}}}),
            "/composition/analysis/basis".into(),
        ),
        (
            "composition",
            json!({"substances": {"vinegar": 5}}),
            "/composition/substances/vinegar".into(),
        ),
        (
            "composition",
            json!({"substances": {"acetic_acid": 0}}),
            "/composition/substances/acetic_acid".into(),
        ),
        (
            "composition",
            json!({"substances": {"borax": 70, "boric_acid": 70}}),
            "/composition/substances".into(),
        ),
        (
            "composition",
            json!({"substances": {}}),
            "/composition/substances".into(),
        ),
        ("colour", json!("blue"), "/colour".into()),
    ] {
        let mut input = label();
        input[field] = value.clone();
        let reply = api.post(COORDINATOR, "/products", input).await.expect(422);
        assert_eq!(
            reply.pointers(),
            [pointer],
            "{field} {value}: {}",
            reply.text
        );
        let detail = reply.body["errors"][0]["detail"].as_str().unwrap();
        assert!(detail.len() > 10, "{detail}");
    }
    // the wrong kind of adjuster
    let mut input = acid_input();
    input["purpose"] = json!("base");
    let reply = api.post(COORDINATOR, "/products", input).await.expect(422);
    assert_eq!(reply.pointers(), ["/purpose"]);
    let listed = api.get(COORDINATOR, "/products").await.expect(200);
    assert_eq!(listed.body["items"], json!([]));
}
