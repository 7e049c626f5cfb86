//! Work that comes again: its tasks follow the rule, its exceptions and the closures of the site.

use chrono::TimeDelta;
use cotyl_store::Scope;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, PASSWORD, Reply};

/// Thursdays at 15:00 for two hours, from 10 September 2026 on.
fn cans(site_id: Uuid) -> Value {
    json!({
        "site_id": site_id, "station_id": null, "title": "Rinse the cans", "note": "", "people": 1, "minutes": 15,
        "qualification": null, "starts_at": "2026-09-10T15:00", "window_minutes": 120,
        "rule": "FREQ=WEEKLY;BYDAY=TH", "on_closed_day": "skip"
    })
}

async fn describe(api: &Api, body: Value) -> (String, Reply) {
    let made = api.post(LEAD, "/recurring_tasks", body).await.expect(201);
    (format!("/recurring_tasks/{}", made.id()), made)
}

/// Day and state of every task, in order.
async fn tasks(garden: &Garden) -> Vec<String> {
    sqlx::query_scalar(
        "select day || ' ' || state from task where kind = 'other' order by opens_at, occasion",
    )
    .fetch_all(&garden.pool)
    .await
    .unwrap()
}

/// What the worker does for the site now and then.
async fn derive(api: &Api, garden: &Garden) {
    let app = &api.bed.app;
    let now = cotyl_domain::Clock::now(&api.bed.clock);
    app.store()
        .write(
            "derive",
            Scope::Cooperative(garden.cooperative_id),
            async |tx| app.derive_recurring(tx, garden.site_id, now).await,
        )
        .await
        .unwrap();
}

#[actix_web::test]
async fn tasks_are_made_ahead_once_whoever_derives_them() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let (path, made) = describe(&api, cans(garden.site_id)).await;
    assert_eq!(made.body["rule"], "FREQ=WEEKLY;BYDAY=TH");
    // 21 days from Monday 7 September
    let three = ["2026-09-10 open", "2026-09-17 open", "2026-09-24 open"];
    assert_eq!(tasks(&garden).await, three);
    futures::future::join_all((0..6).map(|_| derive(&api, &garden))).await;
    assert_eq!(tasks(&garden).await, three);
    let occasions: Vec<String> = sqlx::query_scalar("select occasion from task order by opens_at")
        .fetch_all(&garden.pool)
        .await
        .unwrap();
    assert_eq!(
        occasions[0],
        format!("recurring:{}:2026-09-10T15:00", made.id())
    );
    let listed = api.get(VOLUNTEER, "/tasks").await.expect(200);
    assert_eq!(
        listed.body["items"][0]["window"]["opens_at"],
        "2026-09-10T19:00:00Z"
    );
    assert_eq!(
        listed.body["items"][0]["window"]["due_at"],
        "2026-09-10T21:00:00Z"
    );
    // later days come as the days go on
    api.bed.clock.advance(TimeDelta::days(7));
    derive(&api, &garden).await;
    assert_eq!(tasks(&garden).await.last().unwrap(), "2026-10-01 open");
    api.sign_in(LEAD, PASSWORD).await.expect(201);
    let times = api.get(LEAD, &format!("{path}/times")).await.expect(200);
    assert_eq!(times.body["items"].as_array().unwrap().len(), 3);
}

