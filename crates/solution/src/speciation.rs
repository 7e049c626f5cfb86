//! Mass action at a given pH: what forms every component takes, and the charge they leave over.

use crate::activity::{DebyeHueckel, HIGHEST_IONIC_STRENGTH};
use crate::component::{COMPONENTS, Component};
use crate::species::{CARBON_DIOXIDE, HYDROGEN_SIZE, HYDROXIDE_SIZE, SPECIES, Species, WATER};

/// Rounds of activity coefficients before giving up.
const MOST_ROUNDS: usize = 200;
/// Sweeps of the mass balances before giving up.
const MOST_SWEEPS: usize = 20_000;

/// Constants at one temperature.
pub struct Chemistry {
    debye_hueckel: DebyeHueckel,
    log_constants: Vec<f64>,
    log_water: f64,
    /// mol/kg of CO₂ per atmosphere, as a logarithm.
    log_carbon_dioxide: f64,
    /// Whether a component is held as a cation, by index.
    is_cation: [bool; COMPONENTS],
}

/// Contents per kilogram of water.
#[derive(Debug, Clone, Copy)]
pub struct Contents {
    /// Moles of each component.
    pub moles: [f64; COMPONENTS],
    /// Equivalents of inert ions, with their sign.
    pub unlisted: f64,
    /// Decimal logarithm of the pressure of CO₂ in atmospheres where air sets it; the carbonate in
    /// `moles` is then ignored.
    pub log_carbon_dioxide_atmospheres: Option<f64>,
}

/// The answer at one pH.
#[derive(Debug, Clone)]
pub struct Speciation {
    /// mol/kg of each of [`SPECIES`].
    pub molalities: Vec<f64>,
    /// Decimal logarithm of the activity coefficient of each.
    pub log_gammas: Vec<f64>,
    /// mol/kg of H⁺.
    pub hydrogen: f64,
    /// mol/kg of OH⁻.
    pub hydroxide: f64,
    /// mol/kg.
    pub ionic_strength: f64,
    /// Equivalents per kilogram that the charges leave over; nothing at the true pH.
    pub charge: f64,
}

impl Chemistry {
    pub fn at(celsius: f64) -> Self {
        let mut is_cation = [false; COMPONENTS];
        for component in SPECIES.iter().filter_map(|species| species.cation) {
            is_cation[component.index()] = true;
        }
        Self {
            debye_hueckel: DebyeHueckel::at(celsius),
            log_constants: SPECIES
                .iter()
                .map(|species| species.constant.log_at(celsius))
                .collect(),
            log_water: WATER.log_at(celsius),
            log_carbon_dioxide: CARBON_DIOXIDE.log_at(celsius),
            is_cation,
        }
    }

    /// The forms at a pH, or nothing where the balances do not close.
    pub fn speciate(&self, contents: &Contents, ph: f64) -> Option<Speciation> {
        let mut free = contents.moles;
        let present = present(contents);
        let mut ionic_strength = 0.01;
        for _ in 0..MOST_ROUNDS {
            let log_gammas = self.log_gammas(ionic_strength);
            let factors = self.factors(&log_gammas, &present, ph);
            let fixed = contents
                .log_carbon_dioxide_atmospheres
                .map(|pressure| self.free_carbonate(pressure, &log_gammas, &factors));
            balance(
                &mut free,
                contents,
                fixed,
                (&present, &factors),
                &self.is_cation,
            )?;
            let answer = self.collect(&free, &factors, log_gammas, ph, ionic_strength, contents);
            let found = answer.ionic_strength;
            if !found.is_finite() {
                return None;
            }
            let clamped = found.min(HIGHEST_IONIC_STRENGTH);
            if (clamped - ionic_strength).abs() <= 1e-13 + 1e-12 * ionic_strength {
                return Some(answer);
            }
            ionic_strength = clamped;
        }
        None
    }

    fn log_gammas(&self, ionic_strength: f64) -> Vec<f64> {
        SPECIES
            .iter()
            .map(|species| {
                self.debye_hueckel
                    .log_gamma(species.charge(), species.size, ionic_strength)
            })
            .collect()
    }

