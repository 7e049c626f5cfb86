//! Cuts and deliveries: their words, and codes for trays.

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// How a cut came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum CutQuality {
    /// Fit to be handed over as it is.
    Good,
    /// Fit to be handed over after sorting.
    Fair,
    /// Not fit to be handed over: waste, which goes into no delivery. The only quality that may weigh
    /// nothing.
    Poor,
}

impl CutQuality {
    /// The name kept in the database and shown in the API.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Fair => "fair",
            Self::Poor => "poor",
        }
    }

    /// The least that a cut of this quality weighs, in milligrams. A cut that gave nothing fit to
    /// keep was still taken, so a poor one may weigh nothing.
    pub fn least_milligrams(self) -> i64 {
        match self {
            Self::Good | Self::Fair => 1,
            Self::Poor => 0,
        }
    }
}

/// What came from outside and harmed a cut, so that its weight is not what its crop gives at its station.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum CutHarm {
    /// Aphids, thrips, snails and the like.
    Pests,
    /// Mildew, root rot and the like.
    Disease,
    /// The solution was too weak, or its pH out of range.
    LackOfNutrient,
    /// A lamp failed or was left off; a place that is always dark is a property of its station.
    LackOfLight,
    /// Containers ran dry, or an air pump stood still.
    LackOfWater,
    /// It was hotter than the station is.
    Heat,
    /// It was colder than the station is.
    Cold,
    /// It was knocked over, eaten, thrown away, or forgotten past its day.
    Accident,
}

impl CutHarm {
    /// The name kept in the database and shown in the API.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Pests => "pests",
            Self::Disease => "disease",
            Self::LackOfNutrient => "lack_of_nutrient",
            Self::LackOfLight => "lack_of_light",
            Self::LackOfWater => "lack_of_water",
            Self::Heat => "heat",
            Self::Cold => "cold",
            Self::Accident => "accident",
        }
    }
}

/// Where a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum DeliveryState {
    /// Trays are put together; lines can be added.
    Packed,
    /// Someone at the recipient has taken it.
    HandedOver,
    /// The recipient's reader has confirmed what came.
    Confirmed,
    /// Packed by mistake, and taken back before anybody got it; nothing is in it any more.
    Withdrawn,
}

impl DeliveryState {
    /// The name kept in the database and shown in the API.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Packed => "packed",
            Self::HandedOver => "handed_over",
            Self::Confirmed => "confirmed",
            Self::Withdrawn => "withdrawn",
        }
    }

    /// The state of that name.
    pub fn parse(name: &str) -> Option<Self> {
        [
            Self::Packed,
            Self::HandedOver,
            Self::Confirmed,
            Self::Withdrawn,
        ]
        .into_iter()
        .find(|state| state.as_str() == name)
    }
}

/// How many times what is expected a cut may weigh before it needs a reason: a slip of the decimal point
/// is tenfold, a very good harvest is not fivefold (common practice, no source).
pub const PLAUSIBLE_FACTOR: i64 = 5;

/// The most that a whole cut of a sowing plausibly weighs, waste included, in milligrams: a multiple of
/// what is expected of all its containers, which is the greatest cut of the crop's profile in each, or
/// what was planned for the sowing where that is more.
#[must_use]
pub fn most_plausible_milligrams(
    containers: i32,
    profile_milligrams: i64,
    planned_milligrams: i64,
) -> i64 {
    i64::from(containers)
        .saturating_mul(profile_milligrams)
        .max(planned_milligrams)
        .saturating_mul(PLAUSIBLE_FACTOR)
}

/// Letters and digits that are not taken for one another in handwriting: no 0 O D Q, 1 I L J, 2 Z,
/// 5 S, 6 G, 8 B, U V.
const TRAY_LETTERS: &[u8; 16] = b"ACEFHKMNPRTWXY34";

/// The most letters of a tray code after its day.
pub const MOST_TRAY_LETTERS: u32 = 16;

/// A code to write on a tray: the day of the cut and letters drawn from the cut's id, `260914-KXRT`.
///
/// The same id always gives the same code, and more letters continue it, so that a code that is
/// taken already can be made longer.
pub fn tray_code(cut_on: NaiveDate, cut_id: Uuid, letters: u32) -> String {
    // the lower 62 bits of a version 7 id are random
    let random = cut_id.as_u64_pair().1;
    let day = format!(
        "{:02}{:02}{:02}",
        cut_on.year().rem_euclid(100),
        cut_on.month(),
        cut_on.day()
    );
    let letters: String = (0..letters.min(MOST_TRAY_LETTERS))
        .map(|place| {
            let index = usize::from((random >> (4 * place)) as u8 & 0x0f);
            char::from(TRAY_LETTERS[index])
        })
        .collect();
    format!("{day}-{letters}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tray_codes_follow_from_day_and_id() {
        let day = NaiveDate::from_ymd_opt(2026, 9, 4).unwrap_or_default();
        let id = Uuid::from_u128(0x0198_0000_0000_7000_8000_0000_0000_3210);
        assert_eq!(tray_code(day, id, 4), "260904-ACEF");
        assert!(tray_code(day, id, 6).starts_with("260904-ACEF"));
        assert_eq!(tray_code(day, id, 400).len(), 7 + 16);
        assert_ne!(tray_code(day, Uuid::from_u128(7), 4), tray_code(day, id, 4));
    }

    #[test]
    fn letters_differ_and_have_no_look_alikes() {
        let mut letters = TRAY_LETTERS.to_vec();
        letters.sort_unstable();
        letters.dedup();
        assert_eq!(letters.len(), TRAY_LETTERS.len());
        assert!(
            !letters
                .iter()
                .any(|letter| b"0ODQ1ILJ2Z5S6G8BUV".contains(letter))
        );
    }

    #[test]
    fn plausible_is_a_multiple_of_the_greater_expectation() {
        assert_eq!(most_plausible_milligrams(1, 120_000, 0), 600_000);
        assert_eq!(most_plausible_milligrams(2, 120_000, 400_000), 2_000_000);
        assert_eq!(most_plausible_milligrams(10_000, i64::MAX, 1), i64::MAX);
    }

    #[test]
    fn states_parse_back() {
        for state in [
            DeliveryState::Packed,
            DeliveryState::HandedOver,
            DeliveryState::Confirmed,
        ] {
            assert_eq!(DeliveryState::parse(state.as_str()), Some(state));
        }
        assert_eq!(DeliveryState::parse("lost"), None);
    }
}
