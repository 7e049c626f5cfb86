//! Nonsense, for every operation of the API document: a specific 4xx, nothing changed, nothing leaked.

use actix_web::http::Method;
use serde_json::{Value, json};

use crate::garden::{COORDINATOR, Garden};
use crate::served::{Body, Served};
use crate::support::{Api, Reply};

async fn rows(garden: &Garden) -> i64 {
    sqlx::query_scalar(
        "select (select count(*) from site) + (select count(*) from station) + (select count(*) from crop) + (select count(*) from member)
              + (select count(*) from pledge) + (select count(*) from plan) + (select count(*) from sowing) + (select count(*) from task)
              + (select count(*) from cut) + (select count(*) from delivery) + (select count(*) from audit_entry) + (select count(*) from job)
              + (select count(*) from closure) + (select count(*) from recipient) + (select count(*) from container_kind)
              + (select count(*) from crop_group) + (select count(*) from role_grant) + (select coalesce(sum(version), 0)::bigint from member)",
    )
    .fetch_one(&garden.pool)
    .await
    .unwrap()
}

/// A 4xx whose words give nothing of the inside away.
fn fault(name: &str, what: &str, reply: &Reply) -> Option<String> {
    let inside = [
        "panicked",
        "sqlx",
        "postgres",
        "select ",
        "insert into",
        "/src/",
        "constraint",
    ];
    let leaks = inside
        .iter()
        .any(|word| reply.text.to_lowercase().contains(word));
    let fits = reply.status.is_client_error()
        && !reply.body["detail"].as_str().unwrap_or_default().is_empty();
    (!fits || leaks).then(|| format!("{name}, {what}: {} {}", reply.status, reply.text))
}

fn nonsense_bodies() -> Vec<(&'static str, Vec<u8>)> {
    let deep = |depth: usize| [b"[".repeat(depth), b"]".repeat(depth)].concat();
    vec![
        ("nothing", Vec::new()),
        ("not JSON", b"{\"name\": ".to_vec()),
        ("not UTF-8", b"{\"name\": \"\xff\xfe\"}".to_vec()),
        ("an array", b"[]".to_vec()),
        ("a number", b"17".to_vec()),
        ("null", b"null".to_vec()),
        ("deep", deep(100_000)),
        ("deep within limits", deep(100)),
        ("a huge number", b"{\"name\": 1e999999}".to_vec()),
        ("an unknown field", b"{\"no_such_field\": true}".to_vec()),
        (
            "too large",
            [
                b"{\"name\": \"".to_vec(),
                vec![b'x'; 300_000],
                b"\"}".to_vec(),
            ]
            .concat(),
        ),
    ]
}

#[actix_web::test]
async fn nonsense_bodies_are_refused_everywhere() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let before = rows(&garden).await;
    let mut faults = Vec::new();
    let mut asked = 0;
    for (name, served) in Served::all() {
        let (_, Body::Json(_)) = served.bare(&api, COORDINATOR, &|_| None) else {
            continue;
        };
        for (what, bytes) in nonsense_bodies() {
            let (request, _) = served.bare(&api, COORDINATOR, &|_| None);
            let request = request
                .insert_header(("content-type", "application/json"))
                .set_payload(bytes);
            faults.extend(fault(name, what, &api.send(request).await));
            asked += 1;
        }
        let (request, _) = served.bare(&api, COORDINATOR, &|_| None);
        let request = request
            .insert_header(("content-type", "text/plain"))
            .set_payload("{}");
        faults.extend(fault(name, "wrong media type", &api.send(request).await));
    }
    assert!(asked > 300, "{asked}");
    assert!(
        faults.is_empty(),
        "{} faults\n{}",
        faults.len(),
        faults.join("\n")
    );
    assert_eq!(rows(&garden).await, before);
}

#[actix_web::test]
async fn every_field_of_a_wrong_type_is_refused() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let before = rows(&garden).await;
    let mut faults = Vec::new();
    let mut asked = 0;
    for (name, served) in Served::all() {
        let (_, Body::Json(body)) = served.bare(&api, COORDINATOR, &|_| None) else {
            continue;
        };
        let fields: Vec<String> = body
            .as_object()
            .into_iter()
            .flatten()
            .map(|(field, _)| field.clone())
            .collect();
        for field in fields {
            let original = &body[&field];
            for wrong in [
                json!({"a": [1, {"b": "c"}]}),
                json!(-170141183460469231731687303715884105728.0),
                json!("a\u{0}b"),
                json!([[[]]]),
            ] {
                // lists take a list, objects an object: then it is the inside that is wrong
                if std::mem::discriminant(original) == std::mem::discriminant(&wrong)
                    && !wrong.is_string()
                {
                    continue;
                }
                let mut changed = body.clone();
                changed[&field] = wrong.clone();
                let (request, _) = served.bare(&api, COORDINATOR, &|_| None);
                let reply = api.send(request.set_json(&changed)).await;
                faults.extend(fault(name, &format!("{field} = {wrong}"), &reply));
                asked += 1;
            }
        }
    }
    assert!(asked > 300, "{asked}");
    assert!(
        faults.is_empty(),
        "{} faults\n{}",
        faults.len(),
        faults.join("\n")
    );
    assert_eq!(rows(&garden).await, before);
}

#[actix_web::test]
async fn nonsense_in_addresses_and_parameters_is_refused() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let mut faults = Vec::new();
    for (name, served) in Served::all() {
        if served.method != Method::GET || served.description["security"] == json!([{}]) {
            continue;
        }
        if served.path.contains('{') {
            for wrong in [
                "abc",
                "%00",
                "..%2f..%2fetc",
                "00000000-0000-0000-0000-00000000000g",
                "%ff",
            ] {
                let (request, _) = served.bare(&api, COORDINATOR, &|_| Some(wrong.to_owned()));
                faults.extend(fault(name, wrong, &api.send(request).await));
            }
        }
        for parameter in served.description["parameters"]
            .as_array()
            .into_iter()
            .flatten()
        {
            if parameter["in"] != "query" || parameter["schema"]["type"] == json!("boolean") {
                continue;
            }
            let parameter = parameter["name"].as_str().unwrap();
            for wrong in ["%00", "9".repeat(400).as_str(), "2026-W99", "-1"] {
                let address = served.path.strip_prefix("/api/v1").unwrap();
                if address.contains('{') {
                    continue;
                }
                let reply = api
                    .get(COORDINATOR, &format!("{address}?{parameter}={wrong}"))
                    .await;
                let harmless = reply.status == 200 && reply.body["items"] == Value::Array(vec![]);
                if !harmless {
                    faults.extend(fault(name, &format!("{parameter}={wrong}"), &reply));
                }
            }
        }
    }
    assert!(
        faults.is_empty(),
        "{} faults\n{}",
        faults.len(),
        faults.join("\n")
    );
}