    /// Molality of each species per product of the free molalities of its components; nothing where
    /// one of them is absent.
    fn factors(&self, log_gammas: &[f64], present: &[usize], ph: f64) -> Vec<f64> {
        let mut factors = vec![0.0; SPECIES.len()];
        for &index in present {
            let species = &SPECIES[index];
            // the first species are the components themselves, in their order
            let of = |part: Option<Component>| part.map_or(0.0, |c| log_gammas[c.index()]);
            let exponent = self.log_constants[index] - f64::from(species.hydrogens) * ph
                + of(species.cation)
                + of(species.anion)
                - log_gammas[index];
            factors[index] = power_of_ten(exponent);
        }
        factors
    }

    fn free_carbonate(&self, pressure: f64, log_gammas: &[f64], factors: &[f64]) -> f64 {
        let index = SPECIES
            .iter()
            .position(|species| species.name == "CO2")
            .unwrap_or_default();
        power_of_ten(self.log_carbon_dioxide + pressure - log_gammas[index]) / factors[index]
    }

    fn collect(
        &self,
        free: &[f64; COMPONENTS],
        factors: &[f64],
        log_gammas: Vec<f64>,
        ph: f64,
        ionic_strength: f64,
        contents: &Contents,
    ) -> Speciation {
        let molalities: Vec<f64> = SPECIES
            .iter()
            .zip(factors)
            .map(|(species, factor)| factor * product(species, free))
            .collect();
        let log_gamma = |charge, size| self.debye_hueckel.log_gamma(charge, size, ionic_strength);
        let hydrogen = power_of_ten(-ph - log_gamma(1, HYDROGEN_SIZE));
        let hydroxide = power_of_ten(self.log_water + ph - log_gamma(-1, HYDROXIDE_SIZE));
        let mut charge = hydrogen - hydroxide + contents.unlisted;
        let mut squares = hydrogen + hydroxide + contents.unlisted.abs();
        for (species, molality) in SPECIES.iter().zip(&molalities) {
            let of_one = f64::from(species.charge());
            charge += of_one * molality;
            squares += of_one * of_one * molality;
        }
        Speciation {
            molalities,
            log_gammas,
            hydrogen,
            hydroxide,
            ionic_strength: 0.5 * squares,
            charge,
        }
    }
}

fn power_of_ten(exponent: f64) -> f64 {
    (exponent * std::f64::consts::LN_10).exp()
}

/// Indices of the species whose components are all there.
fn present(contents: &Contents) -> Vec<usize> {
    let is_there = |part: Option<Component>| {
        part.is_none_or(|component| {
            contents.moles[component.index()] > 0.0
                || (component == Component::Carbonate
                    && contents.log_carbon_dioxide_atmospheres.is_some())
        })
    };
    (0..SPECIES.len())
        .filter(|&index| is_there(SPECIES[index].cation) && is_there(SPECIES[index].anion))
        .collect()
}

/// Product of the free molalities of the components of a species.
fn product(species: &Species, free: &[f64; COMPONENTS]) -> f64 {
    let of = |part: Option<Component>| part.map_or(1.0, |component| free[component.index()]);
    of(species.cation) * of(species.anion)
}

/// Closes the mass balances: cations against the free anions, anions against the free cations, in
/// turn until neither changes. Every pair has one of each, so that both halves are explicit.
fn balance(
    free: &mut [f64; COMPONENTS],
    contents: &Contents,
    fixed_carbonate: Option<f64>,
    (present, factors): (&[usize], &[f64]),
    is_cation: &[bool; COMPONENTS],
) -> Option<()> {
    if let Some(carbonate) = fixed_carbonate {
        free[Component::Carbonate.index()] = carbonate;
    }
    for _ in 0..MOST_SWEEPS {
        let mut change: f64 = 0.0;
        for cations in [true, false] {
            let mut per_free = [0.0; COMPONENTS];
            for &index in present {
                let (species, factor) = (&SPECIES[index], factors[index]);
                let (own, other) = if cations {
                    (species.cation, species.anion)
                } else {
                    (species.anion, species.cation)
                };
                if let Some(own) = own {
                    per_free[own.index()] += factor * other.map_or(1.0, |c| free[c.index()]);
                }
            }
            for (index, &total) in contents.moles.iter().enumerate() {
                let given = fixed_carbonate.is_some() && index == Component::Carbonate.index();
                if is_cation[index] == cations && !given && total > 0.0 {
                    let next = total / per_free[index];
                    change = change.max((next - free[index]).abs() / next);
                    free[index] = next;
                }
            }
        }
        if change.is_nan() {
            return None;
        }
        if change < 1e-14 {
            return Some(());
        }
    }
    None
}
