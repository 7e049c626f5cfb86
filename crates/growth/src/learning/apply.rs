//! What was learned, put into a crop profile, so that everything that reads a profile follows it.

use serde::{Deserialize, Serialize};

use super::{Learned, LearningError, Level, Place};
use crate::profile::CropProfile;
use crate::weight::emergence_share_permille;

/// Longest days that a profile can hold.
const MOST_DAYS: f64 = 730.0;

/// What was learned of a crop at a place, small enough to be kept.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Taught {
    /// What the profile's days are multiplied by.
    pub days: f64,
    /// What the profile's grams of a standing container are multiplied by.
    pub grams: f64,
    /// Share of containers that stand.
    pub survival: f64,
}

impl Taught {
    /// The profile of a crop as it is by this: hand it to [`crate::growing_arcs`],
    /// [`crate::expected_cuts`] and the like in place of the co-operative's own. Days known for the
    /// bench ([`crate::KnownDays`]) still win over it.
    ///
    /// Days to the first cut and days to regrow are multiplied by the factor of days and rounded
    /// to whole days, at least 1; the grams of every cut by that of grams. Germination becomes the
    /// one with which as many containers stand as are learned to, given the seeds sown for each.
    /// Learn from what the *original* profile expected, never from this one.
    #[must_use]
    pub fn applied(&self, profile: &CropProfile) -> CropProfile {
        // The casts saturate; profiles are checked to be far from where that matters.
        let scaled_days = |given: u32| match given {
            0 => 0,
            given => (f64::from(given) * self.days).round().clamp(1.0, MOST_DAYS) as u32,
        };
        CropProfile {
            days_to_first_cut: scaled_days(profile.days_to_first_cut),
            days_to_regrow: scaled_days(profile.days_to_regrow),
            cut_milligrams: profile
                .cut_milligrams
                .iter()
                .map(|&milligrams| (milligrams as f64 * self.grams).round() as i64)
                .collect(),
            germination_permille: germination_permille(self.survival, profile.seeds_per_plant),
            ..profile.clone()
        }
    }
}

impl Learned {
    /// What was learned of a crop at a place.
    ///
    /// # Errors
    /// When the profile expects no container to stand.
    pub fn taught(&self, profile: &CropProfile, place: &Place) -> Result<Taught, LearningError> {
        let level = Level::CropStation;
        let survival = self.survival(place, level, expected_survival(profile))?;
        Ok(Taught {
            days: self.days(place, level).multiplier(),
            grams: self.grams(place, level).multiplier(),
            survival: survival.share(),
        })
    }

    /// Whether anything is on record, or held, that bears on a crop at a place.
    ///
    /// # Errors
    /// When the profile expects no container to stand.
    pub fn bears_on(&self, profile: &CropProfile, place: &Place) -> Result<bool, LearningError> {
        let level = Level::CropStation;
        let survival = self.survival(place, level, expected_survival(profile))?;
        Ok(survival.is_moved()
            || self.days(place, level).is_moved()
            || self.grams(place, level).is_moved())
    }

    /// The profile of a crop as it is at a place by all that was learned: see [`Taught::applied`].
    ///
    /// # Errors
    /// When the profile expects no container to stand.
    pub fn applied(
        &self,
        profile: &CropProfile,
        place: &Place,
    ) -> Result<CropProfile, LearningError> {
        Ok(self.taught(profile, place)?.applied(profile))
    }
}

/// Share of containers that a profile expects to stand, for [`super::SowingRecord`] and
/// [`Learned::survival`].
#[must_use]
pub fn expected_survival(profile: &CropProfile) -> f64 {
    emergence_share_permille(profile.germination_permille, profile.seeds_per_plant) as f64 / 1000.0
}

/// Germination of a seed with which this share of containers stands: the inverse of
/// [`emergence_share_permille`].
fn germination_permille(share: f64, seeds_per_plant: u32) -> i64 {
    let fails = (1.0 - share).max(0.0);
    let germination = 1.0 - fails.powf(1.0 / f64::from(seeds_per_plant.max(1)));
    ((germination * 1000.0).round() as i64).clamp(1, 1000)
}
