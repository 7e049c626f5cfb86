//! Recipes: products in water, and the amounts for a batch.

use cotyl_domain::quantity::Volume;

use crate::error::{SolutionError, positive, within};
use crate::nutrient::Nutrient;
use crate::product::{Measure, Product};
use crate::solution::Solution;

/// More of one product in a litre than dissolves, in grams.
const MOST_GRAMS_PER_LITRE: f64 = 1000.0;

/// One product of a recipe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecipeLine<'a> {
    /// The product.
    pub product: &'a Product,
    /// Grams of it per litre of finished solution.
    pub grams_per_litre: f64,
}

/// Water with the products of a recipe in it. A litre of finished solution is taken to hold what
/// a litre of the water holds, which overstates the water's share by the volume of what is
/// dissolved, 0.1 % in a finished solution.
///
/// # Errors
/// [`SolutionError::Input`] naming the product whose amount is negative, not a number or absurd.
pub fn dissolve(water: &Solution, lines: &[RecipeLine<'_>]) -> Result<Solution, SolutionError> {
    lines.iter().try_fold(*water, |solution, line| {
        let grams = grams_per_litre(line)?;
        Ok(solution.plus(&line.product.gram_per_litre().scaled(grams)))
    })
}

fn grams_per_litre(line: &RecipeLine<'_>) -> Result<f64, SolutionError> {
    let field = format!("grams_per_litre of {}", line.product.name());
    within(
        &field,
        line.grams_per_litre,
        0.0,
        MOST_GRAMS_PER_LITRE,
        "g/L",
    )
}

/// What to weigh or pour of each product for a batch, in the order of the recipe.
///
/// # Errors
/// [`SolutionError::Input`] for a batch of nothing or over 100 m³, or an amount out of range.
pub fn batch_amounts(
    lines: &[RecipeLine<'_>],
    batch: Volume,
) -> Result<Vec<Measure>, SolutionError> {
    let litres = batch_litres(batch)?;
    lines
        .iter()
        .map(|line| line.product.measure(grams_per_litre(line)? * litres))
        .collect()
}

/// Grams per litre of a product that bring a nutrient to an amount in mg/L.
///
/// # Errors
/// [`SolutionError::Input`] for an amount out of range, or a product without that nutrient.
pub fn grams_per_litre_for(
    product: &Product,
    nutrient: Nutrient,
    milligrams_per_litre: f64,
) -> Result<f64, SolutionError> {
    let wanted = within(
        "milligrams_per_litre",
        milligrams_per_litre,
        0.0,
        200_000.0,
        "mg/L",
    )?;
    let per_gram = product.nutrients_per_gram().get(nutrient);
    if per_gram <= 0.0 {
        return Err(SolutionError::input(
            "nutrient",
            format!("{} holds no {}", product.name(), nutrient.name()),
        ));
    }
    Ok(wanted / per_gram)
}

/// Litres of a batch.
///
/// # Errors
/// [`SolutionError::Input`] for nothing, less than nothing, or more than 100 m³.
pub fn batch_litres(batch: Volume) -> Result<f64, SolutionError> {
    let litres = batch.microlitres() as f64 / 1e6;
    positive("batch", litres, 100_000.0, "L")
}
