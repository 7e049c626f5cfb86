//! The recipient says that something else came; the co-operative corrects, or says why not.

use actix_web::http::Method;
use futures::future::join_all;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::cuts::{TestSowing, cut_input, go_to, grams, sow};
use crate::deliveries::pack;
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, Reply};

/// A garden with a delivery of two lines, 250 g and 100 g of a cut of 400 g, packed on 5 October 2026.
async fn garden_with_delivery(api: &Api) -> (Garden, Reply) {
    let garden = Garden::plant(api).await;
    go_to(api, "2026-10-05T15:00:00Z").await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let cut = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "400"))
        .await
        .expect(201);
    let delivery = pack(api, &garden, &[(&cut.id(), "250"), (&cut.id(), "100")]).await;
    (garden, delivery)
}

async fn hand_over(api: &Api, delivery: &Reply, temperature: &str) -> Reply {
    let body =
        json!({"received_by": "R. Okafor", "temperature": {"value": temperature, "unit": "Cel"}});
    api.post(
        VOLUNTEER,
        &format!("/deliveries/{}/hand_over", delivery.id()),
        body,
    )
    .await
    .expect(200)
}

fn dispute(line_id: &Value, weight: &str) -> Value {
    json!({"reason": "Our scale showed less", "lines": [{"line_id": line_id, "weight": grams(weight)}]})
}

#[actix_web::test]
async fn disputed_corrected_and_confirmed() {
    let api = Api::new().await;
    let (_, delivery) = garden_with_delivery(&api).await;
    let path = format!("/deliveries/{}", delivery.id());
    let disputes = format!("{path}/disputes");
    let line_id = &delivery.body["lines"][0]["id"];
    let early = api
        .post(READER, &disputes, dispute(line_id, "230"))
        .await
        .expect(409);
    assert_eq!(early.problem(), "wrong-state");

    let given = hand_over(&api, &delivery, "7.5").await;
    assert!(
        given.body["cautions"][0]["text"]
            .as_str()
            .unwrap()
            .contains("Handed over above 5 °C")
    );
    assert_eq!(given.body["is_disputed"], false);
    let opened = api
        .post(READER, &disputes, dispute(line_id, "230"))
        .await
        .expect(201);
    assert_eq!(opened.body["state"], "handed_over");
    assert_eq!(opened.body["is_disputed"], true);
    let entry = &opened.body["disputes"][0];
    assert_eq!(
        (&entry["is_open"], &entry["outcome"]),
        (&json!(true), &json!(null))
    );
    assert_eq!(
        entry["found"],
        json!([{"line_id": line_id, "weight": grams("230")}])
    );
    // what was written down is as it was
    assert_eq!(opened.body["total"], grams("350"));

    let open = |who: &'static str, flag: bool| {
        let api = &api;
        async move {
            let reply = api
                .get(who, &format!("/deliveries?disputed={flag}"))
                .await
                .expect(200);
            reply.body["items"].as_array().unwrap().len()
        }
    };
    assert_eq!((open(LEAD, true).await, open(LEAD, false).await), (1, 0));
    assert_eq!(
        (open(READER, true).await, open(ELSEWHERE, true).await),
        (1, 0)
    );

    let confirmation = format!("{path}/confirmation");
    for (path, body) in [
        (&confirmation, json!({})),
        (&disputes, dispute(line_id, "231")),
    ] {
        let reply = api.post(READER, path, body).await.expect(409);
        assert_eq!(reply.problem(), "dispute-open");
    }

    let answer = format!("{disputes}/{}/answer", entry["id"].as_str().unwrap());
    let too_much = json!({"statement": "All of it", "corrections": [{"line_id": line_id, "weight": grams("300.001")}]});
    let reply = api.post(LEAD, &answer, too_much).await.expect(409);
    assert_eq!(reply.problem(), "more-than-cut");
    let body = json!({"statement": "Weighed again with your scale", "corrections": [{"line_id": line_id, "weight": grams("230")}]});
    let answered = api.post(LEAD, &answer, body.clone()).await.expect(201);
    assert_eq!(answered.body["is_disputed"], false);
    assert_eq!(answered.body["total"], grams("330"));
    let amendment = &answered.body["lines"][0]["amendments"][0];
    assert_eq!(amendment["dispute_id"], entry["id"]);
    assert_eq!(amendment["change"], grams("-20"));
    assert_eq!(amendment["reason"], "Weighed again with your scale");
    assert_eq!(answered.body["disputes"][0]["outcome"], "corrected");
    let twice = api.post(LEAD, &answer, body).await.expect(409);
    assert_eq!(twice.problem(), "wrong-state");
    assert_eq!((open(LEAD, true).await, open(LEAD, false).await), (0, 1));

    let confirmed = api.post(READER, &confirmation, json!({})).await.expect(200);
    assert_eq!(confirmed.body["state"], "confirmed");
    // found out later: a tray was spoiled; rejected with a statement, and nothing is corrected
    let late = json!({"reason": "Half of it was brown the next day"});
    let late = api.post(READER, &disputes, late).await.expect(201);
    assert_eq!(late.body["state"], "confirmed");
    assert_eq!(late.body["is_disputed"], true);
    let id = late.body["disputes"][1]["id"].as_str().unwrap();
    let statement = json!({"statement": "It was kept at 12 degrees since; see your own record"});
    let rejected = api
        .post(COORDINATOR, &format!("{disputes}/{id}/answer"), statement)
        .await
        .expect(201);
    assert_eq!(rejected.body["disputes"][1]["outcome"], "rejected");
    assert_eq!(rejected.body["total"], grams("330"));
    assert_eq!(rejected.body["is_disputed"], false);
}

