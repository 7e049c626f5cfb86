//! Products: what one gram of a bag or a bottle brings.

use cotyl_domain::quantity::{Mass, Volume};

use crate::component::COMPONENTS;
use crate::component::Component;
use crate::error::{SolutionError, positive, within};
use crate::nutrient::{LabelItem, Nutrients};
use crate::solution::Solution;
use crate::substance::{Adjusts, Substance};

/// Whether a product is weighed or poured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Form {
    /// A powder or crystals, weighed.
    Solid,
    /// A liquid of stated density.
    Liquid {
        /// Grams per millilitre.
        grams_per_millilitre: f64,
    },
}

/// What the percentages of an analysis are of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// Grams in 100 g.
    MassPerMass,
    /// Grams in 100 mL: liquids only.
    MassPerVolume,
}

/// A product with its analysis worked out.
#[derive(Debug, Clone, PartialEq)]
pub struct Product {
    name: String,
    form: Form,
    moles_per_gram: [f64; COMPONENTS],
    unlisted_equivalents_per_gram: f64,
    substances: Vec<(Substance, f64)>,
}

/// An amount as a person measures it: by the balance or by the measuring cylinder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// Weighed.
    Mass(Mass),
    /// Poured.
    Volume(Volume),
}

impl Product {
    /// A product of pure substances, each with its percentage by mass; the rest is water or inert.
    /// Its acidity is known exactly.
    ///
    /// # Errors
    /// [`SolutionError::Input`] for an empty name, a density or percentage out of range, or
    /// percentages beyond 100 in sum.
    pub fn of_substances(
        name: impl Into<String>,
        form: Form,
        mass_percent: &[(Substance, f64)],
    ) -> Result<Self, SolutionError> {
        let mut product = Self::empty(name.into(), form)?;
        let mut sum = 0.0;
        for (substance, percent) in mass_percent {
            sum += positive("mass_percent", *percent, 100.0, "%")?;
            for (held, more) in product
                .moles_per_gram
                .iter_mut()
                .zip(substance.moles_per_gram())
            {
                *held += more * percent / 100.0;
            }
        }
        if sum == 0.0 || sum > 100.0 + 1e-9 {
            return Err(SolutionError::input(
                "mass_percent",
                format!(
                    "the percentages come to {sum} %; they must come to more than 0 and at most 100 %"
                ),
            ));
        }
        product.substances = mass_percent.to_vec();
        Ok(product)
    }

    /// A liquid of pure substances, each with its grams in 100 mL.
    ///
    /// # Errors
    /// As [`Self::of_substances`].
    pub fn of_substances_by_volume(
        name: impl Into<String>,
        grams_per_millilitre: f64,
        grams_in_100_millilitres: &[(Substance, f64)],
    ) -> Result<Self, SolutionError> {
        let density = density(grams_per_millilitre)?;
        let mass_percent: Vec<(Substance, f64)> = grams_in_100_millilitres
            .iter()
            .map(|(substance, grams)| (*substance, grams / density))
            .collect();
        let form = Form::Liquid {
            grams_per_millilitre: density,
        };
        Self::of_substances(name, form, &mass_percent)
    }

    /// A fertiliser by its guaranteed analysis, in percent as the label states it.
    ///
    /// A rounded label never closes its charges, so the gap is filled with inert ions and the
    /// product is taken as neutral salts: its phosphate as dihydrogen phosphate, no free acid or
    /// base. Name an acid, a base or a pure salt by [`Self::of_substances`] instead.
    ///
    /// # Errors
    /// [`SolutionError::Input`] for an empty name or analysis, a density or percentage out of
    /// range, an amount by volume of a solid, or more than 100 g in 100 g.
    pub fn of_analysis(
        name: impl Into<String>,
        form: Form,
        basis: Basis,
        percent: &[(LabelItem, f64)],
    ) -> Result<Self, SolutionError> {
        let mut product = Self::empty(name.into(), form)?;
        let grams_per_100_grams = match (basis, form) {
            (Basis::MassPerMass, _) => 1.0,
            (
                Basis::MassPerVolume,
                Form::Liquid {
                    grams_per_millilitre,
                },
            ) => 1.0 / grams_per_millilitre,
            (Basis::MassPerVolume, Form::Solid) => {
                return Err(SolutionError::input(
                    "basis",
                    "grams per 100 mL is for liquids; a solid's analysis is by mass",
                ));
            }
        };
        let mut sum = 0.0;
        for (item, stated) in percent {
            let grams = within(item.name(), *stated, 0.0, 200.0, "%")? * grams_per_100_grams;
            let nutrient = item.nutrient();
            let element = grams / 100.0 * item.element_fraction();
            sum += element;
            product.moles_per_gram[nutrient.component().0.index()] +=
                element * 1000.0 / nutrient.milligrams_per_mole();
        }
        if sum <= 0.0 || sum > 1.0 {
            return Err(SolutionError::input(
                "percent",
                format!(
                    "the elements come to {} % of the mass; they must come to more than 0 and at most 100 %",
                    sum * 100.0
                ),
            ));
        }
        product.unlisted_equivalents_per_gram = -Component::ALL
            .iter()
            .map(|c| f64::from(c.salt_charge()) * product.moles_per_gram[c.index()])
            .sum::<f64>();
        Ok(product)
    }

