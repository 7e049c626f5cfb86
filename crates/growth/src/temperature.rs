//! Temperature: the trapezoid between cardinal temperatures, and the risk of bolting.

use crate::climate::Climate;
use crate::profile::CropProfile;

/// The four temperatures in degrees Celsius between which a plant develops.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CardinalTemperatures {
    /// Nothing happens at or below it.
    pub base_celsius: f64,
    /// Full speed from here.
    pub optimum_low_celsius: f64,
    /// Full speed up to here.
    pub optimum_high_celsius: f64,
    /// Nothing happens at or above it.
    pub maximum_celsius: f64,
}

impl CardinalTemperatures {
    /// Share (0 to 1) of full speed at a daily mean temperature: zero at the base and the maximum,
    /// linear up to the low optimum, level to the high optimum, linear down.
    #[must_use]
    pub fn response(&self, celsius: f64) -> f64 {
        if celsius <= self.base_celsius || celsius >= self.maximum_celsius {
            0.0
        } else if celsius < self.optimum_low_celsius {
            (celsius - self.base_celsius) / (self.optimum_low_celsius - self.base_celsius)
        } else {
            self.heat_response(celsius)
        }
    }

    /// The upper half of [`Self::response`]: 1 up to the high optimum, falling to 0 at the maximum.
    /// Cold only delays a crop, heat also makes it lighter, so weights use this half alone.
    #[must_use]
    pub fn heat_response(&self, celsius: f64) -> f64 {
        if celsius <= self.optimum_high_celsius {
            return 1.0;
        }
        ((self.maximum_celsius - celsius) / (self.maximum_celsius - self.optimum_high_celsius))
            .clamp(0.0, 1.0)
    }
}

/// First day, counted like the days of the climate, on which a crop sown on `sown_day` has stood
/// more days above its heat limit than it tolerates; none up to and including `last_day`. From
/// that day it may bolt: cut before it.
///
/// Days before the climate are taken to be like its first week; days after it are not judged.
#[must_use]
pub fn bolting_risk_day(
    profile: &CropProfile,
    climate: &Climate,
    sown_day: i64,
    last_day: i64,
) -> Option<i64> {
    let end = climate.days().min(last_day.saturating_add(1));
    let is_hot = |day| {
        climate
            .on_day(day)
            .is_some_and(|(celsius, _)| celsius > profile.heat_limit_celsius)
    };
    let start = if is_hot(0) { sown_day } else { sown_day.max(0) };
    let tolerated = usize::try_from(profile.heat_days_tolerated).unwrap_or(usize::MAX);
    (start..end).filter(|&day| is_hot(day)).nth(tolerated)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::test_profile;

    #[test]
    fn trapezoid_of_temperature() {
        let cardinal = CardinalTemperatures {
            base_celsius: 4.0,
            optimum_low_celsius: 20.0,
            optimum_high_celsius: 24.0,
            maximum_celsius: 32.0,
        };
        let check = |celsius: f64, expect: f64| {
            let got = cardinal.response(celsius);
            assert!(
                (got - expect).abs() < 1e-12,
                "{celsius} °C: {got}, expected {expect}"
            );
        };
        check(-3.0, 0.0);
        check(4.0, 0.0);
        check(12.0, 0.5);
        check(20.0, 1.0);
        check(24.0, 1.0);
        check(28.0, 0.5);
        check(32.0, 0.0);
        check(40.0, 0.0);
        assert!((cardinal.heat_response(6.0) - 1.0).abs() < 1e-12);
        assert!((cardinal.heat_response(30.0) - 0.25).abs() < 1e-12);
    }

    #[test]
    fn bolting_is_flagged_on_the_day_too_many() {
        let profile = CropProfile {
            heat_limit_celsius: 24.0,
            heat_days_tolerated: 3,
            ..test_profile()
        };
        let climate = Climate {
            temperature_celsius: vec![20.0, 26.0, 20.0],
            daily_light_mol: vec![15.0; 3],
        };
        let check = |(sown, last): (i64, i64), expect: Option<i64>| {
            assert_eq!(
                bolting_risk_day(&profile, &climate, sown, last),
                expect,
                "sown {sown}, until {last}"
            );
        };
        check((0, 20), Some(10));
        check((0, 9), None);
        check((10, 20), Some(13));
        check((11, 20), None);
        check((-5, 20), Some(10));
        check((0, i64::MAX), Some(10));
        let at_the_limit = CropProfile {
            heat_limit_celsius: 26.0,
            ..profile
        };
        assert_eq!(bolting_risk_day(&at_the_limit, &climate, 0, 20), None);
    }
}
