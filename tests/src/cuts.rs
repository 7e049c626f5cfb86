//! Cuts: weights that are recorded at the bench and corrected by entries.

use actix_web::http::Method;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use futures::future::join_all;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, PASSWORD};

/// What a sowing for tests is like; sown on 1 September 2026.
pub struct TestSowing {
    pub state: &'static str,
    pub planned_cuts: Vec<(&'static str, i64)>,
}

impl Default for TestSowing {
    fn default() -> Self {
        Self {
            state: "sprouted",
            planned_cuts: vec![("2026-10-05", 400_000), ("2026-10-26", 300_000)],
        }
    }
}

/// A sowing of two containers at the bench, put straight into the database with its first entry.
pub async fn sow(garden: &Garden, sowing: TestSowing) -> Uuid {
    sow_crop(garden, garden.crop_id, sowing).await
}

/// The same with another crop.
pub async fn sow_crop(garden: &Garden, crop_id: Uuid, sowing: TestSowing) -> Uuid {
    let id = Uuid::now_v7();
    let day = |text: &str| text.parse::<NaiveDate>().unwrap();
    let days: Vec<NaiveDate> = sowing.planned_cuts.iter().map(|(on, _)| day(on)).collect();
    let weights: Vec<i64> = sowing.planned_cuts.iter().map(|(_, mg)| *mg).collect();
    let (sow_on, free_on) = (day("2026-09-01"), day("2027-01-31"));
    let sown_on = (sowing.state != "planned").then_some(sow_on);
    sqlx::query(
        "insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, planned_cuts, expected_milligrams, state, sown_on)
         values ($1, $2, $3, $4, $5, 2, $6, $7, $8, $9, $10, $11)",
    )
    .bind(id)
    .bind(garden.cooperative_id)
    .bind(garden.site_id)
    .bind(garden.station_id)
    .bind(crop_id)
    .bind(sow_on)
    .bind(free_on)
    .bind(&days)
    .bind(weights)
    .bind(sowing.state)
    .bind(sown_on)
    .execute(&garden.pool)
    .await
    .unwrap();
    sqlx::query(
        "insert into sowing_event (id, cooperative_id, sowing_id, kind, happened_on, recorded_at, member_id, detail)
         select $1, $2, $3, 'planned', $4, '2026-09-01T12:00:00Z', id, $5 from member where cooperative_id = $2 and email = $6",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(id)
    .bind(sow_on)
    .bind(json!({"sow_on": sow_on, "free_on": free_on, "planned_cuts": days}))
    .bind(COORDINATOR)
    .execute(&garden.pool)
    .await
    .unwrap();
    id
}

/// Moves the clock and signs everyone in again, since access tokens are short-lived.
pub async fn go_to(api: &Api, instant: &str) {
    api.bed.clock.set(instant.parse::<DateTime<Utc>>().unwrap());
    for who in [COORDINATOR, LEAD, VOLUNTEER, READER, ELSEWHERE] {
        api.sign_in(who, PASSWORD).await.expect(201);
    }
}

pub fn grams(value: &str) -> Value {
    json!({"value": value, "unit": "g"})
}

pub fn cut_input(sowing_id: Uuid, weight: &str) -> Value {
    json!({"sowing_id": sowing_id, "weight": grams(weight), "quality": "good"})
}

#[actix_web::test]
async fn a_cut_is_weighed_read_and_corrected() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    go_to(&api, "2026-10-05T15:00:00Z").await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let made = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "412.5"))
        .await
        .expect(201);
    let path = format!("/cuts/{}", made.id());
    assert_eq!(made.headers["location"], format!("/api/v1{path}"));
    assert_eq!(made.body["number"], 1);
    assert_eq!(made.body["cut_on"], "2026-10-05");
    assert_eq!(made.body["station_name"], "Bench");
    let code = made.body["tray_code"].as_str().unwrap();
    assert!(code.starts_with("261005-") && code.len() == 11, "{code}");
    let cautions = made.body["cautions"].to_string();
    assert!(cautions.contains("5 °C (41 °F)") && cautions.contains("local authority"));
    assert_eq!(api.get(LEAD, &path).await.expect(200).body, made.body);

    // one more tray of the same cut, then the next cut
    let tray = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "80"))
        .await
        .expect(201);
    assert_eq!(tray.body["number"], 1);
    assert_ne!(tray.body["tray_code"], made.body["tray_code"]);
    go_to(&api, "2026-10-26T15:00:00Z").await;
    let next = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "300"))
        .await
        .expect(201);
    assert_eq!(next.body["number"], 2);

    let state: String = sqlx::query_scalar("select state from sowing where id = $1")
        .bind(sowing_id)
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(state, "cutting");
    let events: i64 = sqlx::query_scalar(
        "select count(*) from sowing_event where sowing_id = $1 and kind = 'cut'",
    )
    .bind(sowing_id)
    .fetch_one(&garden.pool)
    .await
    .unwrap();
    assert_eq!(events, 3);

    let corrections = format!("{path}/corrections");
    let by = json!({"change": grams("-12.5"), "reason": "The tray was weighed with it"});
    let corrected = api.post(LEAD, &corrections, by).await.expect(201);
    assert_eq!(corrected.body["weight"], grams("400"));
    assert_eq!(corrected.body["first_weight"], grams("412.5"));
    let to = json!({"weight": {"value": "1", "unit": "[lb_av]"}, "reason": "Read in pounds"});
    let corrected = api.post(LEAD, &corrections, to).await.expect(201);
    // 1 lb = 453.592 37 g, NIST Handbook 44, Appendix C: rounded half-even to whole milligrams
    assert_eq!(corrected.body["weight"], grams("453.592"));
    assert_eq!(corrected.body["left"], grams("453.592"));
    assert_eq!(corrected.body["corrections"][1]["change"], grams("53.592"));
    assert_eq!(
        corrected.body["corrections"][0]["reason"],
        "The tray was weighed with it"
    );
    assert_ne!(corrected.etag(), made.etag());
}

