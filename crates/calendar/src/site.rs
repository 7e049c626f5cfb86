//! When a site is open: its zone, weekly hours and closures together.

use chrono::{DateTime, Datelike, Days, NaiveDate, TimeDelta, Utc};

use crate::{Closure, Interval, OpenPeriod, OpeningHours, SiteZone, TimeOfDay};

/// How far an open day is looked for, in days.
pub const SEARCH_DAYS: u64 = 400;

/// Zone, opening hours and closures of a site.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SiteCalendar {
    zone: SiteZone,
    hours: OpeningHours,
    closures: Vec<Closure>,
}

/// Which day a task may move to when the site is closed on its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Flexibility {
    /// None: that day or not at all.
    ThatDay,
    /// That day or the nearest open day before it.
    OrBefore,
    /// That day or the nearest open day after it.
    OrAfter,
    /// That day or the nearest open day; the earlier of two equally near.
    Nearest,
}

/// When a task can be worked on: from the first opening to the last closing of one open day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct TaskWindow {
    /// The open day.
    pub day: NaiveDate,
    /// The day's first opening.
    pub opens: DateTime<Utc>,
    /// The day's last closing; a break between may lie before it.
    pub closes: DateTime<Utc>,
}

impl SiteCalendar {
    /// Puts the three together; closures may overlap one another.
    #[must_use]
    pub fn new(zone: SiteZone, hours: OpeningHours, closures: Vec<Closure>) -> Self {
        Self {
            zone,
            hours,
            closures,
        }
    }

    /// The site's zone.
    #[must_use]
    pub fn zone(&self) -> SiteZone {
        self.zone
    }

    /// The closure that keeps the site closed on that day, if any.
    #[must_use]
    pub fn closure_on(&self, date: NaiveDate) -> Option<&Closure> {
        self.closures.iter().find(|closure| closure.covers(date))
    }

    /// Whether the site is open at some instant of that day.
    #[must_use]
    pub fn is_open_on(&self, date: NaiveDate) -> bool {
        !self.open_intervals(date).is_empty()
    }

    /// The stretches of time in which the site is open on that day, in order, apart from one
    /// another; periods that touch are one stretch.
    ///
    /// Wall times become instants by [`SiteZone::instant`]. An opening that moves forward past its
    /// closing takes the closing with it, as a whole window moves; nothing reaches outside the day,
    /// so a day that the site never had has no open time.
    #[must_use]
    pub fn open_intervals(&self, date: NaiveDate) -> Vec<Interval> {
        if self.closure_on(date).is_some() {
            return Vec::new();
        }
        let day = self.zone.day(date);
        let mut open: Vec<_> = self
            .hours
            .on(date.weekday())
            .map(|period| self.period_on(date, day, period))
            .filter(|interval| !interval.is_empty())
            .collect();
        // A period moved forward over a gap may meet or pass the next.
        open.sort_by_key(|interval| interval.start);
        open.into_iter()
            .fold(Vec::new(), |mut merged: Vec<Interval>, next| {
                match merged.last_mut() {
                    Some(last) if next.start <= last.end => last.end = last.end.max(next.end),
                    _ => merged.push(next),
                }
                merged
            })
    }

    /// One period of that day, cut to the day.
    fn period_on(&self, date: NaiveDate, day: Interval, period: OpenPeriod) -> Interval {
        let instant = |time: TimeOfDay| match time.on_the_day() {
            Some(clock) if time != TimeOfDay::START => self.zone.instant(date.and_time(clock)),
            Some(_) => day.start,
            None => day.end,
        };
        let start = instant(period.opens);
        let mut end = instant(period.closes);
        if end <= start {
            let minutes = period.closes.minutes() - period.opens.minutes();
            end = start
                .checked_add_signed(TimeDelta::minutes(i64::from(minutes)))
                .unwrap_or(start);
        }
        Interval {
            start: start.max(day.start),
            end: end.min(day.end),
        }
    }

    /// The first open day on or after the date, within [`SEARCH_DAYS`].
    #[must_use]
    pub fn next_open_day(&self, date: NaiveDate) -> Option<NaiveDate> {
        (0..=SEARCH_DAYS)
            .map_while(|days| date.checked_add_days(Days::new(days)))
            .find(|day| self.is_open_on(*day))
    }

    /// The last open day on or before the date, within [`SEARCH_DAYS`].
    #[must_use]
    pub fn previous_open_day(&self, date: NaiveDate) -> Option<NaiveDate> {
        (0..=SEARCH_DAYS)
            .map_while(|days| date.checked_sub_days(Days::new(days)))
            .find(|day| self.is_open_on(*day))
    }

    /// The open days from `from` to `to`, both included; none where `to` is earlier. The caller
    /// bounds the range.
    #[must_use]
    pub fn working_days(&self, from: NaiveDate, to: NaiveDate) -> Vec<NaiveDate> {
        from.iter_days()
            .take_while(|day| *day <= to)
            .filter(|day| self.is_open_on(*day))
            .collect()
    }

    /// The window of a task due on that date, moved as far as its flexibility allows to an open
    /// day; nothing where none is found within [`SEARCH_DAYS`].
    #[must_use]
    pub fn task_window(&self, date: NaiveDate, flexibility: Flexibility) -> Option<TaskWindow> {
        let day = match flexibility {
            Flexibility::ThatDay => Some(date),
            Flexibility::OrBefore => self.previous_open_day(date),
            Flexibility::OrAfter => self.next_open_day(date),
            Flexibility::Nearest => {
                match (self.previous_open_day(date), self.next_open_day(date)) {
                    (Some(before), Some(after)) => Some(if date - before <= after - date {
                        before
                    } else {
                        after
                    }),
                    (before, after) => before.or(after),
                }
            }
        }?;
        let open = self.open_intervals(day);
        let (first, last) = (open.first()?, open.last()?);
        Some(TaskWindow {
            day,
            opens: first.start,
            closes: last.end,
        })
    }
}

#[cfg(test)]
mod tests;
