//! Descriptions of everything in a garden, for tests to vary.

use actix_web::http::Method;
use serde_json::{Value, json};

use crate::garden::Garden;
use crate::support::{Api, Reply};

pub fn closure(garden: &Garden) -> Value {
    json!({
        "site_id": garden.site_id, "first_day": "2026-12-24", "last_day": "2027-01-02",
        "reason": "Winter break"
    })
}

pub fn container_kind(name: &str) -> Value {
    json!({
        "name": name, "volume": {"value": "1", "unit": "[gal_us]"}, "fill": {"value": "3.5", "unit": "L"},
        "refill_limit": {"value": "2500", "unit": "mL"}, "plants_per_container": 1, "yield_permille": 1000
    })
}

pub fn station(garden: &Garden, name: &str) -> Value {
    json!({
        "site_id": garden.site_id, "container_kind_id": garden.container_kind_id, "name": name,
        "method": "aerated", "places": 6,
        "environment": [
            {"first_week": 1, "last_week": 39, "temperature_celsius": 21.5, "daily_light_mol": 15.0},
            {"first_week": 40, "last_week": 53, "temperature_celsius": 18.0, "daily_light_mol": 9.5},
        ]
    })
}

pub fn outage() -> Value {
    json!({"first_day": "2026-11-02", "last_day": "2026-11-08", "places": 4, "reason": "New lamp"})
}

pub fn crop(garden: &Garden, name: &str) -> Value {
    json!({
        "crop_group_id": garden.crop_group_id, "name": name, "profile": profile(),
        "sources": {"cut_weights": "own record of 2025"},
        "station_days": [
            {"station_id": garden.station_id, "days_to_first_cut": 38, "days_to_regrow": null}
        ]
    })
}

pub fn profile() -> Value {
    json!({
        "methods": ["passive", "aerated"],
        "cut_weights": [{"value": "70", "unit": "g"}, {"value": "50", "unit": "g"}],
        "base_celsius": 4.0, "optimum_low_celsius": 20.0, "optimum_high_celsius": 24.0,
        "maximum_celsius": 32.0, "suitable_minimum_celsius": 8.0, "suitable_maximum_celsius": 27.0,
        "heat_limit_celsius": 24.0, "heat_days_tolerated": 5,
        "light_minimum_mol": 6.0, "light_reference_mol": 17.0, "light_exponent": 0.5,
        "days_to_first_cut": 35, "days_to_regrow": 12, "hold_days": 7, "hold_loss_permille_per_day": 15,
        "germination_permille": 800, "seeds_per_plant": 2,
        "emergence_base_celsius": 2.8, "emergence_optimum_low_celsius": 25.0,
        "emergence_optimum_high_celsius": 28.0, "emergence_maximum_celsius": 35.0,
        "emergence_days_at_reference": 2.1,
        "yield_variation_permille": 300, "seed_per_container": {"value": "3", "unit": "mg"},
        "cleaning_days": 1, "smallest_sowing": 4,
        "sow_minutes_tenths": 25, "cut_minutes_tenths": 15, "clean_minutes_tenths": 20,
        "mix_at_sowing": {"value": "3500", "unit": "mL"}, "mix_at_cut": {"value": "350", "unit": "mL"},
        "ph_low": 5.6, "ph_high": 6.0,
        "ec_low_microsiemens_per_cm": 1200, "ec_high_microsiemens_per_cm": 1800
    })
}

pub fn recipient(name: &str) -> Value {
    json!({
        "name": name, "kind": "kitchen", "contact": "Ring at the yard door",
        "delivery_weekdays": ["wednesday", "friday"], "keep_days": 2
    })
}

pub fn pledge(garden: &Garden) -> Value {
    json!({
        "recipient_id": garden.recipient_id, "crop_id": garden.crop_id, "crop_group_id": null,
        "weekly": {"value": "1.5", "unit": "[lb_av]"},
        "first_week": "2026-W40", "last_week": "2026-W50", "priority": 2
    })
}

/// Address of the list, address of single records, a description under a name.
pub fn nouns(garden: &Garden, name: &str) -> Vec<(String, &'static str, Value)> {
    let outages = format!("/stations/{}/outages", garden.station_id);
    vec![
        ("/closures".to_owned(), "/closures", closure(garden)),
        (
            "/container_kinds".to_owned(),
            "/container_kinds",
            container_kind(name),
        ),
        ("/stations".to_owned(), "/stations", station(garden, name)),
        (outages, "/outages", outage()),
        (
            "/crop_groups".to_owned(),
            "/crop_groups",
            json!({"name": name}),
        ),
        ("/crops".to_owned(), "/crops", crop(garden, name)),
        ("/recipients".to_owned(), "/recipients", recipient(name)),
        ("/pledges".to_owned(), "/pledges", pledge(garden)),
    ]
}

/// Puts a sowing of the garden's crop straight into the database.
pub async fn sow(garden: &Garden, containers: i32, sow_on: &str, free_on: &str, state: &str) {
    sqlx::query("insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, state)
                 values ($1, $2, $3, $4, $5, $6, $7::text::date, $8::text::date, $9)")
        .bind(uuid::Uuid::now_v7()).bind(garden.cooperative_id).bind(garden.site_id)
        .bind(garden.station_id).bind(garden.crop_id)
        .bind(containers).bind(sow_on).bind(free_on).bind(state)
        .execute(&garden.pool).await.unwrap();
}

/// Sends a CSV file.
pub async fn import(api: &Api, who: &str, path: &str, file: impl Into<Vec<u8>>) -> Reply {
    api.send(
        api.request(who, Method::POST, path)
            .insert_header(("content-type", "text/csv; charset=utf-8"))
            .set_payload(file.into()),
    )
    .await
}

/// The records of a list.
pub async fn items(api: &Api, who: &str, path: &str) -> Vec<Value> {
    let reply = api.get(who, path).await.expect(200);
    reply.body["items"].as_array().unwrap().clone()
}
