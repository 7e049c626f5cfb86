//! Deliveries: trays from recorded cuts, never more than was cut.

use actix_web::http::Method;
use futures::future::{join, join_all};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::cuts::{TestSowing, cut_input, go_to, grams, sow};
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, Reply};

/// A garden on 5 October 2026 at 11:00 local time, with a cut of some grams.
async fn garden_with_cut(api: &Api, weight: &str) -> (Garden, String) {
    let garden = Garden::plant(api).await;
    go_to(api, "2026-10-05T15:00:00Z").await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let cut = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, weight))
        .await
        .expect(201);
    (garden, cut.id())
}

pub fn delivery_input(garden: &Garden, lines: &[(&str, &str)]) -> Value {
    let lines: Vec<Value> = lines
        .iter()
        .map(|(cut_id, weight)| json!({"cut_id": cut_id, "weight": grams(weight)}))
        .collect();
    json!({"site_id": garden.site_id, "recipient_id": garden.recipient_id, "lines": lines})
}

pub async fn pack(api: &Api, garden: &Garden, lines: &[(&str, &str)]) -> Reply {
    api.post(VOLUNTEER, "/deliveries", delivery_input(garden, lines))
        .await
        .expect(201)
}

#[actix_web::test]
async fn cut_packed_handed_over_and_confirmed() {
    let api = Api::new().await;
    let (garden, cut_id) = garden_with_cut(&api, "400").await;
    let packed = pack(&api, &garden, &[(&cut_id, "250")]).await;
    let path = format!("/deliveries/{}", packed.id());
    assert_eq!(packed.headers["location"], format!("/api/v1{path}"));
    assert_eq!(packed.body["state"], "packed");
    assert_eq!(packed.body["packed_on"], "2026-10-05");
    assert_eq!(packed.body["total"], grams("250"));
    assert_eq!(packed.body["recipient_name"], "Corner pantry");
    // the pantry sees what is coming
    assert_eq!(api.get(READER, &path).await.expect(200).body, packed.body);

    let line = json!({"cut_id": cut_id, "weight": grams("120.5")});
    let lines = format!("{path}/lines");
    let added = api.post(VOLUNTEER, &lines, line.clone()).await.expect(201);
    assert_eq!(added.body["total"], grams("370.5"));
    assert_eq!(added.etag(), "\"v2\"");
    let cut = api.get(LEAD, &format!("/cuts/{cut_id}")).await.expect(200);
    assert_eq!(cut.body["delivered"], grams("370.5"));
    assert_eq!(cut.body["left"], grams("29.5"));
    assert_eq!(added.body["lines"][1]["tray_code"], cut.body["tray_code"]);
    assert_eq!(added.body["lines"][1]["crop_name"], cut.body["crop_name"]);

    let confirmation = format!("{path}/confirmation");
    let early = api.post(READER, &confirmation, json!({})).await.expect(409);
    assert_eq!(early.problem(), "wrong-state");
    let hand_over = json!({"received_by": " R. Okafor ", "at": "2026-10-05T10:45:00-04:00",
                           "temperature": {"value": "40.1", "unit": "[degF]"}});
    let given = api
        .post(VOLUNTEER, &format!("{path}/hand_over"), hand_over.clone())
        .await
        .expect(200);
    assert_eq!(given.body["state"], "handed_over");
    assert_eq!(given.body["received_by"], "R. Okafor");
    assert_eq!(given.body["handed_over_on"], "2026-10-05");
    assert_eq!(given.body["handed_over_at"], "2026-10-05T14:45:00Z");
    assert_eq!(given.body["hand_over_recorded_at"], "2026-10-05T15:00:00Z");
    // 40.1 °F = 4.5 °C, NIST SP 811
    assert_eq!(
        given.body["temperature"],
        json!({"value": "4.5", "unit": "Cel"})
    );
    assert!(
        !given.body["cautions"]
            .to_string()
            .contains("Handed over above")
    );
    for (path, body) in [(format!("{path}/hand_over"), hand_over), (lines, line)] {
        let again = api.post(VOLUNTEER, &path, body).await.expect(409);
        assert_eq!(again.problem(), "wrong-state");
    }

    let confirmed = api
        .post(READER, &confirmation, json!({"remark": "All well"}))
        .await
        .expect(200);
    assert_eq!(confirmed.body["state"], "confirmed");
    assert_eq!(confirmed.body["remark"], "All well");
    api.post(READER, &confirmation, json!({})).await.expect(409);

    // what was written down stays, with its amendments
    let line_id = &confirmed.body["lines"][0]["id"];
    let correction = |weight: &str| json!({"line_id": line_id, "weight": grams(weight), "reason": "Their scale"});
    let corrections = format!("{path}/corrections");
    let amended = api
        .post(LEAD, &corrections, correction("240"))
        .await
        .expect(201);
    assert_eq!(amended.body["state"], "confirmed");
    assert_eq!(amended.body["total"], grams("360.5"));
    assert_eq!(amended.body["lines"][0]["first_weight"], grams("250"));
    assert_eq!(amended.body["lines"][0]["weight"], grams("240"));
    assert_eq!(
        amended.body["lines"][0]["amendments"][0]["change"],
        grams("-10")
    );
    let too_much = api
        .post(LEAD, &corrections, correction("279.501"))
        .await
        .expect(409);
    assert_eq!(too_much.problem(), "more-than-cut");
    api.post(LEAD, &corrections, correction("279.5"))
        .await
        .expect(201);
    // and the cut cannot become less than what is delivered
    let less = json!({"weight": grams("399.999"), "reason": "Weighed again"});
    let reply = api
        .post(LEAD, &format!("/cuts/{cut_id}/corrections"), less)
        .await
        .expect(409);
    assert_eq!(reply.problem(), "more-than-cut");
}

