//! A delivery that was packed by mistake is withdrawn: its grams are back in their cuts, and it counts nowhere.

use actix_web::http::Method;
use futures::future::join_all;
use serde_json::{Value, json};

use crate::claims::{TestTask, add_task, begin, claim};
use crate::cuts::{TestSowing, cut_input, go_to, grams, sow};
use crate::deliveries::{delivery_input, pack};
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::recalls::step;
use crate::site_work::{look, of_rule};
use crate::support::{Api, Reply};
use crate::traces::Season;
use crate::withheld::{hand_over, release, start};
use crate::work_reports::finish;

pub fn reason(why: &str) -> Option<Value> {
    Some(json!({"reason": why}))
}

pub async fn withdraw(api: &Api, who: &str, delivery: &str, etag: &str) -> Reply {
    let path = format!("/deliveries/{delivery}/withdrawal");
    step(api, who, &path, etag, reason(" Packed for the wrong day ")).await
}

/// A garden on 5 October 2026 at 11:00 local time, with a cut of 400 g.
pub async fn garden_with_cut(api: &Api) -> (Garden, String) {
    let garden = Garden::plant(api).await;
    go_to(api, "2026-10-05T15:00:00Z").await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let cut = cut_input(sowing_id, "400");
    let cut = api.post(VOLUNTEER, "/cuts", cut).await.expect(201);
    (garden, cut.id())
}

async fn left(api: &Api, cut: &str) -> (Value, Value) {
    let cut = api.get(LEAD, &format!("/cuts/{cut}")).await.expect(200);
    (cut.body["delivered"].clone(), cut.body["left"].clone())
}

async fn listed(api: &Api, who: &str, query: &str) -> Vec<String> {
    let reply = api.get(who, &format!("/deliveries?{query}")).await;
    let items = reply.expect(200).body["items"].clone();
    let items = items.as_array().unwrap().iter();
    items
        .map(|one| one["id"].as_str().unwrap().to_owned())
        .collect()
}

#[actix_web::test]
async fn its_grams_are_back_and_its_rows_stay() {
    let api = Api::new().await;
    let (garden, cut) = garden_with_cut(&api).await;
    let kept = pack(&api, &garden, &[(&cut, "20")]).await;
    let packed = pack(&api, &garden, &[(&cut, "250"), (&cut, "50"), (&cut, "80")]).await;
    let id = packed.id();
    let path = format!("/deliveries/{id}");
    let line_id = packed.body["lines"][1]["id"].clone();
    let correction = json!({"line_id": line_id, "weight": grams("0"), "reason": "Never put in"});
    let corrections = format!("{path}/corrections");
    let corrected = api.post(LEAD, &corrections, correction).await.expect(201);
    assert_eq!(left(&api, &cut).await, (grams("350"), grams("50")));
    let seen = api.get(LEAD, &format!("/cuts/{cut}")).await.expect(200);

    let withdrawn = withdraw(&api, LEAD, &id, &corrected.etag()).await;
    let withdrawn = withdrawn.expect(200);
    let lead = crate::claims::id_of(&garden, LEAD).await;
    assert_eq!(withdrawn.etag(), "\"v3\"");
    for (name, value) in [
        ("state", json!("withdrawn")),
        ("withdrawn_at", json!("2026-10-05T15:00:00Z")),
        ("withdrawn_by", json!(lead)),
        ("withdrawal_reason", json!("Packed for the wrong day")),
        ("total", grams("0")),
        ("packed_on", json!("2026-10-05")),
        ("handed_over_on", Value::Null),
    ] {
        assert_eq!(withdrawn.body[name], value, "{name}");
    }
    // what was packed can still be read, with why it is nothing now
    let lines = withdrawn.body["lines"].as_array().unwrap();
    let of = |line: &Value| {
        let reasons = line["amendments"].as_array().unwrap().iter();
        let reasons: Vec<Value> = reasons.map(|one| one["reason"].clone()).collect();
        json!([line["first_weight"], line["weight"], reasons])
    };
    let lines: Vec<Value> = lines.iter().map(of).collect();
    assert_eq!(
        lines,
        [
            json!([grams("250"), grams("0"), ["Packed for the wrong day"]]),
            json!([grams("50"), grams("0"), ["Never put in"]]),
            json!([grams("80"), grams("0"), ["Packed for the wrong day"]]),
        ]
    );
    assert_eq!(
        api.get(READER, &path).await.expect(200).body,
        withdrawn.body
    );
    assert_eq!(left(&api, &cut).await, (grams("20"), grams("380")));
    let after = api.get(LEAD, &format!("/cuts/{cut}")).await.expect(200);
    assert_ne!(seen.etag(), after.etag());

    // lists leave it out unless they are asked for it
    for query in ["", "week=2026-W41", "state=packed", "disputed=false"] {
        assert_eq!(
            listed(&api, COORDINATOR, query).await,
            [kept.id()],
            "{query}"
        );
    }
    assert_eq!(listed(&api, READER, "").await, [kept.id()]);
    for query in ["state=withdrawn", "state=withdrawn&week=2026-W41"] {
        assert_eq!(listed(&api, READER, query).await, [id.as_str()], "{query}");
    }
    // and all of it can be packed again
    pack(&api, &garden, &[(&cut, "380")]).await;
    let more = delivery_input(&garden, &[(&cut, "0.001")]);
    let more = api.post(VOLUNTEER, "/deliveries", more).await.expect(409);
    assert_eq!(more.problem(), "more-than-cut");
}

