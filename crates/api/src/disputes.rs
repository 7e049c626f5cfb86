//! Disputes of deliveries.

use actix_web::post;
use actix_web::web::{Data, Path};
use chrono::{DateTime, Utc};
use cotyl_app::deliveries::{
    AnswerFields, DeliveryDetail as AppDeliveryDetail, DisputeFields, LineWeight,
};
use cotyl_domain::quantity::Mass;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::deliveries::{DeliveryDetail, made};
use crate::extract::SignedBody;
use crate::problem::WriteProblems;
use crate::respond::Answer;
use crate::serve::ApiState;

/// The weight of one line.
#[derive(Debug, Deserialize, ToSchema)]
pub struct LineWeightInput {
    /// The line.
    pub line_id: Uuid,
    /// Its weight; nothing for a tray that did not come.
    pub weight: Mass,
}

/// What the recipient disputes.
#[derive(Debug, Deserialize, ToSchema)]
pub struct DisputeInput {
    /// Why.
    #[schema(example = "The second tray weighed less on our scale")]
    pub reason: String,
    /// What was found of lines; left out where the trouble is none of weight.
    #[serde(default)]
    pub lines: Vec<LineWeightInput>,
}

/// The answer to a dispute.
#[derive(Debug, Deserialize, ToSchema)]
pub struct DisputeAnswerInput {
    /// What the co-operative says; the reason of the corrections, or why there are none.
    #[schema(example = "Weighed again with your scale, thank you")]
    pub statement: String,
    /// Lines with their weight as it should have been. Each is corrected by an entry that names the
    /// dispute; without any the dispute is rejected.
    #[serde(default)]
    pub corrections: Vec<LineWeightInput>,
}

/// What was found of a line.
#[derive(Debug, Serialize, ToSchema)]
pub struct FoundWeight {
    /// The line.
    pub line_id: Uuid,
    /// Its weight on the recipient's scale.
    pub weight: Mass,
}

/// A dispute; open until it is answered.
#[derive(Debug, Serialize, ToSchema)]
pub struct Dispute {
    /// The dispute.
    pub id: Uuid,
    /// Why.
    pub reason: String,
    /// What was found of lines.
    pub found: Vec<FoundWeight>,
    /// The reader who disputes.
    pub member_id: Uuid,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Whether nobody has answered yet.
    pub is_open: bool,
    /// `corrected` or `rejected`; `null` while it is open.
    #[schema(example = "corrected")]
    pub outcome: Option<String>,
    /// What the co-operative says to it.
    pub statement: Option<String>,
    /// Who answered.
    pub answered_by: Option<Uuid>,
    /// When the server heard of the answer.
    pub answered_at: Option<DateTime<Utc>>,
}

/// Disputes of a delivery with what was found.
pub(crate) fn disputes(detail: &AppDeliveryDetail) -> Vec<Dispute> {
    let wire = |dispute: &cotyl_app::records::Dispute| Dispute {
        id: dispute.id,
        reason: dispute.reason.clone(),
        found: detail
            .found
            .iter()
            .filter(|line| line.dispute_id == dispute.id)
            .map(|line| FoundWeight {
                line_id: line.delivery_line_id,
                weight: Mass::of_milligrams(line.found_milligrams),
            })
            .collect(),
        member_id: dispute.member_id,
        recorded_at: dispute.recorded_at,
        is_open: dispute.outcome.is_none(),
        outcome: dispute.outcome.clone(),
        statement: dispute.statement.clone(),
        answered_by: dispute.answered_by,
        answered_at: dispute.answered_at,
    };
    detail.disputes.iter().map(wire).collect()
}

fn weights(lines: Vec<LineWeightInput>) -> Vec<LineWeight> {
    lines
        .into_iter()
        .map(|line| LineWeight {
            line_id: line.line_id,
            milligrams: line.weight.milligrams(),
        })
        .collect()
}

/// Dispute a delivery
///
/// For readers of the recipient, once it was handed over, before or after the confirmation. One dispute is
/// open at a time; while it is, the delivery cannot be confirmed.
#[utoipa::path(
    tag = "deliveries", operation_id = "dispute_delivery", request_body = DisputeInput,
    responses((status = 201, description = "The delivery with the dispute", body = DeliveryDetail), WriteProblems)
)]
#[post("/deliveries/{delivery_id}/disputes")]
pub async fn dispute_delivery(
    state: Data<ApiState>,
    delivery_id: Path<Uuid>,
    signed: SignedBody<DisputeInput>,
) -> Answer {
    let fields = DisputeFields {
        reason: signed.body.reason,
        lines: weights(signed.body.lines),
    };
    let detail = state
        .app
        .dispute_delivery(&signed.caller, *delivery_id, &fields)
        .await?;
    Ok(made(detail))
}

/// Answer a dispute
///
/// With corrections of lines, or with a statement alone, which rejects it.
#[utoipa::path(
    tag = "deliveries", operation_id = "answer_dispute", request_body = DisputeAnswerInput,
    responses((status = 201, description = "The delivery with the answer", body = DeliveryDetail), WriteProblems)
)]
#[post("/deliveries/{delivery_id}/disputes/{dispute_id}/answer")]
pub async fn answer_dispute(
    state: Data<ApiState>,
    ids: Path<(Uuid, Uuid)>,
    signed: SignedBody<DisputeAnswerInput>,
) -> Answer {
    let (delivery_id, dispute_id) = *ids;
    let fields = AnswerFields {
        statement: signed.body.statement,
        corrections: weights(signed.body.corrections),
    };
    let detail = state
        .app
        .answer_dispute(&signed.caller, delivery_id, dispute_id, &fields)
        .await?;
    Ok(made(detail))
}
