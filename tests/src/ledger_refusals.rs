//! What the ledger refuses, with the ledger unchanged; and what happens at the same moment.

use std::sync::Arc;
use std::time::Duration;

use actix_web::http::Method;
use actix_web::web::Data;
use cotyl_api::{ApiState, api_app};
use cotyl_app::App;
use cotyl_app::passwords::Passwords;
use cotyl_store::{PoolSettings, Store};
use futures::future::{join, join_all};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::cupboard::{balance, issue_input, item, receive, whole_ledger};
use crate::cuts::{TestSowing, go_to, grams, sow};
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, settings};

#[actix_web::test]
async fn what_makes_no_sense_is_refused_by_name_and_changes_nothing() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let (clay, perlite) = (item(&api, "Clay").await, item(&api, "Perlite").await);
    let clay_lot = receive(&api, &garden, &clay, "C1", "100", json!({})).await;
    receive(&api, &garden, &perlite, "P1", "100", json!({})).await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let before = whole_ledger(&garden).await;
    let amount = |value: &str, unit: &str| json!({"value": value, "unit": unit});
    for (name, value, pointer, code) in [
        ("amount", amount("1", "L"), "/amount", "density"),
        ("amount", amount("1", "1"), "/amount", "dimension"),
        ("amount", amount("1", "parsec"), "/amount", "unit"),
        ("amount", amount("-5", "g"), "/amount", "range"),
        ("amount", amount("0", "g"), "/amount", "range"),
        ("amount", amount("5000000000", "kg"), "/amount", "range"),
        ("amount", amount("1,5", "g"), "/amount", "number"),
        ("amount", Value::Null, "/amount", "missing"),
        ("lot_id", json!(clay_lot), "/lot_id", "other"),
        ("lot_id", json!(Uuid::now_v7()), "/lot_id", "unknown"),
        (
            "stock_item_id",
            json!(Uuid::now_v7()),
            "/stock_item_id",
            "unknown",
        ),
        ("stock_item_id", Value::Null, "/stock_item_id", "missing"),
        ("site_id", json!(Uuid::now_v7()), "/site_id", "unknown"),
        ("site_id", Value::Null, "/site_id", "missing"),
        ("sowing_id", json!(Uuid::now_v7()), "/sowing_id", "unknown"),
        (
            "happened_at",
            json!("2026-09-07T12:05:01Z"),
            "/happened_at",
            "range",
        ),
        (
            "happened_at",
            json!("2026-08-31T11:59:59Z"),
            "/happened_at",
            "range",
        ),
        (
            "to_site_id",
            json!(garden.other_site_id),
            "/to_site_id",
            "other",
        ),
        (
            "movement_id",
            json!(Uuid::now_v7()),
            "/movement_id",
            "other",
        ),
        ("kind", json!("receive"), "/kind", "form"),
    ] {
        let mut input = issue_input(&garden, &perlite, "10");
        input[name] = value;
        let reply = api.post(LEAD, "/movements", input).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{}", reply.text);
        assert_eq!(reply.body["errors"][0]["code"], code, "{}", reply.text);
    }
    let mut input = issue_input(&garden, &perlite, "100.001");
    let reply = api
        .post(LEAD, "/movements", input.clone())
        .await
        .expect(409);
    assert_eq!(reply.problem(), "not-enough-stock");
    // the other site's store is empty, and its sowing is not of this site
    input["site_id"] = json!(garden.other_site_id);
    let reply = api.post(COORDINATOR, "/movements", input.clone()).await;
    assert_eq!(reply.expect(409).problem(), "not-enough-stock");
    input["sowing_id"] = json!(sowing_id);
    let reply = api.post(COORDINATOR, "/movements", input).await.expect(422);
    assert_eq!(reply.pointers(), ["/sowing_id"]);
    let transfer = json!({"kind": "transfer", "site_id": garden.site_id, "to_site_id": garden.site_id, "lot_id": clay_lot, "amount": grams("1")});
    let reply = api.post(LEAD, "/movements", transfer).await.expect(422);
    assert_eq!(reply.pointers(), ["/to_site_id"]);
    let spoil = json!({"kind": "spoil", "site_id": garden.site_id, "stock_item_id": clay, "amount": grams("1"), "reason": "Wet"});
    let reply = api.post(LEAD, "/movements", spoil).await.expect(422);
    assert_eq!(reply.pointers(), ["/lot_id"]);
    let spoil = json!({"kind": "spoil", "site_id": garden.site_id, "lot_id": clay_lot, "amount": grams("1")});
    let reply = api.post(LEAD, "/movements", spoil).await.expect(422);
    assert_eq!(reply.pointers(), ["/reason"]);
    assert_eq!(whole_ledger(&garden).await, before);
}

