//! Crops.

use std::collections::BTreeMap;

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::crop_profile::Profile;
use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// Days that a crop takes at one station, by the co-operative's own experience.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct StationDays {
    /// The station.
    pub station_id: Uuid,
    /// Days from sowing to the first cut, 1 to 730.
    #[schema(example = 35)]
    pub days_to_first_cut: Option<u32>,
    /// Days from a cut to the next, 1 to 730.
    #[schema(example = 12)]
    pub days_to_regrow: Option<u32>,
}

/// What a crop is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct CropInput {
    /// The group it belongs to.
    pub crop_group_id: Uuid,
    /// Unique among the crops of the co-operative.
    #[schema(example = "leaf lettuce")]
    pub name: String,
    /// How it grows.
    pub profile: Profile,
    /// Where figures come from: field of the profile, and a publication or a habit in words.
    #[serde(default)]
    #[schema(example = json!({"days_to_first_cut": "own record of 2025"}))]
    pub sources: BTreeMap<String, String>,
    /// What the co-operative knows of its own stations; these days win over the profile there.
    #[serde(default)]
    pub station_days: Vec<StationDays>,
}

/// A crop.
#[derive(Debug, Serialize, ToSchema)]
pub struct Crop {
    /// The crop.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: CropInput,
    /// Published ceilings that the profile goes beyond in the reference container, in words.
    pub warnings: Vec<String>,
    /// Fields of the profile for which no source is named.
    pub unsourced: Vec<String>,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

/// Which crops are listed.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct CropsQuery {
    /// Of this crop group only.
    pub crop_group_id: Option<Uuid>,
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Whether retired records are listed too.
    #[serde(default)]
    pub with_retired: bool,
}

impl From<CropInput> for records::CropFields {
    fn from(input: CropInput) -> Self {
        Self {
            crop_group_id: input.crop_group_id,
            name: input.name,
            profile: input.profile.into(),
            sources: input.sources,
            station_days: input
                .station_days
                .into_iter()
                .map(|days| records::StationDays {
                    station_id: days.station_id,
                    days_to_first_cut: days.days_to_first_cut,
                    days_to_regrow: days.days_to_regrow,
                })
                .collect(),
        }
    }
}

impl From<records::Crop> for Crop {
    fn from(crop: records::Crop) -> Self {
        let (warnings, unsourced) = (crop.warnings(), crop.unsourced());
        Self {
            id: crop.id,
            fields: CropInput {
                crop_group_id: crop.fields.crop_group_id,
                name: crop.fields.name,
                profile: crop.fields.profile.into(),
                sources: crop.fields.sources,
                station_days: crop
                    .fields
                    .station_days
                    .into_iter()
                    .map(|days| StationDays {
                        station_id: days.station_id,
                        days_to_first_cut: days.days_to_first_cut,
                        days_to_regrow: days.days_to_regrow,
                    })
                    .collect(),
            },
            warnings,
            unsourced,
            created_at: crop.created_at,
            updated_at: crop.updated_at,
            retired_at: crop.retired_at,
        }
    }
}

/// A crop to start with.
#[derive(Debug, Serialize, ToSchema)]
pub struct StarterCrop {
    /// Name of the group it belongs to.
    #[schema(example = "salad greens")]
    pub crop_group: String,
    /// The crop, to be sent to `POST /crops` as it is once its group is there.
    pub crop: StarterCropInput,
}

/// A crop to start with, in the form in which crops are described.
#[derive(Debug, Serialize, ToSchema)]
pub struct StarterCropInput {
    /// The group of that name; `null` while the co-operative has none.
    pub crop_group_id: Option<Uuid>,
    /// Generic name.
    #[schema(example = "leaf lettuce")]
    pub name: String,
    /// How it grows.
    pub profile: Profile,
    /// Where each figure comes from: a publication, `common practice, no source`, or `from memory`.
    pub sources: BTreeMap<String, String>,
    /// Empty: only the co-operative knows its stations.
    pub station_days: Vec<StationDays>,
}

