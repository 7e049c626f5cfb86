//! Who does what: free hours, suggestions, assignments, and who carries how much.

use serde_json::{Value, json};

use crate::claims::{SECOND, TestTask, add_task, claim, ends, garden, id_of};
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, VOLUNTEER};
use crate::sowings::at;
use crate::support::{Api, Reply};

async fn say_free(api: &Api, garden: &Garden, who: &str, hours: Value, away: Value) {
    let path = format!("/members/{}/availability", id_of(garden, who).await);
    let before = api.get(who, &path).await.expect(200);
    let body = json!({"free_hours": hours, "days_away": away});
    api.put(who, &path, &before.etag(), body).await.expect(200);
}

fn free(weekday: &str, from: &str, to: &str) -> Value {
    json!({"weekday": weekday, "from": from, "to": to})
}

async fn suggest(api: &Api, garden: &Garden) -> Value {
    let path = format!(
        "/sites/{}/assignment_suggestion?from=2026-09-07&to=2026-09-13",
        garden.site_id
    );
    api.get(LEAD, &path).await.expect(200).body
}

async fn assign(api: &Api, garden: &Garden, who: &str, body: Value) -> Reply {
    let path = format!("/sites/{}/assignments", garden.site_id);
    api.post(who, &path, body).await
}

fn id(path: &str) -> &str {
    path.trim_start_matches("/tasks/")
}

