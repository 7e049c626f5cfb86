//! Tasks that go alongside each other are finished at once, all or none, where nothing else is to be told.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use actix_web::http::Method;
use chrono::{DateTime, Utc};
use cotyl_domain::Clock;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::alongside::{Batch, sow};
use crate::claim_races::{Racing, tally};
use crate::claims::{SECOND, garden};
use crate::garden::{ELSEWHERE, LEAD, READER, VOLUNTEER};
use crate::sowings::{at, qualify, read, task_path};
use crate::support::Reply;

impl Batch {
    async fn hold(&self, who: &str, ids: &[String; 2]) {
        let path = format!("/tasks/{}/claims", ids[0]);
        let body = json!({"alongside": [ids[1]]});
        self.api.post(who, &path, body).await.expect(201);
    }

    /// Finishes the first along with the second.
    async fn finish(&self, who: &str, ids: &[String; 2], mut body: Value) -> Reply {
        if body["alongside"].is_null() {
            body["alongside"] = json!([{"task_id": ids[1]}]);
        }
        let path = format!("/tasks/{}/completion", ids[0]);
        self.api.post(who, &path, body).await
    }

    /// Task, minutes, instant and state of every report.
    async fn reports(&self) -> Vec<(Uuid, Option<i64>, String, String)> {
        sqlx::query_as(
            "select task_id, (outcome->>'minutes')::bigint, to_char(done_at at time zone 'utc', 'YYYY-MM-DD HH24:MI:SS'), state
               from work_report order by task_id, id",
        )
        .fetch_all(&self.garden.pool)
        .await
        .unwrap()
    }

    /// Tasks and minutes that count as done by the volunteer.
    async fn done(&self) -> (i64, i64) {
        let site = self.garden.site_id;
        let path = format!("/sites/{site}/fair_share?from=2026-09-07&to=2026-09-13");
        let shares = self.api.get(LEAD, &path).await.expect(200).body;
        let members = shares["members"].as_array().unwrap();
        let own = members.iter().find(|member| member["name"] == VOLUNTEER);
        let done = &own.unwrap()["done"];
        (
            done["tasks"].as_i64().unwrap(),
            done["minutes"].as_i64().unwrap(),
        )
    }

    async fn states(&self) -> [String; 2] {
        let mut states = [String::new(), String::new()];
        for (state, sowing) in states.iter_mut().zip([&self.early, &self.late]) {
            let now = read(&self.api, sowing["id"].as_str().unwrap()).await;
            *state = now["state"].as_str().unwrap().to_owned();
        }
        states
    }
}

#[actix_web::test]
async fn a_batch_is_sown_with_one_word_and_no_minute_is_lost() {
    let batch = Batch::sow().await;
    let ids = batch.ids("sow");
    batch.hold(VOLUNTEER, &ids).await;
    let told = json!({"done_at": "2026-09-07T11:30:00Z", "minutes": 23, "note": "Bench by the door", "alongside": [{"task_id": ids[1]}]});
    let path = format!("/tasks/{}/completion", ids[0]);
    let keyed = || {
        batch.api.send(
            batch
                .api
                .request(VOLUNTEER, Method::POST, &path)
                .insert_header(("idempotency-key", "sown by phone"))
                .set_json(told.clone()),
        )
    };
    let first = keyed().await.expect(200);
    assert_eq!(first.body["id"], json!(ids[0]));
    assert_eq!(first.body["done_along"][0]["id"], json!(ids[1]));
    for task in [&first.body, &first.body["done_along"][0]] {
        assert_eq!(
            json!([task["state"], task["done_at"], task["outcome"]["note"]]),
            json!(["done", "2026-09-07T11:30:00Z", "Bench by the door"])
        );
    }
    // 10 and 8 minutes were expected: 23 x 10 / 18 = 12.8 and 23 x 8 / 18 = 10.2
    let reports = batch.reports().await;
    let minutes: Vec<Option<i64>> = reports.iter().map(|report| report.1).collect();
    assert_eq!(minutes, [Some(13), Some(10)]);
    assert!(
        reports
            .iter()
            .all(|(_, _, at, state)| at == "2026-09-07 11:30:00" && state == "counted")
    );
    assert_eq!(batch.done().await, (2, 23));
    assert_eq!(batch.states().await, ["sown", "sown"]);
    // again under its key, and again without: nothing more happens
    assert_eq!(keyed().await.expect(200).body, first.body);
    let again = batch.finish(VOLUNTEER, &ids, told.clone()).await;
    assert_eq!(again.expect(200).body["state"], "done");
    assert_eq!(batch.reports().await, reports);
    assert_eq!(batch.done().await, (2, 23));
    // another report of what is done is not
    let other = batch.finish(VOLUNTEER, &ids, json!({})).await.expect(409);
    assert_eq!(other.problem(), "wrong-state");
    assert_eq!(batch.reports().await, reports);
}

