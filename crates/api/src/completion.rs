//! Saying that a task is done.

use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, post};
use chrono::{DateTime, Utc};
use cotyl_app::batches::entry_input::ShownConductivity;
use cotyl_app::completion::Completion;
use cotyl_app::finish_together::{DoneAlong, FinishedTogether};
use cotyl_app::records;
use cotyl_app::task_work::Finished;
use cotyl_app::tasks::TaskForMember;
use cotyl_domain::quantity::Volume;
use cotyl_domain::temperature::Temperature;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::batches::wire::ConductivityInput;
use crate::extract::SignedBody;
use crate::problem::{Problem, WriteProblems};
use crate::respond::{Answer, record};
use crate::serve::ApiState;
use crate::tasks::{Task, full};
use crate::work_reports::WorkReport;

/// A task that was done along with another.
#[derive(Debug, Deserialize, ToSchema)]
pub struct DoneAlongInput {
    /// The task.
    pub task_id: Uuid,
    /// The report about it, a UUID of version 7 made by the client; sent again it has one effect.
    pub id: Option<Uuid>,
    /// Containers in which seedlings stand; needed for the check of germination.
    pub sprouted_containers: Option<i32>,
}

impl From<&DoneAlongInput> for DoneAlong {
    fn from(input: &DoneAlongInput) -> Self {
        Self {
            task_id: input.task_id,
            id: input.id,
            sprouted_containers: input.sprouted_containers,
        }
    }
}

/// A task that is done, or a part of it, with those that were done along with it.
#[derive(Debug, Serialize, ToSchema)]
pub struct FinishedTask {
    /// The task.
    #[serde(flatten)]
    pub task: Task,
    /// Those that were done along with it, in the order of their ids.
    pub done_along: Vec<Task>,
}

/// A report that is kept, with those about the tasks that were done along.
#[derive(Debug, Serialize, ToSchema)]
pub struct KeptReport {
    /// The report.
    #[serde(flatten)]
    pub report: WorkReport,
    /// Those about the tasks that were done along, in the order of the ids of the tasks.
    pub done_along: Vec<WorkReport>,
}

/// What was done.
#[derive(Debug, Deserialize, ToSchema)]
pub struct CompletionInput {
    /// The report, a UUID of version 7 made by the client; sent again it has one effect.
    pub id: Option<Uuid>,
    /// When, by the clock of the one who did it: within the last 7 days; now when left out.
    #[schema(example = "2026-09-07T12:00:00Z")]
    pub done_at: Option<DateTime<Utc>>,
    /// Whether only a part was done: it is kept, the task stays to be done with what is left, and the place
    /// comes free.
    #[serde(default)]
    pub partial: bool,
    /// Minutes that each who did it really took: they count in place of the expected ones. Of several tasks
    /// those of all together, which are divided by what was expected of each, none lost and none counted
    /// twice. Not of a part, which counts by its containers.
    #[schema(minimum = 0, maximum = 1440)]
    pub minutes: Option<i32>,
    /// Tasks that go alongside it and were done along with it, at most 49: for work that needs nothing but
    /// that it was done, or a count of each. Time, note and picture are those of all.
    #[serde(default)]
    pub alongside: Vec<DoneAlongInput>,
    /// Containers really done: for sowing, when they differ from what was planned; of a part, those of it.
    pub containers: Option<i32>,
    /// Containers in which seedlings stand; needed for the check of germination.
    pub sprouted_containers: Option<i32>,
    /// Of measuring, 0 to 14: becomes a reading, with the other figures.
    pub ph: Option<f64>,
    /// Of measuring.
    pub conductivity: Option<ConductivityInput>,
    /// Of measuring, 0 to 60 °C.
    pub temperature: Option<Temperature>,
    /// Of topping up: what went in, in all; nothing where nothing was needed.
    pub volume: Option<Volume>,
    /// Of topping up: from this batch, in which it is entered as used. Of mixing and adjusting: this batch.
    pub batch_id: Option<Uuid>,
    /// Of topping up: what went in was plain water, of no batch; the levels are reckoned with it.
    #[serde(default)]
    pub plain_water: bool,
    /// Of topping up: it was poured already, though past the limit to which the containers may be filled;
    /// the note says why.
    #[serde(default)]
    pub past_limit_accepted: bool,
    /// Of adjusting: the dose or reading of the batch that shows it.
    pub batch_entry_id: Option<Uuid>,
    /// Of counting: the stock-taking.
    pub stock_count_id: Option<Uuid>,
    /// Of packing and delivering: the delivery.
    pub delivery_id: Option<Uuid>,
    /// Anything worth knowing, at most 300 characters.
    #[serde(default)]
    pub note: String,
    /// Where a picture of it is kept, in words of the client.
    pub photo_reference: Option<String>,
}

