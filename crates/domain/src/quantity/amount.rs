//! An amount of something that is kept: by weight, by volume or by pieces, as its item says.

use serde::{Deserialize, Serialize};

use super::units::{self, Unit};
use super::{Dimension, Mass, QuantityError, QuantityText, Volume, decimal};

/// The most base units of one amount: a tonne, a thousand litres, a million million pieces.
pub const MOST_BASE_UNITS: i64 = 1_000_000_000_000;
/// The most digits of an amount, so that no product with a density leaves the range.
pub const MOST_AMOUNT_DIGITS: usize = 20;
/// The UCUM code of pieces: the unity.
pub const PIECES: &str = "1";
/// The measuring scoop that lies with an item; what it holds is stated on the item.
pub const SCOOP: &str = "scoop";

/// By what an item is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum StockDimension {
    /// By weight, in whole milligrams.
    Mass,
    /// By volume, in whole microlitres.
    Volume,
    /// By pieces.
    Count,
}

impl StockDimension {
    /// The name kept in the database and shown in the API.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Mass => "mass",
            Self::Volume => "volume",
            Self::Count => "count",
        }
    }

    /// The dimension of that name.
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        [Self::Mass, Self::Volume, Self::Count]
            .into_iter()
            .find(|dimension| dimension.as_str() == name)
    }

    const fn kept(self) -> &'static str {
        match self {
            Self::Mass => "by weight",
            Self::Volume => "by volume",
            Self::Count => "by pieces",
        }
    }

    const fn units(self) -> &'static str {
        match self {
            Self::Mass => "a unit of mass such as g, kg or [oz_av]",
            Self::Volume => "a unit of volume such as mL, L or [tsp_us]",
            Self::Count => "the unit \"1\", for pieces",
        }
    }
}

/// An amount as it crosses the edge, which only its item can turn into base units.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Amount(pub QuantityText);

impl Amount {
    /// Base units of a dimension: written in grams, millilitres or pieces.
    #[must_use]
    pub fn of(dimension: StockDimension, base_units: i64) -> Self {
        Self(match dimension {
            StockDimension::Mass => Mass::of_milligrams(base_units).into(),
            StockDimension::Volume => Volume::of_microlitres(base_units).into(),
            StockDimension::Count => QuantityText {
                value: base_units.to_string(),
                unit: PIECES.to_owned(),
            },
        })
    }
}

impl std::fmt::Display for Amount {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let unit = match self.0.unit.as_str() {
            PIECES => "pieces",
            unit => unit,
        };
        write!(formatter, "{} {unit}", self.0.value)
    }
}

/// Why an amount cannot be read for its item; each message says what would be accepted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AmountError {
    /// The number or the unit itself.
    #[error(transparent)]
    Quantity(#[from] QuantityError),
    /// The unit measures something else than what the item is kept by.
    #[error("this item is kept {}, so the unit {unit:?} does not fit: use {}", .kept.kept(), .kept.units())]
    WrongDimension {
        /// The unit as given.
        unit: String,
        /// What the item is kept by.
        kept: StockDimension,
    },
    /// A volume of what is weighed, or a weight of what is poured, without a density.
    #[error(
        "this item is kept {} and its density is not stated, so {unit:?} says nothing about it: weigh a level \
         measure of known volume (100 mL, say), state density_milligrams_per_millilitre on the stock item, or \
         enter the amount in {}", .kept.kept(), .kept.units()
    )]
    NeedsDensity {
        /// The unit as given.
        unit: String,
        /// What the item is kept by.
        kept: StockDimension,
    },
    /// Scoops of an item whose scoop is not stated.
    #[error(
        "what one scoop of this item holds is not stated: weigh one level scoop and state it as scoop on the \
         stock item, or enter the amount in {}", .kept.units()
    )]
    NeedsScoop {
        /// What the item is kept by.
        kept: StockDimension,
    },
    /// A part of a piece.
    #[error("pieces are counted whole: use a number without decimals")]
    NotWhole,
    /// More digits than are read exactly.
    #[error("the value has {digits} digits: use at most {MOST_AMOUNT_DIGITS}")]
    TooManyDigits {
        /// How many it has.
        digits: usize,
    },
    /// More than a store may hold.
    #[error("the amount is too large: use at most {}", Amount::of(*.kept, MOST_BASE_UNITS))]
    TooLarge {
        /// What the item is kept by.
        kept: StockDimension,
    },
    /// Less than nothing.
    #[error("the amount must not be negative")]
    Negative,
    /// Nothing, where something is needed.
    #[error("the amount must be at least {}", Amount::of(*.kept, 1))]
    Nothing {
        /// What the item is kept by.
        kept: StockDimension,
    },
}

