//! Development summed day by day: when a sowing comes up, can be cut, and can be cut again.
//!
//! A day gives `temperature response x light response` of a day at reference conditions, rounded
//! once to whole micro-days. A stage that takes N days at reference conditions, begun on day a, is
//! reached on the first day D with `gained(before D) - gained(before a) >= N`: at reference
//! conditions that is a + N.

use serde::{Deserialize, Serialize};

use crate::climate::Climate;
use crate::light::{light_response, power_response};
use crate::profile::CropProfile;

/// Micro-days in a day: the unit in which development is summed.
pub const MICRO_DAYS_PER_DAY: i64 = 1_000_000;

/// Durations that a co-operative knows for a crop on one bench ("about 35 days here"). A known
/// number wins over the model; 0 is taken as 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KnownDays {
    /// Days from sowing to the first cut.
    pub to_first_cut: Option<u32>,
    /// Days from a cut to the next.
    pub to_regrow: Option<u32>,
}

/// Development, in micro-days, that one day of this mean temperature and daily light gives.
#[must_use]
pub fn daily_development_micro_days(
    profile: &CropProfile,
    temperature_celsius: f64,
    daily_light_mol: f64,
) -> i64 {
    micro_days(
        profile.growth_temperatures().response(temperature_celsius)
            * light_response(profile, daily_light_mol),
    )
}

/// Progress of a seed toward emergence, in micro-days, in one day of this mean temperature. Light
/// plays no part.
#[must_use]
pub fn daily_emergence_micro_days(profile: &CropProfile, temperature_celsius: f64) -> i64 {
    micro_days(
        profile
            .emergence_temperatures()
            .response(temperature_celsius),
    )
}

/// Day on which seeds sown on `sown_day` should have come up and are worth a look; `None` when
/// that is past the climate. Days before the climate are taken to be like its first week.
#[must_use]
pub fn emergence_check_day(profile: &CropProfile, climate: &Climate, sown_day: i64) -> Option<i64> {
    let gains = Gains::new(climate, |celsius, _| {
        daily_emergence_micro_days(profile, celsius)
    });
    gains.first_day_reaching(sown_day, micro_days(profile.emergence_days_at_reference))
}

/// First day on which a crop sown on `sown_day` can be cut; `None` when that is past the climate
/// and no number of days is known. Days before the climate are taken to be like its first week.
#[must_use]
pub fn first_cut_day(
    profile: &CropProfile,
    climate: &Climate,
    sown_day: i64,
    known: KnownDays,
) -> Option<i64> {
    let gains = Gains::of_growth(profile, climate, false);
    Stage::first_cut(profile, known).ready_day(&gains, sown_day)
}

/// First day on which a crop cut on `cut_day` can be cut again; otherwise like [`first_cut_day`].
#[must_use]
pub fn next_cut_day(
    profile: &CropProfile,
    climate: &Climate,
    cut_day: i64,
    known: KnownDays,
) -> Option<i64> {
    let gains = Gains::of_growth(profile, climate, false);
    Stage::regrowth(profile, known).ready_day(&gains, cut_day)
}

/// Counts back: the latest day to sow for a first cut on `wanted_day`; `None` when `wanted_day` is
/// past the climate or nothing grows. Days before the climate are taken to be like its first week.
#[must_use]
pub fn latest_sow_day(
    profile: &CropProfile,
    climate: &Climate,
    wanted_day: i64,
    known: KnownDays,
) -> Option<i64> {
    let stage = Stage::first_cut(profile, known);
    if let Some(days) = stage.known_days {
        return Some(wanted_day.saturating_sub(i64::from(days.max(1))));
    }
    let gains = Gains::of_growth(profile, climate, false);
    let target = gains.before(wanted_day)?.saturating_sub(stage.micro_days);
    gains.last_day_not_past(target)
}

fn micro_days(days: f64) -> i64 {
    // The cast saturates and takes a missing number as nothing.
    (days * MICRO_DAYS_PER_DAY as f64).round() as i64
}