/// The starter set.
#[derive(Debug, Serialize, ToSchema)]
pub struct StarterCrops {
    /// All of them.
    pub items: Vec<StarterCrop>,
}

impl From<records::Starter> for StarterCrop {
    fn from(starter: records::Starter) -> Self {
        Self {
            crop_group: starter.crop_group,
            crop: StarterCropInput {
                crop_group_id: starter.crop_group_id,
                name: starter.name,
                profile: starter.profile.into(),
                sources: starter.sources,
                station_days: Vec::new(),
            },
        }
    }
}

/// List crops to start with, in the form in which `POST /crops` takes them
#[utoipa::path(
    tag = "crops", operation_id = "list_starter_crops",
    responses((status = 200, description = "The starter set", body = StarterCrops), ReadProblems)
)]
#[get("/starter_crops")]
pub async fn list_starter_crops(state: Data<ApiState>, Signed(caller): Signed) -> Answer {
    let starters = state.app.list_starter_crops(&caller).await?;
    Ok(HttpResponse::Ok().json(StarterCrops {
        items: starters.into_iter().map(StarterCrop::from).collect(),
    }))
}

/// List crops
#[utoipa::path(
    tag = "crops", operation_id = "list_crops", params(CropsQuery),
    responses((status = 200, description = "A page of crops", body = Listed<Crop>), ReadProblems)
)]
#[get("/crops")]
pub async fn list_crops(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<CropsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::CropFilter {
        crop_group_id: query.crop_group_id,
        with_retired: query.with_retired,
    };
    let crops = state
        .app
        .list_crops(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, crops, |c| c.id, Crop::from))
}

/// Describe a new crop
#[utoipa::path(
    tag = "crops", operation_id = "create_crop", request_body = CropInput,
    responses((status = 201, description = "Described", body = Crop), WriteProblems)
)]
#[post("/crops")]
pub async fn create_crop(state: Data<ApiState>, signed: SignedBody<CropInput>) -> Answer {
    let crop = state
        .app
        .create_crop(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        crop.version,
        &format!("/crops/{}", crop.id),
        &Crop::from(crop),
    ))
}

/// Read a crop
#[utoipa::path(
    tag = "crops", operation_id = "read_crop",
    responses((status = 200, description = "The crop", body = Crop), ReadProblems)
)]
#[get("/crops/{crop_id}")]
pub async fn read_crop(
    state: Data<ApiState>,
    Signed(caller): Signed,
    crop_id: Path<Uuid>,
) -> Answer {
    let crop = state.app.read_crop(&caller, *crop_id).await?;
    Ok(record(crop.version, &Crop::from(crop)))
}

/// Change a crop
#[utoipa::path(
    tag = "crops", operation_id = "change_crop", request_body = CropInput,
    params(("If-Match" = String, Header, description = "ETag of the crop as last read")),
    responses((status = 200, description = "The crop now", body = Crop), ChangeProblems)
)]
#[put("/crops/{crop_id}")]
pub async fn change_crop(
    state: Data<ApiState>,
    crop_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<CropInput>,
) -> Answer {
    let crop = state
        .app
        .change_crop(&signed.caller, *crop_id, expected, &signed.body.into())
        .await?;
    Ok(record(crop.version, &Crop::from(crop)))
}

/// Take a crop out of use
#[utoipa::path(
    tag = "crops", operation_id = "retire_crop",
    params(("If-Match" = String, Header, description = "ETag of the crop as last read")),
    responses((status = 200, description = "The retired crop", body = Crop), ChangeProblems)
)]
#[delete("/crops/{crop_id}")]
pub async fn retire_crop(
    state: Data<ApiState>,
    Signed(caller): Signed,
    crop_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let crop = state.app.retire_crop(&caller, *crop_id, expected).await?;
    Ok(record(crop.version, &Crop::from(crop)))
}