#[actix_web::test]
async fn a_changed_rule_moves_and_drops_only_what_is_to_come() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let (path, made) = describe(&api, cans(garden.site_id)).await;
    // the first is claimed and done, the second claimed
    let ids: Vec<Uuid> = sqlx::query_scalar("select id from task order by opens_at")
        .fetch_all(&garden.pool)
        .await
        .unwrap();
    for id in &ids[..2] {
        api.act(VOLUNTEER, &format!("/tasks/{id}/claims"))
            .await
            .expect(201);
    }
    api.post(
        VOLUNTEER,
        &format!("/tasks/{}/completion", ids[0]),
        json!({}),
    )
    .await
    .expect(200);
    // an hour later on the same days
    let mut later = cans(garden.site_id);
    later["window_minutes"] = json!(180);
    later["title"] = json!("Rinse and dry the cans");
    let changed = api
        .put(LEAD, &path, &made.etag(), later.clone())
        .await
        .expect(200);
    api.put(LEAD, &path, &made.etag(), later.clone())
        .await
        .expect(412);
    let second = api.get(VOLUNTEER, &format!("/tasks/{}", ids[1])).await;
    assert_eq!(
        (&second.body["title"], &second.body["state"]),
        (&json!("Rinse and dry the cans"), &json!("held"))
    );
    assert_eq!(second.body["window"]["due_at"], "2026-09-17T22:00:00Z");
    assert_eq!(
        api.get(VOLUNTEER, &format!("/tasks/{}", ids[0])).await.body["title"],
        "Rinse the cans"
    );
    // Fridays instead: those of Thursday go, also the one that was claimed
    later["rule"] = json!("FREQ=WEEKLY;BYDAY=FR");
    later["starts_at"] = json!("2026-09-11T15:00");
    let friday = api
        .put(LEAD, &path, &changed.etag(), later.clone())
        .await
        .expect(200);
    assert_eq!(
        tasks(&garden).await,
        [
            "2026-09-10 done",
            "2026-09-11 open",
            "2026-09-17 dropped",
            "2026-09-18 open",
            "2026-09-24 dropped",
            "2026-09-25 open"
        ]
    );
    // and back: what the rule had dropped is taken up again
    let back = api
        .put(LEAD, &path, &friday.etag(), cans(garden.site_id))
        .await
        .expect(200);
    assert_eq!(
        tasks(&garden).await,
        [
            "2026-09-10 done",
            "2026-09-11 dropped",
            "2026-09-17 open",
            "2026-09-18 dropped",
            "2026-09-24 open",
            "2026-09-25 dropped"
        ]
    );
    // what a person dropped is not
    let third = format!("/tasks/{}", ids[2]);
    let seen = api.get(LEAD, &third).await;
    api.send(
        api.request(
            LEAD,
            actix_web::http::Method::POST,
            &format!("{third}/drop"),
        )
        .insert_header(("if-match", seen.etag()))
        .set_json(json!({"cause": "Nobody is there"})),
    )
    .await
    .expect(200);
    derive(&api, &garden).await;
    assert_eq!(api.get(LEAD, &third).await.body["cause"], "Nobody is there");
    // ended: what is to come goes
    api.delete(LEAD, &path, &back.etag()).await.expect(200);
    derive(&api, &garden).await;
    assert!(
        tasks(&garden)
            .await
            .iter()
            .all(|task| !task.ends_with("open"))
    );
    api.put(LEAD, &path, "*", cans(garden.site_id))
        .await
        .expect(409);
}

#[actix_web::test]
async fn single_times_are_moved_left_out_and_restored() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let (path, _) = describe(&api, cans(garden.site_id)).await;
    let except = async |body: Value| api.post(LEAD, &format!("{path}/exceptions"), body).await;
    except(json!({"occurs_at": "2026-09-17T15:00", "kind": "moved", "moved_to": "2026-09-18T10:00", "cause": "A concert"})).await.expect(201);
    except(json!({"occurs_at": "2026-09-24T15:00", "kind": "left_out", "cause": "An outing"}))
        .await
        .expect(201);
    assert_eq!(
        tasks(&garden).await,
        ["2026-09-10 open", "2026-09-18 open", "2026-09-24 dropped"]
    );
    let times = api
        .get(VOLUNTEER, &format!("{path}/times"))
        .await
        .expect(200);
    let states: Vec<&str> = times.body["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|t| t["state"].as_str().unwrap())
        .collect();
    assert_eq!(states, ["by_rule", "moved", "left_out"]);
    except(json!({"occurs_at": "2026-09-24T15:00", "kind": "restored", "cause": "No outing"}))
        .await
        .expect(201);
    assert_eq!(
        tasks(&garden).await,
        ["2026-09-10 open", "2026-09-18 open", "2026-09-24 open"]
    );
    for (body, pointer) in [
        (
            json!({"occurs_at": "2026-09-16T15:00", "kind": "left_out", "cause": "x"}),
            "/occurs_at",
        ),
        (
            json!({"occurs_at": "2026-09-17T15:00", "kind": "moved", "cause": "x"}),
            "/moved_to",
        ),
        (
            json!({"occurs_at": "2026-09-17T15:00", "kind": "left_out", "moved_to": "2026-09-18T10:00", "cause": "x"}),
            "/moved_to",
        ),
        (
            json!({"occurs_at": "2026-09-17T15:00", "kind": "burnt", "cause": "x"}),
            "/kind",
        ),
        (
            json!({"occurs_at": "2026-09-17T15:00", "kind": "left_out", "cause": ""}),
            "/cause",
        ),
    ] {
        assert_eq!(except(body).await.expect(422).pointers(), [pointer]);
    }
    api.bed.clock.set("2026-09-10T19:30:00Z".parse().unwrap());
    api.sign_in(LEAD, PASSWORD).await.expect(201);
    let late =
        except(json!({"occurs_at": "2026-09-10T15:00", "kind": "left_out", "cause": "x"})).await;
    assert_eq!(late.expect(409).problem(), "wrong-state");
}

