//! What a fresh mix should read, with its honest error.

use crate::component::Component;
use crate::conductivity::{ConductivityEstimate, conductivity};
use crate::equilibrium::{Conditions, equilibrium};
use crate::error::SolutionError;
use crate::solution::Solution;

/// pH by which model and meter may differ even where every ion is known: the meter's calibration and
/// the activity of single ions. Common practice, no source.
const PH_OF_METER_AND_MODEL: f64 = 0.1;

/// Shares by which acidity may be off: a water's alkalinity as reported, a labelled product's phosphate
/// as dihydrogen phosphate, and the ions that no analysis names. Common practice, no source.
const OF_ALKALINITY: f64 = 0.05;
const OF_PHOSPHATE: f64 = 0.03;
const OF_UNLISTED: f64 = 0.10;

/// What to expect of the meters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expectation {
    /// pH by composition.
    pub ph: f64,
    /// Lowest pH that the open points of the composition allow.
    pub ph_low: f64,
    /// Highest.
    pub ph_high: f64,
    /// Conductivity at 25 °C.
    pub conductivity: ConductivityEstimate,
    /// mol/kg.
    pub ionic_strength: f64,
}

/// pH and conductivity that a mix should show. A weakly buffered mix has a wide range of pH: that is
/// the honest answer, and the meter decides.
///
/// # Errors
/// As [`equilibrium`] and [`conductivity`].
pub fn expectation(
    solution: &Solution,
    conditions: Conditions,
) -> Result<Expectation, SolutionError> {
    let at = equilibrium(solution, conditions)?;
    let open = OF_ALKALINITY * solution.moles_per_litre(Component::Carbonate)
        + OF_PHOSPHATE * solution.moles_per_litre(Component::Phosphate)
        + OF_UNLISTED * solution.unlisted_equivalents_per_litre().abs();
    let shifted = |equivalents: f64| {
        equilibrium(&solution.with_unlisted(equivalents), conditions).map(|at| at.ph())
    };
    Ok(Expectation {
        ph: at.ph(),
        ph_low: (shifted(-open)? - PH_OF_METER_AND_MODEL).max(0.0),
        ph_high: (shifted(open)? + PH_OF_METER_AND_MODEL).min(14.0),
        conductivity: conductivity(solution)?,
        ionic_strength: at.ionic_strength(),
    })
}
