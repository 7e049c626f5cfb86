//! The log of requests: one span with its id, and one line at the end.

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::{Error, HttpMessage};
use tracing::Span;
use tracing_actix_web::{RequestId, RootSpanBuilder};

/// Opens a span for each request. Bodies and headers are never logged, nor query strings and the secrets
/// of feeds.
pub struct RequestLog;

impl RootSpanBuilder for RequestLog {
    fn on_request_start(request: &ServiceRequest) -> Span {
        let id = request.extensions().get::<RequestId>().copied();
        // at the level of errors, so that every line of a request carries its id
        tracing::error_span!(
            "request",
            id = id.map(tracing::field::display),
            method = %request.method(),
            path = without_secret(request.path()),
        )
    }

    fn on_request_end<B: MessageBody>(_: Span, outcome: &Result<ServiceResponse<B>, Error>) {
        let status = match outcome {
            Ok(response) => response.status(),
            Err(error) => error.as_response_error().status_code(),
        };
        tracing::debug!(status = status.as_u16(), "answered");
    }
}

/// The path, cut where the secret of a feed begins.
fn without_secret(path: &str) -> &str {
    const FEEDS: &str = "/feeds/";
    path.find(FEEDS)
        .and_then(|at| path.get(..at + FEEDS.len()))
        .unwrap_or(path)
}
