//! Closures, container kinds, stations and their outages.

use serde_json::{Value, json};

use crate::garden::{COORDINATOR, Garden, LEAD};
use crate::garden_inputs::{closure, container_kind, items, outage, sow, station};
use crate::support::Api;

#[actix_web::test]
async fn closures_are_found_by_site_and_period() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    api.post(COORDINATOR, "/closures", closure(&garden))
        .await
        .expect(201);
    let mut other = closure(&garden);
    other["site_id"] = json!(garden.other_site_id);
    other["first_day"] = json!("2026-10-12");
    other["last_day"] = json!("2026-10-12");
    api.post(COORDINATOR, "/closures", other).await.expect(201);
    let check = async |query: &str, expect: &[&str]| {
        let found = items(&api, LEAD, &format!("/closures{query}")).await;
        let days: Vec<&str> = found
            .iter()
            .map(|c| c["first_day"].as_str().unwrap())
            .collect();
        assert_eq!(days, expect, "{query}");
    };
    check("", &["2026-12-24", "2026-10-12"]).await;
    check(&format!("?site_id={}", garden.site_id), &["2026-12-24"]).await;
    check("?from=2027-01-02", &["2026-12-24"]).await;
    check("?from=2027-01-03", &[]).await;
    check("?to=2026-12-23", &["2026-10-12"]).await;
    check("?from=2026-10-13&to=2026-12-24", &["2026-12-24"]).await;
    api.get(LEAD, "/closures?from=soon").await.expect(422);
    api.get(LEAD, "/closures?from=%2B262142-12-31")
        .await
        .expect(422);
    // no lead closes a site of another
    let mut elsewhere = closure(&garden);
    elsewhere["site_id"] = json!(garden.other_site_id);
    api.post(LEAD, "/closures", elsewhere).await.expect(403);
}

#[actix_web::test]
async fn a_closure_stays_at_its_site() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = api
        .post(LEAD, "/closures", closure(&garden))
        .await
        .expect(201);
    let mut moved = closure(&garden);
    moved["site_id"] = json!(garden.other_site_id);
    let path = format!("/closures/{}", made.id());
    let reply = api.put(LEAD, &path, "*", moved).await.expect(422);
    assert_eq!(reply.pointers(), ["/site_id"]);
}

#[actix_web::test]
async fn bad_fields_of_closures_and_outages_are_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let outages = format!("/stations/{}/outages", garden.station_id);
    let check = async |list: &str, good: Value, changes: Value, expect: &[&str]| {
        let mut input = good;
        for (field, value) in changes.as_object().unwrap() {
            input[field] = value.clone();
        }
        let reply = api.post(COORDINATOR, list, input).await.expect(422);
        assert_eq!(reply.pointers(), expect, "{list} {changes}");
    };
    for (list, good) in [
        ("/closures", closure(&garden)),
        (outages.as_str(), outage()),
    ] {
        let check = async |changes: Value, expect: &[&str]| {
            check(list, good.clone(), changes, expect).await;
        };
        check(json!({"last_day": "2026-11-01"}), &["/last_day"]).await;
        check(json!({"last_day": "2031-11-01"}), &["/last_day"]).await;
        check(
            json!({"first_day": "1999-12-31", "last_day": "1999-12-31"}),
            &["/first_day", "/last_day"],
        )
        .await;
        check(
            json!({"first_day": "+262142-12-31"}),
            &["/first_day", "/last_day"],
        )
        .await;
        check(json!({"first_day": "2026-02-30"}), &["/first_day"]).await;
        check(json!({"reason": " "}), &["/reason"]).await;
        check(json!({"reason": "x".repeat(301)}), &["/reason"]).await;
        check(json!({"reason": "a\u{0}b"}), &["/reason"]).await;
        check(json!({"reason": null}), &["/reason"]).await;
        check(json!({"colour": 1}), &["/colour"]).await;
    }
    check(
        "/closures",
        closure(&garden),
        json!({"reason": "ü".repeat(250)}),
        &["/reason"],
    )
    .await;
    check(&outages, outage(), json!({"places": 0}), &["/places"]).await;
    check(&outages, outage(), json!({"places": 9}), &["/places"]).await;
    check(&outages, outage(), json!({"places": 1.5}), &["/places"]).await;
}