    fn empty(name: String, form: Form) -> Result<Self, SolutionError> {
        if name.trim().is_empty() {
            return Err(SolutionError::input("name", "give the product a name"));
        }
        if let Form::Liquid {
            grams_per_millilitre,
        } = form
        {
            density(grams_per_millilitre)?;
        }
        Ok(Self {
            name,
            form,
            moles_per_gram: [0.0; COMPONENTS],
            unlisted_equivalents_per_gram: 0.0,
            substances: Vec::new(),
        })
    }

    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Solid or liquid.
    #[must_use]
    pub const fn form(&self) -> Form {
        self.form
    }

    /// The pure substances it is made of, with their percentages by mass; none for a product known
    /// by its label alone.
    #[must_use]
    pub fn substances(&self) -> &[(Substance, f64)] {
        &self.substances
    }

    /// Which way it is meant to move the pH: where it holds acids but no bases, or bases but no
    /// acids.
    #[must_use]
    pub fn adjusts(&self) -> Option<Adjusts> {
        let mut ways = self
            .substances
            .iter()
            .filter_map(|(substance, _)| substance.adjusts());
        let first = ways.next()?;
        ways.all(|way| way == first).then_some(first)
    }

    /// Moles per gram of the acids or bases in it.
    #[must_use]
    pub fn adjuster_moles_per_gram(&self) -> f64 {
        self.substances
            .iter()
            .filter(|(substance, _)| substance.adjusts().is_some())
            .map(|(substance, percent)| percent / 100.0 / substance.grams_per_mole())
            .sum()
    }

    /// What a gram of it in a litre gives.
    #[must_use]
    pub const fn gram_per_litre(&self) -> Solution {
        Solution::of_parts(self.moles_per_gram, self.unlisted_equivalents_per_gram)
    }

    /// Milligrams per litre of each element that a gram per litre brings.
    #[must_use]
    pub fn nutrients_per_gram(&self) -> Nutrients {
        self.gram_per_litre().nutrients()
    }

    /// Equivalents per gram of charge that the analysis leaves open, without sign.
    #[must_use]
    pub const fn charge_gap_per_gram(&self) -> f64 {
        self.unlisted_equivalents_per_gram.abs()
    }

    /// Grams as they are measured: weighed, or poured by the density. Rounded half-even to a
    /// milligram or a microlitre.
    ///
    /// # Errors
    /// [`SolutionError::Input`] for an amount that is negative, not a number or over a tonne.
    pub fn measure(&self, grams: f64) -> Result<Measure, SolutionError> {
        let grams = within("grams", grams, 0.0, 1e6, "g")?;
        let whole = |thousandths: f64| (thousandths * 1000.0).round_ties_even() as i64;
        Ok(match self.form {
            Form::Solid => Measure::Mass(Mass::of_milligrams(whole(grams))),
            Form::Liquid {
                grams_per_millilitre,
            } => Measure::Volume(Volume::of_microlitres(whole(grams / grams_per_millilitre))),
        })
    }

    /// Grams of a measured amount: a solid is weighed, a liquid weighed or poured.
    ///
    /// # Errors
    /// [`SolutionError::Input`] for a negative amount, or a volume of a solid: weigh it.
    pub fn grams(&self, measure: Measure) -> Result<f64, SolutionError> {
        let grams = match (measure, self.form) {
            (Measure::Mass(mass), _) => mass.milligrams() as f64 / 1000.0,
            (
                Measure::Volume(volume),
                Form::Liquid {
                    grams_per_millilitre,
                },
            ) => volume.microlitres() as f64 / 1000.0 * grams_per_millilitre,
            (Measure::Volume(_), Form::Solid) => {
                return Err(SolutionError::input(
                    "measure",
                    format!("{} is a solid: weigh it", self.name),
                ));
            }
        };
        within("measure", grams, 0.0, 1e6, "g")
    }
}

/// Grams per millilitre that a product can have.
fn density(grams_per_millilitre: f64) -> Result<f64, SolutionError> {
    within(
        "grams_per_millilitre",
        grams_per_millilitre,
        0.7,
        2.2,
        "g/mL",
    )
}
