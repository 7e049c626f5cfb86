//! Work that comes by itself, through the API: what a cause brings, moves and ends.

use actix_web::http::Method;
use chrono::NaiveDate;
use cotyl_jobs::look_once;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::sowings::{at, event, read, sow, task, task_path};
use crate::support::Api;

/// Looks at every site that waits for it; how many looks.
pub async fn look(api: &Api) -> usize {
    let mut looks = 0;
    while look_once(&api.bed.app).await.unwrap().is_some() {
        looks += 1;
    }
    looks
}

/// State, day and cause of every task of a rule, by occasion.
pub async fn of_rule(garden: &Garden, rule: &str) -> Vec<(String, NaiveDate, Option<String>)> {
    sqlx::query_as("select state, day, cause from task where rule = $1 order by day, occasion")
        .bind(rule)
        .fetch_all(&garden.pool)
        .await
        .unwrap()
}

async fn open_days(garden: &Garden, rule: &str) -> Vec<String> {
    of_rule(garden, rule)
        .await
        .into_iter()
        .filter(|(state, ..)| state == "open" || state == "held")
        .map(|(_, day, _)| day.to_string())
        .collect()
}

async fn close(api: &Api, garden: &Garden, first: &str, last: &str) {
    let closure =
        json!({"site_id": garden.site_id, "first_day": first, "last_day": last, "reason": "Snow"});
    api.post(LEAD, "/closures", closure).await.expect(201);
}

/// Everything about the tasks of a co-operative that a look could change.
async fn tasks_as_they_are(garden: &Garden) -> Vec<(String, String, NaiveDate, i64)> {
    sqlx::query_as("select occasion, state, day, version from task order by occasion")
        .fetch_all(&garden.pool)
        .await
        .unwrap()
}

#[actix_web::test]
async fn a_late_sowing_is_misted_and_looked_at_until_it_sprouts() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    assert_eq!(look(&api).await, 2);
    // up in three days: kept moist until Thursday, looked at on Thursday
    assert_eq!(
        open_days(&garden, "mist").await,
        ["2026-09-08", "2026-09-09", "2026-09-10"]
    );
    event(&api, LEAD, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    let cuts_before = read(&api, &made.id()).await["planned_cuts"].clone();
    let check = task_path(&made.body, "check_germination", None);
    at(&api, "2026-09-10T15:00:00Z", &[VOLUNTEER, LEAD]).await;
    look(&api).await;
    api.act(VOLUNTEER, &format!("{check}/claims"))
        .await
        .expect(201);
    let nothing = json!({"sprouted_containers": 0});
    api.post(VOLUNTEER, &format!("{check}/completion"), nothing)
        .await
        .expect(200);
    assert!(look(&api).await > 0);
    // looked at again three days later, which is a Sunday: on Monday
    assert_eq!(
        open_days(&garden, "check_germination").await,
        ["2026-09-14"]
    );
    at(&api, "2026-09-14T15:00:00Z", &[VOLUNTEER, LEAD]).await;
    assert!(api.bed.app.queue_due_looks().await.unwrap() > 0);
    look(&api).await;
    // still misted, and the days that nobody came are missed
    assert_eq!(open_days(&garden, "mist").await, ["2026-09-14"]);
    let mists = of_rule(&garden, "mist").await;
    assert!(mists.iter().filter(|(state, ..)| state == "missed").count() >= 3);
    event(
        &api,
        LEAD,
        &made.id(),
        json!({"kind": "sprouted", "sprouted_containers": 4}),
    )
    .await
    .expect(201);
    // in the same transaction: no more mist, no more looks, and the cuts come later
    assert!(open_days(&garden, "mist").await.is_empty());
    assert!(open_days(&garden, "check_germination").await.is_empty());
    let dropped = of_rule(&garden, "mist").await;
    let last = dropped.last().unwrap();
    assert_eq!((last.0.as_str(), last.2.is_some()), ("dropped", true));
    let now = read(&api, &made.id()).await;
    assert_ne!(now["planned_cuts"], cuts_before);
    let first_cut = task(&now, "cut", Some(1));
    assert_eq!(first_cut["window"]["day"], now["planned_cuts"][0]["day"]);
    // a look has nothing to add
    look(&api).await;
    let before = tasks_as_they_are(&garden).await;
    assert!(api.bed.app.queue_due_looks().await.unwrap() == 0);
    event(
        &api,
        LEAD,
        &made.id(),
        json!({"kind": "noted", "note": "all well"}),
    )
    .await
    .expect(201);
    assert_eq!(look(&api).await, 1);
    assert_eq!(tasks_as_they_are(&garden).await, before);
}

