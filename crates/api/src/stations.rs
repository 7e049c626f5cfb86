//! Stations.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// How a station or a crop holds its liquid.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// Still liquid; roots in the air above it take the oxygen.
    Passive,
    /// Liquid kept supplied with oxygen.
    Aerated,
}

/// Weeks of every year in which temperature and light are alike.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct EnvironmentPeriod {
    /// First ISO week, 1 to 53.
    #[schema(example = 1)]
    pub first_week: u32,
    /// Last ISO week, not before the first: a winter over New Year takes two periods.
    #[schema(example = 53)]
    pub last_week: u32,
    /// Daily mean temperature in degrees Celsius, -20 to 60.
    #[schema(example = 21.0)]
    pub temperature_celsius: f64,
    /// Daily light integral in mol per square metre and day, 0 to 80.
    #[schema(example = 15.0)]
    pub daily_light_mol: f64,
}

/// What a station is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct StationInput {
    /// The site it is at. It cannot change.
    pub site_id: Uuid,
    /// What its containers are.
    pub container_kind_id: Uuid,
    /// Unique among the stations of the site.
    #[schema(example = "Bench by the window")]
    pub name: String,
    /// How its containers hold their liquid.
    pub method: Method,
    /// Containers it has room for, 1 to 10000; not fewer than are there or planned on any day.
    #[schema(example = 8)]
    pub places: i32,
    /// Temperature and light through the year: every week from 1 to 53 in exactly one period.
    pub environment: Vec<EnvironmentPeriod>,
}

/// A station.
#[derive(Debug, Serialize, ToSchema)]
pub struct Station {
    /// The station.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: StationInput,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

/// Which stations are listed.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct StationsQuery {
    /// Of this site only.
    pub site_id: Option<Uuid>,
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Whether retired records are listed too.
    #[serde(default)]
    pub with_retired: bool,
}

impl From<StationInput> for records::StationFields {
    fn from(input: StationInput) -> Self {
        Self {
            site_id: input.site_id,
            container_kind_id: input.container_kind_id,
            name: input.name,
            method: match input.method {
                Method::Passive => "passive",
                Method::Aerated => "aerated",
            }
            .to_owned(),
            places: input.places,
            environment: serde_json::json!(input.environment),
        }
    }
}

impl From<records::Station> for Station {
    fn from(station: records::Station) -> Self {
        Self {
            id: station.id,
            fields: StationInput {
                site_id: station.fields.site_id,
                container_kind_id: station.fields.container_kind_id,
                name: station.fields.name,
                method: match station.fields.method.as_str() {
                    "aerated" => Method::Aerated,
                    _ => Method::Passive,
                },
                places: station.fields.places,
                // checked before it was kept
                environment: serde_json::from_value(station.fields.environment).unwrap_or_default(),
            },
            created_at: station.created_at,
            updated_at: station.updated_at,
            retired_at: station.retired_at,
        }
    }
}

/// List stations
#[utoipa::path(
    tag = "stations", operation_id = "list_stations", params(StationsQuery),
    responses((status = 200, description = "A page of stations", body = Listed<Station>), ReadProblems)
)]
#[get("/stations")]
pub async fn list_stations(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<StationsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::StationFilter {
        site_id: query.site_id,
        with_retired: query.with_retired,
    };
    let stations = state
        .app
        .list_stations(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, stations, |s| s.id, Station::from))
}

/// Describe a new station
#[utoipa::path(
    tag = "stations", operation_id = "create_station", request_body = StationInput,
    responses((status = 201, description = "Described", body = Station), WriteProblems)
)]
#[post("/stations")]
pub async fn create_station(state: Data<ApiState>, signed: SignedBody<StationInput>) -> Answer {
    let station = state
        .app
        .create_station(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        station.version,
        &format!("/stations/{}", station.id),
        &Station::from(station),
    ))
}

/// Read a station
#[utoipa::path(
    tag = "stations", operation_id = "read_station",
    responses((status = 200, description = "The station", body = Station), ReadProblems)
)]
#[get("/stations/{station_id}")]
pub async fn read_station(
    state: Data<ApiState>,
    Signed(caller): Signed,
    station_id: Path<Uuid>,
) -> Answer {
    let station = state.app.read_station(&caller, *station_id).await?;
    Ok(record(station.version, &Station::from(station)))
}

/// Change a station
#[utoipa::path(
    tag = "stations", operation_id = "change_station", request_body = StationInput,
    params(("If-Match" = String, Header, description = "ETag of the station as last read")),
    responses((status = 200, description = "The station now", body = Station), ChangeProblems)
)]
#[put("/stations/{station_id}")]
pub async fn change_station(
    state: Data<ApiState>,
    station_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<StationInput>,
) -> Answer {
    let station = state
        .app
        .change_station(&signed.caller, *station_id, expected, &signed.body.into())
        .await?;
    Ok(record(station.version, &Station::from(station)))
}

/// Take a station out of use
#[utoipa::path(
    tag = "stations", operation_id = "retire_station",
    params(("If-Match" = String, Header, description = "ETag of the station as last read")),
    responses((status = 200, description = "The retired station", body = Station), ChangeProblems)
)]
#[delete("/stations/{station_id}")]
pub async fn retire_station(
    state: Data<ApiState>,
    Signed(caller): Signed,
    station_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let station = state
        .app
        .retire_station(&caller, *station_id, expected)
        .await?;
    Ok(record(station.version, &Station::from(station)))
}
