//! One co-operative with people in every role, called through the HTTP application, every answer
//! checked against the API document.

use std::cell::RefCell;
use std::collections::HashMap;
use std::num::NonZeroU32;
use std::rc::Rc;
use std::sync::{LazyLock, Mutex, PoisonError};
use std::time::Duration;

use actix_web::body::{BoxBody, to_bytes};
use actix_web::dev::{Service, ServiceResponse};
use actix_web::http::{Method, StatusCode};
use actix_web::test::{TestRequest, init_service};
use actix_web::web::Data;
use cotyl_api::{ApiSettings, ApiState, api_app, openapi};
use cotyl_testkit::Bed;
use serde_json::{Value, json};
use uuid::Uuid;

pub const PASSWORD: &str = "green leaves every week";

type LocalFuture<T> = std::pin::Pin<Box<dyn Future<Output = T>>>;
type Caller = Rc<dyn Fn(TestRequest) -> LocalFuture<ServiceResponse<BoxBody>>>;

/// The HTTP application over a fresh database.
pub struct Api {
    pub bed: Bed,
    call: Caller,
    /// access tokens by e-mail address
    tokens: RefCell<HashMap<String, String>>,
}

/// An answer, already checked against the document.
#[derive(Debug)]
pub struct Reply {
    pub status: StatusCode,
    pub headers: HashMap<String, String>,
    pub body: Value,
    pub text: String,
    pub bytes: Vec<u8>,
}

impl Reply {
    /// The same reply, when its status is the one expected.
    #[track_caller]
    pub fn expect(self, status: u16) -> Self {
        assert_eq!(self.status.as_u16(), status, "{}", self.text);
        self
    }

    /// The last part of the problem's type.
    pub fn problem(&self) -> &str {
        self.body["type"]
            .as_str()
            .unwrap_or_default()
            .rsplit(':')
            .next()
            .unwrap_or_default()
    }

    pub fn id(&self) -> String {
        self.body["id"].as_str().unwrap().to_owned()
    }

    pub fn etag(&self) -> String {
        self.headers["etag"].clone()
    }

    /// Pointers of the fields that were refused.
    pub fn pointers(&self) -> Vec<String> {
        self.body["errors"]
            .as_array()
            .into_iter()
            .flatten()
            .map(|e| e["pointer"].as_str().unwrap_or_default().to_owned())
            .collect()
    }
}

impl Api {
    pub async fn new() -> Self {
        Self::with(Bed::new().await, &settings()).await
    }

    pub async fn with(bed: Bed, settings: &ApiSettings) -> Self {
        let state = Data::new(ApiState::new(bed.app.clone(), settings, None));
        let service = Rc::new(init_service(api_app(state)).await);
        let call: Caller = Rc::new(move |request: TestRequest| {
            let service = Rc::clone(&service);
            Box::pin(async move {
                service
                    .call(request.to_request())
                    .await
                    .unwrap_or_else(|error| panic!("the application failed: {error}"))
                    .map_into_boxed_body()
            })
        });
        Self {
            bed,
            call,
            tokens: RefCell::default(),
        }
    }

    /// A request exactly as given.
    pub async fn send(&self, request: TestRequest) -> Reply {
        let response = (self.call)(request).await;
        let method = response.request().method().clone();
        let pattern = response.request().match_pattern();
        let status = response.status();
        let headers: HashMap<String, String> = response
            .headers()
            .iter()
            .map(|(name, value)| {
                (
                    name.to_string(),
                    value.to_str().unwrap_or_default().to_owned(),
                )
            })
            .collect();
        let bytes = to_bytes(response.into_body()).await.unwrap();
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let body = serde_json::from_slice(&bytes).unwrap_or(Value::Null);
        check_against_document(&method, pattern.as_deref(), status, &headers, &body, &text);
        Reply {
            status,
            headers,
            body,
            text,
            bytes: bytes.to_vec(),
        }
    }

    /// A request by a signed-in member; `path` is below the base.
    pub fn request(&self, who: &str, method: Method, path: &str) -> TestRequest {
        let mut request = TestRequest::default()
            .method(method)
            .uri(&format!("/api/v1{path}"));
        if let Some(token) = self.tokens.borrow().get(who) {
            request = request.insert_header(("authorization", format!("Bearer {token}")));
        }
        request
    }

    pub async fn get(&self, who: &str, path: &str) -> Reply {
        self.send(self.request(who, Method::GET, path)).await
    }

    pub async fn post(&self, who: &str, path: &str, body: Value) -> Reply {
        self.send(self.request(who, Method::POST, path).set_json(body))
            .await
    }

    /// A POST without a body.
    pub async fn act(&self, who: &str, path: &str) -> Reply {
        self.send(self.request(who, Method::POST, path)).await
    }

