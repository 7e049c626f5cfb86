//! Saying that a task is done.

use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, post};
use chrono::{DateTime, Utc};
use cotyl_app::batches::entry_input::ShownConductivity;
use cotyl_app::completion::Completion;
use cotyl_app::task_work::Finished;
use cotyl_domain::quantity::Volume;
use cotyl_domain::temperature::Temperature;
use serde::Deserialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::batches::wire::ConductivityInput;
use crate::extract::SignedBody;
use crate::problem::WriteProblems;
use crate::respond::{Answer, record};
use crate::serve::ApiState;
use crate::tasks::{Task, full};
use crate::work_reports::WorkReport;

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
#[utoipa::path(
    tag = "tasks", operation_id = "finish_task", request_body = CompletionInput,
    responses(
        (status = 200, description = "Done, or a part of it", body = Task),
        (status = 202, description = "Kept for a lead to settle; `conflict_detail` says why", body = WorkReport),
        WriteProblems
    )
)]
#[post("/tasks/{task_id}/completion")]
pub async fn finish_task(
    state: Data<ApiState>,
    task_id: Path<Uuid>,
    signed: SignedBody<CompletionInput>,
) -> Answer {
    let finished = state
        .app
        .finish_task(&signed.caller, *task_id, &signed.body.into())
        .await?;
    Ok(match finished {
        Finished::Counted(seen) => record(seen.task.version, &full(*seen)?),
        Finished::Kept(report) => HttpResponse::Accepted().json(WorkReport::from(*report)),
    })
}
