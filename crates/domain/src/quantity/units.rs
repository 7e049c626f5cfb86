//! The UCUM units that are read and written, each an exact fraction of the base unit.

use super::{LONGEST_TEXT, QuantityError};

/// What a unit measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// Weighed things.
    Mass,
    /// Liquids, and containers by their content.
    Volume,
}

impl Dimension {
    /// The word for messages, with its article.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Mass => "a mass",
            Self::Volume => "a volume",
        }
    }

    /// The UCUM codes accepted for it, the most usual first.
    pub fn unit_codes(self) -> impl Iterator<Item = &'static str> {
        table(self).iter().map(|unit| unit.code)
    }

    const fn other(self) -> Self {
        match self {
            Self::Mass => Self::Volume,
            Self::Volume => Self::Mass,
        }
    }
}

/// One unit: `numerator / denominator` milligrams or microlitres.
#[derive(Debug)]
pub(super) struct Unit {
    pub(super) code: &'static str,
    pub(super) numerator: i128,
    pub(super) denominator: i128,
}

const fn unit(code: &'static str, numerator: i128, denominator: i128) -> Unit {
    Unit {
        code,
        numerator,
        denominator,
    }
}

pub(super) const GRAM: Unit = unit("g", 1_000, 1);
pub(super) const MILLILITRE: Unit = unit("mL", 1_000, 1);

/// 1 lb = 453 592.37 mg exactly; an ounce is a sixteenth of it, a grain a seven-thousandth.
const POUND_HUNDREDTHS: i128 = 45_359_237;
/// 231 in³ of 16 387.064 µL, in thousandths of a microlitre.
const US_GALLON_THOUSANDTHS: i128 = 231 * 16_387_064;
/// 4.546 09 L exactly.
const BRITISH_GALLON: i128 = 4_546_090;

const MASSES: &[Unit] = &[
    GRAM,
    unit("kg", 1_000_000, 1),
    unit("mg", 1, 1),
    unit("ug", 1, 1_000),
    unit("[lb_av]", POUND_HUNDREDTHS, 100),
    unit("[oz_av]", POUND_HUNDREDTHS, 100 * 16),
    unit("[gr]", POUND_HUNDREDTHS, 100 * 7_000),
];

const VOLUMES: &[Unit] = &[
    MILLILITRE,
    unit("L", 1_000_000, 1),
    unit("dL", 100_000, 1),
    unit("cL", 10_000, 1),
    unit("uL", 1, 1),
    unit("l", 1_000_000, 1),
    unit("dl", 100_000, 1),
    unit("cl", 10_000, 1),
    unit("ml", 1_000, 1),
    unit("ul", 1, 1),
    unit("[gal_us]", US_GALLON_THOUSANDTHS, 1_000),
    unit("[qt_us]", US_GALLON_THOUSANDTHS, 1_000 * 4),
    unit("[pt_us]", US_GALLON_THOUSANDTHS, 1_000 * 8),
    unit("[cup_us]", US_GALLON_THOUSANDTHS, 1_000 * 16),
    unit("[foz_us]", US_GALLON_THOUSANDTHS, 1_000 * 128),
    unit("[tbs_us]", US_GALLON_THOUSANDTHS, 1_000 * 256),
    unit("[tsp_us]", US_GALLON_THOUSANDTHS, 1_000 * 768),
    unit("[gal_br]", BRITISH_GALLON, 1),
    unit("[foz_br]", BRITISH_GALLON, 160),
    unit("[cup_m]", 240_000, 1),
    unit("[foz_m]", 30_000, 1),
    unit("[tbs_m]", 15_000, 1),
    unit("[tsp_m]", 5_000, 1),
];

const fn table(dimension: Dimension) -> &'static [Unit] {
    match dimension {
        Dimension::Mass => MASSES,
        Dimension::Volume => VOLUMES,
    }
}

/// The unit of that code. UCUM codes are case-sensitive: `ML` is a megalitre, so it is not guessed.
pub(super) fn find(dimension: Dimension, code: &str) -> Result<&'static Unit, QuantityError> {
    if code.len() > LONGEST_TEXT {
        return Err(QuantityError::TextTooLong {
            part: "unit",
            length: code.len(),
        });
    }
    if let Some(unit) = table(dimension).iter().find(|unit| unit.code == code) {
        return Ok(unit);
    }
    let other = dimension.other();
    if table(other).iter().any(|unit| unit.code == code) {
        return Err(QuantityError::WrongDimension {
            unit: code.to_owned(),
            found: other,
            wanted: dimension,
        });
    }
    Err(QuantityError::UnknownUnit {
        unit: code.to_owned(),
        wanted: dimension,
        suggestions: suggestions(dimension, code),
    })
}

/// Everyday spellings and the codes they may mean, in either dimension.
const SPELLINGS: &[(&[&str], &[&str])] = &[
    (&["gram", "grams", "gramme", "grammes", "gm", "gms"], &["g"]),
    (&["gr", "grain", "grains"], &["[gr]", "g"]),
    (&["kilo", "kilos", "kgs", "kilogram", "kilograms"], &["kg"]),
    (&["milligram", "milligrams", "mgs"], &["mg"]),
    (&["µg", "μg", "mcg", "microgram", "micrograms"], &["ug"]),
    (&["lb", "lbs", "pound", "pounds", "#"], &["[lb_av]"]),
    (
        &["oz", "ounce", "ounces", "oz_av"],
        &["[oz_av]", "[foz_us]", "[foz_br]"],
    ),
    (
        &[
            "fl oz",
            "floz",
            "fl. oz",
            "fl. oz.",
            "foz",
            "fluid ounce",
            "fluid ounces",
        ],
        &["[foz_us]", "[foz_br]", "[foz_m]"],
    ),
    (&["liter", "liters", "litre", "litres", "lt", "ltr"], &["L"]),
    (
        &[
            "milliliter",
            "milliliters",
            "millilitre",
            "millilitres",
            "cc",
            "cm3",
        ],
        &["mL"],
    ),
    (
        &[
            "µl",
            "μl",
            "microliter",
            "microlitre",
            "microliters",
            "microlitres",
        ],
        &["uL"],
    ),
    (&["gal", "gallon", "gallons"], &["[gal_us]", "[gal_br]"]),
    (&["qt", "quart", "quarts"], &["[qt_us]"]),
    (&["pt", "pint", "pints"], &["[pt_us]"]),
    (&["cup", "cups"], &["[cup_us]", "[cup_m]"]),
    (
        &["tbs", "tbsp", "tablespoon", "tablespoons"],
        &["[tbs_us]", "[tbs_m]"],
    ),
    (&["tsp", "teaspoon", "teaspoons"], &["[tsp_us]", "[tsp_m]"]),
];

/// Codes of the wanted dimension that the text may mean: an everyday spelling, or a code written in
/// the wrong case or without its brackets.
fn suggestions(dimension: Dimension, text: &str) -> Vec<&'static str> {
    let plain = |code: &str| code.trim().trim_matches(['[', ']', '.']).to_lowercase();
    let wanted = plain(text);
    let near: Vec<_> = dimension
        .unit_codes()
        .filter(|code| plain(code) == wanted)
        .take(1)
        .collect();
    if !near.is_empty() && wanted != "gr" {
        return near;
    }
    SPELLINGS
        .iter()
        .filter(|(spellings, _)| spellings.contains(&wanted.as_str()))
        .flat_map(|(_, codes)| *codes)
        .filter_map(|code| dimension.unit_codes().find(|known| known == code))
        .collect()
}
