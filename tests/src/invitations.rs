//! Invitations: handed over, accepted once, void when a newer one is made.

use std::num::NonZeroU32;
use std::time::Duration;

use actix_web::http::Method;
use chrono::TimeDelta;
use futures::future::join_all;
use serde_json::{Value, json};

use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, Reply};
use cotyl_api::ApiSettings;
use cotyl_testkit::Bed;

const BO: &str = "bo@example.org";
const OWN: &str = "my own long password";

fn invitation(roles: Value) -> Value {
    json!({"name": "Bo Reed", "email": "Bo@Example.org ", "roles": roles})
}

async fn invite(api: &Api, roles: Value) -> Reply {
    api.post(COORDINATOR, "/invitations", invitation(roles))
        .await
}

async fn accept(api: &Api, token: &Value, password: &str) -> Reply {
    let body = json!({"token": token, "password": password});
    api.post("", "/invitations/acceptances", body).await
}

#[actix_web::test]
async fn an_invited_member_accepts_and_works() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let roles = json!([{"role": "volunteer", "site_id": garden.site_id}]);
    let invited = invite(&api, roles).await.expect(201);
    let member = &invited.body["member"];
    assert_eq!(member["email"], BO);
    assert_eq!(member["has_accepted"], false);
    assert_eq!(member["roles"][0]["role"], "volunteer");
    assert_eq!(
        invited.headers["location"],
        format!("/api/v1/members/{}", member["id"].as_str().unwrap())
    );
    assert_eq!(invited.body["expires_at"], "2026-09-21T12:00:00Z");
    // nobody signs in before they have accepted
    api.sign_in(BO, OWN).await.expect(401);

    let body = json!({"token": invited.body["token"], "password": OWN, "name": " Bo Reed-Marsh "});
    let session = api
        .post("", "/invitations/acceptances", body)
        .await
        .expect(201);
    assert_eq!(session.body["member_id"], member["id"]);
    api.keep_token(BO, session.body["access_token"].as_str().unwrap());
    let me = api.get(BO, "/me").await.expect(200);
    assert_eq!(me.body["name"], "Bo Reed-Marsh");
    assert_eq!(me.body["cooperative"]["name"], "Green Jars");
    assert_eq!(me.body["has_accepted"], true);
    api.sign_in(BO, OWN).await.expect(201);
    // now the address is taken
    let again = invite(&api, json!([])).await.expect(409);
    assert_eq!(again.problem(), "taken");
}

#[actix_web::test]
async fn every_link_that_cannot_be_used_gets_one_answer() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let first = invite(&api, json!([])).await.expect(201);
    let second = invite(&api, json!([])).await.expect(201);
    assert_eq!(first.body["member"]["id"], second.body["member"]["id"]);
    assert_ne!(first.body["token"], second.body["token"]);

    let reset = {
        let path = format!("/members/{}/password_resets", me(&api, VOLUNTEER).await);
        api.act(COORDINATOR, &path).await.expect(201)
    };
    let mut refused = vec![
        accept(&api, &json!("no such token"), OWN).await,
        accept(&api, &json!(""), OWN).await,
        accept(&api, &json!("x".repeat(5000)), OWN).await,
        // void since the second
        accept(&api, &first.body["token"], OWN).await,
        // for another purpose
        accept(&api, &reset.body["token"], OWN).await,
    ];
    // a password that cannot be kept does not use the link up
    let short = accept(&api, &second.body["token"], "short").await;
    assert_eq!(short.expect(422).pointers(), ["/password"]);
    accept(&api, &second.body["token"], OWN).await.expect(201);
    refused.push(accept(&api, &second.body["token"], OWN).await);

    let late = json!({"name": "Cy", "email": "cy@example.org", "roles": []});
    let late = api
        .post(COORDINATOR, "/invitations", late)
        .await
        .expect(201);
    api.bed.clock.advance(TimeDelta::days(14));
    refused.push(accept(&api, &late.body["token"], OWN).await);

    let details: Vec<Value> = refused
        .into_iter()
        .map(|reply| reply.expect(401).body)
        .collect();
    for detail in &details {
        assert_eq!(detail, &details[0]);
    }
}

#[actix_web::test]
async fn an_invitation_holds_until_its_last_second() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let invited = invite(&api, json!([])).await.expect(201);
    api.bed
        .clock
        .advance(TimeDelta::days(14) - TimeDelta::seconds(1));
    accept(&api, &invited.body["token"], OWN).await.expect(201);
}

#[actix_web::test]
async fn simultaneous_acceptances_give_one_session() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let invited = invite(&api, json!([])).await.expect(201);
    let token = &invited.body["token"];
    let passwords: Vec<String> = (0..8).map(|n| format!("a long password {n}")).collect();
    let replies = join_all(passwords.iter().map(|p| accept(&api, token, p))).await;
    let won: Vec<usize> = (0..8).filter(|n| replies[*n].status == 201).collect();
    assert_eq!(won.len(), 1);
    assert!(replies.iter().all(|r| r.status == 201 || r.status == 401));
    // the password that stays is the winner's
    for (number, password) in passwords.iter().enumerate() {
        let expected = if won == [number] { 201 } else { 401 };
        api.sign_in(BO, password).await.expect(expected);
    }
}

