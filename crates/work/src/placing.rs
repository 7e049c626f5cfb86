//! Putting work on days on which the site is open, and making tasks of it.

use std::cell::RefCell;
use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use cotyl_calendar::{Flexibility, SiteCalendar, TaskWindow};
use uuid::Uuid;

use crate::rule::{Labour, Rule};
use crate::wanted::{Placing, Subject, WantedTask, Wish};

/// What a task row can hold.
const MOST_MINUTES: u32 = 100_000;

/// The calendar of a site, each day asked of it once.
pub(crate) struct Calendar<'a> {
    calendar: &'a SiteCalendar,
    windows: RefCell<HashMap<(NaiveDate, Flexibility), Option<TaskWindow>>>,
    starts: RefCell<HashMap<NaiveDate, DateTime<Utc>>>,
    placings: Option<RefCell<Vec<Placing>>>,
}

/// One piece of work before it has a day.
pub(crate) struct Piece<'a> {
    /// The rule it comes from.
    pub rule: &'a Rule,
    /// What it is for.
    pub occasion: String,
    /// What it is about.
    pub subject: Subject,
    /// The day of its event with the offset of the rule.
    pub nominal: NaiveDate,
    /// Containers to be seen to.
    pub containers: u32,
    /// Tenths of a minute a container by the profile of the crop.
    pub profile_tenths: u32,
}

impl<'a> Calendar<'a> {
    pub(crate) fn new(calendar: &'a SiteCalendar) -> Self {
        Self {
            calendar,
            windows: RefCell::default(),
            starts: RefCell::default(),
            placings: None,
        }
    }

    /// One that keeps where work went.
    pub(crate) fn keeping_placings(calendar: &'a SiteCalendar) -> Self {
        Self {
            placings: Some(RefCell::default()),
            ..Self::new(calendar)
        }
    }

    pub(crate) fn into_placings(self) -> Vec<Placing> {
        self.placings.map(RefCell::into_inner).unwrap_or_default()
    }

    /// The window of a day, moved as far as may be.
    pub(crate) fn window(&self, day: NaiveDate, spare: Flexibility) -> Option<TaskWindow> {
        *self
            .windows
            .borrow_mut()
            .entry((day, spare))
            .or_insert_with(|| self.calendar.task_window(day, spare))
    }

    /// The first instant of a day.
    fn start_of(&self, day: NaiveDate) -> DateTime<Utc> {
        *self
            .starts
            .borrow_mut()
            .entry(day)
            .or_insert_with(|| self.calendar.zone().day(day).start)
    }

    /// Notes where a piece of work went.
    pub(crate) fn note(&self, piece: &Piece<'_>, window: Option<TaskWindow>, too_late: bool) {
        if let Some(placings) = &self.placings {
            placings.borrow_mut().push(Placing {
                rule: piece.rule.key,
                subject: piece.subject,
                nominal: piece.nominal,
                placed: window.map(|window| window.day),
                too_late,
            });
        }
    }

    /// The piece on the day that its rule gives it; nothing where there is none.
    pub(crate) fn place(&self, piece: Piece<'_>) -> Option<WantedTask> {
        let window = self.window(piece.nominal, piece.rule.spare_days.into());
        self.note(&piece, window, false);
        window.map(|window| self.task(piece, window))
    }

    /// The same for work of which a day before `from` is of no use any more: it goes to the first
    /// open day from then on.
    pub(crate) fn place_from(&self, piece: Piece<'_>, from: NaiveDate) -> Option<WantedTask> {
        let wanted = self.window(piece.nominal.max(from), piece.rule.spare_days.into());
        let window = wanted
            .filter(|window| window.day >= from)
            .or_else(|| self.window(from, Flexibility::OrAfter));
        self.note(&piece, window, false);
        window.map(|window| self.task(piece, window))
    }

