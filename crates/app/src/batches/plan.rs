//! What a batch is to be: amounts, order, expectation; pure.

use cotyl_solution::{
    Conditions, Expectation, MixingStep, Product, RecipeLine, Solution, SolutionError, caution,
    dissolve, expectation, mixing_order,
};
use cotyl_store::products::{ProductFields, Shelf};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::chemistry::{Handling, Measured, grams_per_litre, kept, kept_product, water_of};
use crate::recipes::{Ground, settles};
use crate::{Error, Result};

/// Digits to which amounts are weighed: a twentieth of a percent at most.
const DIGITS: u32 = 4;
/// Grams or millilitres below which an amount is better taken from a dilute stock.
const SMALL: i64 = 500;

/// A batch as it was planned when it was begun. Kept with it, so that later changes of recipe, water or
/// product do not touch it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BatchPlan {
    /// Name of the recipe.
    pub recipe_name: String,
    /// Version of the recipe.
    pub recipe_version: i64,
    /// Lowest pH that will do, in thousandths.
    pub ph_least_thousandths: i32,
    /// Highest pH that will do, in thousandths.
    pub ph_most_thousandths: i32,
    /// Whether the recipe is made by way of concentrates.
    pub has_concentrates: bool,
    /// Name and report of the water; `None` for pure water.
    pub water: Option<(String, Value)>,
    /// Its products.
    pub lines: Vec<PlanLine>,
    /// What the meters should show, as it was worked out then.
    pub expectation: Option<PlannedReading>,
}

/// A product of a batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanLine {
    /// The product.
    pub product_id: Uuid,
    /// What it was then.
    pub product: ProductFields,
    /// How much goes in.
    pub amount: Measured,
}

/// What the meters should show.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PlannedReading {
    /// pH.
    pub ph: f64,
    /// Lowest pH that what is left open allows.
    pub ph_low: f64,
    /// Highest.
    pub ph_high: f64,
    /// Conductivity at 25 °C.
    pub microsiemens_per_cm: f64,
    /// How far the meter may read from it.
    pub uncertainty_microsiemens_per_cm: f64,
}

impl From<Expectation> for PlannedReading {
    fn from(expected: Expectation) -> Self {
        Self {
            ph: expected.ph,
            ph_low: expected.ph_low,
            ph_high: expected.ph_high,
            microsiemens_per_cm: expected.conductivity.microsiemens_per_cm,
            uncertainty_microsiemens_per_cm: expected.conductivity.uncertainty_microsiemens_per_cm,
        }
    }
}

/// A plan worked out.
#[derive(Debug, Clone)]
pub struct Worked {
    /// The batch as mixed, before any dose.
    pub mixed: Solution,
    /// Whether calcium would settle before the pH is corrected.
    pub settles_uncorrected: bool,
    /// The order of mixing.
    pub order: Vec<MixingStep>,
    /// How all of it is to be handled.
    pub handling: Handling,
}

impl BatchPlan {
    /// Amounts of every product for so many microlitres.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a volume so small that a product of the recipe cannot be weighed.
    pub(crate) fn of(ground: &Ground, microlitres: i64) -> Result<Self> {
        let litres = microlitres as f64 / 1e6;
        let mut lines = Vec::new();
        for (line, product) in ground.lines.iter().zip(&ground.products) {
            let chemical = kept_product(&product.fields)?;
            let grams = grams_per_litre(&chemical, line.per_litre).unwrap_or_default() * litres;
            let amount =
                Measured::from(chemical.measure(grams).map_err(too_much)?).readable(DIGITS);
            if amount.count() < 1 {
                return Err(Error::field(
                    "/volume",
                    "range",
                    format!(
                        "{} cannot be measured for so little; mix a larger batch",
                        product.fields.name
                    ),
                ));
            }
            lines.push(PlanLine {
                product_id: line.product_id,
                product: product.fields.clone(),
                amount,
            });
        }
        let fields = &ground.recipe.fields;
        let mut plan = Self {
            recipe_name: fields.name.clone(),
            recipe_version: ground.recipe.version,
            ph_least_thousandths: fields.ph_least_thousandths,
            ph_most_thousandths: fields.ph_most_thousandths,
            has_concentrates: !ground.concentrates.is_empty(),
            water: ground
                .water
                .as_ref()
                .map(|water| (water.fields.name.clone(), water.fields.analysis.clone())),
            lines,
            expectation: None,
        };
        let mixed = plan.mixed(litres)?;
        plan.expectation = expectation(&mixed, Conditions::STANDARD)
            .ok()
            .map(Into::into);
        Ok(plan)
    }

    /// The products, as the rules of solutions read them.
    fn products(&self) -> Result<Vec<Product>> {
        self.lines
            .iter()
            .map(|line| kept_product(&line.product))
            .collect()
    }

    /// The water that the batch is mixed with.
    pub(crate) fn source(&self) -> Result<Solution> {
        let Some((_, report)) = &self.water else {
            return Ok(Solution::WATER);
        };
        water_of(&kept(report)?).map_err(|problem| Error::internal(format!("{problem:?}")))
    }

    /// The batch as mixed, before any dose.
    ///
    /// # Errors
    /// [`Error::Internal`] when this version cannot read the plan.
    pub(crate) fn mixed(&self, litres: f64) -> Result<Solution> {
        let products = self.products()?;
        let mut lines = Vec::new();
        for (line, product) in self.lines.iter().zip(&products) {
            let grams = product
                .grams(line.amount.measure())
                .map_err(Error::internal)?;
            lines.push(RecipeLine {
                product,
                grams_per_litre: grams / litres,
            });
        }
        dissolve(&self.source()?, &lines).map_err(Error::internal)
    }

