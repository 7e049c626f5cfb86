//! Deliveries.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::deliveries::{
    DeliveriesWanted, DeliveryDetail as AppDeliveryDetail, DeliveryFields, HandOverFields,
    LineFields, WithheldBy,
};
use cotyl_app::records;
use cotyl_domain::DeliveryState;
use cotyl_domain::food_safety::at_delivery;
use cotyl_domain::quantity::Mass;
use cotyl_domain::temperature::Temperature;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::cuts::Caution;
use crate::disputes::{Dispute, disputes};
use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// A delivery to be packed.
#[derive(Debug, Deserialize, ToSchema)]
pub struct DeliveryInput {
    /// Where it is packed.
    pub site_id: Uuid,
    /// Who receives it.
    pub recipient_id: Uuid,
    /// The day at the site; today when left out. Not in the future or more than 7 days ago, and not before a
    /// tray in it was cut.
    #[schema(example = "2026-10-14")]
    pub packed_on: Option<NaiveDate>,
    /// What is in it so far, at most 200 lines; may be empty.
    pub lines: Vec<DeliveryLineInput>,
}

/// A weight out of one cut. A coordinator may pack cuts of any site together; leads and volunteers
/// those of their own sites.
#[derive(Debug, Deserialize, ToSchema)]
pub struct DeliveryLineInput {
    /// Where the produce comes from.
    pub cut_id: Uuid,
    /// Its weight; all lines of a cut together never more than was cut.
    pub weight: Mass,
}

/// A hand-over.
#[derive(Debug, Deserialize, ToSchema)]
pub struct HandOverInput {
    /// Who took it at the recipient.
    #[schema(example = "R. Okafor")]
    pub received_by: String,
    /// When; now when left out. At most 7 days back and 5 minutes ahead.
    pub at: Option<DateTime<Utc>>,
    /// Temperature of the produce, where it was measured.
    pub temperature: Option<Temperature>,
}

/// A confirmation by the recipient.
#[derive(Debug, Deserialize, ToSchema)]
pub struct ConfirmationInput {
    /// Anything worth saying about what came.
    #[serde(default)]
    #[schema(example = "All well, thank you")]
    pub remark: String,
}

/// A correction of one line.
#[derive(Debug, Deserialize, ToSchema)]
pub struct DeliveryCorrectionInput {
    /// The line.
    pub line_id: Uuid,
    /// The weight as it should have been.
    pub weight: Mass,
    /// Why.
    #[schema(example = "The pantry's scale showed less")]
    pub reason: String,
}

/// Why a delivery is withdrawn.
#[derive(Debug, Deserialize, ToSchema)]
pub struct DeliveryWithdrawalInput {
    /// Why; 1 to 300 characters. It is the reason of the amendments of its lines, too, and readers of the recipient see
    /// it.
    #[schema(example = "Packed for the wrong recipient")]
    pub reason: String,
}

/// A delivery as it stands now.
#[derive(Debug, Serialize, ToSchema)]
pub struct Delivery {
    /// The delivery.
    pub id: Uuid,
    /// Where it was packed.
    pub site_id: Uuid,
    /// Name of the site.
    pub site_name: String,
    /// Who receives it.
    pub recipient_id: Uuid,
    /// Name of the recipient.
    pub recipient_name: String,
    /// Where it stands.
    #[schema(value_type = DeliveryState)]
    pub state: String,
    /// The day of packing at the site.
    pub packed_on: NaiveDate,
    /// The day of hand-over at the site; it decides the week in which the delivery counts.
    pub handed_over_on: Option<NaiveDate>,
    /// When it was handed over, by the clock of whoever did it.
    pub handed_over_at: Option<DateTime<Utc>>,
    /// When the server heard of the hand-over.
    pub hand_over_recorded_at: Option<DateTime<Utc>>,
    /// The member who handed it over.
    pub handed_over_by: Option<Uuid>,
    /// Who took it at the recipient.
    pub received_by: Option<String>,
    /// Temperature of the produce at hand-over.
    pub temperature: Option<Temperature>,
    /// When the recipient confirmed it.
    pub confirmed_at: Option<DateTime<Utc>>,
    /// The reader who confirmed it.
    pub confirmed_by: Option<Uuid>,
    /// What the reader remarked.
    pub remark: String,
    /// When it was withdrawn.
    pub withdrawn_at: Option<DateTime<Utc>>,
    /// Who withdrew it.
    pub withdrawn_by: Option<Uuid>,
    /// Why.
    pub withdrawal_reason: Option<String>,
    /// Sum of its lines with their amendments.
    pub total: Mass,
    /// Whether a dispute of it is open.
    pub is_disputed: bool,
    /// Recalls that hold back anything of it, started and not released; empty unless it is packed. It cannot be handed
    /// over while there are any, but what went out before their start may still be told.
    pub withheld_by: Vec<Uuid>,
}

