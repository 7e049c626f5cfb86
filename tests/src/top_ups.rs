//! Which containers will be low when, and how far they may be filled.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::cuts::{go_to, grams};
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::Api;

/// Four jars of lettuce sown on 1 September at 21 °C, ready on 8 October at the earliest.
pub async fn sow(garden: &Garden, state: &str) -> Uuid {
    let id = Uuid::now_v7();
    sqlx::query(
        "insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, planned_cuts, expected_milligrams, state, sown_on)
         values ($1, $2, $3, $4, $5, 4, '2026-09-01', '2026-11-30', '{2026-10-09,2026-10-23,2026-11-06}', '{240000,180000,120000}', $6,
                 case when $6 <> 'planned' then date '2026-09-01' end)",
    )
    .bind(id)
    .bind(garden.cooperative_id)
    .bind(garden.site_id)
    .bind(garden.station_id)
    .bind(garden.crop_id)
    .bind(state)
    .execute(&garden.pool)
    .await
    .unwrap();
    id
}

async fn member(garden: &Garden) -> Uuid {
    sqlx::query_scalar("select id from member where cooperative_id = $1 order by id limit 1")
        .bind(garden.cooperative_id)
        .fetch_one(&garden.pool)
        .await
        .unwrap()
}

/// A batch of some litres at the site, ready to be used.
async fn batch(garden: &Garden, litres: i64, state: &str) -> Uuid {
    let recipe: Option<Uuid> =
        sqlx::query_scalar("select id from recipe where cooperative_id = $1 limit 1")
            .bind(garden.cooperative_id)
            .fetch_optional(&garden.pool)
            .await
            .unwrap();
    let recipe = match recipe {
        Some(id) => id,
        None => {
            let id = Uuid::now_v7();
            sqlx::query("insert into recipe (id, cooperative_id, name, lines, ph_least_thousandths, ph_most_thousandths, usual)
                         values ($1, $2, 'Leafy', '[]', 5600, 6200, true)")
                .bind(id).bind(garden.cooperative_id)
                .execute(&garden.pool).await.unwrap();
            id
        }
    };
    let id = Uuid::now_v7();
    sqlx::query("insert into batch (id, cooperative_id, site_id, recipe_id, code, microlitres, state, plan, begun_at, begun_by)
                 values ($1, $2, $3, $4, $5, $6, $7, '{}', '2026-09-20T15:00:00Z', $8)")
        .bind(id).bind(garden.cooperative_id).bind(garden.site_id).bind(recipe)
        .bind(format!("B{litres}{state}")).bind(litres * 1_000_000).bind(state).bind(member(garden).await)
        .execute(&garden.pool).await.unwrap();
    id
}

/// An entry of a batch: use for a sowing, use for the station, or what is left.
async fn entry(
    garden: &Garden,
    batch: Uuid,
    kind: &str,
    at: &str,
    litres: f64,
    sowing: Option<Uuid>,
) -> Uuid {
    let id = Uuid::now_v7();
    sqlx::query(
        "insert into batch_entry (id, cooperative_id, batch_id, kind, happened_at, recorded_at, member_id, microlitres, sowing_id, station_id)
         values ($1, $2, $3, $4, $5::text::timestamptz, now(), $6, $7, $8, case when $4 = 'use' and $8 is null then $9 end)",
    )
    .bind(id)
    .bind(garden.cooperative_id)
    .bind(batch)
    .bind(kind)
    .bind(at)
    .bind(member(garden).await)
    .bind((litres * 1_000_000.0) as i64)
    .bind(sowing)
    .bind(garden.station_id)
    .execute(&garden.pool)
    .await
    .unwrap();
    id
}

fn litres(volume: &Value) -> f64 {
    assert_eq!(volume["unit"], "mL");
    let millilitres: f64 = volume["value"].as_str().unwrap().parse().unwrap();
    millilitres / 1000.0
}

fn volume(litres: f64) -> Value {
    json!({"value": litres.to_string(), "unit": "L"})
}

pub async fn top_ups(api: &Api, garden: &Garden, query: &str) -> Value {
    let path = format!("/top_ups?site_id={}{query}", garden.site_id);
    api.get(VOLUNTEER, &path).await.expect(200).body
}

pub async fn read_level(api: &Api, sowing: Uuid, body: Value) {
    let path = format!("/sowings/{sowing}/level_readings");
    api.post(VOLUNTEER, &path, body).await.expect(201);
}

#[actix_web::test]
async fn levels_fall_with_growth_and_readings_correct_them() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let sowing = sow(&garden, "sprouted").await;
    // shortly before the first cut: about 63 g at 15 L/kg of 3.5 L are 0.9 L
    go_to(&api, "2026-10-08T15:00:00Z").await;
    let found = top_ups(&api, &garden, "&mark_permille=900").await;
    assert_eq!(found["today"], "2026-10-08");
    let jar = &found["items"][0];
    let level = litres(&jar["level"]);
    assert!((2.4..2.8).contains(&level), "{level}");
    assert_eq!(litres(&jar["mark"]), 3.15);
    assert_eq!(litres(&jar["end_of_crop"]), 0.35);
    assert_eq!(
        (&jar["low_on"], &jar["top_up_on"], &jar["late"]),
        (&json!("2026-10-08"), &json!("2026-10-08"), &json!(false))
    );
    // nobody looked, so roots are taken to hang in the air
    assert_eq!(jar["limit"]["rule"], "kind_limit");
    assert_eq!(litres(&jar["limit"]["highest"]), 2.5);
    assert!(
        jar["limit"]["source"]
            .as_str()
            .unwrap()
            .contains("648:83-89")
    );
    assert!(jar["limit"]["caution"].as_str().unwrap().contains("2 cm"));

    // nothing is low by the usual mark
    assert_eq!(top_ups(&api, &garden, "").await["items"], json!([]));
    read_level(
        &api,
        sowing,
        json!({"level": volume(0.9), "air_roots": true}),
    )
    .await;
    let found = top_ups(&api, &garden, "").await;
    let jar = &found["items"][0];
    assert_eq!(litres(&jar["level"]), 0.9);
    assert!(jar["low_on"].as_str().unwrap() <= "2026-10-10");
    assert_eq!(litres(&jar["add_in_all"]), 4.0 * litres(&jar["add"]));
    let sum = litres(&jar["level_then"]) + litres(&jar["add"]);
    assert!((sum - 2.5).abs() < 1e-6);
    assert_eq!(found["in_all"], jar["add_in_all"]);
    assert_eq!(found["lacking"], found["in_all"]);

    // a later reading on the same day replaces it
    read_level(
        &api,
        sowing,
        json!({"level": volume(2.0), "note": "read again"}),
    )
    .await;
    assert_eq!(top_ups(&api, &garden, "").await["items"], json!([]));
    let listed = api
        .get(LEAD, &format!("/sowings/{sowing}/level_readings?limit=1"))
        .await
        .expect(200);
    assert_eq!(litres(&listed.body["items"][0]["level"]), 0.9);
    assert!(listed.body["next"].is_string());
    let entries = api.get(COORDINATOR, "/audit_entries").await.expect(200);
    assert!(entries.text.contains("record_level_reading"));
}

#[actix_web::test]
async fn what_was_poured_in_counts_unless_withdrawn() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let sowing = sow(&garden, "sprouted").await;
    let batch = batch(&garden, 20, "in_use").await;
    go_to(&api, "2026-10-08T15:00:00Z").await;
    let level = async || {
        let found = top_ups(&api, &garden, "&mark_permille=900&days=30").await;
        litres(&found["items"][0]["level"])
    };
    let before = level().await;
    // the first filling, on the day of sowing, is in it already
    entry(
        &garden,
        batch,
        "use",
        "2026-09-01T15:00:00Z",
        14.0,
        Some(sowing),
    )
    .await;
    assert_eq!(level().await, before);
    let used = entry(
        &garden,
        batch,
        "use",
        "2026-10-07T15:00:00Z",
        0.8,
        Some(sowing),
    )
    .await;
    assert!((level().await - before - 0.2).abs() < 1e-6);
    entry(&garden, batch, "use", "2026-10-07T16:00:00Z", 0.4, None).await;
    assert!((level().await - before - 0.3).abs() < 1e-6);
    sqlx::query(
        "insert into batch_entry (id, cooperative_id, batch_id, kind, happened_at, recorded_at, member_id, withdraws_id)
         values ($1, $2, $3, 'withdrawn', '2026-10-07T17:00:00Z', now(), $4, $5)",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(batch)
    .bind(member(&garden).await)
    .bind(used)
    .execute(&garden.pool)
    .await
    .unwrap();
    assert!((level().await - before - 0.1).abs() < 1e-6);
}

#[actix_web::test]
async fn the_oldest_batch_with_enough_left_is_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let sowing = sow(&garden, "cutting").await;
    let small = batch(&garden, 3, "ready").await;
    let mixing = batch(&garden, 50, "mixing").await;
    let large = batch(&garden, 20, "in_use").await;
    go_to(&api, "2026-10-08T15:00:00Z").await;
    read_level(&api, sowing, json!({"level": volume(0.5)})).await;
    let found = top_ups(&api, &garden, "").await;
    // 4 jars from half a litre to 2.5 litres
    assert_eq!(litres(&found["in_all"]), 8.0);
    assert_eq!(found["items"][0]["batch_id"], json!(large));
    assert_eq!(litres(&found["lacking"]), 0.0);
    assert!(!found["batches"].to_string().contains(&mixing.to_string()));
    let left = |found: &Value, batch: Uuid| {
        let all = found["batches"].as_array().unwrap().clone();
        let one = all.iter().find(|one| one["batch_id"] == json!(batch));
        one.map(|one| litres(&one["left"]))
    };
    assert_eq!(
        (left(&found, small), left(&found, large)),
        (Some(3.0), Some(20.0))
    );
    // 9 L are found in it, 2 L go out after that
    entry(&garden, large, "use", "2026-10-05T15:00:00Z", 4.0, None).await;
    entry(&garden, large, "left", "2026-10-06T15:00:00Z", 9.0, None).await;
    entry(&garden, large, "discard", "2026-10-07T15:00:00Z", 2.0, None).await;
    let found = top_ups(&api, &garden, "").await;
    assert_eq!(left(&found, large), Some(7.0));
    assert_eq!(found["items"][0]["batch_id"], json!(null));
    assert_eq!(litres(&found["lacking"]), 0.0);
}

