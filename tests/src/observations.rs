//! What was found of each sowing, and outliers that a coordinator leaves out of learning.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::learning::{figure, learned, number, record, spring};
use crate::support::Api;

async fn observations(api: &Api, garden: &Garden) -> Value {
    let path = format!("/crops/{}/learning/observations", garden.crop_id);
    api.get(LEAD, &path).await.expect(200).body
}

#[actix_web::test]
async fn an_outlier_is_seen_left_out_and_taken_back() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    spring(&garden, 40, 100).await;
    let without = learned(&api, &garden).await;
    // a sowing that took more than twice as long and gave next to nothing
    record(&garden, "2026-05-04", 95, 4).await;
    let with = learned(&api, &garden).await;
    assert!(number(&figure(&with, "days")["value"]) > number(&figure(&without, "days")["value"]));
    assert!(number(&figure(&with, "grams")["value"]) < number(&figure(&without, "grams")["value"]));

    let seen = observations(&api, &garden).await;
    let all = seen["observations"].as_array().unwrap();
    assert_eq!(all.len(), 9);
    let odd = all.iter().find(|o| o["sown_on"] == "2026-05-04").unwrap();
    assert_eq!(number(&odd["days"]["observed"]), 95.0);
    assert_eq!(number(&odd["grams"]["observed"]), 4.0);
    assert_eq!(
        (&odd["station_name"], &odd["containers"]),
        (&json!("Bench"), &json!(1))
    );
    for found in [&odd["days"], &odd["grams"]] {
        let factor = number(&found["observed"]) / number(&found["expected"]);
        assert!((number(&found["factor"]) - factor).abs() < 1e-12);
    }
    assert_eq!(odd["vetoed"], json!([]));

    let vetoes = format!("/crops/{}/learning/vetoes", garden.crop_id);
    let veto = |quantity: &str| json!({"sowing_id": odd["sowing_id"], "quantity": quantity, "reason": "The heating failed"});
    let days = api
        .post(COORDINATOR, &vetoes, veto("days"))
        .await
        .expect(201);
    let twice = api
        .post(COORDINATOR, &vetoes, veto("days"))
        .await
        .expect(409);
    assert_eq!(twice.problem(), "taken");
    let one_left_out = learned(&api, &garden).await;
    assert_eq!(figure(&one_left_out, "days"), figure(&without, "days"));
    assert_eq!(figure(&one_left_out, "grams"), figure(&with, "grams"));
    api.post(COORDINATOR, &vetoes, veto("grams"))
        .await
        .expect(201);
    api.post(COORDINATOR, &vetoes, veto("survival"))
        .await
        .expect(201);
    let left_out = learned(&api, &garden).await;
    assert_eq!(left_out["figures"], without["figures"]);
    let seen = observations(&api, &garden).await;
    let all = seen["observations"].as_array().unwrap();
    let odd_now = all.iter().find(|o| o["sown_on"] == "2026-05-04").unwrap();
    // what was found is still seen
    assert_eq!(odd_now["days"], odd["days"]);
    assert_eq!(odd_now["vetoed"], json!(["days", "grams", "survival"]));

    let path = format!("{vetoes}/{}", days.id());
    api.delete(LEAD, &path, &days.etag()).await.expect(403);
    api.delete(COORDINATOR, &path, "\"v7\"").await.expect(412);
    api.delete(COORDINATOR, &path, &days.etag())
        .await
        .expect(200);
    let back = learned(&api, &garden).await;
    assert_eq!(figure(&back, "days"), figure(&with, "days"));
    assert_eq!(figure(&back, "grams"), figure(&without, "grams"));
    let seen = observations(&api, &garden).await;
    let kept = seen["vetoes"].as_array().unwrap();
    assert_eq!(kept.len(), 3);
    assert!(!kept[0]["retired_at"].is_null());
    // and may be left out again
    api.post(COORDINATOR, &vetoes, veto("days"))
        .await
        .expect(201);
}

#[actix_web::test]
async fn a_veto_names_a_sowing_of_the_crop_and_a_reason() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    record(&garden, "2026-03-02", 40, 100).await;
    let sowing_id = observations(&api, &garden).await["observations"][0]["sowing_id"].clone();
    let vetoes = format!("/crops/{}/learning/vetoes", garden.crop_id);
    let good = json!({"sowing_id": sowing_id, "quantity": "days", "reason": "Heat"});
    for (name, value, pointer) in [
        ("sowing_id", json!(Uuid::now_v7()), "/sowing_id"),
        ("quantity", json!("taste"), "/quantity"),
        ("reason", json!(" "), "/reason"),
    ] {
        let mut body = good.clone();
        body[name] = value;
        let reply = api.post(COORDINATOR, &vetoes, body).await.expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
    for who in [LEAD, VOLUNTEER, READER] {
        api.post(who, &vetoes, good.clone()).await.expect(403);
    }
    let path = format!("/crops/{}/learning/observations", garden.crop_id);
    api.get(VOLUNTEER, &path).await.expect(403);
    let unknown = format!("/crops/{}/learning/observations", Uuid::now_v7());
    api.get(COORDINATOR, &unknown).await.expect(404);
    let veto = api.post(COORDINATOR, &vetoes, good).await.expect(201);
    // of another crop it is not found
    let elsewhere = format!("/crops/{}/learning/vetoes/{}", Uuid::now_v7(), veto.id());
    api.delete(COORDINATOR, &elsewhere, &veto.etag())
        .await
        .expect(404);
}
