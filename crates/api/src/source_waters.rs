//! Source waters of sites.

use std::collections::BTreeMap;

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::records;
use cotyl_app::source_waters::WaterDetail;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, SiteRecordsQuery, page};
use crate::handling::tidy;
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// In what an alkalinity is stated.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum AlkalinityUnit {
    MilliequivalentsPerLitre,
    MilligramsPerLitreAsCalciumCarbonate,
    MilligramsPerLitreAsHydrogenCarbonate,
}

/// An alkalinity as the report states it.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
pub struct AlkalinityInput {
    /// The figure, up to 50 meq/L.
    #[schema(example = 3.0)]
    pub value: f64,
    /// What it counts.
    pub unit: AlkalinityUnit,
}

/// What a source water is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct SourceWaterInput {
    /// The site where it comes out. It cannot change.
    pub site_id: Uuid,
    /// Unique among the waters of the site.
    #[schema(example = "Tap")]
    pub name: String,
    /// Day of the report.
    pub analysed_on: Option<NaiveDate>,
    /// pH, 3 to 11.
    #[schema(example = 7.6)]
    pub ph: f64,
    /// Alkalinity, the bases that acid must neutralise first.
    pub alkalinity: AlkalinityInput,
    /// Elements in mg/L by the names of nutrients, `calcium` for one; nitrogen as nitrogen and sulfate as
    /// sulfur.
    #[serde(default)]
    #[schema(example = json!({"calcium": 48.0, "magnesium": 9.0, "sodium": 12.0, "chlorine": 20.0}))]
    pub milligrams_per_litre: BTreeMap<String, f64>,
}

/// An alkalinity in every unit: 1 meq/L is 50.04 mg/L as CaCO₃ and 61.02 mg/L as HCO₃⁻.
#[derive(Debug, Serialize, ToSchema)]
#[allow(missing_docs)]
pub struct AlkalinityConversions {
    #[schema(example = 3.0)]
    pub milliequivalents_per_litre: f64,
    #[schema(example = 150.1)]
    pub milligrams_per_litre_as_calcium_carbonate: f64,
    #[schema(example = 183.0)]
    pub milligrams_per_litre_as_hydrogen_carbonate: f64,
}

/// A source water.
#[derive(Debug, Serialize, ToSchema)]
pub struct SourceWater {
    /// The water.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: SourceWaterInput,
    /// Its alkalinity in every unit.
    pub alkalinity_conversions: AlkalinityConversions,
    /// Equivalents per litre, in thousandths and with their sign, that the report leaves open: ions it
    /// does not name. The smaller, the better what is worked out with it.
    pub unlisted_milliequivalents_per_litre: f64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<SourceWaterInput> for records::SourceWaterFields {
    fn from(input: SourceWaterInput) -> Self {
        Self {
            analysis: json!({
                "ph": input.ph, "alkalinity": input.alkalinity,
                "milligrams_per_litre": input.milligrams_per_litre,
            }),
            site_id: input.site_id,
            name: input.name,
            analysed_on: input.analysed_on,
        }
    }
}

impl From<WaterDetail> for SourceWater {
    fn from(detail: WaterDetail) -> Self {
        let unit = serde_json::from_value(json!(detail.analysis.alkalinity.unit))
            .unwrap_or(AlkalinityUnit::MilliequivalentsPerLitre);
        let alkalinity = detail.alkalinity;
        Self {
            id: detail.water.id,
            fields: SourceWaterInput {
                site_id: detail.water.fields.site_id,
                name: detail.water.fields.name,
                analysed_on: detail.water.fields.analysed_on,
                ph: detail.analysis.ph,
                alkalinity: AlkalinityInput {
                    value: detail.analysis.alkalinity.value,
                    unit,
                },
                milligrams_per_litre: detail.analysis.milligrams_per_litre,
            },
            alkalinity_conversions: AlkalinityConversions {
                milliequivalents_per_litre: tidy(alkalinity.milliequivalents()),
                milligrams_per_litre_as_calcium_carbonate: tidy(alkalinity.as_calcium_carbonate()),
                milligrams_per_litre_as_hydrogen_carbonate: tidy(
                    alkalinity.as_hydrogen_carbonate(),
                ),
            },
            unlisted_milliequivalents_per_litre: tidy(
                detail.solution.unlisted_equivalents_per_litre() * 1000.0,
            ),
            created_at: detail.water.created_at,
            updated_at: detail.water.updated_at,
            retired_at: detail.water.retired_at,
        }
    }
}

/// List source waters
#[utoipa::path(
    tag = "source waters", operation_id = "list_source_waters", params(SiteRecordsQuery),
    responses((status = 200, description = "A page of source waters", body = Listed<SourceWater>), ReadProblems)
)]
#[get("/source_waters")]
pub async fn list_source_waters(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<SiteRecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let found = state
        .app
        .list_source_waters(&caller, query.site_id, query.with_retired, one_more(page))
        .await?;
    Ok(listed(
        &request,
        page,
        found,
        |d| d.water.id,
        SourceWater::from,
    ))
}

/// Describe a new source water
///
/// A report whose pH and alkalinity contradict each other is refused with what would fit.
#[utoipa::path(
    tag = "source waters", operation_id = "create_source_water", request_body = SourceWaterInput,
    responses((status = 201, description = "Described", body = SourceWater), WriteProblems)
)]
#[post("/source_waters")]
pub async fn create_source_water(
    state: Data<ApiState>,
    signed: SignedBody<SourceWaterInput>,
) -> Answer {
    let detail = state
        .app
        .create_source_water(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        detail.water.version,
        &format!("/source_waters/{}", detail.water.id),
        &SourceWater::from(detail),
    ))
}

/// Read a source water
#[utoipa::path(
    tag = "source waters", operation_id = "read_source_water",
    responses((status = 200, description = "The source water", body = SourceWater), ReadProblems)
)]
#[get("/source_waters/{source_water_id}")]
pub async fn read_source_water(
    state: Data<ApiState>,
    Signed(caller): Signed,
    source_water_id: Path<Uuid>,
) -> Answer {
    let detail = state
        .app
        .read_source_water(&caller, *source_water_id)
        .await?;
    Ok(record(detail.water.version, &SourceWater::from(detail)))
}

/// Change a source water
#[utoipa::path(
    tag = "source waters", operation_id = "change_source_water", request_body = SourceWaterInput,
    params(("If-Match" = String, Header, description = "ETag of the source water as last read")),
    responses((status = 200, description = "The source water now", body = SourceWater), ChangeProblems)
)]
#[put("/source_waters/{source_water_id}")]
pub async fn change_source_water(
    state: Data<ApiState>,
    source_water_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<SourceWaterInput>,
) -> Answer {
    let detail = state
        .app
        .change_source_water(
            &signed.caller,
            *source_water_id,
            expected,
            &signed.body.into(),
        )
        .await?;
    Ok(record(detail.water.version, &SourceWater::from(detail)))
}

/// Take a source water out of use
#[utoipa::path(
    tag = "source waters", operation_id = "retire_source_water",
    params(("If-Match" = String, Header, description = "ETag of the source water as last read")),
    responses((status = 200, description = "The retired source water", body = SourceWater), ChangeProblems)
)]
#[delete("/source_waters/{source_water_id}")]
pub async fn retire_source_water(
    state: Data<ApiState>,
    Signed(caller): Signed,
    source_water_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let detail = state
        .app
        .retire_source_water(&caller, *source_water_id, expected)
        .await?;
    Ok(record(detail.water.version, &SourceWater::from(detail)))
}
