//! When whoever holds a task is reminded of it.

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use cotyl_calendar::SiteZone;

/// How long before its task opens a hold is told of. Common practice, no source; the same for the others.
pub const REMINDED_AHEAD: TimeDelta = TimeDelta::hours(24);
/// The local hour of the day itself at which a hold is told of that was taken later than that.
const MORNING: u32 = 6;
/// How long ahead a hold is told of that was taken on the day itself.
const SHORTLY: TimeDelta = TimeDelta::hours(2);

/// A hold on a task, as far as its reminder depends on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HeldFor {
    /// Since when.
    pub claimed_at: DateTime<Utc>,
    /// Whether somebody else gave it to the holder.
    pub given: bool,
    /// First opening of the task.
    pub opens_at: DateTime<Utc>,
    /// Last closing.
    pub due_at: DateTime<Utc>,
    /// Where the task is.
    pub zone: SiteZone,
}

/// When a reminder goes out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reminder {
    /// From when on.
    pub at: DateTime<Utc>,
    /// From when on it comes too late.
    pub until: DateTime<Utc>,
}

impl HeldFor {
    /// When the holder is reminded, once; `None` where a reminder would tell them what they just did.
    ///
    /// Taken more than a day before the task opens, it is told of a day before. Taken later, it is told
    /// of on the morning of the day of its opening, by the clock of the site; taken on that day, two
    /// hours before the opening, unless it was taken less than two hours before that. Of a task that is
    /// open already its due time takes the place of the opening. Whoever was given a task so late is
    /// told at once.
    #[must_use]
    pub fn reminder(&self) -> Option<Reminder> {
        let ahead = self.opens_at - REMINDED_AHEAD;
        if self.claimed_at < ahead {
            return Some(Reminder {
                at: ahead,
                until: self.opens_at,
            });
        }
        let until = if self.claimed_at < self.opens_at {
            self.opens_at
        } else {
            self.due_at
        };
        let at = if self.given {
            Some(self.claimed_at)
        } else {
            self.morning_of(until)
                .or_else(|| self.shortly_before(until))
        };
        at.filter(|at| *at < until).map(|at| Reminder { at, until })
    }

    fn morning_of(&self, moment: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let day = self.zone.today(moment);
        let morning = NaiveTime::from_hms_opt(MORNING, 0, 0)?;
        let at = self.zone.instant(day.and_time(morning));
        (self.zone.today(self.claimed_at) < day && at < moment).then_some(at)
    }

    fn shortly_before(&self, moment: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let at = moment - SHORTLY;
        (self.claimed_at + SHORTLY <= at).then_some(at)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// When a task in New York from 14:00 to 18:00 on Thursday 10 September 2026 is told of, by the
    /// clock there, four hours behind UTC.
    fn told(claimed_at: &str, given: bool) -> Option<String> {
        held(
            claimed_at,
            "2026-09-10T14:00:00",
            "2026-09-10T18:00:00",
            given,
        )
    }

    fn held(claimed_at: &str, opens_at: &str, due_at: &str, given: bool) -> Option<String> {
        let zone: SiteZone = "America/New_York".parse().unwrap();
        let instant = |text: &str| zone.instant(text.parse().unwrap());
        let hold = HeldFor {
            claimed_at: instant(claimed_at),
            given,
            opens_at: instant(opens_at),
            due_at: instant(due_at),
            zone,
        };
        let reminder = hold.reminder()?;
        assert!(hold.claimed_at <= reminder.at && reminder.at < reminder.until);
        Some(zone.local(reminder.at).format("%a %H:%M").to_string())
    }

    #[test]
    fn a_hold_is_told_of_when_that_is_news() {
        for (claimed_at, at) in [
            ("2026-09-07T09:00:00", Some("Wed 14:00")),
            ("2026-09-09T13:59:59", Some("Wed 14:00")),
            // within the day before: on the morning
            ("2026-09-09T14:00:00", Some("Thu 06:00")),
            ("2026-09-09T23:59:59", Some("Thu 06:00")),
            // on the day itself: two hours before, if that is two hours later
            ("2026-09-10T00:00:00", Some("Thu 12:00")),
            ("2026-09-10T10:00:00", Some("Thu 12:00")),
            ("2026-09-10T10:00:01", None),
            // open already: before it is due
            ("2026-09-10T14:00:00", Some("Thu 16:00")),
            ("2026-09-10T14:00:01", None),
            ("2026-09-10T19:00:00", None),
        ] {
            assert_eq!(told(claimed_at, false).as_deref(), at, "{claimed_at}");
        }
    }

    #[test]
    fn who_was_given_a_task_late_is_told_at_once() {
        for (claimed_at, at) in [
            ("2026-09-09T13:00:00", Some("Wed 14:00")),
            ("2026-09-09T20:00:00", Some("Wed 20:00")),
            ("2026-09-10T13:00:00", Some("Thu 13:00")),
            ("2026-09-10T15:00:00", Some("Thu 15:00")),
            ("2026-09-10T18:00:00", None),
        ] {
            assert_eq!(told(claimed_at, true).as_deref(), at, "{claimed_at}");
        }
    }

    #[test]
    fn what_opens_before_the_morning_is_told_of_two_hours_ahead() {
        let early = |claimed| held(claimed, "2026-09-10T05:30:00", "2026-09-10T07:00:00", false);
        assert_eq!(early("2026-09-09T20:00:00").as_deref(), Some("Thu 03:30"));
        // of a task over several days that is open, the day on which it is due
        let long = |claimed| held(claimed, "2026-09-07T08:00:00", "2026-09-10T16:00:00", false);
        assert_eq!(long("2026-09-08T12:00:00").as_deref(), Some("Thu 06:00"));
    }
}
