//! What a recall finds suspect is neither packed nor handed over, from its start until it is released.

use actix_web::http::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::cuts::{cut_input, go_to, grams};
use crate::deliveries::delivery_input;
use crate::garden::{COORDINATOR, ELSEWHERE, LEAD, READER, VOLUNTEER};
use crate::recalls::{member, step};
use crate::sowings::event;
use crate::support::Reply;
use crate::traces::Season;

pub const TITLE: &str = "Smell of solvent";

pub async fn draft(season: &Season, suspect: Value) -> Reply {
    let input = json!({"title": TITLE, "why": "Nobody knows from what", "suspect": suspect});
    season
        .api
        .post(COORDINATOR, "/recalls", input)
        .await
        .expect(201)
}

pub async fn start(season: &Season, suspect: Value) -> Reply {
    let path = format!("/recalls/{}/start", draft(season, suspect).await.id());
    step(&season.api, COORDINATOR, &path, "*", None)
        .await
        .expect(200)
}

pub async fn release(season: &Season, recall: &str) -> Reply {
    let why = json!({"why": "The laboratory found nothing"});
    let path = format!("/recalls/{recall}/release");
    step(&season.api, COORDINATOR, &path, "*", Some(why)).await
}

pub async fn pack(season: &Season, lines: &[(&str, &str)]) -> Reply {
    let input = delivery_input(&season.garden, lines);
    season.api.post(VOLUNTEER, "/deliveries", input).await
}

pub async fn hand_over(season: &Season, who: &str, delivery: &str, at: Option<&str>) -> Reply {
    let path = format!("/deliveries/{delivery}/hand_over");
    let input = json!({"received_by": "R. Okafor", "at": at});
    season.api.post(who, &path, input).await
}

/// A tray of the sowing that nothing was drawn for from the suspect lot.
pub async fn other_tray(season: &Season) -> Reply {
    let sprouted = json!({"kind": "sprouted", "sprouted_containers": 4});
    event(&season.api, LEAD, &season.other_sowing, sprouted)
        .await
        .expect(201);
    let input = cut_input(season.other_sowing.parse().unwrap(), "300");
    season.api.post(LEAD, "/cuts", input).await.expect(201)
}

/// The code of each field problem with its pointer.
pub fn faults(reply: &Reply) -> Vec<(String, String)> {
    let faults = reply.body["errors"].as_array().unwrap().iter();
    let text = |fault: &Value, name: &str| fault[name].as_str().unwrap().to_owned();
    faults
        .map(|fault| (text(fault, "pointer"), text(fault, "code")))
        .collect()
}

pub fn withheld_at(pointers: &[&str]) -> Vec<(String, String)> {
    let pointers = pointers.iter();
    pointers
        .map(|pointer| ((*pointer).to_owned(), "withheld".to_owned()))
        .collect()
}

async fn count(season: &Season, table: &'static str) -> i64 {
    sqlx::query_scalar(sqlx::AssertSqlSafe(format!("select count(*) from {table}")))
        .fetch_one(&season.garden.pool)
        .await
        .unwrap()
}

