//! What every answer about nutrient solution shares: hazards and cautions, nutrients, what meters show.

use cotyl_app::batches::plan::PlannedReading;
use cotyl_app::chemistry::{Handling, Hazard as AppHazard};
use cotyl_app::solution::caution::Caution as SolutionCaution;
use cotyl_app::solution::{Expectation, LabelItem, Nutrients, SolutionError};
use cotyl_domain::QualificationKind;
use serde::Serialize;
use utoipa::ToSchema;

/// A hazard statement of the Globally Harmonized System.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HazardStatement {
    /// Its code.
    #[schema(example = "H314")]
    pub code: String,
    /// Its wording; `null` where only the label of the product states it.
    pub text: Option<String>,
    /// Who says so. The label of the product comes first.
    pub source: String,
}

/// What to mind when something is handled.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HandlingCaution {
    /// Stable code.
    #[schema(example = "concentrate-into-water")]
    pub code: String,
    /// What to do.
    pub text: String,
    /// Where it comes from.
    pub source: String,
    /// What a member must hold for it, where not everybody may.
    pub qualification: Option<QualificationKind>,
}

/// How something is to be handled.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HandlingRules {
    /// Hazard statements, each once.
    pub hazards: Vec<HazardStatement>,
    /// What a member must hold to do the work themselves; `null` where everybody may.
    pub needs_qualification: Option<QualificationKind>,
    /// What to mind; label, safety data sheet and local rules come first.
    pub cautions: Vec<HandlingCaution>,
}

impl From<AppHazard> for HazardStatement {
    fn from(hazard: AppHazard) -> Self {
        Self {
            code: hazard.code,
            text: hazard.text.map(str::to_owned),
            source: hazard.source.to_owned(),
        }
    }
}

impl From<SolutionCaution> for HandlingCaution {
    fn from(caution: SolutionCaution) -> Self {
        Self {
            code: caution.code.to_owned(),
            text: caution.text.to_owned(),
            source: caution.source.to_owned(),
            qualification: caution.qualification,
        }
    }
}

impl From<Handling> for HandlingRules {
    fn from(handling: Handling) -> Self {
        Self {
            hazards: handling.hazards.into_iter().map(Into::into).collect(),
            needs_qualification: handling
                .needs_concentrates
                .then_some(QualificationKind::Concentrates),
            cautions: handling.cautions.into_iter().map(Into::into).collect(),
        }
    }
}

/// A nutrient in a solution.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NutrientAmount {
    /// The element; nitrogen by its three forms.
    #[schema(example = "phosphorus")]
    pub nutrient: String,
    /// Milligrams of the element in a litre.
    #[schema(example = 31.0)]
    pub milligrams_per_litre: f64,
    /// The same as an oxide, as labels have it, where labels do.
    pub as_oxide: Option<OxideAmount>,
}

/// An amount stated as an oxide that is not in the bag.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OxideAmount {
    /// The oxide.
    #[schema(example = "phosphorus_pentoxide")]
    pub oxide: String,
    /// Milligrams in a litre.
    #[schema(example = 71.0)]
    pub milligrams_per_litre: f64,
}

/// A figure without the digits that nobody can measure.
pub fn tidy(figure: f64) -> f64 {
    (figure * 1e4).round() / 1e4
}

/// What a solution holds; nutrients of which it holds none are left out.
pub fn nutrient_amounts(nutrients: &Nutrients) -> Vec<NutrientAmount> {
    let oxide = |nutrient, amount: f64| {
        let item = LabelItem::OXIDES
            .into_iter()
            .find(|item| item.nutrient() == nutrient && *item != LabelItem::Sulfate)?;
        Some(OxideAmount {
            oxide: item.name().to_owned(),
            milligrams_per_litre: tidy(amount / item.element_fraction()),
        })
    };
    nutrients
        .iter()
        .filter(|(_, amount)| *amount > 0.0)
        .map(|(nutrient, amount)| NutrientAmount {
            nutrient: nutrient.name().to_owned(),
            milligrams_per_litre: tidy(amount),
            as_oxide: oxide(nutrient, amount),
        })
        .collect()
}

/// What the meters should show, by composition. The meter decides.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ExpectedReading {
    /// pH, before any correction.
    #[schema(example = 6.1)]
    pub ph: f64,
    /// Lowest pH that what the composition leaves open allows.
    #[schema(example = 5.6)]
    pub ph_low: f64,
    /// Highest pH that it allows.
    #[schema(example = 6.6)]
    pub ph_high: f64,
    /// Conductivity at 25 °C, in µS/cm.
    #[schema(example = 1480)]
    pub microsiemens_per_cm: f64,
    /// How far the meter may read from it either way.
    #[schema(example = 75)]
    pub uncertainty_microsiemens_per_cm: f64,
}

impl From<PlannedReading> for ExpectedReading {
    fn from(expected: PlannedReading) -> Self {
        let hundredths = |ph: f64| (ph * 100.0).round() / 100.0;
        Self {
            ph: hundredths(expected.ph),
            ph_low: hundredths(expected.ph_low),
            ph_high: hundredths(expected.ph_high),
            microsiemens_per_cm: expected.microsiemens_per_cm.round(),
            uncertainty_microsiemens_per_cm: expected.uncertainty_microsiemens_per_cm.round(),
        }
    }
}

/// The expectation, where the rules come to one.
pub fn expected(found: Result<Expectation, SolutionError>) -> Option<ExpectedReading> {
    found.ok().map(PlannedReading::from).map(Into::into)
}
