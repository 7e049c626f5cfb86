//! Sowing plans.

use std::time::Duration;

use actix_web::http::header::{ContentEncoding, LOCATION};
use actix_web::web::{Bytes, Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use cotyl_app::{Caller, records};
use uuid::Uuid;

use crate::extract::{PageQuery, Signed, SignedBody, page};
use crate::problem::{Problem, ReadProblems, WriteProblems};
use crate::respond::{Answer, BASE, Listed, listed, one_more, record};
use crate::serve::ApiState;

mod picture;
mod wire;

use wire::{
    AdoptionInput, ComparisonQuery, Plan, PlanComparison, PlanExplanation, PlanHead, PlanInput,
};

/// Pause between two looks at a plan that is followed.
const FOLLOW_EVERY: Duration = Duration::from_millis(500);

/// List plans
#[utoipa::path(
    tag = "plans", operation_id = "list_plans", params(PageQuery),
    responses((status = 200, description = "A page of plans, without their sowings", body = Listed<PlanHead>), ReadProblems)
)]
#[get("/plans")]
pub async fn list_plans(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<PageQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let plans = state.app.list_plans(&caller, one_more(page)).await?;
    Ok(listed(
        &request,
        page,
        plans,
        |plan| plan.id,
        PlanHead::from,
    ))
}

/// Ask for a plan
///
/// The plan waits for a worker; read or follow it until its `status` is `solved`.
#[utoipa::path(
    tag = "plans", operation_id = "request_plan", request_body = PlanInput,
    responses((status = 202, description = "Asked for; its address is in `Location`", body = PlanHead), WriteProblems)
)]
#[post("/plans")]
pub async fn request_plan(state: Data<ApiState>, signed: SignedBody<PlanInput>) -> Answer {
    let fields = signed.body.try_into()?;
    let plan = state.app.request_plan(&signed.caller, &fields).await?;
    Ok(HttpResponse::Accepted()
        .insert_header((LOCATION, format!("{BASE}/plans/{}", plan.id)))
        .json(PlanHead::from(plan)))
}

/// Compare two solved plans
#[utoipa::path(
    tag = "plans", operation_id = "compare_plans", params(ComparisonQuery),
    responses(
        (status = 200, description = "How the second differs from the first", body = PlanComparison),
        (status = 409, description = "One of them is not solved", body = Problem, content_type = "application/problem+json"),
        ReadProblems
    )
)]
#[get("/plans/comparisons")]
pub async fn compare_plans(
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<ComparisonQuery>,
) -> Answer {
    let found = state
        .app
        .compare_plans(&caller, query.first, query.second)
        .await?;
    Ok(HttpResponse::Ok().json(PlanComparison::from(found)))
}

/// Read a plan
#[utoipa::path(
    tag = "plans", operation_id = "read_plan",
    responses((status = 200, description = "The plan", body = Plan), ReadProblems)
)]
#[get("/plans/{plan_id}")]
pub async fn read_plan(
    state: Data<ApiState>,
    Signed(caller): Signed,
    plan_id: Path<Uuid>,
) -> Answer {
    let view = state.app.read_plan(&caller, *plan_id).await?;
    let version = view.plan.version;
    let plan = Plan {
        head: view.plan.into(),
        stale: !view.changed_inputs.is_empty(),
        changed_inputs: view.changed_inputs,
        result: view.answer.map(Into::into),
    };
    Ok(record(version, &plan))
}

/// Stop the solving of a plan
#[utoipa::path(
    tag = "plans", operation_id = "cancel_plan",
    responses((status = 200, description = "The plan; a worker that holds it stops soon", body = PlanHead), WriteProblems)
)]
#[post("/plans/{plan_id}/cancellation")]
pub async fn cancel_plan(
    state: Data<ApiState>,
    Signed(caller): Signed,
    plan_id: Path<Uuid>,
) -> Answer {
    let plan = state.app.cancel_plan(&caller, *plan_id).await?;
    Ok(record(plan.version, &PlanHead::from(plan)))
}

/// Follow a plan while it is solved
///
/// Server-sent events: `progress` with the plan as JSON whenever it changes, then `end` with it once
/// more when its `status` is `solved`, `failed` or `cancelled`.
#[utoipa::path(
    tag = "plans", operation_id = "follow_plan",
    responses((status = 200, description = "Events until the solving ends", body = String, content_type = "text/event-stream"), ReadProblems)
)]
#[get("/plans/{plan_id}/events")]
pub async fn follow_plan(
    state: Data<ApiState>,
    Signed(caller): Signed,
    plan_id: Path<Uuid>,
) -> Answer {
    // the first look decides whether the plan may be followed at all
    let plan = state.app.follow_plan(&caller, *plan_id).await?;
    let follow = Follow {
        state,
        caller,
        plan_id: *plan_id,
        ready: Some(plan),
        told: String::new(),
        ended: false,
    };
    Ok(HttpResponse::Ok()
        .insert_header(ContentEncoding::Identity)
        .content_type("text/event-stream")
        .streaming(futures::stream::unfold(follow, Follow::next)))
}

