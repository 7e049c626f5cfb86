//! ISO 8601 weeks.

use std::fmt;
use std::str::FromStr;

use chrono::{Datelike, Days, NaiveDate, TimeDelta, Weekday};
use serde::{Deserialize, Serialize};

/// The ISO years that the form `2026-W40` can name.
const YEARS: std::ops::RangeInclusive<i32> = 1..=9999;

/// A week of ISO 8601, Monday to Sunday; week 1 holds the year's first Thursday.
///
/// Written `2026-W40`. Its order is the order in time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct IsoWeek {
    monday: NaiveDate,
}

/// Why a week was refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum IsoWeekError {
    /// The text is not of the form `2026-W40`.
    #[error(
        "{text:?} is not an ISO week: use four digits, \"-W\" and two digits, such as \"2026-W40\""
    )]
    Malformed {
        /// The text, cut to its first characters.
        text: String,
    },
    /// The year has no such week.
    #[error("the ISO year {year:04} has no week {week:02}: use 01 to {last:02}")]
    NoSuchWeek {
        /// The ISO year.
        year: i32,
        /// The week asked for.
        week: u32,
        /// The year's last week.
        last: u32,
    },
    /// The year cannot be written with four digits.
    #[error("the year {year} is out of range: use 0001 to 9999")]
    YearOutOfRange {
        /// The ISO year.
        year: i32,
    },
}

impl IsoWeek {
    /// The week of that number.
    ///
    /// # Errors
    /// [`IsoWeekError::NoSuchWeek`] or [`IsoWeekError::YearOutOfRange`].
    pub fn new(year: i32, week: u32) -> Result<Self, IsoWeekError> {
        if !YEARS.contains(&year) {
            return Err(IsoWeekError::YearOutOfRange { year });
        }
        NaiveDate::from_isoywd_opt(year, week, Weekday::Mon)
            .map(|monday| Self { monday })
            .ok_or_else(|| IsoWeekError::NoSuchWeek {
                year,
                week,
                last: weeks_in_year(year),
            })
    }

    /// The week that holds the date.
    ///
    /// # Errors
    /// [`IsoWeekError::YearOutOfRange`].
    pub fn of(date: NaiveDate) -> Result<Self, IsoWeekError> {
        let week = date.iso_week();
        Self::new(week.year(), week.week())
    }

    /// The ISO year, which near New Year may differ from the calendar year of a day in the week.
    #[must_use]
    pub fn year(self) -> i32 {
        self.monday.iso_week().year()
    }

    /// The week number, 1 to 53.
    #[must_use]
    pub fn week(self) -> u32 {
        self.monday.iso_week().week()
    }

    /// Its first day.
    #[must_use]
    pub fn monday(self) -> NaiveDate {
        self.monday
    }

    /// Its last day.
    #[must_use]
    pub fn sunday(self) -> NaiveDate {
        self.day(Weekday::Sun)
    }

    /// Its day of that name.
    #[must_use]
    pub fn day(self, weekday: Weekday) -> NaiveDate {
        // Years end at 9999, far inside the range of dates.
        self.monday + Days::new(u64::from(weekday.num_days_from_monday()))
    }

    /// Whether the date lies in it.
    #[must_use]
    pub fn contains(self, date: NaiveDate) -> bool {
        (self.monday..=self.sunday()).contains(&date)
    }

    /// The week after, or nothing after the last week of 9999.
    #[must_use]
    pub fn successor(self) -> Option<Self> {
        self.plus_weeks(1)
    }

    /// The week `weeks` later (earlier where negative), or nothing outside the years 1 to 9999.
    #[must_use]
    pub fn plus_weeks(self, weeks: i64) -> Option<Self> {
        let monday = self
            .monday
            .checked_add_signed(TimeDelta::try_weeks(weeks)?)?;
        Self::of(monday).ok()
    }

    /// How many weeks after this one the other is; negative where it is earlier.
    #[must_use]
    pub fn weeks_until(self, other: Self) -> i64 {
        (other.monday - self.monday).num_weeks()
    }

    /// This week and each after it up to and with `last`; none where `last` is earlier.
    pub fn through(self, last: Self) -> impl Iterator<Item = Self> {
        std::iter::successors(Some(self), |week| week.successor())
            .take_while(move |week| *week <= last)
    }
}

/// 28 December always lies in the last week of its ISO year.
fn weeks_in_year(year: i32) -> u32 {
    NaiveDate::from_ymd_opt(year, 12, 28).map_or(52, |date| date.iso_week().week())
}

impl fmt::Display for IsoWeek {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{:04}-W{:02}", self.year(), self.week())
    }
}

impl FromStr for IsoWeek {
    type Err = IsoWeekError;

    fn from_str(text: &str) -> Result<Self, IsoWeekError> {
        let parts = text
            .split_once("-W")
            .and_then(|(year, week)| Some((digits(year, 4)?, digits(week, 2)?)));
        let (year, week) = parts.ok_or_else(|| IsoWeekError::Malformed {
            text: text.chars().take(20).collect(),
        })?;
        Self::new(year, week)
    }
}