#[actix_web::test]
async fn closures_skip_bring_forward_or_flag() {
    for (choice, expected, note) in [
        (
            "skip",
            vec!["2026-09-10 open", "2026-09-17 dropped", "2026-09-24 open"],
            "",
        ),
        (
            "bring_forward",
            vec!["2026-09-10 open", "2026-09-15 open", "2026-09-24 open"],
            "",
        ),
        (
            "flag",
            vec!["2026-09-10 open", "2026-09-17 open", "2026-09-24 open"],
            "The site is closed on that day: Fair.",
        ),
    ] {
        let api = Api::new().await;
        let garden = Garden::plant(&api).await;
        let mut body = cans(garden.site_id);
        body["on_closed_day"] = json!(choice);
        describe(&api, body).await;
        let closure = json!({"site_id": garden.site_id, "first_day": "2026-09-16", "last_day": "2026-09-18", "reason": "Fair"});
        let closed = api.post(LEAD, "/closures", closure).await.expect(201);
        derive(&api, &garden).await;
        assert_eq!(tasks(&garden).await, expected, "{choice}");
        let notes: Vec<String> = sqlx::query_scalar("select note from task order by opens_at")
            .fetch_all(&garden.pool)
            .await
            .unwrap();
        assert_eq!(notes[1], note);
        // open after all
        api.delete(LEAD, &format!("/closures/{}", closed.id()), &closed.etag())
            .await
            .expect(200);
        derive(&api, &garden).await;
        assert_eq!(
            tasks(&garden).await,
            ["2026-09-10 open", "2026-09-17 open", "2026-09-24 open"],
            "{choice}"
        );
        let notes: Vec<String> = sqlx::query_scalar("select note from task order by opens_at")
            .fetch_all(&garden.pool)
            .await
            .unwrap();
        assert!(notes.iter().all(String::is_empty));
    }
}

/// New York puts the clock back on 1 November 2026 (tzdata 2026f): 15:00 is 19:00Z before and 20:00Z
/// after.
#[actix_web::test]
async fn the_wall_clock_counts_over_a_change() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    api.bed.clock.set("2026-10-26T12:00:00Z".parse().unwrap());
    api.sign_in(LEAD, PASSWORD).await.expect(201);
    let mut body = cans(garden.site_id);
    body["starts_at"] = json!("2026-10-29T15:00");
    describe(&api, body).await;
    let opens: Vec<String> = sqlx::query_scalar(
        "select to_char(opens_at at time zone 'UTC', 'MM-DD HH24:MI') from task order by opens_at",
    )
    .fetch_all(&garden.pool)
    .await
    .unwrap();
    assert_eq!(opens, ["10-29 19:00", "11-05 20:00", "11-12 20:00"]);
}

#[actix_web::test]
async fn rules_that_cannot_be_are_refused_in_words() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for (change, pointer, words) in [
        (json!({"rule": "FREQ=SECONDLY"}), "/rule", "too often"),
        (
            json!({"rule": "FREQ=WEEKLY;BYDAY=MO"}),
            "/rule",
            "its first time is 2026-09-14 15:00:00",
        ),
        (
            json!({"rule": "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"}),
            "/rule",
            "no time meets this rule",
        ),
        (
            json!({"rule": "FREQ=WEEKLY;UNTIL=20261224"}),
            "/rule",
            "UNTIL=20261224T235959",
        ),
        (
            json!({"window_minutes": 0}),
            "/window_minutes",
            "between 1 and 10080",
        ),
        (
            json!({"on_closed_day": "guess"}),
            "/on_closed_day",
            "skip, bring_forward or flag",
        ),
        (
            json!({"station_id": Uuid::now_v7()}),
            "/station_id",
            "no such station",
        ),
    ] {
        let mut body = cans(garden.site_id);
        body.as_object_mut()
            .unwrap()
            .extend(change.as_object().unwrap().clone());
        let reply = api.post(LEAD, "/recurring_tasks", body).await.expect(422);
        assert_eq!(reply.pointers(), [pointer]);
        assert!(reply.text.contains(words), "{}", reply.text);
    }
}

#[actix_web::test]
async fn only_leads_of_the_site_and_coordinators_describe_them() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for who in [VOLUNTEER, READER, ELSEWHERE] {
        api.post(who, "/recurring_tasks", cans(garden.site_id))
            .await
            .expect(403);
    }
    let (path, made) = describe(&api, cans(garden.site_id)).await;
    api.get(VOLUNTEER, &path).await.expect(200);
    api.get(ELSEWHERE, &path).await.expect(404);
    api.get(READER, &path).await.expect(403);
    api.delete(ELSEWHERE, &path, &made.etag()).await.expect(403);
    let here = api.get(VOLUNTEER, "/recurring_tasks").await.expect(200);
    assert_eq!(here.body["items"].as_array().unwrap().len(), 1);
    let there = api.get(ELSEWHERE, "/recurring_tasks").await.expect(200);
    assert!(there.body["items"].as_array().unwrap().is_empty());
    api.get(COORDINATOR, &path).await.expect(200);
}
