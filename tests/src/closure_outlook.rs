//! What closures will harm is told up to the end of the plan in force.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, Garden, LEAD};
use crate::site_work::look;
use crate::sowings::sow;
use crate::support::Api;

/// A plan of twenty weeks from 7 September 2026 that is in force: until 24 January 2027.
async fn adopt_a_plan(garden: &Garden) {
    sqlx::query(
        "insert into plan (id, cooperative_id, name, first_monday, weeks, seed, work_limit, time_limit_seconds, solving, state, requested_by, adopted_at)
         select $1, cooperative_id, 'Autumn', '2026-09-07', 20, 1, 1, 1, 'solved', 'adopted', id, '2026-09-07T12:00:00Z'
           from member where cooperative_id = $2 and email = $3",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(COORDINATOR)
    .execute(&garden.pool)
    .await
    .unwrap();
}

/// Closures that come, each with the days of sowing that it harms.
async fn told(api: &Api, garden: &Garden, query: &str) -> Vec<Value> {
    let path = format!("/sites/{}/closure_warnings{query}", garden.site_id);
    let body = api.get(LEAD, &path).await.expect(200).body;
    let closures = body["items"].as_array().unwrap().iter();
    closures
        .map(|closure| {
            let warnings = closure["warnings"].as_array().unwrap().iter();
            let sowings = warnings.filter(|warning| warning["rule"] == "sow");
            let days: Vec<&Value> = sowings.map(|warning| &warning["days"]).collect();
            json!([closure["first_day"], days])
        })
        .collect()
}

#[actix_web::test]
async fn a_long_closure_is_looked_at_to_the_end_of_the_plan() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    // the seventy-second day of the closure; the last, after the plan has ended
    for day in ["2027-01-12", "2027-02-02"] {
        sow(&api, &garden, 4, day).await.expect(201);
    }
    let closure = json!({"site_id": garden.site_id, "first_day": "2026-11-02", "last_day": "2027-02-28", "reason": "Building works"});
    api.post(LEAD, "/closures", closure).await.expect(201);
    look(&api).await;
    // begins in eight weeks: not within the usual four, and January is past its first sixty days
    assert!(told(&api, &garden, "").await.is_empty());
    let sixty = json!(["2026-11-02", []]);
    assert_eq!(told(&api, &garden, "?days_ahead=60").await, [sixty]);
    adopt_a_plan(&garden).await;
    let term = json!(["2026-11-02", [["2027-01-12"]]]);
    for query in ["", "?days_ahead=60", "?days_ahead=366"] {
        assert_eq!(
            told(&api, &garden, query).await,
            std::slice::from_ref(&term),
            "{query}"
        );
    }
    // what is asked for is kept to
    assert!(told(&api, &garden, "?days_ahead=28").await.is_empty());
}
