//! Withdrawing a delivery while it is handed over, while a line is put in, and while a task is finished with it.

use std::pin::Pin;

use futures::future::{join, join_all};
use serde_json::{Value, json};

use crate::claims::{TestTask, add_task};
use crate::cuts::{TestSowing, cut_input, grams, sow};
use crate::deliveries::pack;
use crate::garden::{LEAD, VOLUNTEER};
use crate::support::{Api, Reply};
use crate::withdrawn_deliveries::{garden_with_cut, withdraw};
use crate::work_reports::finish;

const ROUNDS: usize = 12;

async fn delivered(api: &Api, cut: &str) -> Value {
    let cut = api.get(LEAD, &format!("/cuts/{cut}")).await.expect(200);
    cut.body["delivered"].clone()
}

/// Both at the same moment, now the one first and now the other.
async fn beside<'a>(
    round: usize,
    first: Pin<Box<dyn Future<Output = Reply> + 'a>>,
    second: Pin<Box<dyn Future<Output = Reply> + 'a>>,
) -> (Reply, Reply) {
    if round.is_multiple_of(2) {
        join(first, second).await
    } else {
        let (second, first) = join(second, first).await;
        (first, second)
    }
}

#[actix_web::test]
async fn withdrawn_or_handed_over_never_both() {
    let api = Api::new().await;
    let (garden, cut) = garden_with_cut(&api).await;
    let mut handed_over = 0;
    for round in 0..ROUNDS {
        let packed = pack(&api, &garden, &[(&cut, "10"), (&cut, "5")]).await;
        let path = format!("/deliveries/{}", packed.id());
        let over = format!("{path}/hand_over");
        let received = json!({"received_by": "R. Okafor"});
        let (withdrawn, given) = beside(
            round,
            Box::pin(withdraw(&api, LEAD, &packed.id(), "*")),
            Box::pin(api.post(VOLUNTEER, &over, received)),
        )
        .await;
        let mut statuses = [withdrawn.status.as_u16(), given.status.as_u16()];
        statuses.sort_unstable();
        assert_eq!(statuses, [200, 409], "{} {}", withdrawn.text, given.text);
        let now = api.get(LEAD, &path).await.expect(200);
        let went = given.status.is_success();
        handed_over += usize::from(went);
        let expected = if went {
            ("handed_over", "15")
        } else {
            ("withdrawn", "0")
        };
        assert_eq!(now.body["state"], expected.0);
        assert_eq!(now.body["total"], grams(expected.1));
        let all = (handed_over * 15).to_string();
        assert_eq!(delivered(&api, &cut).await, grams(&all), "round {round}");
    }
    println!("{handed_over} of {ROUNDS} were handed over");
}

#[actix_web::test]
async fn withdrawn_or_added_to_never_both() {
    let api = Api::new().await;
    let (garden, cut) = garden_with_cut(&api).await;
    let mut kept = 0;
    for round in 0..ROUNDS {
        let packed = pack(&api, &garden, &[(&cut, "10")]).await;
        let path = format!("/deliveries/{}", packed.id());
        let lines = format!("{path}/lines");
        let line = json!({"cut_id": cut, "weight": grams("5")});
        // as the lead saw it: a line that is put in before is not withdrawn unseen
        let (withdrawn, added) = beside(
            round,
            Box::pin(withdraw(&api, LEAD, &packed.id(), &packed.etag())),
            Box::pin(api.post(VOLUNTEER, &lines, line)),
        )
        .await;
        let statuses = (withdrawn.status.as_u16(), added.status.as_u16());
        assert!(
            [(200, 409), (412, 201)].contains(&statuses),
            "{} {}",
            withdrawn.text,
            added.text
        );
        kept += usize::from(added.status.is_success());
        let now = api.get(LEAD, &path).await.expect(200);
        let expected = if statuses.1 == 201 {
            ("packed", "15")
        } else {
            ("withdrawn", "0")
        };
        assert_eq!(
            (&now.body["state"], &now.body["total"]),
            (&json!(expected.0), &grams(expected.1))
        );
        let all = (kept * 15).to_string();
        assert_eq!(delivered(&api, &cut).await, grams(&all), "round {round}");
    }
    println!("{kept} of {ROUNDS} were added to");
}

