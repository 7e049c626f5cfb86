//! Quiet hours: when somebody wants to hear nothing.

use chrono::{DateTime, Days, NaiveTime, Utc};

use crate::SiteZone;

/// From one time of day to another by the clock on somebody's wall, each day; past midnight where the
/// second is not later than the first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct QuietHours {
    zone: SiteZone,
    from: NaiveTime,
    to: NaiveTime,
}

impl QuietHours {
    /// Quiet from `from` until `to`; nothing where both are the same time.
    #[must_use]
    pub fn new(zone: SiteZone, from: NaiveTime, to: NaiveTime) -> Option<Self> {
        (from != to).then_some(Self { zone, from, to })
    }

    /// The instant itself, or the end of the quiet hours that it falls into.
    ///
    /// Quiet begins and ends at the instants that its times mean by [`SiteZone::instant`]. So where the
    /// clock is put back over the end, quiet ends with the first pass and does not come again with the
    /// second; where it is put forward over the end, quiet ends that much later on the clock.
    #[must_use]
    pub fn next_allowed(self, instant: DateTime<Utc>) -> DateTime<Utc> {
        let today = self.zone.today(instant);
        let first = today.checked_sub_days(Days::new(1)).unwrap_or(today);
        first
            .iter_days()
            .take(3)
            .filter_map(|day| {
                let last = if self.to > self.from {
                    day
                } else {
                    day.succ_opt()?
                };
                let start = self.zone.instant(day.and_time(self.from));
                let end = self.zone.instant(last.and_time(self.to));
                (start <= instant && instant < end).then_some(end)
            })
            .max()
            .unwrap_or(instant)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn next(zone: &str, from: &str, to: &str, instant: &str) -> String {
        let time = |text: &str| NaiveTime::parse_from_str(text, "%H:%M").unwrap();
        QuietHours::new(zone.parse().unwrap(), time(from), time(to))
            .unwrap()
            .next_allowed(instant.parse().unwrap())
            .format("%Y-%m-%dT%H:%MZ")
            .to_string()
    }

    /// Changes of 2026: New York forward at 2026-03-08T07:00Z and back at 2026-11-01T06:00Z (tzdata
    /// 2026f).
    #[test]
    fn mail_waits_for_the_end_of_quiet_hours() {
        let new_york = "America/New_York";
        for (from, to, instant, expected) in [
            // 22:30 EDT, and 06:59 EDT of the next morning
            (
                "21:00",
                "07:00",
                "2026-09-08T02:30:00Z",
                "2026-09-08T11:00Z",
            ),
            (
                "21:00",
                "07:00",
                "2026-09-08T10:59:00Z",
                "2026-09-08T11:00Z",
            ),
            (
                "21:00",
                "07:00",
                "2026-09-08T11:00:00Z",
                "2026-09-08T11:00Z",
            ),
            (
                "21:00",
                "07:00",
                "2026-09-08T20:00:00Z",
                "2026-09-08T20:00Z",
            ),
            // within one day
            (
                "12:00",
                "13:30",
                "2026-09-08T16:10:00Z",
                "2026-09-08T17:30Z",
            ),
            // the short night ends at 07:00 EDT, the long one at 07:00 EST
            (
                "21:00",
                "07:00",
                "2026-03-08T04:00:00Z",
                "2026-03-08T11:00Z",
            ),
            (
                "21:00",
                "07:00",
                "2026-11-01T04:00:00Z",
                "2026-11-01T12:00Z",
            ),
            // an end that the clock is put forward over: 02:30 is 03:30 EDT
            (
                "21:00",
                "02:30",
                "2026-03-08T07:15:00Z",
                "2026-03-08T07:30Z",
            ),
            // an end that is passed twice: the first pass of 01:30 ends it
            (
                "21:00",
                "01:30",
                "2026-11-01T05:29:00Z",
                "2026-11-01T05:30Z",
            ),
            (
                "21:00",
                "01:30",
                "2026-11-01T06:10:00Z",
                "2026-11-01T06:10Z",
            ),
        ] {
            assert_eq!(
                next(new_york, from, to, instant),
                expected,
                "{from}-{to} {instant}"
            );
        }
        assert!(
            QuietHours::new(
                "Europe/London".parse().unwrap(),
                NaiveTime::MIN,
                NaiveTime::MIN
            )
            .is_none()
        );
    }
}
