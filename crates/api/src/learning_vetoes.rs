//! What was found of single sowings, and which of it is left out of learning.

use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, delete, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::plans::learned::Observation as AppObservation;
use cotyl_app::records;
use cotyl_domain::CutHarm;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, created, record};
use crate::serve::ApiState;

/// A figure that was found beside the one that the profile of the crop expected there and then.
#[derive(Debug, Serialize, ToSchema)]
pub struct Found {
    /// What was found.
    #[schema(example = 34.0)]
    pub observed: f64,
    /// What the profile expected, before anything learned.
    #[schema(example = 30.0)]
    pub expected: f64,
    /// The one divided by the other.
    #[schema(example = 1.133)]
    pub factor: f64,
}

/// What was found of one sowing.
#[derive(Debug, Serialize, ToSchema)]
pub struct Observation {
    /// The sowing.
    pub sowing_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Name of the station.
    pub station_name: String,
    /// When it was sown.
    pub sown_on: NaiveDate,
    /// Containers sown.
    pub containers: u32,
    /// Days to the first cut; `null` where it was not cut, or the days of the bench are stated.
    pub days: Option<Found>,
    /// Grams of all cuts so far, of all its containers.
    pub grams: Option<Found>,
    /// Containers in which seedlings stood, where they were counted.
    pub stood: Option<u32>,
    /// Share of containers that the profile expected to stand.
    #[schema(example = 0.9)]
    pub expected_survival: f64,
    /// Whether it was lost before a cut.
    pub lost: bool,
    /// Figures that are left out of learning: `days`, `grams`, `survival`.
    pub vetoed: Vec<String>,
    /// Cuts that something from outside harmed. They are in the figures above, and are left out of
    /// learning: their grams, and the days to the first cut where it is among them.
    pub harmed_cuts: Vec<HarmedCut>,
}

/// A cut that something from outside harmed.
#[derive(Debug, Serialize, ToSchema)]
pub struct HarmedCut {
    /// Its day.
    pub cut_on: NaiveDate,
    /// What harmed it.
    #[schema(value_type = CutHarm)]
    pub harmed_by: String,
}

/// What was found of the sowings of a crop.
#[derive(Debug, Serialize, ToSchema)]
pub struct CropObservations {
    /// Sowing by sowing, in the order of their making.
    pub observations: Vec<Observation>,
    /// What coordinators left out, with what they took back.
    pub vetoes: Vec<LearningVeto>,
}

/// A figure of a sowing to be left out of learning.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct LearningVetoInput {
    /// The sowing.
    pub sowing_id: Uuid,
    /// `days`, `grams` or `survival`.
    #[schema(example = "grams")]
    pub quantity: String,
    /// Why.
    #[schema(example = "The heating failed for a week")]
    pub reason: String,
}

/// A figure of a sowing that is left out of learning.
#[derive(Debug, Serialize, ToSchema)]
pub struct LearningVeto {
    /// The veto.
    pub id: Uuid,
    /// What it says.
    #[serde(flatten)]
    pub fields: LearningVetoInput,
    /// Who made it.
    pub member_id: Uuid,
    /// Its version; its ETag is this number after a `v`, in quotes.
    pub version: i64,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// Since when it holds no more.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<records::Veto> for LearningVeto {
    fn from(veto: records::Veto) -> Self {
        Self {
            id: veto.id,
            fields: LearningVetoInput {
                sowing_id: veto.fields.sowing_id,
                quantity: veto.fields.quantity,
                reason: veto.fields.reason,
            },
            member_id: veto.member_id,
            version: veto.version,
            created_at: veto.created_at,
            retired_at: veto.retired_at,
        }
    }
}

impl From<AppObservation> for Observation {
    fn from(observation: AppObservation) -> Self {
        let record = observation.record;
        let found = |measured: records::Measured| Found {
            observed: measured.observed,
            expected: measured.expected,
            factor: measured.observed / measured.expected,
        };
        Self {
            sowing_id: observation.sowing_id,
            station_id: observation.station_id.parse().unwrap_or_default(),
            station_name: observation.station_name,
            sown_on: observation.sown_on,
            containers: record.containers_sown,
            days: record.days_to_first_cut.map(found),
            grams: record.grams.map(found),
            stood: record.containers_stood,
            expected_survival: record.expected_survival,
            lost: record.lost,
            vetoed: observation.vetoed,
            harmed_cuts: observation
                .harmed_cuts
                .into_iter()
                .map(|(cut_on, harmed_by)| HarmedCut { cut_on, harmed_by })
                .collect(),
        }
    }
}

/// List what was found of each sowing of a crop
///
/// Those of the last two and a half years that were cut, cleared or lost.
#[utoipa::path(
    tag = "crops", operation_id = "list_observations",
    responses((status = 200, description = "Sowing by sowing, and what is left out", body = CropObservations), ReadProblems)
)]
#[get("/crops/{crop_id}/learning/observations")]
pub async fn list_observations(
    state: Data<ApiState>,
    Signed(caller): Signed,
    crop_id: Path<Uuid>,
) -> Answer {
    let found = state.app.list_observations(&caller, *crop_id).await?;
    Ok(HttpResponse::Ok().json(CropObservations {
        observations: found.observations.into_iter().map(Into::into).collect(),
        vetoes: found.vetoes.into_iter().map(Into::into).collect(),
    }))
}

/// Leave a figure of a sowing out of learning
#[utoipa::path(
    tag = "crops", operation_id = "veto_observation", request_body = LearningVetoInput,
    responses((status = 201, description = "Left out; what is read and planned from now on is without it", body = LearningVeto), WriteProblems)
)]
#[post("/crops/{crop_id}/learning/vetoes")]
pub async fn veto_observation(
    state: Data<ApiState>,
    crop_id: Path<Uuid>,
    signed: SignedBody<LearningVetoInput>,
) -> Answer {
    let fields = records::VetoFields {
        sowing_id: signed.body.sowing_id,
        quantity: signed.body.quantity,
        reason: signed.body.reason,
    };
    let veto = state
        .app
        .veto_observation(&signed.caller, *crop_id, &fields)
        .await?;
    let path = format!("/crops/{crop_id}/learning/vetoes/{}", veto.id);
    Ok(created(veto.version, &path, &LearningVeto::from(veto)))
}

/// Take a figure of a sowing back into learning
#[utoipa::path(
    tag = "crops", operation_id = "drop_veto",
    params(("If-Match" = String, Header, description = "Version of the veto as last read, as an ETag")),
    responses((status = 200, description = "The veto, which holds no more", body = LearningVeto), ChangeProblems)
)]
#[delete("/crops/{crop_id}/learning/vetoes/{veto_id}")]
pub async fn drop_veto(
    state: Data<ApiState>,
    Signed(caller): Signed,
    ids: Path<(Uuid, Uuid)>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let (crop_id, veto_id) = *ids;
    let veto = state
        .app
        .drop_veto(&caller, crop_id, veto_id, expected)
        .await?;
    Ok(record(veto.version, &LearningVeto::from(veto)))
}
