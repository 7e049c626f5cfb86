//! The dose of an acid or base that the model computes for a target pH.

use crate::equilibrium::{CHARGE_TOLERANCE, Conditions, System};
use crate::error::{SolutionError, ph, positive};
use crate::nutrient::Nutrients;
use crate::product::Product;
use crate::root::{NoRoot, root};
use crate::solution::Solution;
use crate::substance::Adjusts;

/// A dose that reaches the target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dose {
    /// Grams of the product per litre.
    pub grams_per_litre: f64,
    /// Millimoles of its acids or bases per litre.
    pub millimoles_per_litre: f64,
    /// Nutrients that the dose itself brings, mg/L.
    pub nutrients: Nutrients,
    /// The solution with the dose in it.
    pub after: Solution,
}

/// What a product can do about a pH.
#[derive(Debug, Clone, PartialEq)]
pub enum DoseAnswer {
    /// This much reaches the target.
    Reaches(Box<Dose>),
    /// The pH is there already.
    There,
    /// The target lies the other way: this product would move the pH away from it.
    OtherWay {
        /// pH before any dose.
        ph: f64,
    },
    /// Even the most that was allowed does not reach the target.
    OutOfReach {
        /// pH with the most in it.
        ph_with_most: f64,
    },
}

/// pH units within which a target counts as reached.
const REACHED: f64 = 1e-6;

/// More grams per litre than any correction needs.
const MOST_GRAMS_PER_LITRE: f64 = 100.0;

/// The dose of a product that brings a solution to a target pH: the charge balance at the target is
/// solved for the dose. The volume of the dose itself is neglected.
///
/// # Errors
/// [`SolutionError::Input`] for a product that is neither acid nor base, or a figure out of range;
/// [`SolutionError::NoAnswer`] where the equilibria do not converge.
pub fn dose_to_ph(
    solution: &Solution,
    product: &Product,
    conditions: Conditions,
    target_ph: f64,
    most_grams_per_litre: f64,
) -> Result<DoseAnswer, SolutionError> {
    let target = ph("target_ph", target_ph)?;
    let most = positive(
        "most_grams_per_litre",
        most_grams_per_litre,
        MOST_GRAMS_PER_LITRE,
        "g/L",
    )?;
    let way = adjusts(product)?;
    let mut system = System::new(solution, conditions)?;
    let start = system.balanced()?.ph();
    if (start - target).abs() <= REACHED {
        return Ok(DoseAnswer::There);
    }
    if (target < start) != (way == Adjusts::Down) {
        return Ok(DoseAnswer::OtherWay { ph: start });
    }
    let with = |grams: f64| solution.plus(&product.gram_per_litre().scaled(grams));
    let charge = |grams: f64| {
        system.put(&with(grams));
        system.charge_at(target)
    };
    match root(0.0, most, CHARGE_TOLERANCE, charge) {
        Ok(grams) => Ok(DoseAnswer::Reaches(Box::new(Dose {
            grams_per_litre: grams,
            millimoles_per_litre: grams * product.adjuster_moles_per_gram() * 1000.0,
            nutrients: product.gram_per_litre().scaled(grams).nutrients(),
            after: with(grams),
        }))),
        Err(NoRoot::NotBracketed) => Ok(DoseAnswer::OutOfReach {
            ph_with_most: System::new(&with(most), conditions)?.balanced()?.ph(),
        }),
        Err(NoRoot::NotFound) => Err(SolutionError::NoAnswer(
            "the equilibria of this solution do not converge".into(),
        )),
    }
}

/// Which way a product moves the pH.
pub(crate) fn adjusts(product: &Product) -> Result<Adjusts, SolutionError> {
    product.adjusts().ok_or_else(|| {
        SolutionError::input(
            "product",
            format!(
                "{} is not an acid or a base of stated content, so no dose can be computed",
                product.name()
            ),
        )
    })
}
