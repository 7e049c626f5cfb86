//! Members: who sees, changes and retires whom, and the coordinator who must stay.

use futures::future::join_all;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::invitations::me;
use crate::support::{Api, PASSWORD};

const BO: &str = "bo@example.org";

fn described(name: &str, email: &str) -> Value {
    json!({"name": name, "email": email})
}

#[actix_web::test]
async fn me_shows_roles_and_qualifications_that_hold_today() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let id = me(&api, VOLUNTEER).await;
    let path = format!("/members/{id}/qualifications");
    // 03:00 in UTC on 8 September is still the evening of the 7th at the site
    api.bed.clock.set("2026-09-08T03:00:00Z".parse().unwrap());
    for who in [COORDINATOR, VOLUNTEER] {
        api.sign_in(who, PASSWORD).await.expect(201);
    }
    for (first, last) in [
        ("2026-09-07", Some("2026-09-07")),
        ("2026-09-08", None),
        ("2025-09-07", Some("2026-09-06")),
    ] {
        let body = json!({"kind": "concentrates", "issued_on": first, "expires_on": last});
        api.post(COORDINATOR, &path, body).await.expect(201);
    }
    let me = api.get(VOLUNTEER, "/me").await.expect(200);
    assert_eq!(me.body["today"], "2026-09-07");
    assert_eq!(me.body["email"], VOLUNTEER);
    assert_eq!(
        me.body["roles"],
        json!([{"role": "volunteer", "site_id": garden.site_id, "recipient_id": null}])
    );
    let mut holding: Vec<(String, bool)> = me.body["qualifications"]
        .as_array()
        .unwrap()
        .iter()
        .map(|q| {
            let first = q["issued_on"].as_str().unwrap().to_owned();
            (first, q["holds_today"].as_bool().unwrap())
        })
        .collect();
    holding.sort();
    let expected = [
        ("2025-09-07", false),
        ("2026-09-07", true),
        ("2026-09-08", false),
    ];
    assert_eq!(
        holding,
        expected.map(|(day, holds)| (day.to_owned(), holds))
    );
}

#[actix_web::test]
async fn lists_are_for_coordinators_and_leads() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    for who in [COORDINATOR, LEAD] {
        let all = api.get(who, "/members").await.expect(200);
        assert_eq!(all.body["items"].as_array().unwrap().len(), 5);
        let path = format!("/members?site_id={}", garden.site_id);
        let here = api.get(who, &path).await.expect(200);
        let mut emails: Vec<&str> = here.body["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|m| m["email"].as_str().unwrap())
            .collect();
        emails.sort_unstable();
        assert_eq!(emails, [LEAD, VOLUNTEER]);
    }
    for who in [VOLUNTEER, READER] {
        api.get(who, "/members").await.expect(403);
        let own = format!("/members/{}", me(&api, who).await);
        assert_eq!(api.get(who, &own).await.expect(200).body["email"], who);
        let other = format!("/members/{}", me(&api, LEAD).await);
        api.get(who, &other).await.expect(404);
        api.put(who, &other, "*", described("X", "x@example.org"))
            .await
            .expect(404);
    }
    // a member without any role still sees and changes themselves
    garden.join(&api, "new@example.org", &[]).await;
    api.get("new@example.org", "/members").await.expect(403);
    let own = format!("/members/{}", me(&api, "new@example.org").await);
    api.get("new@example.org", &own).await.expect(200);
}

#[actix_web::test]
async fn members_change_themselves_and_coordinators_anyone() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let volunteer = format!("/members/{}", me(&api, VOLUNTEER).await);
    let read = api.get(VOLUNTEER, &volunteer).await.expect(200);
    let changed = api
        .put(
            VOLUNTEER,
            &volunteer,
            &read.etag(),
            described(" Vi Fern ", "VI@example.org"),
        )
        .await
        .expect(200);
    assert_eq!(changed.body["name"], "Vi Fern");
    assert_eq!(changed.body["email"], "vi@example.org");
    assert_ne!(changed.etag(), read.etag());
    let stale = api
        .put(COORDINATOR, &volunteer, &read.etag(), described("A", BO))
        .await;
    assert_eq!(stale.expect(412).problem(), "stale");
    api.put(COORDINATOR, &volunteer, &changed.etag(), described("A", BO))
        .await
        .expect(200);
    // a lead sees the member but changes only themselves
    api.get(LEAD, &volunteer).await.expect(200);
    api.put(LEAD, &volunteer, "*", described("A", BO))
        .await
        .expect(403);
    let taken = api
        .put(COORDINATOR, &volunteer, "*", described("A", LEAD))
        .await;
    assert_eq!(taken.expect(409).problem(), "taken");
    let bad = api
        .put(COORDINATOR, &volunteer, "*", described("", "a b@c"))
        .await;
    assert_eq!(bad.expect(422).pointers(), ["/name", "/email"]);
    let body = json!({"name": "A", "email": BO, "password_hash": "x"});
    let bad = api.put(COORDINATOR, &volunteer, "*", body).await;
    assert_eq!(bad.expect(422).pointers(), ["/password_hash"]);
}