#[actix_web::test]
async fn a_warm_or_empty_delivery_is_noticed() {
    let api = Api::new().await;
    let (garden, cut_id) = garden_with_cut(&api, "400").await;
    let empty = pack(&api, &garden, &[]).await;
    let path = format!("/deliveries/{}/hand_over", empty.id());
    let body = json!({"received_by": "R. Okafor", "temperature": {"value": "5.1", "unit": "Cel"}});
    let reply = api.post(LEAD, &path, body.clone()).await.expect(409);
    assert_eq!(reply.problem(), "wrong-state");
    assert!(reply.body["detail"].as_str().unwrap().contains("empty"));
    let warm = pack(&api, &garden, &[(&cut_id, "100")]).await;
    let path = format!("/deliveries/{}/hand_over", warm.id());
    let reply = api.post(LEAD, &path, body).await.expect(200);
    let caution = reply.body["cautions"][0]["text"].as_str().unwrap();
    assert!(caution.contains("above 5 °C (41 °F)"), "{caution}");
}

#[actix_web::test]
async fn every_bad_field_of_a_delivery_is_named() {
    let api = Api::new().await;
    let (garden, cut_id) = garden_with_cut(&api, "400").await;
    let unknown = Uuid::now_v7();
    let line = |cut_id: &str, weight: &str| json!({"cut_id": cut_id, "weight": grams(weight)});
    let many: Vec<Value> = (0..201).map(|_| line(&cut_id, "1")).collect();
    for (change, pointers) in [
        (json!({"site_id": unknown}), vec!["/site_id"]),
        (json!({"recipient_id": unknown}), vec!["/recipient_id"]),
        (json!({"packed_on": "2026-10-06"}), vec!["/packed_on"]),
        // a week is late, a mistyped year is none
        (json!({"packed_on": "2026-09-27"}), vec!["/packed_on"]),
        (json!({"packed_on": "2006-10-05"}), vec!["/packed_on"]),
        (
            json!({"packed_on": "2026-10-04", "lines": [line(&cut_id, "1")]}),
            vec!["/lines/0/cut_id"],
        ),
        (json!({"packed_on": "today"}), vec!["/packed_on"]),
        (
            json!({"lines": [line(&cut_id, "0"), line(&cut_id, "1"), line(&cut_id, "-1")]}),
            vec!["/lines/0/weight", "/lines/2/weight"],
        ),
        (
            json!({"lines": [line(&cut_id, "1"), line(&unknown.to_string(), "1")]}),
            vec!["/lines/1/cut_id"],
        ),
        (json!({"lines": many}), vec!["/lines"]),
        (
            json!({"lines": [{"cut_id": cut_id, "weight": {"value": "1", "unit": "mL"}}]}),
            vec!["/lines/0/weight"],
        ),
        (json!({"colour": "green"}), vec!["/colour"]),
    ] {
        let mut input = delivery_input(&garden, &[]);
        for (name, value) in change.as_object().unwrap() {
            input[name] = value.clone();
        }
        let reply = api.post(LEAD, "/deliveries", input).await.expect(422);
        assert_eq!(reply.pointers(), pointers, "{change}");
    }
    assert_eq!(api.get(LEAD, "/deliveries").await.body["items"], json!([]));

    let packed = pack(&api, &garden, &[(&cut_id, "100")]).await;
    let path = format!("/deliveries/{}", packed.id());
    let line_id = &packed.body["lines"][0]["id"];
    for (step, body, pointer) in [
        ("lines", line(&cut_id, "0"), "/weight"),
        ("lines", line(&unknown.to_string(), "1"), "/cut_id"),
        ("hand_over", json!({"received_by": " "}), "/received_by"),
        (
            "hand_over",
            json!({"received_by": "R", "at": "2026-10-05T15:05:01Z"}),
            "/at",
        ),
        (
            "hand_over",
            json!({"received_by": "R", "at": "2026-09-28T14:59:59Z"}),
            "/at",
        ),
        // inside the seven days, but before it was cut
        (
            "hand_over",
            json!({"received_by": "R", "at": "2026-10-05T03:59:59Z"}),
            "/at",
        ),
        (
            "hand_over",
            json!({"received_by": "R", "at": "noon"}),
            "/at",
        ),
        (
            "hand_over",
            json!({"received_by": "R", "temperature": {"value": "60.1", "unit": "Cel"}}),
            "/temperature",
        ),
        (
            "hand_over",
            json!({"received_by": "R", "temperature": {"value": "-58.2", "unit": "[degF]"}}),
            "/temperature",
        ),
        (
            "hand_over",
            json!({"received_by": "R", "temperature": {"value": "4", "unit": "K"}}),
            "/temperature",
        ),
        (
            "hand_over",
            json!({"received_by": "R", "temperature": {"value": "cold", "unit": "Cel"}}),
            "/temperature",
        ),
        (
            "corrections",
            json!({"line_id": unknown, "weight": grams("1"), "reason": "x"}),
            "/line_id",
        ),
        (
            "corrections",
            json!({"line_id": line_id, "weight": grams("100"), "reason": "x"}),
            "/weight",
        ),
        (
            "corrections",
            json!({"line_id": line_id, "weight": grams("-1"), "reason": "x"}),
            "/weight",
        ),
        (
            "corrections",
            json!({"line_id": line_id, "weight": grams("1"), "reason": ""}),
            "/reason",
        ),
    ] {
        let reply = api
            .post(LEAD, &format!("{path}/{step}"), body.clone())
            .await
            .expect(422);
        assert_eq!(reply.pointers(), [pointer], "{step} {body}");
    }
    let remark = json!({"remark": "x".repeat(1001)});
    let reply = api
        .post(READER, &format!("{path}/confirmation"), remark)
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/remark"]);
    assert_eq!(api.get(LEAD, &path).await.expect(200).body, packed.body);
    api.get(LEAD, "/deliveries?week=2026-W54").await.expect(422);
    api.get(LEAD, "/deliveries?state=eaten").await.expect(422);
}