#[actix_web::test]
async fn lists_are_filtered_and_paged() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    go_to(&api, "2026-10-07T15:00:00Z").await;
    let (first, second) = (
        sow(&garden, TestSowing::default()).await,
        sow(&garden, TestSowing::default()).await,
    );
    let mut made = Vec::new();
    for (sowing_id, day) in [
        (first, "2026-10-05"),
        (second, "2026-10-06"),
        (first, "2026-10-07"),
    ] {
        let mut input = cut_input(sowing_id, "100");
        input["cut_on"] = json!(day);
        made.push(api.post(LEAD, "/cuts", input).await.expect(201).id());
    }
    let ids = async |who: &str, query: String| -> Vec<String> {
        let reply = api.get(who, &format!("/cuts{query}")).await.expect(200);
        reply.body["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|cut| cut["id"].as_str().unwrap().to_owned())
            .collect()
    };
    assert_eq!(ids(VOLUNTEER, String::new()).await, made);
    assert_eq!(
        ids(LEAD, format!("?sowing_id={first}")).await,
        [made[0].clone(), made[2].clone()]
    );
    assert_eq!(
        ids(LEAD, "?from=2026-10-06&to=2026-10-06".into()).await,
        made[1..2]
    );
    assert_eq!(
        ids(COORDINATOR, format!("?site_id={}", garden.other_site_id)).await,
        [""; 0]
    );
    // another site's people see none of them
    assert_eq!(ids(ELSEWHERE, String::new()).await, [""; 0]);
    let page = api.get(LEAD, "/cuts?limit=2").await.expect(200);
    let next = page.body["next"].as_str().unwrap();
    assert_eq!(ids(LEAD, format!("?after={next}")).await, made[2..]);
    for (query, pointer) in [
        ("from=yesterday", ""),
        ("colour=red", ""),
        ("limit=0", "limit"),
    ] {
        let reply = api.get(LEAD, &format!("/cuts?{query}")).await.expect(422);
        if !pointer.is_empty() {
            assert_eq!(reply.pointers(), [pointer]);
        }
    }
}

