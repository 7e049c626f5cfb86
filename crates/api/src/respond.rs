//! Answers: records with their entity tag, pages with their link to the next.

use actix_web::http::header::{ETAG, LINK, LOCATION};
use actix_web::{HttpRequest, HttpResponse};
use cotyl_app::Page;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::cursor;
use crate::problem::Problem;

/// What a handler returns.
pub type Answer = Result<HttpResponse, Problem>;

/// Where the API lives.
pub const BASE: &str = "/api/v1";

/// The strong entity tag of a version.
pub fn entity_tag(version: i64) -> String {
    format!("\"v{version}\"")
}

/// 200 with a record and its tag.
pub fn record(version: i64, body: &impl Serialize) -> HttpResponse {
    HttpResponse::Ok()
        .insert_header((ETAG, entity_tag(version)))
        .json(body)
}

/// 201 with a new record, its tag and its address, such as `/sites/…` under the base.
pub fn created(version: i64, path: &str, body: &impl Serialize) -> HttpResponse {
    HttpResponse::Created()
        .insert_header((ETAG, entity_tag(version)))
        .insert_header((LOCATION, format!("{BASE}{path}")))
        .json(body)
}

/// One page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct Listed<T> {
    /// The records, in stable order.
    pub items: Vec<T>,
    /// Cursor of the next page; `null` on the last one. Send it as `after`.
    pub next: Option<String>,
}

/// The page to ask the application for: one record more than is shown tells whether there is a next page.
pub fn one_more(page: Page) -> Page {
    Page {
        limit: page.limit + 1,
        ..page
    }
}

/// 200 with a page of records in the order of their ids.
pub fn listed<R, T: Serialize>(
    request: &HttpRequest,
    page: Page,
    records: Vec<R>,
    id: impl Fn(&R) -> Uuid,
    wire: impl Fn(R) -> T,
) -> HttpResponse {
    listed_by(request, page.limit, records, |r| cursor(id(r)), wire)
}

/// 200 with a page and, in `Link`, the address of the next one (RFC 8288); `cursor` continues after
/// a record.
pub fn listed_by<R, T: Serialize>(
    request: &HttpRequest,
    limit: i64,
    mut records: Vec<R>,
    cursor: impl Fn(&R) -> String,
    wire: impl Fn(R) -> T,
) -> HttpResponse {
    let limit = usize::try_from(limit).unwrap_or(usize::MAX);
    let next = (records.len() > limit)
        .then(|| records.get(limit - 1).map(cursor))
        .flatten();
    records.truncate(limit);
    let mut response = HttpResponse::Ok();
    if let Some(next) = &next {
        let kept: Vec<&str> = request
            .query_string()
            .split('&')
            .filter(|pair| !pair.is_empty() && !pair.starts_with("after="))
            .collect();
        let mut query = kept.join("&");
        if !query.is_empty() {
            query.push('&');
        }
        let link = format!("<{}?{query}after={next}>; rel=\"next\"", request.path());
        response.insert_header((LINK, link));
    }
    response.json(Listed {
        items: records.into_iter().map(wire).collect(),
        next,
    })
}