#[actix_web::test]
async fn what_runs_low_while_the_site_is_closed_is_topped_up_before() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let sowing = sow(&garden, "sprouted").await;
    go_to(&api, "2026-10-05T15:00:00Z").await;
    read_level(&api, sowing, json!({"level": volume(1.6)})).await;
    let open = top_ups(&api, &garden, "&days=30").await;
    let low_on = open["items"][0]["low_on_at_the_earliest"].clone();
    assert!(
        low_on.as_str().unwrap() > "2026-10-09",
        "{low_on} lies after the week"
    );
    // in the coming three days nothing has to be done
    assert_eq!(top_ups(&api, &garden, "&days=3").await["items"], json!([]));
    let closure = json!({"site_id": garden.site_id, "first_day": "2026-10-08", "last_day": "2026-11-15", "reason": "Roof work"});
    api.post(COORDINATOR, "/closures", closure)
        .await
        .expect(201);
    let closed = top_ups(&api, &garden, "&days=3").await;
    let jar = &closed["items"][0];
    assert_eq!(
        (&jar["top_up_on"], &jar["late"], &jar["closure"]),
        (&json!("2026-10-07"), &json!(false), &json!("Roof work"))
    );
    assert_eq!(jar["low_on_at_the_earliest"], low_on);
    // and when the last open day is over, on the first one after, which is late
    go_to(&api, "2026-10-09T15:00:00Z").await;
    let closed = top_ups(&api, &garden, "&days=60").await;
    let jar = &closed["items"][0];
    assert_eq!(
        (&jar["top_up_on"], &jar["late"]),
        (&json!("2026-11-16"), &json!(true))
    );
}