#[actix_web::test]
async fn volunteers_draw_at_their_site_and_nothing_else() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let lot_id = receive(&api, &garden, &item_id, "P1", "100", json!({})).await;
    let issue = issue_input(&garden, &item_id, "1");
    let made = api
        .post(VOLUNTEER, "/movements", issue.clone())
        .await
        .expect(201);
    let movement_id = made.body["movements"][0]["id"].clone();
    let before = whole_ledger(&garden).await;
    for input in [
        json!({"kind": "spoil", "site_id": garden.site_id, "lot_id": lot_id, "amount": grams("1"), "reason": "Wet"}),
        json!({"kind": "transfer", "site_id": garden.site_id, "to_site_id": garden.other_site_id, "lot_id": lot_id, "amount": grams("1")}),
        json!({"kind": "reverse", "movement_id": movement_id, "reason": "Not drawn"}),
    ] {
        for who in [VOLUNTEER, ELSEWHERE] {
            let reply = api.post(who, "/movements", input.clone()).await.expect(403);
            // what was asked for, not what else those may do who may do it
            let said = reply.body["detail"].as_str().unwrap();
            let kind = input["kind"].as_str().unwrap();
            assert!(
                said.ends_with(&format!("record_movement of the kind {kind}")),
                "{said}"
            );
        }
    }
    for who in [ELSEWHERE, READER] {
        api.post(who, "/movements", issue.clone()).await.expect(403);
    }
    api.get(READER, "/stock").await.expect(403);
    api.get(READER, &format!("/lots/{lot_id}"))
        .await
        .expect(403);
    assert_eq!(whole_ledger(&garden).await, before);
}

#[actix_web::test]
async fn the_database_refuses_what_the_program_would_not_ask_for() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    receive(&api, &garden, &item_id, "P1", "100", json!({})).await;
    let issue = issue_input(&garden, &item_id, "10");
    api.post(LEAD, "/movements", issue).await.expect(201);
    let before = whole_ledger(&garden).await;
    let copy = "insert into movement (id, cooperative_id, lot_id, kind, from_place, from_site_id, to_place, to_site_id, quantity, happened_at, recorded_at, member_id, reverses_id)
                select gen_random_uuid(), cooperative_id, lot_id,";
    for (statement, constraint) in [
        ("update movement set quantity = 1".to_owned(), "append_only"),
        ("delete from movement".to_owned(), "append_only"),
        // more than there is
        (
            format!(
                "{copy} kind, from_place, from_site_id, to_place, to_site_id, 90001, now(), now(), member_id, null from movement where kind = 'issue'"
            ),
            "stock_never_negative",
        ),
        // enough now, but before it came
        (
            format!(
                "{copy} kind, from_place, from_site_id, to_place, to_site_id, 1, '2026-09-01', now(), member_id, null from movement where kind = 'issue'"
            ),
            "stock_never_was_negative",
        ),
        // a reversal of another quantity
        (
            format!(
                "{copy} 'reverse', to_place, to_site_id, from_place, from_site_id, quantity + 1, now(), now(), member_id, id from movement where kind = 'issue'"
            ),
            "movement_reverses_exactly",
        ),
        // an issue that comes from nowhere
        (
            format!(
                "{copy} 'issue', 'supplier', null, to_place, to_site_id, quantity, now(), now(), member_id, null from movement where kind = 'issue'"
            ),
            "movement_of_kind",
        ),
    ] {
        let refused = sqlx::query(sqlx::AssertSqlSafe(statement.clone()))
            .execute(&garden.pool)
            .await
            .unwrap_err();
        let name = refused
            .as_database_error()
            .and_then(|error| error.constraint())
            .map(str::to_owned);
        assert_eq!(name.as_deref(), Some(constraint), "{statement}: {refused}");
    }
    assert_eq!(whole_ledger(&garden).await, before);
}

