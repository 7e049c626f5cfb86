//! Why a quantity was refused.

use super::{Dimension, LONGEST_TEXT, MOST_DIGITS};

/// Why a quantity was refused; each message says what would be accepted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum QuantityError {
    /// The unit measures something else.
    #[error(
        "the unit {unit:?} measures {}, and {} is needed: use one of {}; the one becomes the other only \
         through a stated density",
        .found.word(), .wanted.word(), codes(*.wanted)
    )]
    WrongDimension {
        /// The unit as given.
        unit: String,
        /// What it measures.
        found: Dimension,
        /// What was needed.
        wanted: Dimension,
    },
    /// No unit has this code.
    #[error(
        "the unit {unit:?} is no known UCUM code for {}: {}use one of {}",
        .wanted.word(), hint(.suggestions), codes(*.wanted)
    )]
    UnknownUnit {
        /// The unit as given.
        unit: String,
        /// What was needed.
        wanted: Dimension,
        /// Codes that may have been meant.
        suggestions: Vec<&'static str>,
    },
    /// The value is not a plain decimal number.
    #[error(
        "the value {value:?} is not a plain decimal number: use digits, with a full stop before decimals and \
         a minus sign in front where needed, such as \"1.5\"; no spaces, commas, plus sign or exponent"
    )]
    MalformedNumber {
        /// The value as given.
        value: String,
    },
    /// More digits than are read exactly.
    #[error("the value has {digits} digits: use at most {MOST_DIGITS}")]
    TooManyDigits {
        /// How many it has.
        digits: usize,
    },
    /// The value or the unit is absurdly long.
    #[error("the {part} is {length} bytes long: use at most {LONGEST_TEXT}")]
    TextTooLong {
        /// `value` or `unit`.
        part: &'static str,
        /// Its length in bytes.
        length: usize,
    },
    /// More than the integers hold.
    #[error(
        "{value} {unit} is out of range: use an amount of at most 9 223 372 036 854 kg or \
         9 223 372 036 854 L either way"
    )]
    OutOfRange {
        /// The value as given.
        value: String,
        /// The unit's code.
        unit: &'static str,
    },
    /// An amount that must be more than nothing is not.
    #[error(
        "the amount must be more than nothing: use at least one of the {base_unit} it is kept in"
    )]
    NotPositive {
        /// The base unit.
        base_unit: &'static str,
    },
    /// An amount that must not be negative is.
    #[error("the amount must not be negative: use zero or more")]
    Negative,
}

fn codes(dimension: Dimension) -> String {
    dimension.unit_codes().collect::<Vec<_>>().join(", ")
}

fn hint(suggestions: &[&'static str]) -> String {
    if suggestions.is_empty() {
        return String::new();
    }
    format!("did you mean {}? If not, ", suggestions.join(" or "))
}