    /// The task of a piece in its window.
    pub(crate) fn task(&self, piece: Piece<'_>, window: TaskWindow) -> WantedTask {
        let Piece { rule, .. } = piece;
        let missed_after = rule.missed_after_days.and_then(|days| {
            let end = window
                .day
                .checked_add_signed(TimeDelta::days(i64::from(days) + 1))?;
            // never before its own window is over, whatever the night does to the clocks
            Some(self.start_of(end).max(window.closes))
        });
        WantedTask {
            occasion: piece.occasion,
            rule: rule.key,
            kind: rule.kind,
            subject: piece.subject,
            cut_number: 0,
            window,
            minutes: minutes(rule, piece.containers, piece.profile_tenths),
            people: i32::try_from(rule.people).unwrap_or(1),
            qualification: rule.qualification,
            missed_after,
            containers: piece.containers,
            microlitres: None,
            reading_id: None,
            wish: Wish::Have,
            pressing: false,
        }
    }
}

/// Minutes of work, rounded up to a whole one.
fn minutes(rule: &Rule, containers: u32, profile_tenths: u32) -> i32 {
    let tenths = match rule.per_container {
        Labour::Tenths(tenths) => tenths,
        Labour::CropProfile => profile_tenths,
    };
    let on_containers = tenths.saturating_mul(containers).div_ceil(10);
    let all = rule.fixed_minutes.saturating_add(on_containers);
    i32::try_from(all.min(MOST_MINUTES)).unwrap_or(i32::MAX)
}

/// A day some days later, or earlier.
pub(crate) fn shifted(day: NaiveDate, days: i32) -> NaiveDate {
    day.checked_add_signed(TimeDelta::days(days.into()))
        .unwrap_or(day)
}

impl Subject {
    pub(crate) fn sowing(id: Uuid, station_id: Uuid) -> Self {
        Self {
            sowing_id: Some(id),
            station_id: Some(station_id),
            ..Self::default()
        }
    }
}

/// Work that comes again and again while something stands.
pub(crate) struct Repeated<'a> {
    pub rule: &'a Rule,
    /// A day on which it falls; the others are whole repetitions away.
    pub first: NaiveDate,
    /// The last day on which it may fall.
    pub last: NaiveDate,
    pub today: NaiveDate,
    pub horizon: NaiveDate,
}

impl Repeated<'_> {
    fn step(&self) -> i32 {
        i32::try_from(self.rule.repeat_days.unwrap_or(1).max(1)).unwrap_or(1)
    }

    fn missed_after(&self) -> i32 {
        i32::try_from(self.rule.missed_after_days.unwrap_or(0)).unwrap_or(0)
    }

    /// The days on which it falls, from those whose work may still be open to the horizon. Of days
    /// that a closure pushes onto the same open day the last stands for all.
    pub fn days(&self, calendar: &Calendar<'_>) -> Vec<NaiveDate> {
        let step = self.step();
        let oldest = shifted(self.today, -self.missed_after() - step - 1);
        let skipped = (oldest - self.first).num_days().max(0) / i64::from(step);
        let start = shifted(
            self.first,
            i32::try_from(skipped).unwrap_or(0).saturating_mul(step),
        );
        let place = |day| calendar.window(day, self.rule.spare_days.into());
        start
            .iter_days()
            .step_by(usize::try_from(step).unwrap_or(1))
            .take_while(|day| *day <= self.last.min(self.horizon))
            .filter(|day| {
                let next = shifted(*day, step);
                let Some(window) = place(*day) else {
                    return true;
                };
                next > self.last || place(next).is_none_or(|later| later.day != window.day)
            })
            .collect()
    }

    /// The task of one of those days. One whose day is past is only kept.
    pub fn task(&self, calendar: &Calendar<'_>, piece: Piece<'_>) -> Option<WantedTask> {
        let mut task = calendar.place(piece)?;
        if task.window.day < shifted(self.today, -self.missed_after() - 1) {
            return None;
        }
        if task.window.day < self.today {
            task.wish = Wish::Keep;
        }
        Some(task)
    }
}
