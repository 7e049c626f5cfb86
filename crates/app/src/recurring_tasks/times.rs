//! The times of a rule at a site with closures, and the task of each.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, NaiveDateTime, TimeDelta, Utc};
use cotyl_calendar::{
    Closure, OpeningHours, PeriodText, Recurrence, RecurrenceFault, SiteCalendar, SiteZone,
};
use cotyl_domain::QualificationKind;
use cotyl_domain::task::TaskKind;
use cotyl_store::Tx;
use cotyl_store::recurring_tasks::{
    Exception, RecurringTask, RecurringTaskFields, occasion, site_hours,
};
use cotyl_store::tasks::{TaskFields, TaskSubject, Window};
use serde_json::json;
use uuid::Uuid;

use super::HORIZON;
use crate::{Error, Result};

/// How long after its due time work that comes again may still be done before it counts as missed.
/// Common practice, no source.
pub(crate) const STILL_DONE_LATE: TimeDelta = TimeDelta::days(1);

/// What becomes of a time on a day on which the site is closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ClosedDay {
    /// It is left out.
    Skip,
    /// It is on the last open day before, at the same time of day.
    BringForward,
    /// It stays, and its task says that the site is closed.
    Flag,
}

impl ClosedDay {
    /// The choice of that name.
    pub fn parse(name: &str) -> Option<Self> {
        match name {
            "skip" => Some(Self::Skip),
            "bring_forward" => Some(Self::BringForward),
            "flag" => Some(Self::Flag),
            _ => None,
        }
    }
}

/// What becomes of a time of a rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TimeState {
    /// It is as the rule says.
    ByRule,
    /// Somebody moved it.
    Moved,
    /// Somebody left it out.
    LeftOut,
    /// It is brought forward over a closure.
    BroughtForward {
        /// Why the site is closed.
        closed: String,
    },
    /// It is skipped for a closure.
    Skipped {
        /// Why the site is closed.
        closed: String,
    },
    /// It stays though the site is closed.
    Flagged {
        /// Why the site is closed.
        closed: String,
    },
}

/// A time of a rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedTime {
    /// By the rule and the clock of the site.
    pub occurs_at: NaiveDateTime,
    /// What becomes of it.
    pub state: TimeState,
    /// When its window begins, and by then the day at the site.
    pub opens_at: DateTime<Utc>,
    /// When its window ends.
    pub due_at: DateTime<Utc>,
    /// The day at the site on which it begins.
    pub day: NaiveDate,
}

/// A rule that has been read, at its site.
pub(super) struct Rule<'a> {
    fields: &'a RecurringTaskFields,
    calendar: &'a SiteCalendar,
    recurrence: Recurrence,
    closed_day: ClosedDay,
}

impl<'a> Rule<'a> {
    pub(super) fn read(
        fields: &'a RecurringTaskFields,
        calendar: &'a SiteCalendar,
    ) -> std::result::Result<Self, RecurrenceFault> {
        let zone = calendar.zone();
        Ok(Self {
            fields,
            calendar,
            recurrence: Recurrence::new(zone, fields.starts_at, &fields.rule, &[], &[])?,
            closed_day: ClosedDay::parse(&fields.on_closed_day).unwrap_or(ClosedDay::Flag),
        })
    }

    /// A rule that is kept.
    pub(super) fn of(fields: &'a RecurringTaskFields, calendar: &'a SiteCalendar) -> Result<Self> {
        Self::read(fields, calendar).map_err(Error::internal)
    }

    pub(super) fn text(&self) -> String {
        self.recurrence.rule_text()
    }

    pub(super) fn instant(&self, wall: NaiveDateTime) -> DateTime<Utc> {
        self.calendar.zone().instant(wall)
    }

    /// Whether the rule has that time.
    pub(super) fn has(&self, wall: NaiveDateTime) -> Result<bool> {
        let at = self.instant(wall);
        Ok(self.times(at, at + TimeDelta::seconds(1))?.contains(&wall))
    }

