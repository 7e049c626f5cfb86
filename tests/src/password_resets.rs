//! Password resets: handed over by a coordinator, used once.

use actix_web::http::Method;
use chrono::TimeDelta;
use futures::future::join_all;
use serde_json::{Value, json};

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::invitations::me;
use crate::support::{Api, PASSWORD, Reply};

const NEW: &str = "an entirely new password";

async fn reset(api: &Api, member_id: &str) -> Reply {
    let path = format!("/members/{member_id}/password_resets");
    api.act(COORDINATOR, &path).await
}

async fn redeem(api: &Api, token: &Value, new_password: &str) -> Reply {
    let body = json!({"token": token, "new_password": new_password});
    api.post("", "/password_resets/redemptions", body).await
}

#[actix_web::test]
async fn a_reset_ends_nothing_until_it_is_used() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let id = me(&api, VOLUNTEER).await;
    let made = reset(&api, &id).await.expect(201);
    assert_eq!(made.body["expires_at"], "2026-09-08T12:00:00Z");
    api.get(VOLUNTEER, "/me").await.expect(200);
    let old = api.sign_in(VOLUNTEER, PASSWORD).await.expect(201);

    let short = redeem(&api, &made.body["token"], "short").await;
    assert_eq!(short.expect(422).pointers(), ["/new_password"]);
    redeem(&api, &made.body["token"], NEW).await.expect(204);
    // every sign-in has ended, and so has the old password
    api.get(VOLUNTEER, "/me").await.expect(401);
    let body = json!({"refresh_token": old.body["refresh_token"]});
    api.post("", "/sessions/refreshes", body).await.expect(401);
    api.sign_in(VOLUNTEER, PASSWORD).await.expect(401);
    api.sign_in(VOLUNTEER, NEW).await.expect(201);
    // nobody else's
    api.get(LEAD, "/me").await.expect(200);
    redeem(&api, &made.body["token"], "yet another password")
        .await
        .expect(401);
}

#[actix_web::test]
async fn resets_expire_are_replaced_and_end_with_a_change_of_password() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let id = me(&api, VOLUNTEER).await;
    let first = reset(&api, &id).await.expect(201);
    let second = reset(&api, &id).await.expect(201);
    redeem(&api, &first.body["token"], NEW).await.expect(401);
    let change = json!({"present_password": PASSWORD, "new_password": "changed by myself"});
    api.post(VOLUNTEER, "/me/password", change)
        .await
        .expect(204);
    redeem(&api, &second.body["token"], NEW).await.expect(401);
    let third = reset(&api, &id).await.expect(201);
    api.bed.clock.advance(TimeDelta::hours(24));
    redeem(&api, &third.body["token"], NEW).await.expect(401);
    api.sign_in(VOLUNTEER, "changed by myself")
        .await
        .expect(201);
}

#[actix_web::test]
async fn simultaneous_redemptions_set_one_password() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let made = reset(&api, &me(&api, VOLUNTEER).await).await.expect(201);
    let passwords: Vec<String> = (0..8).map(|n| format!("a long password {n}")).collect();
    let replies = join_all(
        passwords
            .iter()
            .map(|p| redeem(&api, &made.body["token"], p)),
    )
    .await;
    let won: Vec<usize> = (0..8).filter(|n| replies[*n].status == 204).collect();
    assert_eq!(won.len(), 1);
    assert!(replies.iter().all(|r| r.status == 204 || r.status == 401));
    api.sign_in(VOLUNTEER, &passwords[won[0]]).await.expect(201);
}

#[actix_web::test]
async fn only_coordinators_reset_and_only_those_who_have_accepted() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let id = me(&api, VOLUNTEER).await;
    for who in [LEAD, VOLUNTEER, READER, ELSEWHERE] {
        let path = format!("/members/{id}/password_resets");
        api.act(who, &path).await.expect(403);
    }
    let body = json!({"name": "Bo", "email": "bo@example.org", "roles": []});
    let invited = api
        .post(COORDINATOR, "/invitations", body)
        .await
        .expect(201);
    let invited_id = invited.body["member"]["id"].as_str().unwrap();
    let reply = reset(&api, invited_id).await.expect(409);
    assert_eq!(reply.problem(), "wrong-state");
    reset(&api, &uuid::Uuid::now_v7().to_string())
        .await
        .expect(404);
    // a foreign co-operative knows nothing of them
    api.found("Other", "other@example.org").await;
    api.act(
        "other@example.org",
        &format!("/members/{id}/password_resets"),
    )
    .await
    .expect(404);
}

#[actix_web::test]
async fn a_repeated_request_gives_the_same_token() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let path = format!("/members/{}/password_resets", me(&api, VOLUNTEER).await);
    let once = || {
        api.send(
            api.request(COORDINATOR, Method::POST, &path)
                .insert_header(("idempotency-key", "reset")),
        )
    };
    let first = once().await.expect(201);
    assert_eq!(first.body, once().await.expect(201).body);
    redeem(&api, &first.body["token"], NEW).await.expect(204);
}
