//! Tasks that go alongside each other are claimed, begun and given back together: all or none.

use std::collections::BTreeMap;

use actix_web::http::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::alongside::{Batch, sow};
use crate::claim_races::{Racing, tally};
use crate::claims::{SECOND, garden};
use crate::garden::{COORDINATOR, ELSEWHERE, LEAD, READER, VOLUNTEER};
use crate::mail::choose;
use crate::sowings::task_path;
use crate::support::Reply;

impl Batch {
    async fn claim(&self, who: &str, own: &str, with: &[&String]) -> Reply {
        let path = format!("/tasks/{own}/claims");
        self.api.post(who, &path, json!({"alongside": with})).await
    }

    async fn release(&self, who: &str, own: &str, with: &str) -> Reply {
        let path = format!("/tasks/{own}/claims/mine?alongside={with}");
        let request = self.api.request(who, Method::DELETE, &path);
        self.api.send(request).await
    }

    async fn held(&self) -> i64 {
        sqlx::query_scalar("select count(*) from claim where ended_at is null")
            .fetch_one(&self.garden.pool)
            .await
            .unwrap()
    }

    async fn most_claims(&self, most: i32) {
        let settings = self.api.get(LEAD, "/work_settings").await.expect(200);
        let body = json!({"most_claims": most});
        self.api
            .put(COORDINATOR, "/work_settings", &settings.etag(), body)
            .await
            .expect(200);
    }
}

/// Pointer and code of the one problem that a refusal names.
fn in_the_way(reply: &Reply) -> (String, String) {
    let errors = reply.body["errors"].as_array().unwrap();
    assert_eq!(errors.len(), 1, "{}", reply.text);
    let text = |name: &str| errors[0][name].as_str().unwrap().to_owned();
    (text("pointer"), text("code"))
}

fn of(pointer: &str, code: &str) -> (String, String) {
    (pointer.to_owned(), code.to_owned())
}

#[actix_web::test]
async fn a_group_is_taken_begun_and_given_back_in_one_go() {
    let batch = Batch::sow().await;
    let [one, two] = batch.ids("sow");
    let claimed = batch.claim(VOLUNTEER, &two, &[&one]).await.expect(201);
    assert_eq!(claimed.body["task_id"], json!(two));
    assert_eq!(claimed.body["alongside"][0]["task_id"], json!(one));
    assert_eq!(claimed.body["alongside"].as_array().unwrap().len(), 1);
    assert_eq!(
        claimed.headers["location"],
        format!("/api/v1/tasks/{two}/claims/mine")
    );
    assert_eq!(batch.held().await, 2);
    // whoever holds all of them still sees one errand
    let seen = batch.task(&one).await;
    assert_eq!(seen["alongside"], json!([two]));
    assert_eq!(seen["holders"][0]["mine"], true);
    let late = batch.claim(SECOND, &two, &[&one]).await.expect(409);
    assert_eq!(late.problem(), "task-held");
    assert_eq!(in_the_way(&late), of("/alongside/0", "task-held"));
    let lead = batch.claim(LEAD, &one, &[&two]).await.expect(409);
    assert_eq!(in_the_way(&lead), of("task_id", "task-held"));
    let detail = lead.body["detail"].as_str().unwrap();
    assert!(
        detail.contains("sow leaf lettuce at Bench on 2026-09-07 (4 containers)")
            && detail.contains(VOLUNTEER),
        "{detail}"
    );
    let begin = format!("/tasks/{one}/claims/mine/beginning");
    let body = json!({"alongside": [two]});
    let refused = batch.api.post(SECOND, &begin, body.clone()).await;
    assert_eq!(in_the_way(&refused.expect(409)), of("task_id", "not-yours"));
    batch.api.post(VOLUNTEER, &begin, body).await.expect(200);
    for id in [&one, &two] {
        let begun = &batch.task(id).await["holders"][0]["begun_at"];
        assert_eq!(*begun, "2026-09-07T12:00:00Z");
    }
    let refused = batch.release(SECOND, &one, &two).await.expect(409);
    assert_eq!(in_the_way(&refused), of("task_id", "not-yours"));
    let refused = batch.release(VOLUNTEER, &one, "soon").await.expect(422);
    assert_eq!(refused.pointers(), ["alongside"]);
    for who in [SECOND, LEAD] {
        choose(&batch.api, who, json!({"kinds": ["task_free"]})).await;
    }
    batch.release(VOLUNTEER, &one, &two).await.expect(204);
    assert_eq!(batch.held().await, 0);
    // whoever wants to hear of it hears once
    let told: (i64, i64) = sqlx::query_as(
        "select count(*), count(distinct member_id) from notice where kind = 'task_free'",
    )
    .fetch_one(&batch.garden.pool)
    .await
    .unwrap();
    assert_eq!(told, (2, 2));
    for id in [&one, &two] {
        assert_eq!(batch.task(id).await["state"], "open");
    }
}