#[actix_web::test]
async fn a_retired_member_is_out_at_once_and_may_come_back() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let path = format!("/members/{}", me(&api, VOLUNTEER).await);
    let reset = api
        .act(COORDINATOR, &format!("{path}/password_resets"))
        .await
        .expect(201);
    api.delete(LEAD, &path, "*").await.expect(403);
    let etag = api.get(COORDINATOR, &path).await.etag();
    let retired = api.delete(COORDINATOR, &path, &etag).await.expect(200);
    assert!(retired.body["retired_at"].is_string());
    api.get(VOLUNTEER, "/me").await.expect(401);
    api.sign_in(VOLUNTEER, PASSWORD).await.expect(401);
    let body = json!({"token": reset.body["token"], "new_password": "a new long password"});
    api.post("", "/password_resets/redemptions", body)
        .await
        .expect(401);
    for reply in [
        api.delete(COORDINATOR, &path, "*").await,
        api.put(COORDINATOR, &path, "*", described("A", BO)).await,
        api.put(
            COORDINATOR,
            &format!("{path}/roles"),
            "*",
            json!({"roles": []}),
        )
        .await,
        api.act(COORDINATOR, &format!("{path}/password_resets"))
            .await,
    ] {
        assert_eq!(reply.expect(409).problem(), "retired");
    }
    let listed = api.get(COORDINATOR, "/members").await.expect(200);
    assert!(!listed.text.contains(VOLUNTEER));
    let listed = api
        .get(COORDINATOR, "/members?with_retired=true")
        .await
        .expect(200);
    assert!(listed.text.contains(VOLUNTEER));
    // under the same address, as a new member
    let body = json!({"name": "Vi", "email": VOLUNTEER, "roles": [{"role": "volunteer", "site_id": garden.site_id}]});
    let invited = api
        .post(COORDINATOR, "/invitations", body)
        .await
        .expect(201);
    assert_ne!(invited.body["member"]["id"], retired.body["id"]);
    let body = json!({"token": invited.body["token"], "password": "back again for greens"});
    api.post("", "/invitations/acceptances", body)
        .await
        .expect(201);
    api.sign_in(VOLUNTEER, "back again for greens")
        .await
        .expect(201);
}

#[actix_web::test]
async fn tasks_held_by_a_retired_member_are_open_again() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let volunteer: Uuid = me(&api, VOLUNTEER).await.parse().unwrap();
    let [sowing, task] = std::array::from_fn(|_| Uuid::now_v7());
    sqlx::query(
        "insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on)
         values ($1, $2, $3, $4, $5, 2, '2026-09-07', '2026-10-30')",
    )
    .bind(sowing)
    .bind(garden.cooperative_id)
    .bind(garden.site_id)
    .bind(garden.station_id)
    .bind(garden.crop_id)
    .execute(&garden.pool)
    .await
    .unwrap();
    sqlx::query(
        "insert into task (id, cooperative_id, site_id, kind, occasion, sowing_id, day, opens_at, due_at, minutes, state)
         values ($1, $2, $3, 'sow', $1::text, $4, '2026-09-07', now(), now(), 30, 'held')",
    )
    .bind(task)
    .bind(garden.cooperative_id)
    .bind(garden.site_id)
    .bind(sowing)
    .execute(&garden.pool)
    .await
    .unwrap();
    sqlx::query(
        "insert into claim (id, cooperative_id, task_id, member_id, place, claimed_at) values ($1, $2, $3, $4, 1, now())",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(task)
    .bind(volunteer)
    .execute(&garden.pool)
    .await
    .unwrap();
    api.delete(COORDINATOR, &format!("/members/{volunteer}"), "*")
        .await
        .expect(200);
    let (state, end_kind): (String, Option<String>) = sqlx::query_as(
        "select t.state, c.end_kind from task t join claim c on c.task_id = t.id where t.id = $1",
    )
    .bind(task)
    .fetch_one(&garden.pool)
    .await
    .unwrap();
    assert_eq!(
        (state.as_str(), end_kind.as_deref()),
        ("open", Some("released"))
    );
}