#[actix_web::test]
async fn filling_past_the_limit_is_answered_with_limit_reason_and_source() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let sowing = sow(&garden, "sprouted").await;
    go_to(&api, "2026-10-08T15:00:00Z").await;
    let check = async |litres: f64| {
        let body = json!({"sowing_id": sowing, "volume": volume(litres)});
        api.post(VOLUNTEER, "/top_ups/checks", body).await
    };
    read_level(
        &api,
        sowing,
        json!({"level": volume(1.0), "air_roots": true}),
    )
    .await;
    // 4 jars from 1 L to the limit of 2.5 L
    let answer = check(6.0).await.expect(200).body;
    assert_eq!(litres(&answer["may_add"]), 1.5);
    assert_eq!(litres(&answer["may_add_in_all"]), 6.0);
    assert_eq!(answer["limit"]["rule"], "kind_limit");
    let refused = check(6.004).await.expect(409);
    assert_eq!(refused.problem(), "past-refill-limit");
    let detail = refused.body["detail"].as_str().unwrap();
    for part in [
        "1501 mL",
        "1000 mL",
        "2500 mL",
        "1500 mL",
        "roots",
        "648:83-89",
    ] {
        assert!(detail.contains(part), "{part}: {detail}");
    }
    // and as figures
    let limit = &refused.body["refill_limit"];
    let figures = ["level", "wanted", "highest", "may_add"].map(|name| litres(&limit[name]));
    assert_eq!(figures, [1.0, 1.501, 2.5, 1.5]);
    assert!(limit["reason"].as_str().unwrap().contains("roots"));
    assert!(limit["source"].as_str().unwrap().contains("648:83-89"));
    // 1 L stands 80 mm deep: 2 cm are 250 mL
    let measured = json!({"level": volume(1.0), "air_roots": true, "depth_millimetres": 80});
    read_level(&api, sowing, measured).await;
    let answer = check(1.0).await.expect(200).body;
    assert_eq!(answer["limit"]["rule"], "rise_of_2_cm");
    assert_eq!(litres(&answer["may_add"]), 0.25);
    let refused = check(1.1).await.expect(409);
    assert!(refused.body["detail"].as_str().unwrap().contains("2 cm"));
    // no roots in the air: up to the fill line
    read_level(
        &api,
        sowing,
        json!({"level": volume(1.0), "air_roots": false}),
    )
    .await;
    assert_eq!(
        check(10.0).await.expect(200).body["limit"]["rule"],
        "fill_line"
    );
    assert_eq!(check(10.1).await.expect(409).problem(), "past-refill-limit");
    for litres in [0.0, -1.0] {
        assert_eq!(check(litres).await.expect(422).pointers(), ["/volume"]);
    }
    let unknown = json!({"sowing_id": Uuid::now_v7(), "volume": volume(1.0)});
    let reply = api.post(VOLUNTEER, "/top_ups/checks", unknown).await;
    assert_eq!(reply.expect(422).pointers(), ["/sowing_id"]);
    let wrong = json!({"sowing_id": sowing, "volume": grams("5")});
    let reply = api.post(VOLUNTEER, "/top_ups/checks", wrong).await;
    assert_eq!(reply.expect(422).pointers(), ["/volume"]);
}

