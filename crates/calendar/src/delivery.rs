//! The week in which a cut counts.

use chrono::{Datelike, Days, NaiveDate, Weekday};

use crate::IsoWeek;

/// The week of the first delivery day on or after the day of the cut, if that is at most
/// `keep_days` later; otherwise nothing, since the produce does not keep so long.
///
/// Also nothing without delivery days and outside the years 1 to 9999.
#[must_use]
pub fn delivery_week(
    cut_on: NaiveDate,
    delivery_weekdays: &[Weekday],
    keep_days: u32,
) -> Option<IsoWeek> {
    (0..=u64::from(keep_days.min(6)))
        .map_while(|days| cut_on.checked_add_days(Days::new(days)))
        .find(|day| delivery_weekdays.contains(&day.weekday()))
        .and_then(|day| IsoWeek::of(day).ok())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use proptest::prelude::*;

    use super::*;

    /// Weekdays and week numbers computed with Python `datetime`.
    #[test]
    fn the_first_delivery_day_decides() {
        use Weekday::{Mon, Thu, Tue};
        for (cut_on, weekdays, keep_days, week) in [
            // 2026-12-31 is the Thursday of 2026-W53.
            ("2026-12-31", &[Thu][..], 0, Some("2026-W53")),
            ("2026-12-31", &[Mon], 4, Some("2027-W01")),
            ("2026-12-31", &[Mon], 3, None),
            ("2027-01-01", &[Thu], 5, None),
            ("2027-01-01", &[Thu], 6, Some("2027-W01")),
            ("2027-01-01", &[Thu, Tue], 5, Some("2027-W01")),
            ("2027-01-01", &[Thu], u32::MAX, Some("2027-W01")),
            ("2027-01-01", &[], 100, None),
        ] {
            let found = delivery_week(cut_on.parse().unwrap(), weekdays, keep_days);
            assert_eq!(
                found.map(|week| week.to_string()).as_deref(),
                week,
                "{cut_on} {weekdays:?} {keep_days}"
            );
        }
        assert_eq!(delivery_week(NaiveDate::MAX, &[Mon], 6), None);
    }

    proptest! {
        /// With one delivery day a week every day of cutting reaches it within six days.
        #[test]
        fn six_days_always_reach_a_weekly_delivery(days in 0_u64..20_000, weekday in 0_u8..7) {
            let cut_on = NaiveDate::from_ymd_opt(2000, 1, 1).unwrap() + Days::new(days);
            let weekday = Weekday::try_from(weekday).unwrap();
            let week = delivery_week(cut_on, &[weekday], 6).unwrap();
            let wait = (week.day(weekday) - cut_on).num_days();
            prop_assert!((0..=6).contains(&wait));
            prop_assert_eq!(delivery_week(cut_on, &[weekday], u32::try_from(wait).unwrap()), Some(week));
            if wait > 0 {
                prop_assert_eq!(delivery_week(cut_on, &[weekday], u32::try_from(wait - 1).unwrap()), None);
            }
        }
    }
}