impl From<CompletionInput> for Completion {
    fn from(input: CompletionInput) -> Self {
        Self {
            id: input.id,
            done_at: input.done_at,
            heard_at: None,
            partial: input.partial,
            minutes: input.minutes,
            containers: input.containers,
            of_containers: None,
            sprouted_containers: input.sprouted_containers,
            ph: input.ph,
            conductivity: input.conductivity.map(|shown| ShownConductivity {
                value: shown.value,
                scale: shown.scale,
                is_compensated: shown.compensated,
            }),
            temperature: input.temperature,
            volume: input.volume,
            batch_id: input.batch_id,
            plain_water: input.plain_water,
            past_limit_accepted: input.past_limit_accepted,
            batch_entry_id: input.batch_entry_id,
            stock_count_id: input.stock_count_id,
            delivery_id: input.delivery_id,
            reading_id: None,
            note: input.note,
            photo_reference: input.photo_reference,
        }
    }
}

/// Say that a task is done, or a part of it
///
/// Takes its sowing on. A cut is weighed first: its weights are recorded as cuts. A report with its own
/// `id` or `done_at` may come late, from a phone without signal: where something stands against it by then
/// (somebody else finished the task, it was dropped or missed, the hold is gone), it is kept and answered
/// with 202, and a lead settles it: accepted, what it tells is entered as of `done_at`. Others are refused with 409. Sent again, a report has one effect.
///
/// With `alongside`, tasks that go alongside it are done along with it, at the same instant, all or none: where
/// one stands in the way, `errors` names it, and of a report that may come late all of it is kept. Work with
/// figures of its own, such as cuts that are weighed and levels that are poured, is finished singly.
#[utoipa::path(
    tag = "tasks", operation_id = "finish_task", request_body = CompletionInput,
    responses(
        (status = 200, description = "Done, or a part of it", body = FinishedTask),
        (status = 202, description = "Kept for a lead to settle; `conflict_detail` says why", body = KeptReport),
        WriteProblems
    )
)]
#[post("/tasks/{task_id}/completion")]
pub async fn finish_task(
    state: Data<ApiState>,
    task_id: Path<Uuid>,
    signed: SignedBody<CompletionInput>,
) -> Answer {
    let along: Vec<DoneAlong> = signed.body.alongside.iter().map(Into::into).collect();
    let completion = Completion::from(signed.body);
    let (app, caller) = (&state.app, &signed.caller);
    if along.is_empty() {
        return match app.finish_task(caller, *task_id, &completion).await? {
            Finished::Counted(seen) => done(*seen, Vec::new()),
            Finished::Kept(report) => Ok(kept(*report, Vec::new())),
        };
    }
    let finished = app.finish_tasks(caller, *task_id, &completion, &along);
    match finished.await? {
        FinishedTogether::Counted(seen) => {
            let (own, others) = first(seen)?;
            done(own, others)
        }
        FinishedTogether::Kept(reports) => {
            let (own, others) = first(reports)?;
            Ok(kept(own, others))
        }
    }
}

fn first<T>(all: Vec<T>) -> Result<(T, Vec<T>), Problem> {
    let mut all = all.into_iter();
    let own = all
        .next()
        .ok_or_else(|| cotyl_app::Error::internal("no task was finished"))?;
    Ok((own, all.collect()))
}

fn done(own: TaskForMember, others: Vec<TaskForMember>) -> Answer {
    let version = own.task.version;
    let body = FinishedTask {
        task: full(own)?,
        done_along: others.into_iter().map(full).collect::<Result<_, _>>()?,
    };
    Ok(record(version, &body))
}

fn kept(own: records::WorkReport, others: Vec<records::WorkReport>) -> HttpResponse {
    HttpResponse::Accepted().json(KeptReport {
        report: own.into(),
        done_along: others.into_iter().map(Into::into).collect(),
    })
}
