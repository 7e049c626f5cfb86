//! The pH at which the charges balance, and what can be read off the solution there.

use crate::activity::HIGHEST_IONIC_STRENGTH;
use crate::component::Component;
use crate::error::{SolutionError, celsius, ph, within};
use crate::root::{NoRoot, root};
use crate::solution::Solution;
use crate::speciation::{Chemistry, Contents, Speciation};
use crate::species::{SPECIES, Species};

/// Whether carbon dioxide can come and go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Air {
    /// Total carbonate stays: right after mixing.
    Closed,
    /// The solution has come to rest with air: a day later, or after long aeration.
    Open {
        /// Decimal logarithm of the pressure of carbon dioxide in atmospheres, -5 to 0.
        log_carbon_dioxide_atmospheres: f64,
    },
}

impl Air {
    /// Outdoor air, 420 ppm by volume: -3.38.
    pub const OUTDOOR: Self = Self::Open {
        log_carbon_dioxide_atmospheres: -3.38,
    };
}

/// Where a pH is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions {
    /// Degrees Celsius, 0 to 50.
    pub celsius: f64,
    /// Closed or open.
    pub air: Air,
}

impl Conditions {
    /// 25 °C, closed.
    pub const STANDARD: Self = Self {
        celsius: 25.0,
        air: Air::Closed,
    };
}

/// A solution at a pH, with all its forms.
#[derive(Debug, Clone)]
pub struct Equilibrium {
    ph: f64,
    water_kilograms_per_litre: f64,
    unlisted: f64,
    speciation: Speciation,
}

/// Residual charge that is taken as none, in equivalents per kilogram of water.
pub(crate) const CHARGE_TOLERANCE: f64 = 1e-13;

/// The bracket of every search for a pH.
const PH_RANGE: (f64, f64) = (0.0, 14.0);

impl Equilibrium {
    /// pH: the negative logarithm of the activity of hydrogen ions.
    #[must_use]
    pub const fn ph(&self) -> f64 {
        self.ph
    }

    /// Ionic strength in mol/kg.
    #[must_use]
    pub const fn ionic_strength(&self) -> f64 {
        self.speciation.ionic_strength
    }

    /// Whether the activity coefficients are within their range for every ion: to 0.5 mol/kg, fifteen
    /// times a full nutrient solution. Beyond it a pH is a rough figure.
    #[must_use]
    pub fn is_well_within_range(&self) -> bool {
        self.speciation.ionic_strength <= 0.5
    }

    /// Equivalents per kilogram of water by which the charges fail to balance.
    #[must_use]
    pub const fn charge_residual(&self) -> f64 {
        self.speciation.charge
    }

    /// Kilograms of water in a litre.
    #[must_use]
    pub const fn water_kilograms_per_litre(&self) -> f64 {
        self.water_kilograms_per_litre
    }

    /// mol/kg of H⁺.
    #[must_use]
    pub const fn hydrogen(&self) -> f64 {
        self.speciation.hydrogen
    }

    /// mol/kg of OH⁻.
    #[must_use]
    pub const fn hydroxide(&self) -> f64 {
        self.speciation.hydroxide
    }

    /// Unlisted equivalents per kilogram, with their sign.
    pub(crate) const fn unlisted(&self) -> f64 {
        self.unlisted
    }

    /// mol/kg of a component in all its forms.
    #[must_use]
    pub fn total(&self, component: Component) -> f64 {
        self.species()
            .filter(|(species, _)| {
                species.cation == Some(component) || species.anion == Some(component)
            })
            .map(|(_, molality)| molality)
            .sum()
    }

    /// mol/kg of a dissolved form by its formula, `HPO4-2` for one.
    #[must_use]
    pub fn molality(&self, formula: &str) -> Option<f64> {
        self.species()
            .find(|(species, _)| species.name == formula)
            .map(|(_, molality)| molality)
    }

    /// Decimal logarithm of the activity of a dissolved form; minus infinity where there is none.
    #[must_use]
    pub fn log_activity(&self, formula: &str) -> Option<f64> {
        let index = SPECIES.iter().position(|species| species.name == formula)?;
        Some(self.speciation.molalities[index].log10() + self.speciation.log_gammas[index])
    }