#[actix_web::test]
async fn volumes_come_in_any_unit_and_go_out_in_millilitres() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let mut input = container_kind("Bucket");
    input["volume"] = json!({"value": "5", "unit": "[gal_us]"});
    input["fill"] = json!({"value": "4.5", "unit": "[gal_us]"});
    input.as_object_mut().unwrap().remove("yield_permille");
    let made = api
        .post(COORDINATOR, "/container_kinds", input)
        .await
        .expect(201);
    // 1 US gallon is 3.785 411 784 L exactly (NIST Handbook 44, Appendix C)
    assert_eq!(
        made.body["volume"],
        json!({"value": "18927.059", "unit": "mL"})
    );
    assert_eq!(
        made.body["fill"],
        json!({"value": "17034.353", "unit": "mL"})
    );
    assert_eq!(made.body["yield_permille"], 1000);
    let caution = made.body["caution"].as_str().unwrap();
    assert!(
        caution.contains("2 cm") && caution.contains("648:83-89, 2004"),
        "{caution}"
    );
    let planted = api
        .get(
            LEAD,
            &format!("/container_kinds/{}", garden.container_kind_id),
        )
        .await;
    assert_eq!(planted.body["caution"], caution);
}

#[actix_web::test]
async fn bad_fields_of_a_container_kind_are_named() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let check = async |changes: Value, expect: &[&str]| {
        let mut input = container_kind("Tub");
        for (field, value) in changes.as_object().unwrap() {
            input[field] = value.clone();
        }
        let reply = api
            .post(COORDINATOR, "/container_kinds", input)
            .await
            .expect(422);
        assert_eq!(reply.pointers(), expect, "{changes}");
    };
    let litres = |value: &str| json!({"value": value, "unit": "L"});
    check(json!({"name": "x".repeat(201)}), &["/name"]).await;
    check(json!({"fill": litres("3.8")}), &["/fill"]).await;
    check(json!({"fill": litres("0")}), &["/fill", "/refill_limit"]).await;
    check(json!({"refill_limit": litres("3.501")}), &["/refill_limit"]).await;
    check(json!({"refill_limit": litres("-0.1")}), &["/refill_limit"]).await;
    check(json!({"volume": litres("1000.1")}), &["/volume"]).await;
    check(
        json!({"volume": {"value": "4", "unit": "kg"}}),
        &["/volume"],
    )
    .await;
    check(json!({"volume": 4}), &["/volume"]).await;
    check(
        json!({"plants_per_container": 0, "yield_permille": 0}),
        &["/plants_per_container", "/yield_permille"],
    )
    .await;
}

#[actix_web::test]
async fn every_week_of_a_station_has_one_environment() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = api
        .post(LEAD, "/stations", station(&garden, "Sill"))
        .await
        .expect(201);
    assert_eq!(
        made.body["environment"],
        station(&garden, "Sill")["environment"]
    );
    let check = async |changes: Value, expect: &[&str]| {
        let mut input = station(&garden, "Rack");
        for (field, value) in changes.as_object().unwrap() {
            if let Some(value) = value.as_object() {
                for (part, value) in value {
                    input[field][0][part] = value.clone();
                }
            } else {
                input[field] = value.clone();
            }
        }
        let reply = api.post(LEAD, "/stations", input).await.expect(422);
        assert_eq!(reply.pointers(), expect, "{changes}");
    };
    check(json!({"environment": []}), &["/environment"]).await;
    check(json!({"environment": {"last_week": 38}}), &["/environment"]).await;
    check(
        json!({"environment": {"last_week": 40}}),
        &["/environment/1/first_week"],
    )
    .await;
    check(
        json!({"environment": {"first_week": 0}}),
        &["/environment/0/first_week"],
    )
    .await;
    check(
        json!({"environment": {"temperature_celsius": 60.5, "daily_light_mol": 80.5}}),
        &[
            "/environment/0/temperature_celsius",
            "/environment/0/daily_light_mol",
        ],
    )
    .await;
    check(
        json!({"environment": {"temperature_celsius": "warm"}}),
        &["/environment/0/temperature_celsius"],
    )
    .await;
    check(json!({"method": "floating"}), &["/method"]).await;
    check(json!({"places": 0, "name": ""}), &["/name", "/places"]).await;
    check(json!({"places": 10001}), &["/places"]).await;
    check(json!({"places": 3_000_000_000_u32}), &["/places"]).await;
}

