//! What members reported of tasks.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, get, post};
use chrono::{DateTime, Utc};
use cotyl_app::late_work::Settlement;
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems};
use crate::respond::{Answer, Listed, listed, one_more, record};
use crate::serve::ApiState;

/// What a member reported of a task.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WorkReport {
    /// The report.
    pub id: Uuid,
    /// The site.
    pub site_id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// Who did it.
    pub member_id: Uuid,
    /// When, by their clock.
    pub done_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Whether it finishes the task or does a part of it.
    pub whole: bool,
    /// What was done, in the fields of the report; once entered, with the ids of the entries made of it.
    pub outcome: Value,
    /// `counted`, `waiting`, `accepted` or `set_aside`.
    #[schema(example = "waiting")]
    pub state: String,
    /// What stood against it: the last part of a problem type.
    #[schema(example = "wrong-state")]
    pub conflict: Option<String>,
    /// The same in words.
    pub conflict_detail: Option<String>,
    /// Who settled it.
    pub settled_by: Option<Uuid>,
    /// When.
    pub settled_at: Option<DateTime<Utc>>,
    /// Why it was settled so.
    pub reason: Option<String>,
    /// Whether what it tells stands in the records: it counted at once, or was accepted with its work.
    pub entered: bool,
}

impl From<records::WorkReport> for WorkReport {
    fn from(report: records::WorkReport) -> Self {
        Self {
            id: report.id,
            site_id: report.site_id,
            task_id: report.task_id,
            member_id: report.member_id,
            done_at: report.done_at,
            recorded_at: report.recorded_at,
            whole: report.whole,
            outcome: report.outcome,
            state: report.state,
            conflict: report.conflict,
            conflict_detail: report.conflict_detail,
            settled_by: report.settled_by,
            settled_at: report.settled_at,
            reason: report.reason,
            entered: report.entered,
        }
    }
}

/// Which reports are listed.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct WorkReportsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this site only.
    pub site_id: Option<Uuid>,
    /// Of this task only.
    pub task_id: Option<Uuid>,
    /// In this state only: `counted`, `waiting`, `accepted` or `set_aside`.
    pub state: Option<String>,
}

/// List reports of work
///
/// Coordinators see all, leads those of their sites, volunteers their own.
#[utoipa::path(
    tag = "tasks", operation_id = "list_work_reports", params(WorkReportsQuery),
    responses((status = 200, description = "A page of reports", body = Listed<WorkReport>), ReadProblems)
)]
#[get("/work_reports")]
pub async fn list_work_reports(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<WorkReportsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let found = state
        .app
        .list_work_reports(
            &caller,
            query.site_id,
            query.task_id,
            query.state.as_deref(),
            one_more(page),
        )
        .await?;
    Ok(listed(&request, page, found, |r| r.id, WorkReport::from))
}

/// Read a report of work
#[utoipa::path(
    tag = "tasks", operation_id = "read_work_report",
    responses((status = 200, description = "The report", body = WorkReport), ReadProblems)
)]
#[get("/work_reports/{work_report_id}")]
pub async fn read_work_report(
    state: Data<ApiState>,
    Signed(caller): Signed,
    work_report_id: Path<Uuid>,
) -> Answer {
    let found = state.app.read_work_report(&caller, *work_report_id).await?;
    Ok(record(found.version, &WorkReport::from(found)))
}

/// What becomes of a report that waits.
#[derive(Debug, Deserialize, ToSchema)]
pub struct SettlementInput {
    /// Whether it counts as work of the member, and what it tells is entered; otherwise it is set aside.
    #[schema(example = true)]
    pub accept: bool,
    /// Of accepting: only its minutes count, and nothing of what it tells is entered.
    #[serde(default)]
    pub minutes_only: bool,
    /// Of accepting: what was poured past the limit to which the containers may be filled is entered all the
    /// same; the reason says why.
    #[serde(default)]
    pub past_limit_accepted: bool,
    /// Why; needed to set it aside and to accept past a limit. At most 300 characters.
    #[serde(default)]
    pub reason: String,
}

/// Settle a report that waits
///
/// Accepted, it has the effects of a report in time, dated when the work was done and under the same rules:
/// what was poured leaves its batch, readings are kept, the sowing goes on, and a task that was to be done or
/// was missed is done. One that is done or dropped stays so, and the work counts besides. What can no longer be
/// entered is refused as `not-entered`, with what stands against it; nothing is entered then. With
/// `minutes_only` its minutes count alone. Set aside, it stays on record with the reason. Settled once.
#[utoipa::path(
    tag = "tasks", operation_id = "settle_work_report", request_body = SettlementInput,
    params(("If-Match" = String, Header, description = "ETag of the report as last read")),
    responses((status = 200, description = "The report now", body = WorkReport), ChangeProblems)
)]
#[post("/work_reports/{work_report_id}/settlement")]
pub async fn settle_work_report(
    state: Data<ApiState>,
    work_report_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<SettlementInput>,
) -> Answer {
    let settled = state
        .app
        .settle_work_report(
            &signed.caller,
            *work_report_id,
            expected,
            &Settlement {
                accept: signed.body.accept,
                minutes_only: signed.body.minutes_only,
                past_limit_accepted: signed.body.past_limit_accepted,
                reason: signed.body.reason,
            },
        )
        .await?;
    Ok(record(settled.version, &WorkReport::from(settled)))
}
