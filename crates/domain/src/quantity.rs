//! Masses and volumes: exact integers inside, a decimal string with a UCUM unit at the edge.
//!
//! A [`Mass`] is a whole number of milligrams, a [`Volume`] a whole number of microlitres. Both are
//! read from and written to [`QuantityText`], `{"value":"1.5","unit":"kg"}`, whose units are UCUM
//! codes. A conversion is an exact fraction and is rounded once, half to even. A volume becomes a
//! mass only through a stated density, so neither type reads the other's units.
//!
//! US units come from 1 lb = 0.453 592 37 kg and 1 gal = 231 in³ with 1 in = 2.54 cm (NIST
//! Handbook 44, Appendix C; NIST SP 811, Appendix B); the UCUM codes and the metric kitchen units
//! from the UCUM essence 2.2.

pub mod amount;
mod decimal;
mod error;
#[cfg(feature = "schema")]
mod schema;
mod units;
mod wire;

use std::fmt;

pub use amount::{Amount, ItemMeasure, StockDimension};
pub use error::QuantityError;
pub use units::Dimension;
pub use wire::QuantityText;

use units::Unit;

/// The longest value or unit that is read, in bytes.
pub const LONGEST_TEXT: usize = 40;

/// The most digits that a value may have.
pub const MOST_DIGITS: usize = 28;

/// The most decimals that [`Mass::to_text`] and [`Volume::to_text`] write.
///
/// Every exact conversion from whole milligrams or microlitres ends within six decimals; seven are
/// enough for the others to be read back without loss in every unit known here.
pub const INEXACT_DECIMALS: u32 = 7;

macro_rules! quantity {
    ($name:ident, $base:literal, $dimension:expr, $wire_unit:expr, $of_base:ident, $to_base:ident) => {
        #[doc = concat!("A whole number of ", $base, "; negative in differences only.")]
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
        pub struct $name(i64);

        impl $name {
            /// Nothing.
            pub const ZERO: Self = Self(0);

            #[doc = concat!("From a whole number of ", $base, ".")]
            #[must_use]
            pub const fn $of_base(count: i64) -> Self {
                Self(count)
            }

            #[doc = concat!("The number of ", $base, ".")]
            #[must_use]
            pub const fn $to_base(self) -> i64 {
                self.0
            }

            #[doc = concat!("Reads a decimal number in a UCUM unit, rounded half-even to whole ", $base, ".")]
            ///
            /// A minus sign is read too: use [`Self::require_positive`] or
            /// [`Self::require_not_negative`] where a difference makes no sense. An amount under
            /// half the base unit becomes nothing.
            ///
            /// # Errors
            /// One variant of [`QuantityError`] for each fault of the number or of the unit.
            pub fn parse(value: &str, unit: &str) -> Result<Self, QuantityError> {
                let unit = units::find($dimension, unit)?;
                decimal::to_base_units(value, unit).map(Self)
            }

            #[doc = concat!("Writes the amount in a UCUM unit: exactly where the decimals end, and ")]
            /// otherwise rounded half-even to [`INEXACT_DECIMALS`] decimals. No trailing zeros.
            ///
            /// # Errors
            /// [`QuantityError::UnknownUnit`], [`QuantityError::WrongDimension`] or
            /// [`QuantityError::TextTooLong`] for the unit.
            pub fn to_text(self, unit: &str) -> Result<QuantityText, QuantityError> {
                units::find($dimension, unit).map(|unit| self.text_in(unit))
            }

            /// Writes the amount in a UCUM unit with exactly `decimals` decimals (at most
            /// [`INEXACT_DECIMALS`]), rounded half-even: for paper and screens.
            ///
            /// # Errors
            /// As [`Self::to_text`].
            pub fn to_rounded_text(
                self,
                unit: &str,
                decimals: u32,
            ) -> Result<QuantityText, QuantityError> {
                let unit = units::find($dimension, unit)?;
                Ok(QuantityText {
                    value: decimal::from_base_units(self.0, unit, decimals.min(INEXACT_DECIMALS)),
                    unit: unit.code.to_owned(),
                })
            }

            fn text_in(self, unit: &Unit) -> QuantityText {
                let value = decimal::from_base_units(self.0, unit, INEXACT_DECIMALS);
                QuantityText {
                    value: decimal::without_trailing_zeros(value),
                    unit: unit.code.to_owned(),
                }
            }

            /// The sum, or nothing where it is out of range.
            #[must_use]
            pub const fn checked_add(self, other: Self) -> Option<Self> {
                match self.0.checked_add(other.0) {
                    Some(sum) => Some(Self(sum)),
                    None => None,
                }
            }

            /// The difference, or nothing where it is out of range.
            #[must_use]
            pub const fn checked_sub(self, other: Self) -> Option<Self> {
                match self.0.checked_sub(other.0) {
                    Some(difference) => Some(Self(difference)),
                    None => None,
                }
            }

            /// The amount `count` times, or nothing where that is out of range.
            #[must_use]
            pub const fn checked_mul(self, count: i64) -> Option<Self> {
                match self.0.checked_mul(count) {
                    Some(product) => Some(Self(product)),
                    None => None,
                }
            }

            /// The sum of many, or nothing where it leaves the range on the way.
            #[must_use]
            pub fn checked_sum(amounts: impl IntoIterator<Item = Self>) -> Option<Self> {
                amounts.into_iter().try_fold(Self::ZERO, Self::checked_add)
            }

            /// The amount itself when it is more than nothing.
            ///
            /// # Errors
            /// [`QuantityError::NotPositive`].
            pub fn require_positive(self) -> Result<Self, QuantityError> {
                if self.0 > 0 { Ok(self) } else { Err(QuantityError::NotPositive { base_unit: $base }) }
            }

            /// The amount itself when it is nothing or more.
            ///
            /// # Errors
            /// [`QuantityError::Negative`].
            pub fn require_not_negative(self) -> Result<Self, QuantityError> {
                if self.0 >= 0 { Ok(self) } else { Err(QuantityError::Negative) }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
                let text = QuantityText::from(*self);
                write!(formatter, "{} {}", text.value, text.unit)
            }
        }

        #[doc = concat!("The wire form, in ", stringify!($wire_unit), ".")]
        impl From<$name> for QuantityText {
            fn from(amount: $name) -> Self {
                amount.text_in(&$wire_unit)
            }
        }

        impl TryFrom<QuantityText> for $name {
            type Error = QuantityError;

            fn try_from(text: QuantityText) -> Result<Self, QuantityError> {
                Self::parse(&text.value, &text.unit)
            }
        }

        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                QuantityText::from(*self).serialize(serializer)
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                QuantityText::deserialize(deserializer)?
                    .try_into()
                    .map_err(serde::de::Error::custom)
            }
        }
    };
}

quantity!(
    Mass,
    "milligrams",
    Dimension::Mass,
    units::GRAM,
    of_milligrams,
    milligrams
);
quantity!(
    Volume,
    "microlitres",
    Dimension::Volume,
    units::MILLILITRE,
    of_microlitres,
    microlitres
);

#[cfg(test)]
mod tests;
