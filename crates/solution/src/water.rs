//! Source water by its report, and alkalinity both ways.

use crate::component::Component;
use crate::equilibrium::{Conditions, Equilibrium, System, anchored_at_ph, equilibrium};
use crate::error::{SolutionError, ph, within};
use crate::nutrient::Nutrients;
use crate::root::{NoRoot, root};
use crate::solution::Solution;

/// mg/L as CaCO₃ of one milliequivalent per litre: half the molar mass of calcium carbonate.
pub const CALCIUM_CARBONATE_PER_MILLIEQUIVALENT: f64 = 50.0435;

/// mg/L of HCO₃⁻ of one milliequivalent per litre.
pub const HYDROGEN_CARBONATE_PER_MILLIEQUIVALENT: f64 = 61.016;

/// Alkalinity of less than this, 1 mg/L as CaCO₃ in eq/L, is within what a report rounds off.
const ROUNDED_OFF: f64 = 2e-5;

/// An alkalinity with its unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Alkalinity {
    /// Milliequivalents per litre.
    Milliequivalents(f64),
    /// mg/L as CaCO₃.
    AsCalciumCarbonate(f64),
    /// mg/L as HCO₃⁻.
    AsHydrogenCarbonate(f64),
}

impl Alkalinity {
    /// Milliequivalents per litre.
    #[must_use]
    pub fn milliequivalents(self) -> f64 {
        match self {
            Self::Milliequivalents(amount) => amount,
            Self::AsCalciumCarbonate(amount) => amount / CALCIUM_CARBONATE_PER_MILLIEQUIVALENT,
            Self::AsHydrogenCarbonate(amount) => amount / HYDROGEN_CARBONATE_PER_MILLIEQUIVALENT,
        }
    }

    /// mg/L as CaCO₃.
    #[must_use]
    pub fn as_calcium_carbonate(self) -> f64 {
        self.milliequivalents() * CALCIUM_CARBONATE_PER_MILLIEQUIVALENT
    }

    /// mg/L as HCO₃⁻.
    #[must_use]
    pub fn as_hydrogen_carbonate(self) -> f64 {
        self.milliequivalents() * HYDROGEN_CARBONATE_PER_MILLIEQUIVALENT
    }
}

/// A water report.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SourceWater {
    /// Elements in mg/L.
    pub nutrients: Nutrients,
    /// pH.
    pub ph: f64,
    /// Alkalinity.
    pub alkalinity: Alkalinity,
}

impl SourceWater {
    /// The water as a solution at 25 °C: carbonate from alkalinity and pH, and inert ions for what
    /// the report leaves out, so that the solution has the reported pH. How much that is, in
    /// equivalents per litre, is [`Solution::unlisted_equivalents_per_litre`].
    ///
    /// # Errors
    /// [`SolutionError::Input`] for a pH outside 3 to 11, an alkalinity below 0 or over
    /// 50 meq/L, or the two contradicting each other.
    pub fn solution(&self) -> Result<Solution, SolutionError> {
        let ph = within("ph", self.ph, 3.0, 11.0, "pH")?;
        let wanted = within(
            "alkalinity",
            self.alkalinity.milliequivalents(),
            0.0,
            50.0,
            "meq/L",
        )? / 1000.0;
        let listed = Solution::of_parts(self.nutrients.moles(), 0.0);
        let carbonate = carbonate_of_alkalinity(&listed, ph, wanted)?;
        anchored_at_ph(
            &listed.with(Component::Carbonate, carbonate),
            Conditions::STANDARD,
            ph,
        )
    }
}

/// Moles per litre of carbonate that give a water of a pH its alkalinity (eq/L).
fn carbonate_of_alkalinity(listed: &Solution, ph: f64, wanted: f64) -> Result<f64, SolutionError> {
    // the inert ions that close the report take part in the ionic strength
    let excess = |carbonate: f64| {
        let water = listed.with(Component::Carbonate, carbonate);
        let closed = anchored_at_ph(&water, Conditions::STANDARD, ph).ok()?;
        let system = System::new(&closed, Conditions::STANDARD).ok()?;
        Some(system.at(ph)?.alkalinity_equivalents_per_litre() - wanted)
    };
    let contradiction = |why: &str| {
        SolutionError::input(
            "alkalinity",
            format!(
                "a water of pH {ph} cannot have {} meq/L: {why}",
                wanted * 1000.0
            ),
        )
    };
    let without = excess(0.0).ok_or_else(not_converged)?;
    if without > 0.0 {
        return if without <= ROUNDED_OFF {
            Ok(0.0)
        } else {
            Err(contradiction("its other bases alone have more"))
        };
    }
    match root(0.0, 0.2, 1e-12, excess) {
        Ok(carbonate) => Ok(carbonate),
        Err(NoRoot::NotBracketed) if wanted <= ROUNDED_OFF => Ok(0.0),
        Err(NoRoot::NotBracketed) => Err(contradiction("no amount of carbonate gives that much")),
        Err(NoRoot::NotFound) => Err(not_converged()),
    }
}

fn not_converged() -> SolutionError {
    SolutionError::NoAnswer("the equilibria of this water do not converge".into())
}

/// A water of sodium hydrogen carbonate with a pH and an alkalinity: the plain test water of acid
/// tables.
///
/// # Errors
/// As [`SourceWater::solution`].
pub fn hydrogen_carbonate_water(
    at_ph: f64,
    alkalinity: Alkalinity,
) -> Result<Solution, SolutionError> {
    SourceWater {
        nutrients: Nutrients::default(),
        ph: ph("ph", at_ph)?,
        alkalinity,
    }
    .solution()
}

/// The equilibrium of a plain water with an alkalinity and a total of carbonate in mmol/L.
///
/// # Errors
/// [`SolutionError::Input`] for an amount out of range, [`SolutionError::NoAnswer`] where no pH
/// from 0 to 14 fits.
pub fn water_of_alkalinity(
    alkalinity: Alkalinity,
    carbonate_millimoles_per_litre: f64,
) -> Result<Equilibrium, SolutionError> {
    let equivalents = within(
        "alkalinity",
        alkalinity.milliequivalents(),
        0.0,
        50.0,
        "meq/L",
    )? / 1000.0;
    let carbonate = within(
        "carbonate_millimoles_per_litre",
        carbonate_millimoles_per_litre,
        0.0,
        200.0,
        "mmol/L",
    )? / 1000.0;
    let water = Solution::of_moles_per_litre([(Component::Carbonate, carbonate)])?;
    equilibrium(&water.with_unlisted(equivalents), Conditions::STANDARD)
}
