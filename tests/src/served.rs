//! Operations as the API document has them, and requests formed as it asks.

use actix_web::http::Method;
use actix_web::test::TestRequest;
use cotyl_domain::Operation;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use crate::support::{Api, DOCUMENT};

/// An operation as the document has it.
pub struct Served {
    pub method: Method,
    pub path: String,
    pub description: &'static Value,
}

impl Served {
    pub fn all() -> impl Iterator<Item = (&'static str, Served)> {
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

    pub fn of(operation: Operation) -> Option<Served> {
        Self::all()
            .find(|(name, _)| *name == operation.as_str())
            .map(|(_, served)| served)
    }

    /// A request formed as the document asks; `ids` fills path parameters, made-up ids the others.
    pub fn request(
        &self,
        api: &Api,
        who: &str,
        ids: &dyn Fn(&str) -> Option<String>,
    ) -> TestRequest {
        let (request, body) = self.bare(api, who, ids);
        match body {
            Body::None => request,
            Body::Json(body) => request.set_json(body),
            Body::Text(kind, text) => request
                .insert_header(("content-type", kind))
                .set_payload(text),
        }
    }

    /// The request without its body, and the body.
    pub fn bare(
        &self,
        api: &Api,
        who: &str,
        ids: &dyn Fn(&str) -> Option<String>,
    ) -> (TestRequest, Body) {
        let mut path = self.path.strip_prefix("/api/v1").unwrap().to_owned();
        let mut query = Vec::new();
        let mut is_versioned = false;
        for parameter in self.description["parameters"]
            .as_array()
            .into_iter()
            .flatten()
        {
            let name = parameter["name"].as_str().unwrap();
            let given = parameter.get("example").cloned();
            let value = given.unwrap_or_else(|| sample(&parameter["schema"]));
            let text = ids(name)
                .unwrap_or_else(|| value.as_str().map_or(value.to_string(), str::to_owned));
            match parameter["in"].as_str().unwrap() {
                "path" => path = path.replace(&format!("{{{name}}}"), &text),
                "query" if parameter["required"] == true => query.push(format!("{name}={text}")),
                "header" if name == "If-Match" => is_versioned = true,
                _ => {}
            }
        }
        if !query.is_empty() {
            path = format!("{path}?{}", query.join("&"));
        }
        let mut request = api.request(who, self.method.clone(), &path);
        if is_versioned {
            request = request.insert_header(("if-match", "*"));
        }
        let content = &self.description["requestBody"]["content"];
        let body = match content.as_object().and_then(|kinds| kinds.iter().next()) {
            Some((kind, body)) if kind.ends_with("json") => {
                let example = body.get("example").cloned();
                Body::Json(example.unwrap_or_else(|| sample(&body["schema"])))
            }
            Some((kind, body)) => {
                let text = body["example"].as_str().unwrap_or_default().to_owned();
                Body::Text(kind.clone(), text)
            }
            None => Body::None,
        };
        (request, body)
    }
}

/// The body of a request.
pub enum Body {
    None,
    Json(Value),
    /// Media type and text.
    Text(String, String),
}

/// A value of a schema: its example, else its default, else one of its type.
pub fn sample(schema: &Value) -> Value {
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
