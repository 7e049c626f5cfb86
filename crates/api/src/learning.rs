//! What is learned of a crop from the record of sowings.

use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, delete, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::plans::learned_figures::{LearnedFigure as Figure, LearnedPart as Part};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, created, record};
use crate::serve::ApiState;

/// What is learned of a crop.
#[derive(Debug, Serialize, ToSchema)]
pub struct CropLearning {
    /// Every figure at every station where the crop may grow. Plans use them in place of the crop's
    /// profile wherever anything is on record.
    pub figures: Vec<LearnedFigure>,
    /// What coordinators decided and still holds.
    pub choices: Vec<LearningChoice>,
}

/// What one part has in a learned figure: the figure as it would be by that part alone.
#[derive(Debug, Serialize, ToSchema)]
pub struct LearnedPart {
    /// What the profile's days or grams are multiplied by; of survival the share that stands.
    #[schema(example = 1.08)]
    pub value: f64,
    /// Lower end of where the truth lies with a probability of 80 %.
    pub low: f64,
    /// Upper end of where the truth lies with a probability of 80 %.
    pub high: f64,
    /// Sowings on record of this part.
    pub sowings: usize,
    /// Whether a coordinator holds it at this value.
    pub held: bool,
}

/// A figure that was learned of a crop at a station.
#[derive(Debug, Serialize, ToSchema)]
pub struct LearnedFigure {
    /// The station.
    pub station_id: Uuid,
    /// Its name.
    pub station_name: String,
    /// `days` until a cut, `grams` of containers that stand, or `survival` of containers.
    #[schema(example = "days")]
    pub quantity: String,
    /// What the profile's days or grams are multiplied by; of survival the share that stands.
    #[schema(example = 1.12)]
    pub value: f64,
    /// Lower end of where the truth lies with a probability of 80 %.
    pub low: f64,
    /// Upper end of where the truth lies with a probability of 80 %.
    pub high: f64,
    /// Sowings on which it rests: those of the narrowest level that has any.
    pub sowings: usize,
    /// That level: `crop_station`, `crop_method`, `crop`, `group` or `cooperative`; `null` when nothing
    /// is on record, and the value that of the profile.
    #[schema(example = "crop_station")]
    pub basis: Option<String>,
    /// Whether a coordinator holds it at this value.
    pub held: bool,
    /// What the crop has in it wherever it grows.
    pub of_crop: LearnedPart,
    /// What all crops at the station have in common, beside what they have anywhere. What neither
    /// explains is particular to this crop at this station.
    pub of_station: LearnedPart,
    /// The same in words.
    #[schema(
        example = "Basil takes 10 % longer wherever it grows; crops at North sill take 8 % longer; in all Basil at North sill takes 21 % longer"
    )]
    pub explanation: String,
}

/// A decision about a figure: hold it at a value, or forget old sowings.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct LearningChoiceInput {
    /// The station; left out for the crop wherever it grows.
    pub station_id: Option<Uuid>,
    /// `days`, `grams` or `survival`.
    #[schema(example = "days")]
    pub quantity: String,
    /// The value at which it is held, in thousandths: 1 to 10000; of survival 1 to 1000.
    #[schema(minimum = 1, maximum = 10000, example = 1100)]
    pub held_permille: Option<i32>,
    /// Instead: sowings before this day are forgotten, after a change of lamps, say.
    #[schema(example = json!(null))]
    pub forget_before: Option<NaiveDate>,
    /// Why.
    #[serde(default)]
    #[schema(example = "counted on the bench by hand")]
    pub note: String,
}

/// A decision about a figure.
#[derive(Debug, Serialize, ToSchema)]
pub struct LearningChoice {
    /// The decision.
    pub id: Uuid,
    /// The crop.
    pub crop_id: Uuid,
    /// What it says.
    #[serde(flatten)]
    pub fields: LearningChoiceInput,
    /// Its version; its ETag is this number after a `v`, in quotes.
    pub version: i64,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// Since when it holds no more.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<Part> for LearnedPart {
    fn from(part: Part) -> Self {
        Self {
            value: part.value,
            low: part.low,
            high: part.high,
            sowings: part.sowings,
            held: part.frozen,
        }
    }
}