/// A weight out of one cut.
#[derive(Debug, Serialize, ToSchema)]
pub struct DeliveryLine {
    /// The line.
    pub id: Uuid,
    /// Where the produce comes from.
    pub cut_id: Uuid,
    /// What is written on the tray.
    pub tray_code: String,
    /// The crop.
    pub crop_id: Uuid,
    /// Its name.
    pub crop_name: String,
    /// The day of the cut.
    pub cut_on: NaiveDate,
    /// Weight as it was packed.
    pub first_weight: Mass,
    /// Weight now, with its amendments.
    pub weight: Mass,
    /// Recalls that hold back what is in it, started and not released: those of its tray, and those of the delivery as a
    /// whole. Empty unless the delivery is packed, and for a line with nothing in it.
    pub withheld_by: Vec<Uuid>,
    /// Corrections since, the oldest first.
    pub amendments: Vec<Amendment>,
}

/// A correction of a line.
#[derive(Debug, Serialize, ToSchema)]
pub struct Amendment {
    /// The correction.
    pub id: Uuid,
    /// What it adds; negative when too much was written down.
    pub change: Mass,
    /// Why.
    pub reason: String,
    /// Who corrected.
    pub member_id: Uuid,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// The dispute that it answers.
    pub dispute_id: Option<Uuid>,
}

/// A delivery with its lines and what to mind.
#[derive(Debug, Serialize, ToSchema)]
pub struct DeliveryDetail {
    /// The delivery.
    #[serde(flatten)]
    pub delivery: Delivery,
    /// Its lines in the order of packing.
    pub lines: Vec<DeliveryLine>,
    /// Disputes by the recipient, the oldest first.
    pub disputes: Vec<Dispute>,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

impl From<(records::Delivery, WithheldBy)> for Delivery {
    fn from((delivery, withheld): (records::Delivery, WithheldBy)) -> Self {
        Self {
            id: delivery.id,
            site_id: delivery.site_id,
            site_name: delivery.site_name,
            recipient_id: delivery.recipient_id,
            recipient_name: delivery.recipient_name,
            state: delivery.state,
            packed_on: delivery.packed_on,
            handed_over_on: delivery.handed_over_on,
            handed_over_at: delivery.handed_over_at,
            hand_over_recorded_at: delivery.hand_over_recorded_at,
            handed_over_by: delivery.handed_over_by,
            received_by: delivery.received_by,
            temperature: delivery
                .temperature_decicelsius
                .map(Temperature::of_decicelsius),
            confirmed_at: delivery.confirmed_at,
            confirmed_by: delivery.confirmed_by,
            remark: delivery.remark,
            withdrawn_at: delivery.withdrawn_at,
            withdrawn_by: delivery.withdrawn_by,
            withdrawal_reason: delivery.withdrawal_reason,
            total: Mass::of_milligrams(delivery.total_milligrams),
            is_disputed: delivery.is_disputed,
            withheld_by: withheld.all.into_iter().collect(),
        }
    }
}

impl From<AppDeliveryDetail> for DeliveryDetail {
    fn from(detail: AppDeliveryDetail) -> Self {
        let disputes = disputes(&detail);
        let corrections = detail.corrections;
        let amendments = |line_id| {
            corrections
                .iter()
                .filter(|correction| correction.delivery_line_id == line_id)
                .map(|correction| Amendment {
                    id: correction.id,
                    change: Mass::of_milligrams(correction.change_milligrams),
                    reason: correction.reason.clone(),
                    member_id: correction.member_id,
                    recorded_at: correction.recorded_at,
                    dispute_id: correction.dispute_id,
                })
                .collect()
        };
        let held = &detail.withheld.lines;
        let line = |line: records::DeliveryLine| DeliveryLine {
            id: line.id,
            cut_id: line.cut_id,
            tray_code: line.tray_code,
            crop_id: line.crop_id,
            crop_name: line.crop_name,
            cut_on: line.cut_on,
            first_weight: Mass::of_milligrams(line.first_milligrams),
            weight: Mass::of_milligrams(line.milligrams),
            withheld_by: Vec::from_iter(held.get(&line.id).into_iter().flatten().copied()),
            amendments: amendments(line.id),
        };
        let lines = detail.lines.into_iter().map(line).collect();
        let delivery = Delivery::from((detail.delivery, detail.withheld));
        let cautions = at_delivery(!delivery.withheld_by.is_empty(), delivery.temperature);
        Self {
            delivery,
            lines,
            disputes,
            cautions: cautions.into_iter().map(Into::into).collect(),
        }
    }
}

impl From<DeliveryLineInput> for LineFields {
    fn from(input: DeliveryLineInput) -> Self {
        Self {
            cut_id: input.cut_id,
            milligrams: input.weight.milligrams(),
        }
    }
}

/// Which deliveries are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct DeliveriesQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// To this recipient only.
    pub recipient_id: Option<Uuid>,
    /// From this site only.
    pub site_id: Option<Uuid>,
    /// In this state only; in any but `withdrawn` when left out.
    pub state: Option<DeliveryState>,
    /// Handed over, or before that packed, in this ISO week.
    #[param(example = "2026-W42")]
    pub week: Option<String>,
    /// With an open dispute only, or without one only.
    pub disputed: Option<bool>,
}