#[actix_web::test]
async fn a_lost_sowing_ends_its_work_and_no_look_brings_it_back() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    event(&api, LEAD, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    look(&api).await;
    assert!(!open_days(&garden, "measure").await.is_empty());
    event(
        &api,
        LEAD,
        &made.id(),
        json!({"kind": "lost", "cause": "heat"}),
    )
    .await
    .expect(201);
    look(&api).await;
    let left: i64 = sqlx::query_scalar("select count(*) from task where state in ('open', 'held')")
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(left, 0);
    for (state, _, cause) in of_rule(&garden, "cut").await {
        assert_eq!(
            (state.as_str(), cause.as_deref()),
            ("dropped", Some("heat"))
        );
    }
    // what the station alone brought has a cause of its own
    let measured = of_rule(&garden, "measure").await;
    let cause = measured[0].2.as_deref().unwrap();
    assert!(cause.contains("nothing stands there"), "{cause}");
}

#[actix_web::test]
async fn a_closure_that_comes_later_moves_work_and_says_what_suffers() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-14").await.expect(201);
    let cut = task_path(&made.body, "cut", Some(1));
    let check = task_path(&made.body, "check_germination", None);
    crate::sowings::qualify(&garden, VOLUNTEER, None).await;
    api.act(VOLUNTEER, &format!("{cut}/claims"))
        .await
        .expect(201);
    let before = api.get(LEAD, &cut).await.expect(200);
    assert_eq!(before.body["window"]["day"], "2026-10-22");
    look(&api).await;
    // the cut on Thursday 22 October, and the days on which the seeds are to be kept moist
    close(&api, &garden, "2026-10-21", "2026-10-26").await;
    close(&api, &garden, "2026-09-15", "2026-09-18").await;
    assert_eq!(look(&api).await, 1);
    let after = api.get(LEAD, &cut).await.expect(200);
    assert_eq!(after.body["window"]["day"], "2026-10-27");
    assert_eq!(after.body["holders"].as_array().unwrap().len(), 1);
    assert_eq!(after.body["state"], "held");
    assert_ne!(after.etag(), before.etag());
    // seedlings were expected on Thursday: looked for on the open day after the sowing that is nearest
    let look_for = api.get(LEAD, &check).await.expect(200);
    assert_eq!(look_for.body["window"]["day"], "2026-09-21");
    assert!(open_days(&garden, "mist").await.is_empty());
    let dropped = of_rule(&garden, "mist").await;
    assert_eq!(dropped.len(), 3);
    assert!(dropped.iter().all(|(state, ..)| state == "dropped"));

    let path = format!("/sites/{}/closure_warnings", garden.site_id);
    let warned = api.get(COORDINATOR, &path).await.expect(200);
    let closures = warned.body["items"].as_array().unwrap();
    assert_eq!(closures.len(), 1);
    assert_eq!(closures[0]["last_open_day"], "2026-09-14");
    let warnings = closures[0]["warnings"].as_array().unwrap();
    let mist = warnings.iter().find(|it| it["rule"] == "mist").unwrap();
    assert_eq!(
        mist["days"],
        json!(["2026-09-15", "2026-09-16", "2026-09-17"])
    );
    assert_eq!(mist["crop_name"], made.body["crop_name"]);
    assert_eq!(mist["put_off_to"], Value::Null);
    assert!(mist["harm"].as_str().unwrap().contains("dry out"));
    let far = api
        .get(LEAD, &format!("{path}?days_ahead=60"))
        .await
        .expect(200);
    assert_eq!(far.body["items"].as_array().unwrap().len(), 2);
    for (who, status) in [(VOLUNTEER, 403), (READER, 403), (ELSEWHERE, 404)] {
        api.get(who, &path).await.expect(status);
    }
    api.get(LEAD, &format!("{path}?days_ahead=367"))
        .await
        .expect(422);

    // the closure is taken back: everything is where it was
    let closures = api.get(LEAD, "/closures").await.expect(200);
    for closure in closures.body["items"].as_array().unwrap() {
        let path = format!("/closures/{}", closure["id"].as_str().unwrap());
        let tag = api.get(LEAD, &path).await.etag();
        api.delete(LEAD, &path, &tag).await.expect(200);
    }
    look(&api).await;
    assert_eq!(
        open_days(&garden, "mist").await,
        ["2026-09-15", "2026-09-16", "2026-09-17"]
    );
    let back = api.get(LEAD, &cut).await.expect(200);
    assert_eq!(back.body["window"]["day"], "2026-10-22");
}