impl From<Figure> for LearnedFigure {
    fn from(figure: Figure) -> Self {
        let basis = figure
            .basis
            .and_then(|level| serde_json::to_value(level).ok());
        Self {
            station_id: figure.station_id.parse().unwrap_or_default(),
            station_name: figure.station_name,
            quantity: figure.quantity.to_owned(),
            value: figure.whole.value,
            low: figure.whole.low,
            high: figure.whole.high,
            sowings: figure.whole.sowings,
            basis: basis.and_then(|name| name.as_str().map(str::to_owned)),
            held: figure.whole.frozen,
            of_crop: figure.of_crop.into(),
            of_station: figure.of_station.into(),
            explanation: figure.explanation,
        }
    }
}

impl From<records::Choice> for LearningChoice {
    fn from(choice: records::Choice) -> Self {
        Self {
            id: choice.id,
            crop_id: choice.fields.crop_id,
            fields: LearningChoiceInput {
                station_id: choice.fields.station_id,
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

/// Read what is learned of a crop
///
/// Estimated anew from the sowings of the last two and a half years.
#[utoipa::path(
    tag = "crops", operation_id = "read_learning",
    responses((status = 200, description = "Figures by station, and what was decided about them", body = CropLearning), ReadProblems)
)]
#[get("/crops/{crop_id}/learning")]
pub async fn read_learning(
    state: Data<ApiState>,
    Signed(caller): Signed,
    crop_id: Path<Uuid>,
) -> Answer {
    let learned = state.app.read_learning(&caller, *crop_id).await?;
    Ok(HttpResponse::Ok().json(CropLearning {
        figures: learned.figures.into_iter().map(Into::into).collect(),
        choices: learned.choices.into_iter().map(Into::into).collect(),
    }))
}

/// Hold a figure, or forget old sowings
#[utoipa::path(
    tag = "crops", operation_id = "choose_learning", request_body = LearningChoiceInput,
    responses((status = 201, description = "Decided; plans asked for from now on follow it", body = LearningChoice), WriteProblems)
)]
#[post("/crops/{crop_id}/learning/choices")]
pub async fn choose_learning(
    state: Data<ApiState>,
    crop_id: Path<Uuid>,
    signed: SignedBody<LearningChoiceInput>,
) -> Answer {
    let fields = records::ChoiceFields {
        crop_id: *crop_id,
        station_id: signed.body.station_id,
        quantity: signed.body.quantity,
        held_permille: signed.body.held_permille,
        forget_before: signed.body.forget_before,
        note: signed.body.note,
    };
    let choice = state.app.choose_learning(&signed.caller, &fields).await?;
    let path = format!("/crops/{crop_id}/learning/choices/{}", choice.id);
    Ok(created(
        choice.version,
        &path,
        &LearningChoice::from(choice),
    ))
}

/// Take a decision about a figure back
#[utoipa::path(
    tag = "crops", operation_id = "drop_learning_choice",
    params(("If-Match" = String, Header, description = "Version of the choice as last read, as an ETag")),
    responses((status = 200, description = "The choice, which holds no more", body = LearningChoice), ChangeProblems)
)]
#[delete("/crops/{crop_id}/learning/choices/{choice_id}")]
pub async fn drop_learning_choice(
    state: Data<ApiState>,
    Signed(caller): Signed,
    ids: Path<(Uuid, Uuid)>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let (crop_id, choice_id) = *ids;
    let choice = state
        .app
        .drop_learning_choice(&caller, crop_id, choice_id, expected)
        .await?;
    Ok(record(choice.version, &LearningChoice::from(choice)))
}
