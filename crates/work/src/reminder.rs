//! When whoever holds a task is reminded of it.

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use cotyl_calendar::SiteZone;

/// How long before its task opens a hold is told of, unless its holder chose another time. Common practice,
/// no source; the same for the others.
pub const REMINDED_AHEAD: TimeDelta = TimeDelta::hours(24);
/// The shortest time that can be chosen: less is too late to set out.
pub const LEAST_REMINDED_AHEAD: TimeDelta = TimeDelta::minutes(30);
/// The longest: a week ahead the day can still be planned, and is not forgotten again.
pub const MOST_REMINDED_AHEAD: TimeDelta = TimeDelta::days(7);
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
    /// How long before the opening its holder wants to hear of it.
    pub ahead: TimeDelta,
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
    /// Taken earlier than the holder wants to hear of it (usually a day) before the task opens, it is told
    /// of then: whole days before by the clock of the site, hours and minutes as they pass. Taken later, it
    /// is told of on the morning of the day of its opening, by the clock of the site; taken on that day, two
    /// hours before the opening (or as much less as was chosen), unless it was taken less than that before
    /// it. Of a task that is open already its due time takes the place of the opening. Whoever was given a
    /// task so late is told at once.
    #[must_use]
    pub fn reminder(&self) -> Option<Reminder> {
        let ahead = self.ahead_of(self.opens_at);
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

    /// The instant that lies as long before a moment as was chosen. A day before is the same time of day, also
    /// where the clock is moved in between: who asked for it expects to hear of tomorrow's ten o'clock at ten.
    fn ahead_of(&self, moment: DateTime<Utc>) -> DateTime<Utc> {
        let days = TimeDelta::days(self.ahead.num_days());
        let day_before = if days.is_zero() {
            moment
        } else {
            self.zone
                .instant(self.zone.local(moment).naive_local() - days)
        };
        day_before - (self.ahead - days)
    }

    fn morning_of(&self, moment: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let day = self.zone.today(moment);
        let morning = NaiveTime::from_hms_opt(MORNING, 0, 0)?;
        let at = self.zone.instant(day.and_time(morning));
        (self.zone.today(self.claimed_at) < day && at < moment).then_some(at)
    }

    fn shortly_before(&self, moment: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let shortly = SHORTLY.min(self.ahead);
        let at = moment - shortly;
        (self.claimed_at + shortly <= at).then_some(at)
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
        chosen(claimed_at, opens_at, due_at, given, REMINDED_AHEAD)
    }

    fn chosen(
        claimed_at: &str,
        opens_at: &str,
        due_at: &str,
        given: bool,
        ahead: TimeDelta,
    ) -> Option<String> {
        let zone: SiteZone = "America/New_York".parse().unwrap();
        let instant = |text: &str| zone.instant(text.parse().unwrap());
        let hold = HeldFor {
            claimed_at: instant(claimed_at),
            given,
            opens_at: instant(opens_at),
            due_at: instant(due_at),
            zone,
            ahead,
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

    #[test]
    fn it_comes_as_long_before_as_was_chosen() {
        let of = |claimed_at, ahead| {
            chosen(
                claimed_at,
                "2026-09-10T14:00:00",
                "2026-09-10T18:00:00",
                false,
                ahead,
            )
        };
        for (claimed_at, ahead, at) in [
            ("2026-09-01T09:00:00", TimeDelta::days(7), Some("Thu 14:00")),
            (
                "2026-09-01T09:00:00",
                TimeDelta::hours(49),
                Some("Tue 13:00"),
            ),
            (
                "2026-09-01T09:00:00",
                TimeDelta::hours(3),
                Some("Thu 11:00"),
            ),
            (
                "2026-09-10T12:00:00",
                TimeDelta::minutes(30),
                Some("Thu 13:30"),
            ),
            // taken later than that: as ever
            ("2026-09-09T09:00:00", TimeDelta::days(7), Some("Thu 06:00")),
            ("2026-09-10T13:40:00", TimeDelta::minutes(30), None),
            // open already: not longer before it is due than was chosen
            (
                "2026-09-10T15:00:00",
                TimeDelta::minutes(30),
                Some("Thu 17:30"),
            ),
        ] {
            assert_eq!(of(claimed_at, ahead).as_deref(), at, "{claimed_at} {ahead}");
        }
    }

    /// On Sunday 1 November 2026 clocks in New York go back at two, on 8 March forward (15 U.S.C. 260a).
    #[test]
    fn days_are_counted_by_the_clock_and_hours_as_they_pass() {
        let of = |opens_at: &str, due_at: &str, ahead| {
            chosen("2026-01-05T09:00:00", opens_at, due_at, false, ahead)
        };
        let autumn = |ahead| of("2026-11-01T10:00:00", "2026-11-01T12:00:00", ahead);
        assert_eq!(autumn(TimeDelta::days(1)).as_deref(), Some("Sat 10:00"));
        // ten in the morning is eleven hours after midnight
        assert_eq!(autumn(TimeDelta::hours(10)).as_deref(), Some("Sun 01:00"));
        assert_eq!(autumn(TimeDelta::hours(11)).as_deref(), Some("Sun 00:00"));
        let spring = |ahead| of("2026-03-08T10:00:00", "2026-03-08T12:00:00", ahead);
        assert_eq!(spring(TimeDelta::days(2)).as_deref(), Some("Fri 10:00"));
        // and in March nine
        assert_eq!(spring(TimeDelta::hours(9)).as_deref(), Some("Sun 00:00"));
        assert_eq!(spring(TimeDelta::hours(33)).as_deref(), Some("Sat 01:00"));
        // half past two is not on the clock of 8 March: a day before Monday's is half past three
        let gap = of(
            "2026-03-09T02:30:00",
            "2026-03-09T04:00:00",
            TimeDelta::days(1),
        );
        assert_eq!(gap.as_deref(), Some("Sun 03:30"));
    }
}
