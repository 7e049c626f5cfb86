//! Work that comes again by a rule.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, delete, get, post, put};
use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime, Utc};
use cotyl_app::records;
use cotyl_app::recurring_tasks::{ExceptionFields, ExceptionKind, PlannedTime, TimeState};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, SiteRecordsQuery, page};
use crate::problem::{ChangeProblems, Problem, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What work that comes again is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct RecurringTaskInput {
    /// The site. It cannot change.
    pub site_id: Uuid,
    /// The station, where it is at one.
    pub station_id: Option<Uuid>,
    /// What is to be done.
    #[schema(example = "Rinse the watering cans")]
    pub title: String,
    /// How, and what else is to be known.
    #[serde(default)]
    #[schema(example = "Brushes hang beside the sink.")]
    pub note: String,
    /// People needed.
    #[schema(example = 1)]
    pub people: i32,
    /// Expected minutes of work, of all people together.
    #[schema(example = 15)]
    pub minutes: i32,
    /// Training needed: `concentrates` or `food_handling`.
    pub qualification: Option<String>,
    /// The first time, by the clock of the site. The rule must meet it.
    #[serde(with = "crate::wall_time")]
    #[schema(value_type = String, example = "2026-09-10T15:00:00")]
    pub starts_at: NaiveDateTime,
    /// How long each window lasts.
    #[schema(example = 120)]
    pub window_minutes: i32,
    /// A rule of RFC 5545, by the clock of the site: `FREQ` of `HOURLY` to `YEARLY` with `INTERVAL`,
    /// `COUNT`, `UNTIL`, `WKST` and the `BY…` parts but `BYSECOND`.
    #[schema(example = "FREQ=WEEKLY;BYDAY=TH")]
    pub rule: String,
    /// What becomes of a time on a day on which a closure keeps the site closed: `skip` leaves it out,
    /// `bring_forward` takes the last open day before, `flag` keeps it and says so in the task.
    #[schema(example = "bring_forward")]
    pub on_closed_day: String,
}

/// Work that comes again.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecurringTask {
    /// The recurring task.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: RecurringTaskInput,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it has ended.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<RecurringTaskInput> for records::RecurringTaskFields {
    fn from(input: RecurringTaskInput) -> Self {
        Self {
            site_id: input.site_id,
            station_id: input.station_id,
            title: input.title,
            note: input.note,
            people: input.people,
            minutes: input.minutes,
            qualification: input.qualification,
            starts_at: input.starts_at,
            window_minutes: input.window_minutes,
            rule: input.rule,
            on_closed_day: input.on_closed_day,
        }
    }
}

impl From<records::RecurringTask> for RecurringTask {
    fn from(kept: records::RecurringTask) -> Self {
        let fields = kept.fields;
        Self {
            id: kept.id,
            fields: RecurringTaskInput {
                site_id: fields.site_id,
                station_id: fields.station_id,
                title: fields.title,
                note: fields.note,
                people: fields.people,
                minutes: fields.minutes,
                qualification: fields.qualification,
                starts_at: fields.starts_at,
                window_minutes: fields.window_minutes,
                rule: fields.rule,
                on_closed_day: fields.on_closed_day,
            },
            created_at: kept.created_at,
            updated_at: kept.updated_at,
            retired_at: kept.retired_at,
        }
    }
}

/// What is said of a single time of a rule.
#[derive(Debug, Deserialize, ToSchema)]
pub struct ExceptionInput {
    /// The time by the rule, by the clock of the site.
    #[serde(with = "crate::wall_time")]
    #[schema(value_type = String, example = "2026-09-17T15:00:00")]
    pub occurs_at: NaiveDateTime,
    /// `moved`, `left_out`, or `restored` to what the rule says.
    #[schema(example = "moved")]
    pub kind: String,
    /// The new time by the clock of the site, for `moved`.
    #[serde(default, with = "crate::wall_time::optional")]
    #[schema(value_type = Option<String>, example = "2026-09-18T15:00:00")]
    pub moved_to: Option<NaiveDateTime>,
    /// Why.
    #[schema(example = "The hall is used for a concert")]
    pub cause: String,
}

