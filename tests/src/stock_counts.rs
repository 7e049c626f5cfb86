//! Stock-takings: counted blind, while others draw, compared with the ledger of that moment.

use actix_web::http::Method;
use futures::future::join_all;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::cupboard::{balance, issue_input, item, receive, whole_ledger};
use crate::cuts::{go_to, grams};
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, PASSWORD, Reply};

const OTHER_VOLUNTEER: &str = "other.volunteer@example.org";

async fn open(api: &Api, garden: &Garden, more: Value) -> Reply {
    let mut input = json!({"site_id": garden.site_id});
    for (name, value) in more.as_object().into_iter().flatten() {
        input[name] = value.clone();
    }
    api.post(LEAD, "/stock_counts", input).await.expect(201)
}

fn path(count: &Reply) -> String {
    format!("/stock_counts/{}", count.id())
}

async fn found(api: &Api, who: &str, count: &Reply, lot_id: &str, weight: &str) -> Reply {
    let line = json!({"lot_id": lot_id, "amount": grams(weight)});
    api.post(who, &format!("{}/lines", path(count)), line).await
}

async fn post(api: &Api, who: &str, count: &Reply, etag: &str) -> Reply {
    api.send(
        api.request(who, Method::POST, &format!("{}/posting", path(count)))
            .insert_header(("if-match", etag)),
    )
    .await
}

fn lot<'a>(reply: &'a Reply, lot_id: &str) -> &'a Value {
    let lots = reply.body["lots"].as_array().unwrap();
    lots.iter().find(|lot| lot["lot_id"] == lot_id).unwrap()
}

#[actix_web::test]
async fn a_count_is_compared_with_the_ledger_of_its_moment_and_posted() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let cost = || json!({"cost_cents": 1000});
    let first = receive(&api, &garden, &item_id, "P1", "100", cost()).await;
    let second = receive(&api, &garden, &item_id, "P2", "100", cost()).await;
    let third = receive(&api, &garden, &item_id, "P3", "100", cost()).await;
    go_to(&api, "2026-09-08T10:00:00Z").await;
    let count = open(&api, &garden, json!({})).await;
    assert_eq!(count.body["lots"].as_array().unwrap().len(), 3);
    assert_eq!(count.body["lots"][0]["is_counted"], false);
    assert_eq!(count.body["lots"][0]["ledger"], grams("100"));

    // 80 of 100 are found in the first, 105 in the second
    go_to(&api, "2026-09-08T10:10:00Z").await;
    found(&api, VOLUNTEER, &count, &first, "80")
        .await
        .expect(201);
    found(&api, VOLUNTEER, &count, &second, "105")
        .await
        .expect(201);
    // meanwhile somebody draws 30 from the first
    go_to(&api, "2026-09-08T10:20:00Z").await;
    let mut issue = issue_input(&garden, &item_id, "30");
    issue["lot_id"] = json!(first);
    api.post(VOLUNTEER, "/movements", issue).await.expect(201);

    let seen = api.get(LEAD, &path(&count)).await.expect(200);
    let row = lot(&seen, &first);
    assert_eq!(row["ledger"], grams("100"));
    assert_eq!(row["counted"], grams("80"));
    assert_eq!(row["difference"], grams("-20"));
    assert_eq!(row["difference_cents"], -200);
    assert_eq!(lot(&seen, &second)["difference_cents"], 50);
    assert_eq!(lot(&seen, &third)["is_counted"], false);
    assert_eq!(seen.body["difference_cents"], -150);

    post(&api, VOLUNTEER, &count, &seen.etag())
        .await
        .expect(403);
    post(&api, LEAD, &count, &count.etag()).await.expect(412);
    go_to(&api, "2026-09-08T11:00:00Z").await;
    let posted = post(&api, LEAD, &count, &seen.etag()).await.expect(200);
    assert_eq!(posted.body["state"], "posted");
    // it still says what was found to differ then
    assert_eq!(lot(&posted, &first)["difference"], grams("-20"));
    // 80 counted less 30 drawn since, 105, and 100 that nobody counted
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "255");
    let at = async |instant: &str| {
        balance(&api, LEAD, &garden, &item_id, &format!("&at={instant}")).await
    };
    assert_eq!(at("2026-09-08T10:05:00Z").await, "300");
    assert_eq!(at("2026-09-08T10:15:00Z").await, "285");
    let movements = api
        .get(LEAD, &format!("/movements?lot_id={first}"))
        .await
        .expect(200);
    let difference = &movements.body["items"][2];
    assert_eq!(difference["kind"], "count_difference");
    assert_eq!(difference["happened_at"], "2026-09-08T10:10:00Z");
    assert_eq!(difference["to_place"], "count_difference");
    assert_eq!(difference["amount"], grams("20"));
    let reply = post(&api, LEAD, &count, "*").await.expect(409);
    assert_eq!(reply.problem(), "wrong-state");
    let reply = found(&api, VOLUNTEER, &count, &first, "1").await;
    assert_eq!(reply.expect(409).problem(), "wrong-state");
}

