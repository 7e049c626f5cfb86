//! Nutrient solutions: composition, choice of grams, conductivity, pH and the dose to correct it,
//! solubility of concentrates, cautions; no I/O.
//!
//! The way of a batch: a [`SourceWater`] becomes a [`Solution`]; [`Product`]s are named by their label
//! or their substances; [`formulate`] chooses grams, or a recipe states them; [`dissolve`] mixes them,
//! [`batch_amounts`] says what to weigh, [`mixing_order`] in which order, [`compatibility`] whether a
//! concentrate stays clear; [`expectation`] says what the meters should read; [`advise`] corrects the pH
//! by portions, and [`caution`] says what to mind.
//!
//! A [`Solution`] counts moles of components in a litre. What their charges leave over is hydrogen or
//! hydroxide ions, except for unlisted equivalents: inert ions that stand for what a rounded label or
//! an incomplete report leaves out. Inside, equilibria are per kilogram of water at the temperature asked;
//! conductivities are at 25 °C.

mod activity;
mod atom;
pub mod caution;
mod component;
mod conductivity;
mod correction;
mod correction_input;
mod dose;
mod equilibrium;
mod error;
mod expectation;
mod formulate;
mod mixing;
mod nutrient;
mod planned_dose;
mod product;
mod recipe;
mod root;
mod solubility;
mod solution;
mod speciation;
mod species;
mod substance;
mod water;

pub use atom::{Atom, grams_per_mole};
pub use component::{COMPONENTS, Component};
pub use conductivity::{
    ConductivityEstimate, GROWTH_PER_KELVIN, Scale, conductivity, conductivity_at, from_25_celsius,
    to_25_celsius,
};
pub use correction::{
    Advice, Advised, BufferEstimate, CAUTIOUS_SHARE, Correction, DoseReading, Portion, Prior,
    SEARCHED_GRAMS_PER_LITRE, StopReason, advise, usual_maximum_grams_per_litre,
};
pub use dose::{Dose, DoseAnswer, dose_to_ph};
pub use equilibrium::{
    Air, Conditions, Equilibrium, anchored_at_ph, equilibrium, equilibrium_at_ph,
};
pub use error::{InputFault, SolutionError};
pub use expectation::{Expectation, expectation};
pub use formulate::{
    Amount, Available, Ceiling, Formulated, Formulation, Met, Target, TargetItem, formulate,
};
pub use mixing::{MixingStep, WATER_FIRST_PERCENT, mixing_order};
pub use nutrient::{LabelItem, NUTRIENTS, Nutrient, Nutrients};
pub use planned_dose::{DoseQuestion, PlannedDose};
pub use product::{Basis, Form, Measure, Product};
pub use recipe::{RecipeLine, batch_amounts, batch_litres, dissolve, grams_per_litre_for};
pub use solubility::{
    Compatibility, HIGHEST_JUDGED_IONIC_STRENGTH, MARGIN, Precipitate, Saturation, compatibility,
    saturations,
};
pub use solution::{Solution, WATER_KILOGRAMS_PER_LITRE, dilute, mix};
pub use substance::{Adjusts, Substance};
pub use water::{Alkalinity, SourceWater, hydrogen_carbonate_water, water_of_alkalinity};