#[actix_web::test]
async fn nothing_more_is_done_with_it() {
    let api = Api::new().await;
    let (garden, cut) = garden_with_cut(&api).await;
    let empty = pack(&api, &garden, &[]).await.id();
    withdraw(&api, COORDINATOR, &empty, "*").await.expect(200);
    let packed = pack(&api, &garden, &[(&cut, "100")]).await;
    withdraw(&api, LEAD, &packed.id(), "*").await.expect(200);
    let line_id = packed.body["lines"][0]["id"].clone();
    let path = format!("/deliveries/{}", packed.id());
    let line = json!({"cut_id": cut, "weight": grams("1")});
    let correction = json!({"line_id": line_id, "weight": grams("1"), "reason": "After all"});
    for (who, step, body) in [
        (VOLUNTEER, "lines", line),
        (VOLUNTEER, "hand_over", json!({"received_by": "R. Okafor"})),
        (LEAD, "corrections", correction),
        (READER, "confirmation", json!({})),
        (READER, "disputes", json!({"reason": "Nothing came"})),
    ] {
        let reply = api.post(who, &format!("{path}/{step}"), body).await;
        let reply = reply.expect(409);
        assert_eq!(reply.problem(), "wrong-state", "{step}");
        let words = reply.body["detail"].as_str().unwrap();
        assert!(words.contains("withdrawn"), "{step}: {words}");
    }
    let again = withdraw(&api, LEAD, &packed.id(), "*").await.expect(409);
    assert_eq!(again.problem(), "wrong-state");
    // the database says so, too
    for statement in [
        "insert into delivery_line (id, cooperative_id, delivery_id, cut_id, milligrams, recorded_at)
         select gen_random_uuid(), cooperative_id, delivery_id, cut_id, 1, now() from delivery_line",
        "insert into delivery_correction (id, cooperative_id, delivery_line_id, change_milligrams, reason, member_id, recorded_at)
         select gen_random_uuid(), cooperative_id, delivery_line_id, 1, reason, member_id, now() from delivery_correction",
        "insert into delivery_dispute (id, cooperative_id, delivery_id, reason, member_id, recorded_at)
         select gen_random_uuid(), cooperative_id, id, 'x', withdrawn_by, now() from delivery",
        "update delivery set state = 'packed', withdrawn_at = null, withdrawn_by = null, withdrawal_reason = null",
    ] {
        let refused = sqlx::query(statement).execute(&garden.pool).await.unwrap_err();
        let name = refused.as_database_error().and_then(|error| error.constraint());
        assert_eq!(name, Some("delivery_withdrawn"), "{refused}");
    }
    let with_weight = pack(&api, &garden, &[(&cut, "1")]).await;
    let refused = sqlx::query(
        "update delivery set state = 'withdrawn', withdrawn_at = now(), withdrawn_by = (select id from member limit 1),
                withdrawal_reason = 'x' where id::text = $1",
    )
    .bind(with_weight.id())
    .execute(&garden.pool)
    .await
    .unwrap_err();
    let name = refused
        .as_database_error()
        .and_then(|error| error.constraint());
    assert_eq!(name, Some("delivery_withdrawn_weight"), "{refused}");

    // what went out is not withdrawn
    let gone = format!("/deliveries/{}/hand_over", with_weight.id());
    let body = json!({"received_by": "R. Okafor"});
    api.post(VOLUNTEER, &gone, body).await.expect(200);
    let late = withdraw(&api, LEAD, &with_weight.id(), "*").await;
    assert!(late.expect(409).text.contains("handed over"));
    assert_eq!(left(&api, &cut).await, (grams("1"), grams("399")));
}