#[actix_web::test]
async fn roles_are_replaced_as_a_list() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let member = format!("/members/{}", me(&api, VOLUNTEER).await);
    let path = format!("{member}/roles");
    let etag = api.get(COORDINATOR, &member).await.etag();
    let roles = json!({"roles": [
        {"role": "reader", "recipient_id": garden.recipient_id},
        {"role": "lead", "site_id": garden.other_site_id},
    ]});
    for who in [LEAD, VOLUNTEER, READER] {
        api.put(who, &path, "*", roles.clone()).await.expect(403);
    }
    let set = api
        .put(COORDINATOR, &path, &etag, roles.clone())
        .await
        .expect(200);
    assert_eq!(
        set.body["roles"],
        json!([
            {"role": "lead", "site_id": garden.other_site_id, "recipient_id": null},
            {"role": "reader", "site_id": null, "recipient_id": garden.recipient_id},
        ])
    );
    // the version of the member counts their roles too
    assert_eq!(api.get(COORDINATOR, &member).await.etag(), set.etag());
    api.put(COORDINATOR, &path, &etag, roles).await.expect(412);
    // it works at once, with the token they have
    api.get(VOLUNTEER, "/members").await.expect(200);
    api.put(COORDINATOR, &path, &set.etag(), json!({"roles": []}))
        .await
        .expect(200);
    api.get(VOLUNTEER, "/members").await.expect(403);
    api.get(VOLUNTEER, "/me").await.expect(200);

    for table in ["site", "recipient"] {
        let statement = match table {
            "site" => "update site set retired_at = now() where id = $1",
            _ => "update recipient set retired_at = now() where id = $1",
        };
        let id = match table {
            "site" => garden.other_site_id,
            _ => garden.recipient_id,
        };
        sqlx::query(statement)
            .bind(id)
            .execute(&garden.pool)
            .await
            .unwrap();
    }
    let roles = json!({"roles": [
        {"role": "lead", "site_id": garden.other_site_id},
        {"role": "reader", "recipient_id": garden.recipient_id},
        {"role": "volunteer", "site_id": garden.site_id},
    ]});
    let reply = api.put(COORDINATOR, &path, "*", roles).await.expect(422);
    assert_eq!(
        reply.pointers(),
        ["/roles/0/site_id", "/roles/1/recipient_id"]
    );
}

#[actix_web::test]
async fn the_last_coordinator_stays() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let own = format!("/members/{}", me(&api, COORDINATOR).await);
    let no_roles = json!({"roles": []});
    let refusals = async |expected: u16| {
        for reply in [
            api.delete(COORDINATOR, &own, "*").await,
            api.put(COORDINATOR, &format!("{own}/roles"), "*", no_roles.clone())
                .await,
        ] {
            assert_eq!(reply.expect(expected).problem(), "last-coordinator");
        }
    };
    refusals(409).await;
    // one who has not accepted yet cannot coordinate
    let body = json!({"name": "Bo", "email": BO, "roles": [{"role": "coordinator"}]});
    let invited = api
        .post(COORDINATOR, "/invitations", body)
        .await
        .expect(201);
    refusals(409).await;
    // an invited one may be retired, though
    let id = invited.body["member"]["id"].as_str().unwrap();
    api.delete(COORDINATOR, &format!("/members/{id}"), "*")
        .await
        .expect(200);
    garden
        .join(&api, "second@example.org", &[("coordinator", None, None)])
        .await;
    api.delete(COORDINATOR, &own, "*").await.expect(200);
    api.get(COORDINATOR, "/me").await.expect(401);
    api.get("second@example.org", "/members").await.expect(200);
}

