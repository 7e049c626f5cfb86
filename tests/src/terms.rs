//! Terms: spans of days that a co-operative names.

use serde_json::json;

use crate::garden::{COORDINATOR, Garden, LEAD, READER};
use crate::reports::report;
use crate::support::Api;

#[actix_web::test]
async fn terms_are_kept_by_coordinators() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let input = |name: &str, first: &str, last: &str| json!({"name": name, "first_day": first, "last_day": last});
    let term = api
        .post(
            COORDINATOR,
            "/terms",
            input("Autumn", "2026-09-07", "2026-12-18"),
        )
        .await
        .expect(201);
    let path = format!("/terms/{}", term.id());
    let taken = api
        .post(
            COORDINATOR,
            "/terms",
            input("autumn", "2027-09-07", "2027-12-18"),
        )
        .await
        .expect(409);
    assert_eq!(taken.problem(), "taken");
    for (first, last, pointer) in [
        ("2026-09-07", "2026-09-06", "/last_day"),
        ("1999-09-07", "1999-12-06", "/first_day"),
    ] {
        let reply = api
            .post(COORDINATOR, "/terms", input("Odd", first, last))
            .await
            .expect(422);
        assert!(reply.pointers().contains(&pointer.to_owned()));
    }
    api.post(LEAD, "/terms", input("Mine", "2026-09-07", "2026-12-18"))
        .await
        .expect(403);
    api.get(READER, "/terms").await.expect(403);
    let changed = api
        .put(
            COORDINATOR,
            &path,
            &term.etag(),
            input("Autumn term", "2026-09-07", "2026-12-20"),
        )
        .await
        .expect(200);
    assert_eq!(changed.body["last_day"], "2026-12-20");
    api.delete(COORDINATOR, &path, &term.etag())
        .await
        .expect(412);
    api.delete(COORDINATOR, &path, &changed.etag())
        .await
        .expect(200);
    assert_eq!(api.get(LEAD, "/terms").await.body["items"], json!([]));
    // reports of it can still be had
    let query = format!("term_id={}", term.id());
    assert_eq!(
        report(&api, COORDINATOR, &query).await["span"]["name"],
        "Autumn term"
    );
}
