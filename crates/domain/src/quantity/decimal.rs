//! Decimal text to and from whole base units, by exact fractions.

use super::units::Unit;
use super::{LONGEST_TEXT, MOST_DIGITS, QuantityError};

/// Reads `value` as a count of `unit` and rounds it half-even to whole base units.
///
/// With at most 28 digits no intermediate leaves `i128`: the largest numerator of a unit is under
/// 10^10 and the largest denominator under 10^6.
pub(super) fn to_base_units(value: &str, unit: &Unit) -> Result<i64, QuantityError> {
    let (digits, decimals) = read(value)?;
    let numerator = digits * unit.numerator;
    let denominator = 10_i128.pow(decimals) * unit.denominator;
    i64::try_from(divide_half_even(numerator, denominator)).map_err(|_| QuantityError::OutOfRange {
        value: value.to_owned(),
        unit: unit.code,
    })
}

/// Writes `count` base units in `unit` with exactly `decimals` decimals, rounded half-even.
pub(super) fn from_base_units(count: i64, unit: &Unit, decimals: u32) -> String {
    let scale = 10_i128.pow(decimals);
    let scaled = divide_half_even(i128::from(count) * unit.denominator * scale, unit.numerator);
    let sign = if scaled < 0 { "-" } else { "" };
    let (whole, part) = (scaled.abs() / scale, scaled.abs() % scale);
    if decimals == 0 {
        return format!("{sign}{whole}");
    }
    format!("{sign}{whole}.{part:0width$}", width = decimals as usize)
}

/// `1.500` as `1.5`, `2.000` as `2`.
pub(super) fn without_trailing_zeros(text: String) -> String {
    if !text.contains('.') {
        return text;
    }
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The digits of the number as one integer, and how many of them are decimals.
pub(super) fn read(value: &str) -> Result<(i128, u32), QuantityError> {
    if value.len() > LONGEST_TEXT {
        return Err(QuantityError::TextTooLong {
            part: "value",
            length: value.len(),
        });
    }
    let malformed = || QuantityError::MalformedNumber {
        value: value.to_owned(),
    };
    let unsigned = value.strip_prefix('-').unwrap_or(value);
    let (whole, part) = match unsigned.split_once('.') {
        Some((whole, part)) => (whole, Some(part)),
        None => (unsigned, None),
    };
    let is_digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    if !is_digits(whole) || !part.is_none_or(is_digits) {
        return Err(malformed());
    }
    let part = part.unwrap_or("");
    let count = whole.len() + part.len();
    if count > MOST_DIGITS {
        return Err(QuantityError::TooManyDigits { digits: count });
    }
    let magnitude: i128 = format!("{whole}{part}").parse().map_err(|_| malformed())?;
    let decimals = u32::try_from(part.len()).map_err(|_| malformed())?;
    Ok((
        if value.starts_with('-') {
            -magnitude
        } else {
            magnitude
        },
        decimals,
    ))
}

/// The nearest integer to `numerator / denominator` (a positive one), a tie going to the even.
pub(super) fn divide_half_even(numerator: i128, denominator: i128) -> i128 {
    let quotient = numerator.div_euclid(denominator);
    let twice_rest = 2 * numerator.rem_euclid(denominator);
    let up = twice_rest > denominator || (twice_rest == denominator && quotient % 2 != 0);
    quotient + i128::from(up)
}
