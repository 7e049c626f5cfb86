//! Packing and handing over while a recall is started.

use std::pin::Pin;

use futures::future::{join, join_all};
use serde_json::{Value, json};

use crate::cuts::grams;
use crate::garden::{COORDINATOR, VOLUNTEER};
use crate::recalls::step;
use crate::support::Reply;
use crate::traces::Season;
use crate::withheld::{draft, hand_over, pack, release};

type Request<'a> = Pin<Box<dyn Future<Output = Reply> + 'a>>;

/// One request after the other, so that some are under way all the time.
async fn in_turn(requests: Vec<Request<'_>>) -> Vec<Reply> {
    let mut replies = Vec::new();
    for request in requests {
        replies.push(request.await);
    }
    replies
}

/// Whatever is packed at the moment of the start is refused, or found by its trace; whatever is handed over went out
/// before it.
#[actix_web::test]
async fn nothing_slips_past_a_start_at_the_same_moment() {
    let season = Season::grow().await;
    let api = &season.api;
    let suspect = [(season.cut.as_str(), "0.01")];
    let (mut accepted, mut refused) = (0, 0);
    for round in 0..20 {
        let mut ready = Vec::new();
        for _ in 0..10 {
            ready.push(pack(&season, &suspect).await.expect(201).id());
        }
        let empty = pack(&season, &[]).await.expect(201).id();
        let lines = format!("/deliveries/{empty}/lines");
        let recall = draft(&season, json!({"of": "lot", "id": season.seed_lot})).await;
        let starting = format!("/recalls/{}/start", recall.id());
        let packing = || -> Request { Box::pin(pack(&season, &suspect)) };
        let adding = || -> Request {
            let line = json!({"cut_id": season.cut, "weight": grams("0.01")});
            Box::pin(api.post(VOLUNTEER, &lines, line))
        };
        let handing =
            |delivery| -> Request { Box::pin(hand_over(&season, VOLUNTEER, delivery, None)) };
        let beside = join_all([
            in_turn((0..5).map(|_| packing()).collect()),
            in_turn((0..5).map(|_| adding()).collect()),
            in_turn(ready.iter().take(5).map(|one| handing(one)).collect()),
            in_turn(ready.iter().skip(5).map(|one| handing(one)).collect()),
        ]);
        let start = step(api, COORDINATOR, &starting, "*", None);
        let (started, beside) = join(start, beside).await;
        let started = started.expect(200);
        let known: Vec<&Value> = started.body["notices"]
            .as_array()
            .unwrap()
            .iter()
            .flat_map(|notice| notice["deliveries"].as_array().unwrap())
            .collect();
        let mut added = 0;
        for reply in beside.into_iter().flatten() {
            if reply.status.is_client_error() {
                assert!(reply.text.contains("withheld"), "{}", reply.text);
                refused += 1;
                continue;
            }
            accepted += 1;
            let id = reply.id();
            let found = known.iter().find(|delivery| delivery["delivery_id"] == id);
            assert!(found.is_some(), "round {round}: {id} slipped past");
            added += i32::from(id == empty);
            if ready.contains(&id) {
                let at = &found.unwrap()["handed_over_at"];
                assert!(!at.is_null(), "round {round}: handed over after the start");
            }
        }
        let found = known.iter().find(|one| one["delivery_id"] == empty);
        let found = found.map_or(grams("0"), |delivery| delivery["weight"].clone());
        let expected = if added == 0 {
            "0"
        } else {
            &format!("0.0{added}")
        };
        assert_eq!(found, grams(expected), "round {round}: a line slipped past");
        release(&season, &recall.id()).await.expect(200);
    }
    // both ways were taken
    assert!(accepted > 0 && refused > 0, "{accepted} {refused}");
}
