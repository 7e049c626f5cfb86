//! Recalls: what is suspect, which deliveries it affects, who is told, and until when it is held back.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::recalls::{RecallDetail, RecallFields};
use cotyl_app::records;
use cotyl_app::traces::Suspect;
use cotyl_domain::food_safety::at_recall;
use cotyl_domain::quantity::Mass;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::cuts::Caution;
use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, Problem, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;
use crate::traces::trace_of;

/// What is suspect.
#[derive(Debug, Deserialize, ToSchema)]
pub struct SuspectInput {
    /// `lot`, `batch`, `station`, `sowing`, `member`, `cut` or `delivery`.
    #[schema(example = "lot")]
    pub of: String,
    /// The record.
    #[schema(example = "01920000-0000-7000-8000-000000000001")]
    pub id: Option<Uuid>,
    /// Of a cut instead of its id: what is written on the tray.
    pub tray_code: Option<String>,
    /// Of a station or a member's work: from this day.
    pub first_day: Option<NaiveDate>,
    /// Of a station or a member's work: to this day.
    pub last_day: Option<NaiveDate>,
}

/// What a recall is drafted from.
#[derive(Debug, Deserialize, ToSchema)]
pub struct RecallInput {
    /// What to call it.
    #[schema(example = "Lettuce seed lot 4711")]
    pub title: String,
    /// Why.
    #[schema(example = "The supplier calls the lot back")]
    pub why: String,
    /// What is suspect.
    pub suspect: SuspectInput,
}

impl RecallInput {
    fn fields(self) -> Result<RecallFields, Problem> {
        Ok(RecallFields {
            suspect: Suspect {
                of: trace_of("/suspect/of", &self.suspect.of)?,
                id: self.suspect.id,
                tray_code: self.suspect.tray_code,
                first_day: self.suspect.first_day,
                last_day: self.suspect.last_day,
            },
            title: self.title,
            why: self.why,
        })
    }
}

/// A recall in a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct Recall {
    /// The recall.
    pub id: Uuid,
    /// What to call it.
    pub title: String,
    /// Why.
    pub why: String,
    /// `lot`, `batch`, `station`, `sowing`, `member`, `cut` or `delivery`.
    #[schema(example = "lot")]
    pub suspect_of: String,
    /// The suspect record.
    pub suspect_id: Uuid,
    /// What it was called when the recall was drafted.
    pub suspect_name: String,
    /// Of a station or a member's work: from this day.
    pub first_day: Option<NaiveDate>,
    /// Of a station or a member's work: to this day.
    pub last_day: Option<NaiveDate>,
    /// `draft`, `under_way` or `closed`.
    #[schema(example = "draft")]
    pub state: String,
    /// How often it was traced.
    pub revision: i32,
    /// Who drafted it.
    pub drafted_by: Uuid,
    /// When.
    pub drafted_at: DateTime<Utc>,
    /// Since when recipients are told, and what is suspect is held back.
    pub started_at: Option<DateTime<Utc>>,
    /// When it was closed.
    pub closed_at: Option<DateTime<Utc>>,
    /// When it was released; until then what is suspect is held back, from the start on.
    pub released_at: Option<DateTime<Utc>>,
    /// Who released it.
    pub released_by: Option<Uuid>,
    /// What came of it.
    pub outcome: String,
}

impl From<records::Recall> for Recall {
    fn from(recall: records::Recall) -> Self {
        Self {
            id: recall.id,
            title: recall.title,
            why: recall.why,
            suspect_of: recall.suspect_kind,
            suspect_id: recall.suspect_id,
            suspect_name: recall.suspect_name,
            first_day: recall.first_day,
            last_day: recall.last_day,
            state: recall.state,
            revision: recall.revision,
            drafted_by: recall.drafted_by,
            drafted_at: recall.drafted_at,
            started_at: recall.started_at,
            closed_at: recall.closed_at,
            released_at: recall.released_at,
            released_by: recall.released_by,
            outcome: recall.outcome,
        }
    }
}