#[actix_web::test]
async fn a_request_repeated_with_its_key_draws_once() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    receive(&api, &garden, &item_id, "P1", "100", json!({})).await;
    let send = |weight: &str| {
        let input = issue_input(&garden, &item_id, weight);
        api.send(
            api.request(VOLUNTEER, Method::POST, "/movements")
                .insert_header(("idempotency-key", "draw-once"))
                .set_json(input),
        )
    };
    let replies = join_all((0..4).map(|_| send("30"))).await;
    for reply in &replies {
        assert_eq!(reply.status, 201, "{}", reply.text);
        assert_eq!(reply.body, replies[0].body);
    }
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "70");
    assert_eq!(send("31").await.expect(422).problem(), "key-reused");
}

/// 50 clients, each over a TCP connection of its own to a server with 50 database connections, draw the last
/// 100 g at the same moment.
#[actix_web::test]
async fn fifty_connections_draw_the_last_of_it_and_one_gets_it() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    for (code, last_day) in [("P1", "2026-12-01"), ("P2", "2026-11-01")] {
        receive(
            &api,
            &garden,
            &item_id,
            code,
            "50",
            json!({"expires_on": last_day}),
        )
        .await;
    }
    let pool = PoolSettings {
        connections: 50,
        wait: Duration::from_secs(30),
        ..PoolSettings::default()
    };
    let store = Store::new(api.bed.options.clone(), &pool);
    let app = App::start(
        store.clone(),
        Arc::new(api.bed.clock.clone()),
        Passwords::fast_for_tests().unwrap(),
    )
    .await
    .unwrap();
    let state = Data::new(ApiState::new(app, &settings(), None));
    let server = actix_web::HttpServer::new(move || api_app(state.clone()))
        .workers(2)
        .disable_signals()
        .bind(("127.0.0.1", 0))
        .unwrap();
    let address = server.addrs()[0];
    let server = server.run();
    let handle = server.handle();
    actix_web::rt::spawn(server);

    let token = api.token(VOLUNTEER);
    let input = issue_input(&garden, &item_id, "100");
    // clients of their own, so connections of their own, opened before the race
    let clients: Vec<reqwest::Client> = (0..50).map(|_| reqwest::Client::new()).collect();
    let url = |path: &str| format!("http://{address}/api/v1{path}");
    let opened = join_all(
        clients
            .iter()
            .map(|client| client.get(url("/me")).bearer_auth(&token).send()),
    )
    .await;
    assert!(
        opened
            .into_iter()
            .all(|answer| answer.unwrap().status() == 200)
    );
    let answers = join_all(clients.iter().map(async |client| {
        let answer = client
            .post(url("/movements"))
            .bearer_auth(&token)
            .json(&input)
            .send()
            .await
            .unwrap();
        let status = answer.status().as_u16();
        (status, answer.json::<Value>().await.unwrap())
    }))
    .await;
    handle.stop(true).await;
    let (won, lost): (Vec<_>, Vec<_>) = answers.into_iter().partition(|(status, _)| *status == 201);
    assert_eq!((won.len(), lost.len()), (1, 49), "{lost:?}");
    assert_eq!(won[0].1["movements"].as_array().unwrap().len(), 2);
    for (status, body) in &lost {
        assert_eq!(*status, 409, "{body}");
        assert_eq!(body["type"], "urn:cotyl:problem:not-enough-stock");
    }
    assert_eq!(store.open_connections(), 50);
    // two receipts and the two movements of the winner, and nothing else
    let movements = api.get(LEAD, "/movements").await.expect(200);
    assert_eq!(movements.body["items"].as_array().unwrap().len(), 4);
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "0");
}