    /// Order of mixing and handling.
    ///
    /// # Errors
    /// [`Error::Internal`] when this version cannot read the plan.
    pub(crate) fn work(&self, litres: f64) -> Result<Worked> {
        let mixed = self.mixed(litres)?;
        let products = self.products()?;
        let mut handling = Handling::default();
        for (line, product) in self.lines.iter().zip(&products) {
            handling.join(Handling::of(&line.product, product));
            if line.amount.count() < SMALL {
                handling.add(&small_dose(product));
            }
        }
        if self.has_concentrates || self.lines.iter().any(|line| line.product.part != "single") {
            handling.add(&caution::for_concentrates());
        }
        handling.needs_concentrates |= self.has_concentrates;
        let settles_uncorrected = settles(&mixed);
        let by_reference: Vec<&Product> = products.iter().collect();
        Ok(Worked {
            order: mixing_order(&by_reference, settles_uncorrected),
            mixed,
            settles_uncorrected,
            handling,
        })
    }

    /// The range of pH that will do.
    pub fn accepted_ph(&self) -> (f64, f64) {
        let of = |thousandths| f64::from(thousandths) / 1000.0;
        (of(self.ph_least_thousandths), of(self.ph_most_thousandths))
    }
}

/// The caution for what is too little to weigh.
fn small_dose(product: &Product) -> Vec<caution::Caution> {
    let all = caution::for_dose(product, 0.0).cautions;
    all.into_iter()
        .filter(|caution| caution.code == "dose-by-dilute-stock")
        .collect()
}

fn too_much(error: SolutionError) -> Error {
    Error::field("/volume", "range", error.to_string())
}

/// Something that the shelf lacks for a batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Missing {
    /// The product.
    pub product_id: Uuid,
    /// Its name.
    pub product_name: String,
    /// What the batch takes.
    pub needed: Measured,
    /// Whether a stock item keeps the product.
    pub has_item: bool,
    /// What the shelf holds that has not expired; `None` where no stock item keeps the product.
    pub on_hand: Option<Measured>,
}

impl Missing {
    /// In words; without what is there for whoever must not know it.
    pub fn told(&self, hides_on_hand: bool) -> String {
        let Self {
            product_name,
            needed,
            on_hand,
            ..
        } = self;
        match on_hand {
            Some(_) if hides_on_hand => format!(
                "{needed} of {product_name} are needed and there is not as much; how much there is stays hidden while a stock-taking is open"
            ),
            Some(on_hand) => {
                format!("{needed} of {product_name} are needed and {on_hand} are there")
            }
            None => {
                format!("no stock item keeps {product_name}; describe one and receive a lot of it")
            }
        }
    }
}

/// A quantity of a product in the base units of the stock item that keeps it.
pub(crate) fn in_units_of(product: &Product, amount: Measured, dimension: &str) -> Result<i64> {
    let grams = product.grams(amount.measure()).map_err(Error::internal)?;
    Ok(match (amount, dimension) {
        (Measured::Milligrams(count), "mass") | (Measured::Microlitres(count), "volume") => count,
        (Measured::Microlitres(_), _) => (grams * 1000.0).round_ties_even() as i64,
        (Measured::Milligrams(_), _) => {
            Measured::from(product.measure(grams).map_err(Error::internal)?).count()
        }
    })
}

/// What a shelf lacks for a plan.
pub(crate) fn missing(plan: &BatchPlan, shelf: &[Shelf]) -> Result<Vec<Missing>> {
    let mut lacking = Vec::new();
    for line in &plan.lines {
        let product = kept_product(&line.product)?;
        let item = shelf.iter().find(|item| item.product_id == line.product_id);
        let on_hand = match item {
            None => None,
            Some(item) => {
                let needed = in_units_of(&product, line.amount, &item.dimension)?;
                if item.quantity >= needed {
                    continue;
                }
                Some(match item.dimension.as_str() {
                    "volume" => Measured::Microlitres(item.quantity),
                    _ => Measured::Milligrams(item.quantity),
                })
            }
        };
        lacking.push(Missing {
            product_id: line.product_id,
            product_name: line.product.name.clone(),
            needed: line.amount,
            has_item: item.is_some(),
            on_hand,
        });
    }
    Ok(lacking)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use crate::chemistry::PerLitre;
    use serde_json::json;

    #[test]
    fn liquids_are_drawn_by_weight_where_they_are_kept_by_weight() {
        let fields = ProductFields {
            name: "acid".into(),
            purpose: "acid".into(),
            part: "single".into(),
            form: "liquid".into(),
            composition: json!({"substances": {"phosphoric_acid": 10.0}}),
            density_milligrams_per_millilitre: Some(1050),
            hazard_statements: vec![],
            most_milligrams_per_litre: None,
        };
        let product = kept_product(&fields).unwrap();
        let poured = Measured::Microlitres(10_000);
        assert_eq!(in_units_of(&product, poured, "volume").unwrap(), 10_000);
        assert_eq!(in_units_of(&product, poured, "mass").unwrap(), 10_500);
        let plan = PerLitre::NanolitresPerLitre(2_000_000);
        let grams = grams_per_litre(&product, plan).unwrap();
        assert!((grams - 2.1).abs() < 1e-12);
    }
}