/// A delivery that is affected.
#[derive(Debug, Serialize, ToSchema)]
pub struct AffectedDelivery {
    /// The delivery.
    pub delivery_id: Uuid,
    /// What of it is suspect.
    pub weight: Mass,
    /// The local day of packing.
    pub packed_on: NaiveDate,
    /// When it was handed over; `null` while it is packed only: do not hand it over.
    pub handed_over_at: Option<DateTime<Utc>>,
    /// Who took it.
    pub received_by: Option<String>,
}

/// A recipient who is to be told.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecallNotice {
    /// The recipient.
    pub recipient_id: Uuid,
    /// Its name.
    pub recipient_name: String,
    /// The suspect weight in all.
    pub weight: Mass,
    /// Its deliveries, without those that were withdrawn since they were found.
    pub deliveries: Vec<AffectedDelivery>,
    /// The member who is to tell them.
    pub assigned_to: Option<Uuid>,
    /// Name of the member.
    pub assigned_name: Option<String>,
    /// When they were told.
    pub told_at: Option<DateTime<Utc>>,
    /// By whom.
    pub told_by: Option<Uuid>,
    /// The suspect weight they were told.
    pub told_weight: Option<Mass>,
    /// Whether they know what the last trace found; false again when it found another weight. A delivery that was
    /// withdrawn since they were told makes no difference.
    pub told: bool,
    /// What was said.
    pub note: String,
}

/// Something that was done about a recall.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecallEntry {
    /// The entry.
    pub id: Uuid,
    /// `drafted`, `traced`, `started`, `assigned`, `told`, `closed` or `released`.
    #[schema(example = "told")]
    pub kind: String,
    /// Who did it.
    pub member_id: Uuid,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// What belongs to the kind; of a trace, which starting is one of, the records that it found, and `reopened` when
    /// the recall was closed and somebody is to be told again.
    pub detail: Value,
}

/// A recall with whom it concerns and what was done.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecallBody {
    /// The recall.
    #[serde(flatten)]
    pub recall: Recall,
    /// The suspect weight in all deliveries.
    pub weight: Mass,
    /// Who is to be told of which deliveries; for a member who only tells some, those.
    pub notices: Vec<RecallNotice>,
    /// What was done, in order; empty for a member who only tells some recipients.
    pub entries: Vec<RecallEntry>,
    /// What to mind. The local food-safety or health authority comes first.
    pub cautions: Vec<Caution>,
}

impl From<RecallDetail> for RecallBody {
    fn from(found: RecallDetail) -> Self {
        let notices = found.notices.iter().map(|notice| RecallNotice {
            recipient_id: notice.recipient_id,
            recipient_name: notice.recipient_name.clone(),
            weight: Mass::of_milligrams(found.milligrams_to(notice.recipient_id)),
            deliveries: found
                .deliveries
                .iter()
                .filter(|delivery| delivery.recipient_id == notice.recipient_id)
                .map(affected)
                .collect(),
            assigned_to: notice.assigned_to,
            assigned_name: notice.assigned_name.clone(),
            told_at: notice.told_at,
            told_by: notice.told_by,
            told_weight: notice.told_milligrams.map(Mass::of_milligrams),
            told: found.is_told(notice),
            note: notice.note.clone(),
        });
        let cautions = at_recall(found.recall.withholding());
        Self {
            notices: notices.collect(),
            weight: Mass::of_milligrams(found.deliveries.iter().map(|d| d.milligrams).sum()),
            entries: found
                .entries
                .into_iter()
                .map(|entry| RecallEntry {
                    id: entry.id,
                    kind: entry.kind,
                    member_id: entry.member_id,
                    recorded_at: entry.recorded_at,
                    detail: entry.detail,
                })
                .collect(),
            recall: found.recall.into(),
            cautions: cautions.into_iter().map(Into::into).collect(),
        }
    }
}

