//! What all crops at a station have in common by the record of sowings.

use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, delete, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody};
use crate::learning::LearnedPart;
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, created, record};
use crate::serve::ApiState;

/// What is learned of a station.
#[derive(Debug, Serialize, ToSchema)]
pub struct StationLearning {
    /// Days, grams and survival.
    pub figures: Vec<StationFigure>,
    /// What coordinators decided and still holds.
    pub choices: Vec<StationLearningChoice>,
}

/// What all crops at a station have in common, beside what they have anywhere.
#[derive(Debug, Serialize, ToSchema)]
pub struct StationFigure {
    /// `days` until a cut, `grams` of containers that stand, or `survival` of containers.
    #[schema(example = "grams")]
    pub quantity: String,
    /// What days or grams of any crop are multiplied by; the share that would stand of a crop of which
    /// 90 % are expected to.
    #[serde(flatten)]
    pub part: LearnedPart,
    /// The same in words.
    #[schema(example = "crops at North sill give 18 % less")]
    pub explanation: String,
}

/// A decision about a station: hold its part of a figure at a value, or forget old sowings there.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct StationLearningChoiceInput {
    /// `days`, `grams` or `survival`.
    #[schema(example = "grams")]
    pub quantity: String,
    /// The value at which the station's part is held, in thousandths: 1 to 10000. Survival cannot be
    /// held for all crops at once.
    #[schema(minimum = 1, maximum = 10000, example = json!(null))]
    pub held_permille: Option<i32>,
    /// Instead: sowings of any crop there before this day are forgotten, after a change of lamps, say.
    #[schema(example = "2026-06-01")]
    pub forget_before: Option<NaiveDate>,
    /// Why.
    #[serde(default)]
    #[schema(example = "New lamps since June")]
    pub note: String,
}

/// A decision about a station.
#[derive(Debug, Serialize, ToSchema)]
pub struct StationLearningChoice {
    /// The decision.
    pub id: Uuid,
    /// The station.
    pub station_id: Uuid,
    /// What it says.
    #[serde(flatten)]
    pub fields: StationLearningChoiceInput,
    /// Its version; its ETag is this number after a `v`, in quotes.
    pub version: i64,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// Since when it holds no more.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<records::StationChoice> for StationLearningChoice {
    fn from(choice: records::StationChoice) -> Self {
        Self {
            id: choice.id,
            station_id: choice.fields.station_id,
            fields: StationLearningChoiceInput {
                quantity: choice.fields.quantity,
                held_permille: choice.fields.held_permille,
                forget_before: choice.fields.forget_before,
                note: choice.fields.note,
            },
            version: choice.version,
            created_at: choice.created_at,
            retired_at: choice.retired_at,
        }
    }
}

/// Read what all crops at a station have in common
///
/// Estimated anew from the sowings of the last two and a half years.
#[utoipa::path(
    tag = "stations", operation_id = "read_station_learning",
    responses((status = 200, description = "The station's part of days, grams and survival, and what was decided about them", body = StationLearning), ReadProblems)
)]
#[get("/stations/{station_id}/learning")]
pub async fn read_station_learning(
    state: Data<ApiState>,
    Signed(caller): Signed,
    station_id: Path<Uuid>,
) -> Answer {
    let learned = state
        .app
        .read_station_learning(&caller, *station_id)
        .await?;
    let figures = learned.figures.into_iter().map(|figure| StationFigure {
        quantity: figure.quantity.to_owned(),
        part: figure.part.into(),
        explanation: figure.explanation,
    });
    Ok(HttpResponse::Ok().json(StationLearning {
        figures: figures.collect(),
        choices: learned.choices.into_iter().map(Into::into).collect(),
    }))
}

/// Hold a station's part of a figure, or forget old sowings there
#[utoipa::path(
    tag = "stations", operation_id = "choose_station_learning", request_body = StationLearningChoiceInput,
    responses((status = 201, description = "Decided; plans asked for from now on follow it", body = StationLearningChoice), WriteProblems)
)]
#[post("/stations/{station_id}/learning/choices")]
pub async fn choose_station_learning(
    state: Data<ApiState>,
    station_id: Path<Uuid>,
    signed: SignedBody<StationLearningChoiceInput>,
) -> Answer {
    let fields = records::StationChoiceFields {
        station_id: *station_id,
        quantity: signed.body.quantity,
        held_permille: signed.body.held_permille,
        forget_before: signed.body.forget_before,
        note: signed.body.note,
    };
    let choice = state
        .app
        .choose_station_learning(&signed.caller, &fields)
        .await?;
    let path = format!("/stations/{station_id}/learning/choices/{}", choice.id);
    Ok(created(
        choice.version,
        &path,
        &StationLearningChoice::from(choice),
    ))
}

/// Take a decision about a station back
#[utoipa::path(
    tag = "stations", operation_id = "drop_station_learning_choice",
    params(("If-Match" = String, Header, description = "Version of the choice as last read, as an ETag")),
    responses((status = 200, description = "The choice, which holds no more", body = StationLearningChoice), ChangeProblems)
)]
#[delete("/stations/{station_id}/learning/choices/{station_choice_id}")]
pub async fn drop_station_learning_choice(
    state: Data<ApiState>,
    Signed(caller): Signed,
    ids: Path<(Uuid, Uuid)>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let (station_id, choice_id) = *ids;
    let choice = state
        .app
        .drop_station_learning_choice(&caller, station_id, choice_id, expected)
        .await?;
    Ok(record(choice.version, &StationLearningChoice::from(choice)))
}