#[actix_web::test]
async fn a_member_says_when_they_can_help() {
    let (api, garden) = garden().await;
    let own = format!("/members/{}/availability", id_of(&garden, VOLUNTEER).await);
    let nothing = api.get(VOLUNTEER, &own).await.expect(200);
    assert_eq!(nothing.body["free_hours"], json!([]));
    assert_eq!(nothing.etag(), "\"v0\"");
    let body = json!({
        "free_hours": [free("tuesday", "15:00", "17:30")],
        "days_away": [{"first_day": "2026-10-12", "last_day": "2026-10-16"}]
    });
    for who in [SECOND, ELSEWHERE] {
        let reply = api.put(who, &own, "*", body.clone()).await;
        assert!([403, 404].contains(&reply.status.as_u16()));
    }
    api.put(LEAD, &own, "*", body.clone()).await.expect(403);
    let kept = api
        .put(VOLUNTEER, &own, &nothing.etag(), body.clone())
        .await
        .expect(200);
    assert_eq!(kept.body["free_hours"], body["free_hours"]);
    api.put(VOLUNTEER, &own, &nothing.etag(), body.clone())
        .await
        .expect(412);
    assert_eq!(api.get(LEAD, &own).await.expect(200).body, kept.body);
    api.get(SECOND, &own).await.expect(404);
    api.put(COORDINATOR, &own, &kept.etag(), body)
        .await
        .expect(200);
    for (body, pointer) in [
        (
            json!({"free_hours": [free("someday", "15:00", "17:00")]}),
            "/free_hours/0/weekday",
        ),
        (
            json!({"free_hours": [free("monday", "17:00", "15:00")]}),
            "/free_hours/0/to",
        ),
        (
            json!({"free_hours": [free("monday", "15:00", "17:00"), free("monday", "16:00", "18:00")]}),
            "/free_hours/1/from",
        ),
        (
            json!({"free_hours": [], "days_away": [{"first_day": "2026-10-12", "last_day": "2026-10-11"}]}),
            "/days_away/0/last_day",
        ),
    ] {
        let reply = api.put(VOLUNTEER, &own, "*", body).await.expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
}

#[actix_web::test]
async fn a_suggestion_covers_what_can_be_covered_and_says_why_not_the_rest() {
    let (api, garden) = garden().await;
    let window = |opens_at, due_at, minutes| TestTask {
        opens_at,
        due_at,
        minutes,
        ..TestTask::default()
    };
    // Monday 08:00 to 16:00 in New York is 12:00 to 20:00 UTC
    let monday = add_task(&garden, TestTask::default()).await;
    let fixed = add_task(
        &garden,
        window("2026-09-07T14:00:00Z", "2026-09-07T14:30:00Z", 30),
    )
    .await;
    let friday = add_task(
        &garden,
        window("2026-09-11T12:00:00Z", "2026-09-11T20:00:00Z", 60),
    )
    .await;
    let trained = add_task(
        &garden,
        TestTask {
            qualification: Some("concentrates"),
            ..TestTask::default()
        },
    )
    .await;
    say_free(
        &api,
        &garden,
        VOLUNTEER,
        json!([
            free("monday", "10:00", "10:30"),
            free("friday", "09:00", "12:00")
        ]),
        json!([{"first_day": "2026-09-11", "last_day": "2026-09-11"}]),
    )
    .await;
    say_free(
        &api,
        &garden,
        SECOND,
        json!([free("monday", "10:00", "12:00")]),
        json!([]),
    )
    .await;
    let suggested = suggest(&api, &garden).await;
    assert_eq!(suggested["proven"], true);
    assert_eq!(suggested["places_covered"], json!([2, 0]));
    let pairs: Vec<(&Value, &Value)> = suggested["assignments"]
        .as_array()
        .unwrap()
        .iter()
        .map(|each| (&each["task_id"], &each["name"]))
        .collect();
    assert_eq!(pairs.len(), 2);
    // one each, which is fairer than both to the second
    assert_ne!(pairs[0].1, pairs[1].1);
    let given: Vec<&Value> = pairs.iter().map(|pair| pair.0).collect();
    assert!(given.contains(&&json!(id(&monday))) && given.contains(&&json!(id(&fixed))));
    let why: Vec<(&Value, &Value)> = suggested["unfilled"]
        .as_array()
        .unwrap()
        .iter()
        .map(|each| (&each["task_id"], &each["code"]))
        .collect();
    assert!(
        why.contains(&(&json!(id(&friday)), &json!("nobody_free"))),
        "{why:?}"
    );
    assert!(
        why.contains(&(&json!(id(&trained)), &json!("nobody_qualified"))),
        "{why:?}"
    );
    assert_eq!(why.len(), 2);
    let lead = suggested["loads"]
        .as_array()
        .unwrap()
        .iter()
        .find(|load| load["name"] == LEAD)
        .unwrap();
    assert_eq!(lead["has_stated_hours"], false);
    // a draft: nothing is held
    assert!(ends(&garden).await.is_empty());
    let path = format!("/sites/{}/assignment_suggestion", garden.site_id);
    api.get(VOLUNTEER, &format!("{path}?from=2026-09-07&to=2026-09-13"))
        .await
        .expect(403);
    api.get(ELSEWHERE, &format!("{path}?from=2026-09-07&to=2026-09-13"))
        .await
        .expect(404);
    let reply = api
        .get(LEAD, &format!("{path}?from=2026-09-07&to=2026-09-21"))
        .await;
    assert_eq!(reply.expect(422).pointers(), ["to"]);
}

#[actix_web::test]
async fn a_lead_accepts_a_suggestion_whole_or_what_is_left_of_it() {
    let (api, garden) = garden().await;
    let first = add_task(&garden, TestTask::default()).await;
    let other = add_task(&garden, TestTask::default()).await;
    let all_day = json!([free("monday", "08:00", "16:00")]);
    say_free(&api, &garden, VOLUNTEER, all_day.clone(), json!([])).await;
    say_free(&api, &garden, SECOND, all_day, json!([])).await;
    let suggested = suggest(&api, &garden).await;
    let wanted: Vec<Value> = suggested["assignments"]
        .as_array()
        .unwrap()
        .iter()
        .map(|each| json!({"task_id": each["task_id"], "member_id": each["member_id"]}))
        .collect();
    assert_eq!(wanted.len(), 2);
    // one is claimed meanwhile by somebody else: nothing happens, then what is left
    claim(&api, LEAD, &first).await.expect(201);
    let refused = assign(&api, &garden, LEAD, json!({"assignments": wanted})).await;
    let refused = refused.expect(409);
    assert_eq!(refused.problem(), "not-assignable");
    assert!(refused.body["detail"].as_str().unwrap().contains("held"));
    assert_eq!(ends(&garden).await.len(), 1);
    let body = json!({"assignments": wanted, "only_possible": true});
    let made = assign(&api, &garden, LEAD, body).await.expect(200).body;
    assert_eq!(made["claims"].as_array().unwrap().len(), 1);
    assert_eq!(made["claims"][0]["task_id"], id(&other));
    assert_eq!(made["left_out"][0]["code"], "task-held");
    // whoever has it sees by whom
    let holder = made["claims"][0]["member_id"].clone();
    let who = if holder == json!(id_of(&garden, SECOND).await) {
        SECOND
    } else {
        VOLUNTEER
    };
    let seen = api.get(who, &other).await.body;
    assert_eq!(seen["holders"][0]["assigned_by"]["name"], LEAD);
    // taken from one for another
    let next = if who == SECOND { VOLUNTEER } else { SECOND };
    let swap = json!({"assignments": [{
        "task_id": id(&other), "member_id": id_of(&garden, next).await, "instead_of": holder
    }]});
    let body = assign(&api, &garden, COORDINATOR, swap.clone())
        .await
        .expect(200)
        .body;
    assert_eq!(body["claims"][0]["place"], 1);
    assert_eq!(api.get(next, &other).await.body["holders"][0]["mine"], true);
    assign(&api, &garden, COORDINATOR, swap).await.expect(409);
    assert_eq!(
        ends(&garden).await,
        [None, Some("reassigned".to_owned()), None]
    );
}

#[actix_web::test]
async fn assignments_keep_the_rules_of_claims() {
    let (api, garden) = garden().await;
    let path = add_task(
        &garden,
        TestTask {
            qualification: Some("concentrates"),
            ..TestTask::default()
        },
    )
    .await;
    let volunteer = id_of(&garden, VOLUNTEER).await;
    let one = |task: &str, member: &Value| json!({"assignments": [{"task_id": task, "member_id": member}]});
    let refused = assign(&api, &garden, LEAD, one(id(&path), &json!(volunteer))).await;
    assert!(refused.expect(409).text.contains("concentrates"));
    let elsewhere = id_of(&garden, ELSEWHERE).await;
    for (body, pointer) in [
        (
            one(id(&path), &json!(elsewhere)),
            "/assignments/0/member_id",
        ),
        (
            one("0199d0c0-0000-7000-8000-000000000000", &json!(volunteer)),
            "/assignments/0/task_id",
        ),
        (json!({"assignments": []}), "/assignments"),
        (
            json!({"assignments": [
                {"task_id": id(&path), "member_id": volunteer}, {"task_id": id(&path), "member_id": volunteer}
            ]}),
            "/assignments/1",
        ),
    ] {
        let reply = assign(&api, &garden, LEAD, body).await.expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
    assign(&api, &garden, VOLUNTEER, one(id(&path), &json!(volunteer)))
        .await
        .expect(403);
    assign(&api, &garden, ELSEWHERE, one(id(&path), &json!(volunteer)))
        .await
        .expect(404);
    assert!(ends(&garden).await.is_empty());
}

#[actix_web::test]
async fn who_carries_how_much() {
    let (api, garden) = garden().await;
    let task = |minutes, people| TestTask {
        minutes,
        people,
        ..TestTask::default()
    };
    let pair = add_task(&garden, task(61, 2)).await;
    for who in [VOLUNTEER, SECOND] {
        claim(&api, who, &pair).await.expect(201);
    }
    api.post(VOLUNTEER, &format!("{pair}/completion"), json!({}))
        .await
        .expect(200);
    let alone = add_task(&garden, task(20, 1)).await;
    api.post(LEAD, &format!("{alone}/completion"), json!({}))
        .await
        .expect(200);
    let held = add_task(&garden, task(45, 1)).await;
    claim(&api, VOLUNTEER, &held).await.expect(201);
    let offer = json!({"email": SECOND});
    api.post(VOLUNTEER, &format!("{held}/claims/mine/offer"), offer)
        .await
        .expect(200);
    let path = format!(
        "/sites/{}/fair_share?from=2026-09-01&to=2026-09-30",
        garden.site_id
    );
    let shares = api.get(LEAD, &path).await.expect(200).body;
    let of = |name: &str| {
        shares["members"]
            .as_array()
            .unwrap()
            .iter()
            .find(|member| member["name"] == name)
            .unwrap()
            .clone()
    };
    let amount = |tasks: i64, minutes: i64| json!({"tasks": tasks, "minutes": minutes});
    let volunteer = of(VOLUNTEER);
    assert_eq!(volunteer["done"], amount(1, 31));
    assert_eq!(volunteer["held"], amount(1, 45));
    assert_eq!(volunteer["weeks"][0]["week"], "2026-W37");
    assert_eq!(of(SECOND)["done"], amount(1, 31));
    assert_eq!(of(SECOND)["offered"], amount(1, 45));
    assert_eq!(of(LEAD)["done"], amount(1, 20));
    // what lapsed is held no more
    let people = [LEAD, VOLUNTEER, ELSEWHERE];
    at(&api, "2026-09-07T20:00:00Z", &people).await;
    let later = api.get(LEAD, &path).await.expect(200).body;
    let held = later["members"].as_array().unwrap().iter();
    assert!(
        held.map(|member| &member["held"])
            .all(|held| *held == amount(0, 0))
    );
    api.get(VOLUNTEER, &path).await.expect(403);
    api.get(ELSEWHERE, &path).await.expect(404);
}
