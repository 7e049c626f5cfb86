//! Greens in cups, cup-equivalents and meals: other people's factors, each with its source and a caveat.
//!
//! Exact fractions of whole milligrams, rounded half-even once to one decimal.

use serde::{Deserialize, Serialize};

/// Milligrams of a pound, times 100 (NIST Handbook 44, Appendix C).
const POUND_CENTIMILLIGRAMS: i128 = 45_359_237;

/// Which greens fill a cup.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum CupOf {
    /// Green leaf lettuce, 36 g a cup.
    GreenLeaf,
    /// Romaine lettuce, 47 g a cup.
    Romaine,
}

/// What makes a meal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum MealOf {
    /// 1.2 lb.
    Pounds,
    /// 626 g.
    Grams,
}

/// A factor with where it comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Factor {
    /// The factor in words.
    pub text: &'static str,
    /// Where it comes from.
    pub source: &'static str,
    /// What it does not say.
    pub caveat: &'static str,
}

impl CupOf {
    const fn milligrams(self) -> i128 {
        match self {
            Self::GreenLeaf => 36_000,
            Self::Romaine => 47_000,
        }
    }

    /// The factor.
    #[must_use]
    pub fn factor(self) -> Factor {
        Factor {
            text: match self {
                Self::GreenLeaf => "1 cup of raw green leaf lettuce weighs 36 g",
                Self::Romaine => "1 cup of raw romaine lettuce weighs 47 g",
            },
            source: "USDA food-composition data, 2019",
            caveat: "All greens are counted with this one weight; other leaves fill a cup differently.",
        }
    }

    /// Cups of raw greens.
    #[must_use]
    pub fn raw_cups(self, milligrams: i64) -> String {
        one_decimal(i128::from(milligrams), self.milligrams())
    }

    /// Cups of vegetables that they count as.
    #[must_use]
    pub fn cup_equivalents(self, milligrams: i64) -> String {
        one_decimal(i128::from(milligrams), self.milligrams() * 2)
    }
}

/// How raw cups count as vegetables.
pub const CUP_EQUIVALENT: Factor = Factor {
    text: "2 cups of raw leafy greens count as 1 cup of vegetables",
    source: "USDA MyPlate",
    caveat: "Cooked greens count cup for cup.",
};

impl MealOf {
    /// The factor.
    #[must_use]
    pub fn factor(self) -> Factor {
        const CAVEAT: &str =
            "A way of counting pounds of mixed food: leafy greens by themselves are no meal.";
        match self {
            Self::Pounds => Factor {
                text: "1.2 lb of food is 1 meal",
                source: "as US food banks report it, credited to USDA, What We Eat in America",
                caveat: CAVEAT,
            },
            Self::Grams => Factor {
                text: "626 g of food is 1 meal",
                source: "an international figure, FAO food supply data divided by 3 meals a day",
                caveat: CAVEAT,
            },
        }
    }

    /// Meals.
    #[must_use]
    pub fn meals(self, milligrams: i64) -> String {
        let milligrams = i128::from(milligrams);
        match self {
            // 1.2 lb = 12/10 of 45 359 237 hundredths of a milligram times a hundred
            Self::Pounds => one_decimal(milligrams * 1000, POUND_CENTIMILLIGRAMS * 12),
            Self::Grams => one_decimal(milligrams, 626_000),
        }
    }
}

/// A fraction with one decimal, half-even; both parts are nothing or more, the denominator more.
fn one_decimal(numerator: i128, denominator: i128) -> String {
    let scaled = numerator * 10;
    let (floor, rest) = (scaled / denominator, scaled % denominator);
    let up = 2 * rest > denominator || (2 * rest == denominator && floor % 2 != 0);
    let tenths = floor + i128::from(up);
    format!("{}.{}", tenths / 10, tenths % 10)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From the published factors: 1 lb is 12.6 cups of green leaf (36 g) and 9.65 of romaine (47 g), 6.3
    /// and 4.8 cup-equivalents; 100 lb are 83.3 meals at 1.2 lb; 10 kg are 18.4 meals at 1.2 lb and 16.0 at
    /// 626 g. 36 million lb are 30 million meals, as a regional food bank reports.
    #[test]
    fn figures_are_those_of_the_publications() {
        let pound = 453_592;
        assert_eq!(CupOf::GreenLeaf.raw_cups(pound), "12.6");
        assert_eq!(CupOf::Romaine.raw_cups(pound), "9.7");
        assert_eq!(CupOf::GreenLeaf.cup_equivalents(pound), "6.3");
        assert_eq!(CupOf::Romaine.cup_equivalents(pound), "4.8");
        assert_eq!(MealOf::Pounds.meals(45_359_237), "83.3");
        assert_eq!(MealOf::Pounds.meals(10_000_000), "18.4");
        assert_eq!(MealOf::Grams.meals(10_000_000), "16.0");
        assert_eq!(MealOf::Pounds.meals(16_329_325_320_000), "30000000.0");
    }

    #[test]
    fn ties_go_to_the_even() {
        // 1.25 and 1.35 cups of 36 g
        assert_eq!(CupOf::GreenLeaf.raw_cups(45_000), "1.2");
        assert_eq!(CupOf::GreenLeaf.raw_cups(48_600), "1.4");
        assert_eq!(CupOf::GreenLeaf.raw_cups(0), "0.0");
    }
}