#[actix_web::test]
async fn what_stands_against_one_stands_against_all_and_is_named() {
    let batch = Batch::sow().await;
    let [one, two] = batch.ids("sow");
    let taken = batch.claim(SECOND, &one, &[]).await.expect(201);
    assert_eq!(taken.body["alongside"], json!([]));
    // one is held and the other is not: they are one errand no more
    for id in [&one, &two] {
        assert_eq!(batch.task(id).await["alongside"], json!([]));
    }
    let refused = batch.claim(VOLUNTEER, &two, &[&one]).await.expect(409);
    assert_eq!(in_the_way(&refused), of("/alongside/0", "task-held"));
    let own = batch.claim(SECOND, &two, &[&one]).await.expect(409);
    assert_eq!(in_the_way(&own), of("/alongside/0", "already-yours"));
    assert_eq!(batch.held().await, 1);
    batch.release(SECOND, &one, "").await.expect(422);
    let path = format!("/tasks/{one}/claims/mine");
    let request = batch.api.request(SECOND, Method::DELETE, &path);
    batch.api.send(request).await.expect(204);
    // each counts as one
    batch.most_claims(1).await;
    let refused = batch.claim(VOLUNTEER, &one, &[&two]).await.expect(409);
    assert_eq!(in_the_way(&refused), of("/alongside/0", "claim-limit"));
    batch.most_claims(2).await;
    // 481 minutes in a day of 480, though each of them would fit
    sqlx::query(
        "update task set minutes = case when id = $1 then 240 else 241 end where kind = 'sow'",
    )
    .bind(one.parse::<Uuid>().unwrap())
    .execute(&batch.garden.pool)
    .await
    .unwrap();
    let refused = batch.claim(VOLUNTEER, &one, &[&two]).await.expect(409);
    assert_eq!(in_the_way(&refused), of("/alongside/0", "claims-overlap"));
    assert_eq!(batch.held().await, 0);
    sqlx::query("update task set minutes = 240 where kind = 'sow'")
        .execute(&batch.garden.pool)
        .await
        .unwrap();
    batch.claim(VOLUNTEER, &one, &[&two]).await.expect(201);
}

#[actix_web::test]
async fn only_what_goes_alongside_is_taken_with_it() {
    let batch = Batch::sow().await;
    let [one, two] = batch.ids("sow");
    let [mist, _] = batch.ids("check_germination");
    let other = task_path(&batch.other, "sow", None).replace("/tasks/", "");
    let nowhere = Uuid::now_v7().to_string();
    let mixed = [&two, &mist, &other, &nowhere];
    let refused = batch.claim(VOLUNTEER, &one, &mixed).await.expect(422);
    assert_eq!(refused.pointers(), ["/alongside/3"]);
    let refused = batch.claim(VOLUNTEER, &one, &mixed[..3]).await.expect(422);
    let mut pointers = refused.pointers();
    pointers.sort_unstable();
    assert_eq!(pointers, ["/alongside/1", "/alongside/2"]);
    let many: Vec<String> = (0..50).map(|_| Uuid::now_v7().to_string()).collect();
    let many: Vec<&String> = many.iter().collect();
    let refused = batch.claim(VOLUNTEER, &one, &many).await.expect(422);
    assert_eq!(refused.pointers(), ["/alongside"]);
    let path = format!("/tasks/{one}/claims");
    for (body, pointer) in [
        (json!({"alongside": "all"}), "/alongside"),
        (json!({"alongside": ["mine"]}), "/alongside/0"),
        (json!({"with": []}), "/with"),
        // not an object, though it could be read as the fields in their order
        (json!([]), ""),
    ] {
        let refused = batch.api.post(VOLUNTEER, &path, body).await.expect(422);
        assert_eq!(refused.pointers(), [pointer]);
    }
    let text = batch.api.request(VOLUNTEER, Method::POST, &path);
    let text = text
        .insert_header(("content-type", "text/plain"))
        .set_payload("all");
    batch.api.send(text).await.expect(415);
    assert_eq!(batch.held().await, 0);
    let null = batch.api.post(VOLUNTEER, &path, Value::Null).await;
    assert_eq!(null.expect(201).body["alongside"], json!([]));
    let path_of_mine = format!("{path}/mine");
    let request = batch.api.request(VOLUNTEER, Method::DELETE, &path_of_mine);
    batch.api.send(request).await.expect(204);
    // those who may not take one may not take all
    let body = json!({"alongside": [two]});
    batch
        .api
        .post(READER, &path, body.clone())
        .await
        .expect(403);
    batch
        .api
        .post(ELSEWHERE, &path, body.clone())
        .await
        .expect(404);
    batch.api.found("Red Pots", "red@example.org").await;
    batch
        .api
        .post("red@example.org", &path, body)
        .await
        .expect(404);
    // the same twice, and the task itself among them, is what it is once
    let keyed = || {
        batch.api.send(
            batch
                .api
                .request(VOLUNTEER, Method::POST, &path)
                .insert_header(("idempotency-key", "the whole bench"))
                .set_json(json!({"alongside": [two, one, two]})),
        )
    };
    let first = keyed().await.expect(201);
    assert_eq!(first.body["alongside"].as_array().unwrap().len(), 1);
    assert_eq!(keyed().await.expect(201).body, first.body);
    assert_eq!(batch.held().await, 2);
}

