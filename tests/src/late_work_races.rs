//! Late reports that are settled by several at the same moment, over connections of their own.

use std::collections::BTreeMap;

use futures::future::join_all;
use serde_json::json;

use crate::claim_races::Racing;
use crate::claims::{SECOND, TestTask, add_task, claim, garden};
use crate::garden::{COORDINATOR, LEAD, VOLUNTEER};
use crate::late_work::{Thirsty, count, late};
use crate::mixing::litres;

#[actix_web::test]
async fn two_leads_and_retries_enter_it_once() {
    let thirsty = Thirsty::stand().await;
    let (api, garden) = (&thirsty.api, &thirsty.garden);
    thirsty.done_by_lead().await;
    let racing = Racing::start(api, 20).await;
    let mut tallies: BTreeMap<u16, usize> = BTreeMap::new();
    for round in 0..6 {
        let told = json!({"volume": litres("0.1"), "batch_id": thirsty.batch});
        let done_at = format!("2026-10-08T14:0{round}:00Z");
        let report = late(api, SECOND, &thirsty.task, &done_at, told).await;
        let url = format!(
            "http://{}/api/v1/work_reports/{report}/settlement",
            racing.address
        );
        // four times by each, one half with a key of its own
        let asked = (0..8).map(|n| {
            let who = if n % 2 == 0 { LEAD } else { COORDINATOR };
            let mut request = reqwest::Client::new()
                .post(&url)
                .bearer_auth(api.token(who))
                .header("if-match", "\"v1\"")
                .json(&json!({"accept": true}));
            if n < 4 {
                request = request.header("idempotency-key", format!("{report}-{who}"));
            }
            request.send()
        });
        for answer in join_all(asked).await {
            *tallies
                .entry(answer.unwrap().status().as_u16())
                .or_default() += 1;
        }
        let entered = count(
            garden,
            "select count(*) from batch_entry where kind = 'use'",
        )
        .await;
        assert_eq!(entered, round + 1);
    }
    println!("one report settled eight times at once by two leads, six times: {tallies:?}");
    // one settles it; the same key again is answered the same, everybody else is stale
    assert!(tallies[&200] >= 6 && tallies[&200] <= 12, "{tallies:?}");
    assert_eq!(tallies[&200] + tallies[&412], 48, "{tallies:?}");
    assert_eq!(thirsty.left().await, "19400");
    racing.handle.stop(true).await;
}

#[actix_web::test]
async fn a_late_report_accepted_while_the_holder_finishes_ends_in_one_story() {
    let (api, garden) = garden().await;
    let racing = Racing::start(&api, 20).await;
    let mut stories: BTreeMap<String, usize> = BTreeMap::new();
    for round in 0..8 {
        let measure = TestTask {
            kind: "measure",
            minutes: 1,
            ..TestTask::default()
        };
        let task = add_task(&garden, measure).await;
        claim(&api, VOLUNTEER, &task).await.expect(201);
        let report = late(
            &api,
            SECOND,
            &task,
            "2026-09-07T11:30:00Z",
            json!({"ph": 6.2}),
        )
        .await;
        let base = format!("http://{}/api/v1", racing.address);
        let client = reqwest::Client::new();
        let settle = client
            .post(format!("{base}/work_reports/{report}/settlement"))
            .bearer_auth(api.token(LEAD))
            .header("if-match", "\"v1\"")
            .json(&json!({"accept": true}))
            .send();
        let finish = client
            .post(format!("{base}{task}/completion"))
            .bearer_auth(api.token(VOLUNTEER))
            .json(&json!({"ph": 6.0}))
            .send();
        let (settled, finished) = futures::join!(settle, finish);
        let (settled, finished) = (
            settled.unwrap().status().as_u16(),
            finished.unwrap().status().as_u16(),
        );
        assert_eq!(settled, 200);
        // the holder came first, or found it done
        let readings = count(&garden, "select count(*) from reading").await;
        let expected = if finished == 200 { 2 } else { 1 };
        let before: i64 = stories
            .iter()
            .map(|(story, times)| {
                let each = if story.contains("200") { 2 } else { 1 };
                each * i64::try_from(*times).unwrap()
            })
            .sum();
        assert_eq!(readings - before, expected, "{round} {finished}");
        *stories.entry(format!("finished {finished}")).or_default() += 1;
    }
    println!("accepting against finishing, eight times: {stories:?}");
    racing.handle.stop(true).await;
}