/// A single time of a rule that was moved, left out or restored.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecurringTaskException {
    /// The entry.
    pub id: Uuid,
    /// The time by the rule, by the clock of the site.
    #[serde(with = "crate::wall_time")]
    #[schema(value_type = String, example = "2026-09-17T15:00:00")]
    pub occurs_at: NaiveDateTime,
    /// `moved`, `left_out` or `restored`.
    #[schema(example = "moved")]
    pub kind: String,
    /// The new time by the clock of the site, for `moved`.
    #[serde(with = "crate::wall_time::optional")]
    #[schema(value_type = Option<String>, example = "2026-09-18T15:00:00")]
    pub moved_to: Option<NaiveDateTime>,
    /// Why.
    pub cause: String,
    /// Who said so.
    pub member_id: Uuid,
    /// When.
    pub recorded_at: DateTime<Utc>,
}

/// A time of a rule.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecurringTaskTime {
    /// By the rule and the clock of the site.
    #[serde(with = "crate::wall_time")]
    #[schema(value_type = String, example = "2026-09-17T15:00:00")]
    pub occurs_at: NaiveDateTime,
    /// `by_rule`, `moved`, `left_out`, `brought_forward`, `skipped` or `flagged`.
    #[schema(example = "by_rule")]
    pub state: &'static str,
    /// Why the site is closed, where that plays a part.
    pub closed: Option<String>,
    /// The day at the site on which its window begins.
    pub day: NaiveDate,
    /// When its window begins.
    pub opens_at: DateTime<FixedOffset>,
    /// When its window ends.
    pub due_at: DateTime<FixedOffset>,
}

/// The times of a rule.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecurringTaskTimes {
    /// In order.
    pub items: Vec<RecurringTaskTime>,
}

impl From<PlannedTime> for RecurringTaskTime {
    fn from(time: PlannedTime) -> Self {
        let (state, closed) = match time.state {
            TimeState::ByRule => ("by_rule", None),
            TimeState::Moved => ("moved", None),
            TimeState::LeftOut => ("left_out", None),
            TimeState::BroughtForward { closed } => ("brought_forward", Some(closed)),
            TimeState::Skipped { closed } => ("skipped", Some(closed)),
            TimeState::Flagged { closed } => ("flagged", Some(closed)),
        };
        Self {
            occurs_at: time.occurs_at,
            state,
            closed,
            day: time.day,
            opens_at: time.opens_at.fixed_offset(),
            due_at: time.due_at.fixed_offset(),
        }
    }
}

/// List work that comes again
#[utoipa::path(
    tag = "tasks", operation_id = "list_recurring_tasks", params(SiteRecordsQuery),
    responses((status = 200, description = "A page of recurring tasks", body = Listed<RecurringTask>), ReadProblems)
)]
#[get("/recurring_tasks")]
pub async fn list_recurring_tasks(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<SiteRecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let kept = state
        .app
        .list_recurring_tasks(&caller, query.site_id, query.with_retired, one_more(page))
        .await?;
    Ok(listed(&request, page, kept, |k| k.id, RecurringTask::from))
}

/// Describe work that comes again
///
/// Its tasks of the next 21 days are made at once, and others as the days go on.
#[utoipa::path(
    tag = "tasks", operation_id = "create_recurring_task", request_body = RecurringTaskInput,
    responses((status = 201, description = "Described", body = RecurringTask), WriteProblems)
)]
#[post("/recurring_tasks")]
pub async fn create_recurring_task(
    state: Data<ApiState>,
    signed: SignedBody<RecurringTaskInput>,
) -> Answer {
    let made = state
        .app
        .create_recurring_task(&signed.caller, &signed.body.into())
        .await?;
    let path = format!("/recurring_tasks/{}", made.id);
    Ok(created(made.version, &path, &RecurringTask::from(made)))
}

/// Read work that comes again
#[utoipa::path(
    tag = "tasks", operation_id = "read_recurring_task",
    responses((status = 200, description = "The recurring task", body = RecurringTask), ReadProblems)
)]
#[get("/recurring_tasks/{recurring_task_id}")]
pub async fn read_recurring_task(
    state: Data<ApiState>,
    Signed(caller): Signed,
    recurring_task_id: Path<Uuid>,
) -> Answer {
    let kept = state
        .app
        .read_recurring_task(&caller, *recurring_task_id)
        .await?;
    Ok(record(kept.version, &RecurringTask::from(kept)))
}

