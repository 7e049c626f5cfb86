//! Grams of the products at hand for a target profile.

use actix_web::web::Data;
use actix_web::{HttpResponse, post};
use cotyl_app::recipes::formulation::{FormulationAnswer, FormulationRequest};
use cotyl_domain::quantity::Volume;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::SignedBody;
use crate::handling::{
    ExpectedReading, HandlingRules, NutrientAmount, expected, nutrient_amounts, tidy,
};
use crate::problem::WriteProblems;
use crate::respond::Answer;
use crate::serve::ApiState;

/// One wish of a profile.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub struct TargetInput {
    /// `nitrogen` for all its forms, or one nutrient.
    #[schema(example = "nitrogen")]
    pub item: String,
    /// mg/L in the finished solution, the water's share included.
    #[schema(example = 150.0)]
    pub milligrams_per_litre: f64,
    /// How much a relative deviation counts; 1 when left out.
    #[serde(default = "one")]
    #[schema(example = 1.0)]
    pub weight: f64,
}

fn one() -> f64 {
    1.0
}

/// What must not be passed.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub struct CeilingInput {
    /// `nitrogen`, or one nutrient.
    #[schema(example = "sodium")]
    pub item: String,
    /// mg/L in the finished solution.
    #[schema(example = 50.0)]
    pub most_milligrams_per_litre: f64,
}

/// A profile to be met from a shelf.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub struct FormulationInput {
    /// Whose shelf is looked at.
    pub site_id: Uuid,
    /// The water; pure water when left out.
    pub source_water_id: Option<Uuid>,
    /// The volume that the shelf must do for; one litre when left out.
    pub volume: Option<Volume>,
    /// The profile.
    pub targets: Vec<TargetInput>,
    /// What must not be passed.
    #[serde(default)]
    pub ceilings: Vec<CeilingInput>,
    /// Products to choose from; every fertiliser on the shelf of the site when left out.
    pub product_ids: Option<Vec<Uuid>>,
    /// Whether no more is used than the shelf holds; true when left out.
    #[serde(default = "yes")]
    pub within_stock: bool,
}

fn yes() -> bool {
    true
}

/// A product that was chosen.
#[derive(Debug, Serialize, ToSchema)]
pub struct ChosenProduct {
    /// The product.
    pub product_id: Uuid,
    /// Its name.
    pub name: String,
    /// Grams of it in a litre of finished solution.
    #[schema(example = 0.84)]
    pub grams_per_litre: f64,
    /// Grams for the volume.
    #[schema(example = 84.0)]
    pub grams: f64,
}

/// How a target is met.
#[derive(Debug, Serialize, ToSchema)]
pub struct MetTarget {
    /// What was wished for.
    #[schema(example = "nitrogen")]
    pub item: String,
    /// mg/L that were wished for.
    #[schema(example = 150.0)]
    pub target_milligrams_per_litre: f64,
    /// mg/L that come out.
    #[schema(example = 149.2)]
    pub milligrams_per_litre: f64,
    /// Deviation over the target: -0.1 is 10 % short.
    #[schema(example = -0.0053)]
    pub relative_deviation: f64,
}

/// A profile met as nearly as the shelf allows. Nothing is kept.
#[derive(Debug, Serialize, ToSchema)]
pub struct FormulationAnswerBody {
    /// The products that were chosen.
    pub products: Vec<ChosenProduct>,
    /// How each target is met.
    pub targets: Vec<MetTarget>,
    /// Sum of weight times relative deviation, without sign: what was made as small as possible.
    pub deviation: f64,
    /// What a litre holds, the water's share included.
    pub composition: Vec<NutrientAmount>,
    /// What the meters should show.
    pub expected: Option<ExpectedReading>,
    /// How the chosen products are to be handled.
    pub handling: HandlingRules,
}

impl From<FormulationAnswer> for FormulationAnswerBody {
    fn from(answer: FormulationAnswer) -> Self {
        let formulated = answer.formulated;
        let mut chosen = Vec::new();
        for amount in &formulated.amounts {
            let product = &answer.products[amount.product];
            chosen.push(ChosenProduct {
                product_id: product.id,
                name: product.fields.name.clone(),
                grams_per_litre: (amount.grams_per_litre * 1e6).round() / 1e6,
                grams: tidy(amount.grams),
            });
        }
        Self {
            products: chosen,
            targets: formulated
                .met
                .iter()
                .map(|met| MetTarget {
                    item: met.target.item.name().to_owned(),
                    target_milligrams_per_litre: met.target.milligrams_per_litre,
                    milligrams_per_litre: tidy(met.milligrams_per_litre),
                    relative_deviation: tidy(met.relative_deviation),
                })
                .collect(),
            deviation: tidy(formulated.deviation),
            composition: nutrient_amounts(&formulated.solution.nutrients()),
            expected: expected(answer.expectation),
            handling: answer.handling.into(),
        }
    }
}

/// Choose grams for a target profile
///
/// A linear programme finds the grams per litre of the products at hand that come nearest to the
/// profile. Nothing is kept: describe a recipe with what suits.
#[utoipa::path(
    tag = "recipes", operation_id = "formulate_recipe", request_body = FormulationInput,
    responses((status = 200, description = "The nearest there is", body = FormulationAnswerBody), WriteProblems)
)]
#[post("/recipes/formulations")]
pub async fn formulate_recipe(
    state: Data<ApiState>,
    signed: SignedBody<FormulationInput>,
) -> Answer {
    let input = signed.body;
    let request = FormulationRequest {
        site_id: input.site_id,
        source_water_id: input.source_water_id,
        litres: input
            .volume
            .map_or(1.0, |volume| volume.microlitres() as f64 / 1e6),
        targets: input
            .targets
            .into_iter()
            .map(|target| (target.item, target.milligrams_per_litre, target.weight))
            .collect(),
        ceilings: input
            .ceilings
            .into_iter()
            .map(|ceiling| (ceiling.item, ceiling.most_milligrams_per_litre))
            .collect(),
        product_ids: input.product_ids,
        within_stock: input.within_stock,
    };
    let answer = state.app.formulate_recipe(&signed.caller, &request).await?;
    Ok(HttpResponse::Ok().json(FormulationAnswerBody::from(answer)))
}
