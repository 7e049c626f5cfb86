//! A new signing key: what was signed or can be derived with the old one ends, who is signed in stays so.

use std::sync::Arc;

use actix_web::http::Method;
use cotyl_app::App;
use cotyl_app::keys::RenewedKeys;
use cotyl_app::passwords::Passwords;
use futures::future::join_all;
use serde_json::{Value, json};

use crate::garden::system_pool;
use crate::support::{Api, PASSWORD, Reply};

const ADA: &str = "ada@example.org";

/// Another process on the same database.
async fn another(api: &Api) -> App {
    App::start(
        api.bed.app.store().clone(),
        Arc::new(api.bed.clock.clone()),
        Passwords::fast_for_tests().unwrap(),
    )
    .await
    .unwrap()
}

async fn invite(api: &Api) -> Reply {
    let body = json!({"name": "Bo Reed", "email": "bo@example.org", "roles": []});
    let request = api
        .request(ADA, Method::POST, "/invitations")
        .insert_header(("idempotency-key", "bo"))
        .set_json(body);
    api.send(request).await.expect(201)
}

async fn accept(api: &Api, token: &Value) -> Reply {
    let body = json!({"token": token, "password": "my own long password"});
    api.post("", "/invitations/acceptances", body).await
}

#[actix_web::test]
async fn old_tokens_end_and_who_is_signed_in_goes_on() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let signed_in = api.sign_in(ADA, PASSWORD).await.expect(201);
    let old = signed_in.body["access_token"].as_str().unwrap().to_owned();
    let handed_over = invite(&api).await.body["token"].clone();

    let operator = another(&api).await;
    let renewed = operator.renew_keys().await.unwrap();
    assert_eq!(
        renewed,
        RenewedKeys {
            retired: 1,
            links: 1
        }
    );
    // the process that made the key refuses the old ones at once, others once they have looked
    assert!(operator.verify_access_token(&old).is_err());
    assert!(api.bed.app.follow_keys().await.unwrap());
    assert!(!api.bed.app.follow_keys().await.unwrap());
    let reply = api.get(ADA, "/sites").await.expect(401);
    assert_eq!(reply.body["detail"], "the access token is not valid");

    let body = json!({"refresh_token": signed_in.body["refresh_token"]});
    let refreshed = api.post("", "/sessions/refreshes", body).await.expect(201);
    let new = refreshed.body["access_token"].as_str().unwrap();
    api.keep_token(ADA, new);
    api.get(ADA, "/sites").await.expect(200);
    assert!(operator.verify_access_token(new).is_ok());

    // the link has another token, shown to whoever repeats the request, and works by that alone
    let shown_again = invite(&api).await.body["token"].clone();
    assert_ne!(shown_again, handed_over);
    accept(&api, &handed_over).await.expect(401);
    accept(&api, &shown_again).await.expect(201);
    // a used link is left as it is
    assert_eq!(operator.renew_keys().await.unwrap().links, 0);
}

#[actix_web::test]
async fn keys_renewed_at_once_leave_one_in_use() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let processes = join_all((0..8).map(|_| another(&api))).await;
    let renewed = join_all(processes.iter().map(App::renew_keys)).await;
    let retired: u64 = renewed
        .iter()
        .map(|done| done.as_ref().unwrap().retired)
        .sum();
    assert_eq!(retired, 8, "the first one, and those of all but the last");
    let pool = system_pool(&api).await;
    let kept: (i64, i64) = sqlx::query_as(
        "select count(*) filter (where retired_at is null), count(*) from signing_key",
    )
    .fetch_one(&pool)
    .await
    .unwrap();
    assert_eq!(kept, (1, 9));
    api.bed.app.follow_keys().await.unwrap();
    let signed_in = api.sign_in(ADA, PASSWORD).await.expect(201);
    let token = signed_in.body["access_token"].as_str().unwrap();
    for process in &processes {
        process.follow_keys().await.unwrap();
        assert!(process.verify_access_token(token).is_ok());
    }
}