#[actix_web::test]
async fn the_rules_are_read_by_all_and_changed_by_coordinators_and_work_follows() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 5, "2026-09-14").await.expect(201);
    look(&api).await;
    let rules = api.get(VOLUNTEER, "/task_rules").await.expect(200);
    assert_eq!(rules.body["items"].as_array().unwrap().len(), 14);
    api.get(READER, "/task_rules").await.expect(403);
    api.get(LEAD, "/task_rules/water_the_lawn")
        .await
        .expect(404);
    let path = "/task_rules/mist";
    let rule = api.get(LEAD, path).await.expect(200);
    assert_eq!(rule.body["changed"], false);
    assert_eq!(rule.body["terms"], rule.body["default"]);
    assert_eq!(rule.body["basis"], "common practice, no source");
    let change = json!({"fixed_minutes": 7, "people": 2, "spare_days": "after"});
    api.put(LEAD, path, &rule.etag(), change.clone())
        .await
        .expect(403);
    let changed = api
        .put(COORDINATOR, path, &rule.etag(), change.clone())
        .await
        .expect(200);
    assert_eq!(changed.body["terms"]["fixed_minutes"], 7);
    assert_eq!(changed.body["default"]["fixed_minutes"], 0);
    assert_eq!(changed.body["changed"], true);
    api.put(COORDINATOR, path, &rule.etag(), change)
        .await
        .expect(412);
    // both sites of the co-operative are looked at
    assert_eq!(look(&api).await, 2);
    let sowing = read(&api, &made.id()).await;
    let mist = task(&sowing, "mist", None);
    // five containers, two tenths of a minute each, and seven minutes
    assert_eq!((&mist["minutes"], &mist["people"]), (&json!(8), &json!(2)));

    for (body, pointer) in [
        (json!({"people": 0}), "/people"),
        (json!({"spare_days": "whenever"}), "/spare_days"),
        (json!({"mark_permille": 200}), "/mark_permille"),
        (json!({"offset_days": -31}), "/offset_days"),
    ] {
        let refused = api.put(COORDINATOR, path, "*", body).await.expect(422);
        assert_eq!(refused.pointers(), [pointer]);
    }
    let unsafe_change = json!({"qualification": "food_handling"});
    let refused = api
        .put(COORDINATOR, "/task_rules/adjust", "*", unsafe_change)
        .await
        .expect(422);
    assert_eq!(refused.pointers(), ["/qualification"]);

    let off = json!({"enabled": false});
    api.put(COORDINATOR, path, &changed.etag(), off)
        .await
        .expect(200);
    look(&api).await;
    assert!(open_days(&garden, "mist").await.is_empty());
    let cause = of_rule(&garden, "mist").await[0].2.clone().unwrap();
    assert!(cause.contains("switched off"), "{cause}");
    let tag = api.get(LEAD, path).await.etag();
    let reset = api.delete(COORDINATOR, path, &tag).await.expect(200);
    assert_eq!(
        (&reset.body["changed"], &reset.body["version"]),
        (&json!(false), &json!(3))
    );
    look(&api).await;
    assert_eq!(
        open_days(&garden, "mist").await,
        ["2026-09-15", "2026-09-16", "2026-09-17"]
    );
    assert_eq!(
        task(&read(&api, &made.id()).await, "mist", None)["minutes"],
        1
    );
}

