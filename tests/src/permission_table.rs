//! The permission table, cell by cell, against the API as it is served.
//!
//! A request is judged in this order: the forms of path, query and `If-Match` together with the token, as
//! the handler names them (404, 422, 428, 401); the form of the body (415, 400, 422); the plain checks of
//! its fields (422); the table (403); the record and its version (404, 403, 412, 409). What comes before
//! the table gives nothing away, since it tells only about what the caller sent. So every call here is
//! formed as the API document asks, from its examples, defaults and types, and the table decides.

use cotyl_domain::{Access, Operation, Role};
use serde_json::json;

use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::served::{Served, sample};
use crate::support::{Api, PASSWORD, Reply};

fn person(role: Role) -> &'static str {
    match role {
        Role::Coordinator => COORDINATOR,
        Role::Lead => LEAD,
        Role::Volunteer => VOLUNTEER,
        Role::Reader => READER,
    }
}

/// What is wrong with an answer to a role that reaches so far; `None` for nothing.
fn fault(access: Access, reply: &Reply) -> Option<String> {
    let status = reply.status.as_u16();
    let fits = match access {
        Access::No => status == 403,
        // the record decides: made-up ones are unknown, or of a site or recipient that is not theirs
        Access::Own | Access::Site | Access::Recipient => status != 401 && status < 500,
        Access::Any => status != 401 && status != 403 && status < 500,
    };
    (!fits).then(|| format!("{status} where the table has {access:?}: {}", reply.text))
}

#[actix_web::test]
async fn every_cell_of_the_table_holds() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let mut faults = Vec::new();
    let mut cells = 0;
    for operation in Operation::ALL.iter().copied() {
        let served = Served::of(operation).unwrap();
        for role in Role::ALL {
            let who = person(role);
            let reply = api.send(served.request(&api, who, &|_| None)).await;
            if let Some(fault) = fault(operation.access(role), &reply) {
                faults.push(format!("{} as {role:?}: {fault}", operation.as_str()));
            }
            if operation == Operation::SignOut {
                api.sign_in(who, PASSWORD).await.expect(201);
            }
            cells += 1;
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    assert_eq!(cells, 4 * Operation::ALL.len());
}

#[actix_web::test]
async fn nothing_is_done_without_a_token() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let mut faults = Vec::new();
    for (name, served) in Served::all() {
        let is_open = served.description["security"] == json!([{}]);
        assert_eq!(
            is_open,
            Operation::parse(name).is_none(),
            "{name} is either in the table or needs no token"
        );
        if is_open {
            continue;
        }
        let reply = api.send(served.request(&api, "", &|_| None)).await;
        if reply.status != 401 {
            faults.push(format!("{name}: {} {}", reply.status, reply.text));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn every_operation_of_the_table_is_served() {
    let forgotten: Vec<&str> = Operation::ALL
        .iter()
        .filter(|operation| Served::of(**operation).is_none())
        .map(|operation| operation.as_str())
        .collect();
    assert!(forgotten.is_empty(), "not served: {forgotten:?}");
}

#[test]
fn samples_follow_example_default_and_type() {
    let schema = json!({
        "type": "object", "required": ["name", "size", "more", "at"],
        "properties": {
            "name": {"type": "string", "example": "Bench"},
            "size": {"type": "integer", "minimum": 3},
            "more": {"type": "array", "items": {"oneOf": [{"type": "null"}, {"type": "boolean"}]}},
            "at": {"type": ["string", "null"], "format": "date"},
            "left_out": {"type": "string"},
            "kept": {"type": "string", "example": "x"},
        }
    });
    let expected = json!({"name": "Bench", "size": 3, "more": [false], "at": null, "kept": "x"});
    assert_eq!(sample(&schema), expected);
}
