//! What comes again and again: the rules of RFC 5545, by the clock on the wall of a site.
//!
//! A rule is worked out in local time without any zone, and only then does each time become an
//! instant by [`SiteZone::instant`]: a time that the clock is put forward over moves forward, and of a
//! time that is passed twice the first pass is meant (RFC 5545, section 3.3.5). Two times that become
//! the same instant are one.
//!
//! Dates that do not exist, such as a 31 April, are left out (section 3.3.10).

mod faults;
mod limits;
mod rule;

use std::collections::BTreeSet;

use chrono::{DateTime, Datelike as _, NaiveDateTime, NaiveTime, TimeDelta, Timelike as _, Utc};
use rrule::{RRule, RRuleSet, Tz, Unvalidated};

pub use faults::RecurrenceFault;
pub use limits::{
    MOST_AT_ONCE, MOST_COUNT, MOST_DATES, MOST_EXAMINED, MOST_INTERVAL, MOST_PER_DAY,
    MOST_RULE_CHARACTERS, MOST_YEARS,
};
use rule::{End, Frequency, Rule, WEEKDAYS};

use crate::{Passes, SiteZone};

/// A local time that comes again by a rule.
#[derive(Debug, Clone)]
pub struct Recurrence {
    zone: SiteZone,
    start: NaiveDateTime,
    rule: Rule,
    added: BTreeSet<NaiveDateTime>,
    left_out: BTreeSet<NaiveDateTime>,
}

/// One of the times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Occurrence {
    /// The instant.
    pub instant: DateTime<Utc>,
    /// The local time by the rule, which the clock on the wall may be put forward over.
    pub wall: NaiveDateTime,
}

impl Recurrence {
    /// Reads a rule that begins at `start`, with times added to it (`RDATE`) and left out of it
    /// (`EXDATE`).
    ///
    /// RFC 5545 leaves open what a rule means that its own start does not meet; such a rule is refused
    /// with the first time that meets it. A count counts times by the rule from the start on, whether
    /// they are left out or not, and does not count what is added.
    ///
    /// # Errors
    /// A [`RecurrenceFault`] with what would be accepted.
    pub fn new(
        zone: SiteZone,
        start: NaiveDateTime,
        rule: &str,
        added: &[NaiveDateTime],
        left_out: &[NaiveDateTime],
    ) -> Result<Self, RecurrenceFault> {
        let rule = Rule::read(rule)?;
        if start.second() != 0 || start.nanosecond() != 0 {
            return Err(RecurrenceFault::Seconds);
        }
        if added.len() > MOST_DATES || left_out.len() > MOST_DATES {
            return Err(RecurrenceFault::TooManyDates);
        }
        check_end(rule.end, zone, start)?;
        let recurrence = Self {
            zone,
            start,
            rule,
            added: added.iter().copied().collect(),
            left_out: left_out.iter().copied().collect(),
        };
        recurrence.check_start()?;
        Ok(recurrence)
    }

    /// The rule in one fixed form.
    #[must_use]
    pub fn rule_text(&self) -> String {
        self.rule.text()
    }

    /// The times from one instant on and before another, in order.
    ///
    /// # Errors
    /// [`RecurrenceFault::TooManyAtOnce`], [`RecurrenceFault::TooFar`].
    pub fn between(
        &self,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
    ) -> Result<Vec<Occurrence>, RecurrenceFault> {
        // no zone is a day or more from UTC, and no clock is put on by more than a day
        let margin = TimeDelta::days(3);
        let last_wall =
            (to.naive_utc() + margin).min(self.start + TimeDelta::days(MOST_DAYS_AHEAD));
        if self.rule.frequency == Frequency::Hourly
            && last_wall - self.start > TimeDelta::days(DAYS_OF_HOURS)
        {
            return Err(RecurrenceFault::TooFar);
        }
        let walls = self.by_the_rule(last_wall, MOST_EXAMINED)?;
        if walls.len() > MOST_EXAMINED {
            return Err(RecurrenceFault::TooFar);
        }
        let mut found: Vec<Occurrence> = walls
            .iter()
            .chain(&self.added)
            .filter_map(|wall| self.met(*wall, from, to))
            .collect();
        // of two that are one instant, the one that the clock really shows is kept
        found.sort_by_key(|o| (o.instant, self.zone.passes(o.wall) == Passes::Never, o.wall));
        found.dedup_by_key(|o| o.instant);
        if found.len() > MOST_AT_ONCE {
            return Err(RecurrenceFault::TooManyAtOnce);
        }
        Ok(found)
    }