/// The number of exactly `length` ASCII digits.
fn digits<N: FromStr>(text: &str, length: usize) -> Option<N> {
    (text.len() == length && text.bytes().all(|byte| byte.is_ascii_digit()))
        .then(|| text.parse().ok())?
}

impl TryFrom<String> for IsoWeek {
    type Error = IsoWeekError;

    fn try_from(text: String) -> Result<Self, IsoWeekError> {
        text.parse()
    }
}

impl From<IsoWeek> for String {
    fn from(week: IsoWeek) -> Self {
        week.to_string()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use proptest::prelude::*;

    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    /// Computed with Python `datetime.isocalendar`.
    #[test]
    fn four_years_from_2020_to_2040_have_53_weeks() {
        let long: Vec<_> = (2020..=2040)
            .filter(|year| IsoWeek::new(*year, 53).is_ok())
            .collect();
        assert_eq!(long, [2020, 2026, 2032, 2037]);
        assert_eq!(
            IsoWeek::new(2027, 53),
            Err(IsoWeekError::NoSuchWeek {
                year: 2027,
                week: 53,
                last: 52
            })
        );
    }

    /// Computed with Python `datetime.isocalendar`.
    #[test]
    fn the_days_about_new_year_fall_in_the_right_week() {
        for (day, week, weekday) in [
            ("2026-01-01", "2026-W01", Weekday::Thu),
            ("2026-12-31", "2026-W53", Weekday::Thu),
            ("2027-01-03", "2026-W53", Weekday::Sun),
            ("2027-01-04", "2027-W01", Weekday::Mon),
            ("2024-12-30", "2025-W01", Weekday::Mon),
            ("2023-01-01", "2022-W52", Weekday::Sun),
        ] {
            let found = IsoWeek::of(date(day)).unwrap();
            assert_eq!(found.to_string(), week);
            assert_eq!(found.day(weekday), date(day));
            assert!(found.contains(date(day)));
        }
    }

    #[test]
    fn only_the_full_form_is_read() {
        let week: IsoWeek = "2026-W40".parse().unwrap();
        assert_eq!(
            (week.year(), week.week(), week.monday()),
            (2026, 40, date("2026-09-28"))
        );
        assert_eq!(serde_json::to_string(&week).unwrap(), "\"2026-W40\"");
        assert_eq!(
            serde_json::from_str::<IsoWeek>("\"2026-W40\"").unwrap(),
            week
        );
        for text in [
            "",
            "2026W40",
            "2026-w40",
            "2026-W4",
            "2026-W040",
            "26-W40",
            "2026-W40-1",
            "+026-W40",
            "2026-W+1",
            "２０２６-W40",
        ] {
            assert!(
                matches!(text.parse::<IsoWeek>(), Err(IsoWeekError::Malformed { .. })),
                "{text}"
            );
        }
        assert!(matches!(
            "2026-W00".parse::<IsoWeek>(),
            Err(IsoWeekError::NoSuchWeek { .. })
        ));
        assert!(matches!(
            "2026-W54".parse::<IsoWeek>(),
            Err(IsoWeekError::NoSuchWeek { last: 53, .. })
        ));
        assert!(matches!(
            "0000-W10".parse::<IsoWeek>(),
            Err(IsoWeekError::YearOutOfRange { .. })
        ));
        assert!(IsoWeek::of(NaiveDate::MAX).is_err());
        assert!(IsoWeek::of(NaiveDate::MIN).is_err());
    }

    #[test]
    fn a_run_of_weeks_crosses_the_long_year() {
        let first: IsoWeek = "2026-W52".parse().unwrap();
        let last: IsoWeek = "2027-W02".parse().unwrap();
        let run: Vec<_> = first.through(last).map(|week| week.to_string()).collect();
        assert_eq!(run, ["2026-W52", "2026-W53", "2027-W01", "2027-W02"]);
        assert_eq!(last.through(first).count(), 0);
        let end: IsoWeek = "9999-W52".parse().unwrap();
        assert_eq!(end.successor(), None);
        assert_eq!(end.through(end).count(), 1);
        assert_eq!(end.plus_weeks(i64::MAX), None);
        assert_eq!(end.sunday().to_string(), "+10000-01-02");
    }

    proptest! {
        #[test]
        fn weeks_and_days_agree(days in 0_u64..3_000_000, step in -2_000_i64..2_000) {
            let day = date("0050-01-01") + Days::new(days);
            let week = IsoWeek::of(day).unwrap();
            prop_assert!(week.contains(day));
            prop_assert_eq!(week.to_string().parse::<IsoWeek>().unwrap(), week);
            prop_assert_eq!(week.monday().weekday(), Weekday::Mon);
            let next = week.successor().unwrap();
            prop_assert_eq!(next.monday(), week.sunday() + Days::new(1));
            let other = week.plus_weeks(step).unwrap();
            prop_assert_eq!(week.weeks_until(other), step);
            prop_assert_eq!(other > week, step > 0);
        }
    }
}
