//! Temperatures of cut greens where they are held.

use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use cotyl_app::cold_readings::{ColdReadingFields, ReadOf};
use cotyl_app::records;
use cotyl_domain::food_safety::{WARMEST_HELD, at_holding};
use cotyl_domain::temperature::Temperature;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::cuts::Caution;
use crate::extract::{Signed, SignedBody, page};
use crate::problem::{Problem, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, listed, one_more};
use crate::serve::ApiState;

/// A temperature of held greens: of the tray of a cut, or of the store of a site.
#[derive(Debug, Deserialize, ToSchema)]
pub struct ColdReadingInput {
    /// The tray.
    pub cut_id: Option<Uuid>,
    /// Instead: the site in whose store it was read.
    #[schema(example = "019a0000-0000-7000-8000-000000000001")]
    pub site_id: Option<Uuid>,
    /// How cold.
    pub temperature: Temperature,
    /// When; now when left out. At most 7 days back and 5 minutes ahead.
    pub read_at: Option<DateTime<Utc>>,
    /// Anything worth saying; for a correction the reason, which it needs.
    #[serde(default)]
    #[schema(example = "Door stood open")]
    pub note: String,
    /// The mistaken reading of the same tray or store in whose place this one stands.
    pub corrects_id: Option<Uuid>,
}

/// A temperature of held greens, an entry that is never changed.
#[derive(Debug, Serialize, ToSchema)]
pub struct ColdReading {
    /// The reading.
    pub id: Uuid,
    /// Where it was read.
    pub site_id: Uuid,
    /// The tray; `null` for the store of the site.
    pub cut_id: Option<Uuid>,
    /// How cold.
    pub temperature: Temperature,
    /// Whether it was warmer than 5 °C (41 °F), at which cut leafy greens are held at the most.
    pub is_too_warm: bool,
    /// When, by the clock of whoever read it.
    pub read_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who read it.
    pub member_id: Uuid,
    /// Anything worth saying.
    pub note: String,
    /// The mistaken reading in whose place it stands.
    pub corrects_id: Option<Uuid>,
    /// The reading that stands in its place.
    pub corrected_by_id: Option<Uuid>,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

impl From<records::ColdReading> for ColdReading {
    fn from(reading: records::ColdReading) -> Self {
        let temperature = Temperature::of_decicelsius(reading.temperature_decicelsius);
        Self {
            id: reading.id,
            site_id: reading.site_id,
            cut_id: reading.cut_id,
            temperature,
            is_too_warm: temperature > WARMEST_HELD,
            read_at: reading.read_at,
            recorded_at: reading.recorded_at,
            member_id: reading.member_id,
            note: reading.note,
            corrects_id: reading.corrects_id,
            corrected_by_id: reading.corrected_by_id,
            cautions: at_holding(temperature)
                .into_iter()
                .map(Into::into)
                .collect(),
        }
    }
}

/// Which readings are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ColdReadingsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this site only.
    pub site_id: Option<Uuid>,
    /// Of this tray only.
    pub cut_id: Option<Uuid>,
    /// Only those above 5 °C (41 °F).
    #[serde(default)]
    pub too_warm: bool,
}

/// List temperatures of held greens
#[utoipa::path(
    tag = "cuts", operation_id = "list_cold_readings", params(ColdReadingsQuery),
    responses((status = 200, description = "A page of readings, with those that were corrected", body = Listed<ColdReading>), ReadProblems)
)]
#[get("/cold_readings")]
pub async fn list_cold_readings(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<ColdReadingsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::ColdReadingFilter {
        site_id: query.site_id,
        cut_id: query.cut_id,
        above_decicelsius: query.too_warm.then_some(WARMEST_HELD.decicelsius()),
    };
    let readings = state
        .app
        .list_cold_readings(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(
        &request,
        page,
        readings,
        |r| r.id,
        ColdReading::from,
    ))
}

/// Record a temperature of held greens
///
/// A mistake is put right by a further reading that names it in `corrects_id`. Above 5 °C (41 °F) the
/// answer carries a caution.
#[utoipa::path(
    tag = "cuts", operation_id = "record_cold_reading", request_body = ColdReadingInput,
    responses((status = 201, description = "Recorded", body = ColdReading), WriteProblems)
)]
#[post("/cold_readings")]
pub async fn record_cold_reading(
    state: Data<ApiState>,
    signed: SignedBody<ColdReadingInput>,
) -> Answer {
    let input = signed.body;
    let of = match (input.cut_id, input.site_id) {
        (Some(cut_id), None) => ReadOf::Cut(cut_id),
        (None, Some(site_id)) => ReadOf::Store(site_id),
        _ => {
            return Err(Problem::field(
                "/cut_id",
                "either",
                "give either the cut whose tray was read, or the site whose store",
            ));
        }
    };
    let fields = ColdReadingFields {
        of,
        temperature: input.temperature,
        read_at: input.read_at,
        note: input.note,
        corrects_id: input.corrects_id,
    };
    let reading = state
        .app
        .record_cold_reading(&signed.caller, &fields)
        .await?;
    Ok(HttpResponse::Created().json(ColdReading::from(reading)))
}
