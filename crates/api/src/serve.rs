//! The HTTP application: operations, limits, headers, logging, counting.

use std::num::NonZeroU32;
use std::sync::{Arc, LazyLock};
use std::time::Duration;

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceFactory, ServiceRequest, ServiceResponse};
use actix_web::error::QueryPayloadError;
use actix_web::http::StatusCode;
use actix_web::http::header::HeaderName;
use actix_web::middleware::{Compress, DefaultHeaders, Next, from_fn};
use actix_web::web::{self, Data, PathConfig, QueryConfig};
use actix_web::{HttpMessage, HttpRequest, HttpResponse};
use cotyl_app::App;
use metrics_exporter_prometheus::PrometheusHandle;
use tracing_actix_web::{RequestId, TracingLogger};
use utoipa_swagger_ui::{Config, SwaggerUi};

use crate::document::{openapi, operations};
use crate::health;
use crate::problem::Problem;
use crate::request_count::count;
use crate::request_log::RequestLog;
use crate::respond::BASE;
use crate::throttle::Throttle;

/// What whoever runs the server may set.
#[derive(Debug, Clone)]
pub struct ApiSettings {
    /// Sign-in attempts allowed at once, for one address and for one origin.
    pub sign_in_burst: NonZeroU32,
    /// One more attempt after each of these.
    pub sign_in_refill: Duration,
}

impl Default for ApiSettings {
    fn default() -> Self {
        Self {
            sign_in_burst: NonZeroU32::new(20).unwrap_or(NonZeroU32::MIN),
            sign_in_refill: Duration::from_secs(3),
        }
    }
}

/// Calendars read at once, by one address and from one origin: a school's members share theirs.
const FEED_BURST: NonZeroU32 = NonZeroU32::new(60).unwrap();
/// One more after each of these.
const FEED_REFILL: Duration = Duration::from_secs(5);

/// What every handler has at hand.
#[derive(Clone)]
pub struct ApiState {
    /// The application.
    pub app: App,
    /// Limits on sign-in and token paths, over all threads.
    pub throttle: Arc<Throttle>,
    /// Limits on reading calendars, over all threads.
    pub feeds: Arc<Throttle>,
    /// The counters, where they are kept.
    pub metrics: Option<PrometheusHandle>,
}

impl ApiState {
    /// State over an application.
    pub fn new(app: App, settings: &ApiSettings, metrics: Option<PrometheusHandle>) -> Self {
        Self {
            app,
            throttle: Arc::new(Throttle::new(
                settings.sign_in_burst,
                settings.sign_in_refill,
            )),
            feeds: Arc::new(Throttle::new(FEED_BURST, FEED_REFILL)),
            metrics,
        }
    }

    /// The same state for one thread that answers requests, with at most `connections` to the
    /// database of its own.
    #[must_use]
    pub fn for_thread(&self, connections: u32) -> Self {
        Self {
            app: self.app.with_own_connections(connections),
            throttle: Arc::clone(&self.throttle),
            feeds: Arc::clone(&self.feeds),
            metrics: self.metrics.clone(),
        }
    }
}

const DOCUMENT_PATH: &str = "/openapi/v1.json";

/// The document, written once for all workers: as a tree in each it would take megabytes.
static DOCUMENT: LazyLock<String> =
    LazyLock::new(|| serde_json::to_string(&openapi()).unwrap_or_default());

async fn document() -> HttpResponse {
    HttpResponse::Ok()
        .content_type("application/json")
        .body(DOCUMENT.as_str())
}

/// The HTTP application, one per worker over the same state.
pub fn api_app(
    state: Data<ApiState>,
) -> actix_web::App<
    impl ServiceFactory<
        ServiceRequest,
        Config = (),
        Response = ServiceResponse<impl MessageBody>,
        Error = actix_web::Error,
        InitError = (),
    >,
> {
    actix_web::App::new()
        .app_data(state)
        .app_data(PathConfig::default().error_handler(|error, _| {
            Problem::new(
                StatusCode::NOT_FOUND,
                "not-found",
                "Not found",
                format!("the address is not that of a record: {error}"),
            )
            .into()
        }))
        .app_data(QueryConfig::default().error_handler(|error, _| query_problem(&error).into()))
        .service(web::scope(BASE).configure(operations))
        .service(health::healthz)
        .service(health::readyz)
        .service(health::metrics)
        .route(DOCUMENT_PATH, web::get().to(document))
        .service(SwaggerUi::new("/docs/{_:.*}").config(Config::new([DOCUMENT_PATH])))
        .default_service(web::to(unknown_address))
        .wrap(from_fn(answer_headers))
        .wrap(TracingLogger::<RequestLog>::new())
        .wrap(Compress::default())
        .wrap(
            DefaultHeaders::new()
                .add(("x-content-type-options", "nosniff"))
                .add(("x-frame-options", "DENY"))
                .add(("referrer-policy", "no-referrer"))
                .add(("cross-origin-resource-policy", "same-origin")),
        )
}

/// Gives every answer its request id, keeps API answers out of caches, and counts them.
async fn answer_headers(
    request: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let id = request.extensions().get::<RequestId>().copied();
    let in_api = request.path().starts_with(BASE);
    let method = request.method().clone();
    let mut response = next.call(request).await?;
    count(method.as_str(), &response);
    let headers = response.headers_mut();
    if let Some(id) = id
        && let Ok(value) = id.to_string().parse()
    {
        headers.insert(HeaderName::from_static("x-request-id"), value);
    }
    if in_api {
        headers.insert(
            actix_web::http::header::CACHE_CONTROL,
            actix_web::http::header::HeaderValue::from_static("no-store"),
        );
        headers.insert(
            actix_web::http::header::CONTENT_SECURITY_POLICY,
            actix_web::http::header::HeaderValue::from_static(
                "default-src 'none'; frame-ancestors 'none'",
            ),
        );
    }
    Ok(response)
}

/// What is wrong with the parameters behind the question mark, with the one that the fault names.
fn query_problem(error: &QueryPayloadError) -> Problem {
    let QueryPayloadError::Deserialize(fault) = error else {
        return Problem::field("", "form", error.to_string());
    };
    let detail = fault.to_string();
    let named = detail.split('`').nth(1).unwrap_or_default().to_owned();
    Problem::field(&named, "form", detail)
}

async fn unknown_address(request: HttpRequest) -> HttpResponse {
    use actix_web::ResponseError;
    Problem::new(
        StatusCode::NOT_FOUND,
        "not-found",
        "Not found",
        format!(
            "there is nothing at {} {}",
            request.method(),
            request.path()
        ),
    )
    .error_response()
}
