//! What coordinators are told: what is to be ordered soon, and weeks at risk in a plan.

use serde_json::{Value, json};

use crate::cuts::go_to;
use crate::garden::{COORDINATOR, Garden, LEAD, VOLUNTEER};
use crate::plans::{adopt, read, solved};
use crate::shopping_list::{lot, seed, three_sowings};
use crate::support::Api;

async fn told(api: &Api, who: &str, kind: &str) -> Vec<Value> {
    let reply = api.get(who, "/notices").await.expect(200);
    let all = reply.body["items"].as_array().unwrap();
    all.iter()
        .filter(|notice| notice["kind"] == kind)
        .cloned()
        .collect()
}

#[actix_web::test]
async fn what_must_be_ordered_soon_is_told_once_a_week() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    three_sowings(&garden).await;
    let seed = seed(&garden).await;
    lot(&garden, seed, 40, "2026-08-01", Some("2026-12-31")).await;
    let app = &api.bed.app;
    // to be ordered by 21 September: three days before are told, four are not
    go_to(&api, "2026-09-17T10:00:00Z").await;
    assert_eq!(app.write_low_stock().await.unwrap(), 1);
    assert_eq!(told(&api, COORDINATOR, "low_stock").await.len(), 0);
    // nobody is up yet
    go_to(&api, "2026-09-18T09:59:00Z").await;
    assert_eq!(app.write_low_stock().await.unwrap(), 0);
    go_to(&api, "2026-09-18T10:00:00Z").await;
    assert_eq!(app.write_low_stock().await.unwrap(), 1);
    assert_eq!(app.write_low_stock().await.unwrap(), 0);
    let notices = told(&api, COORDINATOR, "low_stock").await;
    assert_eq!(notices.len(), 1, "{notices:#?}");
    assert_eq!(notices[0]["subject"], "Low on Lettuce seed at North school");
    let body = notices[0]["body"].as_str().unwrap();
    assert!(body.contains("ordered by 2026-09-21"), "{body}");
    for who in [LEAD, VOLUNTEER] {
        assert_eq!(told(&api, who, "low_stock").await.len(), 0);
    }
    // the same week is told already, the next is not
    go_to(&api, "2026-09-20T10:00:00Z").await;
    assert_eq!(app.write_low_stock().await.unwrap(), 1);
    assert_eq!(told(&api, COORDINATOR, "low_stock").await.len(), 1);
    go_to(&api, "2026-09-21T10:00:00Z").await;
    assert_eq!(app.write_low_stock().await.unwrap(), 1);
    assert_eq!(told(&api, COORDINATOR, "low_stock").await.len(), 2);
}

/// 10:00 UTC are six in the morning in New York, where the only site is.
#[actix_web::test]
async fn the_first_look_of_a_day_tells_whenever_it_comes_and_whoever_makes_it() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    three_sowings(&garden).await;
    let seed = seed(&garden).await;
    lot(&garden, seed, 40, "2026-08-01", Some("2026-12-31")).await;
    let app = &api.bed.app;
    let two_at_once = async || {
        let (one, two) = futures::future::join(app.write_low_stock(), app.write_low_stock()).await;
        one.unwrap() + two.unwrap()
    };
    // the server was down from before six until the evening: it is told then, by one of two workers
    go_to(&api, "2026-09-18T09:00:00Z").await;
    assert_eq!(two_at_once().await, 0);
    go_to(&api, "2026-09-18T23:30:00Z").await;
    assert_eq!(two_at_once().await, 1);
    assert_eq!(told(&api, COORDINATOR, "low_stock").await.len(), 1);
    // the same day by the clock there, and a clock that is put back, bring nothing more
    for instant in ["2026-09-19T03:59:00Z", "2026-09-18T10:00:00Z"] {
        go_to(&api, instant).await;
        assert_eq!(two_at_once().await, 0, "{instant}");
    }
    // the next day is looked at once more, not before six, and the next week told of again
    go_to(&api, "2026-09-19T09:59:00Z").await;
    assert_eq!(two_at_once().await, 0);
    go_to(&api, "2026-09-19T10:00:00Z").await;
    assert_eq!(two_at_once().await, 1);
    assert_eq!(told(&api, COORDINATOR, "low_stock").await.len(), 1);
    go_to(&api, "2026-09-21T17:00:00Z").await;
    assert_eq!(two_at_once().await, 1);
    assert_eq!(told(&api, COORDINATOR, "low_stock").await.len(), 2);
}

#[actix_web::test]
async fn weeks_at_risk_are_told_with_the_plan_that_is_adopted() {
    let api = Api::new().await;
    let _garden = Garden::plant(&api).await;
    let asked = solved(&api, "Autumn").await;
    let plan = read(&api, &asked).await.body;
    let weeks = plan["result"]["weeks"].as_array().unwrap();
    let is_short = |week: &&Value| week["short"]["value"] != json!("0");
    let first = weeks.iter().find(is_short).expect("a week that is short");
    assert_eq!(told(&api, COORDINATOR, "week_at_risk").await.len(), 0);
    adopt(&api, &asked, false).await.expect(200);
    let notices = told(&api, COORDINATOR, "week_at_risk").await;
    assert_eq!(notices.len(), 1, "{notices:#?}");
    let body = notices[0]["body"].as_str().unwrap();
    let week = first["week"].as_str().unwrap();
    assert!(body.contains(&format!("{week}: ")), "{body}");
    assert_eq!(told(&api, LEAD, "week_at_risk").await.len(), 0);
}