#[actix_web::test]
async fn who_may_and_what_is_asked() {
    let api = Api::new().await;
    let (garden, cut) = garden_with_cut(&api).await;
    let packed = pack(&api, &garden, &[(&cut, "100")]).await;
    let (id, path) = (
        packed.id(),
        format!("/deliveries/{}/withdrawal", packed.id()),
    );
    let foreign = "grace@example.org";
    api.found("Blue Jars", foreign).await;
    for (who, status) in [
        (VOLUNTEER, 403),
        (READER, 403),
        (ELSEWHERE, 404),
        (foreign, 404),
        ("", 401),
    ] {
        withdraw(&api, who, &id, "*").await.expect(status);
    }
    let body = reason("x").unwrap();
    api.post(LEAD, &path, body.clone()).await.expect(428);
    let line = json!({"cut_id": cut, "weight": grams("1")});
    let lines = format!("/deliveries/{id}/lines");
    api.post(VOLUNTEER, &lines, line).await.expect(201);
    // somebody put a line in meanwhile
    withdraw(&api, LEAD, &id, &packed.etag()).await.expect(412);
    for wrong in ["", " \n ", &"x".repeat(301)] {
        let reply = step(&api, LEAD, &path, "*", reason(wrong)).await;
        assert_eq!(reply.expect(422).pointers(), ["/reason"], "{wrong}");
    }
    let unknown = json!({"reason": "x", "because": "y"});
    let reply = step(&api, LEAD, &path, "*", Some(unknown)).await;
    assert_eq!(reply.expect(422).pointers(), ["/because"]);
    step(&api, LEAD, &path, "*", Some(json!({})))
        .await
        .expect(422);
    let nowhere = uuid::Uuid::now_v7().to_string();
    withdraw(&api, LEAD, &nowhere, "*").await.expect(404);
    assert_eq!(left(&api, &cut).await, (grams("101"), grams("299")));

    // sent again and again under one key, it has one effect and one answer
    let send = |why: &str| {
        let request = api
            .request(LEAD, Method::POST, &path)
            .insert_header(("if-match", "\"v2\""))
            .insert_header(("idempotency-key", "wrong day"));
        api.send(request.set_json(reason(why).unwrap()))
    };
    let replies = join_all((0..4).map(|_| send("Wrong day"))).await;
    for reply in replies {
        let reply = reply.expect(200);
        assert_eq!(
            (reply.etag().as_str(), &reply.body["state"]),
            ("\"v3\"", &json!("withdrawn"))
        );
    }
    assert_eq!(send("Wrong week").await.expect(422).problem(), "key-reused");
    let entries: i64 = sqlx::query_scalar("select count(*) from delivery_correction")
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(entries, 2);
    let audited: i64 = sqlx::query_scalar(
        "select count(*) from audit_entry where operation = 'withdraw_delivery'",
    )
    .fetch_one(&garden.pool)
    .await
    .unwrap();
    assert_eq!(audited, 1);
}

