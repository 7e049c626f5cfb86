//! What a litre of a recipe is expected to take of an acid or base: for buying, before anything is mixed.
//!
//! The dose to the middle of the pH that will do, which is what a correction aims at; it stops as soon as the
//! pH will do, so that as a rule a little less is used. Times the factor of earlier batches.

use crate::dose::{DoseAnswer, dose_to_ph};
use crate::equilibrium::{Air, Conditions, equilibrium};
use crate::error::{SolutionError, celsius, positive};
use crate::product::Product;
use crate::solution::Solution;
use crate::substance::Adjusts;
use crate::{SEARCHED_GRAMS_PER_LITRE, correction_input};

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub struct DoseQuestion<'a> {
    /// The solution as mixed, before any dose.
    pub mixed: &'a Solution,
    /// Temperature of the batches.
    pub celsius: f64,
    /// Lowest and highest pH that will do.
    pub accepted_ph: (f64, f64),
}

/// A dose to reckon with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlannedDose {
    /// pH before any dose.
    pub ph: f64,
    /// pH aimed at.
    pub target_ph: f64,
    /// Grams of the product per litre by the model.
    pub model_grams_per_litre: f64,
    /// The same times the factor of earlier batches.
    pub grams_per_litre: f64,
}

impl DoseQuestion<'_> {
    fn conditions(&self) -> Result<Conditions, SolutionError> {
        correction_input::accepted(self.accepted_ph)?;
        Ok(Conditions {
            celsius: celsius("celsius", self.celsius)?,
            air: Air::Closed,
        })
    }

    /// The pH as mixed, and which way it must be moved; nothing when it will do.
    ///
    /// # Errors
    /// [`SolutionError::Input`] for a range that is none; [`SolutionError::NoAnswer`] where the equilibria fail.
    pub fn needed(&self) -> Result<(f64, Option<Adjusts>), SolutionError> {
        let ph = equilibrium(self.mixed, self.conditions()?)?.ph();
        let (low, high) = self.accepted_ph;
        let way = if ph > high {
            Some(Adjusts::Down)
        } else if ph < low {
            Some(Adjusts::Up)
        } else {
            None
        };
        Ok((ph, way))
    }

    /// What a litre takes of a product of the kind that is needed.
    ///
    /// # Errors
    /// [`SolutionError::Input`] for a product that is no acid or base, or a factor out of range;
    /// [`SolutionError::NoAnswer`] where no dose of it reaches the middle of the range.
    pub fn planned(&self, product: &Product, factor: f64) -> Result<PlannedDose, SolutionError> {
        let factor = positive("factor", factor, 10.0, "")?;
        let conditions = self.conditions()?;
        let target_ph = f64::midpoint(self.accepted_ph.0, self.accepted_ph.1);
        let most = SEARCHED_GRAMS_PER_LITRE;
        match dose_to_ph(self.mixed, product, conditions, target_ph, most)? {
            DoseAnswer::Reaches(dose) => Ok(PlannedDose {
                ph: self.needed()?.0,
                target_ph,
                model_grams_per_litre: dose.grams_per_litre,
                grams_per_litre: dose.grams_per_litre * factor,
            }),
            DoseAnswer::There | DoseAnswer::OtherWay { .. } => Err(SolutionError::NoAnswer(
                format!("{} does not move the pH to {target_ph}", product.name()),
            )),
            DoseAnswer::OutOfReach { ph_with_most } => Err(SolutionError::NoAnswer(format!(
                "{} does not bring the pH to {target_ph}: with {most} g in a litre it is {ph_with_most:.1}",
                product.name()
            ))),
        }
    }
}