#[actix_web::test]
async fn the_first_filling_goes_to_the_fill_line() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let sowing = sow(&garden, "planned").await;
    go_to(&api, "2026-09-01T15:00:00Z").await;
    let check = async |litres: f64| {
        let body = json!({"sowing_id": sowing, "volume": volume(litres)});
        api.post(LEAD, "/top_ups/checks", body).await
    };
    check(14.0).await.expect(200);
    check(14.1).await.expect(409);
    let batch = batch(&garden, 20, "in_use").await;
    entry(
        &garden,
        batch,
        "use",
        "2026-09-01T14:00:00Z",
        8.0,
        Some(sowing),
    )
    .await;
    check(6.0).await.expect(200);
    check(6.1).await.expect(409);
    let over = sow(&garden, "cleared").await;
    let body = json!({"sowing_id": over, "volume": volume(1.0)});
    let refused = api.post(LEAD, "/top_ups/checks", body).await.expect(409);
    assert_eq!(refused.problem(), "wrong-state");
}

#[actix_web::test]
async fn bad_readings_are_named_and_strangers_kept_out() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let (sowing, planned) = (
        sow(&garden, "sprouted").await,
        sow(&garden, "planned").await,
    );
    go_to(&api, "2026-10-08T15:00:00Z").await;
    let path = format!("/sowings/{sowing}/level_readings");
    for (body, pointer) in [
        (json!({"level": volume(-0.1)}), "/level"),
        (json!({"level": volume(4.1)}), "/level"),
        (json!({"level": grams("100")}), "/level"),
        (
            json!({"level": volume(1.0), "depth_millimetres": 0}),
            "/depth_millimetres",
        ),
        (
            json!({"level": volume(1.0), "depth_millimetres": 2001}),
            "/depth_millimetres",
        ),
        (
            json!({"level": volume(1.0), "read_at": "2026-10-08T16:00:00Z"}),
            "/read_at",
        ),
        (
            json!({"level": volume(1.0), "read_at": "2026-08-31T12:00:00Z"}),
            "/read_at",
        ),
        (
            json!({"level": volume(1.0), "note": "x".repeat(301)}),
            "/note",
        ),
    ] {
        let reply = api.post(LEAD, &path, body.clone()).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{body}");
    }
    let level = json!({"level": volume(1.0)});
    let unsown = format!("/sowings/{planned}/level_readings");
    let refused = api.post(LEAD, &unsown, level.clone()).await.expect(409);
    assert_eq!(refused.problem(), "wrong-state");
    api.post(READER, &path, level.clone()).await.expect(403);
    api.post(ELSEWHERE, &path, level).await.expect(403);
    let site = format!("/top_ups?site_id={}", garden.site_id);
    api.get(ELSEWHERE, &site).await.expect(404);
    api.get(READER, &site).await.expect(403);
    api.get(LEAD, &format!("{site}&days=61")).await.expect(422);
    api.get(LEAD, &format!("{site}&mark_permille=99"))
        .await
        .expect(422);
    let body = json!({"sowing_id": sowing, "volume": volume(1.0)});
    let reply = api.post(ELSEWHERE, "/top_ups/checks", body).await;
    assert_eq!(reply.expect(422).pointers(), ["/sowing_id"]);
    let listed = api.get(LEAD, &path).await.expect(200);
    assert_eq!(listed.body["items"], json!([]));
}

