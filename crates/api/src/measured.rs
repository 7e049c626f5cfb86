//! Amounts that are weighed or poured, as they cross the edge.

use cotyl_app::chemistry::{Measured, PerLitre};
use cotyl_app::solution::Measure;
use cotyl_domain::quantity::{Dimension, Mass, QuantityError, QuantityText, Volume};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::problem::Problem;

/// A weight or a volume: a solid is weighed, a liquid poured or weighed. Any UCUM code of a mass or a
/// volume may be sent; answered in grams or millilitres.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct WeighedOrPoured {
    /// A plain decimal number.
    #[schema(example = "12.5")]
    pub value: String,
    /// UCUM code, case-sensitive: `g`, `kg`, `mg`, `mL`, `L`, `[oz_av]`, `[foz_us]` and so on.
    #[schema(example = "g")]
    pub unit: String,
}

impl From<QuantityText> for WeighedOrPoured {
    fn from(text: QuantityText) -> Self {
        Self {
            value: text.value,
            unit: text.unit,
        }
    }
}

impl From<Measured> for WeighedOrPoured {
    fn from(amount: Measured) -> Self {
        match amount.measure() {
            Measure::Mass(mass) => QuantityText::from(mass),
            Measure::Volume(volume) => QuantityText::from(volume),
        }
        .into()
    }
}

impl From<PerLitre> for WeighedOrPoured {
    /// Micrograms are written in grams and nanolitres in millilitres: a thousandth of the same number of
    /// milligrams in kilograms, of microlitres in litres.
    fn from(per_litre: PerLitre) -> Self {
        let (text, unit) = match per_litre {
            PerLitre::MicrogramsPerLitre(count) => (Mass::of_milligrams(count).to_text("kg"), "g"),
            PerLitre::NanolitresPerLitre(count) => {
                (Volume::of_microlitres(count).to_text("L"), "mL")
            }
        };
        Self {
            value: text.map(|text| text.value).unwrap_or_default(),
            unit: unit.to_owned(),
        }
    }
}

impl WeighedOrPoured {
    /// Whole milligrams or microlitres.
    ///
    /// # Errors
    /// A problem of the field at `pointer`.
    pub fn measured(&self, pointer: &str) -> Result<Measured, Problem> {
        self.read(&self.value)
            .map_err(|error| Problem::field(pointer, "quantity", error.to_string()))
    }

    /// Whole micrograms or nanolitres in a litre, so that traces are kept exactly.
    ///
    /// # Errors
    /// A problem of the field at `pointer`.
    pub fn per_litre(&self, pointer: &str) -> Result<PerLitre, Problem> {
        match self.read(&thousandfold(&self.value)) {
            Ok(Measured::Milligrams(count)) => Ok(PerLitre::MicrogramsPerLitre(count)),
            Ok(Measured::Microlitres(count)) => Ok(PerLitre::NanolitresPerLitre(count)),
            Err(error) => Err(Problem::field(pointer, "quantity", error.to_string())),
        }
    }

    fn read(&self, value: &str) -> Result<Measured, QuantityError> {
        let is_volume = Dimension::Volume.unit_codes().any(|code| code == self.unit);
        if is_volume {
            Volume::parse(value, &self.unit)
                .map(|volume| Measured::Microlitres(volume.microlitres()))
        } else {
            Mass::parse(value, &self.unit).map(|mass| Measured::Milligrams(mass.milligrams()))
        }
    }
}

/// The decimal number a thousand times as large, exactly; what is no plain decimal number stays as it is.
fn thousandfold(value: &str) -> String {
    let (whole, decimals) = value.split_once('.').unwrap_or((value, ""));
    let is_plain = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    let digits = whole.strip_prefix('-').unwrap_or(whole);
    if digits.is_empty() || !is_plain(digits) || !is_plain(decimals) || value.ends_with('.') {
        return value.to_owned();
    }
    let padded = format!("{decimals:0<3}");
    let (shifted, rest) = padded.split_at(3);
    if rest.is_empty() {
        format!("{whole}{shifted}")
    } else {
        format!("{whole}{shifted}.{rest}")
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    #[test]
    fn traces_in_a_litre_are_kept_exactly() {
        for (value, unit, expect, back) in [
            (
                "0.5055",
                "g",
                PerLitre::MicrogramsPerLitre(505_500),
                ("0.5055", "g"),
            ),
            (
                "0.05",
                "mg",
                PerLitre::MicrogramsPerLitre(50),
                ("0.00005", "g"),
            ),
            (
                "2",
                "kg",
                PerLitre::MicrogramsPerLitre(2_000_000_000),
                ("2000", "g"),
            ),
            (
                "1.25",
                "mL",
                PerLitre::NanolitresPerLitre(1_250_000),
                ("1.25", "mL"),
            ),
            (
                "1",
                "[tsp_us]",
                PerLitre::NanolitresPerLitre(4_928_922),
                ("4.928922", "mL"),
            ),
        ] {
            let text = WeighedOrPoured {
                value: value.into(),
                unit: unit.into(),
            };
            let read = text.per_litre("/per_litre").unwrap();
            assert_eq!(read, expect, "{value} {unit}");
            let written = WeighedOrPoured::from(read);
            assert_eq!((written.value.as_str(), written.unit.as_str()), back);
        }
        for (value, unit) in [
            ("a", "g"),
            ("1.", "g"),
            ("", "g"),
            ("1e3", "g"),
            ("1", "teaspoon"),
        ] {
            let text = WeighedOrPoured {
                value: value.into(),
                unit: unit.into(),
            };
            assert!(text.per_litre("/per_litre").is_err(), "{value} {unit}");
        }
    }
}