fn affected(delivery: &records::AffectedDelivery) -> AffectedDelivery {
    AffectedDelivery {
        delivery_id: delivery.delivery_id,
        weight: Mass::of_milligrams(delivery.milligrams),
        packed_on: delivery.packed_on,
        handed_over_at: delivery.handed_over_at,
        received_by: delivery.received_by.clone(),
    }
}

fn shown(found: RecallDetail) -> actix_web::HttpResponse {
    record(found.recall.version, &RecallBody::from(found))
}

/// Which recalls are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct RecallsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// `draft`, `under_way` or `closed`.
    pub state: Option<String>,
}

/// List recalls
///
/// Those who coordinate or lead see all; others those in which they are to tell somebody.
#[utoipa::path(
    tag = "deliveries", operation_id = "list_recalls", params(RecallsQuery),
    responses((status = 200, description = "A page of recalls", body = Listed<Recall>), ReadProblems)
)]
#[get("/recalls")]
pub async fn list_recalls(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<RecallsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let found = state
        .app
        .list_recalls(&caller, query.state.as_deref(), one_more(page))
        .await?;
    Ok(listed(&request, page, found, |r| r.id, Recall::from))
}

/// Draft a recall
///
/// Traces what is suspect forward, and keeps which deliveries it affects with how much of each.
#[utoipa::path(
    tag = "deliveries", operation_id = "draft_recall", request_body = RecallInput,
    responses((status = 201, description = "Drafted", body = RecallBody), WriteProblems)
)]
#[post("/recalls")]
pub async fn draft_recall(state: Data<ApiState>, signed: SignedBody<RecallInput>) -> Answer {
    let fields = signed.body.fields()?;
    let found = state.app.draft_recall(&signed.caller, &fields).await?;
    Ok(created(
        found.recall.version,
        &format!("/recalls/{}", found.recall.id),
        &RecallBody::from(found),
    ))
}

/// Read a recall
#[utoipa::path(
    tag = "deliveries", operation_id = "read_recall",
    responses((status = 200, description = "The recall", body = RecallBody), ReadProblems)
)]
#[get("/recalls/{recall_id}")]
pub async fn read_recall(
    state: Data<ApiState>,
    Signed(caller): Signed,
    recall_id: Path<Uuid>,
) -> Answer {
    Ok(shown(state.app.read_recall(&caller, *recall_id).await?))
}

/// Trace a recall again
///
/// What was packed, told late or corrected since is found; whoever was told another weight is to be told again.
/// A closed recall is `under_way` again when somebody is, and must be closed anew. What earlier traces found, and
/// the outcome it was closed with, stay in the entries. Not once it is released.
#[utoipa::path(
    tag = "deliveries", operation_id = "retrace_recall",
    params(("If-Match" = String, Header, description = "ETag of the recall as last read")),
    responses((status = 200, description = "The recall now", body = RecallBody), ChangeProblems)
)]
#[post("/recalls/{recall_id}/traces")]
pub async fn retrace_recall(
    state: Data<ApiState>,
    Signed(caller): Signed,
    recall_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let found = state.app.retrace_recall(&caller, *recall_id, expected);
    Ok(shown(found.await?))
}

/// Start a recall
///
/// From now on recipients are told, and what is suspect is held back until the recall is released: no tray that came
/// of it can be packed or handed over, also one that is cut later, and of a suspect delivery the delivery. It is
/// traced again, so that what was packed since the draft is found.
#[utoipa::path(
    tag = "deliveries", operation_id = "start_recall",
    params(("If-Match" = String, Header, description = "ETag of the recall as last read")),
    responses((status = 200, description = "The recall now", body = RecallBody), ChangeProblems)
)]
#[post("/recalls/{recall_id}/start")]
pub async fn start_recall(
    state: Data<ApiState>,
    Signed(caller): Signed,
    recall_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let found = state.app.start_recall(&caller, *recall_id, expected);
    Ok(shown(found.await?))
}

/// Who is to tell whom.
#[derive(Debug, Deserialize, ToSchema)]
pub struct AssignmentInput {
    /// The recipient.
    pub recipient_id: Uuid,
    /// The member.
    pub member_id: Uuid,
}

