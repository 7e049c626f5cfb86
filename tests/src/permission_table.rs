//! The permission table, cell by cell, against the API as it is served.
//!
//! A request is judged in this order: the forms of path, query and `If-Match` together with the token, as
//! the handler names them (404, 422, 428, 401); the form of the body (415, 400, 422); the plain checks of
//! its fields (422); the table (403); the record and its version (404, 403, 412, 409). What comes before
//! the table gives nothing away, since it tells only about what the caller sent. So every call here is
//! formed as the API document asks, from its examples, defaults and types, and the table decides.

use actix_web::http::Method;
use actix_web::test::TestRequest;
use cotyl_domain::{Access, Operation, Role};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, DOCUMENT, PASSWORD, Reply};

/// Nouns of the table that are not served yet, as they stand in the names of operations.
const NOUNS_TO_COME: [&str; 13] = [
    "closure",
    "container_kind",
    "station",
    "outage",
    "crop",
    "recipient",
    "pledge",
    "plan",
    "sowing",
    "task",
    "cut",
    "deliver",
    "weekly_totals",
];

/// An operation as the document has it.
struct Served {
    method: Method,
    path: String,
    description: &'static Value,
}

impl Served {
    fn all() -> impl Iterator<Item = (&'static str, Served)> {
        DOCUMENT["paths"]
            .as_object()
            .unwrap()
            .iter()
            .flat_map(|(path, methods)| {
                methods.as_object().unwrap().iter().map(move |(method, d)| {
                    let served = Served {
                        method: method.to_uppercase().parse().unwrap(),
                        path: path.clone(),
                        description: d,
                    };
                    (d["operationId"].as_str().unwrap(), served)
                })
            })
    }

    fn of(operation: Operation) -> Option<Served> {
        Self::all()
            .find(|(name, _)| *name == operation.as_str())
            .map(|(_, served)| served)
    }

    /// A request with made-up ids that is formed as the document asks.
    fn request(&self, api: &Api, who: &str) -> TestRequest {
        let mut path = self.path.strip_prefix("/api/v1").unwrap().to_owned();
        let mut query = Vec::new();
        for parameter in self.description["parameters"]
            .as_array()
            .into_iter()
            .flatten()
        {
            let name = parameter["name"].as_str().unwrap();
            let given = parameter.get("example").cloned();
            let value = given.unwrap_or_else(|| sample(&parameter["schema"]));
            let text = value.as_str().map_or(value.to_string(), str::to_owned);
            match parameter["in"].as_str().unwrap() {
                "path" => path = path.replace(&format!("{{{name}}}"), &text),
                "query" if parameter["required"] == true => query.push(format!("{name}={text}")),
                _ => {}
            }
        }
        if !query.is_empty() {
            path = format!("{path}?{}", query.join("&"));
        }
        let mut request = api.request(who, self.method.clone(), &path);
        if self.method == Method::PUT || self.method == Method::DELETE {
            request = request.insert_header(("if-match", "*"));
        }
        let content = &self.description["requestBody"]["content"];
        match content.as_object().and_then(|kinds| kinds.iter().next()) {
            Some((kind, body)) if kind.ends_with("json") => {
                let example = body.get("example").cloned();
                request.set_json(example.unwrap_or_else(|| sample(&body["schema"])))
            }
            Some((kind, body)) => {
                let text = body["example"].as_str().unwrap_or_default().to_owned();
                request
                    .insert_header(("content-type", kind.as_str()))
                    .set_payload(text)
            }
            None => request,
        }
    }
}

/// A value of a schema: its example, else its default, else one of its type.
fn sample(schema: &Value) -> Value {
    if let Some(name) = schema["$ref"].as_str() {
        let place = name.trim_start_matches('#');
        return sample(DOCUMENT.pointer(place).unwrap());
    }
    let given = schema
        .get("example")
        .or_else(|| schema["examples"].get(0))
        .or_else(|| schema.get("default"))
        .or_else(|| schema.get("const"))
        .or_else(|| schema["enum"].get(0));
    if let Some(given) = given {
        return given.clone();
    }
    for choice in ["oneOf", "anyOf"] {
        let choices = schema[choice].as_array().into_iter().flatten();
        if let Some(choice) = choices.into_iter().find(|c| c["type"] != "null") {
            return sample(choice);
        }
    }
    if let Some(parts) = schema["allOf"].as_array() {
        let mut whole = Map::new();
        for part in parts {
            if let Value::Object(fields) = sample(part) {
                whole.extend(fields);
            }
        }
        return Value::Object(whole);
    }
    let kinds = match &schema["type"] {
        Value::Array(kinds) => kinds.clone(),
        kind => vec![kind.clone()],
    };
    if kinds.contains(&json!("null")) {
        return Value::Null;
    }
    match kinds[0].as_str().unwrap_or("object") {
        "object" => sample_object(schema),
        "array" => {
            let least = schema["minItems"].as_u64().unwrap_or(1).max(1);
            (0..least).map(|_| sample(&schema["items"])).collect()
        }
        "boolean" => json!(false),
        "integer" | "number" => schema.get("minimum").cloned().unwrap_or(json!(1)),
        _ => match schema["format"].as_str() {
            Some("uuid") => json!(Uuid::now_v7()),
            Some("date") => json!("2026-09-07"),
            Some("date-time") => json!("2026-09-07T12:00:00Z"),
            _ => json!("text"),
        },
    }
}

/// The required fields, and the optional ones that have an example.
fn sample_object(schema: &Value) -> Value {
    let required = schema["required"].as_array();
    let fields = schema["properties"].as_object().into_iter().flatten();
    fields
        .filter(|(name, field)| {
            required.is_some_and(|names| names.contains(&json!(name)))
                || field.get("example").is_some()
        })
        .map(|(name, field)| (name.clone(), sample(field)))
        .collect::<Map<_, _>>()
        .into()
}

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
        let Some(served) = Served::of(operation) else {
            continue;
        };
        for role in Role::ALL {
            let who = person(role);
            let reply = api.send(served.request(&api, who)).await;
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
    assert_eq!(cells, 4 * (Operation::ALL.len() - not_served().len()));
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
        let reply = api.send(served.request(&api, "")).await;
        if reply.status != 401 {
            faults.push(format!("{name}: {} {}", reply.status, reply.text));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

fn not_served() -> Vec<&'static str> {
    Operation::ALL
        .iter()
        .filter(|operation| Served::of(**operation).is_none())
        .map(|operation| operation.as_str())
        .collect()
}

#[test]
fn every_operation_of_the_table_is_served() {
    let forgotten: Vec<&str> = not_served()
        .into_iter()
        .filter(|name| !NOUNS_TO_COME.iter().any(|noun| name.contains(noun)))
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
