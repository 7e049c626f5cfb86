//! What handlers take from a request: the caller, a checked body, a version, a page.

use std::future::Future;
use std::pin::Pin;

use actix_web::dev::Payload;
use actix_web::http::StatusCode;
use actix_web::http::header::{AUTHORIZATION, CONTENT_TYPE, IF_MATCH, USER_AGENT};
use actix_web::web::{Bytes, Data};
use actix_web::{FromRequest, HttpMessage, HttpRequest};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use cotyl_app::{Caller, Idempotency, Page, Visitor};
use cotyl_domain::FieldProblem;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use sha2::{Digest, Sha256};
use tracing_actix_web::RequestId;
use utoipa::IntoParams;
use uuid::Uuid;

use crate::problem::Problem;
use crate::serve::ApiState;
use crate::strict_json::Strict;

/// Most bytes of a JSON body.
pub const MOST_BODY_BYTES: usize = 256 * 1024;
/// Most bytes of an imported file.
pub const MOST_IMPORT_BYTES: usize = 2 * 1024 * 1024;
/// Most records of a page.
pub const MOST_PER_PAGE: i64 = 200;
/// Records of a page when nothing is asked for.
const USUAL_PER_PAGE: i64 = 50;

type Extraction<T> = Pin<Box<dyn Future<Output = Result<T, Problem>>>>;

/// A signed-in caller of a request without a body.
pub struct Signed(pub Caller);

impl FromRequest for Signed {
    type Error = Problem;
    type Future = std::future::Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        std::future::ready(caller(request).and_then(|mut caller| {
            caller.idempotency = idempotency(request, &[])?;
            Ok(Self(caller))
        }))
    }
}

/// A signed-in caller with a JSON body. The token is judged before the body is read, and the form of the
/// body before the permission, which the use case asks for: a forbidden caller learns what is wrong with
/// their body first, and nothing else.
pub struct SignedBody<T> {
    /// Who asks.
    pub caller: Caller,
    /// What is asked for.
    pub body: T,
}

impl<T: DeserializeOwned + 'static> FromRequest for SignedBody<T> {
    type Error = Problem;
    type Future = Extraction<Self>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let caller = caller(request);
        let bytes = body_bytes(request, payload, "application/json", MOST_BODY_BYTES);
        let request = request.clone();
        Box::pin(async move {
            let mut caller = caller?;
            let bytes = bytes.await?;
            caller.idempotency = idempotency(&request, &bytes)?;
            Ok(Self {
                caller,
                body: parse_json(&bytes)?,
            })
        })
    }
}

/// A signed-in caller with a JSON body that may be left out: then everything in it is left out.
pub struct SignedMaybe<T> {
    /// Who asks.
    pub caller: Caller,
    /// What is asked for.
    pub body: T,
}

impl<T: DeserializeOwned + Default + 'static> FromRequest for SignedMaybe<T> {
    type Error = Problem;
    type Future = Extraction<Self>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let caller = caller(request);
        let bytes = any_bytes(payload, MOST_BODY_BYTES);
        let is_json = is_of_type(request, "application/json");
        let request = request.clone();
        Box::pin(async move {
            let mut caller = caller?;
            let bytes = bytes.await?;
            caller.idempotency = idempotency(&request, &bytes)?;
            let body = match bytes.is_empty() {
                true => T::default(),
                false if is_json => parse_json::<Option<T>>(&bytes)?.unwrap_or_default(),
                false => return Err(wrong_media_type("application/json")),
            };
            Ok(Self { caller, body })
        })
    }
}

/// A signed-in caller with a CSV file as the body.
pub struct SignedFile {
    /// Who asks.
    pub caller: Caller,
    /// The file.
    pub bytes: Bytes,
}

impl FromRequest for SignedFile {
    type Error = Problem;
    type Future = Extraction<Self>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let caller = caller(request);
        let bytes = body_bytes(request, payload, "text/csv", MOST_IMPORT_BYTES);
        let request = request.clone();
        Box::pin(async move {
            let mut caller = caller?;
            let bytes = bytes.await?;
            caller.idempotency = idempotency(&request, &bytes)?;
            Ok(Self { caller, bytes })
        })
    }
}

/// A JSON body of a request that needs no token.
pub struct OpenBody<T>(pub T);

impl<T: DeserializeOwned + 'static> FromRequest for OpenBody<T> {
    type Error = Problem;
    type Future = Extraction<Self>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let bytes = body_bytes(request, payload, "application/json", MOST_BODY_BYTES);
        Box::pin(async move { Ok(Self(parse_json(&bytes.await?)?)) })
    }
}

