//! What meters show at stations and in sowings.

use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use cotyl_app::batches::entry_input::ShownConductivity;
use cotyl_app::readings::NewReading;
use cotyl_app::records::{self, ReadingFilter};
use cotyl_domain::temperature::Temperature;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::batches::wire::ConductivityInput;
use crate::extract::{Signed, SignedBody, page};
use crate::problem::{ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, listed, one_more};
use crate::serve::ApiState;

/// What a meter shows.
#[derive(Debug, Deserialize, ToSchema)]
pub struct ReadingInput {
    /// The reading, a UUID of version 7 made by the client; sent again it is kept once.
    pub id: Option<Uuid>,
    /// At this station; that of the sowing where one is named.
    pub station_id: Option<Uuid>,
    /// In the containers of this sowing.
    pub sowing_id: Option<Uuid>,
    /// When, within the last 7 days; now when left out.
    pub measured_at: Option<DateTime<Utc>>,
    /// 0 to 14.
    #[schema(example = 6.1)]
    pub ph: Option<f64>,
    /// As the meter shows it, at most 20 mS/cm.
    pub conductivity: Option<ConductivityInput>,
    /// 0 to 60 °C.
    pub temperature: Option<Temperature>,
    /// Anything worth knowing, at most 300 characters.
    #[serde(default)]
    pub note: String,
    /// The reading of the same station that this one puts right.
    pub corrects: Option<Uuid>,
}

/// What a meter showed.
#[derive(Debug, Serialize, ToSchema)]
pub struct Reading {
    /// The reading.
    pub id: Uuid,
    /// The site.
    pub site_id: Uuid,
    /// The station.
    pub station_id: Uuid,
    /// The sowing, where it was in its containers.
    pub sowing_id: Option<Uuid>,
    /// When it was measured.
    pub measured_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who measured.
    pub member_id: Uuid,
    /// To hundredths.
    #[schema(example = 6.1)]
    pub ph: Option<f64>,
    /// At 25 °C.
    #[schema(example = 1520)]
    pub conductivity_microsiemens_per_cm: Option<i32>,
    /// To tenths of a degree.
    pub temperature: Option<Temperature>,
    /// Anything worth knowing.
    pub note: String,
    /// The reading that this one puts right.
    pub corrects: Option<Uuid>,
    /// The task it was measured for.
    pub task_id: Option<Uuid>,
}

impl From<records::Reading> for Reading {
    fn from(reading: records::Reading) -> Self {
        Self {
            id: reading.id,
            site_id: reading.site_id,
            station_id: reading.station_id,
            sowing_id: reading.sowing_id,
            measured_at: reading.measured_at,
            recorded_at: reading.recorded_at,
            member_id: reading.member_id,
            ph: reading.ph_hundredths.map(|ph| f64::from(ph) / 100.0),
            conductivity_microsiemens_per_cm: reading.microsiemens_per_centimetre,
            temperature: reading
                .temperature_decicelsius
                .map(Temperature::of_decicelsius),
            note: reading.note,
            corrects: reading.corrects,
            task_id: reading.task_id,
        }
    }
}

/// Which readings are listed.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ReadingsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// At this station only.
    pub station_id: Option<Uuid>,
    /// In the containers of this sowing only.
    pub sowing_id: Option<Uuid>,
}

/// List readings
///
/// Those that were put right stay in the list; the other names them in `corrects`.
#[utoipa::path(
    tag = "readings", operation_id = "list_readings", params(ReadingsQuery),
    responses((status = 200, description = "A page of readings", body = Listed<Reading>), ReadProblems)
)]
#[get("/readings")]
pub async fn list_readings(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<ReadingsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = ReadingFilter {
        sites: None,
        station_id: query.station_id,
        sowing_id: query.sowing_id,
    };
    let found = state
        .app
        .list_readings(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, found, |r| r.id, Reading::from))
}

/// Write down a reading
///
/// At a station, or in the containers of a sowing. Readings of batches are entries of the batch.
#[utoipa::path(
    tag = "readings", operation_id = "record_reading", request_body = ReadingInput,
    responses((status = 201, description = "Written down", body = Reading), WriteProblems)
)]
#[post("/readings")]
pub async fn record_reading(state: Data<ApiState>, signed: SignedBody<ReadingInput>) -> Answer {
    let input = signed.body;
    let new = NewReading {
        id: input.id,
        station_id: input.station_id,
        sowing_id: input.sowing_id,
        measured_at: input.measured_at,
        ph: input.ph,
        conductivity: input.conductivity.map(|shown| ShownConductivity {
            value: shown.value,
            scale: shown.scale,
            is_compensated: shown.compensated,
        }),
        temperature_decicelsius: input.temperature.map(Temperature::decicelsius),
        note: input.note,
        corrects: input.corrects,
    };
    let reading = state.app.record_reading(&signed.caller, &new).await?;
    Ok(HttpResponse::Created().json(Reading::from(reading)))
}