#[actix_web::test]
async fn a_retired_recipient_receives_nothing_new() {
    let api = Api::new().await;
    let (garden, _) = garden_with_cut(&api, "400").await;
    sqlx::query("update recipient set retired_at = now() where id = $1")
        .bind(garden.recipient_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    let reply = api
        .post(LEAD, "/deliveries", delivery_input(&garden, &[]))
        .await
        .expect(409);
    assert_eq!(reply.problem(), "retired");
}

/// 40 lines of 30 g from a cut of 1 kg: 33 fit, whoever comes first.
#[actix_web::test]
async fn lines_at_the_same_moment_never_exceed_the_cut() {
    let api = Api::new().await;
    let (garden, cut_id) = garden_with_cut(&api, "1000").await;
    let mut paths = Vec::new();
    for _ in 0..4 {
        let packed = pack(&api, &garden, &[]).await;
        paths.push(format!("/deliveries/{}/lines", packed.id()));
    }
    let line = || json!({"cut_id": cut_id, "weight": grams("30")});
    let replies = join_all((0..40).map(|n| api.post(VOLUNTEER, &paths[n % 4], line()))).await;
    let accepted = replies.iter().filter(|r| r.status == 201).count();
    assert_eq!(accepted, 33);
    for reply in replies.into_iter().filter(|r| r.status != 201) {
        assert_eq!(reply.expect(409).problem(), "more-than-cut");
    }
    let cut = api.get(LEAD, &format!("/cuts/{cut_id}")).await;
    assert_eq!(cut.body["left"], grams("10"));
    let list = api.get(LEAD, "/deliveries").await;
    let total: f64 = list.body["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|d| {
            d["total"]["value"]
                .as_str()
                .unwrap()
                .parse::<f64>()
                .unwrap()
        })
        .sum();
    assert!((total - 990.0).abs() < 1e-9);
}