#[actix_web::test]
async fn opposite_transfers_at_the_same_moment_both_happen() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    for code in ["P1", "P2", "P3"] {
        receive(&api, &garden, &item_id, code, "100", json!({})).await;
    }
    let transfer = |from: Uuid, to: Uuid, weight: &str| json!({"kind": "transfer", "site_id": from, "to_site_id": to, "stock_item_id": item_id, "amount": grams(weight)});
    let (here, there) = (garden.site_id, garden.other_site_id);
    api.post(COORDINATOR, "/movements", transfer(here, there, "150"))
        .await
        .expect(201);
    for _ in 0..10 {
        let (out, back) = join(
            api.post(COORDINATOR, "/movements", transfer(here, there, "120")),
            api.post(COORDINATOR, "/movements", transfer(there, here, "120")),
        )
        .await;
        out.expect(201);
        back.expect(201);
    }
    assert_eq!(balance(&api, LEAD, &garden, &item_id, "").await, "150");
    let sums: (i64, i64) = sqlx::query_as(
        "select sum(quantity)::bigint, (select sum(quantity)::bigint from (
           select distinct on (site_id, lot_id) quantity from store_line order by site_id, lot_id, happened_at desc, movement_id desc) l)
           from store_lot",
    )
    .fetch_one(&garden.pool)
    .await
    .unwrap();
    assert_eq!(sums, (300_000, 300_000));
}

/// Draws, transfers and receipts at random moments of a week, reported in any order: every balance is the sum of
/// the movements, now and at any time.
#[actix_web::test]
async fn every_balance_is_the_sum_of_the_movements() {
    use rand::{Rng, SeedableRng};
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    for code in ["P1", "P2"] {
        receive(
            &api,
            &garden,
            &item_id,
            code,
            "100",
            json!({"received_on": "2026-09-05"}),
        )
        .await;
    }
    go_to(&api, "2026-09-11T12:00:00Z").await;
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    let (here, there) = (garden.site_id, garden.other_site_id);
    let mut accepted = 0;
    for _ in 0..120 {
        let (from, to) = if random.random_bool(0.5) {
            (here, there)
        } else {
            (there, here)
        };
        let minutes = random.random_range(0..5 * 24 * 60);
        let at = "2026-09-06T12:00:00Z"
            .parse::<chrono::DateTime<chrono::Utc>>()
            .unwrap()
            + chrono::TimeDelta::minutes(minutes);
        let weight = random.random_range(1..40).to_string();
        let mut input = json!({"site_id": from, "stock_item_id": item_id, "amount": grams(&weight), "happened_at": at});
        if random.random_bool(0.7) {
            input["kind"] = json!("transfer");
            input["to_site_id"] = json!(to);
        } else {
            input["kind"] = json!("issue");
            input["amount"] = grams("1");
        }
        let reply = api.post(COORDINATOR, "/movements", input).await;
        assert!(
            reply.status == 201 || reply.problem() == "not-enough-stock",
            "{}",
            reply.text
        );
        accepted += usize::from(reply.status == 201);
    }
    assert!((20..120).contains(&accepted), "{accepted}");
    // each line of the books against the sum of all movements up to it
    let wrong: i64 = sqlx::query_scalar(
        "select count(*) from store_line l
          where l.quantity is distinct from (
            select sum(case when m.to_site_id = l.site_id then m.quantity else 0 end - case when m.from_site_id = l.site_id then m.quantity else 0 end)
              from movement m
             where m.lot_id = l.lot_id and (m.from_site_id = l.site_id or m.to_site_id = l.site_id)
               and (m.happened_at, m.id) <= (l.happened_at, l.movement_id))",
    )
    .fetch_one(&garden.pool)
    .await
    .unwrap();
    assert_eq!(wrong, 0);
    let wrong: i64 = sqlx::query_scalar(
        "select count(*) from store_lot s
          where s.quantity is distinct from (
                  select sum(case when m.to_site_id = s.site_id then m.quantity else 0 end - case when m.from_site_id = s.site_id then m.quantity else 0 end)
                    from movement m where m.lot_id = s.lot_id)
             or (s.quantity > 0) <> (s.left_until = 'infinity')
             or s.there_from is distinct from (select min(l.happened_at) from store_line l where l.site_id = s.site_id and l.lot_id = s.lot_id)",
    )
    .fetch_one(&garden.pool)
    .await
    .unwrap();
    assert_eq!(wrong, 0);
}