/// The version a change is meant for: `If-Match`. `None` stands for `*`.
pub struct IfMatch(pub Option<i64>);

impl FromRequest for IfMatch {
    type Error = Problem;
    type Future = std::future::Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        std::future::ready(if_match(request))
    }
}

fn if_match(request: &HttpRequest) -> Result<IfMatch, Problem> {
    let Some(value) = request.headers().get(IF_MATCH) else {
        return Err(Problem::new(
            StatusCode::PRECONDITION_REQUIRED,
            "precondition-required",
            "If-Match is missing",
            "send the ETag of the record as you last read it in If-Match",
        ));
    };
    let text = value.to_str().unwrap_or_default().trim();
    if text == "*" {
        return Ok(IfMatch(None));
    }
    text.strip_prefix("\"v")
        .and_then(|rest| rest.strip_suffix('"'))
        .and_then(|digits| digits.parse().ok())
        .map(|version| IfMatch(Some(version)))
        .ok_or_else(|| {
            Problem::field(
                "If-Match",
                "format",
                "must be the ETag of the record, such as \"v3\" with its quotes, or *",
            )
        })
}

/// Which part of a list is asked for.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct PageQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
}

/// Which part of a list of records that may be retired.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct RecordsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Whether retired records are listed too.
    #[serde(default)]
    pub with_retired: bool,
}

/// Which part of a list of records of sites.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct SiteRecordsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Whether retired records are listed too.
    #[serde(default)]
    pub with_retired: bool,
    /// Only what belongs to this site.
    pub site_id: Option<Uuid>,
}

/// The page that limit and cursor describe.
///
/// # Errors
/// When the limit is out of range or the cursor is none of ours.
pub fn page(limit: Option<i64>, after: Option<&str>) -> Result<Page, Problem> {
    let limit = limit.unwrap_or(USUAL_PER_PAGE);
    if !(1..=MOST_PER_PAGE).contains(&limit) {
        return Err(Problem::field(
            "limit",
            "range",
            format!("must be between 1 and {MOST_PER_PAGE}; it is {limit}"),
        ));
    }
    let after = after
        .map(|cursor| {
            URL_SAFE_NO_PAD
                .decode(cursor)
                .ok()
                .and_then(|bytes| Uuid::from_slice(&bytes).ok())
                .ok_or_else(|| {
                    Problem::field(
                        "after",
                        "format",
                        "must be a cursor that a page before gave",
                    )
                })
        })
        .transpose()?;
    Ok(Page { after, limit })
}

/// The cursor that continues after a record.
pub fn cursor(id: Uuid) -> String {
    URL_SAFE_NO_PAD.encode(id.as_bytes())
}

fn caller(request: &HttpRequest) -> Result<Caller, Problem> {
    let state = request
        .app_data::<Data<ApiState>>()
        .ok_or_else(|| Problem::from(cotyl_app::Error::internal("no application state")))?;
    let token = request
        .headers()
        .get(AUTHORIZATION)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| {
            let (scheme, token) = value.split_once(' ')?;
            scheme
                .eq_ignore_ascii_case("bearer")
                .then_some(token.trim())
        })
        .ok_or(cotyl_app::Error::Unauthenticated(
            "send an access token as Authorization: Bearer",
        ))?;
    let mut caller = state.app.verify_access_token(token)?;
    caller.device = device(request);
    caller.request_id = request_id(request);
    Ok(caller)
}

fn request_id(request: &HttpRequest) -> String {
    request
        .extensions()
        .get::<RequestId>()
        .map(ToString::to_string)
        .unwrap_or_default()
}

/// Whoever sends a request without a token.
pub fn visitor(request: &HttpRequest) -> Visitor {
    Visitor {
        device: device(request),
        request_id: request_id(request),
    }
}

/// What the client calls itself.
pub fn device(request: &HttpRequest) -> String {
    request
        .headers()
        .get(USER_AGENT)
        .and_then(|value| value.to_str().ok())
        .unwrap_or_default()
        .chars()
        .take(300)
        .collect()
}

fn idempotency(request: &HttpRequest, body: &[u8]) -> Result<Option<Idempotency>, Problem> {
    let Some(value) = request.headers().get("idempotency-key") else {
        return Ok(None);
    };
    let key = value.to_str().unwrap_or_default();
    if key.is_empty() || key.len() > 200 {
        return Err(Problem::field(
            "Idempotency-Key",
            "length",
            "must have 1 to 200 plain characters",
        ));
    }
    let mut hash = Sha256::new();
    hash.update(request.method().as_str());
    hash.update([0]);
    hash.update(request.uri().to_string());
    hash.update([0]);
    hash.update(body);
    Ok(Some(Idempotency {
        key: key.to_owned(),
        request_hash: hash.finalize().to_vec(),
    }))
}