/// What it takes to reach a stage.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stage {
    /// Micro-days at reference conditions.
    pub micro_days: i64,
    /// A known number of days, which wins.
    pub known_days: Option<u32>,
}

impl Stage {
    pub(crate) fn first_cut(profile: &CropProfile, known: KnownDays) -> Self {
        Self {
            micro_days: i64::from(profile.days_to_first_cut) * MICRO_DAYS_PER_DAY,
            known_days: known.to_first_cut,
        }
    }

    pub(crate) fn regrowth(profile: &CropProfile, known: KnownDays) -> Self {
        Self {
            micro_days: i64::from(profile.days_to_regrow) * MICRO_DAYS_PER_DAY,
            known_days: known.to_regrow,
        }
    }

    /// Day on which the stage begun on `from_day` is reached.
    pub(crate) fn ready_day(&self, gains: &Gains, from_day: i64) -> Option<i64> {
        match self.known_days {
            Some(days) => Some(from_day.saturating_add(i64::from(days.max(1)))),
            None => gains.first_day_reaching(from_day, self.micro_days),
        }
    }
}

/// Cumulative gain: item d is what the days before day d gave together.
pub(crate) struct Gains(Vec<i64>);

impl Gains {
    /// Sums a daily gain that is the same on all days of a week.
    pub(crate) fn new(climate: &Climate, daily: impl Fn(f64, f64) -> i64) -> Self {
        let mut gains = vec![0];
        let mut total = 0;
        for (&celsius, &mol) in climate
            .temperature_celsius
            .iter()
            .zip(&climate.daily_light_mol)
        {
            let gain = daily(celsius, mol);
            for _ in 0..7 {
                total += gain;
                gains.push(total);
            }
        }
        Self(gains)
    }

    /// Growth of a crop. With `light_minimum_left_out` light below the minimum still counts.
    pub(crate) fn of_growth(
        profile: &CropProfile,
        climate: &Climate,
        light_minimum_left_out: bool,
    ) -> Self {
        let cardinal = profile.growth_temperatures();
        Self::new(climate, |celsius, mol| {
            if light_minimum_left_out {
                let light = power_response(profile, mol, profile.light_exponent);
                micro_days(cardinal.response(celsius) * light)
            } else {
                daily_development_micro_days(profile, celsius, mol)
            }
        })
    }

    /// Gain of the first day, which earlier days are taken to share.
    fn first(&self) -> i64 {
        self.0.get(1).copied().unwrap_or(0)
    }

    /// Gain of all days before `day`, negative before day 0; `None` past the climate or for a day
    /// beyond reckoning.
    pub(crate) fn before(&self, day: i64) -> Option<i64> {
        match usize::try_from(day) {
            Ok(index) => self.0.get(index).copied(),
            Err(_) => day.checked_mul(self.first()),
        }
    }

    /// First day by which `need` has been gained since `from_day`.
    pub(crate) fn first_day_reaching(&self, from_day: i64, need: i64) -> Option<i64> {
        let target = self.before(from_day)?.saturating_add(need.max(0));
        if target < 0 {
            let first = self.first();
            // Division toward zero rounds a negative quotient up, to the day that reaches it.
            return (first > 0).then(|| target / first);
        }
        let index = self.0.partition_point(|&gained| gained < target);
        (index < self.0.len())
            .then(|| i64::try_from(index).ok())
            .flatten()
            .map(|day| day.max(from_day))
    }

    /// Last day before which no more than `target` was gained.
    fn last_day_not_past(&self, target: i64) -> Option<i64> {
        if target < 0 {
            let first = self.first();
            return (first > 0).then(|| target.div_euclid(first));
        }
        let index = self.0.partition_point(|&gained| gained <= target);
        i64::try_from(index).ok().map(|day| day - 1)
    }
}

#[cfg(test)]
mod tests;