#[actix_web::test]
async fn suspect_trays_are_not_packed_before_the_release() {
    let season = Season::grow().await;
    let api = &season.api;
    let other = other_tray(&season).await;
    assert_eq!(other.body["withheld"], false);
    let lot = json!({"of": "lot", "id": season.seed_lot});

    // a draft holds nothing back, and says so
    let made = draft(&season, lot).await;
    assert!(
        made.body["cautions"][0]["text"]
            .as_str()
            .unwrap()
            .contains("A draft holds nothing back")
    );
    pack(&season, &[(&season.cut, "1")]).await.expect(201);
    let early = release(&season, &made.id()).await.expect(409);
    assert_eq!(early.problem(), "wrong-state");

    let path = format!("/recalls/{}", made.id());
    let started = step(api, COORDINATOR, &format!("{path}/start"), "*", None).await;
    let started = started.expect(200);
    assert_eq!(started.body["released_at"], Value::Null);
    let caution = started.body["cautions"][0]["text"].as_str().unwrap();
    for words in [
        "cannot be packed",
        "Set it apart",
        "label it",
        "nobody eats it",
        "after it is closed",
    ] {
        assert!(caution.contains(words), "{caution}");
    }

    // every line is looked at, and nothing is written
    let kept = (
        count(&season, "delivery").await,
        count(&season, "delivery_line").await,
    );
    let other_id = other.id();
    let lines = [
        (season.cut.as_str(), "1"),
        (other_id.as_str(), "1"),
        (season.cut.as_str(), "2"),
    ];
    let refused = pack(&season, &lines).await.expect(422);
    assert_eq!(
        faults(&refused),
        withheld_at(&["/lines/0/cut_id", "/lines/2/cut_id"])
    );
    let words = refused.body["errors"][0]["detail"].as_str().unwrap();
    for part in [&season.tray_code, "recall", "set it aside", "coordinator"] {
        assert!(words.contains(part), "{words}");
    }
    // volunteers may not read the recall
    assert!(!refused.text.contains(TITLE));
    let packed = pack(&season, &[(&other_id, "1")]).await.expect(201);
    let path_of_lines = format!("/deliveries/{}/lines", packed.id());
    let line = json!({"cut_id": season.cut, "weight": grams("1")});
    for who in [VOLUNTEER, LEAD, COORDINATOR] {
        let refused = api
            .post(who, &path_of_lines, line.clone())
            .await
            .expect(422);
        assert_eq!(faults(&refused), withheld_at(&["/cut_id"]));
    }
    assert_eq!(
        (
            count(&season, "delivery").await,
            count(&season, "delivery_line").await
        ),
        (kept.0 + 1, kept.1 + 1)
    );

    // a tray cut now from what is suspect is held back as well, and says so
    let later = cut_input(season.sowing.parse().unwrap(), "20");
    let later = api.post(VOLUNTEER, "/cuts", later).await.expect(201);
    assert_eq!(later.body["withheld"], true);
    let caution = later.body["cautions"][0]["text"].as_str().unwrap();
    assert!(
        caution.contains("A recall holds this tray back"),
        "{caution}"
    );
    let refused = pack(&season, &[(&later.id(), "1")]).await.expect(422);
    assert_eq!(faults(&refused), withheld_at(&["/lines/0/cut_id"]));

    // closing says that everybody was told, no more
    for recipient in [season.garden.recipient_id, season.second_recipient] {
        let told = json!({"recipient_id": recipient});
        let notices = format!("{path}/notices");
        api.post(COORDINATOR, &notices, told).await.expect(200);
    }
    let outcome = json!({"outcome": "All told"});
    let closing = format!("{path}/closing");
    let closed = step(api, COORDINATOR, &closing, "*", Some(outcome)).await;
    let closed = closed.expect(200);
    assert_eq!(closed.body["cautions"], started.body["cautions"]);
    pack(&season, &[(&season.cut, "1")]).await.expect(422);

    // released, by whoever may close
    let releasing = format!("{path}/release");
    let why = json!({"why": "The laboratory found nothing"});
    for who in [LEAD, VOLUNTEER, READER, ELSEWHERE] {
        let reply = step(api, who, &releasing, "*", Some(why.clone())).await;
        reply.expect(403);
    }
    for wrong in ["", "  ", &"x".repeat(1001)] {
        let body = Some(json!({"why": wrong}));
        let reply = step(api, COORDINATOR, &releasing, "*", body).await;
        assert_eq!(reply.expect(422).pointers(), ["/why"]);
    }
    let stale = step(
        api,
        COORDINATOR,
        &releasing,
        &made.etag(),
        Some(why.clone()),
    )
    .await;
    stale.expect(412);
    let bare = api.post(COORDINATOR, &releasing, why.clone()).await;
    bare.expect(428);
    pack(&season, &[(&season.cut, "1")]).await.expect(422);
    let released = step(api, COORDINATOR, &releasing, &closed.etag(), Some(why)).await;
    let released = released.expect(200);
    assert_eq!(
        (&released.body["state"], &released.body["released_at"]),
        (&json!("closed"), &json!("2026-10-19T15:00:00Z"))
    );
    let coordinator = member(&season, COORDINATOR).await;
    assert_eq!(released.body["released_by"], json!(coordinator));
    let caution = released.body["cautions"][0]["text"].as_str().unwrap();
    assert!(
        caution.contains("local food-safety or health authority comes first"),
        "{caution}"
    );
    let last = released.body["entries"].as_array().unwrap().last().unwrap();
    assert_eq!(
        (&last["kind"], &last["detail"]["why"]),
        (&json!("released"), &json!("The laboratory found nothing"))
    );
    let read = api.get(LEAD, &format!("/cuts/{}", season.cut)).await;
    assert_eq!(read.body["withheld"], false);
    pack(&season, &[(&season.cut, "1"), (&later.id(), "1")])
        .await
        .expect(201);
    api.post(VOLUNTEER, &path_of_lines, line).await.expect(201);
    // once
    let again = release(&season, &made.id()).await.expect(409);
    assert_eq!(again.problem(), "wrong-state");
}

