//! What was poured earlier than it is told, against what was poured and read since.

use serde_json::json;

use crate::claims::SECOND;
use crate::garden::{LEAD, VOLUNTEER};
use crate::late_work::{Thirsty, accept, late, refused};
use crate::mixing::litres;
use crate::top_ups::read_level;

/// Two litres may go into each of four jars at one in the afternoon.
#[actix_web::test]
async fn what_was_poured_after_it_leaves_no_room_until_the_level_is_read() {
    let thirsty = Thirsty::stand().await;
    let api = &thirsty.api;
    thirsty.done_by_lead().await;
    let earlier = late(
        api,
        SECOND,
        &thirsty.task,
        "2026-10-08T14:00:00Z",
        thirsty.poured("8"),
    )
    .await;
    let entries = format!("/batches/{}/entries", thirsty.batch);
    let poured = |volume: &str, at: &str| json!({"kind": "use", "volume": litres(volume), "sowing_id": thirsty.sowing, "happened_at": at});
    // somebody else filled them up since, not knowing of it
    api.post(LEAD, &entries, poured("8", "2026-10-08T15:00:00Z"))
        .await
        .expect(201);
    refused(
        api,
        &earlier,
        "past-refill-limit",
        "would raise it from 2500",
    )
    .await;
    // the same for what is told without a report
    let reply = api
        .post(VOLUNTEER, &entries, poured("0.1", "2026-10-08T14:00:00Z"))
        .await
        .expect(409);
    assert_eq!(reply.problem(), "past-refill-limit");
    assert_eq!(thirsty.left().await, "12000");
    // read in between, the level shows it, and what came after was poured upon that
    let between =
        json!({"level": litres("0.5"), "air_roots": true, "read_at": "2026-10-08T14:30:00Z"});
    read_level(api, thirsty.sowing, between).await;
    accept(api, &earlier).await.expect(200);
    assert_eq!(thirsty.left().await, "4000");
}