/// Corrections, lines, a hand-over and two withdrawals of one delivery, and of another with the same cuts in the other
/// order: whatever comes first, nothing locks up and what is delivered is what is in deliveries.
#[actix_web::test]
async fn whoever_comes_first_the_grams_add_up() {
    let api = Api::new().await;
    let (garden, cut) = garden_with_cut(&api).await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    let other = cut_input(sowing_id, "400");
    let other = api.post(VOLUNTEER, "/cuts", other).await.expect(201).id();
    for round in 0..ROUNDS {
        let one = pack(&api, &garden, &[(&cut, "3"), (&other, "4")]).await;
        let two = pack(&api, &garden, &[(&other, "2"), (&cut, "1")]).await;
        let mut requests: Vec<Pin<Box<dyn Future<Output = Reply> + '_>>> = Vec::new();
        for packed in [&one, &two] {
            let path = format!("/deliveries/{}", packed.id());
            let line_id = packed.body["lines"][round % 2]["id"].clone();
            let (api, cut, id) = (&api, &cut, packed.id());
            let (corrections, lines, over) = (
                format!("{path}/corrections"),
                format!("{path}/lines"),
                format!("{path}/hand_over"),
            );
            let again = packed.id();
            requests.push(Box::pin(async move { withdraw(api, LEAD, &id, "*").await }));
            requests.push(Box::pin(async move {
                let body =
                    json!({"line_id": line_id, "weight": grams("2.5"), "reason": "Weighed again"});
                api.post(LEAD, &corrections, body).await
            }));
            requests.push(Box::pin(async move {
                let line = json!({"cut_id": cut, "weight": grams("0.5")});
                api.post(VOLUNTEER, &lines, line).await
            }));
            if round % 3 == 0 {
                requests.push(Box::pin(async move {
                    let body = json!({"received_by": "R. Okafor"});
                    api.post(VOLUNTEER, &over, body).await
                }));
            }
            requests.push(Box::pin(
                async move { withdraw(api, LEAD, &again, "*").await },
            ));
        }
        if round % 2 == 1 {
            requests.reverse();
        }
        for reply in join_all(requests).await {
            let status = reply.status.as_u16();
            assert!([200, 201, 409].contains(&status), "{}", reply.text);
        }
        for packed in [&one, &two] {
            let path = format!("/deliveries/{}", packed.id());
            let now = api.get(LEAD, &path).await.expect(200);
            let state = now.body["state"].as_str().unwrap();
            let is_empty = now.body["total"] == grams("0");
            assert_eq!(
                state == "withdrawn",
                is_empty,
                "round {round}: {}",
                now.text
            );
            assert!(
                state == "withdrawn" || round % 3 == 0,
                "round {round}: {state}"
            );
        }
        let (in_deliveries, of_cuts): (i64, i64) = sqlx::query_as(
            "select (select coalesce(sum(l.milligrams + coalesce((select sum(k.change_milligrams) from delivery_correction k
                        where k.delivery_line_id = l.id), 0)), 0)::bigint
                       from delivery_line l join delivery d on d.id = l.delivery_id where d.state <> 'withdrawn'),
                    (select sum(delivered_milligrams)::bigint from cut_balance)",
        )
        .fetch_one(&garden.pool)
        .await
        .unwrap();
        assert_eq!(in_deliveries, of_cuts, "round {round}");
    }
}

/// No task is done by a delivery that is withdrawn, whoever comes first.
#[actix_web::test]
async fn a_task_is_not_finished_with_what_is_withdrawn() {
    let api = Api::new().await;
    let (garden, cut) = garden_with_cut(&api).await;
    for round in 0..ROUNDS {
        let packing = TestTask {
            kind: "pack",
            opens_at: "2026-10-05T12:00:00Z",
            due_at: "2026-10-05T20:00:00Z",
            ..TestTask::default()
        };
        let task = add_task(&garden, packing).await;
        let packed = pack(&api, &garden, &[(&cut, "10")]).await;
        let told = json!({"delivery_id": packed.id()});
        let (withdrawn, finished) = beside(
            round,
            Box::pin(withdraw(&api, LEAD, &packed.id(), "*")),
            Box::pin(finish(&api, LEAD, &task, told)),
        )
        .await;
        withdrawn.expect(200);
        assert!(
            [200, 409].contains(&finished.status.as_u16()),
            "{}",
            finished.text
        );
        let now = api.get(LEAD, &task).await.expect(200);
        assert_eq!(now.body["state"], "open", "round {round}");
    }
    assert_eq!(delivered(&api, &cut).await, grams("0"));
}
