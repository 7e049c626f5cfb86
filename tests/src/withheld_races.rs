//! Packing and handing over while a recall is started.

use std::pin::Pin;

use futures::future::join_all;
use serde_json::{Value, json};

use crate::cuts::grams;
use crate::garden::{COORDINATOR, VOLUNTEER};
use crate::recalls::step;
use crate::support::{Api, Reply};
use crate::traces::Season;
use crate::withheld::{draft, hand_over, pack, release};

/// Whatever is packed at the moment of the start is refused, or found by its trace; whatever is handed over went out
/// before it.
#[actix_web::test]
async fn nothing_slips_past_a_start_at_the_same_moment() {
    type Step<'a> = Pin<Box<dyn Future<Output = Reply> + 'a>>;
    let season = Season::grow().await;
    let api: &Api = &season.api;
    let (mut packed, mut refused) = (0, 0);
    for round in 0..40 {
        let empty = pack(&season, &[]).await.expect(201).id();
        let ready = pack(&season, &[(&season.cut, "0.1")])
            .await
            .expect(201)
            .id();
        let recall = draft(&season, json!({"of": "lot", "id": season.seed_lot})).await;
        let starting = format!("/recalls/{}/start", recall.id());
        let lines = format!("/deliveries/{empty}/lines");
        let line = json!({"cut_id": season.cut, "weight": grams("0.1")});
        let suspect = [(season.cut.as_str(), "0.1")];
        let mut steps: Vec<Step> = vec![
            Box::pin(pack(&season, &suspect)),
            Box::pin(api.post(VOLUNTEER, &lines, line)),
            Box::pin(hand_over(&season, VOLUNTEER, &ready, None)),
            Box::pin(pack(&season, &suspect)),
            Box::pin(pack(&season, &suspect)),
        ];
        let place = round % (steps.len() + 1);
        steps.insert(
            place,
            Box::pin(step(api, COORDINATOR, &starting, "*", None)),
        );
        let mut replies = join_all(steps).await;
        let started = replies.remove(place).expect(200);
        let known: Vec<&Value> = started.body["notices"]
            .as_array()
            .unwrap()
            .iter()
            .flat_map(|notice| notice["deliveries"].as_array().unwrap())
            .collect();
        let of = |id: &str| known.iter().find(|delivery| delivery["delivery_id"] == id);
        for (index, reply) in replies.into_iter().enumerate() {
            if reply.status.is_client_error() {
                let withheld = reply.text.contains("withheld");
                assert!(withheld, "{}", reply.text);
                refused += 1;
                continue;
            }
            packed += 1;
            let found = of(&reply.id());
            assert!(
                found.is_some(),
                "round {round}: {} slipped past",
                reply.id()
            );
            if index == 2 {
                let at = &found.unwrap()["handed_over_at"];
                assert!(!at.is_null(), "round {round}: handed over after the start");
            }
        }
        release(&season, &recall.id()).await.expect(200);
    }
    // both ways were taken
    assert!(packed > 0 && refused > 0, "{packed} {refused}");
}
