//! A sowing already in the ground: what it is still expected to give.

use crate::arcs::{Relaxed, day_of, first_slot_from, suitable_until};
use crate::climate::{Climate, WorkingDay, week_of};
use crate::development::{Gains, KnownDays, Stage};
use crate::profile::CropProfile;
use crate::weight::{
    ContainerYield, WeightFactors, cut_milligrams_after_emergence, hold_permille, scale,
};

/// A cut still expected from a sowing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExpectedCut {
    /// Slot of the working day on which it can be taken.
    pub slot: usize,
    /// Expected fresh weight per container.
    pub milligrams_per_container: i64,
}

/// Cuts still expected from a sowing, each on the earliest working day it can be taken.
///
/// `sown_day` and `cuts_done` (in ascending order) are days counted like those of the climate and
/// negative before its first week, which earlier days are taken to be like. Rules are those of
/// [`crate::growing_arcs`], with two differences for plants that stand already: weeks before the
/// first are not judged, and a cut that was ready before day 0 may wait its hold days from day 0
/// on, with the loss of the whole wait. Expectation ends at the first cut that breaks a rule.
#[must_use]
pub fn expected_cuts(
    profile: &CropProfile,
    climate: &Climate,
    sown_day: i64,
    cuts_done: &[i64],
    working_days: &[WorkingDay],
    container: &ContainerYield,
    known: KnownDays,
) -> Vec<ExpectedCut> {
    let gains = Gains::of_growth(profile, climate, false);
    let factors = WeightFactors::new(profile, climate);
    let until = suitable_until(profile, climate, Relaxed::default());
    let weights = cut_milligrams_after_emergence(profile, container);

    let mut from_day = cuts_done.last().copied().unwrap_or(sown_day);
    let mut expected = Vec::new();
    for (cut, &weight) in weights.iter().enumerate().skip(cuts_done.len()) {
        let stage = if cut == 0 {
            Stage::first_cut(profile, known)
        } else {
            Stage::regrowth(profile, known)
        };
        let Some(ready) = stage.ready_day(&gains, from_day) else {
            break;
        };
        let slot = first_slot_from(working_days, ready.max(from_day.saturating_add(1)));
        let Some(working_day) = working_days.get(slot) else {
            break;
        };
        let cut_day = day_of(working_day);
        let last_week = until.get(week_of(from_day)).copied().flatten();
        let suits = last_week.is_some_and(|week| working_day.week <= week);
        if !suits || cut_day - ready.max(0) > i64::from(profile.hold_days) {
            break;
        }
        let permille = scale(
            factors.mean(from_day, ready),
            hold_permille(profile, cut_day.saturating_sub(ready)),
        );
        if permille <= 0 {
            break;
        }
        expected.push(ExpectedCut {
            slot,
            milligrams_per_container: scale(weight, permille),
        });
        from_day = cut_day;
    }
    expected
}

#[cfg(test)]
mod tests;
