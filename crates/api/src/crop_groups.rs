//! Crop groups.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, RecordsQuery, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What a crop group is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct CropGroupInput {
    /// Unique among the crop groups of the co-operative.
    #[schema(example = "salad greens")]
    pub name: String,
}

/// A crop group.
#[derive(Debug, Serialize, ToSchema)]
pub struct CropGroup {
    /// The crop group.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: CropGroupInput,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<CropGroupInput> for records::CropGroupFields {
    fn from(input: CropGroupInput) -> Self {
        Self { name: input.name }
    }
}

impl From<records::CropGroup> for CropGroup {
    fn from(crop_group: records::CropGroup) -> Self {
        Self {
            id: crop_group.id,
            fields: CropGroupInput {
                name: crop_group.fields.name,
            },
            created_at: crop_group.created_at,
            updated_at: crop_group.updated_at,
            retired_at: crop_group.retired_at,
        }
    }
}

/// List crop groups
#[utoipa::path(
    tag = "crops", operation_id = "list_crop_groups", params(RecordsQuery),
    responses((status = 200, description = "A page of crop groups", body = Listed<CropGroup>), ReadProblems)
)]
#[get("/crop_groups")]
pub async fn list_crop_groups(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<RecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let groups = state
        .app
        .list_crop_groups(&caller, query.with_retired, one_more(page))
        .await?;
    Ok(listed(&request, page, groups, |g| g.id, CropGroup::from))
}

/// Describe a new crop group
#[utoipa::path(
    tag = "crops", operation_id = "create_crop_group", request_body = CropGroupInput,
    responses((status = 201, description = "Described", body = CropGroup), WriteProblems)
)]
#[post("/crop_groups")]
pub async fn create_crop_group(
    state: Data<ApiState>,
    signed: SignedBody<CropGroupInput>,
) -> Answer {
    let crop_group = state
        .app
        .create_crop_group(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        crop_group.version,
        &format!("/crop_groups/{}", crop_group.id),
        &CropGroup::from(crop_group),
    ))
}

/// Read a crop group
#[utoipa::path(
    tag = "crops", operation_id = "read_crop_group",
    responses((status = 200, description = "The crop group", body = CropGroup), ReadProblems)
)]
#[get("/crop_groups/{crop_group_id}")]
pub async fn read_crop_group(
    state: Data<ApiState>,
    Signed(caller): Signed,
    crop_group_id: Path<Uuid>,
) -> Answer {
    let crop_group = state.app.read_crop_group(&caller, *crop_group_id).await?;
    Ok(record(crop_group.version, &CropGroup::from(crop_group)))
}

/// Change a crop group
#[utoipa::path(
    tag = "crops", operation_id = "change_crop_group", request_body = CropGroupInput,
    params(("If-Match" = String, Header, description = "ETag of the crop group as last read")),
    responses((status = 200, description = "The crop group now", body = CropGroup), ChangeProblems)
)]
#[put("/crop_groups/{crop_group_id}")]
pub async fn change_crop_group(
    state: Data<ApiState>,
    crop_group_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<CropGroupInput>,
) -> Answer {
    let crop_group = state
        .app
        .change_crop_group(
            &signed.caller,
            *crop_group_id,
            expected,
            &signed.body.into(),
        )
        .await?;
    Ok(record(crop_group.version, &CropGroup::from(crop_group)))
}

/// Take a crop group out of use
#[utoipa::path(
    tag = "crops", operation_id = "retire_crop_group",
    params(("If-Match" = String, Header, description = "ETag of the crop group as last read")),
    responses((status = 200, description = "The retired crop group", body = CropGroup), ChangeProblems)
)]
#[delete("/crop_groups/{crop_group_id}")]
pub async fn retire_crop_group(
    state: Data<ApiState>,
    Signed(caller): Signed,
    crop_group_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let crop_group = state
        .app
        .retire_crop_group(&caller, *crop_group_id, expected)
        .await?;
    Ok(record(crop_group.version, &CropGroup::from(crop_group)))
}