struct Follow {
    state: Data<ApiState>,
    caller: Caller,
    plan_id: Uuid,
    ready: Option<records::Plan>,
    told: String,
    ended: bool,
}

impl Follow {
    /// The next event; none after the end, or when the plan can no longer be read.
    async fn next(mut self) -> Option<(Result<Bytes, actix_web::Error>, Self)> {
        if self.ended {
            return None;
        }
        loop {
            let plan = match self.ready.take() {
                Some(plan) => plan,
                None => {
                    tokio::time::sleep(FOLLOW_EVERY).await;
                    self.state
                        .app
                        .follow_plan(&self.caller, self.plan_id)
                        .await
                        .ok()?
                }
            };
            self.ended = !matches!(plan.solving.as_str(), "waiting" | "solving");
            let data = serde_json::to_string(&PlanHead::from(plan)).ok()?;
            if self.ended || data != self.told {
                let event = if self.ended { "end" } else { "progress" };
                let text = format!("event: {event}\ndata: {data}\n\n");
                self.told = data;
                return Some((Ok(Bytes::from(text)), self));
            }
        }
    }
}

/// Explain what a plan leaves short
#[utoipa::path(
    tag = "plans", operation_id = "explain_plan",
    responses(
        (status = 200, description = "A reason for every weekly pledge that is short", body = PlanExplanation),
        (status = 409, description = "The plan is not solved", body = Problem, content_type = "application/problem+json"),
        ReadProblems
    )
)]
#[get("/plans/{plan_id}/explanation")]
pub async fn explain_plan(
    state: Data<ApiState>,
    Signed(caller): Signed,
    plan_id: Path<Uuid>,
) -> Answer {
    let short = state.app.explain_plan(&caller, *plan_id).await?;
    let summary = if short.is_empty() {
        "No pledge of any week is expected to be short.".to_owned()
    } else {
        let impossible = short.iter().filter(|cell| cell.ways == 0).count();
        format!(
            "{} weekly pledges are expected to be short; {impossible} of them nothing sown from then on could meet.",
            short.len()
        )
    };
    Ok(HttpResponse::Ok().json(PlanExplanation {
        summary,
        short: short.into_iter().map(Into::into).collect(),
    }))
}

/// Draw a solved plan
///
/// Stations by days with their sowings and cuts; below, every pledge by weeks: pledged, expected, the
/// 80 % band of seasons and the chance that it is met. For the screen and for print.
#[utoipa::path(
    tag = "plans", operation_id = "draw_plan",
    responses(
        (status = 200, description = "The picture (SVG 1.1)", body = String, content_type = "image/svg+xml"),
        (status = 409, description = "The plan is not solved", body = Problem, content_type = "application/problem+json"),
        ReadProblems
    )
)]
#[get("/plans/{plan_id}/picture")]
pub async fn draw_plan(
    state: Data<ApiState>,
    Signed(caller): Signed,
    plan_id: Path<Uuid>,
) -> Answer {
    let (plan, season, answer) = state.app.draw_plan(&caller, *plan_id).await?;
    Ok(HttpResponse::Ok()
        .content_type("image/svg+xml")
        .body(picture::picture(&plan, &season, &answer)))
}

/// Adopt a solved plan
///
/// The plan in force is superseded: its sowings that were not sown and are not in this plan are given
/// up. The sowings of this plan are written with their tasks.
#[utoipa::path(
    tag = "plans", operation_id = "adopt_plan", request_body = AdoptionInput,
    responses((status = 200, description = "The plan, in force", body = PlanHead), WriteProblems)
)]
#[post("/plans/{plan_id}/adoption")]
pub async fn adopt_plan(
    state: Data<ApiState>,
    plan_id: Path<Uuid>,
    signed: SignedBody<AdoptionInput>,
) -> Answer {
    let accept = signed.body.accept_changed_inputs;
    let plan = state
        .app
        .adopt_plan(&signed.caller, *plan_id, accept)
        .await?;
    Ok(record(plan.version, &PlanHead::from(plan)))
}

/// Take a plan back
///
/// Of a plan in force, sowings that were not sown are given up.
#[utoipa::path(
    tag = "plans", operation_id = "withdraw_plan",
    responses((status = 200, description = "The withdrawn plan", body = PlanHead), WriteProblems)
)]
#[post("/plans/{plan_id}/withdrawal")]
pub async fn withdraw_plan(
    state: Data<ApiState>,
    Signed(caller): Signed,
    plan_id: Path<Uuid>,
) -> Answer {
    let plan = state.app.withdraw_plan(&caller, *plan_id).await?;
    Ok(record(plan.version, &PlanHead::from(plan)))
}
