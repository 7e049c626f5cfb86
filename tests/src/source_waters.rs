//! Source waters of sites.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::mixing::water_input;
use crate::support::Api;

#[actix_web::test]
async fn a_water_is_described_read_changed_and_retired() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let input = water_input(garden.site_id);
    let made = api
        .post(LEAD, "/source_waters", input.clone())
        .await
        .expect(201);
    let path = format!("/source_waters/{}", made.id());
    // 100.087 g/mol of CaCO3 carries two equivalents; computed with molmass from IUPAC atomic masses
    let alkalinity = &made.body["alkalinity_conversions"];
    let milliequivalents = alkalinity["milliequivalents_per_litre"].as_f64().unwrap();
    assert!((milliequivalents - 180.0 / 50.0435).abs() < 1e-3);
    let hydrogen_carbonate = alkalinity["milligrams_per_litre_as_hydrogen_carbonate"].as_f64();
    assert!((hydrogen_carbonate.unwrap() - milliequivalents * 61.016).abs() < 0.01);
    for who in [COORDINATOR, VOLUNTEER, ELSEWHERE] {
        assert_eq!(api.get(who, &path).await.expect(200).body, made.body);
    }
    api.get(READER, &path).await.expect(403);
    for who in [VOLUNTEER, ELSEWHERE] {
        api.post(who, "/source_waters", input.clone())
            .await
            .expect(403);
        api.put(who, &path, "*", input.clone()).await.expect(403);
        api.delete(who, &path, "*").await.expect(403);
    }
    let mut changed = input.clone();
    changed["alkalinity"] = json!({"value": 3.0, "unit": "milliequivalents_per_litre"});
    let now = api
        .put(LEAD, &path, &made.etag(), changed.clone())
        .await
        .expect(200);
    assert_eq!(now.body["alkalinity"], changed["alkalinity"]);
    api.put(LEAD, &path, &made.etag(), changed.clone())
        .await
        .expect(412);
    changed["site_id"] = json!(garden.other_site_id);
    let reply = api.put(LEAD, &path, "*", changed).await.expect(422);
    assert_eq!(reply.pointers(), ["/site_id"]);
    let reply = api.post(LEAD, "/source_waters", input).await;
    assert_eq!(reply.expect(409).problem(), "taken");
    api.delete(COORDINATOR, &path, &now.etag())
        .await
        .expect(200);
    let site = format!("/source_waters?site_id={}", garden.site_id);
    assert_eq!(api.get(LEAD, &site).await.body["items"], json!([]));
    let all = api.get(LEAD, &format!("{site}&with_retired=true")).await;
    assert_eq!(all.body["items"][0]["id"], made.body["id"]);
}

#[actix_web::test]
async fn every_bad_field_of_a_water_is_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for (field, value, pointer) in [
        ("name", json!(""), "/name"),
        ("site_id", json!(Uuid::now_v7()), "/site_id"),
        ("ph", json!(41.0), "/ph"),
        ("ph", json!("neutral"), "/ph"),
        (
            "alkalinity",
            json!({"value": -1.0, "unit": "milliequivalents_per_litre"}),
            "/alkalinity/value",
        ),
        (
            "alkalinity",
            json!({"value": 9000.0, "unit": "milligrams_per_litre_as_calcium_carbonate"}),
            "/alkalinity/value",
        ),
        (
            "alkalinity",
            json!({"value": 3.0, "unit": "dH"}),
            "/alkalinity/unit",
        ),
        (
            "milligrams_per_litre",
            json!({"hardness": 12.0}),
            "/milligrams_per_litre/hardness",
        ),
        (
            "milligrams_per_litre",
            json!({"calcium": -1.0}),
            "/milligrams_per_litre/calcium",
        ),
        ("analysed_on", json!("0001-01-01"), "/analysed_on"),
    ] {
        let mut input = water_input(garden.site_id);
        input[field] = value.clone();
        let reply = api.post(COORDINATOR, "/source_waters", input).await;
        assert_eq!(reply.expect(422).pointers(), [pointer], "{field} {value}");
    }
    // an acid water has no such alkalinity
    let mut input = water_input(garden.site_id);
    input["ph"] = json!(3.5);
    let reply = api
        .post(COORDINATOR, "/source_waters", input)
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/alkalinity/value"]);
    assert_ne!(reply.body["errors"][0]["detail"], Value::Null);
}