#[actix_web::test]
async fn every_bad_field_of_a_cut_is_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    go_to(&api, "2026-10-05T15:00:00Z").await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let other = sow(&garden, TestSowing::default()).await;
    let task = |kind: &'static str, number: i32, of: Uuid| {
        let garden = &garden;
        async move {
            let id = Uuid::now_v7();
            sqlx::query(
                "insert into task (id, cooperative_id, site_id, kind, occasion, sowing_id, cut_number, day, opens_at, due_at, minutes)
                 values ($1, $2, $3, $4, $1::text, $5, $6, '2026-10-05', '2026-10-05T12:00:00Z', '2026-10-05T20:00:00Z', 10)",
            )
            .bind(id).bind(garden.cooperative_id).bind(garden.site_id).bind(kind).bind(of).bind(number)
            .execute(&garden.pool).await.unwrap();
            id
        }
    };
    let (cut_task, clear_task) = (
        task("cut", 1, sowing_id).await,
        task("clear_and_clean", 0, sowing_id).await,
    );
    let other_task = task("cut", 1, other).await;
    let cases = [
        (json!({"weight": grams("0")}), "/weight"),
        (json!({"weight": grams("-1"), "quality": "poor"}), "/weight"),
        (
            json!({"weight": {"value": "1000000.000001", "unit": "kg"}}),
            "/weight",
        ),
        (json!({"weight": {"value": "1", "unit": "L"}}), "/weight"),
        (json!({"weight": {"value": "1,5", "unit": "kg"}}), "/weight"),
        (json!({"quality": "splendid"}), "/quality"),
        (json!({"cut_on": "2026-10-06"}), "/cut_on"),
        (json!({"cut_on": "2026-08-31"}), "/cut_on"),
        (json!({"cut_on": "5 October"}), "/cut_on"),
        (json!({"number": 0}), "/number"),
        (json!({"number": 2}), "/number"),
        (json!({"tray_code": " "}), "/tray_code"),
        (json!({"tray_code": "x".repeat(41)}), "/tray_code"),
        (json!({"sowing_id": Uuid::now_v7()}), "/sowing_id"),
        (json!({"task_id": Uuid::now_v7()}), "/task_id"),
        (json!({"task_id": clear_task}), "/task_id"),
        (json!({"task_id": other_task}), "/task_id"),
        (json!({"task_id": cut_task, "number": 2}), "/number"),
        (json!({"colour": "green"}), "/colour"),
    ];
    for (change, pointer) in cases {
        let mut input = cut_input(sowing_id, "100");
        for (name, value) in change.as_object().unwrap() {
            input[name] = value.clone();
        }
        let reply = api.post(LEAD, "/cuts", input).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{change}");
    }
    assert_eq!(api.get(LEAD, "/cuts").await.body["items"], json!([]));

    // nothing fit to keep is still a cut
    let mut input = cut_input(sowing_id, "0");
    input["quality"] = json!("poor");
    input["task_id"] = json!(cut_task);
    input["tray_code"] = json!(" A 1 ");
    let made = api.post(LEAD, "/cuts", input.clone()).await.expect(201);
    assert_eq!(made.body["tray_code"], "A 1");
    let taken = api.post(LEAD, "/cuts", input).await.expect(409);
    assert_eq!(taken.problem(), "taken");

    let path = format!("/cuts/{}/corrections", made.id());
    for (body, pointer) in [
        (json!({"weight": grams("0"), "reason": "again"}), "/weight"),
        (json!({"weight": grams("-1"), "reason": "less"}), "/weight"),
        (json!({"change": grams("-1"), "reason": "less"}), "/change"),
        (json!({"change": grams("0"), "reason": "none"}), "/change"),
        (
            json!({"change": grams("9223372036854775"), "reason": "much"}),
            "/change",
        ),
        (json!({"weight": grams("5"), "reason": " "}), "/reason"),
        (json!({"reason": "no weight"}), "/weight"),
        (
            json!({"weight": grams("5"), "change": grams("5"), "reason": "both"}),
            "/weight",
        ),
    ] {
        let reply = api.post(LEAD, &path, body.clone()).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{body}");
    }
}