#[actix_web::test]
async fn counting_is_blind_unless_it_is_opened_otherwise() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let here = [("volunteer", Some(garden.site_id), None)];
    garden.join(&api, OTHER_VOLUNTEER, &here).await;
    let item_id = item(&api, "Perlite").await;
    let lot_id = receive(&api, &garden, &item_id, "P1", "100", json!({})).await;
    let count = open(&api, &garden, json!({})).await;
    let reply = api
        .post(
            COORDINATOR,
            "/stock_counts",
            json!({"site_id": garden.site_id}),
        )
        .await;
    assert_eq!(reply.expect(409).problem(), "count-open");

    let line = found(&api, OTHER_VOLUNTEER, &count, &lot_id, "90")
        .await
        .expect(201);
    assert_eq!(line.body["counted_before"], Value::Null);
    assert_eq!(line.body["lot"]["counted"], grams("90"));
    for name in ["ledger", "difference", "difference_cents"] {
        assert_eq!(line.body["lot"][name], Value::Null, "{name}");
    }
    // a second member on the same shelf is told, but neither by whom nor what
    let line = found(&api, VOLUNTEER, &count, &lot_id, "95")
        .await
        .expect(201);
    let before = &line.body["counted_before"];
    assert_eq!(before["counted_at"], "2026-09-07T12:00:00Z");
    assert_eq!(
        (&before["member_name"], &before["amount"]),
        (&Value::Null, &Value::Null)
    );
    assert_eq!(line.body["lot"]["lines"], 2);
    // the lead is told both
    let line = found(&api, LEAD, &count, &lot_id, "96").await.expect(201);
    assert_eq!(line.body["counted_before"]["member_name"], VOLUNTEER);
    assert_eq!(line.body["counted_before"]["amount"], grams("95"));
    assert_eq!(line.body["lot"]["difference"], grams("-4"));

    // what others found, and the ledger, is hidden everywhere
    let seen = api.get(VOLUNTEER, &path(&count)).await.expect(200);
    let row = lot(&seen, &lot_id);
    for name in ["counted", "counted_by", "ledger", "difference"] {
        assert_eq!(row[name], Value::Null, "{name}");
    }
    assert_eq!(seen.body["difference_cents"], Value::Null);
    assert_eq!(balance(&api, VOLUNTEER, &garden, &item_id, "").await, "0");
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "100");
    let movements = api.get(LEAD, "/movements").await.expect(200).body["items"].clone();
    assert_eq!(movements.as_array().unwrap().len(), 1);
    let listed = api.get(VOLUNTEER, "/movements").await.expect(200);
    assert_eq!(listed.body["items"], json!([]));
    let movement = format!("/movements/{}", movements[0]["id"].as_str().unwrap());
    api.get(VOLUNTEER, &movement).await.expect(404);
    let hidden = api
        .get(VOLUNTEER, &format!("/lots/{lot_id}"))
        .await
        .expect(200);
    assert_eq!(
        (&hidden.body["left"], &hidden.body["stores"]),
        (&Value::Null, &json!([]))
    );

    // given up: nothing changes, and the ledger is shown again
    api.delete(VOLUNTEER, &path(&count), "*").await.expect(403);
    let dropped = api.delete(LEAD, &path(&count), "*").await.expect(200);
    assert_eq!(dropped.body["state"], "dropped");
    api.get(VOLUNTEER, &movement).await.expect(200);
    assert_eq!(balance(&api, VOLUNTEER, &garden, &item_id, "").await, "100");

    let count = open(&api, &garden, json!({"shows_ledger": true})).await;
    let line = found(&api, VOLUNTEER, &count, &lot_id, "95")
        .await
        .expect(201);
    assert_eq!(line.body["lot"]["ledger"], grams("100"));
    let line = found(&api, OTHER_VOLUNTEER, &count, &lot_id, "95")
        .await
        .expect(201);
    assert_eq!(line.body["counted_before"]["amount"], grams("95"));
    assert_eq!(line.body["counted_before"]["member_name"], Value::Null);
    let open = api
        .get(VOLUNTEER, "/stock_counts?state=open")
        .await
        .expect(200);
    assert_eq!(open.body["items"][0]["id"], json!(count.id()));
    assert_eq!(open.body["items"].as_array().unwrap().len(), 1);
}