#[actix_web::test]
async fn totals_reports_and_as_of_know_nothing_of_it() {
    let api = Api::new().await;
    let (garden, cut) = garden_with_cut(&api).await;
    let given = pack(&api, &garden, &[(&cut, "150")]).await;
    let body = json!({"received_by": "R. Okafor"});
    let path = format!("/deliveries/{}/hand_over", given.id());
    api.post(VOLUNTEER, &path, body).await.expect(200);
    let ask = async |query: &str| {
        let weeks = format!("/totals/weeks?from=2026-W40&to=2026-W42{query}");
        let month = format!("/reports/harvest?month=2026-10{query}");
        let mut answers = Vec::new();
        for path in [weeks, month] {
            let mut answer = api.get(COORDINATOR, &path).await.expect(200).body;
            // the instant that was asked for
            assert!(answer.as_object_mut().unwrap().remove("as_of").is_some());
            answers.push(answer);
        }
        answers
    };
    let before = ask("").await;
    go_to(&api, "2026-10-05T15:10:00Z").await;
    let packed = pack(&api, &garden, &[(&cut, "120")]).await;
    let while_packed = ask("&as_of=2026-10-05T15:10:00Z").await;
    go_to(&api, "2026-10-05T15:20:00Z").await;
    withdraw(&api, LEAD, &packed.id(), "*").await.expect(200);
    let after = ask("").await;
    assert_eq!(after, before);
    assert_eq!(ask("&as_of=2026-10-05T15:10:00Z").await, while_packed);
    let delivered = after[0]["sum"]["delivered"]["value"].clone();
    assert_eq!(delivered, "150", "{:#}", after[0]);
}

#[actix_web::test]
async fn the_task_that_packing_finished_opens_again() {
    let api = Api::new().await;
    let (garden, cut) = garden_with_cut(&api).await;
    let packing = || TestTask {
        kind: "pack",
        opens_at: "2026-10-05T12:00:00Z",
        due_at: "2026-10-05T20:00:00Z",
        ..TestTask::default()
    };
    let (task, other) = (
        add_task(&garden, packing()).await,
        add_task(&garden, packing()).await,
    );
    let packed = pack(&api, &garden, &[(&cut, "100")]).await;
    let second = pack(&api, &garden, &[(&cut, "50")]).await;
    let told = json!({"delivery_id": packed.id(), "done_at": "2026-10-05T14:59:00Z"});
    for path in [&task, &other] {
        claim(&api, VOLUNTEER, path).await.expect(201);
        begin(&api, VOLUNTEER, path).await.expect(200);
    }
    finish(&api, VOLUNTEER, &task, told.clone())
        .await
        .expect(200);
    let by_second = json!({"delivery_id": second.id()});
    finish(&api, VOLUNTEER, &other, by_second).await.expect(200);
    let done = api.get(LEAD, &task).await.expect(200);
    assert_eq!(
        (&done.body["state"], &done.body["outcome"]["delivery_id"]),
        (&json!("done"), &json!(packed.id()))
    );

    withdraw(&api, LEAD, &packed.id(), "*").await.expect(200);
    let open = api.get(VOLUNTEER, &task).await.expect(200);
    assert_eq!(
        json!([
            open.body["state"],
            open.body["outcome"],
            open.body["done_at"],
            open.body["holders"]
        ]),
        json!(["open", null, null, []])
    );
    let stays = api.get(LEAD, &other).await.expect(200);
    assert_eq!(stays.body["state"], "done");
    // the report of the work stays, and sent again it finishes nothing
    let again = finish(&api, VOLUNTEER, &task, told).await.expect(200);
    assert_eq!(again.body["state"], "open");
    claim(&api, VOLUNTEER, &task).await.expect(201);
    // a withdrawn delivery finishes no task
    let reply = finish(&api, VOLUNTEER, &task, json!({"delivery_id": packed.id()})).await;
    let reply = reply.expect(409);
    assert!(reply.text.contains("withdrawn"), "{}", reply.text);
    let third = pack(&api, &garden, &[(&cut, "100")]).await;
    let told = json!({"delivery_id": third.id()});
    finish(&api, VOLUNTEER, &task, told).await.expect(200);
}

