//! Arcs for the planner: which cut can follow which sowing or cut, and with what weight.

use crate::climate::{Climate, WorkingDay};
use crate::development::{Gains, KnownDays, Stage};
use crate::profile::CropProfile;
use crate::weight::{
    ContainerYield, WeightFactors, cut_milligrams_after_emergence, hold_permille, scale,
};

/// Days that a ready cut may wait longer when the hold rule is left out.
pub const LONGER_HOLD_DAYS: u32 = 14;

/// Days that a sowing on the first slot may have been begun earlier when the start rule is left
/// out.
pub const HEAD_START_DAYS: u32 = 14;

/// Rules left out, to find which of them makes a pledge impossible. Leaving one out only adds
/// arcs. Closures and container kinds are left out by giving other working days or crops.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Relaxed {
    /// Weeks too cold or too warm count as suitable.
    pub temperature: bool,
    /// Weeks too dark count as suitable, and what light there is counts.
    pub light: bool,
    /// A ready cut may wait [`LONGER_HOLD_DAYS`] longer.
    pub hold: bool,
    /// A sowing on the first slot may have been begun up to [`HEAD_START_DAYS`] earlier.
    pub start: bool,
}

/// What a crop can do in one climate and container, in the terms of the planning problem.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GrowingArcs {
    /// `(a, b, permille)`: sown on slot a, the first cut may be taken on slot b > a and gives so
    /// many thousandths of its reference weight. In ascending order.
    pub first: Vec<(usize, usize, i64)>,
    /// `(a, b, permille)`: cut on slot a, the next cut may be taken on slot b > a. Empty for a
    /// crop that is cut once.
    pub again: Vec<(usize, usize, i64)>,
    /// Decigrams per container of cut 1, 2, ... at 1000 permille, after emergence losses.
    pub cut_decigrams: Vec<i64>,
    /// After a last cut on slot b the place is free again from slot `free_at[b]` >= b; the number
    /// of slots means not within these days.
    pub free_at: Vec<usize>,
}

/// Arcs of a crop over the working days of a site (in ascending order of day).
///
/// A cut on slot b may follow slot a when development gained from a on reaches its need by a day
/// D, `day(b) - D` is at most the hold days, and every week from that of a to that of b suits the
/// crop; weeks past the climate do not. Its permille is the mean weight factor over the days of
/// growth times what the wait leaves; arcs that would give nothing are left out. The work is
/// O(n log n) and the number of arcs.
#[must_use]
pub fn growing_arcs(
    profile: &CropProfile,
    climate: &Climate,
    working_days: &[WorkingDay],
    container: &ContainerYield,
    known: KnownDays,
    relaxed: Relaxed,
) -> GrowingArcs {
    let maker = ArcMaker {
        profile,
        working_days,
        gains: Gains::of_growth(profile, climate, relaxed.light),
        factors: WeightFactors::new(profile, climate),
        suitable_until: suitable_until(profile, climate, relaxed),
        hold_days: i64::from(profile.hold_days)
            + if relaxed.hold {
                i64::from(LONGER_HOLD_DAYS)
            } else {
                0
            },
    };
    let first = maker.arcs(&Stage::first_cut(profile, known), relaxed.start);
    let again = if profile.cut_milligrams.len() > 1 {
        maker.arcs(&Stage::regrowth(profile, known), false)
    } else {
        Vec::new()
    };
    GrowingArcs {
        first,
        again,
        cut_decigrams: cut_milligrams_after_emergence(profile, container)
            .into_iter()
            .map(|milligrams| milligrams / 100)
            .collect(),
        free_at: working_days
            .iter()
            .map(|slot| {
                first_slot_from(
                    working_days,
                    day_of(slot) + i64::from(profile.cleaning_days),
                )
            })
            .collect(),
    }
}

/// For each week the last week of the run of suitable weeks that holds it; `None` when the week
/// itself does not suit.
pub(crate) fn suitable_until(
    profile: &CropProfile,
    climate: &Climate,
    relaxed: Relaxed,
) -> Vec<Option<usize>> {
    let mut until = vec![None; climate.weeks()];
    let mut last = None;
    for week in (0..until.len()).rev() {
        let suits = climate.in_week(week).is_some_and(|(celsius, mol)| {
            let range = profile.suitable_minimum_celsius..=profile.suitable_maximum_celsius;
            (relaxed.temperature || range.contains(&celsius))
                && (relaxed.light || mol >= profile.light_minimum_mol)
        });
        last = suits.then(|| last.unwrap_or(week));
        until[week] = last;
    }
    until
}

pub(crate) fn day_of(slot: &WorkingDay) -> i64 {
    i64::from(slot.day)
}

/// First slot on or after a day; the number of slots when there is none.
pub(crate) fn first_slot_from(working_days: &[WorkingDay], day: i64) -> usize {
    working_days.partition_point(|slot| day_of(slot) < day)
}

struct ArcMaker<'a> {
    profile: &'a CropProfile,
    working_days: &'a [WorkingDay],
    gains: Gains,
    factors: WeightFactors,
    suitable_until: Vec<Option<usize>>,
    hold_days: i64,
}

impl ArcMaker<'_> {
    fn arcs(&self, stage: &Stage, head_start: bool) -> Vec<(usize, usize, i64)> {
        let mut arcs = Vec::new();
        for (a, from) in self.working_days.iter().enumerate() {
            let Some(last_week) = self.suitable_until.get(from.week).copied().flatten() else {
                continue;
            };
            let from_day = day_of(from);
            let ready = stage.ready_day(&self.gains, from_day);
            let earliest = if head_start && a == 0 {
                self.with_head_start(stage, from_day)
            } else {
                ready
            };
            let Some(earliest) = earliest else { continue };
            let start = first_slot_from(self.working_days, earliest).max(a + 1);
            for (b, to) in self.working_days.iter().enumerate().skip(start) {
                let to_day = day_of(to);
                let grown_by = ready.map_or(to_day, |day| day.min(to_day));
                let waited = to_day - grown_by;
                if waited > self.hold_days || to.week > last_week {
                    break;
                }
                let permille = scale(
                    self.factors.mean(from_day, grown_by),
                    hold_permille(self.profile, waited),
                );
                if permille > 0 {
                    arcs.push((a, b, permille));
                }
            }
        }
        arcs
    }

    /// Ready day of a sowing begun some days before the first slot, in conditions like its first
    /// day.
    fn with_head_start(&self, stage: &Stage, from_day: i64) -> Option<i64> {
        let head_start = i64::from(HEAD_START_DAYS);
        let gained_on_first_day =
            self.gains.before(from_day.saturating_add(1))? - self.gains.before(from_day)?;
        Stage {
            micro_days: (stage.micro_days - head_start * gained_on_first_day).max(0),
            known_days: stage
                .known_days
                .map(|days| days.saturating_sub(HEAD_START_DAYS)),
        }
        .ready_day(&self.gains, from_day)
    }
}

#[cfg(test)]
mod tests;