    pub async fn put(&self, who: &str, path: &str, etag: &str, body: Value) -> Reply {
        self.send(
            self.request(who, Method::PUT, path)
                .insert_header(("if-match", etag))
                .set_json(body),
        )
        .await
    }

    pub async fn delete(&self, who: &str, path: &str, etag: &str) -> Reply {
        self.send(
            self.request(who, Method::DELETE, path)
                .insert_header(("if-match", etag)),
        )
        .await
    }

    /// Signs in and keeps the access token under the address.
    pub async fn sign_in(&self, email: &str, password: &str) -> Reply {
        let reply = self
            .post(
                "",
                "/sessions",
                json!({"email": email, "password": password}),
            )
            .await;
        if let Some(token) = reply.body["access_token"].as_str() {
            self.tokens
                .borrow_mut()
                .insert(email.to_owned(), token.to_owned());
        }
        reply
    }

    pub fn token(&self, who: &str) -> String {
        self.tokens.borrow()[who].clone()
    }

    pub fn keep_token(&self, who: &str, token: &str) {
        self.tokens
            .borrow_mut()
            .insert(who.to_owned(), token.to_owned());
    }

    /// Founds a co-operative whose coordinator is signed in under the address.
    pub async fn found(&self, name: &str, email: &str) -> Uuid {
        let founded = self
            .bed
            .app
            .found(name, "Coordinator", email, PASSWORD)
            .await
            .unwrap();
        self.sign_in(email, PASSWORD).await.expect(201);
        founded.cooperative_id
    }
}

/// Settings that never slow a test down.
pub fn settings() -> ApiSettings {
    ApiSettings {
        sign_in_burst: NonZeroU32::new(10_000).unwrap(),
        sign_in_refill: Duration::from_millis(1),
    }
}

/// A site open on working days, for tests that need one.
pub fn site_input(name: &str) -> Value {
    let hours: Vec<Value> = ["monday", "tuesday", "wednesday", "thursday", "friday"]
        .map(|day| json!({"weekday": day, "opens": "08:00", "closes": "16:00"}))
        .into();
    json!({
        "name": name, "zone": "America/New_York", "opening_hours": hours,
        "weekly_minutes": 600, "weekly_mixing": {"value": "200", "unit": "L"}, "most_sowings_per_week": null
    })
}

pub static DOCUMENT: LazyLock<Value> = LazyLock::new(|| serde_json::to_value(openapi()).unwrap());

static VALIDATORS: LazyLock<Mutex<HashMap<String, std::sync::Arc<jsonschema::Validator>>>> =
    LazyLock::new(Mutex::default);

/// Every answer must be one that the document announces, in the form it announces.
fn check_against_document(
    method: &Method,
    pattern: Option<&str>,
    status: StatusCode,
    headers: &HashMap<String, String>,
    body: &Value,
    text: &str,
) {
    let Some(pattern) = pattern else { return };
    let operation = &DOCUMENT["paths"][pattern][method.as_str().to_lowercase().as_str()];
    if operation.is_null() {
        return;
    }
    let name = &operation["operationId"];
    let answer = &operation["responses"][status.as_u16().to_string()];
    assert!(
        !answer.is_null(),
        "{name} answered {status}, which its document does not announce: {text}"
    );
    let media_type = headers
        .get("content-type")
        .map(|value| value.split(';').next().unwrap_or_default())
        .unwrap_or_default();
    if status.is_client_error() || status.is_server_error() {
        assert_eq!(media_type, "application/problem+json", "{name} {status}");
        assert_eq!(body["status"], status.as_u16());
    }
    let content = &answer["content"];
    if content.is_null() {
        assert!(text.is_empty(), "{name} {status} announces no body: {text}");
        return;
    }
    let schema = &content[media_type]["schema"];
    assert!(
        !schema.is_null(),
        "{name} {status} does not announce {media_type:?}"
    );
    if media_type.ends_with("json") {
        let key = format!("{method} {pattern} {status}");
        let validator = {
            let mut validators = VALIDATORS.lock().unwrap_or_else(PoisonError::into_inner);
            validators
                .entry(key)
                .or_insert_with(|| {
                    let mut root = schema.clone();
                    root["components"] = DOCUMENT["components"].clone();
                    jsonschema::validator_for(&root).unwrap().into()
                })
                .clone()
        };
        let faults: Vec<String> = validator
            .iter_errors(body)
            .map(|fault| format!("{} at {}", fault, fault.instance_path()))
            .collect();
        assert!(
            faults.is_empty(),
            "{name} {status} is not as announced: {faults:?}\n{body:#}"
        );
    }
}