#[actix_web::test]
async fn suspect_produce_is_not_handed_over() {
    let season = Season::grow().await;
    let api = &season.api;
    let other = other_tray(&season).await.id();
    let mixed = pack(&season, &[(&season.cut, "1"), (&other, "2")]).await;
    let mixed = mixed.expect(201);
    let corrected = pack(&season, &[(&other, "3")]).await.expect(201);
    go_to(api, "2026-10-19T16:00:00Z").await;
    let lot = json!({"of": "lot", "id": season.seed_lot});
    let recall = start(&season, lot).await;

    // what it holds back is named by its tray
    for who in [VOLUNTEER, LEAD, COORDINATOR] {
        for delivery in [&season.second, &mixed.id()] {
            let refused = hand_over(&season, who, delivery, None).await.expect(409);
            assert_eq!(refused.problem(), "withheld");
            let words = refused.body["detail"].as_str().unwrap();
            for part in [&season.tray_code, "recall", "Set it aside", "coordinator"] {
                assert!(words.contains(part), "{words}");
            }
            assert!(!refused.text.contains(TITLE));
        }
    }
    hand_over(&season, VOLUNTEER, &corrected.id(), None)
        .await
        .expect(200);

    // taken out of the delivery, by a correction, the rest can go; an empty one cannot
    let correction =
        json!({"line_id": mixed.body["lines"][0]["id"], "weight": grams("0"), "reason": "Recall"});
    let corrections = format!("/deliveries/{}/corrections", mixed.id());
    api.post(LEAD, &corrections, correction.clone())
        .await
        .expect(201);
    season.correct_delivery(&season.second, "0").await;
    let handed = hand_over(&season, VOLUNTEER, &mixed.id(), None).await;
    assert_eq!(handed.expect(200).body["total"], grams("2"));
    let empty = hand_over(&season, VOLUNTEER, &season.second, None).await;
    assert_eq!(empty.expect(409).problem(), "wrong-state");

    // put back, it is held back again, until the release
    season.correct_delivery(&season.second, "90").await;
    let refused = hand_over(&season, VOLUNTEER, &season.second, None).await;
    assert_eq!(refused.expect(409).problem(), "withheld");
    // while it is under way nothing else changes by the release
    let released = release(&season, &recall.id()).await.expect(200);
    assert_eq!(released.body["state"], "under_way");
    hand_over(&season, VOLUNTEER, &season.second, None)
        .await
        .expect(200);
    // nothing is suspect any more, so nothing more is found; who was to be told still is, and it is closed
    let path = format!("/recalls/{}", recall.id());
    let traces = format!("{path}/traces");
    let again = step(api, COORDINATOR, &traces, "*", None).await.expect(409);
    assert_eq!(again.problem(), "wrong-state");
    for recipient in [season.garden.recipient_id, season.second_recipient] {
        let told = json!({"recipient_id": recipient});
        let notices = format!("{path}/notices");
        api.post(COORDINATOR, &notices, told).await.expect(200);
    }
    let outcome = Some(json!({"outcome": "A false alarm, and all know it"}));
    let closed = step(api, COORDINATOR, &format!("{path}/closing"), "*", outcome).await;
    assert_eq!(
        closed.expect(200).body["released_at"],
        released.body["released_at"]
    );
}

/// What went out before the recall is gone: that is written down, so that the recall knows it.
#[actix_web::test]
async fn a_hand_over_before_the_start_is_told_late_by_a_lead_only() {
    let season = Season::grow().await;
    go_to(&season.api, "2026-10-19T18:00:00Z").await;
    let recall = start(&season, json!({"of": "sowing", "id": season.sowing})).await;
    go_to(&season.api, "2026-10-19T19:00:00Z").await;
    let early = Some("2026-10-19T17:59:59Z");
    let refused = hand_over(&season, VOLUNTEER, &season.second, early).await;
    assert_eq!(refused.expect(409).problem(), "withheld");
    for at in ["2026-10-19T18:00:00Z", "2026-10-19T18:30:00Z"] {
        let refused = hand_over(&season, LEAD, &season.second, Some(at)).await;
        assert_eq!(refused.expect(409).problem(), "withheld");
    }
    hand_over(&season, LEAD, &season.second, early)
        .await
        .expect(200);
    let path = format!("/recalls/{}", recall.id());
    let seen = season.api.get(COORDINATOR, &path).await.expect(200);
    let kitchen = seen.body["notices"].as_array().unwrap().iter();
    let kitchen = kitchen
        .filter(|notice| notice["recipient_name"] == "Soup kitchen")
        .collect::<Vec<_>>();
    assert_eq!(
        kitchen[0]["deliveries"][0]["handed_over_at"],
        "2026-10-19T17:59:59Z"
    );
}

