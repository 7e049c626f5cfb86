//! Grams of the products at hand for a target profile.

use actix_web::web::Data;
use actix_web::{HttpResponse, post};
use cotyl_app::recipes::formulation::{FormulationAnswer, FormulationRequest};
use cotyl_app::recipes::meetings::ApartReason;
use cotyl_app::solution::{Expectation, Formulated};
use cotyl_domain::quantity::{Mass, Volume};
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
    /// Products that are measured in whole level scoops for the volume.
    #[serde(default)]
    pub scoops: Vec<ScoopInput>,
    /// How many volumes of finished solution one volume of concentrate makes, 2 to 1000, where it is judged which
    /// products may stand in one; 100 when left out.
    #[serde(default = "hundred")]
    #[schema(example = 100.0)]
    pub concentrate_times: f64,
    /// Whether all that is chosen is to stand in one concentrate: then no two are chosen that must not meet in
    /// it. False when left out.
    #[serde(default)]
    pub one_concentrate: bool,
}

/// A product that is measured in whole level scoops.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub struct ScoopInput {
    /// The product.
    pub product_id: Uuid,
    /// What a level scoop weighs; what its stock item states when left out.
    pub weight: Option<Mass>,
}

fn hundred() -> f64 {
    100.0
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
    /// Whole level scoops for the volume, where it is measured so.
    #[schema(example = 14)]
    pub scoops: Option<u32>,
}

/// Two products that must not stand in one concentrate.
#[derive(Debug, Serialize, ToSchema)]
pub struct ApartProducts {
    /// One.
    pub product_id: Uuid,
    /// The other.
    pub other_product_id: Uuid,
    /// `parts`: different parts of a set. `settles`: calcium would settle with sulfate or phosphate, or nothing
    /// shows that it would not.
    #[schema(example = "settles")]
    pub reason: &'static str,
    /// In words.
    pub detail: String,
}

/// What whole scoops change of a nutrient.
#[derive(Debug, Serialize, ToSchema)]
pub struct RoundedNutrient {
    /// `nitrogen` for all its forms, or the element.
    #[schema(example = "nitrogen")]
    pub item: String,
    /// mg/L with exact grams.
    #[schema(example = 150.0)]
    pub exact_milligrams_per_litre: f64,
    /// mg/L with whole scoops.
    #[schema(example = 146.3)]
    pub milligrams_per_litre: f64,
    /// The second less the first.
    #[schema(example = -3.7)]
    pub deviation_milligrams_per_litre: f64,
}

/// What whole scoops change against the exact grams that come nearest to the profile.
#[derive(Debug, Serialize, ToSchema)]
pub struct ScoopRounding {
    /// Nutrient by nutrient.
    pub nutrients: Vec<RoundedNutrient>,
    /// Conductivity at 25 °C with exact grams, in µS/cm, where it comes to a figure.
    #[schema(example = 1480)]
    pub exact_microsiemens_per_cm: Option<f64>,
    /// The same with whole scoops.
    #[schema(example = 1451)]
    pub microsiemens_per_cm: Option<f64>,
    /// The second less the first.
    #[schema(example = -29)]
    pub deviation_microsiemens_per_cm: Option<f64>,
}

impl ScoopRounding {
    fn of(
        (exact, exact_reading): (&Formulated, Option<&Expectation>),
        (rounded, reading): (&Formulated, Option<&Expectation>),
    ) -> Self {
        let (before, after) = (exact.solution.nutrients(), rounded.solution.nutrients());
        let row = |item: &str, exact: f64, amount: f64| RoundedNutrient {
            item: item.to_owned(),
            exact_milligrams_per_litre: tidy(exact),
            milligrams_per_litre: tidy(amount),
            deviation_milligrams_per_litre: tidy(amount - exact),
        };
        let mut nutrients = vec![row("nitrogen", before.nitrogen(), after.nitrogen())];
        nutrients.extend(
            before
                .iter()
                .map(|(nutrient, exact)| (nutrient, exact, after.get(nutrient)))
                .filter(|(_, exact, amount)| *exact > 0.0 || *amount > 0.0)
                .map(|(nutrient, exact, amount)| row(nutrient.name(), exact, amount)),
        );
        let of = |reading: Option<&Expectation>| {
            reading.map(|found| found.conductivity.microsiemens_per_cm)
        };
        let (exact, found) = (of(exact_reading), of(reading));
        Self {
            nutrients,
            exact_microsiemens_per_cm: exact.map(f64::round),
            microsiemens_per_cm: found.map(f64::round),
            deviation_microsiemens_per_cm: exact.zip(found).map(|(a, b)| tidy(b - a)),
        }
    }
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
    /// Pairs that must not stand in one concentrate: of what was chosen; where one concentrate was asked for, those
    /// of which not both were chosen.
    pub apart: Vec<ApartProducts>,
    /// Why all of what was chosen does not stay clear in one concentrate though every pair does, where one was
    /// asked for.
    pub concentrate_fault: Option<String>,
    /// What whole scoops change; `null` where none are asked for.
    pub scoop_rounding: Option<ScoopRounding>,
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
                scoops: amount.scoops,
            });
        }
        let scoop_rounding = answer.rounding.as_ref().map(|rounding| {
            ScoopRounding::of(
                (&rounding.exact, rounding.expectation.as_ref().ok()),
                (&formulated, answer.expectation.as_ref().ok()),
            )
        });
        let id_of = |place: usize| answer.products[place].id;
        let apart = answer.apart.into_iter().map(|apart| ApartProducts {
            product_id: id_of(apart.pair.0),
            other_product_id: id_of(apart.pair.1),
            reason: match apart.reason {
                ApartReason::Parts => "parts",
                ApartReason::Settles => "settles",
            },
            detail: apart.why,
        });
        Self {
            products: chosen,
            apart: apart.collect(),
            concentrate_fault: answer.concentrate_fault,
            scoop_rounding,
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
/// profile, in whole scoops of those that are measured so. Pairs that must not meet in one concentrate, parts A and
/// B of a set or calcium beside sulfate or phosphate, are told, or not both chosen where all is to stand in one.
/// Nothing is kept: describe a recipe with what suits.
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
        scoops: input
            .scoops
            .into_iter()
            .map(|scoop| {
                let grams = scoop.weight.map(|w| w.milligrams() as f64 / 1e3);
                (scoop.product_id, grams)
            })
            .collect(),
        concentrate_times: input.concentrate_times,
        one_concentrate: input.one_concentrate,
    };
    let answer = state.app.formulate_recipe(&signed.caller, &request).await?;
    Ok(HttpResponse::Ok().json(FormulationAnswerBody::from(answer)))
}
