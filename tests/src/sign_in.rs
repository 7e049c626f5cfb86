//! Signing in, refreshing, signing out, and tokens that must not pass.

use actix_web::http::Method;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::garden::system_pool;
use crate::support::{Api, PASSWORD};

const ADA: &str = "ada@example.org";

#[actix_web::test]
async fn signs_in_with_the_right_password_only() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let wrong = api.sign_in(ADA, "not the password").await.expect(401);
    let unknown = api
        .sign_in("nobody@example.org", PASSWORD)
        .await
        .expect(401);
    assert_eq!(wrong.body["detail"], unknown.body["detail"]);
    api.sign_in(" Ada@Example.org ", PASSWORD).await.expect(201);
}

#[actix_web::test]
async fn one_address_in_two_cooperatives_chooses() {
    let api = Api::new().await;
    let first = api.found("First", ADA).await;
    api.bed
        .app
        .found("Second", "Ada", ADA, PASSWORD)
        .await
        .unwrap();
    let reply = api.sign_in(ADA, PASSWORD).await.expect(422);
    assert_eq!(reply.pointers(), ["/cooperative_id"]);
    let body = json!({"email": ADA, "password": PASSWORD, "cooperative_id": first});
    let reply = api.post("", "/sessions", body).await.expect(201);
    assert_eq!(reply.body["cooperative_id"], first.to_string());
}

#[actix_web::test]
async fn refresh_tokens_rotate_and_reuse_ends_the_family() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let first = api.sign_in(ADA, PASSWORD).await.expect(201);
    let refresh =
        |token: Value| api.post("", "/sessions/refreshes", json!({"refresh_token": token}));
    let second = refresh(first.body["refresh_token"].clone())
        .await
        .expect(201);
    api.keep_token(ADA, second.body["access_token"].as_str().unwrap());
    api.get(ADA, "/sites").await.expect(200);
    // the first token again: somebody has a copy
    refresh(first.body["refresh_token"].clone())
        .await
        .expect(401);
    refresh(second.body["refresh_token"].clone())
        .await
        .expect(401);
    api.get(ADA, "/sites").await.expect(401);
    // other sign-ins are not touched
    api.sign_in(ADA, PASSWORD).await.expect(201);
    api.get(ADA, "/sites").await.expect(200);
}

#[actix_web::test]
async fn simultaneous_refreshes_give_one_pair() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let signed = api.sign_in(ADA, PASSWORD).await.expect(201);
    let token = signed.body["refresh_token"].clone();
    let replies = futures::future::join_all(
        (0..8).map(|_| api.post("", "/sessions/refreshes", json!({"refresh_token": token}))),
    )
    .await;
    let won = replies.iter().filter(|r| r.status == 201).count();
    assert_eq!(won, 1);
    assert!(replies.iter().all(|r| r.status == 201 || r.status == 401));
}

#[actix_web::test]
async fn signing_out_stops_the_access_token_at_once() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    api.send(api.request(ADA, Method::DELETE, "/sessions/current"))
        .await
        .expect(204);
    let reply = api.get(ADA, "/sites").await.expect(401);
    assert_eq!(reply.problem(), "unauthenticated");
}

#[actix_web::test]
async fn a_changed_password_ends_the_other_sign_ins() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let other = api.token(ADA);
    api.sign_in(ADA, PASSWORD).await.expect(201);
    let change = |present: &str, new: &str| {
        api.post(
            ADA,
            "/me/password",
            json!({"present_password": present, "new_password": new}),
        )
    };
    assert_eq!(
        change("wrong", "a new long password")
            .await
            .expect(422)
            .pointers(),
        ["/present_password"]
    );
    assert_eq!(
        change(PASSWORD, "short").await.expect(422).pointers(),
        ["/new_password"]
    );
    change(PASSWORD, "a new long password").await.expect(204);
    api.get(ADA, "/sites").await.expect(200);
    api.keep_token("other", &other);
    api.get("other", "/sites").await.expect(401);
    api.sign_in(ADA, PASSWORD).await.expect(401);
    api.sign_in(ADA, "a new long password").await.expect(201);
}

#[actix_web::test]
async fn access_tokens_expire() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    api.bed.clock.advance(TimeDelta::minutes(14));
    api.get(ADA, "/sites").await.expect(200);
    api.bed.clock.advance(TimeDelta::minutes(1));
    api.get(ADA, "/sites").await.expect(401);
}

/// RFC 8725: `none`, algorithm confusion, wrong audience, unknown key, changed claims.
#[actix_web::test]
async fn forged_tokens_do_not_pass() {
    let api = Api::new().await;
    api.found("Green Jars", ADA).await;
    let good = api.token(ADA);
    let parts: Vec<&str> = good.split('.').collect();
    let header: Value = serde_json::from_slice(&URL_SAFE_NO_PAD.decode(parts[0]).unwrap()).unwrap();
    let claims: Value = serde_json::from_slice(&URL_SAFE_NO_PAD.decode(parts[1]).unwrap()).unwrap();
    let encode = |value: &Value| URL_SAFE_NO_PAD.encode(value.to_string());
    let public: Vec<u8> = sqlx::query_scalar("select public_key from signing_key")
        .fetch_one(&system_pool(&api).await)
        .await
        .unwrap();
    let mut other = claims.clone();
    other["sub"] = json!(uuid::Uuid::nil());
    let mut forged = vec![
        String::new(),
        "nonsense".to_owned(),
        "a.b.c".to_owned(),
        format!(
            "{}.{}.",
            encode(&json!({"alg": "none", "typ": "JWT"})),
            parts[1]
        ),
        format!(
            "{}.{}.{}",
            encode(&json!({"alg": "none", "kid": header["kid"]})),
            parts[1],
            parts[2]
        ),
        format!("{}.{}.{}", parts[0], encode(&other), parts[2]),
        format!("{}.{}.", parts[0], parts[1]),
        "x".repeat(10_000),
    ];
    let hs256 = jsonwebtoken::Header {
        kid: header["kid"].as_str().map(str::to_owned),
        ..jsonwebtoken::Header::new(jsonwebtoken::Algorithm::HS256)
    };
    forged.push(
        jsonwebtoken::encode(
            &hs256,
            &claims,
            &jsonwebtoken::EncodingKey::from_secret(&public),
        )
        .unwrap(),
    );
    // rightly signed by our own key, but for somebody else, or by a key that is not ours
    let mut stranger = header.clone();
    stranger["kid"] = json!(uuid::Uuid::nil());
    forged.push(format!("{}.{}.{}", encode(&stranger), parts[1], parts[2]));
    for token in forged {
        api.keep_token("forger", &token);
        let reply = api.get("forger", "/sites").await.expect(401);
        assert_eq!(reply.problem(), "unauthenticated", "{token:.60}");
    }
    for (name, value) in [
        ("authorization", "Basic YWRhOnBhc3N3b3Jk".to_owned()),
        ("authorization", good.clone()),
    ] {
        let request = api
            .request("", Method::GET, "/sites")
            .insert_header((name, value));
        api.send(request).await.expect(401);
    }
}