/// Deadlocks that the database has broken up so far.
async fn deadlocks(batch: &Batch) -> i64 {
    // a backend tells of what it did once it has been idle for a second
    actix_web::rt::time::sleep(std::time::Duration::from_millis(1500)).await;
    sqlx::query_scalar("select deadlocks from pg_stat_database where datname = current_database()")
        .fetch_one(&batch.garden.pool)
        .await
        .unwrap()
}

#[actix_web::test]
async fn two_members_race_for_one_group_and_nobody_gets_a_part() {
    const ROUNDS: usize = 30;
    let (api, garden) = garden().await;
    let mut sowings = Vec::new();
    for (containers, cut) in [(3, "2026-10-15"), (2, "2026-10-22"), (2, "2026-10-29")] {
        sowings.push(sow(&api, &garden, garden.crop_id, containers, cut).await);
    }
    let ids: Vec<String> = sowings
        .iter()
        .map(|sowing| task_path(sowing, "sow", None).replace("/tasks/", ""))
        .collect();
    let [early, middle, late]: [Value; 3] = sowings.try_into().unwrap();
    let batch = Batch {
        api,
        garden,
        early,
        late,
        other: middle,
    };
    let racing = Racing::start(&batch.api, 20).await;
    let before = deadlocks(&batch).await;
    let mut tallies: BTreeMap<String, usize> = BTreeMap::new();
    let mut wins: BTreeMap<&str, usize> = BTreeMap::new();
    let orders = [[0, 1, 2], [2, 1, 0], [1, 2, 0], [0, 2, 1]];
    for round in 0..ROUNDS {
        let ask = |who: &'static str, order: [usize; 3]| {
            let body = json!({"alongside": [ids[order[1]], ids[order[2]]]});
            (who, format!("/tasks/{}/claims", ids[order[0]]), Some(body))
        };
        let turn = round % orders.len();
        let mut asked = vec![
            ask(VOLUNTEER, orders[turn]),
            ask(SECOND, orders[(turn + 1) % orders.len()]),
        ];
        if round % 2 == 1 {
            asked.reverse();
        }
        let people: Vec<&str> = asked.iter().map(|(who, ..)| *who).collect();
        let answers = racing.run(&batch.api, asked).await;
        for (name, count) in tally(&answers) {
            *tallies.entry(name).or_default() += count;
        }
        let won = answers.iter().position(|(status, _)| *status == 201);
        let winner = people[won.unwrap()];
        *wins.entry(winner).or_default() += 1;
        let holders: Vec<(i64, String)> = sqlx::query_as(
            "select count(*), m.email from claim c join member m on m.id = c.member_id where c.ended_at is null group by m.email",
        )
        .fetch_all(&batch.garden.pool)
        .await
        .unwrap();
        assert_eq!(holders, [(3, winner.to_owned())], "round {round}");
        let rest = format!("{},{}", ids[1], ids[2]);
        batch.release(winner, &ids[0], &rest).await.expect(204);
    }
    println!("two members for one group, {ROUNDS} rounds: {tallies:?}, won {wins:?}");
    let expected = BTreeMap::from([
        ("201".to_owned(), ROUNDS),
        ("409 task-held".to_owned(), ROUNDS),
    ]);
    assert_eq!(tallies, expected);
    assert_eq!(deadlocks(&batch).await, before);
    racing.handle.stop(true).await;
}
