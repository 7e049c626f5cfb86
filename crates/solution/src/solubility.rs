//! Whether calcium stays dissolved beside sulfate or phosphate.
//!
//! The ion activity product of gypsum (CaSO₄·2H₂O) and brushite (CaHPO₄·2H₂O) against their
//! solubility products, with the activities of the speciation. Brushite is the calcium phosphate
//! that forms first in acid solutions; hydroxyapatite is less soluble still but slow.
//!
//! Range: the activity coefficients are good for this to an ionic strength of
//! [`HIGHEST_JUDGED_IONIC_STRENGTH`]. Beyond it, calcium together with sulfate or phosphate is refused,
//! since nothing shows that it is safe. Where gypsum is saturated by Pitzer's equations the index here
//! is between 0.0 (sodium chloride) and 0.4 (0.5 mol/kg potassium sulfate) too high, so that it refuses
//! too soon rather than too late. Within the range a salt counts as dissolved only where its product
//! stays below the solubility product by [`MARGIN`].

use crate::component::Component;
use crate::equilibrium::{Air, Conditions, Equilibrium, equilibrium};
use crate::error::SolutionError;
use crate::solution::Solution;
use crate::species::Constant;

/// mol/kg up to which a concentrate is judged by figures.
pub const HIGHEST_JUDGED_IONIC_STRENGTH: f64 = 2.0;

/// Logarithmic units below saturation that count as safe: bottles stand in the cold, water
/// evaporates, analyses are rounded. Common practice, no source.
pub const MARGIN: f64 = 0.1;

/// mol/kg under which calcium, sulfate or phosphate counts as a trace.
const TRACE: f64 = 1e-4;

/// Water activity falls by this much per mol/kg of dissolved particles (Raoult's law).
const WATER_ACTIVITY_SLOPE: f64 = 0.017;

/// A salt that may settle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Precipitate {
    /// CaSO₄·2H₂O.
    Gypsum,
    /// CaHPO₄·2H₂O.
    Brushite,
}

impl Precipitate {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Gypsum, Self::Brushite];

    /// Logarithm of the solubility product.
    ///
    /// Gypsum: -4.58 at 25 °C with the function of temperature of `phreeqc.dat` (US Geological Survey).
    /// Brushite: -6.59 at 25 °C (Gregory, Moreno and Brown, *J. Res. NBS* 74A:461, 1970), which hardly
    /// changes from 5 to 37 °C.
    #[must_use]
    pub fn log_solubility_product(self, celsius: f64) -> f64 {
        match self {
            Self::Gypsum => {
                Constant::Function([68.2401, 0.0, -3221.51, -25.0627, 0.0, 0.0]).log_at(celsius)
            }
            Self::Brushite => -6.59,
        }
    }

    const fn anion(self) -> &'static str {
        match self {
            Self::Gypsum => "SO4-2",
            Self::Brushite => "HPO4-2",
        }
    }

    const fn component(self) -> Component {
        match self {
            Self::Gypsum => Component::Sulfate,
            Self::Brushite => Component::Phosphate,
        }
    }
}

/// How near a salt is to settling.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Saturation {
    /// The salt.
    pub precipitate: Precipitate,
    /// Logarithm of ion activity product over solubility product: 0 is saturated, positive settles.
    pub saturation_index: f64,
}

/// Whether a concentrate may be made.
#[derive(Debug, Clone, PartialEq)]
pub enum Compatibility {
    /// Nothing of this kind settles.
    Dissolved,
    /// Refused: these settle, or stand so near to it that they may.
    Settles(Vec<Saturation>),
    /// Refused: calcium stands beside sulfate or phosphate, and the ionic strength is beyond what can be judged. Keep them in separate concentrates.
    BeyondRange {
        /// mol/kg, where it can be computed at all.
        ionic_strength: Option<f64>,
    },
}

/// How near gypsum and brushite are to settling; salts with nothing of theirs in it are left out.
#[must_use]
pub fn saturations(at: &Equilibrium, celsius: f64) -> Vec<Saturation> {
    let particles: f64 = at.species().map(|(_, molality)| molality).sum();
    let log_water = (1.0 - WATER_ACTIVITY_SLOPE * particles).max(0.5).log10();
    Precipitate::ALL
        .into_iter()
        .filter_map(|precipitate| {
            let product =
                at.log_activity("Ca2+")? + at.log_activity(precipitate.anion())? + 2.0 * log_water;
            product.is_finite().then(|| Saturation {
                precipitate,
                saturation_index: product - precipitate.log_solubility_product(celsius),
            })
        })
        .collect()
}

/// Whether a concentrate, or any solution, keeps its calcium dissolved at a temperature. Ask at the
/// coldest at which it will stand.
///
/// # Errors
/// [`SolutionError::Input`] for a temperature outside 0 to 50 °C.
pub fn compatibility(solution: &Solution, celsius: f64) -> Result<Compatibility, SolutionError> {
    let conditions = Conditions {
        celsius: crate::error::celsius("celsius", celsius)?,
        air: Air::Closed,
    };
    let holds = |component| {
        solution.moles_per_litre(component) / solution.water_kilograms_per_litre() > TRACE
    };
    let together = holds(Component::Calcium)
        && Precipitate::ALL
            .iter()
            .any(|precipitate| holds(precipitate.component()));
    if !together {
        return Ok(Compatibility::Dissolved);
    }
    let at = match equilibrium(solution, conditions) {
        Err(SolutionError::NoAnswer(_)) => {
            return Ok(Compatibility::BeyondRange {
                ionic_strength: None,
            });
        }
        other => other?,
    };
    let settling: Vec<Saturation> = saturations(&at, celsius)
        .into_iter()
        .filter(|saturation| saturation.saturation_index > -MARGIN)
        .collect();
    Ok(if !settling.is_empty() {
        Compatibility::Settles(settling)
    } else if at.ionic_strength() > HIGHEST_JUDGED_IONIC_STRENGTH {
        Compatibility::BeyondRange {
            ionic_strength: Some(at.ionic_strength()),
        }
    } else {
        Compatibility::Dissolved
    })
}
