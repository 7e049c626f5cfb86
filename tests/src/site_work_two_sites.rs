//! Two sites of one co-operative: what one grows is packed and delivered there, and not at the other.

use chrono::NaiveDate;
use serde_json::json;
use uuid::Uuid;

use crate::cuts::go_to;
use crate::garden::{COORDINATOR, Garden, LEAD};
use crate::site_work::look;
use crate::sowings::{event, sow, sowing_input};
use crate::support::Api;

/// State and day of the work of a kind, by site.
async fn of_kind(garden: &Garden, kind: &str, site_id: Uuid) -> Vec<(String, NaiveDate)> {
    sqlx::query_as(
        "select state, day from task where kind = $1 and site_id = $2 order by day, occasion",
    )
    .bind(kind)
    .bind(site_id)
    .fetch_all(&garden.pool)
    .await
    .unwrap()
}

fn on(state: &str, day: &str) -> (String, NaiveDate) {
    (state.to_owned(), day.parse().unwrap())
}

#[actix_web::test]
async fn greens_are_packed_and_delivered_where_they_grow() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let (north, south) = (garden.site_id, garden.other_site_id);
    let bench = Uuid::now_v7();
    sqlx::query(
        "insert into station (id, cooperative_id, site_id, container_kind_id, name, method, places, environment)
         select $1, cooperative_id, $2, container_kind_id, 'South bench', method, places, environment from station where id = $3",
    )
    .bind(bench)
    .bind(south)
    .bind(garden.station_id)
    .execute(&garden.pool)
    .await
    .unwrap();
    // cut on Thursday 22 October and handed over on Friday; a week later in the south
    let in_north = sow(&api, &garden, 4, "2026-09-14").await.expect(201);
    let mut input = sowing_input(&garden, 2, "2026-09-21");
    input["site_id"] = json!(south);
    input["station_id"] = json!(bench);
    api.post(COORDINATOR, "/sowings", input).await.expect(201);
    go_to(&api, "2026-10-12T12:00:00Z").await;
    api.bed.app.queue_due_looks().await.unwrap();
    look(&api).await;
    for kind in ["pack", "deliver"] {
        assert_eq!(
            of_kind(&garden, kind, north).await,
            [on("open", "2026-10-23")]
        );
        assert_eq!(
            of_kind(&garden, kind, south).await,
            [on("open", "2026-10-30")]
        );
    }
    let lost = json!({"kind": "lost", "cause": "never sown"});
    event(&api, LEAD, &in_north.id(), lost).await.expect(201);
    look(&api).await;
    for kind in ["pack", "deliver"] {
        assert_eq!(
            of_kind(&garden, kind, north).await,
            [on("dropped", "2026-10-23")]
        );
        assert_eq!(
            of_kind(&garden, kind, south).await,
            [on("open", "2026-10-30")]
        );
    }
}
