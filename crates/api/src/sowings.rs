//! Sowings and their history.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, get, post, put};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::records;
use cotyl_app::sowing_events::{EntryKind, NewEntry};
use cotyl_app::sowings::{HandSowing, SowingDetail};
use cotyl_domain::quantity::Mass;
use cotyl_domain::sowing::SowingState;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, PageQuery, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;
use crate::tasks::{TaskEntry, one_of};

/// A sowing made by hand.
#[derive(Debug, Deserialize, ToSchema)]
pub struct SowingInput {
    /// The site.
    pub site_id: Uuid,
    /// A station of the site.
    pub station_id: Uuid,
    /// The crop.
    pub crop_id: Uuid,
    /// Containers.
    #[schema(minimum = 1, maximum = 10000, example = 4)]
    pub containers: i32,
    /// The day on which it is to be sown; the site is open on it.
    #[schema(example = "2026-09-14")]
    pub sow_on: NaiveDate,
    /// Days on which it is to be cut, in order; left out, they are reckoned from crop and station.
    pub planned_cuts: Option<Vec<NaiveDate>>,
}

/// What may change of a sowing.
#[derive(Debug, Deserialize, ToSchema)]
pub struct SowingChange {
    /// Containers; only while the sowing is planned.
    #[schema(minimum = 1, maximum = 10000, example = 6)]
    pub containers: i32,
    /// Anything worth knowing.
    #[schema(example = "seed of last year")]
    pub note: String,
}

/// A cut that is to come.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlannedCut {
    /// Which cut of the sowing.
    pub number: usize,
    /// When.
    pub day: NaiveDate,
    /// Expected fresh weight of the whole sowing.
    pub expected: Mass,
}

/// A cut that was weighed.
#[derive(Debug, Serialize, ToSchema)]
pub struct CutSoFar {
    /// The cut.
    pub id: Uuid,
    /// Which cut of the sowing.
    pub number: i32,
    /// When.
    pub cut_on: NaiveDate,
    /// Weight with its corrections.
    pub weight: Mass,
    /// Code on the tray.
    pub tray_code: String,
}

/// A sowing in a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct SowingEntry {
    /// The sowing.
    pub id: Uuid,
    /// The site.
    pub site_id: Uuid,
    /// Its name.
    pub site_name: String,
    /// The station.
    pub station_id: Uuid,
    /// Its name.
    pub station_name: String,
    /// The crop.
    pub crop_id: Uuid,
    /// Its name.
    pub crop_name: String,
    /// The plan it comes from; `null` when made by hand.
    pub plan_id: Option<Uuid>,
    /// Containers.
    pub containers: i32,
    /// First day on which its places are taken.
    pub sow_on: NaiveDate,
    /// The places are free again from this day.
    pub free_on: NaiveDate,
    /// Days on which it is to be cut as things stand, with what is expected of them.
    pub planned_cuts: Vec<PlannedCut>,
    /// `planned`, `sown`, `sprouted`, `cutting`, `cleared` or `lost`.
    #[schema(example = "planned")]
    pub state: &'static str,
    /// When it was sown.
    pub sown_on: Option<NaiveDate>,
    /// When seedlings stood.
    pub sprouted_on: Option<NaiveDate>,
    /// When it was cleared.
    pub cleared_on: Option<NaiveDate>,
    /// When it was given up.
    pub lost_on: Option<NaiveDate>,
    /// Why it was given up.
    pub lost_cause: Option<String>,
    /// Anything worth knowing.
    pub note: String,
    /// Cuts so far.
    pub cuts: Vec<CutSoFar>,
    /// When it was written down first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
}

/// A sowing.
#[derive(Debug, Serialize, ToSchema)]
pub struct Sowing {
    /// What it is and how it stands.
    #[serde(flatten)]
    pub sowing: SowingEntry,
    /// All its tasks, in the order in which they are due.
    pub tasks: Vec<TaskEntry>,
}

impl From<SowingInput> for HandSowing {
    fn from(input: SowingInput) -> Self {
        Self {
            site_id: input.site_id,
            station_id: input.station_id,
            crop_id: input.crop_id,
            containers: input.containers,
            sow_on: input.sow_on,
            planned_cuts: input.planned_cuts,
        }
    }
}