/// Work that the rules bring, which a packed delivery ends by itself.
#[actix_web::test]
async fn what_the_rules_dropped_comes_back() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    go_to(&api, "2026-10-19T12:00:00Z").await;
    let sowing = TestSowing {
        planned_cuts: vec![("2026-10-20", 400_000)],
        ..TestSowing::default()
    };
    let sowing_id = sow(&garden, sowing).await;
    api.bed.app.queue_due_looks().await.unwrap();
    look(&api).await;
    let states = async || -> Vec<(String, String)> {
        let tasks = of_rule(&garden, "pack").await.into_iter();
        tasks
            .map(|(state, day, _)| (state, day.to_string()))
            .collect()
    };
    let on_wednesday = |state: &str| [(state.to_owned(), "2026-10-21".to_owned())];
    assert_eq!(states().await, on_wednesday("open"));
    go_to(&api, "2026-10-21T13:00:00Z").await;
    let mut cut = cut_input(sowing_id, "400");
    cut["cut_on"] = json!("2026-10-20");
    let cut = api.post(VOLUNTEER, "/cuts", cut).await.expect(201);
    let packed = pack(&api, &garden, &[(&cut.id(), "300")]).await;
    look(&api).await;
    assert_eq!(states().await, on_wednesday("dropped"));
    withdraw(&api, LEAD, &packed.id(), "*").await.expect(200);
    look(&api).await;
    assert_eq!(states().await, on_wednesday("open"));
}

#[actix_web::test]
async fn no_trace_finds_it_and_no_recipient_is_told_of_it() {
    let season = Season::grow().await;
    let api = &season.api;
    let lot = json!({"of": "lot", "id": season.seed_lot});
    let recall = start(&season, lot).await;
    let path = format!("/recalls/{}", recall.id());
    let kitchen = |reply: &Reply| {
        let notices = reply.body["notices"].as_array().unwrap();
        let found = notices
            .iter()
            .find(|one| one["recipient_name"] == "Soup kitchen");
        let found = found.unwrap();
        json!([
            found["weight"],
            found["deliveries"].as_array().unwrap().len(),
            found["told"]
        ])
    };
    assert_eq!(kitchen(&recall), json!([grams("100"), 1, false]));
    let traced = |reply: &Reply| reply.text.contains(&season.second);
    let query = format!("of=lot&id={}&direction=forward", season.seed_lot);
    assert!(traced(&season.ask(COORDINATOR, &query).await.expect(200)));

    // what a recall holds back can be withdrawn: its trays stay held back
    withdraw(api, LEAD, &season.second, "*").await.expect(200);
    let again = api
        .post(
            VOLUNTEER,
            "/deliveries",
            delivery_input(&season.garden, &[(&season.cut, "1")]),
        )
        .await;
    again.expect(422);
    assert!(!traced(&season.ask(COORDINATOR, &query).await.expect(200)));
    let back = format!("of=delivery&id={}&direction=both", season.second);
    let back = season.ask(COORDINATOR, &back).await.expect(200);
    assert_eq!(back.body["deliveries"][0]["state"], "withdrawn");
    assert_eq!(back.body["edges"], json!([]));
    // the kitchen gets nothing of it, so nobody need tell it; the pantry got its own
    let seen = api.get(COORDINATOR, &path).await.expect(200);
    assert_eq!(kitchen(&seen), json!([grams("0"), 0, true]));
    assert_eq!(seen.body["weight"], grams("250"));
    let traces = format!("{path}/traces");
    let retraced = step(api, COORDINATOR, &traces, "*", None).await.expect(200);
    assert_eq!(kitchen(&retraced), json!([grams("0"), 0, true]));
    let told = json!({"recipient_id": season.garden.recipient_id});
    let notices = format!("{path}/notices");
    api.post(COORDINATOR, &notices, told).await.expect(200);
    let outcome = Some(json!({"outcome": "All told"}));
    let closing = format!("{path}/closing");
    step(api, COORDINATOR, &closing, "*", outcome)
        .await
        .expect(200);
}

