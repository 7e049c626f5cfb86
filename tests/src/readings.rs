//! Readings at stations and in sowings.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::claims::garden;
use crate::garden::{COORDINATOR, ELSEWHERE, LEAD, READER, VOLUNTEER};
use crate::sowings::{read, sow};

#[actix_web::test]
async fn what_a_meter_shows_is_kept_once_and_put_right_by_another() {
    let (api, garden) = garden().await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    let id = Uuid::now_v7();
    let body = json!({
        "id": id, "sowing_id": made.id(), "measured_at": "2026-09-07T11:00:00Z", "ph": 6.137,
        "conductivity": {"value": 1050, "scale": "ppm_700"}, "temperature": {"value": "70", "unit": "[degF]"}
    });
    let mut answers = Vec::new();
    for _ in 0..5 {
        answers.push(
            api.post(VOLUNTEER, "/readings", body.clone())
                .await
                .expect(201)
                .body,
        );
    }
    assert!(answers.iter().all(|answer| *answer == answers[0]));
    // 700 ppm to the mS/cm; 70 °F is 21.1 °C
    assert_eq!(
        json!([
            answers[0]["ph"],
            answers[0]["conductivity_microsiemens_per_cm"],
            answers[0]["temperature"],
            answers[0]["station_id"],
        ]),
        json!([6.14, 1500, {"value": "21.1", "unit": "Cel"}, garden.station_id])
    );
    api.post(LEAD, "/readings", body).await.expect(422);
    let right = json!({"station_id": garden.station_id, "ph": 6.4, "corrects": id});
    let put_right = api
        .post(LEAD, "/readings", right.clone())
        .await
        .expect(201)
        .body;
    assert_eq!(put_right["corrects"], json!(id));
    assert_eq!(
        api.post(LEAD, "/readings", right)
            .await
            .expect(409)
            .problem(),
        "taken"
    );
    for (query, count) in [
        (String::new(), 2),
        (format!("?sowing_id={}", made.id()), 1),
        (format!("?station_id={}", garden.station_id), 2),
    ] {
        let found = api
            .get(VOLUNTEER, &format!("/readings{query}"))
            .await
            .expect(200);
        assert_eq!(
            found.body["items"].as_array().unwrap().len(),
            count,
            "{query}"
        );
    }
    let others = api.get(ELSEWHERE, "/readings").await.expect(200);
    assert_eq!(others.body["items"].as_array().unwrap().len(), 2);
    api.get(READER, "/readings").await.expect(403);
    assert_eq!(read(&api, &made.id()).await["state"], "planned");
}

#[actix_web::test]
async fn what_no_meter_shows_is_refused() {
    let (api, garden) = garden().await;
    let station = garden.station_id;
    let at_bench = |fields: Value| {
        let mut body = json!({"station_id": station});
        body.as_object_mut()
            .unwrap()
            .extend(fields.as_object().unwrap().clone());
        body
    };
    for (body, pointer) in [
        (at_bench(json!({})), "/ph"),
        (at_bench(json!({"ph": 41})), "/ph"),
        (at_bench(json!({"ph": -0.1})), "/ph"),
        (
            at_bench(json!({"temperature": {"value": "5000", "unit": "Cel"}})),
            "/temperature",
        ),
        (
            at_bench(json!({"temperature": {"value": "-1", "unit": "Cel"}})),
            "/temperature",
        ),
        (
            at_bench(json!({"conductivity": {"value": 1500, "scale": "mS/cm"}})),
            "/conductivity/value",
        ),
        (
            at_bench(json!({"conductivity": {"value": 900, "scale": "ppm"}})),
            "/conductivity/scale",
        ),
        (
            at_bench(json!({"ph": 6, "measured_at": "2026-09-07T12:05:01Z"})),
            "/measured_at",
        ),
        (
            at_bench(json!({"ph": 6, "measured_at": "2026-08-31T11:59:59Z"})),
            "/measured_at",
        ),
        (at_bench(json!({"ph": 6, "id": Uuid::nil()})), "/id"),
        (
            at_bench(json!({"ph": 6, "corrects": Uuid::now_v7()})),
            "/corrects",
        ),
        (
            at_bench(json!({"ph": 6, "sowing_id": Uuid::now_v7()})),
            "/sowing_id",
        ),
        (json!({"ph": 6}), "/station_id"),
        (
            json!({"ph": 6, "station_id": Uuid::now_v7()}),
            "/station_id",
        ),
    ] {
        let reply = api
            .post(COORDINATOR, "/readings", body.clone())
            .await
            .expect(422);
        assert_eq!(reply.pointers(), [pointer], "{body}");
    }
    // of another site
    let reply = api
        .post(ELSEWHERE, "/readings", at_bench(json!({"ph": 6})))
        .await;
    assert_eq!(reply.expect(422).pointers(), ["/station_id"]);
    let kept: i64 = sqlx::query_scalar("select count(*) from reading")
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(kept, 0);
}
