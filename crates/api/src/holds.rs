//! What a holder does with a task: begins it, or offers it to somebody else.

use actix_web::post;
use actix_web::web::{Data, Path};
use cotyl_app::task_holds::OfferTo;
use serde::Deserialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::alongside::AlongsideInput;
use crate::extract::{SignedBody, SignedMaybe};
use crate::problem::{Problem, WriteProblems};
use crate::respond::{Answer, record};
use crate::serve::ApiState;
use crate::tasks::{Task, full};

/// Say that you are at it
///
/// A hold that is not begun by the due time of the task comes free; one that is begun stays. With
/// `alongside`, the holds of tasks that go alongside it are begun too, all or none.
#[utoipa::path(
    tag = "tasks", operation_id = "begin_task", request_body = Option<AlongsideInput>,
    responses((status = 200, description = "Begun", body = Task), WriteProblems)
)]
#[post("/tasks/{task_id}/claims/mine/beginning")]
pub async fn begin_task(
    state: Data<ApiState>,
    task_id: Path<Uuid>,
    signed: SignedMaybe<AlongsideInput>,
) -> Answer {
    let with = &signed.body.alongside;
    let seen = state.app.begin_task(&signed.caller, *task_id, with).await?;
    Ok(record(seen.task.version, &full(seen)?))
}

/// Whom a task is offered to: one of both, or none to take an offer back.
#[derive(Debug, Deserialize, ToSchema)]
pub struct OfferInput {
    /// A member who works at the site.
    pub member_id: Option<Uuid>,
    /// The address of a member who works at the site.
    #[schema(example = "ada@example.org")]
    pub email: Option<String>,
}

/// Offer a task to somebody else
///
/// They have it once they say yes; until then it stays with the one who offers it.
#[utoipa::path(
    tag = "tasks", operation_id = "offer_task", request_body = OfferInput,
    responses((status = 200, description = "Offered, or no longer", body = Task), WriteProblems)
)]
#[post("/tasks/{task_id}/claims/mine/offer")]
pub async fn offer_task(
    state: Data<ApiState>,
    task_id: Path<Uuid>,
    signed: SignedBody<OfferInput>,
) -> Answer {
    let to = match (signed.body.member_id, signed.body.email) {
        (Some(_), Some(_)) => {
            let detail = "name the member by id or by address, not by both";
            return Err(Problem::field("/email", "both", detail));
        }
        (Some(member_id), None) => OfferTo::Member(member_id),
        (None, Some(email)) => OfferTo::Email(email.trim().to_owned()),
        (None, None) => OfferTo::Nobody,
    };
    let seen = state.app.offer_task(&signed.caller, *task_id, &to).await?;
    Ok(record(seen.task.version, &full(seen)?))
}

/// Whether an offered task is taken over.
#[derive(Debug, Deserialize, ToSchema)]
pub struct OfferAnswer {
    /// Yes or no.
    #[schema(example = true)]
    pub accept: bool,
}

/// Answer an offer of a task
///
/// The rules of claims hold: qualification, limit, no more than can be done.
#[utoipa::path(
    tag = "tasks", operation_id = "answer_task_offer", request_body = OfferAnswer,
    responses((status = 200, description = "Taken over, or left with the one who offered it", body = Task), WriteProblems)
)]
#[post("/tasks/{task_id}/offer_answer")]
pub async fn answer_task_offer(
    state: Data<ApiState>,
    task_id: Path<Uuid>,
    signed: SignedBody<OfferAnswer>,
) -> Answer {
    let seen = state
        .app
        .answer_task_offer(&signed.caller, *task_id, signed.body.accept)
        .await?;
    Ok(record(seen.task.version, &full(seen)?))
}