impl From<records::SowingView> for SowingEntry {
    fn from(view: records::SowingView) -> Self {
        let sowing = view.sowing;
        let days = sowing.planned_cuts.into_iter();
        Self {
            id: sowing.id,
            site_id: sowing.site_id,
            site_name: view.site_name,
            station_id: sowing.station_id,
            station_name: view.station_name,
            crop_id: sowing.crop_id,
            crop_name: view.crop_name,
            plan_id: sowing.plan_id,
            containers: sowing.containers,
            sow_on: sowing.sow_on,
            free_on: sowing.free_on,
            planned_cuts: (1..)
                .zip(days.zip(sowing.expected_milligrams))
                .map(|(number, (day, milligrams))| PlannedCut {
                    number,
                    day,
                    expected: Mass::of_milligrams(milligrams),
                })
                .collect(),
            state: sowing.state.0.as_str(),
            sown_on: sowing.sown_on,
            sprouted_on: sowing.sprouted_on,
            cleared_on: sowing.cleared_on,
            lost_on: sowing.lost_on,
            lost_cause: sowing.lost_cause,
            note: sowing.note,
            cuts: view
                .cuts
                .0
                .into_iter()
                .map(|cut| CutSoFar {
                    id: cut.id,
                    number: cut.number,
                    cut_on: cut.cut_on,
                    weight: Mass::of_milligrams(cut.milligrams),
                    tray_code: cut.tray_code,
                })
                .collect(),
            created_at: sowing.created_at,
            updated_at: sowing.updated_at,
        }
    }
}

impl From<SowingDetail> for Sowing {
    fn from(detail: SowingDetail) -> Self {
        Self {
            sowing: detail.view.into(),
            tasks: detail.tasks.into_iter().map(TaskEntry::from).collect(),
        }
    }
}

/// What happened to a sowing.
#[derive(Debug, Deserialize, ToSchema)]
pub struct SowingEventInput {
    /// `sown`, `sprouted`, `cleared`, `lost`, `corrected` or `noted`.
    #[schema(value_type = String, example = "sprouted")]
    pub kind: EntryKind,
    /// When, by the calendar of the site; today when left out. In a correction, the right day of the
    /// entry that is corrected.
    #[schema(example = "2026-09-07")]
    pub happened_on: Option<NaiveDate>,
    /// Containers in which seedlings stand; for `sprouted` and its correction.
    #[schema(example = 4)]
    pub sprouted_containers: Option<i32>,
    /// Why it was given up; for `lost`.
    #[schema(example = "heat")]
    pub cause: Option<String>,
    /// The entry that is corrected; for `corrected`.
    pub corrects: Option<Uuid>,
    /// The words of `noted`, the reason of `corrected`.
    #[schema(example = "one container fell")]
    pub note: Option<String>,
}

/// An entry in the history of a sowing. Entries are never changed; a mistake is put right by another.
#[derive(Debug, Serialize, ToSchema)]
pub struct SowingEvent {
    /// The entry.
    pub id: Uuid,
    /// The sowing.
    pub sowing_id: Uuid,
    /// `planned`, `sown`, `sprouted`, `cut`, `cleared`, `lost`, `moved`, `corrected` or `noted`.
    #[schema(example = "sprouted")]
    pub kind: String,
    /// The day on which it happened.
    pub happened_on: NaiveDate,
    /// When it was written down.
    pub recorded_at: DateTime<Utc>,
    /// Who wrote it down.
    pub member_id: Uuid,
    /// What belongs to the kind, such as `cause`, `sprouted_containers`, `corrects`, or from where to
    /// where days moved.
    pub detail: Value,
}

impl From<SowingEventInput> for NewEntry {
    fn from(input: SowingEventInput) -> Self {
        Self {
            kind: input.kind,
            happened_on: input.happened_on,
            sprouted_containers: input.sprouted_containers,
            cause: input.cause,
            corrects: input.corrects,
            note: input.note,
        }
    }
}

impl From<records::SowingEvent> for SowingEvent {
    fn from(event: records::SowingEvent) -> Self {
        Self {
            id: event.id,
            sowing_id: event.sowing_id,
            kind: event.kind,
            happened_on: event.happened_on,
            recorded_at: event.recorded_at,
            member_id: event.member_id,
            detail: event.detail,
        }
    }
}

/// Which sowings are listed.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct SowingsQuery {
    /// Most sowings, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this site only.
    pub site_id: Option<Uuid>,
    /// At this station only.
    pub station_id: Option<Uuid>,
    /// In this state only.
    pub state: Option<String>,
}

