//! Tasks made by hand.

use actix_web::web::{Data, Path};
use actix_web::{post, put};
use chrono::NaiveDateTime;
use cotyl_app::hand_made_tasks::HandMadeTask;
use serde::Deserialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, SignedBody};
use crate::problem::{ChangeProblems, WriteProblems};
use crate::respond::{Answer, created, record};
use crate::serve::ApiState;
use crate::tasks::{Task, full};

/// What a task made by hand is described by.
#[derive(Debug, Deserialize, ToSchema)]
pub struct TaskInput {
    /// The site. It cannot change.
    pub site_id: Uuid,
    /// The station, where it is at one.
    pub station_id: Option<Uuid>,
    /// What is to be done.
    #[schema(example = "Mend the shelf by the window")]
    pub title: String,
    /// How, and what else is to be known.
    #[serde(default)]
    #[schema(example = "Screws are in the left drawer.")]
    pub note: String,
    /// From when it can be done, by the clock of the site.
    #[serde(with = "crate::wall_time")]
    #[schema(value_type = String, example = "2030-09-10T15:00:00")]
    pub starts_at: NaiveDateTime,
    /// Until when, by the clock of the site; at most 31 days later.
    #[serde(with = "crate::wall_time")]
    #[schema(value_type = String, example = "2030-09-10T17:00:00")]
    pub ends_at: NaiveDateTime,
    /// People needed.
    #[schema(example = 1)]
    pub people: i32,
    /// Expected minutes of work, of all people together.
    #[schema(example = 30)]
    pub minutes: i32,
    /// Training needed: `concentrates` or `food_handling`.
    pub qualification: Option<String>,
}

/// Why a task is dropped.
#[derive(Debug, Deserialize, ToSchema)]
pub struct TaskDrop {
    /// In words.
    #[schema(example = "The shelf was replaced")]
    pub cause: String,
}

impl From<TaskInput> for HandMadeTask {
    fn from(input: TaskInput) -> Self {
        Self {
            site_id: input.site_id,
            station_id: input.station_id,
            title: input.title,
            note: input.note,
            starts_at: input.starts_at,
            ends_at: input.ends_at,
            people: input.people,
            minutes: input.minutes,
            qualification: input.qualification,
        }
    }
}

/// Make a task by hand
#[utoipa::path(
    tag = "tasks", operation_id = "create_task", request_body = TaskInput,
    responses((status = 201, description = "Made", body = Task), WriteProblems)
)]
#[post("/tasks")]
pub async fn create_task(state: Data<ApiState>, signed: SignedBody<TaskInput>) -> Answer {
    let seen = state
        .app
        .create_task(&signed.caller, &signed.body.into())
        .await?;
    let path = format!("/tasks/{}", seen.task.id);
    Ok(created(seen.task.version, &path, &full(seen)?))
}

/// Change a task made by hand
///
/// Claims on it stay.
#[utoipa::path(
    tag = "tasks", operation_id = "change_task", request_body = TaskInput,
    params(("If-Match" = String, Header, description = "ETag of the task as last read")),
    responses((status = 200, description = "The task now", body = Task), ChangeProblems)
)]
#[put("/tasks/{task_id}")]
pub async fn change_task(
    state: Data<ApiState>,
    task_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<TaskInput>,
) -> Answer {
    let seen = state
        .app
        .change_task(&signed.caller, *task_id, expected, &signed.body.into())
        .await?;
    Ok(record(seen.task.version, &full(seen)?))
}

/// Drop a task made by hand, or one of a recurring rule
///
/// Claims on it end.
#[utoipa::path(
    tag = "tasks", operation_id = "drop_task", request_body = TaskDrop,
    params(("If-Match" = String, Header, description = "ETag of the task as last read")),
    responses((status = 200, description = "The dropped task", body = Task), ChangeProblems)
)]
#[post("/tasks/{task_id}/drop")]
pub async fn drop_task(
    state: Data<ApiState>,
    task_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<TaskDrop>,
) -> Answer {
    let seen = state
        .app
        .drop_task(&signed.caller, *task_id, expected, &signed.body.cause)
        .await?;
    Ok(record(seen.task.version, &full(seen)?))
}