#[actix_web::test]
async fn a_lot_is_counted_again_by_one_more_line() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let lot_id = receive(&api, &garden, &item_id, "P1", "100", json!({})).await;
    let count = open(&api, &garden, json!({})).await;
    found(&api, VOLUNTEER, &count, &lot_id, "40")
        .await
        .expect(201);
    // left over night and gone on with
    go_to(&api, "2026-09-08T12:00:00Z").await;
    let again = found(&api, VOLUNTEER, &count, &lot_id, "97")
        .await
        .expect(201);
    assert_eq!(again.body["counted_before"], Value::Null, "one's own line");
    assert_eq!(again.body["lot"]["lines"], 2);
    assert_eq!(again.body["lot"]["counted"], grams("97"));
    // a line that a device kept back does not displace one that was counted later
    let lines = format!("{}/lines", path(&count));
    let late =
        json!({"lot_id": lot_id, "amount": grams("45"), "counted_at": "2026-09-07T13:00:00Z"});
    let late = api.post(VOLUNTEER, &lines, late).await.expect(201);
    assert_eq!(late.body["amount"], grams("45"));
    assert_eq!(late.body["lot"]["counted"], grams("97"));
    post(&api, LEAD, &count, &late.etag()).await.expect(200);
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "97");
    let movements: i64 =
        sqlx::query_scalar("select count(*) from movement where kind = 'count_difference'")
            .fetch_one(&garden.pool)
            .await
            .unwrap();
    assert_eq!(movements, 1);
}

#[actix_web::test]
async fn nothing_is_posted_when_one_lot_cannot_be() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let first = receive(&api, &garden, &item_id, "P1", "100", json!({})).await;
    let second = receive(&api, &garden, &item_id, "P2", "100", json!({})).await;
    let count = open(&api, &garden, json!({})).await;
    go_to(&api, "2026-09-07T12:30:00Z").await;
    found(&api, VOLUNTEER, &count, &first, "90")
        .await
        .expect(201);
    found(&api, VOLUNTEER, &count, &second, "10")
        .await
        .expect(201);
    go_to(&api, "2026-09-07T13:00:00Z").await;
    // 10 were counted, and yet 50 are drawn from it after that
    let mut issue = issue_input(&garden, &item_id, "50");
    issue["lot_id"] = json!(second);
    api.post(VOLUNTEER, "/movements", issue).await.expect(201);
    let before = whole_ledger(&garden).await;
    let reply = post(&api, LEAD, &count, "*").await.expect(409);
    assert_eq!(reply.problem(), "count-contradicted");
    assert!(
        reply
            .text
            .contains("lot P2: 10 g were counted and 50 g were taken out since"),
        "{}",
        reply.text
    );
    assert_eq!(whole_ledger(&garden).await, before);
    // counted again, it goes
    found(&api, VOLUNTEER, &count, &second, "0")
        .await
        .expect(201);
    post(&api, LEAD, &count, "*").await.expect(200);
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "90");
}

