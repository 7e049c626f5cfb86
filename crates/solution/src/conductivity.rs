//! Conductivity at 25 °C from the ions, and the law of temperature.
//!
//! Every ion carries its limiting conductivity less the two retardations of Onsager's law, in the
//! form for finite ions (Robinson and Stokes, *Electrolyte Solutions*, 2nd ed., chapter 7):
//!
//! `λ = λ° - (0.7844 |z z'| q/(1+√q) λ° + 30.31 |z|) √I / (1 + B a √I)`
//!
//! per unit of charge, I in mol/L, B a = 1.48 (a = 4.5 Å for all ions). In a mixture z' and the
//! mobility of the ions opposite are their means, weighted by their share of the ionic strength.
//! Ion pairs come from the speciation.
//!
//! Range: to 0.01 equivalents per litre within 1 % of measured salts. At 0.1 equivalents per litre
//! within 1 % for chlorides of univalent ions, 4 % for nitrates (their pairs are left out) and 2:1
//! chlorides, 5 % for sulfates; a full nutrient solution has a fifth of that. Nothing is answered
//! above [`HIGHEST_IONIC_STRENGTH`]. Trust the meter.

use crate::equilibrium::{Conditions, Equilibrium, equilibrium};
use crate::error::{SolutionError, celsius, within};
use crate::solution::Solution;
use crate::species::{HYDROGEN_CONDUCTIVITY, HYDROXIDE_CONDUCTIVITY};

/// mol/kg above which no conductivity is estimated.
pub const HIGHEST_IONIC_STRENGTH: f64 = 0.5;

/// Limiting conductivity per equivalent of ions that no analysis names: between sodium (50) and
/// chloride (76).
const UNLISTED_CONDUCTIVITY: f64 = 60.0;

/// Relaxation at 25 °C, L^½ mol^-½ (Robinson and Stokes: 2.801·10⁶ (εT)^-1.5).
const RELAXATION: f64 = 0.7844;
/// Electrophoresis at 25 °C, S cm² L^½ mol^-1.5 (Robinson and Stokes: 41.25 η⁻¹ (εT)^-0.5).
const ELECTROPHORESIS: f64 = 30.31;
/// B a in L^½ mol^-½.
const SIZE: f64 = 0.3289 * 4.5;

/// An estimate with its error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ConductivityEstimate {
    /// µS/cm at 25 °C.
    pub microsiemens_per_cm: f64,
    /// How far the meter may read from it, in µS/cm either way: the law's own error, and what the
    /// analysis leaves open.
    pub uncertainty_microsiemens_per_cm: f64,
}

/// One kind of ion in a litre.
struct Ion {
    charge: f64,
    moles_per_litre: f64,
    /// Limiting conductivity per unit of charge.
    limiting: f64,
}

/// Conductivity at 25 °C of a solution, whatever temperature it is used at.
///
/// # Errors
/// As [`equilibrium`], and [`SolutionError::NoAnswer`] beyond [`HIGHEST_IONIC_STRENGTH`].
pub fn conductivity(solution: &Solution) -> Result<ConductivityEstimate, SolutionError> {
    conductivity_at(&equilibrium(solution, Conditions::STANDARD)?)
}

/// Conductivity at 25 °C of a solution whose forms at 25 °C are known.
///
/// # Errors
/// [`SolutionError::NoAnswer`] beyond [`HIGHEST_IONIC_STRENGTH`].
pub fn conductivity_at(equilibrium: &Equilibrium) -> Result<ConductivityEstimate, SolutionError> {
    if equilibrium.ionic_strength() > HIGHEST_IONIC_STRENGTH {
        return Err(SolutionError::NoAnswer(format!(
            "the ionic strength is {:.2} mol/kg; the law of conductivity ends at {HIGHEST_IONIC_STRENGTH}",
            equilibrium.ionic_strength()
        )));
    }
    let ions = ions(equilibrium);
    let root = (0.5
        * ions
            .iter()
            .map(|ion| ion.charge * ion.charge * ion.moles_per_litre)
            .sum::<f64>())
    .sqrt();
    let damped = root / (1.0 + SIZE * root);
    let microsiemens_per_cm: f64 = ions
        .iter()
        .map(|ion| {
            let lost = retardation(ion, &ions) * damped;
            let per_charge = (ion.limiting - lost).max(0.0);
            1000.0 * ion.moles_per_litre * ion.charge.abs() * per_charge
        })
        .sum();
    let unlisted = equilibrium.unlisted().abs() * equilibrium.water_kilograms_per_litre();
    Ok(ConductivityEstimate {
        microsiemens_per_cm,
        uncertainty_microsiemens_per_cm: law_error(root * root) * microsiemens_per_cm
            + 1000.0 * unlisted * UNLISTED_CONDUCTIVITY
            + 1.0,
    })
}

/// Share by which the law itself may err at an ionic strength: 4 % in nutrient solutions (the
/// largest distance from an independent transport model over full, half and quarter strength is
/// smaller), growing beyond 0.1 mol/L.
fn law_error(ionic_strength: f64) -> f64 {
    0.04 + 0.15 * (ionic_strength - 0.1).max(0.0)
}