/// What was packed and went out before the recall, and is told after its start.
#[actix_web::test]
async fn packing_before_the_start_is_told_late_by_a_lead_only() {
    let season = Season::grow().await;
    let api = &season.api;
    go_to(api, "2026-10-20T18:00:00Z").await;
    let recall = start(&season, json!({"of": "sowing", "id": season.sowing})).await;
    go_to(api, "2026-10-21T08:00:00Z").await;
    let mut input = delivery_input(&season.garden, &[(&season.cut, "5")]);
    input["recipient_id"] = json!(season.second_recipient);
    let mut refused_at = async |who: &str, day: Option<&str>| {
        input["packed_on"] = json!(day);
        let reply = api.post(who, "/deliveries", input.clone()).await;
        assert_eq!(
            faults(&reply.expect(422)),
            withheld_at(&["/lines/0/cut_id"])
        );
    };
    refused_at(VOLUNTEER, Some("2026-10-20")).await;
    refused_at(LEAD, None).await;
    refused_at(LEAD, Some("2026-10-21")).await;
    input["packed_on"] = json!("2026-10-20");
    let late = api.post(LEAD, "/deliveries", input).await.expect(201).id();
    // it only goes out before the start
    hand_over(&season, LEAD, &late, None).await.expect(409);
    let at = Some("2026-10-20T17:00:00Z");
    hand_over(&season, LEAD, &late, at).await.expect(200);
    let path = format!("/recalls/{}/traces", recall.id());
    let traced = step(api, COORDINATOR, &path, "*", None).await.expect(200);
    assert!(traced.text.contains(&late));
}

#[actix_web::test]
async fn two_recalls_hold_back_until_both_are_released() {
    let season = Season::grow().await;
    let first = start(&season, json!({"of": "lot", "id": season.seed_lot})).await;
    let second = start(&season, json!({"of": "cut", "id": season.cut})).await;
    release(&season, &first.id()).await.expect(200);
    pack(&season, &[(&season.cut, "1")]).await.expect(422);
    release(&season, &second.id()).await.expect(200);
    pack(&season, &[(&season.cut, "1")]).await.expect(201);
}

/// Kept by another co-operative, a recall of the same record holds nothing of ours back.
#[actix_web::test]
async fn a_recall_of_another_cooperative_holds_nothing_of_ours_back() {
    let season = Season::grow().await;
    let stranger = "stranger@example.org";
    let theirs = season.api.found("Other", stranger).await;
    for (state, cooperative) in [("theirs", theirs), ("ours", season.garden.cooperative_id)] {
        let id = Uuid::now_v7();
        sqlx::query(
            "insert into recall (id, cooperative_id, title, why, suspect_kind, suspect_id, suspect_name, drafted_by, drafted_at, state, started_at)
             select $1, $2, 'Lot', 'Called back', 'sowing', $3, 'Lettuce', m.id, now(), 'under_way', now()
               from member m where m.cooperative_id = $2 limit 1",
        )
        .bind(id)
        .bind(cooperative)
        .bind(season.sowing.parse::<Uuid>().unwrap())
        .execute(&season.garden.pool)
        .await
        .unwrap();
        let expected = if state == "theirs" { 201 } else { 422 };
        pack(&season, &[(&season.cut, "1")]).await.expect(expected);
        if state == "ours" {
            let why = Some(json!({"why": "Ours to say"}));
            let path = format!("/recalls/{id}/release");
            step(&season.api, stranger, &path, "*", why)
                .await
                .expect(404);
        }
    }
}

#[actix_web::test]
async fn what_is_sent_twice_is_done_once() {
    let season = Season::grow().await;
    let api = &season.api;
    let send = async |who: &str, path: &str, key: &str, body: Value| {
        let request = api
            .request(who, Method::POST, path)
            .insert_header(("idempotency-key", key))
            .insert_header(("if-match", "*"));
        api.send(request.set_json(body)).await
    };
    let input = delivery_input(&season.garden, &[(&season.cut, "1")]);
    let before = send(VOLUNTEER, "/deliveries", "before", input.clone()).await;
    let before = before.expect(201);
    let recall = start(&season, json!({"of": "cut", "id": season.cut})).await;
    // the answer of then, and no second delivery
    let again = send(VOLUNTEER, "/deliveries", "before", input.clone()).await;
    assert_eq!(again.expect(201).body, before.body);
    assert_eq!(count(&season, "delivery").await, 3);
    for _ in 0..2 {
        let refused = send(VOLUNTEER, "/deliveries", "during", input.clone()).await;
        assert_eq!(
            faults(&refused.expect(422)),
            withheld_at(&["/lines/0/cut_id"])
        );
    }
    let path = format!("/recalls/{}/release", recall.id());
    let why = json!({"why": "Eaten by nobody"});
    let released = send(COORDINATOR, &path, "release", why.clone()).await;
    let released = released.expect(200);
    let again = send(COORDINATOR, &path, "release", why).await.expect(200);
    assert_eq!(again.body, released.body);
    let entries = released.body["entries"].as_array().unwrap();
    assert_eq!(entries.len(), 3, "{entries:?}");
    // what was refused left no answer behind
    let after = send(VOLUNTEER, "/deliveries", "during", input).await;
    assert_ne!(after.expect(201).id(), before.id());
}