#[actix_web::test]
async fn lines_that_make_no_sense_and_strangers_are_refused() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let lot_id = receive(&api, &garden, &item_id, "P1", "100", json!({})).await;
    for who in [VOLUNTEER, ELSEWHERE, READER] {
        api.post(who, "/stock_counts", json!({"site_id": garden.site_id}))
            .await
            .expect(403);
    }
    let count = open(&api, &garden, json!({})).await;
    let lines = format!("{}/lines", path(&count));
    for (name, value, pointer) in [
        ("lot_id", json!(Uuid::now_v7()), "/lot_id"),
        ("amount", grams("-1"), "/amount"),
        ("amount", json!({"value": "1", "unit": "1"}), "/amount"),
        (
            "amount",
            json!({"value": "99999999999", "unit": "kg"}),
            "/amount",
        ),
        ("counted_at", json!("2026-09-07T11:59:59Z"), "/counted_at"),
        ("counted_at", json!("2026-09-07T12:05:01Z"), "/counted_at"),
        ("note", json!("x".repeat(301)), "/note"),
    ] {
        let mut line = json!({"lot_id": lot_id, "amount": grams("1")});
        line[name] = value;
        let reply = api.post(VOLUNTEER, &lines, line).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{}", reply.text);
    }
    let stranger = "stranger@example.org";
    garden
        .join(
            &api,
            stranger,
            &[("volunteer", Some(garden.other_site_id), None)],
        )
        .await;
    api.get(stranger, &path(&count)).await.expect(404);
    found(&api, stranger, &count, &lot_id, "1")
        .await
        .expect(404);
    found(&api, ELSEWHERE, &count, &lot_id, "1")
        .await
        .expect(403);
    api.get(READER, &path(&count)).await.expect(403);
}

/// Ten people count, two draw and one posts at the same moment: what is in the store afterwards is what the
/// lines and draws that were accepted make of it.
#[actix_web::test]
async fn counting_drawing_and_posting_at_the_same_moment() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    api.sign_in(LEAD, PASSWORD).await.expect(201);
    let item_id = item(&api, "Perlite").await;
    let lot_id = receive(&api, &garden, &item_id, "P1", "1000", json!({})).await;
    let count = open(&api, &garden, json!({})).await;
    go_to(&api, "2026-09-07T12:30:00Z").await;
    found(&api, VOLUNTEER, &count, &lot_id, "900")
        .await
        .expect(201);
    go_to(&api, "2026-09-07T12:31:00Z").await;
    let lines = format!("{}/lines", path(&count));
    let posting = format!("{}/posting", path(&count));
    let replies = join_all((0..13).map(async |n| match n {
        3 | 9 => {
            let issue = issue_input(&garden, &item_id, "10");
            api.post(VOLUNTEER, "/movements", issue).await
        }
        6 => {
            let request = api.request(LEAD, Method::POST, &posting);
            api.send(request.insert_header(("if-match", "*"))).await
        }
        _ => {
            // the same figure, at the same instant as before the draws
            let line = json!({"lot_id": lot_id, "amount": grams("900"), "counted_at": "2026-09-07T12:30:00Z"});
            api.post(VOLUNTEER, &lines, line).await
        }
    }))
    .await;
    for (n, reply) in replies.iter().enumerate() {
        let status = reply.status.as_u16();
        match n {
            3 | 9 => assert_eq!(status, 201, "{}", reply.text),
            6 => assert_eq!(status, 200, "{}", reply.text),
            _ => assert!(
                status == 201 || reply.problem() == "wrong-state",
                "{}",
                reply.text
            ),
        }
    }
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "880");
}