#[actix_web::test]
async fn a_station_stays_at_its_site() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = api
        .post(LEAD, "/stations", station(&garden, "Sill"))
        .await
        .expect(201);
    // a name may be used at each site
    let mut elsewhere = station(&garden, "Sill");
    elsewhere["site_id"] = json!(garden.other_site_id);
    api.post(LEAD, "/stations", elsewhere.clone())
        .await
        .expect(403);
    api.post(COORDINATOR, "/stations", elsewhere.clone())
        .await
        .expect(201);
    let path = format!("/stations/{}", made.id());
    let moved = api.put(COORDINATOR, &path, "*", elsewhere).await;
    assert_eq!(moved.expect(422).pointers(), ["/site_id"]);
    let found = items(
        &api,
        LEAD,
        &format!("/stations?site_id={}", garden.other_site_id),
    )
    .await;
    assert_eq!(found.len(), 1);
}

#[actix_web::test]
async fn a_station_does_not_shrink_or_go_under_its_sowings() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let path = format!("/stations/{}", garden.station_id);
    let resize = async |places: i32| {
        let mut input = station(&garden, "Bench");
        input["places"] = json!(places);
        api.put(LEAD, &path, "*", input).await
    };
    sow(&garden, 5, "2026-09-01", "2026-11-01", "sown").await;
    let full = resize(4).await.expect(409);
    assert_eq!(full.problem(), "station-full");
    assert!(
        full.body["detail"]
            .as_str()
            .unwrap()
            .starts_with("5 containers in 4 places")
    );
    resize(5).await.expect(200);
    let retired = api.delete(LEAD, &path, "*").await.expect(409);
    assert_eq!(retired.problem(), "in-use");
    sqlx::query("update sowing set state = 'cleared'")
        .execute(&garden.pool)
        .await
        .unwrap();
    // what stood there once is no hindrance
    resize(2).await.expect(200);
    api.delete(LEAD, &path, "*").await.expect(200);
}

#[actix_web::test]
async fn places_out_of_use_and_sowings_share_the_station() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    sow(&garden, 5, "2026-11-05", "2026-12-20", "planned").await;
    let outages = format!("/stations/{}/outages", garden.station_id);
    let mut input = outage();
    let full = api.post(LEAD, &outages, input.clone()).await.expect(409);
    assert_eq!(full.problem(), "station-full");
    input["places"] = json!(3);
    let made = api.post(LEAD, &outages, input.clone()).await.expect(201);
    assert_eq!(made.body["station_id"], json!(garden.station_id));
    // two at the same moment do not take more than there is
    let mut later = outage();
    later["first_day"] = json!("2026-12-01");
    later["last_day"] = json!("2026-12-02");
    later["places"] = json!(2);
    let replies =
        futures::future::join_all((0..4).map(|_| api.post(COORDINATOR, &outages, later.clone())))
            .await;
    let mut statuses: Vec<u16> = replies.iter().map(|r| r.status.as_u16()).collect();
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 409, 409, 409]);
    let path = format!("/outages/{}", made.id());
    input["places"] = json!(4);
    api.put(LEAD, &path, "*", input.clone()).await.expect(409);
    input["last_day"] = json!("2026-11-04");
    api.put(LEAD, &path, "\"v1\"", input).await.expect(200);
    api.delete(LEAD, &path, "*").await.expect(200);
    assert_eq!(items(&api, LEAD, &outages).await.len(), 1);
    // an outage alone does not keep the station from being made smaller
    let mut smaller = station(&garden, "Bench");
    smaller["places"] = json!(7);
    let station_path = format!("/stations/{}", garden.station_id);
    api.put(LEAD, &station_path, "*", smaller.clone())
        .await
        .expect(200);
    smaller["places"] = json!(6);
    let full = api.put(LEAD, &station_path, "*", smaller).await;
    assert_eq!(full.expect(409).problem(), "station-full");
}
