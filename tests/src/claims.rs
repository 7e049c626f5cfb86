//! Claims: begun or lapsed, offered, limited, and never more than can be done.

use actix_web::http::Method;
use chrono::{DateTime, TimeDelta, Utc};
use cotyl_domain::task::came_free;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::sowings::{at, qualify};
use crate::support::{Api, Reply};

pub const SECOND: &str = "second@example.org";

/// A task put into the database: kind, window and size.
pub struct TestTask {
    pub kind: &'static str,
    pub opens_at: &'static str,
    pub due_at: &'static str,
    pub minutes: i32,
    pub people: i32,
    pub qualification: Option<&'static str>,
}

impl Default for TestTask {
    fn default() -> Self {
        Self {
            kind: "other",
            opens_at: "2026-09-07T12:00:00Z",
            due_at: "2026-09-07T20:00:00Z",
            minutes: 30,
            people: 1,
            qualification: None,
        }
    }
}

pub async fn add_task(garden: &Garden, task: TestTask) -> String {
    let id = Uuid::now_v7();
    let opens_at: DateTime<Utc> = task.opens_at.parse().unwrap();
    let due_at: DateTime<Utc> = task.due_at.parse().unwrap();
    sqlx::query(
        "insert into task (id, cooperative_id, site_id, station_id, kind, occasion, title, day, opens_at, due_at, minutes, people, qualification)
         values ($1, $2, $3, $4, $5, $1::text, 'Sweep', $6, $7, $8, $9, $10, $11)",
    )
    .bind(id)
    .bind(garden.cooperative_id)
    .bind(garden.site_id)
    .bind(garden.station_id)
    .bind(task.kind)
    .bind(opens_at.date_naive())
    .bind(opens_at)
    .bind(due_at)
    .bind(task.minutes)
    .bind(task.people)
    .bind(task.qualification)
    .execute(&garden.pool)
    .await
    .unwrap();
    format!("/tasks/{id}")
}

pub async fn claim(api: &Api, who: &str, path: &str) -> Reply {
    api.act(who, &format!("{path}/claims")).await
}

pub async fn begin(api: &Api, who: &str, path: &str) -> Reply {
    api.act(who, &format!("{path}/claims/mine/beginning")).await
}

async fn offer(api: &Api, who: &str, path: &str, to: Value) -> Reply {
    api.post(who, &format!("{path}/claims/mine/offer"), to)
        .await
}

async fn answer(api: &Api, who: &str, path: &str, accept: bool) -> Reply {
    let body = json!({"accept": accept});
    api.post(who, &format!("{path}/offer_answer"), body).await
}

/// The ends of all claims in the order in which they were made.
pub async fn ends(garden: &Garden) -> Vec<Option<String>> {
    sqlx::query_scalar("select end_kind from claim order by claimed_at, id")
        .fetch_all(&garden.pool)
        .await
        .unwrap()
}

pub async fn id_of(garden: &Garden, email: &str) -> Uuid {
    sqlx::query_scalar("select id from member where email = $1")
        .bind(email)
        .fetch_one(&garden.pool)
        .await
        .unwrap()
}

pub async fn garden() -> (Api, Garden) {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let roles = [("volunteer", Some(garden.site_id), None)];
    garden.join(&api, SECOND, &roles).await;
    (api, garden)
}