#[actix_web::test]
async fn one_task_may_tell_its_minutes_too_and_a_part_may_not() {
    let batch = Batch::sow().await;
    let [one, two] = batch.ids("sow");
    batch.hold(VOLUNTEER, &[one.clone(), two.clone()]).await;
    let finish = async |id: &str, body: Value| {
        let path = format!("/tasks/{id}/completion");
        batch.api.post(VOLUNTEER, &path, body).await
    };
    for (body, pointer) in [
        (json!({"minutes": -1}), "/minutes"),
        (json!({"minutes": 1441}), "/minutes"),
        (
            json!({"minutes": 3, "partial": true, "containers": 1}),
            "/minutes",
        ),
    ] {
        let refused = finish(&one, body).await.expect(422);
        assert_eq!(refused.pointers(), [pointer]);
    }
    let done = finish(&one, json!({"minutes": 40})).await.expect(200);
    assert_eq!(done.body["done_along"], json!([]));
    let expected = batch.task(&two).await["minutes"].as_i64().unwrap();
    finish(&two, json!({})).await.expect(200);
    assert_eq!(batch.done().await, (2, 40 + expected));
}

#[actix_web::test]
async fn whoever_may_not_finish_one_finishes_none() {
    let batch = Batch::sow().await;
    let ids = batch.ids("sow");
    let path = format!("/tasks/{}/claims", ids[0]);
    batch.api.act(VOLUNTEER, &path).await.expect(201);
    let refused = batch.finish(VOLUNTEER, &ids, json!({})).await.expect(409);
    assert_eq!(refused.problem(), "not-yours");
    assert_eq!(refused.pointers(), ["/alongside/0/task_id"]);
    let refused = batch.finish(SECOND, &ids, json!({})).await.expect(409);
    assert_eq!(refused.problem(), "not-yours");
    batch.finish(READER, &ids, json!({})).await.expect(403);
    batch.finish(ELSEWHERE, &ids, json!({})).await.expect(404);
    let [one, two] = &ids;
    let (nowhere, report) = (Uuid::now_v7(), Uuid::now_v7());
    let other = task_path(&batch.other, "sow", None).replace("/tasks/", "");
    let along = |id: &str| json!([{"task_id": id}]);
    for (body, pointers) in [
        (
            json!({"partial": true, "alongside": along(two)}),
            vec!["/partial"],
        ),
        (
            json!({"containers": 3, "alongside": along(two)}),
            vec!["/containers"],
        ),
        (
            json!({"minutes": -1, "alongside": along(two)}),
            vec!["/minutes"],
        ),
        (
            json!({"alongside": along(one)}),
            vec!["/alongside/0/task_id"],
        ),
        (
            json!({"alongside": [{"task_id": two}, {"task_id": two}]}),
            vec!["/alongside/1/task_id"],
        ),
        (
            json!({"alongside": along(&nowhere.to_string())}),
            vec!["/alongside/0/task_id"],
        ),
        (
            json!({"alongside": along(&other)}),
            vec!["/alongside/0/task_id"],
        ),
        (
            json!({"alongside": [{"task_id": two, "sprouted_containers": 1}]}),
            vec!["/alongside/0/sprouted_containers"],
        ),
        (
            json!({"alongside": [{"task_id": two, "id": "d9428888-122b-11e1-b85c-61cd3cbb3210"}]}),
            vec!["/alongside/0/id"],
        ),
        (
            json!({"done_at": "2026-08-01T12:00:00Z", "alongside": along(two)}),
            vec!["/done_at"],
        ),
        (
            json!({"id": report, "alongside": [{"task_id": two, "id": report}]}),
            vec!["/alongside/0/id"],
        ),
        (json!({"alongside": [{}]}), vec!["/alongside/0"]),
        (json!({"alongside": {}}), vec!["/alongside"]),
    ] {
        let refused = batch.finish(LEAD, &ids, body.clone()).await.expect(422);
        assert_eq!(refused.pointers(), pointers, "{body}");
    }
    assert_eq!(batch.reports().await, []);
    assert_eq!(batch.states().await, ["planned", "planned"]);
    // a lead may for others
    batch.finish(LEAD, &ids, json!({})).await.expect(200);
    assert_eq!(batch.states().await, ["sown", "sown"]);
}

