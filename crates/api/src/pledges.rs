//! Pledges.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::records::{self, IsoWeek};
use cotyl_domain::quantity::Mass;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, Problem, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What a pledge is described by.
#[derive(Debug, Deserialize, ToSchema)]
pub struct PledgeInput {
    /// To whom. It cannot change.
    pub recipient_id: Uuid,
    /// Of this crop; give either this or a crop group.
    pub crop_id: Option<Uuid>,
    /// Of any crop of this group.
    #[schema(example = "0199d3a2-7c00-7000-8000-000000000003")]
    pub crop_group_id: Option<Uuid>,
    /// How much in each week.
    pub weekly: Mass,
    /// First ISO week.
    #[schema(value_type = String, example = "2026-W40")]
    pub first_week: IsoWeek,
    /// Last ISO week, at most 521 weeks later.
    #[schema(value_type = String, example = "2026-W50")]
    pub last_week: IsoWeek,
    /// 1 to 9; a greater number counts more; 1 when left out.
    #[serde(default = "first")]
    #[schema(example = 1)]
    pub priority: i32,
}

fn first() -> i32 {
    1
}

/// A pledge.
#[derive(Debug, Serialize, ToSchema)]
pub struct Pledge {
    /// The pledge.
    pub id: Uuid,
    /// To whom.
    pub recipient_id: Uuid,
    /// Of this crop, or
    pub crop_id: Option<Uuid>,
    /// of any crop of this group.
    pub crop_group_id: Option<Uuid>,
    /// How much in each week.
    pub weekly: Mass,
    /// First ISO week.
    #[schema(example = "2026-W40")]
    pub first_week: String,
    /// Last ISO week.
    #[schema(example = "2026-W50")]
    pub last_week: String,
    /// 1 to 9; a greater number counts more.
    pub priority: i32,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

/// Which pledges are listed.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct PledgesQuery {
    /// To this recipient only.
    pub recipient_id: Option<Uuid>,
    /// In force in this ISO week, such as `2026-W40`.
    pub week: Option<String>,
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Whether retired records are listed too.
    #[serde(default)]
    pub with_retired: bool,
}

impl From<PledgeInput> for records::PledgeFields {
    fn from(input: PledgeInput) -> Self {
        Self {
            recipient_id: input.recipient_id,
            crop_id: input.crop_id,
            crop_group_id: input.crop_group_id,
            weekly_milligrams: input.weekly.milligrams(),
            first_monday: input.first_week.monday(),
            last_monday: input.last_week.monday(),
            priority: input.priority,
        }
    }
}

impl From<records::Pledge> for Pledge {
    fn from(pledge: records::Pledge) -> Self {
        Self {
            id: pledge.id,
            recipient_id: pledge.fields.recipient_id,
            crop_id: pledge.fields.crop_id,
            crop_group_id: pledge.fields.crop_group_id,
            weekly: Mass::of_milligrams(pledge.fields.weekly_milligrams),
            first_week: week_of(pledge.fields.first_monday),
            last_week: week_of(pledge.fields.last_monday),
            priority: pledge.fields.priority,
            created_at: pledge.created_at,
            updated_at: pledge.updated_at,
            retired_at: pledge.retired_at,
        }
    }
}

/// The ISO week of a day, such as `2026-W40`.
fn week_of(day: NaiveDate) -> String {
    day.format("%G-W%V").to_string()
}

/// List pledges; readers see those of their own recipients
#[utoipa::path(
    tag = "recipients", operation_id = "list_pledges", params(PledgesQuery),
    responses((status = 200, description = "A page of pledges", body = Listed<Pledge>), ReadProblems)
)]
#[get("/pledges")]
pub async fn list_pledges(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<PledgesQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let week = query
        .week
        .as_deref()
        .map(str::parse::<IsoWeek>)
        .transpose()
        .map_err(|fault| Problem::field("week", "format", fault.to_string()))?;
    let filter = records::PledgeFilter {
        recipient_id: query.recipient_id,
        only_recipients: None,
        monday: week.map(IsoWeek::monday),
        with_retired: query.with_retired,
    };
    let pledges = state
        .app
        .list_pledges(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, pledges, |p| p.id, Pledge::from))
}

/// Describe a new pledge
#[utoipa::path(
    tag = "recipients", operation_id = "create_pledge", request_body = PledgeInput,
    responses((status = 201, description = "Described", body = Pledge), WriteProblems)
)]
#[post("/pledges")]
pub async fn create_pledge(state: Data<ApiState>, signed: SignedBody<PledgeInput>) -> Answer {
    let pledge = state
        .app
        .create_pledge(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        pledge.version,
        &format!("/pledges/{}", pledge.id),
        &Pledge::from(pledge),
    ))
}

/// Read a pledge
#[utoipa::path(
    tag = "recipients", operation_id = "read_pledge",
    responses((status = 200, description = "The pledge", body = Pledge), ReadProblems)
)]
#[get("/pledges/{pledge_id}")]
pub async fn read_pledge(
    state: Data<ApiState>,
    Signed(caller): Signed,
    pledge_id: Path<Uuid>,
) -> Answer {
    let pledge = state.app.read_pledge(&caller, *pledge_id).await?;
    Ok(record(pledge.version, &Pledge::from(pledge)))
}

/// Change a pledge
#[utoipa::path(
    tag = "recipients", operation_id = "change_pledge", request_body = PledgeInput,
    params(("If-Match" = String, Header, description = "ETag of the pledge as last read")),
    responses((status = 200, description = "The pledge now", body = Pledge), ChangeProblems)
)]
#[put("/pledges/{pledge_id}")]
pub async fn change_pledge(
    state: Data<ApiState>,
    pledge_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<PledgeInput>,
) -> Answer {
    let pledge = state
        .app
        .change_pledge(&signed.caller, *pledge_id, expected, &signed.body.into())
        .await?;
    Ok(record(pledge.version, &Pledge::from(pledge)))
}

/// Take a pledge out of use
#[utoipa::path(
    tag = "recipients", operation_id = "retire_pledge",
    params(("If-Match" = String, Header, description = "ETag of the pledge as last read")),
    responses((status = 200, description = "The retired pledge", body = Pledge), ChangeProblems)
)]
#[delete("/pledges/{pledge_id}")]
pub async fn retire_pledge(
    state: Data<ApiState>,
    Signed(caller): Signed,
    pledge_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let pledge = state
        .app
        .retire_pledge(&caller, *pledge_id, expected)
        .await?;
    Ok(record(pledge.version, &Pledge::from(pledge)))
}