/// Change work that comes again
///
/// Tasks that are still to come move, come or go with it; those that have begun or are over stay.
#[utoipa::path(
    tag = "tasks", operation_id = "change_recurring_task", request_body = RecurringTaskInput,
    params(("If-Match" = String, Header, description = "ETag of the recurring task as last read")),
    responses((status = 200, description = "The recurring task now", body = RecurringTask), ChangeProblems)
)]
#[put("/recurring_tasks/{recurring_task_id}")]
pub async fn change_recurring_task(
    state: Data<ApiState>,
    recurring_task_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<RecurringTaskInput>,
) -> Answer {
    let kept = state
        .app
        .change_recurring_task(
            &signed.caller,
            *recurring_task_id,
            expected,
            &signed.body.into(),
        )
        .await?;
    Ok(record(kept.version, &RecurringTask::from(kept)))
}

/// End work that comes again
///
/// Its tasks that are still to come are dropped.
#[utoipa::path(
    tag = "tasks", operation_id = "retire_recurring_task",
    params(("If-Match" = String, Header, description = "ETag of the recurring task as last read")),
    responses((status = 200, description = "The ended recurring task", body = RecurringTask), ChangeProblems)
)]
#[delete("/recurring_tasks/{recurring_task_id}")]
pub async fn retire_recurring_task(
    state: Data<ApiState>,
    Signed(caller): Signed,
    recurring_task_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let kept = state
        .app
        .retire_recurring_task(&caller, *recurring_task_id, expected)
        .await?;
    Ok(record(kept.version, &RecurringTask::from(kept)))
}

/// Move a single time, or leave it out
#[utoipa::path(
    tag = "tasks", operation_id = "except_recurring_task", request_body = ExceptionInput,
    responses((status = 201, description = "Recorded", body = RecurringTaskException), WriteProblems)
)]
#[post("/recurring_tasks/{recurring_task_id}/exceptions")]
pub async fn except_recurring_task(
    state: Data<ApiState>,
    recurring_task_id: Path<Uuid>,
    signed: SignedBody<ExceptionInput>,
) -> Answer {
    let input = signed.body;
    let what = match (input.kind.as_str(), input.moved_to) {
        ("moved", Some(to)) => ExceptionKind::Moved(to),
        ("moved", None) => {
            return Err(Problem::field(
                "/moved_to",
                "missing",
                "say where it is moved to",
            ));
        }
        ("left_out" | "restored", Some(_)) => {
            return Err(Problem::field(
                "/moved_to",
                "unexpected",
                "belongs to moved only",
            ));
        }
        ("left_out", None) => ExceptionKind::LeftOut,
        ("restored", None) => ExceptionKind::Restored,
        _ => {
            return Err(Problem::field(
                "/kind",
                "unknown",
                "must be moved, left_out or restored",
            ));
        }
    };
    let fields = ExceptionFields {
        occurs_at: input.occurs_at,
        what,
        cause: input.cause,
    };
    let entry = state
        .app
        .except_recurring_task(&signed.caller, *recurring_task_id, &fields)
        .await?;
    Ok(HttpResponse::Created().json(RecurringTaskException {
        id: entry.id,
        occurs_at: entry.occurs_at,
        kind: entry.kind,
        moved_to: entry.moved_to,
        cause: entry.cause,
        member_id: entry.member_id,
        recorded_at: entry.recorded_at,
    }))
}

/// List the times for which tasks are made
///
/// Those of the next 21 days, with what became of each.
#[utoipa::path(
    tag = "tasks", operation_id = "list_recurring_task_times",
    responses((status = 200, description = "The times in order", body = RecurringTaskTimes), ReadProblems)
)]
#[get("/recurring_tasks/{recurring_task_id}/times")]
pub async fn list_recurring_task_times(
    state: Data<ApiState>,
    Signed(caller): Signed,
    recurring_task_id: Path<Uuid>,
) -> Answer {
    let times = state
        .app
        .list_recurring_task_times(&caller, *recurring_task_id)
        .await?;
    let items = times.into_iter().map(RecurringTaskTime::from).collect();
    Ok(HttpResponse::Ok().json(RecurringTaskTimes { items }))
}
