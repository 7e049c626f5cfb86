//! Crop groups, crops with their growth profile, and the starter set.

use serde_json::{Value, json};

use crate::garden::{COORDINATOR, Garden, LEAD};
use crate::garden_inputs::{crop, items};
use crate::support::Api;

#[actix_web::test]
async fn every_starter_crop_can_be_described_as_it_comes() {
    let api = Api::new().await;
    api.found("Green Jars", COORDINATOR).await;
    let starters = items(&api, COORDINATOR, "/starter_crops").await;
    assert_eq!(starters.len(), cotyl_growth::starter_crops().unwrap().len());
    assert!(
        starters
            .iter()
            .all(|s| s["crop"]["crop_group_id"].is_null())
    );
    for group in ["Salad greens", "Cooking greens", "Herbs"] {
        api.post(COORDINATOR, "/crop_groups", json!({"name": group}))
            .await
            .expect(201);
    }
    for starter in items(&api, COORDINATOR, "/starter_crops").await {
        let sent = &starter["crop"];
        let made = api
            .post(COORDINATOR, "/crops", sent.clone())
            .await
            .expect(201);
        for field in [
            "crop_group_id",
            "name",
            "profile",
            "sources",
            "station_days",
        ] {
            assert_eq!(made.body[field], sent[field], "{field}");
        }
        assert_eq!(made.body["unsourced"], json!([]), "{}", made.text);
        assert_eq!(made.body["warnings"], json!([]), "{}", made.text);
    }
    // the profile is kept as the growth rules have it
    let kept: Vec<(String, Value)> = sqlx::query_as("select name, profile from crop order by id")
        .fetch_all(&crate::garden::system_pool(&api).await)
        .await
        .unwrap();
    for ((name, profile), starter) in kept.into_iter().zip(cotyl_growth::starter_crops().unwrap()) {
        assert_eq!(name, starter.name);
        let profile: cotyl_growth::CropProfile = serde_json::from_value(profile).unwrap();
        assert_eq!(profile, starter.profile);
    }
}

#[actix_web::test]
async fn weights_and_volumes_of_a_profile_come_in_any_unit() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let mut input = crop(&garden, "Chard");
    input["profile"]["cut_weights"] = json!([
        {"value": "0.25", "unit": "[lb_av]"}, {"value": "2", "unit": "[oz_av]"}
    ]);
    input["profile"]["mix_at_sowing"] = json!({"value": "1", "unit": "[gal_us]"});
    let made = api.post(COORDINATOR, "/crops", input).await.expect(201);
    // 1 lb is 453.592 37 g exactly, an ounce a sixteenth of it (NIST Handbook 44, Appendix C)
    assert_eq!(
        made.body["profile"]["cut_weights"],
        json!([{"value": "113.398", "unit": "g"}, {"value": "56.699", "unit": "g"}])
    );
    // 3.785 411 784 L, in whole millilitres
    assert_eq!(
        made.body["profile"]["mix_at_sowing"],
        json!({"value": "3785", "unit": "mL"})
    );
    // the water in a jar does not carry them: 12 L/kg at least, and 3500 ml with one refill
    assert_eq!(made.body["warnings"], json!([]));
    assert_eq!(made.body["unsourced"].as_array().unwrap().len(), 36);
}

#[actix_web::test]
async fn a_profile_beyond_published_ceilings_is_kept_with_warnings() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let mut input = crop(&garden, "Giant");
    input["profile"]["cut_weights"] = json!([{"value": "400", "unit": "g"}]);
    let made = api.post(COORDINATOR, "/crops", input).await.expect(201);
    let warnings = made.body["warnings"].as_array().unwrap();
    assert_eq!(warnings.len(), 2, "{warnings:?}");
    // nine tenths of 3.5 L at 12 L/kg
    assert_eq!(
        warnings[0],
        "the cuts add up to 400 g, but the liquid allows 262 g at 12 L/kg"
    );
    let read = api
        .get(LEAD, &format!("/crops/{}", made.id()))
        .await
        .expect(200);
    assert_eq!(read.body, made.body);
}