/// List sowings
#[utoipa::path(
    tag = "sowings", operation_id = "list_sowings", params(SowingsQuery),
    responses((status = 200, description = "A page of sowings, in the order of their making", body = Listed<SowingEntry>), ReadProblems)
)]
#[get("/sowings")]
pub async fn list_sowings(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<SowingsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::SowingFilter {
        sites: None,
        site_id: query.site_id,
        station_id: query.station_id,
        state: one_of(
            "state",
            query.state.as_deref(),
            SowingState::parse,
            &SowingState::ALL.map(SowingState::as_str),
        )?,
    };
    let sowings = state
        .app
        .list_sowings(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(
        &request,
        page,
        sowings,
        |view| view.sowing.id,
        SowingEntry::from,
    ))
}

/// Sow by hand
///
/// Writes down a sowing outside any plan, with the tasks that follow from it.
#[utoipa::path(
    tag = "sowings", operation_id = "create_sowing", request_body = SowingInput,
    responses((status = 201, description = "Planned, with its tasks", body = Sowing), WriteProblems)
)]
#[post("/sowings")]
pub async fn create_sowing(state: Data<ApiState>, signed: SignedBody<SowingInput>) -> Answer {
    let detail = state
        .app
        .create_sowing(&signed.caller, &signed.body.into())
        .await?;
    let (id, version) = (detail.view.sowing.id, detail.view.sowing.version);
    let path = format!("/sowings/{id}");
    Ok(created(version, &path, &Sowing::from(detail)))
}

/// Read a sowing
#[utoipa::path(
    tag = "sowings", operation_id = "read_sowing",
    responses((status = 200, description = "The sowing with its tasks and cuts", body = Sowing), ReadProblems)
)]
#[get("/sowings/{sowing_id}")]
pub async fn read_sowing(
    state: Data<ApiState>,
    Signed(caller): Signed,
    sowing_id: Path<Uuid>,
) -> Answer {
    let detail = state.app.read_sowing(&caller, *sowing_id).await?;
    Ok(record(detail.view.sowing.version, &Sowing::from(detail)))
}

/// Change a sowing
#[utoipa::path(
    tag = "sowings", operation_id = "change_sowing", request_body = SowingChange,
    params(("If-Match" = String, Header, description = "ETag of the sowing as last read")),
    responses((status = 200, description = "The sowing now", body = Sowing), ChangeProblems)
)]
#[put("/sowings/{sowing_id}")]
pub async fn change_sowing(
    state: Data<ApiState>,
    sowing_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<SowingChange>,
) -> Answer {
    let change = signed.body;
    let detail = state
        .app
        .change_sowing(
            &signed.caller,
            *sowing_id,
            expected,
            change.containers,
            &change.note,
        )
        .await?;
    Ok(record(detail.view.sowing.version, &Sowing::from(detail)))
}

/// List the history of a sowing
#[utoipa::path(
    tag = "sowings", operation_id = "list_sowing_events", params(PageQuery),
    responses((status = 200, description = "A page of entries, in the order in which they were written down", body = Listed<SowingEvent>), ReadProblems)
)]
#[get("/sowings/{sowing_id}/events")]
pub async fn list_sowing_events(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    sowing_id: Path<Uuid>,
    query: Query<PageQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let events = state
        .app
        .list_sowing_events(&caller, *sowing_id, one_more(page))
        .await?;
    Ok(listed(&request, page, events, |e| e.id, SowingEvent::from))
}

/// Write down what happened to a sowing
///
/// Takes the sowing on, moves the tasks still to be done, and frees places where it ends. `Location`
/// and `ETag` of the answer are those of the sowing.
#[utoipa::path(
    tag = "sowings", operation_id = "record_sowing_event", request_body = SowingEventInput,
    responses((status = 201, description = "Written down", body = SowingEvent), WriteProblems)
)]
#[post("/sowings/{sowing_id}/events")]
pub async fn record_sowing_event(
    state: Data<ApiState>,
    sowing_id: Path<Uuid>,
    signed: SignedBody<SowingEventInput>,
) -> Answer {
    let entered = state
        .app
        .record_sowing_event(&signed.caller, *sowing_id, &signed.body.into())
        .await?;
    Ok(created(
        entered.version,
        &format!("/sowings/{sowing_id}"),
        &SowingEvent::from(entered.event),
    ))
}