#[actix_web::test]
async fn what_is_not_begun_in_time_comes_free_without_any_tick() {
    let (api, garden) = garden().await;
    let task = || TestTask::default();
    let left = add_task(&garden, task()).await;
    let begun = add_task(&garden, task()).await;
    claim(&api, VOLUNTEER, &left).await.expect(201);
    claim(&api, VOLUNTEER, &begun).await.expect(201);
    let until = &api.get(VOLUNTEER, &left).await.body["holders"][0]["comes_free_at"];
    assert_eq!(*until, "2026-09-07T20:00:00Z");
    let seen = begin(&api, VOLUNTEER, &begun).await.expect(200).body;
    assert_eq!(seen["holders"][0]["comes_free_at"], Value::Null);
    assert_eq!(seen["holders"][0]["begun_at"], "2026-09-07T12:00:00Z");
    // once more changes nothing
    begin(&api, VOLUNTEER, &begun).await.expect(200);
    assert_eq!(
        begin(&api, SECOND, &left).await.expect(409).problem(),
        "not-yours"
    );
    at(&api, "2026-09-07T19:59:59Z", &[VOLUNTEER, SECOND, LEAD]).await;
    assert_eq!(api.get(SECOND, &left).await.body["state"], "held");
    api.bed.clock.set("2026-09-07T20:00:00Z".parse().unwrap());
    let free = api.get(SECOND, &left).await.body;
    assert_eq!(
        json!([free["state"], free["holders"], free["may_claim"]]),
        json!(["open", [], true])
    );
    assert_eq!(api.get(SECOND, &begun).await.body["state"], "held");
    for (query, count) in [("state=open", 1), ("state=held", 1), ("mine=true", 1)] {
        let path = format!("/tasks?{query}");
        let found = api.get(VOLUNTEER, &path).await.expect(200);
        assert_eq!(
            found.body["items"].as_array().unwrap().len(),
            count,
            "{query}"
        );
    }
    assert_eq!(
        begin(&api, VOLUNTEER, &left).await.expect(409).problem(),
        "not-yours"
    );
    // nothing was written until somebody acts; then the end is the due time
    assert_eq!(ends(&garden).await, [None, None]);
    claim(&api, SECOND, &left).await.expect(201);
    let ended: DateTime<Utc> =
        sqlx::query_scalar("select ended_at from claim where end_kind = 'lapsed'")
            .fetch_one(&garden.pool)
            .await
            .unwrap();
    assert_eq!(
        ended,
        "2026-09-07T20:00:00Z".parse::<DateTime<Utc>>().unwrap()
    );
    // taken past the due time it stays for two hours
    at(&api, "2026-09-07T21:59:59Z", &[SECOND]).await;
    assert_eq!(api.get(SECOND, &left).await.body["state"], "held");
    // the clock goes back: what has ended stays ended, what has not is as it was
    at(&api, "2026-09-07T12:00:00Z", &[SECOND]).await;
    assert_eq!(api.get(SECOND, &left).await.body["state"], "held");
    at(&api, "2026-09-07T22:00:00Z", &[SECOND]).await;
    assert_eq!(api.get(SECOND, &left).await.body["state"], "open");
    assert_eq!(api.bed.app.free_lapsed_claims().await.unwrap(), 1);
    assert_eq!(api.bed.app.free_lapsed_claims().await.unwrap(), 0);
    let lapsed = Some("lapsed".to_owned());
    assert_eq!(ends(&garden).await, [lapsed.clone(), None, lapsed]);
    let state: String = sqlx::query_scalar("select state from task where id = $1")
        .bind(left.trim_start_matches("/tasks/").parse::<Uuid>().unwrap())
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(state, "open");
}

#[actix_web::test]
async fn the_database_and_the_domain_say_alike_when_a_hold_comes_free() {
    let (_api, garden) = garden().await;
    let due: DateTime<Utc> = "2026-09-07T20:00:00Z".parse().unwrap();
    for claimed in [-90, -1, 0, 1, 30] {
        for begun in [None, Some(due - TimeDelta::minutes(5))] {
            for now in [-1, 0, 1, 119, 120, 121, 149, 150, 151] {
                let claimed_at = due + TimeDelta::minutes(claimed);
                let now = due + TimeDelta::minutes(now);
                let kept: bool = sqlx::query_scalar("select claim_comes_free_at($1, $2, $3) <= $4")
                    .bind(claimed_at)
                    .bind(begun)
                    .bind(due)
                    .bind(now)
                    .fetch_one(&garden.pool)
                    .await
                    .unwrap();
                assert_eq!(kept, came_free(claimed_at, begun, due, now));
            }
        }
    }
}