fn ions(equilibrium: &Equilibrium) -> Vec<Ion> {
    let water = equilibrium.water_kilograms_per_litre();
    let ion = |charge: f64, molality: f64, molar: f64| Ion {
        charge,
        moles_per_litre: molality * water,
        limiting: molar / charge.abs(),
    };
    let mut ions: Vec<Ion> = equilibrium
        .species()
        .filter(|(species, molality)| species.charge() != 0 && *molality > 0.0)
        .map(|(species, molality)| ion(f64::from(species.charge()), molality, species.conductivity))
        .collect();
    ions.push(ion(1.0, equilibrium.hydrogen(), HYDROGEN_CONDUCTIVITY));
    ions.push(ion(-1.0, equilibrium.hydroxide(), HYDROXIDE_CONDUCTIVITY));
    let unlisted = equilibrium.unlisted();
    if unlisted != 0.0 {
        ions.push(ion(
            unlisted.signum(),
            unlisted.abs(),
            UNLISTED_CONDUCTIVITY,
        ));
    }
    ions
}

/// Loss of conductivity per unit of charge and unit of damped root of ionic strength.
fn retardation(ion: &Ion, ions: &[Ion]) -> f64 {
    let (mut weight, mut charge, mut limiting) = (0.0, 0.0, 0.0);
    for other in ions.iter().filter(|other| other.charge * ion.charge < 0.0) {
        let share = other.moles_per_litre * other.charge * other.charge;
        weight += share;
        charge += share * other.charge.abs();
        limiting += share * other.limiting;
    }
    if weight <= 0.0 {
        return 0.0;
    }
    let (own, other) = (ion.charge.abs(), charge / weight);
    let (mine, theirs) = (ion.limiting, limiting / weight);
    let q = own * other * (mine + theirs) / ((own + other) * (own * theirs + other * mine));
    RELAXATION * own * other * q / (1.0 + q.sqrt()) * mine + ELECTROPHORESIS * own
}

/// Share of the conductivity at 25 °C by which it grows per kelvin: 0.0191 (Standard Methods 2510,
/// for potassium chloride). Natural waters have 0.0175 to 0.0198 (Hayashi, *Environ. Monit. Assess.*
/// 96:119, 2004).
pub const GROWTH_PER_KELVIN: f64 = 0.0191;

/// A conductivity read at a temperature, brought to 25 °C: `κ / (1 + 0.0191 (t - 25))`. Not for a
/// meter that compensates by itself.
///
/// # Errors
/// [`SolutionError::Input`] for a negative or absurd reading, or a temperature outside 0 to 50 °C.
pub fn to_25_celsius(
    microsiemens_per_cm: f64,
    temperature_celsius: f64,
) -> Result<f64, SolutionError> {
    Ok(reading(microsiemens_per_cm)? / growth(temperature_celsius)?)
}

/// What a meter without compensation reads at a temperature: the inverse of [`to_25_celsius`].
///
/// # Errors
/// As [`to_25_celsius`].
pub fn from_25_celsius(
    microsiemens_per_cm: f64,
    temperature_celsius: f64,
) -> Result<f64, SolutionError> {
    Ok(reading(microsiemens_per_cm)? * growth(temperature_celsius)?)
}

fn growth(temperature_celsius: f64) -> Result<f64, SolutionError> {
    let temperature = celsius("temperature_celsius", temperature_celsius)?;
    Ok(1.0 + GROWTH_PER_KELVIN * (temperature - 25.0))
}

fn reading(microsiemens_per_cm: f64) -> Result<f64, SolutionError> {
    within(
        "microsiemens_per_cm",
        microsiemens_per_cm,
        0.0,
        200_000.0,
        "µS/cm",
    )
}

/// How a meter shows conductivity. A "ppm" without its scale cannot be converted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Scale {
    /// µS/cm.
    MicrosiemensPerCm,
    /// mS/cm, the same as dS/m.
    MillisiemensPerCm,
    /// 500 "ppm" per mS/cm, the sodium chloride scale.
    Ppm500,
    /// 640 "ppm" per mS/cm, an older scale.
    Ppm640,
    /// 700 "ppm" per mS/cm, the mixed-salt scale.
    Ppm700,
}

impl Scale {
    /// Steps of the scale in one µS/cm.
    #[must_use]
    pub const fn per_microsiemens(self) -> f64 {
        match self {
            Self::MicrosiemensPerCm => 1.0,
            Self::MillisiemensPerCm => 0.001,
            Self::Ppm500 => 0.5,
            Self::Ppm640 => 0.64,
            Self::Ppm700 => 0.7,
        }
    }

    /// µS/cm of a value on this scale.
    ///
    /// # Errors
    /// [`SolutionError::Input`] for a negative or absurd value.
    pub fn to_microsiemens_per_cm(self, value: f64) -> Result<f64, SolutionError> {
        reading(value / self.per_microsiemens())
    }

    /// The value on this scale of µS/cm.
    ///
    /// # Errors
    /// [`SolutionError::Input`] for a negative or absurd value.
    pub fn of_microsiemens_per_cm(self, microsiemens_per_cm: f64) -> Result<f64, SolutionError> {
        Ok(reading(microsiemens_per_cm)? * self.per_microsiemens())
    }
}