impl AmountError {
    /// Stable word for the kind of problem.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Quantity(QuantityError::UnknownUnit { .. }) => "unit",
            Self::Quantity(_) | Self::TooManyDigits { .. } => "number",
            Self::WrongDimension { .. } => "dimension",
            Self::NeedsDensity { .. } => "density",
            Self::NeedsScoop { .. } => "scoop",
            Self::NotWhole => "whole",
            Self::TooLarge { .. } | Self::Negative | Self::Nothing { .. } => "range",
        }
    }
}

/// How amounts of an item are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ItemMeasure {
    /// By what it is kept.
    pub dimension: StockDimension,
    /// Its stated (bulk) density, more than nothing.
    pub density_milligrams_per_millilitre: Option<i64>,
    /// Base units in one level scoop, more than nothing.
    pub scoop_quantity: Option<i64>,
}

impl ItemMeasure {
    /// Base units of an amount, more than nothing; an exact fraction rounded half-even once.
    ///
    /// # Errors
    /// [`AmountError`], one variant for each fault.
    pub fn read(&self, amount: &Amount) -> Result<i64, AmountError> {
        match self.read_found(amount)? {
            0 => Err(AmountError::Nothing {
                kept: self.dimension,
            }),
            base_units => Ok(base_units),
        }
    }

    /// Base units of an amount that may be nothing: what was found on a shelf.
    ///
    /// # Errors
    /// As [`Self::read`].
    pub fn read_found(&self, amount: &Amount) -> Result<i64, AmountError> {
        let kept = self.dimension;
        let (numerator, denominator) = self.fraction(&amount.0.unit)?;
        let (digits, decimals) = decimal::read(&amount.0.value)?;
        if digits < 0 {
            return Err(AmountError::Negative);
        }
        let count = amount.0.value.bytes().filter(u8::is_ascii_digit).count();
        if count > MOST_AMOUNT_DIGITS {
            return Err(AmountError::TooManyDigits { digits: count });
        }
        let numerator = digits * numerator;
        let denominator = 10_i128.pow(decimals) * denominator;
        if kept == StockDimension::Count && numerator % denominator != 0 {
            return Err(AmountError::NotWhole);
        }
        let base_units = decimal::divide_half_even(numerator, denominator);
        i64::try_from(base_units)
            .ok()
            .filter(|base_units| *base_units <= MOST_BASE_UNITS)
            .ok_or(AmountError::TooLarge { kept })
    }

