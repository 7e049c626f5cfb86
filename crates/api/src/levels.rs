//! Levels in the containers of a sowing.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use cotyl_app::levels::NewLevelReading;
use cotyl_app::records;
use cotyl_domain::quantity::Volume;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{PageQuery, Signed, SignedBody, page};
use crate::problem::{ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, listed, one_more};
use crate::serve::ApiState;

/// A level that somebody read.
#[derive(Debug, Deserialize, ToSchema)]
pub struct LevelReadingInput {
    /// Liquid in one container, the average of those looked at; at most what it holds.
    pub level: Volume,
    /// Depth of the liquid, measured with a rule. With it the published limit of 2 cm is reckoned in
    /// litres, as for straight walls.
    #[schema(minimum = 1, maximum = 2000, example = 120)]
    pub depth_millimetres: Option<i32>,
    /// Whether roots hang in the air above the liquid; left out where nobody looked.
    #[schema(example = true)]
    pub air_roots: Option<bool>,
    /// When it was read; now when left out.
    pub read_at: Option<DateTime<Utc>>,
    /// Anything worth knowing.
    #[serde(default)]
    #[schema(example = "three of six looked at")]
    pub note: String,
}

/// A level that somebody read. Of several on one day the last counts.
#[derive(Debug, Serialize, ToSchema)]
pub struct LevelReading {
    /// The reading.
    pub id: Uuid,
    /// The sowing whose containers were looked at.
    pub sowing_id: Uuid,
    /// Liquid in one container.
    pub level: Volume,
    /// Depth of the liquid.
    pub depth_millimetres: Option<i32>,
    /// Whether roots hang in the air above the liquid.
    pub air_roots: Option<bool>,
    /// When it was read.
    pub read_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who read it.
    pub member_id: Uuid,
    /// Anything worth knowing.
    pub note: String,
}

impl From<records::LevelReading> for LevelReading {
    fn from(reading: records::LevelReading) -> Self {
        Self {
            id: reading.id,
            sowing_id: reading.sowing_id,
            level: Volume::of_microlitres(reading.microlitres),
            depth_millimetres: reading.depth_millimetres,
            air_roots: reading.air_roots,
            read_at: reading.read_at,
            recorded_at: reading.recorded_at,
            member_id: reading.member_id,
            note: reading.note,
        }
    }
}

/// Write down a level
///
/// Corrects the forecast of when the containers of the sowing will be low.
#[utoipa::path(
    tag = "solution", operation_id = "record_level_reading", request_body = LevelReadingInput,
    responses((status = 201, description = "Written down", body = LevelReading), WriteProblems)
)]
#[post("/sowings/{sowing_id}/level_readings")]
pub async fn record_level_reading(
    state: Data<ApiState>,
    sowing_id: Path<Uuid>,
    signed: SignedBody<LevelReadingInput>,
) -> Answer {
    let input = signed.body;
    let new = NewLevelReading {
        microlitres: input.level.microlitres(),
        depth_millimetres: input.depth_millimetres,
        air_roots: input.air_roots,
        read_at: input.read_at,
        note: input.note,
    };
    let reading = state
        .app
        .record_level_reading(&signed.caller, *sowing_id, &new)
        .await?;
    Ok(HttpResponse::Created().json(LevelReading::from(reading)))
}

/// List the levels that were read
#[utoipa::path(
    tag = "solution", operation_id = "list_level_readings", params(PageQuery),
    responses((status = 200, description = "A page of readings, in the order in which they were written down", body = Listed<LevelReading>), ReadProblems)
)]
#[get("/sowings/{sowing_id}/level_readings")]
pub async fn list_level_readings(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    sowing_id: Path<Uuid>,
    query: Query<PageQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let readings = state
        .app
        .list_level_readings(&caller, *sowing_id, one_more(page))
        .await?;
    Ok(listed(
        &request,
        page,
        readings,
        |reading| reading.id,
        LevelReading::from,
    ))
}
