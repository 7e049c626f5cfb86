//! Temperatures measured by hand: tenths of a degree Celsius inside, a decimal string with a UCUM unit
//! at the edge.
//!
//! t/°C = (t/°F − 32)/1.8 exactly (NIST SP 811, Appendix B).

use serde::{Deserialize, Serialize};

use crate::quantity::QuantityText;

/// The most digits and decimals that a reading may have; no thermometer of a garden shows more.
const MOST_DIGITS: usize = 6;

/// A temperature in whole tenths of a degree Celsius.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "QuantityText", into = "QuantityText")]
pub struct Temperature(i32);

/// Why a temperature cannot be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TemperatureError {
    /// The value is no plain decimal number.
    #[error("the value must be a plain decimal number of at most 6 digits, such as \"4.5\"")]
    NotANumber,
    /// The unit is none of the two.
    #[error("the unit must be \"Cel\" or \"[degF]\"")]
    UnknownUnit,
}

impl Temperature {
    /// From whole tenths of a degree Celsius.
    #[must_use]
    pub const fn of_decicelsius(tenths: i32) -> Self {
        Self(tenths)
    }

    /// Whole tenths of a degree Celsius.
    #[must_use]
    pub const fn decicelsius(self) -> i32 {
        self.0
    }

    /// Reads a decimal number in `Cel` or `[degF]`, rounded half-even to tenths of a degree Celsius.
    ///
    /// # Errors
    /// [`TemperatureError`].
    pub fn parse(value: &str, unit: &str) -> Result<Self, TemperatureError> {
        let (negative, digits) = match value.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, value),
        };
        let (whole, decimals) = match digits.split_once('.') {
            Some((_, "")) => return Err(TemperatureError::NotANumber),
            Some((whole, decimals)) => (whole, decimals),
            None => (digits, ""),
        };
        let joined = format!("{whole}{decimals}");
        if whole.is_empty()
            || joined.len() > MOST_DIGITS
            || !joined.bytes().all(|byte| byte.is_ascii_digit())
        {
            return Err(TemperatureError::NotANumber);
        }
        let count: i64 = joined.parse().map_err(|_| TemperatureError::NotANumber)?;
        let count = if negative { -count } else { count };
        let scale = decimals.bytes().fold(1_i64, |scale, _| scale * 10);
        let (numerator, denominator) = match unit {
            "Cel" => (count * 10, scale),
            "[degF]" => ((count - 32 * scale) * 50, 9 * scale),
            _ => return Err(TemperatureError::UnknownUnit),
        };
        i32::try_from(round_half_even(numerator, denominator))
            .map(Self)
            .map_err(|_| TemperatureError::NotANumber)
    }
}

fn round_half_even(numerator: i64, denominator: i64) -> i64 {
    let floor = numerator.div_euclid(denominator);
    let twice_rest = 2 * numerator.rem_euclid(denominator);
    let up = twice_rest > denominator || (twice_rest == denominator && floor % 2 != 0);
    floor + i64::from(up)
}

impl From<Temperature> for QuantityText {
    fn from(temperature: Temperature) -> Self {
        let tenths = temperature.0;
        let sign = if tenths < 0 { "-" } else { "" };
        let size = tenths.unsigned_abs();
        Self {
            value: format!("{sign}{}.{}", size / 10, size % 10),
            unit: "Cel".to_owned(),
        }
    }
}

impl TryFrom<QuantityText> for Temperature {
    type Error = TemperatureError;

    fn try_from(text: QuantityText) -> Result<Self, TemperatureError> {
        Self::parse(&text.value, &text.unit)
    }
}

#[cfg(feature = "schema")]
mod schema {
    use std::borrow::Cow;

    use serde_json::json;
    use utoipa::openapi::RefOr;
    use utoipa::openapi::schema::{AdditionalProperties, ObjectBuilder, Schema, Type};
    use utoipa::{PartialSchema, ToSchema};

    use super::Temperature;

    impl PartialSchema for Temperature {
        fn schema() -> RefOr<Schema> {
            let text = || ObjectBuilder::new().schema_type(Type::String);
            let object = ObjectBuilder::new()
                .schema_type(Type::Object)
                .description(Some(
                    "A temperature, kept in tenths of a degree Celsius and answered in it.",
                ))
                .property("value", text().pattern(Some(r"^-?[0-9]+(\.[0-9]+)?$")))
                .property("unit", text().enum_values(Some(["Cel", "[degF]"])))
                .required("value")
                .required("unit")
                .additional_properties(Some(AdditionalProperties::<Schema>::FreeForm(false)))
                .examples([json!({ "value": "4.5", "unit": "Cel" })])
                .build();
            RefOr::T(Schema::Object(object))
        }
    }

    impl ToSchema for Temperature {
        fn name() -> Cow<'static, str> {
            Cow::Borrowed("Temperature")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fixed points by definition (water freezes at 32 °F and boils at 212 °F; −40 is the same on both
    /// scales) and 0 °F = −17.78 °C from the formula of NIST SP 811, Appendix B.
    #[test]
    fn both_scales_agree() {
        for (value, unit, tenths) in [
            ("4.5", "Cel", 45),
            ("-0.5", "Cel", -5),
            ("32", "[degF]", 0),
            ("212", "[degF]", 1000),
            ("-40", "[degF]", -400),
            ("0", "[degF]", -178),
            ("41.0", "[degF]", 50),
            ("4.25", "Cel", 42),
            ("4.35", "Cel", 44),
            ("-4.25", "Cel", -42),
        ] {
            assert_eq!(
                Temperature::parse(value, unit).map(Temperature::decicelsius),
                Ok(tenths),
                "{value} {unit}"
            );
        }
    }

    #[test]
    fn only_plain_numbers_are_read() {
        for value in [
            "", "-", ".5", "5.", "4,5", "+4", "1e1", "٤", "1234567", "4.5.1", "--4",
        ] {
            assert_eq!(
                Temperature::parse(value, "Cel"),
                Err(TemperatureError::NotANumber),
                "{value}"
            );
        }
        assert_eq!(
            Temperature::parse("4", "K"),
            Err(TemperatureError::UnknownUnit)
        );
        assert_eq!(
            serde_json::to_string(&Temperature::of_decicelsius(-5))
                .ok()
                .as_deref(),
            Some(r#"{"value":"-0.5","unit":"Cel"}"#)
        );
    }
}