#[actix_web::test]
async fn simultaneous_invitations_leave_one_member_and_one_link() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let replies = join_all((0..6).map(|_| invite(&api, json!([])))).await;
    let mut accepted = 0;
    for reply in replies {
        let reply = reply.expect(201);
        let outcome = accept(&api, &reply.body["token"], OWN).await;
        accepted += usize::from(outcome.status == 201);
    }
    assert_eq!(accepted, 1);
    let members: i64 = sqlx::query_scalar("select count(*) from member where email = $1")
        .bind(BO)
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(members, 1);
}

#[actix_web::test]
async fn a_repeated_invitation_shows_the_token_again_but_does_not_keep_it() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let once = || {
        api.send(
            api.request(COORDINATOR, Method::POST, "/invitations")
                .insert_header(("idempotency-key", "bo"))
                .set_json(invitation(json!([]))),
        )
    };
    let first = once().await.expect(201);
    let second = once().await.expect(201);
    assert_eq!(first.body, second.body);
    let token = first.body["token"].as_str().unwrap();
    accept(&api, &first.body["token"], OWN).await.expect(201);
    // in no text of any table
    let kept: Vec<String> = sqlx::query_scalar(
        "select answer::text from idempotent_answer
         union all select change::text from audit_entry
         union all select row(t.*)::text from link_token t",
    )
    .fetch_all(&garden.pool)
    .await
    .unwrap();
    assert!(kept.len() >= 3);
    for text in kept {
        assert!(!text.contains(token) && !text.contains(OWN), "{text}");
    }
}

#[actix_web::test]
async fn bad_fields_and_roles_are_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let (site, pantry) = (garden.site_id, garden.recipient_id);
    let body = json!({"name": " ", "email": "nowhere", "roles": [
        {"role": "coordinator", "site_id": site},
        {"role": "lead"},
        {"role": "volunteer", "site_id": site, "recipient_id": pantry},
        {"role": "reader", "site_id": site},
        {"role": "reader", "recipient_id": pantry},
        {"role": "reader", "recipient_id": pantry},
    ]});
    let reply = api
        .post(COORDINATOR, "/invitations", body)
        .await
        .expect(422);
    assert_eq!(
        reply.pointers(),
        [
            "/name",
            "/email",
            "/roles/0/site_id",
            "/roles/1/site_id",
            "/roles/2/recipient_id",
            "/roles/3/site_id",
            "/roles/3/recipient_id",
            "/roles/5",
        ]
    );
    let reply = invite(&api, json!([{"role": "gardener"}]))
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/roles/0/role"]);
    let roles =
        json!([{"role": "lead", "site_id": pantry}, {"role": "reader", "recipient_id": site}]);
    let reply = invite(&api, roles).await.expect(422);
    assert_eq!(
        reply.pointers(),
        ["/roles/0/site_id", "/roles/1/recipient_id"]
    );
    let many = vec![json!({"role": "coordinator"}); 101];
    let reply = invite(&api, many.into()).await.expect(422);
    assert_eq!(reply.pointers(), ["/roles"]);
    // nobody was added
    let members = api.get(COORDINATOR, "/members?limit=100").await.expect(200);
    assert!(!members.text.contains(BO));
}

#[actix_web::test]
async fn guessing_tokens_is_slowed_down() {
    let settings = ApiSettings {
        sign_in_burst: NonZeroU32::new(3).unwrap(),
        sign_in_refill: Duration::from_secs(3600),
    };
    for path in ["/invitations/acceptances", "/password_resets/redemptions"] {
        let api = Api::with(Bed::new().await, &settings).await;
        let guess = |number: u32| {
            let mut body = json!({"token": format!("guess {number}")});
            let field = match path {
                "/invitations/acceptances" => "password",
                _ => "new_password",
            };
            body[field] = json!(OWN);
            api.post("", path, body)
        };
        for number in 1..=3 {
            guess(number).await.expect(401);
        }
        let slowed = guess(4).await.expect(429);
        assert!(slowed.headers.contains_key("retry-after"));
    }
}

#[actix_web::test]
async fn only_coordinators_invite() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    for who in [LEAD, VOLUNTEER, READER] {
        api.post(who, "/invitations", invitation(json!([])))
            .await
            .expect(403);
    }
    api.post("", "/invitations", invitation(json!([])))
        .await
        .expect(401);
}

/// The member id of somebody signed in.
pub async fn me(api: &Api, who: &str) -> String {
    api.get(who, "/me").await.expect(200).id()
}