#[actix_web::test]
async fn a_look_for_seedlings_tells_the_count_of_each() {
    let batch = Batch::sow().await;
    batch
        .finish(LEAD, &batch.ids("sow"), json!({}))
        .await
        .expect(200);
    at(&batch.api, "2026-09-10T15:00:00Z", &[VOLUNTEER, LEAD]).await;
    let ids = batch.ids("check_germination");
    batch.hold(VOLUNTEER, &ids).await;
    let looked = |first: Option<i32>, second: Option<i32>| json!({"sprouted_containers": first, "alongside": [{"task_id": ids[1], "sprouted_containers": second}]});
    for (body, pointers) in [
        (looked(Some(4), None), ["/alongside/0/sprouted_containers"]),
        (looked(None, Some(3)), ["/sprouted_containers"]),
        (
            looked(Some(4), Some(4)),
            ["/alongside/0/sprouted_containers"],
        ),
    ] {
        let refused = batch.finish(VOLUNTEER, &ids, body).await.expect(422);
        assert_eq!(refused.pointers(), pointers);
    }
    assert_eq!(batch.states().await, ["sown", "sown"]);
    // nothing has come up of the second: it is looked at again, and goes on by itself
    batch
        .finish(VOLUNTEER, &ids, looked(Some(4), Some(0)))
        .await
        .expect(200);
    assert_eq!(batch.states().await, ["sprouted", "sown"]);
}

#[actix_web::test]
async fn what_is_weighed_is_finished_singly() {
    let (api, garden) = garden().await;
    let early = sow(&api, &garden, garden.crop_id, 4, "2026-10-15").await;
    let late = sow(&api, &garden, garden.crop_id, 3, "2026-10-15").await;
    let of = |sowing: &Value| task_path(sowing, "cut", Some(1)).replace("/tasks/", "");
    let ids = [of(&early), of(&late)];
    qualify(&garden, VOLUNTEER, None).await;
    let batch = Batch {
        other: early.clone(),
        api,
        garden,
        early,
        late,
    };
    // taken together all the same
    batch.hold(VOLUNTEER, &ids).await;
    let seen = batch.task(&ids[0]).await;
    assert_eq!(seen["alongside"], json!([ids[1]]));
    let steps = seen["steps"].to_string();
    assert!(steps.contains("Weigh each portion by itself"), "{steps}");
    let refused = batch.finish(VOLUNTEER, &ids, json!({})).await.expect(422);
    assert_eq!(refused.pointers(), ["/alongside"]);
    let detail = refused.body["errors"][0]["detail"].as_str().unwrap();
    assert!(detail.contains("its own grams"), "{detail}");
}

#[actix_web::test]
async fn a_late_report_about_several_is_kept_as_a_whole() {
    let batch = Batch::sow().await;
    let ids = batch.ids("sow");
    batch.hold(VOLUNTEER, &ids).await;
    // while the phone had no signal, a lead said that one of them was done
    let single = format!("/tasks/{}/completion", ids[1]);
    batch.api.post(LEAD, &single, json!({})).await.expect(200);
    let told = json!({
        "id": Uuid::now_v7(), "done_at": "2026-09-07T11:30:00Z", "minutes": 20,
        "alongside": [{"task_id": ids[1], "id": Uuid::now_v7()}]
    });
    let kept = batch
        .finish(VOLUNTEER, &ids, told.clone())
        .await
        .expect(202);
    assert_eq!(kept.body["task_id"], json!(ids[0]));
    assert_eq!(kept.body["done_along"][0]["task_id"], json!(ids[1]));
    for report in [&kept.body, &kept.body["done_along"][0]] {
        assert_eq!(
            json!([report["state"], report["conflict"]]),
            json!(["waiting", "wrong-state"])
        );
    }
    let detail = kept.body["conflict_detail"].as_str().unwrap();
    assert!(
        detail.contains("(3 containers): the task is done"),
        "{detail}"
    );
    assert_eq!(batch.states().await, ["planned", "sown"]);
    let reports = batch.reports().await;
    let again = batch.finish(VOLUNTEER, &ids, told).await.expect(202);
    assert_eq!(again.body["id"], kept.body["id"]);
    assert_eq!(batch.reports().await, reports);
    // the lead accepts what is not done yet, with its minutes
    let settlement = format!("/work_reports/{}/settlement", kept.id());
    let accept = json!({"accept": true, "minutes_only": false, "reason": ""});
    let request = batch.api.request(LEAD, Method::POST, &settlement);
    let request = request.insert_header(("if-match", "*")).set_json(accept);
    batch.api.send(request).await.expect(200);
    assert_eq!(batch.states().await, ["sown", "sown"]);
}