/// 100 g are packed from a cut while it is corrected to 60 g: whoever comes second is refused.
#[actix_web::test]
async fn a_correction_and_a_line_at_the_same_moment() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    go_to(&api, "2026-10-05T15:00:00Z").await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    for round in 0..8 {
        let cut = api
            .post(LEAD, "/cuts", cut_input(sowing_id, "100"))
            .await
            .expect(201);
        let delivery = pack(&api, &garden, &[]).await;
        let line = json!({"cut_id": cut.id(), "weight": grams("100")});
        let less = json!({"weight": grams("60"), "reason": "Weighed again"});
        let (lines, corrections) = (
            format!("/deliveries/{}/lines", delivery.id()),
            format!("/cuts/{}/corrections", cut.id()),
        );
        let (packed, corrected) = if round % 2 == 0 {
            join(
                api.post(VOLUNTEER, &lines, line),
                api.post(LEAD, &corrections, less),
            )
            .await
        } else {
            let (corrected, packed) = join(
                api.post(LEAD, &corrections, less),
                api.post(VOLUNTEER, &lines, line),
            )
            .await;
            (packed, corrected)
        };
        let mut statuses = [packed.status.as_u16(), corrected.status.as_u16()];
        statuses.sort_unstable();
        assert_eq!(statuses, [201, 409], "{} {}", packed.text, corrected.text);
    }
}