#[actix_web::test]
async fn an_offered_task_changes_hands_when_the_other_says_yes() {
    let (api, garden) = garden().await;
    let path = add_task(&garden, TestTask::default()).await;
    let to_second = || json!({"email": SECOND.to_uppercase()});
    assert_eq!(
        offer(&api, VOLUNTEER, &path, to_second())
            .await
            .expect(409)
            .problem(),
        "not-yours"
    );
    claim(&api, VOLUNTEER, &path).await.expect(201);
    assert_eq!(
        answer(&api, SECOND, &path, true)
            .await
            .expect(409)
            .problem(),
        "not-offered"
    );
    offer(&api, VOLUNTEER, &path, to_second()).await.expect(200);
    let seen = api.get(SECOND, &path).await.body;
    assert_eq!(seen["holders"][0]["offered_to_me"], true);
    let offered = api.get(SECOND, "/tasks?offered=true").await.expect(200);
    assert_eq!(offered.body["items"][0]["id"], seen["id"]);
    // until then it stays with the one who offers it
    assert_eq!(
        api.get(VOLUNTEER, &path).await.body["holders"][0]["mine"],
        true
    );
    answer(&api, SECOND, &path, false).await.expect(200);
    assert_eq!(
        answer(&api, SECOND, &path, true)
            .await
            .expect(409)
            .problem(),
        "not-offered"
    );
    offer(&api, VOLUNTEER, &path, to_second()).await.expect(200);
    offer(&api, VOLUNTEER, &path, json!({})).await.expect(200);
    answer(&api, SECOND, &path, true).await.expect(409);
    let second = id_of(&garden, SECOND).await;
    offer(&api, VOLUNTEER, &path, json!({"member_id": second}))
        .await
        .expect(200);
    answer(&api, LEAD, &path, true).await.expect(409);
    let taken = answer(&api, SECOND, &path, true).await.expect(200).body;
    assert_eq!(taken["holders"][0]["mine"], true);
    assert_eq!(ends(&garden).await, [Some("handed_over".to_owned()), None]);
    for (who, body, pointer) in [
        (SECOND, json!({"email": ELSEWHERE}), "/email"),
        (SECOND, json!({"email": READER}), "/email"),
        (SECOND, json!({"email": "nobody@example.org"}), "/email"),
        (SECOND, json!({"member_id": second}), "/member_id"),
        (
            SECOND,
            json!({"member_id": second, "email": LEAD}),
            "/email",
        ),
    ] {
        let reply = offer(&api, who, &path, body).await.expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
    // nobody who is not trained for it, by whichever way
    let acid = add_task(
        &garden,
        TestTask {
            kind: "adjust",
            qualification: Some("food_handling"),
            ..TestTask::default()
        },
    )
    .await;
    qualify(&garden, VOLUNTEER, None).await;
    claim(&api, VOLUNTEER, &acid).await.expect(201);
    assert_eq!(
        offer(&api, VOLUNTEER, &acid, to_second())
            .await
            .expect(409)
            .problem(),
        "needs-qualification"
    );
}

#[actix_web::test]
async fn an_offer_ends_with_the_hold() {
    let (api, garden) = garden().await;
    let path = add_task(&garden, TestTask::default()).await;
    claim(&api, VOLUNTEER, &path).await.expect(201);
    offer(&api, VOLUNTEER, &path, json!({"email": SECOND}))
        .await
        .expect(200);
    at(&api, "2026-09-07T20:00:00Z", &[SECOND]).await;
    assert_eq!(
        answer(&api, SECOND, &path, true)
            .await
            .expect(409)
            .problem(),
        "not-offered"
    );
    let offered = api.get(SECOND, "/tasks?offered=true").await.expect(200);
    assert_eq!(offered.body["items"], json!([]));
}

#[actix_web::test]
async fn a_member_holds_so_many_and_the_co_operative_says_how_many() {
    let (api, garden) = garden().await;
    let settings = api.get(VOLUNTEER, "/work_settings").await.expect(200);
    assert_eq!(settings.body, json!({"most_claims": 10}));
    for body in [json!({"most_claims": 0}), json!({"most_claims": 101})] {
        let reply = api
            .put(COORDINATOR, "/work_settings", &settings.etag(), body)
            .await;
        assert_eq!(reply.expect(422).pointers(), ["/most_claims"]);
    }
    let two = json!({"most_claims": 2});
    api.put(LEAD, "/work_settings", &settings.etag(), two.clone())
        .await
        .expect(403);
    let changed = api
        .put(COORDINATOR, "/work_settings", &settings.etag(), two.clone())
        .await
        .expect(200);
    api.put(COORDINATOR, "/work_settings", &settings.etag(), two)
        .await
        .expect(412);
    assert_eq!(changed.body["most_claims"], 2);
    let mut paths = Vec::new();
    for _ in 0..3 {
        paths.push(add_task(&garden, TestTask::default()).await);
    }
    claim(&api, VOLUNTEER, &paths[0]).await.expect(201);
    claim(&api, VOLUNTEER, &paths[1]).await.expect(201);
    let refused = claim(&api, VOLUNTEER, &paths[2]).await.expect(409);
    assert_eq!(refused.problem(), "claim-limit");
    assert!(refused.body["detail"].as_str().unwrap().contains("than 2;"));
    // the database refuses it too, whoever asks it
    let behind = sqlx::query(
        "insert into claim (id, cooperative_id, task_id, member_id, place, claimed_at)
         select $1, $2, $3, id, 1, '2026-09-07T12:00:00Z' from member where email = $4",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(
        paths[2]
            .trim_start_matches("/tasks/")
            .parse::<Uuid>()
            .unwrap(),
    )
    .bind(VOLUNTEER)
    .execute(&garden.pool)
    .await
    .unwrap_err();
    assert!(behind.to_string().contains("2 are allowed"), "{behind}");
    // given back, there is room; and what lapsed takes none
    let mine = format!("{}/claims/mine", paths[0]);
    api.send(api.request(VOLUNTEER, Method::DELETE, &mine))
        .await
        .expect(204);
    claim(&api, VOLUNTEER, &paths[2]).await.expect(201);
    at(&api, "2026-09-07T20:00:00Z", &[VOLUNTEER]).await;
    claim(&api, VOLUNTEER, &paths[0]).await.expect(201);
    claim(&api, VOLUNTEER, &paths[1]).await.expect(201);
}

#[actix_web::test]
async fn nobody_holds_more_than_can_be_done() {
    let (api, garden) = garden().await;
    let fixed = |opens_at, due_at| TestTask {
        opens_at,
        due_at,
        ..TestTask::default()
    };
    let first = add_task(
        &garden,
        fixed("2026-09-07T14:00:00Z", "2026-09-07T14:30:00Z"),
    )
    .await;
    let crossing = add_task(
        &garden,
        fixed("2026-09-07T14:29:00Z", "2026-09-07T14:59:00Z"),
    )
    .await;
    let after = add_task(
        &garden,
        fixed("2026-09-07T14:30:00Z", "2026-09-07T15:00:00Z"),
    )
    .await;
    claim(&api, VOLUNTEER, &first).await.expect(201);
    let refused = claim(&api, VOLUNTEER, &crossing).await.expect(409);
    assert_eq!(refused.problem(), "claims-overlap");
    claim(&api, VOLUNTEER, &after).await.expect(201);
    claim(&api, SECOND, &crossing).await.expect(201);
    // the site is open for 480 minutes: 60 are held, 420 more fit, not one minute more
    let day = |minutes| TestTask {
        minutes,
        ..TestTask::default()
    };
    let long = add_task(&garden, day(420)).await;
    let minute = add_task(&garden, day(1)).await;
    claim(&api, VOLUNTEER, &long).await.expect(201);
    assert_eq!(
        claim(&api, VOLUNTEER, &minute).await.expect(409).problem(),
        "claims-overlap"
    );
    // on another day there is time
    let tuesday = add_task(
        &garden,
        TestTask {
            minutes: 480,
            ..fixed("2026-09-08T12:00:00Z", "2026-09-08T20:00:00Z")
        },
    )
    .await;
    claim(&api, VOLUNTEER, &tuesday).await.expect(201);
    // of a task for two, each has half
    let pair = add_task(
        &garden,
        TestTask {
            people: 2,
            minutes: 960,
            ..fixed("2026-09-09T12:00:00Z", "2026-09-09T20:00:00Z")
        },
    )
    .await;
    claim(&api, VOLUNTEER, &pair).await.expect(201);
    claim(&api, SECOND, &pair).await.expect(201);
    let late = add_task(
        &garden,
        fixed("2026-09-09T12:00:00Z", "2026-09-09T20:00:00Z"),
    )
    .await;
    assert_eq!(
        claim(&api, SECOND, &late).await.expect(409).problem(),
        "claims-overlap"
    );
}

#[actix_web::test]
async fn who_holds_it_is_told_to_those_who_may_know() {
    let (api, garden) = garden().await;
    let path = add_task(&garden, TestTask::default()).await;
    claim(&api, VOLUNTEER, &path).await.expect(201);
    let detail = async |who: &str| {
        let refused = claim(&api, who, &path).await.expect(409);
        assert_eq!(refused.problem(), "task-held");
        refused.body["detail"].to_string()
    };
    assert!(!detail(SECOND).await.contains(VOLUNTEER));
    assert!(detail(LEAD).await.contains(VOLUNTEER));
    assert!(detail(COORDINATOR).await.contains(VOLUNTEER));
}
