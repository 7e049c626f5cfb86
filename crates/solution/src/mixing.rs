//! The order in which a batch is mixed.
//!
//! Each product is dissolved before the next goes in, into most of the water: sulfates and phosphates
//! first, then other salts, trace elements, and calcium last, when everything that could settle with
//! it is already thin. Then the rest of the water, and only then the pH. In an alkaline water calcium
//! phosphate may settle before the pH is corrected: ask [`crate::compatibility`] about the mix as it
//! stands without acid, and correct before the calcium goes in where it would settle. Common practice, after
//! Hoagland and Arnon, Circular 347, 1950, and extension sheets, from memory.

use crate::component::Component;
use crate::product::Product;

/// Share of the water that goes in first, in percent. Common practice, no source.
pub const WATER_FIRST_PERCENT: u32 = 80;

/// One step of mixing a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MixingStep {
    /// Fill in this share of the water.
    Water {
        /// Percent of the batch.
        percent: u32,
    },
    /// Add one product, by its position in the recipe, and stir until it has dissolved.
    Add {
        /// Position in the recipe.
        line: usize,
    },
    /// Fill up to the mark and stir.
    FillUp,
    /// Read conductivity and pH; correct the pH by portions.
    ReadAndCorrect,
}

/// The steps for a recipe. Acids and bases in it come after everything else, each on its own. Where the
/// uncorrected mix would settle, the pH is corrected once before the calcium and once at the end.
#[must_use]
pub fn mixing_order(products: &[&Product], settles_uncorrected: bool) -> Vec<MixingStep> {
    let mut order: Vec<usize> = (0..products.len()).collect();
    order.sort_by_key(|&line| rank(products[line]));
    let mut steps = vec![MixingStep::Water {
        percent: WATER_FIRST_PERCENT,
    }];
    let mut corrected = !settles_uncorrected;
    for line in order {
        if !corrected && rank(products[line]) == CALCIUM {
            steps.push(MixingStep::ReadAndCorrect);
            corrected = true;
        }
        steps.push(MixingStep::Add { line });
    }
    steps.extend([MixingStep::FillUp, MixingStep::ReadAndCorrect]);
    steps
}

/// Place of what brings calcium.
const CALCIUM: u8 = 3;

/// Place of a product in the order, lower first.
fn rank(product: &Product) -> u8 {
    let litre = product.gram_per_litre();
    let has = |component| litre.moles_per_litre(component) > 1e-5;
    if product.adjusts().is_some() {
        4
    } else if has(Component::Calcium) {
        CALCIUM
    } else if has(Component::Sulfate) && has(Component::Magnesium) {
        0
    } else if has(Component::Sulfate) || has(Component::Phosphate) {
        1
    } else {
        2
    }
}