/// List deliveries
#[utoipa::path(
    tag = "deliveries", operation_id = "list_deliveries", params(DeliveriesQuery),
    responses((status = 200, description = "A page of deliveries", body = Listed<Delivery>), ReadProblems)
)]
#[get("/deliveries")]
pub async fn list_deliveries(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<DeliveriesQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let wanted = DeliveriesWanted {
        recipient_id: query.recipient_id,
        site_id: query.site_id,
        state: query.state,
        week: query.week.as_deref(),
        disputed: query.disputed,
    };
    let deliveries = state
        .app
        .list_deliveries(&caller, &wanted, one_more(page))
        .await?;
    let id = |one: &(records::Delivery, WithheldBy)| one.0.id;
    Ok(listed(&request, page, deliveries, id, Delivery::from))
}

/// Pack a delivery
///
/// A tray that a recall holds back cannot be packed; its line is named, with the code `withheld`. What was packed by
/// the day on which the recall was started may still be told, with `packed_on`, by whoever may correct deliveries;
/// trace the recall again then, so that its recipient is told.
#[utoipa::path(
    tag = "deliveries", operation_id = "pack_delivery", request_body = DeliveryInput,
    responses((status = 201, description = "Packed", body = DeliveryDetail), WriteProblems)
)]
#[post("/deliveries")]
pub async fn pack_delivery(state: Data<ApiState>, signed: SignedBody<DeliveryInput>) -> Answer {
    let fields = DeliveryFields {
        site_id: signed.body.site_id,
        recipient_id: signed.body.recipient_id,
        packed_on: signed.body.packed_on,
        lines: signed.body.lines.into_iter().map(Into::into).collect(),
    };
    Ok(made(
        state.app.pack_delivery(&signed.caller, &fields).await?,
    ))
}

/// Read a delivery
#[utoipa::path(
    tag = "deliveries", operation_id = "read_delivery",
    responses((status = 200, description = "The delivery", body = DeliveryDetail), ReadProblems)
)]
#[get("/deliveries/{delivery_id}")]
pub async fn read_delivery(
    state: Data<ApiState>,
    Signed(caller): Signed,
    delivery_id: Path<Uuid>,
) -> Answer {
    Ok(done(state.app.read_delivery(&caller, *delivery_id).await?))
}

/// Put one more line into a delivery
#[utoipa::path(
    tag = "deliveries", operation_id = "add_delivery_line", request_body = DeliveryLineInput,
    responses((status = 201, description = "The delivery with the line", body = DeliveryDetail), WriteProblems)
)]
#[post("/deliveries/{delivery_id}/lines")]
pub async fn add_delivery_line(
    state: Data<ApiState>,
    delivery_id: Path<Uuid>,
    signed: SignedBody<DeliveryLineInput>,
) -> Answer {
    let detail = state
        .app
        .add_delivery_line(&signed.caller, *delivery_id, signed.body.into())
        .await?;
    Ok(made(detail))
}