#[actix_web::test]
async fn each_sees_and_does_what_is_theirs() {
    let api = Api::new().await;
    let (garden, cut_id) = garden_with_cut(&api, "400").await;
    let packed = pack(&api, &garden, &[(&cut_id, "100")]).await;
    let path = format!("/deliveries/{}", packed.id());
    let line_id = packed.body["lines"][0]["id"].clone();

    // another recipient and its reader
    let families = Uuid::now_v7();
    sqlx::query("insert into recipient (id, cooperative_id, name, kind, delivery_weekdays) values ($1, $2, 'Families', 'families', '{5}')")
        .bind(families)
        .bind(garden.cooperative_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    let other_reader = "families@example.org";
    garden
        .join(&api, other_reader, &[("reader", None, Some(families))])
        .await;
    let mut input = delivery_input(&garden, &[(&cut_id, "50")]);
    input["recipient_id"] = json!(families);
    let other = api.post(LEAD, "/deliveries", input).await.expect(201);

    let foreign = "grace@example.org";
    api.found("Blue Jars", foreign).await;
    let ids = async |who: &str, query: &str| -> Vec<String> {
        let reply = api
            .get(who, &format!("/deliveries{query}"))
            .await
            .expect(200);
        reply.body["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|d| d["id"].as_str().unwrap().to_owned())
            .collect()
    };
    let both = [packed.id(), other.id()];
    assert_eq!(ids(COORDINATOR, "").await, both);
    assert_eq!(ids(VOLUNTEER, "").await, both);
    assert_eq!(ids(READER, "").await, both[..1]);
    assert_eq!(ids(other_reader, "").await, both[1..]);
    assert_eq!(
        ids(
            other_reader,
            &format!("?recipient_id={}", garden.recipient_id)
        )
        .await,
        [""; 0]
    );
    assert_eq!(ids(ELSEWHERE, "").await, [""; 0]);
    assert_eq!(ids(foreign, "").await, [""; 0]);
    assert_eq!(
        ids(LEAD, &format!("?recipient_id={families}")).await,
        both[1..]
    );
    assert_eq!(
        ids(
            LEAD,
            &format!("?site_id={}&state=packed&week=2026-W41", garden.site_id)
        )
        .await,
        both
    );
    assert_eq!(ids(LEAD, "?week=2026-W40").await, [""; 0]);
    assert_eq!(ids(LEAD, "?state=handed_over").await, [""; 0]);
    let page = api.get(LEAD, "/deliveries?limit=1").await.expect(200);
    let next = page.body["next"].as_str().unwrap();
    assert_eq!(ids(LEAD, &format!("?after={next}")).await, both[1..]);

    let line = json!({"cut_id": cut_id, "weight": grams("1")});
    let hand_over = json!({"received_by": "R. Okafor"});
    let correction = json!({"line_id": line_id, "weight": grams("1"), "reason": "x"});
    for who in [ELSEWHERE, foreign] {
        api.get(who, &path).await.expect(404);
        for (step, body) in [
            ("lines", &line),
            ("hand_over", &hand_over),
            ("corrections", &correction),
        ] {
            api.post(who, &format!("{path}/{step}"), body.clone())
                .await
                .expect(404);
        }
    }
    api.get(other_reader, &path).await.expect(404);
    let confirmation = format!("{path}/confirmation");
    api.post(other_reader, &confirmation, json!({}))
        .await
        .expect(404);
    for who in [COORDINATOR, LEAD, VOLUNTEER] {
        api.post(who, &confirmation, json!({})).await.expect(403);
    }
    for (step, body) in [
        ("lines", &line),
        ("hand_over", &hand_over),
        ("corrections", &correction),
    ] {
        api.post(READER, &format!("{path}/{step}"), body.clone())
            .await
            .expect(403);
    }
    api.post(VOLUNTEER, &format!("{path}/corrections"), correction)
        .await
        .expect(403);
    // a lead elsewhere packs neither here nor our cuts; a coordinator packs cuts of any site
    let mut input = delivery_input(&garden, &[(&cut_id, "10")]);
    api.post(ELSEWHERE, "/deliveries", input.clone())
        .await
        .expect(403);
    input["site_id"] = json!(garden.other_site_id);
    let reply = api
        .post(ELSEWHERE, "/deliveries", input.clone())
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/lines/0/cut_id"]);
    api.post(COORDINATOR, "/deliveries", input)
        .await
        .expect(201);
    let reply = api
        .post(foreign, "/deliveries", delivery_input(&garden, &[]))
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/site_id"]);
    api.get("", &path).await.expect(401);
}

#[actix_web::test]
async fn a_repeated_delivery_is_one_delivery() {
    let api = Api::new().await;
    let (garden, cut_id) = garden_with_cut(&api, "400").await;
    let send = |path: String, key: &'static str, body: Value| {
        let api = &api;
        async move {
            api.send(
                api.request(VOLUNTEER, Method::POST, &path)
                    .insert_header(("idempotency-key", key))
                    .set_json(body),
            )
            .await
        }
    };
    let input = delivery_input(&garden, &[(&cut_id, "300")]);
    let replies = join_all((0..4).map(|_| send("/deliveries".into(), "pack", input.clone()))).await;
    for reply in &replies {
        assert_eq!(
            (reply.status.as_u16(), &reply.body),
            (201, &replies[0].body)
        );
    }
    let path = format!("/deliveries/{}", replies[0].id());
    let line = json!({"cut_id": cut_id, "weight": grams("60")});
    let hand_over = json!({"received_by": "R. Okafor"});
    for (step, status, body) in [("lines", 201, line), ("hand_over", 200, hand_over)] {
        let first = send(format!("{path}/{step}"), step, body.clone()).await;
        let again = send(format!("{path}/{step}"), step, body).await;
        assert_eq!(first.expect(status).body, again.expect(status).body);
    }
    let list = api.get(LEAD, "/deliveries").await;
    assert_eq!(list.body["items"].as_array().unwrap().len(), 1);
    assert_eq!(list.body["items"][0]["total"], grams("360"));
}
