//! For whoever runs the server: is it alive, is it ready, what does it count.

use actix_web::web::Data;
use actix_web::{HttpResponse, get};

use crate::serve::ApiState;

/// Alive: the process answers.
#[get("/healthz")]
pub async fn healthz() -> HttpResponse {
    HttpResponse::Ok().content_type("text/plain").body("ok\n")
}

/// Ready: the database answers too.
#[get("/readyz")]
pub async fn readyz(state: Data<ApiState>) -> HttpResponse {
    match state.app.store().ping().await {
        Ok(()) => HttpResponse::Ok()
            .content_type("text/plain")
            .body("ready\n"),
        Err(cause) => {
            tracing::warn!(%cause, "not ready");
            HttpResponse::ServiceUnavailable()
                .content_type("text/plain")
                .body("the database does not answer\n")
        }
    }
}

/// Counters and durations in the Prometheus text format.
#[get("/metrics")]
pub async fn metrics(state: Data<ApiState>) -> HttpResponse {
    ::metrics::gauge!("cotyl_database_connections")
        .set(f64::from(state.app.store().open_connections()));
    let body = state
        .metrics
        .as_ref()
        .map(metrics_exporter_prometheus::PrometheusHandle::render)
        .unwrap_or_default();
    HttpResponse::Ok()
        .content_type("text/plain; version=0.0.4")
        .body(body)
}