#[actix_web::test]
async fn only_the_recipient_disputes_and_only_the_site_answers() {
    let api = Api::new().await;
    let (garden, delivery) = garden_with_delivery(&api).await;
    hand_over(&api, &delivery, "4").await;
    let disputes = format!("/deliveries/{}/disputes", delivery.id());
    let line_id = &delivery.body["lines"][0]["id"];
    let cook = "cook@example.org";
    let kitchen = Uuid::now_v7();
    sqlx::query("insert into recipient (id, cooperative_id, name, kind, delivery_weekdays) values ($1, $2, 'Kitchen', 'kitchen', '{3}')")
        .bind(kitchen)
        .bind(garden.cooperative_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    garden
        .join(&api, cook, &[("reader", None, Some(kitchen))])
        .await;
    let foreign = "grace@example.org";
    api.found("Blue Jars", foreign).await;
    for (who, status) in [
        (cook, 404),
        (VOLUNTEER, 403),
        (LEAD, 403),
        (COORDINATOR, 403),
        (foreign, 403),
        ("", 401),
    ] {
        api.post(who, &disputes, dispute(line_id, "1"))
            .await
            .expect(status);
    }
    for (body, pointer) in [
        (json!({"reason": " "}), "/reason"),
        (dispute(&json!(Uuid::now_v7()), "1"), "/lines/0/line_id"),
        (dispute(line_id, "-1"), "/lines/0/weight"),
        (
            json!({"reason": "twice", "lines": [{"line_id": line_id, "weight": grams("1")}, {"line_id": line_id, "weight": grams("2")}]}),
            "/lines/1/line_id",
        ),
    ] {
        let reply = api.post(READER, &disputes, body).await.expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
    // a tray that did not come at all
    let opened = api
        .post(READER, &disputes, dispute(line_id, "0"))
        .await
        .expect(201);
    let id = opened.body["disputes"][0]["id"].as_str().unwrap();
    let answer = format!("{disputes}/{id}/answer");
    let body = || json!({"statement": "It was left in the van", "corrections": [{"line_id": line_id, "weight": grams("0")}]});
    for (who, status) in [
        (READER, 403),
        (VOLUNTEER, 403),
        (ELSEWHERE, 404),
        (foreign, 404),
    ] {
        api.post(who, &answer, body()).await.expect(status);
    }
    let made_up = format!("{disputes}/{}/answer", Uuid::now_v7());
    api.post(LEAD, &made_up, body()).await.expect(404);
    let same = json!({"statement": "As it was", "corrections": [{"line_id": line_id, "weight": grams("250")}]});
    let reply = api.post(LEAD, &answer, same).await.expect(422);
    assert_eq!(reply.pointers(), ["/corrections/0/weight"]);
    let long = json!({"statement": "x".repeat(301)});
    let reply = api.post(LEAD, &answer, long).await.expect(422);
    assert_eq!(reply.pointers(), ["/statement"]);
    let answered = api.post(LEAD, &answer, body()).await.expect(201);
    assert_eq!(answered.body["total"], grams("100"));
}

#[actix_web::test]
async fn of_disputes_at_the_same_moment_one_is_kept() {
    let api = Api::new().await;
    let (garden, delivery) = garden_with_delivery(&api).await;
    hand_over(&api, &delivery, "4").await;
    let disputes = format!("/deliveries/{}/disputes", delivery.id());
    let line_id = &delivery.body["lines"][0]["id"];
    let send = |key: String| {
        api.send(
            api.request(READER, Method::POST, &disputes)
                .insert_header(("idempotency-key", key))
                .set_json(dispute(line_id, "200")),
        )
    };
    let replies = join_all((0..6).map(|index| send(format!("dispute {index}")))).await;
    let made = replies.iter().filter(|reply| reply.status == 201).count();
    assert_eq!(made, 1);
    for reply in replies.iter().filter(|reply| reply.status != 201) {
        assert_eq!(
            (reply.status.as_u16(), reply.problem()),
            (409, "dispute-open")
        );
    }
    // the database keeps the rule by itself
    let refused = sqlx::query(
        "insert into delivery_dispute (id, cooperative_id, delivery_id, reason, member_id, recorded_at)
         select $1, cooperative_id, delivery_id, 'again', member_id, recorded_at from delivery_dispute where cooperative_id = $2",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .execute(&garden.pool)
    .await;
    assert!(refused.is_err());
}