/// Whoever was told of a delivery that is withdrawn later knows enough, before and after a further trace.
#[actix_web::test]
async fn who_was_told_of_it_need_not_be_told_again() {
    let season = Season::grow().await;
    let api = &season.api;
    let mut more = delivery_input(&season.garden, &[(&season.cut, "30")]);
    more["recipient_id"] = json!(season.second_recipient);
    api.post(VOLUNTEER, "/deliveries", more).await.expect(201);
    let recall = start(&season, json!({"of": "lot", "id": season.seed_lot})).await;
    let path = format!("/recalls/{}", recall.id());
    for recipient in [season.garden.recipient_id, season.second_recipient] {
        let told = json!({"recipient_id": recipient});
        let notices = format!("{path}/notices");
        api.post(COORDINATOR, &notices, told).await.expect(200);
    }
    let outcome = Some(json!({"outcome": "All told"}));
    let closing = format!("{path}/closing");
    step(api, COORDINATOR, &closing, "*", outcome)
        .await
        .expect(200);
    withdraw(api, LEAD, &season.second, "*").await.expect(200);
    let all_told = |reply: &Reply| {
        let notices = reply.body["notices"].as_array().unwrap().iter();
        notices
            .map(|one| json!([one["weight"], one["told_weight"], one["told"]]))
            .collect::<Vec<_>>()
    };
    let seen = api.get(COORDINATOR, &path).await.expect(200);
    let expected = [
        json!([grams("250"), grams("250"), true]),
        json!([grams("30"), grams("130"), true]),
    ];
    assert_eq!(all_told(&seen), expected);
    let traces = format!("{path}/traces");
    let retraced = step(api, COORDINATOR, &traces, "*", None).await.expect(200);
    assert_eq!(all_told(&retraced), expected);
    assert_eq!(retraced.body["state"], "closed");
}

/// What is suspect because it is in this delivery is found by it alone: withdrawn, its trays would be free.
#[actix_web::test]
async fn a_suspect_delivery_stays_until_the_release() {
    let season = Season::grow().await;
    let api = &season.api;
    let recall = start(&season, json!({"of": "delivery", "id": season.second})).await;
    let refused = withdraw(api, LEAD, &season.second, "*").await.expect(409);
    assert_eq!(refused.problem(), "withheld");
    hand_over(&season, LEAD, &season.second, None)
        .await
        .expect(409);
    release(&season, &recall.id()).await.expect(200);
    withdraw(api, LEAD, &season.second, "*").await.expect(200);
}

/// A recipient for whom nothing is packed any more can be taken out of use.
#[actix_web::test]
async fn it_keeps_no_recipient_in_use() {
    let season = Season::grow().await;
    let api = &season.api;
    let path = format!("/recipients/{}", season.second_recipient);
    let refused = api.delete(COORDINATOR, &path, "*").await.expect(409);
    assert!(
        refused.text.contains("a delivery packed on"),
        "{}",
        refused.text
    );
    withdraw(api, LEAD, &season.second, "*").await.expect(200);
    let retired = api.delete(COORDINATOR, &path, "*").await;
    assert!(retired.status.is_success(), "{}", retired.text);
}

/// An earlier schema knows no withdrawn deliveries: there they are packed, with nothing in them.
#[actix_web::test]
async fn the_schema_goes_back_with_withdrawn_deliveries() {
    let api = Api::new().await;
    let (garden, cut) = garden_with_cut(&api).await;
    let packed = pack(&api, &garden, &[(&cut, "100")]).await;
    withdraw(&api, LEAD, &packed.id(), "*").await.expect(200);
    let store = api.bed.app.store();
    cotyl_store::migrations::revert(store, 22).await.unwrap();
    let state: String = sqlx::query_scalar("select state from delivery")
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(state, "packed");
    cotyl_store::migrations::migrate(store).await.unwrap();
    let path = format!("/deliveries/{}", packed.id());
    let seen = api.get(LEAD, &path).await.expect(200);
    assert_eq!(
        (&seen.body["state"], &seen.body["total"]),
        (&json!("packed"), &grams("0"))
    );
}