#[actix_web::test]
async fn many_reports_and_claims_at_once_end_in_one_story() {
    let batch = Batch::sow().await;
    let ids = batch.ids("sow");
    let backwards = [ids[1].clone(), ids[0].clone()];
    let looks = batch.ids("check_germination");
    batch.hold(VOLUNTEER, &ids).await;
    let racing = Racing::start(&batch.api, 20).await;
    let finish = |who: &'static str, ids: &[String; 2]| {
        let body = json!({"minutes": 20, "alongside": [{"task_id": ids[1]}]});
        (who, format!("/tasks/{}/completion", ids[0]), Some(body))
    };
    // finishing changes the days of what follows, which others take at the same moment
    let claim = |first: usize, second: usize| {
        let body = json!({"alongside": [looks[second]]});
        (
            SECOND,
            format!("/tasks/{}/claims", looks[first]),
            Some(body),
        )
    };
    let asked = vec![
        finish(VOLUNTEER, &ids),
        claim(0, 1),
        finish(LEAD, &backwards),
        claim(1, 0),
        finish(VOLUNTEER, &backwards),
        finish(LEAD, &ids),
    ];
    let answers = racing.run(&batch.api, asked).await;
    println!("four reports and two claims at once: {:?}", tally(&answers));
    let won = |of: &[usize], status| of.iter().filter(|at| answers[**at].0 == status).count();
    assert_eq!(won(&[0, 2, 4, 5], 200), 1, "{answers:?}");
    assert_eq!(won(&[0, 2, 4, 5], 409), 3);
    assert_eq!(
        (won(&[1, 3], 201), won(&[1, 3], 409)),
        (1, 1),
        "{answers:?}"
    );
    assert_eq!(batch.states().await, ["sown", "sown"]);
    let reports = batch.reports().await;
    assert_eq!(reports.len(), 2);
    let minutes = reports.iter().filter_map(|report| report.1);
    assert_eq!(minutes.sum::<i64>(), 20);
    racing.handle.stop(true).await;
}

/// A clock that goes on a second whenever it is read.
struct Ticking(AtomicI64);

impl Clock for Ticking {
    fn now(&self) -> DateTime<Utc> {
        let seconds = self.0.fetch_add(1, Ordering::Relaxed);
        DateTime::from_timestamp(seconds, 0).unwrap()
    }
}

#[actix_web::test]
async fn a_group_is_taken_and_done_at_one_instant_whatever_time_that_takes() {
    let batch = Batch::sow().await;
    let ids = batch.ids("sow");
    let noon: DateTime<Utc> = "2026-09-07T12:00:00Z".parse().unwrap();
    let clock = Arc::new(Ticking(AtomicI64::new(noon.timestamp())));
    let racing = Racing::start_by(&batch.api, 4, clock).await;
    for (path, body) in [
        ("claims", json!({"alongside": [ids[1]]})),
        ("claims/mine/beginning", json!({"alongside": [ids[1]]})),
        ("completion", json!({"alongside": [{"task_id": ids[1]}]})),
    ] {
        let asked = (VOLUNTEER, format!("/tasks/{}/{path}", ids[0]), Some(body));
        let answers = racing.run(&batch.api, vec![asked]).await;
        assert!([200, 201].contains(&answers[0].0), "{answers:?}");
    }
    let instants: (i64, i64, i64, i64) = sqlx::query_as(
        "select count(*), count(distinct claimed_at), count(distinct begun_at), (select count(distinct done_at) from work_report) from claim",
    )
    .fetch_one(&batch.garden.pool)
    .await
    .unwrap();
    assert_eq!(instants, (2, 1, 1, 1));
    racing.handle.stop(true).await;
}
