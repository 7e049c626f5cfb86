//! Outages: periods in which places of a station cannot be used.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, RecordsQuery, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What an outage is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct OutageInput {
    /// First day.
    #[schema(example = "2026-11-02")]
    pub first_day: NaiveDate,
    /// Last day, at most 1000 days later.
    #[schema(example = "2026-11-08")]
    pub last_day: NaiveDate,
    /// Places that cannot be used, at most those of the station.
    #[schema(example = 4)]
    pub places: i32,
    /// Why.
    #[schema(example = "Lamp is being replaced")]
    pub reason: String,
}

impl From<OutageInput> for records::OutageFields {
    fn from(input: OutageInput) -> Self {
        Self {
            first_day: input.first_day,
            last_day: input.last_day,
            places: input.places,
            reason: input.reason,
        }
    }
}

/// An outage.
#[derive(Debug, Serialize, ToSchema)]
pub struct Outage {
    /// The outage.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: OutageInput,
    /// The station.
    pub station_id: Uuid,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<records::Outage> for Outage {
    fn from(outage: records::Outage) -> Self {
        Self {
            id: outage.id,
            fields: OutageInput {
                first_day: outage.fields.first_day,
                last_day: outage.fields.last_day,
                places: outage.fields.places,
                reason: outage.fields.reason,
            },
            station_id: outage.station_id,
            created_at: outage.created_at,
            updated_at: outage.updated_at,
            retired_at: outage.retired_at,
        }
    }
}

/// List the outages of a station
#[utoipa::path(
    tag = "stations", operation_id = "list_outages", params(RecordsQuery),
    responses((status = 200, description = "A page of outages of the station", body = Listed<Outage>), ReadProblems)
)]
#[get("/stations/{station_id}/outages")]
pub async fn list_outages(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    station_id: Path<Uuid>,
    query: Query<RecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let outages = state
        .app
        .list_outages(&caller, *station_id, query.with_retired, one_more(page))
        .await?;
    Ok(listed(&request, page, outages, |o| o.id, Outage::from))
}

/// Take places of a station out of use for some days
#[utoipa::path(
    tag = "stations", operation_id = "create_outage", request_body = OutageInput,
    responses((status = 201, description = "Described", body = Outage), WriteProblems)
)]
#[post("/stations/{station_id}/outages")]
pub async fn create_outage(
    state: Data<ApiState>,
    station_id: Path<Uuid>,
    signed: SignedBody<OutageInput>,
) -> Answer {
    let outage = state
        .app
        .create_outage(&signed.caller, *station_id, &signed.body.into())
        .await?;
    Ok(created(
        outage.version,
        &format!("/outages/{}", outage.id),
        &Outage::from(outage),
    ))
}

/// Read an outage
#[utoipa::path(
    tag = "stations", operation_id = "read_outage",
    responses((status = 200, description = "The outage", body = Outage), ReadProblems)
)]
#[get("/outages/{outage_id}")]
pub async fn read_outage(
    state: Data<ApiState>,
    Signed(caller): Signed,
    outage_id: Path<Uuid>,
) -> Answer {
    let outage = state.app.read_outage(&caller, *outage_id).await?;
    Ok(record(outage.version, &Outage::from(outage)))
}

/// Change an outage
#[utoipa::path(
    tag = "stations", operation_id = "change_outage", request_body = OutageInput,
    params(("If-Match" = String, Header, description = "ETag of the outage as last read")),
    responses((status = 200, description = "The outage now", body = Outage), ChangeProblems)
)]
#[put("/outages/{outage_id}")]
pub async fn change_outage(
    state: Data<ApiState>,
    outage_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<OutageInput>,
) -> Answer {
    let outage = state
        .app
        .change_outage(&signed.caller, *outage_id, expected, &signed.body.into())
        .await?;
    Ok(record(outage.version, &Outage::from(outage)))
}

/// Take an outage back
#[utoipa::path(
    tag = "stations", operation_id = "retire_outage",
    params(("If-Match" = String, Header, description = "ETag of the outage as last read")),
    responses((status = 200, description = "The retired outage", body = Outage), ChangeProblems)
)]
#[delete("/outages/{outage_id}")]
pub async fn retire_outage(
    state: Data<ApiState>,
    Signed(caller): Signed,
    outage_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let outage = state
        .app
        .retire_outage(&caller, *outage_id, expected)
        .await?;
    Ok(record(outage.version, &Outage::from(outage)))
}