#[actix_web::test]
async fn only_a_standing_sowing_is_cut() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    go_to(&api, "2026-10-05T15:00:00Z").await;
    let planned = sow(
        &garden,
        TestSowing {
            state: "planned",
            ..TestSowing::default()
        },
    )
    .await;
    let cleared = sow(
        &garden,
        TestSowing {
            state: "cleared",
            ..TestSowing::default()
        },
    )
    .await;
    for sowing_id in [planned, cleared] {
        let reply = api
            .post(LEAD, "/cuts", cut_input(sowing_id, "100"))
            .await
            .expect(409);
        assert_eq!(reply.problem(), "wrong-state");
    }
}

#[actix_web::test]
async fn people_of_another_place_cannot_cut_here() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    go_to(&api, "2026-10-05T15:00:00Z").await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let input = || cut_input(sowing_id, "100");
    let cut = api.post(COORDINATOR, "/cuts", input()).await.expect(201);
    let path = format!("/cuts/{}", cut.id());
    let corrections = format!("{path}/corrections");
    let correction = || json!({"weight": grams("90"), "reason": "Weighed again"});

    // a lead elsewhere sees the sowing, not its cuts; a volunteer elsewhere sees neither
    api.post(ELSEWHERE, "/cuts", input()).await.expect(403);
    let stranger = "stranger@example.org";
    garden
        .join(
            &api,
            stranger,
            &[("volunteer", Some(garden.other_site_id), None)],
        )
        .await;
    let reply = api.post(stranger, "/cuts", input()).await.expect(422);
    assert_eq!(reply.pointers(), ["/sowing_id"]);
    for who in [ELSEWHERE, stranger] {
        api.get(who, &path).await.expect(404);
    }
    api.post(ELSEWHERE, &corrections, correction())
        .await
        .expect(404);
    api.post(VOLUNTEER, &corrections, correction())
        .await
        .expect(403);
    api.post(READER, "/cuts", input()).await.expect(403);
    api.get(READER, &path).await.expect(403);
    api.get(READER, "/cuts").await.expect(403);
    api.get("", &path).await.expect(401);

    // another co-operative knows nothing of it
    let foreign = "grace@example.org";
    api.found("Blue Jars", foreign).await;
    api.get(foreign, &path).await.expect(404);
    api.post(foreign, &corrections, correction())
        .await
        .expect(404);
    let reply = api.post(foreign, "/cuts", input()).await.expect(422);
    assert_eq!(reply.pointers(), ["/sowing_id"]);
    assert_eq!(api.get(foreign, "/cuts").await.body["items"], json!([]));
}

#[actix_web::test]
async fn a_repeated_cut_is_one_cut() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    go_to(&api, "2026-10-05T15:00:00Z").await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let send = || {
        api.send(
            api.request(VOLUNTEER, Method::POST, "/cuts")
                .insert_header(("idempotency-key", "tray by the window"))
                .set_json(cut_input(sowing_id, "250")),
        )
    };
    let replies = join_all((0..5).map(|_| send())).await;
    for reply in &replies {
        assert_eq!(
            (reply.status.as_u16(), &reply.body),
            (201, &replies[0].body)
        );
    }
    api.bed.clock.advance(TimeDelta::minutes(1));
    assert_eq!(send().await.expect(201).body, replies[0].body);
    let cuts = api.get(VOLUNTEER, "/cuts").await;
    assert_eq!(cuts.body["items"].as_array().unwrap().len(), 1);
}

#[actix_web::test]
async fn cuts_at_the_same_moment_get_their_own_codes() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    go_to(&api, "2026-10-05T15:00:00Z").await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let replies =
        join_all((0..12).map(|_| api.post(VOLUNTEER, "/cuts", cut_input(sowing_id, "10")))).await;
    let mut codes = Vec::new();
    for reply in replies {
        let reply = reply.expect(201);
        assert_eq!(reply.body["number"], 1);
        codes.push(reply.body["tray_code"].as_str().unwrap().to_owned());
    }
    codes.sort();
    codes.dedup();
    assert_eq!(codes.len(), 12);
}