#[actix_web::test]
async fn bad_fields_of_a_crop_are_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let check = async |change: &dyn Fn(&mut Value), expect: &[&str]| {
        let mut input = crop(&garden, "Bad");
        change(&mut input);
        let reply = api.post(COORDINATOR, "/crops", input).await.expect(422);
        assert_eq!(reply.pointers(), expect, "{}", reply.text);
    };
    check(&|c| c["name"] = json!(" "), &["/name"]).await;
    check(
        &|c| c["profile"]["maximum_celsius"] = json!(23),
        &["/profile/maximum_celsius", "/profile/maximum_celsius"],
    )
    .await;
    check(&|c| c["profile"]["ph_low"] = json!(2), &["/profile/ph_low"]).await;
    check(
        &|c| c["profile"]["cut_weights"] = json!([]),
        &["/profile/cut_weights"],
    )
    .await;
    check(
        &|c| c["profile"]["cut_weights"][1] = json!({"value": "1", "unit": "L"}),
        &["/profile/cut_weights/1"],
    )
    .await;
    check(
        &|c| c["profile"]["mix_at_cut"] = json!({"value": "-1", "unit": "L"}),
        &["/profile/mix_at_cut"],
    )
    .await;
    check(
        &|c| c["profile"]["seed_per_container"] = json!({"value": "0", "unit": "g"}),
        &["/profile/seed_per_container"],
    )
    .await;
    check(
        &|c| c["profile"]["days_to_first_cut"] = json!(-1),
        &["/profile/days_to_first_cut"],
    )
    .await;
    check(
        &|c| c["profile"]["methods"] = json!(["floating"]),
        &["/profile/methods/0"],
    )
    .await;
    check(
        &|c| c["profile"]["taste"] = json!("good"),
        &["/profile/taste"],
    )
    .await;
}

#[actix_web::test]
async fn bad_sources_and_days_of_a_crop_are_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let check = async |change: &dyn Fn(&mut Value), expect: &[&str]| {
        let mut input = crop(&garden, "Bad");
        change(&mut input);
        let reply = api.post(COORDINATOR, "/crops", input).await.expect(422);
        assert_eq!(reply.pointers(), expect, "{}", reply.text);
    };
    check(
        &|c| c["sources"] = json!({"cut_milligrams": "a", "taste/~": "b"}),
        &["/sources/cut_milligrams", "/sources/taste~1~0"],
    )
    .await;
    check(
        &|c| c["sources"] = json!({"ph_low": " ", "ph_high": "x".repeat(1001)}),
        &["/sources/ph_high", "/sources/ph_low"],
    )
    .await;
    check(
        &|c| c["station_days"][0]["days_to_first_cut"] = json!(731),
        &["/station_days/0/days_to_first_cut"],
    )
    .await;
    check(
        &|c| c["station_days"][0]["days_to_first_cut"] = json!(null),
        &["/station_days/0"],
    )
    .await;
    let twice = |c: &mut Value| {
        let days = c["station_days"][0].clone();
        c["station_days"] = json!([days, days]);
    };
    check(&twice, &["/station_days/1/station_id"]).await;
    let many = |c: &mut Value| {
        let days = c["station_days"][0].clone();
        c["station_days"] = json!(vec![days; 501]);
    };
    check(&many, &["/station_days"]).await;
}

#[actix_web::test]
async fn crops_are_found_by_their_group() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let herbs = api
        .post(COORDINATOR, "/crop_groups", json!({"name": "Herbs"}))
        .await
        .expect(201);
    let mut input = crop(&garden, "Basil");
    input["crop_group_id"] = herbs.body["id"].clone();
    api.post(COORDINATOR, "/crops", input).await.expect(201);
    assert_eq!(items(&api, LEAD, "/crops").await.len(), 2);
    let found = items(&api, LEAD, &format!("/crops?crop_group_id={}", herbs.id())).await;
    assert_eq!(found.len(), 1);
    assert_eq!(found[0]["name"], "Basil");
    let page = api.get(LEAD, "/crops?limit=1").await.expect(200);
    let next = page.body["next"].as_str().unwrap();
    let rest = api
        .get(LEAD, &format!("/crops?limit=1&after={next}"))
        .await
        .expect(200);
    assert_ne!(rest.body["items"][0]["id"], page.body["items"][0]["id"]);
    assert_eq!(rest.body["next"], json!(null));
}