    pub(crate) fn species(&self) -> impl Iterator<Item = (&'static Species, f64)> + '_ {
        SPECIES
            .iter()
            .zip(self.speciation.molalities.iter().copied())
    }

    /// Alkalinity in equivalents per litre: strong acid that brings every base to the form it has
    /// where the titration of a water ends near pH 4.5 (CO₂, H₂PO₄⁻, NH₄⁺, H₃BO₃, H₂-citrate,
    /// acetic acid).
    #[must_use]
    pub fn alkalinity_equivalents_per_litre(&self) -> f64 {
        let bases: f64 = self
            .species()
            .map(|(species, molality)| f64::from(acid_to_end(species)) * molality)
            .sum();
        (bases + self.speciation.hydroxide - self.speciation.hydrogen)
            * self.water_kilograms_per_litre
    }
}

/// Hydrogen ions that one of a species takes up on the way to the end of the titration.
fn acid_to_end(species: &Species) -> i32 {
    let at_end = species.anion.map_or(0, |anion| match anion {
        Component::Carbonate | Component::Phosphate | Component::Citrate => 2,
        Component::Acetate => 1,
        _ => 0,
    });
    at_end - species.hydrogens
}

/// One solution at one temperature, ready to be asked at many pH.
pub(crate) struct System {
    chemistry: Chemistry,
    contents: Contents,
    water: f64,
}

impl System {
    pub(crate) fn new(solution: &Solution, conditions: Conditions) -> Result<Self, SolutionError> {
        let celsius = celsius("celsius", conditions.celsius)?;
        let log_carbon_dioxide_atmospheres = match conditions.air {
            Air::Closed => None,
            Air::Open {
                log_carbon_dioxide_atmospheres: log,
            } => Some(within(
                "log_carbon_dioxide_atmospheres",
                log,
                -5.0,
                0.0,
                "",
            )?),
        };
        let (moles, unlisted) = solution.molalities();
        Ok(Self {
            chemistry: Chemistry::at(celsius),
            contents: Contents {
                moles,
                unlisted,
                log_carbon_dioxide_atmospheres,
            },
            water: solution.water_kilograms_per_litre(),
        })
    }

    /// Puts another solution in its place.
    pub(crate) fn put(&mut self, solution: &Solution) {
        let (moles, unlisted) = solution.molalities();
        self.contents.moles = moles;
        self.contents.unlisted = unlisted;
        self.water = solution.water_kilograms_per_litre();
    }

    pub(crate) fn at(&self, ph: f64) -> Option<Equilibrium> {
        let speciation = self.chemistry.speciate(&self.contents, ph)?;
        Some(Equilibrium {
            ph,
            water_kilograms_per_litre: self.water,
            unlisted: self.contents.unlisted,
            speciation,
        })
    }

    pub(crate) fn charge_at(&self, ph: f64) -> Option<f64> {
        Some(self.chemistry.speciate(&self.contents, ph)?.charge)
    }

    pub(crate) fn balanced(&self) -> Result<Equilibrium, SolutionError> {
        let (low, high) = PH_RANGE;
        let ph = root(low, high, CHARGE_TOLERANCE, |ph| self.charge_at(ph)).map_err(no_ph)?;
        let found = self.at(ph).ok_or_else(|| no_ph(NoRoot::NotFound))?;
        in_range(found)
    }
}

fn in_range(found: Equilibrium) -> Result<Equilibrium, SolutionError> {
    if found.ionic_strength() > HIGHEST_IONIC_STRENGTH {
        return Err(SolutionError::NoAnswer(format!(
            "the ionic strength is {:.1} mol/kg; activity coefficients are given to \
             {HIGHEST_IONIC_STRENGTH} only",
            found.ionic_strength()
        )));
    }
    Ok(found)
}

fn no_ph(reason: NoRoot) -> SolutionError {
    SolutionError::NoAnswer(match reason {
        NoRoot::NotBracketed => "the charges do not balance at any pH from 0 to 14".into(),
        NoRoot::NotFound => "the equilibria of this solution do not converge".into(),
    })
}

/// The solution at the pH where its charges balance. The charge falls as the pH rises, so there is
/// one such pH; it is bracketed, never guessed.
///
/// # Errors
/// [`SolutionError::Input`] for conditions out of range; [`SolutionError::NoAnswer`] where no pH
/// from 0 to 14 balances the charges, the equilibria do not converge, or the ionic strength is over
/// 6 mol/kg.
pub fn equilibrium(
    solution: &Solution,
    conditions: Conditions,
) -> Result<Equilibrium, SolutionError> {
    System::new(solution, conditions)?.balanced()
}

/// The solution held at a pH; its charges balance only by what is not in the analysis.
///
/// # Errors
/// As [`equilibrium`], and [`SolutionError::Input`] for a pH outside 0 to 14.
pub fn equilibrium_at_ph(
    solution: &Solution,
    conditions: Conditions,
    at_ph: f64,
) -> Result<Equilibrium, SolutionError> {
    let at_ph = ph("ph", at_ph)?;
    let found = System::new(solution, conditions)?
        .at(at_ph)
        .ok_or_else(|| no_ph(NoRoot::NotFound))?;
    in_range(found)
}

/// The same solution with as many inert ions as give it a measured pH.
///
/// # Errors
/// As [`equilibrium_at_ph`].
pub fn anchored_at_ph(
    solution: &Solution,
    conditions: Conditions,
    measured_ph: f64,
) -> Result<Solution, SolutionError> {
    let measured_ph = ph("measured_ph", measured_ph)?;
    let mut system = System::new(solution, conditions)?;
    // inert ions take part in the ionic strength, so the charge they must carry is not quite linear
    let water = solution.water_kilograms_per_litre();
    let mut anchored = *solution;
    for _ in 0..100 {
        system.put(&anchored);
        let charge = system
            .charge_at(measured_ph)
            .ok_or_else(|| no_ph(NoRoot::NotFound))?;
        if charge.abs() <= CHARGE_TOLERANCE {
            return Ok(anchored);
        }
        anchored = anchored.with_unlisted(-charge * water);
    }
    Err(no_ph(NoRoot::NotFound))
}
