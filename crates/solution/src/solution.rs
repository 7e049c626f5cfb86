//! A solution: moles of every component in a litre, and the charge of what no analysis names.

use crate::component::{COMPONENTS, Component};
use crate::error::{SolutionError, positive, within};
use crate::nutrient::Nutrients;

/// Kilograms per litre of pure water at 25 °C (Kell, *J. Chem. Eng. Data* 20:97, 1975).
pub const WATER_KILOGRAMS_PER_LITRE: f64 = 0.997_05;

/// Millilitres that a gram of dissolved salt takes up: 0.35, from memory; salts here lie between
/// 0.2 and 0.45, which moves the water of a concentrate of 200 g/L by 2 % at most.
const MILLILITRES_PER_GRAM_DISSOLVED: f64 = 0.35;

/// More of one component than any solution holds, in mol/L.
const MOST_MOLES_PER_LITRE: f64 = 20.0;

/// What a litre holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Solution {
    moles_per_litre: [f64; COMPONENTS],
    unlisted_equivalents_per_litre: f64,
}

impl Solution {
    /// Pure water.
    pub const WATER: Self = Self {
        moles_per_litre: [0.0; COMPONENTS],
        unlisted_equivalents_per_litre: 0.0,
    };

    /// From moles per litre of components; one named twice is added up. What the charges leave
    /// over is hydrogen or hydroxide ions.
    ///
    /// # Errors
    /// [`SolutionError::Input`] naming the component that is negative, not a number or absurd.
    pub fn of_moles_per_litre(
        amounts: impl IntoIterator<Item = (Component, f64)>,
    ) -> Result<Self, SolutionError> {
        let mut solution = Self::WATER;
        for (component, amount) in amounts {
            let field = format!("{component:?}").to_lowercase();
            solution.moles_per_litre[component.index()] +=
                within(&field, amount, 0.0, MOST_MOLES_PER_LITRE, "mol/L")?;
        }
        Ok(solution)
    }

    /// From moles per kilogram of water, as standards are stated.
    ///
    /// # Errors
    /// As [`Self::of_moles_per_litre`].
    pub fn of_moles_per_kilogram(
        amounts: impl IntoIterator<Item = (Component, f64)>,
    ) -> Result<Self, SolutionError> {
        let molal = Self::of_moles_per_litre(amounts)?;
        let grams_per_kilogram = molal.dissolved_grams_per_litre();
        let displaced = MILLILITRES_PER_GRAM_DISSOLVED / 1000.0 * grams_per_kilogram;
        let water = WATER_KILOGRAMS_PER_LITRE / (1.0 + WATER_KILOGRAMS_PER_LITRE * displaced);
        Ok(molal.scaled(water))
    }

    pub(crate) const fn of_parts(
        moles_per_litre: [f64; COMPONENTS],
        unlisted_equivalents_per_litre: f64,
    ) -> Self {
        Self {
            moles_per_litre,
            unlisted_equivalents_per_litre,
        }
    }

    /// Moles per litre of a component.
    #[must_use]
    pub const fn moles_per_litre(&self, component: Component) -> f64 {
        self.moles_per_litre[component.index()]
    }

    /// Equivalents per litre, with their sign, of ions that no analysis names: the gap that a
    /// rounded label or an incomplete water report leaves. They are taken as inert.
    #[must_use]
    pub const fn unlisted_equivalents_per_litre(&self) -> f64 {
        self.unlisted_equivalents_per_litre
    }

    /// Milligrams per litre of each element.
    #[must_use]
    pub fn nutrients(&self) -> Nutrients {
        Nutrients::of_moles(&self.moles_per_litre)
    }

    /// Grams per litre of what is dissolved, hydrogen and unlisted ions left out.
    #[must_use]
    pub fn dissolved_grams_per_litre(&self) -> f64 {
        Component::ALL
            .iter()
            .map(|&component| self.moles_per_litre(component) * component.grams_per_mole())
            .sum()
    }

    /// Kilograms of water in a litre.
    #[must_use]
    pub fn water_kilograms_per_litre(&self) -> f64 {
        let displaced = MILLILITRES_PER_GRAM_DISSOLVED / 1000.0 * self.dissolved_grams_per_litre();
        WATER_KILOGRAMS_PER_LITRE * (1.0 - displaced).max(0.2)
    }

    /// Moles per kilogram of water of each component, and the unlisted equivalents.
    pub(crate) fn molalities(&self) -> ([f64; COMPONENTS], f64) {
        let water = self.water_kilograms_per_litre();
        (
            self.moles_per_litre.map(|moles| moles / water),
            self.unlisted_equivalents_per_litre / water,
        )
    }

    /// Every amount times a factor.
    pub(crate) fn scaled(&self, factor: f64) -> Self {
        Self {
            moles_per_litre: self.moles_per_litre.map(|moles| moles * factor),
            unlisted_equivalents_per_litre: self.unlisted_equivalents_per_litre * factor,
        }
    }

    /// Both together in the same litre.
    pub(crate) fn plus(&self, other: &Self) -> Self {
        let mut sum = *self;
        for (mine, more) in sum.moles_per_litre.iter_mut().zip(other.moles_per_litre) {
            *mine += more;
        }
        sum.unlisted_equivalents_per_litre += other.unlisted_equivalents_per_litre;
        sum
    }

    /// The same with further unlisted equivalents per litre: how a measured pH is imposed.
    pub(crate) const fn with_unlisted(&self, equivalents_per_litre: f64) -> Self {
        Self {
            moles_per_litre: self.moles_per_litre,
            unlisted_equivalents_per_litre: self.unlisted_equivalents_per_litre
                + equivalents_per_litre,
        }
    }

    /// The same with a component replaced.
    pub(crate) const fn with(&self, component: Component, moles_per_litre: f64) -> Self {
        let mut changed = *self;
        changed.moles_per_litre[component.index()] = moles_per_litre;
        changed
    }
}

/// Solutions poured together, each with its litres. Volumes are taken to add up, which is true
/// within 1 % for anything dilute.
///
/// # Errors
/// [`SolutionError::Input`] for litres that are not positive, or for nothing to mix.
pub fn mix(parts: &[(Solution, f64)]) -> Result<Solution, SolutionError> {
    let mut sum = Solution::WATER;
    let mut total = 0.0;
    for (solution, litres) in parts {
        let litres = positive("litres", *litres, 1e6, "L")?;
        sum = sum.plus(&solution.scaled(litres));
        total += litres;
    }
    if total == 0.0 {
        return Err(SolutionError::input("parts", "name at least one solution"));
    }
    Ok(sum.scaled(1.0 / total))
}

/// A concentrate of which one volume makes `volumes` volumes with this water: 100 for an injector
/// set at 1:100 (UMass Extension, *Ratios and Concentrations for Water Soluble Fertilizers*, 2011).
///
/// # Errors
/// [`SolutionError::Input`] for `volumes` under 1 or over 10 000.
pub fn dilute(
    concentrate: &Solution,
    volumes: f64,
    water: &Solution,
) -> Result<Solution, SolutionError> {
    let volumes = within("volumes", volumes, 1.0, 10_000.0, "volumes")?;
    let share = 1.0 / volumes;
    Ok(concentrate.scaled(share).plus(&water.scaled(1.0 - share)))
}