    fn met(
        &self,
        wall: NaiveDateTime,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
    ) -> Option<Occurrence> {
        let instant = self.zone.instant(wall);
        let wanted = from <= instant && instant < to && !self.left_out.contains(&wall);
        wanted.then_some(Occurrence { instant, wall })
    }

    /// Times by the rule and its end before another, in order; at most one more than `most`.
    fn by_the_rule(
        &self,
        before: NaiveDateTime,
        most: usize,
    ) -> Result<Vec<NaiveDateTime>, RecurrenceFault> {
        let most = match self.rule.end {
            End::After(count) => count.min(most + 1),
            _ => most + 1,
        };
        let set = bounded(&self.rule, self.start, before)?;
        Ok(set
            .into_iter()
            .map(|time| time.naive_utc())
            .skip_while(|wall| *wall < self.start)
            .take_while(|wall| {
                let not_ended = match self.rule.end {
                    End::Never | End::After(_) => true,
                    End::UntilWall(until) => *wall <= until,
                    End::UntilInstant(until) => self.zone.instant(*wall) <= until,
                };
                *wall < before && not_ended
            })
            .take(most)
            .collect())
    }

    fn check_start(&self) -> Result<(), RecurrenceFault> {
        let years = match self.rule.frequency {
            Frequency::Hourly => 1,
            _ => 12,
        };
        let before = self.start + TimeDelta::days(366 * years);
        let walls = self.by_the_rule(before, 50 * MOST_PER_DAY)?;
        let first = *walls.first().ok_or(RecurrenceFault::Never)?;
        if first != self.start {
            return Err(RecurrenceFault::StartNotMet { first });
        }
        let crowded = walls
            .chunk_by(|one, other| one.date() == other.date())
            .any(|day| day.len() > MOST_PER_DAY);
        if crowded {
            return Err(RecurrenceFault::TooMany);
        }
        Ok(())
    }
}

fn check_end(end: End, zone: SiteZone, start: NaiveDateTime) -> Result<(), RecurrenceFault> {
    let until = match end {
        End::Never | End::After(_) => return Ok(()),
        End::UntilWall(until) => until,
        End::UntilInstant(until) => zone.local(until).naive_local(),
    };
    if until < start {
        return Err(RecurrenceFault::EndsBeforeStart);
    }
    if until.year() - start.year() > MOST_YEARS {
        return Err(RecurrenceFault::EndsTooLate);
    }
    Ok(())
}

/// Nothing is looked for later than this after the start of a rule: 100 years.
const MOST_DAYS_AHEAD: i64 = 36_525;
/// The library gives up after so many hours without a time that meets a rule.
const DAYS_OF_HOURS: i64 = 11 * 365;

/// The rule without its end, over local times taken as if they were UTC; it goes past `before`, but
/// not on for ever.
///
/// The library stops once the year that it works on lies behind an end, so the end that it is given
/// lies more than a year behind what is wanted.
///
/// RFC 5545 chooses positions among all times of a week; the library chooses among those from the
/// start on. So a rule with both is begun with the first day of its first week, with everything said
/// that it would else take from the start.
fn bounded(
    rule: &Rule,
    start: NaiveDateTime,
    before: NaiveDateTime,
) -> Result<RRuleSet, RecurrenceFault> {
    let mut text = rule.endless_text();
    let mut from = start;
    if rule.frequency == Frequency::Weekly && rule.part("BYSETPOS").is_some() {
        let weekday = start.weekday().num_days_from_monday();
        let said = [
            ("BYDAY", WEEKDAYS[weekday as usize % 7].to_owned()),
            ("BYHOUR", start.hour().to_string()),
            ("BYMINUTE", start.minute().to_string()),
        ];
        for (name, value) in said {
            if rule.part(name).is_none() {
                text.push_str(&format!(";{name}={value}"));
            }
        }
        let first = WEEKDAYS
            .iter()
            .position(|day| rule.part("WKST") == Some(day))
            .unwrap_or_default();
        let days_in = (i64::from(weekday) + 7 - i64::try_from(first).unwrap_or_default()) % 7;
        from = (start.date() - TimeDelta::days(days_in)).and_time(NaiveTime::MIN);
    }
    let end = before.max(start) + TimeDelta::days(400);
    text.push_str(&end.format(";UNTIL=%Y%m%dT%H%M%SZ").to_string());
    let unreadable = |fault: rrule::RRuleError| RecurrenceFault::Unreadable {
        why: fault.to_string(),
    };
    let rule: RRule<Unvalidated> = text.parse().map_err(unreadable)?;
    rule.build(from.and_utc().with_timezone(&Tz::UTC))
        .map_err(unreadable)
}

#[cfg(test)]
mod tests;