async fn measured(garden: &Garden, at: &str, ph_hundredths: i32) {
    sqlx::query(
        "insert into reading (id, cooperative_id, site_id, station_id, measured_at, recorded_at, member_id, ph_hundredths)
         select $1, $2, $3, $4, $5::timestamptz, $5::timestamptz, id, $6 from member where cooperative_id = $2 limit 1",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(garden.site_id)
    .bind(garden.station_id)
    .bind(at)
    .bind(ph_hundredths)
    .execute(&garden.pool)
    .await
    .unwrap();
}

#[actix_web::test]
async fn a_reading_out_of_range_is_to_be_adjusted_by_somebody_trained() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    event(&api, LEAD, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    measured(&garden, "2026-09-07T11:00:00Z", 840).await;
    look(&api).await;
    assert_eq!(open_days(&garden, "adjust").await, ["2026-09-07"]);
    let path = format!("/sites/{}/work_now", garden.site_id);
    let now = api.get(VOLUNTEER, &path).await.expect(200);
    let adjust = now.body["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|item| item["kind"] == "adjust")
        .unwrap()
        .clone();
    assert_eq!(adjust["qualification"], "concentrates");
    assert_eq!(adjust["may_claim"], false);
    assert_eq!(adjust["hindrance"]["code"], "needs-qualification");
    assert_eq!(adjust["suffers"], "living_today");
    assert_eq!(adjust["needs"]["containers"], 4);
    assert!(adjust["cautions"].as_array().unwrap().len() > 3);
    // a later reading within the range ends it
    measured(&garden, "2026-09-07T11:30:00Z", 600).await;
    look(&api).await;
    let adjusts = of_rule(&garden, "adjust").await;
    assert_eq!(adjusts.len(), 1);
    assert_eq!(adjusts[0].0, "dropped");
    assert!(adjusts[0].2.as_deref().unwrap().contains("within"));
    measured(&garden, "2026-09-07T11:40:00Z", 845).await;
    measured(&garden, "2026-09-07T11:50:00Z", 850).await;
    look(&api).await;
    assert_eq!(open_days(&garden, "adjust").await.len(), 1);
}

#[actix_web::test]
async fn what_needs_doing_comes_in_order_of_urgency_with_what_it_takes() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let sown = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    event(&api, LEAD, &sown.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    sow(&api, &garden, 3, "2026-09-09").await.expect(201);
    at(
        &api,
        "2026-09-09T15:00:00Z",
        &[VOLUNTEER, LEAD, READER, ELSEWHERE, COORDINATOR],
    )
    .await;
    api.bed.app.queue_due_looks().await.unwrap();
    look(&api).await;
    let path = format!("/sites/{}/work_now", garden.site_id);
    let now = api.get(VOLUNTEER, &path).await.expect(200);
    assert_eq!(now.body["today"], "2026-09-09");
    let items = now.body["items"].as_array().unwrap();
    let kinds: Vec<&str> = items
        .iter()
        .map(|it| it["kind"].as_str().unwrap())
        .collect();
    let place = |kind: &str| kinds.iter().position(|it| *it == kind).unwrap();
    assert!(place("mist") < place("sow"), "{kinds:?}");
    let overdue = items.iter().filter(|it| it["overdue"] == true).count();
    assert!(items[..overdue].iter().all(|it| it["overdue"] == true));
    let to_sow = &items[place("sow")];
    assert_eq!(to_sow["needs"]["containers"], 3);
    // three jars of 3.5 litres
    assert_eq!(
        to_sow["needs"]["solution"],
        json!({"value": "10500", "unit": "mL"})
    );
    assert_eq!(to_sow["people_needed"], 1);
    assert_eq!(to_sow["may_claim"], true);
    assert!(!to_sow["steps"].as_array().unwrap().is_empty());
    for item in items {
        assert!(!item["cautions"].as_array().unwrap().is_empty());
        assert!(item["window"]["day"].as_str().unwrap() <= "2026-09-09");
    }
    let few = api
        .get(VOLUNTEER, &format!("{path}?limit=1&days_ahead=7"))
        .await
        .expect(200);
    assert_eq!(few.body["items"].as_array().unwrap().len(), 1);
    assert!(few.body["more"].as_i64().unwrap() >= items.len() as i64);
    api.get(ELSEWHERE, &path).await.expect(404);
    api.get(READER, &path).await.expect(403);
    api.get(VOLUNTEER, &format!("{path}?days_ahead=22"))
        .await
        .expect(422);
}

#[actix_web::test]
async fn what_nobody_did_in_time_is_missed_and_the_hold_on_it_ends() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    event(&api, LEAD, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    look(&api).await;
    let sowing = read(&api, &made.id()).await;
    let mist = task_path(&sowing, "mist", None);
    api.act(VOLUNTEER, &format!("{mist}/claims"))
        .await
        .expect(201);
    at(&api, "2026-09-09T12:00:00Z", &[LEAD, VOLUNTEER]).await;
    assert_eq!(api.bed.app.queue_due_looks().await.unwrap(), 2);
    assert_eq!(look(&api).await, 2);
    let missed = api.get(LEAD, &mist).await.expect(200);
    assert_eq!(missed.body["state"], "missed");
    assert_eq!(missed.body["holders"], json!([]));
    let ended: Vec<Option<String>> = sqlx::query_scalar("select end_kind from claim")
        .fetch_all(&garden.pool)
        .await
        .unwrap();
    assert_eq!(ended, [Some("lapsed".to_owned())]);
    // nothing more is due today
    assert_eq!(api.bed.app.queue_due_looks().await.unwrap(), 0);
}

#[actix_web::test]
async fn a_clock_that_jumps_loses_and_doubles_nothing() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let made = sow(&api, &garden, 4, "2026-09-07").await.expect(201);
    event(&api, LEAD, &made.id(), json!({"kind": "sown"}))
        .await
        .expect(201);
    api.bed.app.queue_due_looks().await.unwrap();
    look(&api).await;
    let state = async || -> Vec<(String, String, NaiveDate)> {
        sqlx::query_as(
            "select occasion, state, day from task where state in ('open', 'held') order by occasion",
        )
        .fetch_all(&garden.pool)
        .await
        .unwrap()
    };
    let before = state().await;
    // forty days ahead, and one day after the other there
    for instant in ["2026-10-17T12:00:00Z", "2026-10-18T12:00:00Z"] {
        api.bed.clock.set(instant.parse().unwrap());
        assert_eq!(api.bed.app.queue_due_looks().await.unwrap(), 2);
        look(&api).await;
    }
    assert_ne!(state().await, before);
    // put right again
    api.bed.clock.set("2026-09-07T13:00:00Z".parse().unwrap());
    assert_eq!(api.bed.app.queue_due_looks().await.unwrap(), 2);
    look(&api).await;
    assert_eq!(state().await, before);
    assert_eq!(api.bed.app.queue_due_looks().await.unwrap(), 0);
    let doubled: i64 = sqlx::query_scalar(
        "select count(*) from (select occasion from task group by occasion having count(*) > 1) d",
    )
    .fetch_one(&garden.pool)
    .await
    .unwrap();
    assert_eq!(doubled, 0);
}

#[actix_web::test]
async fn two_workers_at_once_and_people_in_between_make_each_task_once() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let mut made = Vec::new();
    for day in 7..=11 {
        made.push(
            sow(&api, &garden, 1, &format!("2026-09-{day:02}"))
                .await
                .expect(201),
        );
    }
    look(&api).await;
    for round in 0..12 {
        // causes of all kinds while both look
        let cause = async {
            match round % 4 {
                0 => {
                    let day = format!("2026-09-{:02}", 14 + round);
                    close(&api, &garden, &day, &day).await;
                }
                1 => measured(&garden, "2026-09-07T11:00:00Z", 700 + round * 10).await,
                2 => {
                    let change = json!({"fixed_minutes": round});
                    api.put(COORDINATOR, "/task_rules/measure", "*", change)
                        .await
                        .expect(200);
                }
                _ => {
                    let id = made[usize::try_from(round).unwrap() % 5].id();
                    let reply = event(&api, LEAD, &id, json!({"kind": "sown"})).await;
                    assert!(
                        [201, 409].contains(&reply.status.as_u16()),
                        "{}",
                        reply.text
                    );
                }
            }
        };
        let woken = async {
            api.send(
                api.request(
                    LEAD,
                    Method::POST,
                    &format!("/sowings/{}/events", made[0].id()),
                )
                .set_json(json!({"kind": "noted", "note": "seen"})),
            )
            .await
            .expect(201);
        };
        let looks = futures::future::join_all((0..3).map(|_| look(&api)));
        futures::future::join3(cause, woken, looks).await;
    }
    look(&api).await;
    let before = tasks_as_they_are(&garden).await;
    event(
        &api,
        LEAD,
        &made[0].id(),
        json!({"kind": "noted", "note": "seen"}),
    )
    .await
    .expect(201);
    assert_eq!(look(&api).await, 1);
    assert_eq!(tasks_as_they_are(&garden).await, before);
    let steps: Vec<(String, i64)> = sqlx::query_as(
        "select kind, count(*) from task where kind in ('sow', 'check_germination', 'clear_and_clean') group by kind order by kind",
    )
    .fetch_all(&garden.pool)
    .await
    .unwrap();
    assert!(steps.iter().all(|(_, count)| *count == 5), "{steps:?}");
}

#[actix_web::test]
async fn work_that_others_wrote_down_is_left_alone() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for occasion in ["by_hand:1", "recurring:1:2026-09-07"] {
        sqlx::query(
            "insert into task (id, cooperative_id, site_id, kind, occasion, title, day, opens_at, due_at, minutes)
             values ($1, $2, $3, 'other', $4, 'Sweep', '2026-09-07', '2026-09-07T12:00Z', '2026-09-07T20:00Z', 10)",
        )
        .bind(Uuid::now_v7())
        .bind(garden.cooperative_id)
        .bind(garden.site_id)
        .bind(occasion)
        .execute(&garden.pool)
        .await
        .unwrap();
    }
    let before = tasks_as_they_are(&garden).await;
    api.bed.clock.set("2027-09-07T13:00:00Z".parse().unwrap());
    api.bed.app.queue_due_looks().await.unwrap();
    assert_eq!(look(&api).await, 2);
    let others: Vec<_> = tasks_as_they_are(&garden)
        .await
        .into_iter()
        .filter(|(occasion, ..)| !cotyl_app::work::is_derived(occasion))
        .collect();
    assert_eq!(others, before);
}