/// Say who is to tell a recipient
#[utoipa::path(
    tag = "deliveries", operation_id = "assign_recall_notice", request_body = AssignmentInput,
    responses((status = 200, description = "The recall now", body = RecallBody), WriteProblems)
)]
#[post("/recalls/{recall_id}/assignments")]
pub async fn assign_recall_notice(
    state: Data<ApiState>,
    recall_id: Path<Uuid>,
    signed: SignedBody<AssignmentInput>,
) -> Answer {
    let whom = (signed.body.recipient_id, signed.body.member_id);
    let found = state
        .app
        .assign_recall_notice(&signed.caller, *recall_id, whom);
    Ok(shown(found.await?))
}

/// That a recipient was told.
#[derive(Debug, Deserialize, ToSchema)]
pub struct ToldInput {
    /// The recipient.
    pub recipient_id: Uuid,
    /// When, at most seven days ago; now when left out.
    pub told_at: Option<DateTime<Utc>>,
    /// What was said, and to whom.
    #[serde(default)]
    pub note: String,
}

/// Note that a recipient was told
///
/// By whoever coordinates, or by the member who is to tell them.
#[utoipa::path(
    tag = "deliveries", operation_id = "tell_recall_notice", request_body = ToldInput,
    responses((status = 200, description = "The recall now", body = RecallBody), WriteProblems)
)]
#[post("/recalls/{recall_id}/notices")]
pub async fn tell_recall_notice(
    state: Data<ApiState>,
    recall_id: Path<Uuid>,
    signed: SignedBody<ToldInput>,
) -> Answer {
    let input = signed.body;
    let found = state.app.tell_recall_notice(
        &signed.caller,
        *recall_id,
        input.recipient_id,
        (input.told_at, &input.note),
    );
    Ok(shown(found.await?))
}

/// What came of a recall.
#[derive(Debug, Deserialize, ToSchema)]
pub struct ClosingInput {
    /// What came of it.
    #[schema(example = "All told; 1.2 kg were thrown away, the rest was eaten without complaint")]
    pub outcome: String,
}

/// Close a recall
///
/// Not before every recipient knows what the last trace found. What is suspect stays held back until the recall is
/// released.
#[utoipa::path(
    tag = "deliveries", operation_id = "close_recall", request_body = ClosingInput,
    params(("If-Match" = String, Header, description = "ETag of the recall as last read")),
    responses((status = 200, description = "The closed recall", body = RecallBody), ChangeProblems)
)]
#[post("/recalls/{recall_id}/closing")]
pub async fn close_recall(
    state: Data<ApiState>,
    recall_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<ClosingInput>,
) -> Answer {
    let found = state
        .app
        .close_recall(&signed.caller, *recall_id, expected, &signed.body.outcome);
    Ok(shown(found.await?))
}

/// Why a recall is released.
#[derive(Debug, Deserialize, ToSchema)]
pub struct ReleaseInput {
    /// Why what is left does no harm, or that nothing is left; 1 to 1000 characters.
    #[schema(example = "All of it was thrown away, and the station was cleaned")]
    pub why: String,
}

/// Release a recall
///
/// From now on what was suspect can be packed and handed over again, unless another recall holds it back. Under way
/// or closed, and once: a release is not taken back, but a new recall can be drafted. The local food-safety or health
/// authority comes first.
#[utoipa::path(
    tag = "deliveries", operation_id = "release_recall", request_body = ReleaseInput,
    params(("If-Match" = String, Header, description = "ETag of the recall as last read")),
    responses((status = 200, description = "The released recall", body = RecallBody), ChangeProblems)
)]
#[post("/recalls/{recall_id}/release")]
pub async fn release_recall(
    state: Data<ApiState>,
    recall_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<ReleaseInput>,
) -> Answer {
    let found = state
        .app
        .release_recall(&signed.caller, *recall_id, expected, &signed.body.why);
    Ok(shown(found.await?))
}