/// Half a litre is read in each of four jars and four litres are poured into them, written down under one
/// time; then the same with the reading made a minute after.
#[actix_web::test]
async fn a_reading_at_the_instant_of_a_pour_is_what_was_read_before_it() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let sowing = sow(&garden, "sprouted").await;
    let batch = batch(&garden, 20, "in_use").await;
    let at = "2026-10-08T15:00:00Z";
    go_to(&api, at).await;
    let level = async || {
        let found = top_ups(&api, &garden, "&mark_permille=900").await;
        litres(&found["items"][0]["level"])
    };
    entry(&garden, batch, "use", at, 4.0, Some(sowing)).await;
    let low = json!({"level": volume(0.5), "air_roots": true, "read_at": at});
    read_level(&api, sowing, low).await;
    assert!((level().await - 1.5).abs() < 1e-6);
    // so much less may be poured in: 2.5 L is the limit
    let check = async |litres: f64| {
        let body = json!({"sowing_id": sowing, "volume": volume(litres)});
        api.post(VOLUNTEER, "/top_ups/checks", body).await
    };
    check(4.0).await.expect(200);
    check(4.01).await.expect(409);
    let later = json!({"level": volume(1.4), "air_roots": true, "read_at": "2026-10-08T15:01:00Z"});
    read_level(&api, sowing, later).await;
    assert!((level().await - 1.4).abs() < 1e-6);
}