fn body_bytes(
    request: &HttpRequest,
    payload: &mut Payload,
    media_type: &'static str,
    most: usize,
) -> impl Future<Output = Result<Bytes, Problem>> + 'static {
    let right_type = is_of_type(request, media_type);
    let bytes = any_bytes(payload, most);
    async move {
        if !right_type {
            return Err(wrong_media_type(media_type));
        }
        bytes.await
    }
}

fn is_of_type(request: &HttpRequest, media_type: &str) -> bool {
    request
        .headers()
        .get(CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.split(';').next())
        .is_some_and(|value| value.trim().eq_ignore_ascii_case(media_type))
}

fn wrong_media_type(wanted: &str) -> Problem {
    Problem::new(
        StatusCode::UNSUPPORTED_MEDIA_TYPE,
        "wrong-media-type",
        "Wrong media type",
        format!("send the body with Content-Type: {wanted}"),
    )
}

fn any_bytes(
    payload: &mut Payload,
    most: usize,
) -> impl Future<Output = Result<Bytes, Problem>> + 'static {
    let payload = payload.take();
    async move {
        match actix_web::body::to_bytes_limited(PayloadBody(payload), most).await {
            Ok(Ok(bytes)) => Ok(bytes),
            Ok(Err(_)) => Err(Problem::malformed("the body broke off")),
            Err(_) => Err(Problem::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                "too-large",
                "The body is too large",
                format!("the body may have at most {most} bytes"),
            )),
        }
    }
}

/// A request's payload read as a body.
struct PayloadBody(Payload);

impl actix_web::body::MessageBody for PayloadBody {
    type Error = actix_web::error::PayloadError;

    fn size(&self) -> actix_web::body::BodySize {
        actix_web::body::BodySize::Stream
    }

    fn poll_next(
        mut self: Pin<&mut Self>,
        context: &mut std::task::Context<'_>,
    ) -> std::task::Poll<Option<Result<Bytes, Self::Error>>> {
        futures::Stream::poll_next(Pin::new(&mut self.0), context)
    }
}

fn parse_json<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, Problem> {
    let value: Value = serde_json::from_slice(bytes)
        .map_err(|error| Problem::malformed(format!("the body is not JSON: {error}")))?;
    if let Some(pointer) = find_nul(&value, &mut String::new()) {
        return Err(Problem::field(
            &pointer,
            "text",
            "must not contain the character U+0000",
        ));
    }
    let mut unknown = Vec::new();
    let mut track = serde_path_to_error::Track::new();
    let tracked = serde_path_to_error::Deserializer::new(Strict(value), &mut track);
    let parsed = serde_ignored::deserialize(tracked, |path| {
        unknown.push(FieldProblem::new(
            format!("/{}", path.to_string().replace('.', "/").replace("?/", "")),
            "unknown",
            "there is no such field here",
        ));
    })
    .map_err(|error: serde_json::Error| {
        Problem::field(&pointer(&track.path()), "form", error.to_string())
    })?;
    if unknown.is_empty() {
        Ok(parsed)
    } else {
        Err(cotyl_app::Error::Invalid(unknown).into())
    }
}

fn pointer(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    path.iter()
        .map(|segment| match segment {
            Segment::Seq { index } => format!("/{index}"),
            Segment::Map { key } => format!("/{}", key.replace('~', "~0").replace('/', "~1")),
            Segment::Enum { variant } => format!("/{variant}"),
            Segment::Unknown => "/?".to_owned(),
        })
        .collect()
}

/// PostgreSQL keeps no U+0000 in text, so it is refused at the door.
fn find_nul(value: &Value, path: &mut String) -> Option<String> {
    match value {
        Value::String(text) => text.contains('\0').then(|| path.clone()),
        Value::Array(items) => items
            .iter()
            .enumerate()
            .find_map(|(index, item)| step(path, &index.to_string(), item)),
        Value::Object(fields) => fields.iter().find_map(|(key, item)| {
            if key.contains('\0') {
                return Some(path.clone());
            }
            step(path, key, item)
        }),
        _ => None,
    }
}

fn step(path: &mut String, name: &str, item: &Value) -> Option<String> {
    let length = path.len();
    path.push('/');
    path.push_str(name);
    let found = find_nul(item, path);
    path.truncate(length);
    found
}