#[actix_web::test]
async fn coordinators_who_retire_each_other_leave_one() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let people: Vec<String> = (1..=4).map(|n| format!("c{n}@example.org")).collect();
    let mut ids = vec![(COORDINATOR.to_owned(), me(&api, COORDINATOR).await)];
    for who in &people {
        let id = garden.join(&api, who, &[("coordinator", None, None)]).await;
        ids.push((who.clone(), id.to_string()));
    }
    let calls = (0..ids.len()).map(|n| {
        let (who, _) = &ids[n];
        let (_, target) = &ids[(n + 1) % ids.len()];
        let api = &api;
        async move {
            if n % 2 == 0 {
                api.delete(who, &format!("/members/{target}"), "*").await
            } else {
                let path = format!("/members/{target}/roles");
                api.put(who, &path, "*", json!({"roles": []})).await
            }
        }
    });
    let replies = join_all(calls).await;
    for reply in &replies {
        let status = reply.status.as_u16();
        assert!([200, 401, 403, 409].contains(&status), "{}", reply.text);
    }
    let left: i64 = sqlx::query_scalar(
        "select count(*) from role_grant g join member m on m.id = g.member_id
          where g.role = 'coordinator' and m.retired_at is null",
    )
    .fetch_one(&garden.pool)
    .await
    .unwrap();
    assert!(left >= 1);
    assert!(replies.iter().any(|reply| reply.status == 200));
}

#[actix_web::test]
async fn members_of_another_cooperative_are_unknown() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let path = format!("/members/{}", me(&api, VOLUNTEER).await);
    let other = "other@example.org";
    api.found("Other", other).await;
    api.get(other, &path).await.expect(404);
    api.put(other, &path, "*", described("A", BO))
        .await
        .expect(404);
    api.delete(other, &path, "*").await.expect(404);
    api.put(other, &format!("{path}/roles"), "*", json!({"roles": []}))
        .await
        .expect(404);
    let own = format!("/members/{}/roles", me(&api, other).await);
    let roles =
        json!({"roles": [{"role": "coordinator"}, {"role": "lead", "site_id": garden.site_id}]});
    let reply = api.put(other, &own, "*", roles).await.expect(422);
    assert_eq!(reply.pointers(), ["/roles/1/site_id"]);
    let listed = api.get(other, "/members").await.expect(200);
    assert_eq!(listed.body["items"].as_array().unwrap().len(), 1);
}

#[actix_web::test]
async fn what_happened_is_kept_with_names() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let id = me(&api, VOLUNTEER).await;
    let path = format!("/members/{id}");
    api.put(VOLUNTEER, &path, "*", described("Vi Fern", VOLUNTEER))
        .await
        .expect(200);
    let reset = api
        .act(COORDINATOR, &format!("{path}/password_resets"))
        .await
        .expect(201);
    let body = json!({"token": reset.body["token"], "new_password": "a new long password"});
    api.post("", "/password_resets/redemptions", body)
        .await
        .expect(204);
    let listed = api
        .get(COORDINATOR, &format!("/audit_entries?noun_id={id}"))
        .await
        .expect(200);
    let lines: Vec<(&str, &str)> = listed.body["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|e| {
            (
                e["operation"].as_str().unwrap(),
                e["member_name"].as_str().unwrap(),
            )
        })
        .collect();
    assert_eq!(
        lines,
        [
            ("change_member", "Vi Fern"),
            ("reset_member_password", "Coordinator"),
            ("redeem_password_reset", "Vi Fern"),
        ]
    );
    assert_eq!(
        api.get(COORDINATOR, "/audit_entries?limit=2")
            .await
            .expect(200)
            .body["items"]
            .as_array()
            .unwrap()
            .len(),
        2
    );
    for who in [LEAD, VOLUNTEER, READER, ELSEWHERE] {
        let status = api.get(who, "/audit_entries").await.status.as_u16();
        // the volunteer's sign-in ended with the reset
        assert_eq!(status, if who == VOLUNTEER { 401 } else { 403 });
    }
    api.found("Other", "other@example.org").await;
    let foreign = api
        .get("other@example.org", &format!("/audit_entries?noun_id={id}"))
        .await
        .expect(200);
    assert_eq!(foreign.body["items"], json!([]));
}