    /// Base units in one of the unit, as a fraction.
    fn fraction(&self, code: &str) -> Result<(i128, i128), AmountError> {
        let kept = self.dimension;
        let wrong = || AmountError::WrongDimension {
            unit: code.to_owned(),
            kept,
        };
        if code == SCOOP {
            let scoop = self
                .scoop_quantity
                .ok_or(AmountError::NeedsScoop { kept })?;
            return Ok((scoop.into(), 1));
        }
        if code == PIECES {
            return (kept == StockDimension::Count)
                .then_some((1, 1))
                .ok_or_else(wrong);
        }
        let wanted = match kept {
            StockDimension::Volume => Dimension::Volume,
            StockDimension::Mass | StockDimension::Count => Dimension::Mass,
        };
        let (found, unit) = match units::find(wanted, code) {
            Ok(unit) => (wanted, unit),
            Err(QuantityError::WrongDimension { found, .. }) => (found, units::find(found, code)?),
            Err(_) if kept == StockDimension::Count => return Err(wrong()),
            Err(error) => return Err(error.into()),
        };
        let Unit {
            numerator,
            denominator,
            ..
        } = *unit;
        let density = || {
            let stated = self.density_milligrams_per_millilitre;
            stated
                .map(i128::from)
                .ok_or_else(|| AmountError::NeedsDensity {
                    unit: code.to_owned(),
                    kept,
                })
        };
        match (kept, found) {
            (StockDimension::Mass, Dimension::Mass)
            | (StockDimension::Volume, Dimension::Volume) => Ok((numerator, denominator)),
            // milligrams of so many microlitres, at so many milligrams in a thousand of them
            (StockDimension::Mass, Dimension::Volume) => {
                Ok((numerator * density()?, denominator * 1_000))
            }
            (StockDimension::Volume, Dimension::Mass) => {
                Ok((numerator * 1_000, denominator * density()?))
            }
            (StockDimension::Count, _) => Err(wrong()),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use proptest::prelude::*;

    use super::*;

    fn measure(dimension: StockDimension) -> ItemMeasure {
        ItemMeasure {
            dimension,
            density_milligrams_per_millilitre: None,
            scoop_quantity: None,
        }
    }

    fn amount(value: &str, unit: &str) -> Amount {
        Amount(QuantityText {
            value: value.to_owned(),
            unit: unit.to_owned(),
        })
    }

    /// NIST Handbook 44, Appendix C: 1 lb = 453.592 37 g, 1 oz = 28.349 523 125 g, 1 gal = 3.785 411 784 L,
    /// 1 fl oz = 29.573 529 562 5 mL, a teaspoon a sixth of it, 4.928 921 593 75 mL.
    #[test]
    fn published_units_are_read_to_the_base_unit() {
        let (mass, volume) = (
            measure(StockDimension::Mass),
            measure(StockDimension::Volume),
        );
        for (kept, value, unit, base_units) in [
            (mass, "1", "[lb_av]", 453_592),
            (mass, "100", "[lb_av]", 45_359_237),
            (mass, "1", "[oz_av]", 28_350),
            (mass, "2.5", "kg", 2_500_000),
            (volume, "1", "[gal_us]", 3_785_412),
            (volume, "1", "[foz_us]", 29_574),
            (volume, "1", "[tsp_us]", 4_929),
            (measure(StockDimension::Count), "12", "1", 12),
        ] {
            assert_eq!(
                kept.read(&amount(value, unit)),
                Ok(base_units),
                "{value} {unit}"
            );
        }
    }

    /// The teaspoon of NIST Handbook 44, Appendix C, times a density, rounded once at the end.
    #[test]
    fn spoons_of_a_powder_take_its_density_and_scoops_its_scoop() {
        let mut powder = measure(StockDimension::Mass);
        powder.density_milligrams_per_millilitre = Some(900);
        powder.scoop_quantity = Some(12_500);
        // 4.928 921 593 75 mL × 900 mg/mL = 4 436.029 mg; rounding to microlitres first gives 4 436.1
        assert_eq!(powder.read(&amount("1", "[tsp_us]")), Ok(4_436));
        assert_eq!(powder.read(&amount("1000", "[tsp_us]")), Ok(4_436_029));
        assert_eq!(powder.read(&amount("100", "mL")), Ok(90_000));
        assert_eq!(powder.read(&amount("2.5", "scoop")), Ok(31_250));
        let mut liquid = measure(StockDimension::Volume);
        liquid.density_milligrams_per_millilitre = Some(1_685);
        assert_eq!(liquid.read(&amount("1.685", "kg")), Ok(1_000_000));
    }

    #[test]
    fn a_tie_goes_to_the_even() {
        let mut powder = measure(StockDimension::Mass);
        powder.density_milligrams_per_millilitre = Some(500);
        assert_eq!(
            powder.read(&amount("1", "uL")),
            Err(AmountError::Nothing {
                kept: StockDimension::Mass
            })
        );
        assert_eq!(powder.read(&amount("3", "uL")), Ok(2));
        assert_eq!(powder.read(&amount("5", "uL")), Ok(2));
    }

    #[test]
    fn every_fault_has_a_word_and_says_what_to_do() {
        let (mass, count) = (
            measure(StockDimension::Mass),
            measure(StockDimension::Count),
        );
        for (kept, value, unit, code, says) in [
            (mass, "1", "[tsp_us]", "density", "weigh a level measure"),
            (mass, "1", "scoop", "scoop", "weigh one level scoop"),
            (mass, "1", "1", "dimension", "a unit of mass"),
            (count, "1", "g", "dimension", "pieces"),
            (count, "1", "box", "dimension", "pieces"),
            (count, "1.5", "1", "whole", "without decimals"),
            (mass, "-1", "g", "range", "negative"),
            (mass, "0", "g", "range", "at least 0.001 g"),
            (mass, "1000000001", "g", "range", "at most 1000000000 g"),
            (mass, "99999999999999999999", "kg", "range", "too large"),
            (mass, "1.000000000000000000000", "g", "number", "at most 20"),
            (mass, "1e3", "g", "number", "plain decimal"),
            (mass, "1", "grams", "unit", "did you mean g"),
        ] {
            let error = kept.read(&amount(value, unit)).unwrap_err();
            assert_eq!(error.code(), code, "{value} {unit}");
            assert!(error.to_string().contains(says), "{error}");
        }
        assert_eq!(mass.read_found(&amount("0", "g")), Ok(0));
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(base_units in 1..=MOST_BASE_UNITS) {
            for dimension in [StockDimension::Mass, StockDimension::Volume, StockDimension::Count] {
                let written = Amount::of(dimension, base_units);
                prop_assert_eq!(measure(dimension).read(&written), Ok(base_units));
            }
        }

        #[test]
        fn no_amount_panics(
            value in "-?[0-9]{1,24}(\\.[0-9]{1,12})?", unit in "(g|kg|\\[gal_us\\]|\\[gr\\]|1|scoop|mL|x)",
            density in prop::option::of(10_i64..=5000), scoop in prop::option::of(1_i64..=1_000_000_000),
        ) {
            for dimension in [StockDimension::Mass, StockDimension::Volume, StockDimension::Count] {
                let kept = ItemMeasure {
                    dimension, density_milligrams_per_millilitre: density, scoop_quantity: scoop,
                };
                if let Ok(base_units) = kept.read(&amount(&value, &unit)) {
                    prop_assert!((1..=MOST_BASE_UNITS).contains(&base_units));
                }
            }
        }
    }
}