    /// Times by the rule. One that lies too many times after its start has no more.
    fn times(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Result<Vec<NaiveDateTime>> {
        match self.recurrence.between(from, to) {
            Ok(times) => Ok(times.into_iter().map(|time| time.wall).collect()),
            Err(RecurrenceFault::TooFar) => Ok(Vec::new()),
            Err(fault) => Err(Error::internal(fault)),
        }
    }

    fn at(&self, occurs_at: NaiveDateTime, wall: NaiveDateTime, state: TimeState) -> PlannedTime {
        let opens_at = self.instant(wall);
        PlannedTime {
            occurs_at,
            state,
            opens_at,
            due_at: opens_at + TimeDelta::minutes(self.fields.window_minutes.into()),
            day: self.calendar.zone().today(opens_at),
        }
    }

    /// A time as the rule and the closures of the site have it.
    fn by_rule(&self, wall: NaiveDateTime, now: DateTime<Utc>) -> PlannedTime {
        let as_said = self.at(wall, wall, TimeState::ByRule);
        let Some(closure) = self.calendar.closure_on(as_said.day) else {
            return as_said;
        };
        let closed = closure.reason().to_owned();
        let flagged = PlannedTime {
            state: TimeState::Flagged {
                closed: closed.clone(),
            },
            ..as_said.clone()
        };
        match self.closed_day {
            ClosedDay::Flag => flagged,
            ClosedDay::Skip => PlannedTime {
                state: TimeState::Skipped { closed },
                ..as_said
            },
            ClosedDay::BringForward => self
                .calendar
                .previous_open_day(as_said.day)
                .map(|day| {
                    let earlier = day.and_time(wall.time());
                    self.at(wall, earlier, TimeState::BroughtForward { closed })
                })
                // where it would be past already, people are told rather than left without it
                .filter(|time| time.due_at > now)
                .unwrap_or(flagged),
        }
    }

    /// The task of a time, unless it has none.
    pub(super) fn task(
        &self,
        recurring: &RecurringTask,
        time: &PlannedTime,
    ) -> Result<Option<TaskFields>> {
        let fields = self.fields;
        let mut note = fields.note.clone();
        match &time.state {
            TimeState::Skipped { .. } | TimeState::LeftOut => return Ok(None),
            TimeState::Flagged { closed } => {
                let line = format!("The site is closed on that day: {closed}.");
                note = [line.as_str(), &note].join("\n").trim_end().to_owned();
            }
            TimeState::ByRule | TimeState::Moved | TimeState::BroughtForward { .. } => {}
        }
        let qualification = fields
            .qualification
            .as_deref()
            .map(|name| {
                QualificationKind::parse(name)
                    .ok_or_else(|| Error::internal(format!("qualification {name}")))
            })
            .transpose()?;
        Ok(Some(TaskFields {
            site_id: fields.site_id,
            kind: TaskKind::Other,
            occasion: occasion(recurring.id, time.occurs_at),
            subject: TaskSubject {
                station_id: fields.station_id,
                ..TaskSubject::default()
            },
            rule: None,
            title: Some(fields.title.clone()),
            // a note may be a line longer than what people write
            note: note.chars().take(2000).collect(),
            detail: json!({}),
            window: whole_window(time.day, time.opens_at, time.due_at),
            missed_after: Some(time.due_at + STILL_DONE_LATE),
            people: fields.people,
            minutes: fields.minutes,
            qualification,
            created_by: None,
        }))
    }
}

pub(crate) fn whole_window(
    day: NaiveDate,
    opens_at: DateTime<Utc>,
    due_at: DateTime<Utc>,
) -> Window {
    Window {
        day,
        opens_at,
        due_at,
    }
}

/// The times of a rule whose windows are not past, up to the horizon, and those moved to later.
pub(super) fn planned(
    rule: &Rule<'_>,
    exceptions: &[Exception],
    now: DateTime<Utc>,
) -> Result<Vec<PlannedTime>> {
    let exceptions: BTreeMap<NaiveDateTime, &Exception> =
        exceptions.iter().map(|e| (e.occurs_at, e)).collect();
    let window = TimeDelta::minutes(rule.fields.window_minutes.into());
    let mut walls = rule.times(now - window, now + HORIZON)?;
    // closures bring forward what lies after them
    if rule.closed_day == ClosedDay::BringForward {
        walls.extend(rule.times(now + HORIZON, now + HORIZON + HORIZON)?);
    }
    for exception in exceptions.values() {
        let moved_ahead = exception
            .moved_to
            .is_some_and(|to| rule.instant(to) + window > now);
        if moved_ahead && !walls.contains(&exception.occurs_at) && rule.has(exception.occurs_at)? {
            walls.push(exception.occurs_at);
        }
    }
    let mut times: Vec<PlannedTime> = walls
        .into_iter()
        .map(|wall| match exceptions.get(&wall) {
            Some(Exception { kind, .. }) if kind == "left_out" => {
                rule.at(wall, wall, TimeState::LeftOut)
            }
            Some(Exception {
                moved_to: Some(to), ..
            }) => rule.at(wall, *to, TimeState::Moved),
            _ => rule.by_rule(wall, now),
        })
        .filter(|time| time.due_at > now)
        .filter(|time| time.opens_at < now + HORIZON || time.state == TimeState::Moved)
        .collect();
    times.sort_by_key(|time| (time.opens_at, time.occurs_at));
    Ok(times)
}

/// Zone, hours and closures of a site.
///
/// # Errors
/// A fault of this program for stored data that the rules cannot read.
pub(crate) async fn calendar_of(tx: &mut Tx, site_id: Uuid) -> Result<SiteCalendar> {
    let hours = site_hours(tx, site_id)
        .await?
        .ok_or(Error::NotFound("site"))?;
    let periods: Vec<PeriodText> =
        serde_json::from_value(hours.opening_hours).map_err(Error::internal)?;
    let open = OpeningHours::parse(&periods)
        .map_err(|_| Error::internal("stored opening hours cannot be read"))?;
    let zone: SiteZone = hours.zone.parse().map_err(Error::internal)?;
    let closures = hours
        .closures
        .0
        .into_iter()
        .map(|closed| Closure::new(closed.first_day, closed.last_day, &closed.reason))
        .collect::<std::result::Result<_, _>>()
        .map_err(|_| Error::internal("a stored closure cannot be read"))?;
    Ok(SiteCalendar::new(zone, open, closures))
}
