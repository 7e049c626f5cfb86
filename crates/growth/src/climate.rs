//! The environment of a station by week, and the working days of a site.

use serde::{Deserialize, Serialize};

/// Mean temperature and light of a station, one value for each week from the first week on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Climate {
    /// Daily mean temperature in degrees Celsius, by week.
    pub temperature_celsius: Vec<f64>,
    /// Daily light integral in mol per square metre and day, by week.
    pub daily_light_mol: Vec<f64>,
}

impl Climate {
    /// Weeks for which both temperature and light are given.
    #[must_use]
    pub fn weeks(&self) -> usize {
        self.temperature_celsius
            .len()
            .min(self.daily_light_mol.len())
    }

    /// Days for which both temperature and light are given.
    #[must_use]
    pub fn days(&self) -> i64 {
        i64::try_from(self.weeks()).map_or(i64::MAX, |weeks| weeks.saturating_mul(7))
    }

    /// Temperature in degrees Celsius and daily light in mol of a week; `None` past the last.
    #[must_use]
    pub fn in_week(&self, week: usize) -> Option<(f64, f64)> {
        Some((
            *self.temperature_celsius.get(week)?,
            *self.daily_light_mol.get(week)?,
        ))
    }

    /// Temperature in degrees Celsius and daily light in mol on a day. Days before the first week
    /// are taken to be like it; `None` past the last.
    #[must_use]
    pub fn on_day(&self, day: i64) -> Option<(f64, f64)> {
        self.in_week(week_of(day))
    }
}

/// Week of a day; days before the first week belong to it.
pub(crate) fn week_of(day: i64) -> usize {
    usize::try_from(day.max(0) / 7).unwrap_or(usize::MAX)
}

/// A day on which the site is worked: greens can be sown and cut. Working days are given in
/// ascending order; a slot is an index in that list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WorkingDay {
    /// Day counted from the Monday of the first week.
    pub day: u32,
    /// Week of that day, counted from the first week.
    pub week: usize,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_fall_in_weeks() {
        let climate = Climate {
            temperature_celsius: vec![10.0, 20.0],
            daily_light_mol: vec![5.0, 6.0, 7.0],
        };
        assert_eq!((climate.weeks(), climate.days()), (2, 14));
        let check = |day: i64, expect: Option<(f64, f64)>| {
            assert_eq!(climate.on_day(day), expect, "day {day}");
        };
        check(-30, Some((10.0, 5.0)));
        check(0, Some((10.0, 5.0)));
        check(6, Some((10.0, 5.0)));
        check(7, Some((20.0, 6.0)));
        check(13, Some((20.0, 6.0)));
        check(14, None);
    }
}
