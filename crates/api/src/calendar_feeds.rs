//! Calendars that programs read by a secret address.

use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, delete, get, post};
use cotyl_app::keys::short_mark;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::calendar_text::written;
use crate::extract::{Signed, SignedBody};
use crate::problem::{FeedProblems, WriteProblems};
use crate::respond::{Answer, BASE};
use crate::serve::ApiState;

/// What a calendar shows.
#[derive(Debug, Deserialize, ToSchema)]
pub struct CalendarFeedInput {
    /// Whether tasks at the member's sites that somebody is needed for are in it too.
    #[schema(example = true)]
    pub with_open_tasks: bool,
}

/// The address of a calendar.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalendarFeed {
    /// The path of the calendar below the address of this server, for calendar programs. Whoever knows
    /// it reads the calendar; it is not shown again later.
    pub path: String,
}

/// Make the address of your calendar
///
/// An address made before is void.
#[utoipa::path(
    tag = "members", operation_id = "open_calendar_feed", request_body = CalendarFeedInput,
    responses((status = 201, description = "The new address", body = CalendarFeed), WriteProblems)
)]
#[post("/me/calendar_feed")]
pub async fn open_calendar_feed(
    state: Data<ApiState>,
    signed: SignedBody<CalendarFeedInput>,
) -> Answer {
    let secret = state
        .app
        .open_calendar_feed(&signed.caller, signed.body.with_open_tasks)
        .await?;
    let path = format!("{BASE}/feeds/{secret}.ics");
    Ok(HttpResponse::Created().json(CalendarFeed { path }))
}

/// Make the address of your calendar void
#[utoipa::path(
    tag = "members", operation_id = "revoke_calendar_feed",
    responses((status = 204, description = "The address is void"), WriteProblems)
)]
#[delete("/me/calendar_feed")]
pub async fn revoke_calendar_feed(state: Data<ApiState>, Signed(caller): Signed) -> Answer {
    state.app.revoke_calendar_feed(&caller).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Read a calendar
///
/// As iCalendar (RFC 5545), without signing in: the address itself is the secret. What the member no
/// longer holds stays for 30 days as cancelled.
#[utoipa::path(
    tag = "members", operation_id = "read_calendar_feed", security(()),
    params(("secret" = String, Path, description = "The secret of the address")),
    responses((status = 200, description = "The calendar", body = String, content_type = "text/calendar"), FeedProblems)
)]
#[get("/feeds/{secret}.ics")]
pub async fn read_calendar_feed(
    request: HttpRequest,
    state: Data<ApiState>,
    secret: Path<String>,
) -> Answer {
    state.feeds.attempt(&request, &short_mark(&secret))?;
    let calendar = state.app.read_calendar_feed(&secret).await?;
    Ok(HttpResponse::Ok()
        .content_type("text/calendar; charset=utf-8")
        .body(written(&calendar)))
}