/// Hand a delivery over
///
/// An empty delivery cannot be handed over, nor one with anything in it that a recall holds back (`withheld`):
/// correct such lines to nothing first. What went out before the recall was started may still be told, with `at`,
/// by whoever may correct deliveries. Above 5 °C (41 °F) the answer carries a caution.
#[utoipa::path(
    tag = "deliveries", operation_id = "hand_over_delivery", request_body = HandOverInput,
    responses((status = 200, description = "Handed over", body = DeliveryDetail), WriteProblems)
)]
#[post("/deliveries/{delivery_id}/hand_over")]
pub async fn hand_over_delivery(
    state: Data<ApiState>,
    delivery_id: Path<Uuid>,
    signed: SignedBody<HandOverInput>,
) -> Answer {
    let fields = HandOverFields {
        received_by: signed.body.received_by,
        at: signed.body.at,
        temperature: signed.body.temperature,
    };
    let detail = state
        .app
        .hand_over_delivery(&signed.caller, *delivery_id, &fields)
        .await?;
    Ok(done(detail))
}

/// Confirm a delivery
///
/// For readers of the recipient, once it was handed over, and while no dispute of it is open.
#[utoipa::path(
    tag = "deliveries", operation_id = "confirm_delivery", request_body = ConfirmationInput,
    responses((status = 200, description = "Confirmed", body = DeliveryDetail), WriteProblems)
)]
#[post("/deliveries/{delivery_id}/confirmation")]
pub async fn confirm_delivery(
    state: Data<ApiState>,
    delivery_id: Path<Uuid>,
    signed: SignedBody<ConfirmationInput>,
) -> Answer {
    let detail = state
        .app
        .confirm_delivery(&signed.caller, *delivery_id, &signed.body.remark)
        .await?;
    Ok(done(detail))
}

/// Correct the weight of a line
///
/// Possible in any state but `withdrawn`. The correction is an entry of its own, shown as an amendment of the line.
#[utoipa::path(
    tag = "deliveries", operation_id = "correct_delivery", request_body = DeliveryCorrectionInput,
    responses((status = 201, description = "The delivery with its amendments", body = DeliveryDetail), WriteProblems)
)]
#[post("/deliveries/{delivery_id}/corrections")]
pub async fn correct_delivery(
    state: Data<ApiState>,
    delivery_id: Path<Uuid>,
    signed: SignedBody<DeliveryCorrectionInput>,
) -> Answer {
    let input = signed.body;
    let detail = state
        .app
        .correct_delivery(
            &signed.caller,
            *delivery_id,
            input.line_id,
            input.weight.milligrams(),
            &input.reason,
        )
        .await?;
    Ok(made(detail))
}

/// Withdraw a delivery
///
/// For a delivery that was packed by mistake, until it is handed over; for good. Nothing is deleted: each line is
/// corrected to nothing by an amendment with the reason, so that its grams are back in their cuts and can be packed
/// again. It is in no total, report or trace, no recipient is told of it by a recall, and lists leave it out unless
/// they are asked for `state=withdrawn`. A task that was finished with it opens again; once the time of such a task is
/// over, it becomes `missed`, or `dropped` where it is no longer wanted. Nothing more can be done with the delivery. One
/// with anything in it that a recall holds back as a whole stays (`withheld`) until the recall is released: its trays
/// would be free again. What was packed goes back into the cold at once; throw away what was warm or open.
#[utoipa::path(
    tag = "deliveries", operation_id = "withdraw_delivery", request_body = DeliveryWithdrawalInput,
    params(("If-Match" = String, Header, description = "ETag of the delivery as last read")),
    responses((status = 200, description = "Withdrawn", body = DeliveryDetail), ChangeProblems)
)]
#[post("/deliveries/{delivery_id}/withdrawal")]
pub async fn withdraw_delivery(
    state: Data<ApiState>,
    delivery_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<DeliveryWithdrawalInput>,
) -> Answer {
    let withdrawn =
        state
            .app
            .withdraw_delivery(&signed.caller, *delivery_id, expected, &signed.body.reason);
    Ok(done(withdrawn.await?))
}

pub(crate) fn made(detail: AppDeliveryDetail) -> HttpResponse {
    let path = format!("/deliveries/{}", detail.delivery.id);
    created(
        detail.delivery.version,
        &path,
        &DeliveryDetail::from(detail),
    )
}

fn done(detail: AppDeliveryDetail) -> HttpResponse {
    record(detail.delivery.version, &DeliveryDetail::from(detail))
}
