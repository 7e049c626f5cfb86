//! Weekly opening hours, as they are written down for a site.

use std::fmt;
use std::str::FromStr;

use chrono::{NaiveTime, Weekday};
use serde::{Deserialize, Serialize};

use crate::{FieldFault, HoursFault};

/// The most open periods of one weekday.
pub const MOST_PERIODS_A_DAY: usize = 10;

/// A time on the wall in whole minutes, 00:00 to 24:00; 24:00 is the end of the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TimeOfDay {
    minutes: u16,
}

impl TimeOfDay {
    /// The start of the day.
    pub const START: Self = Self { minutes: 0 };
    /// The end of the day.
    pub const END: Self = Self { minutes: 24 * 60 };

    /// Minutes since 00:00, 0 to 1440.
    #[must_use]
    pub const fn minutes(self) -> u16 {
        self.minutes
    }

    /// As a time of that same day; nothing for 24:00.
    #[must_use]
    pub fn on_the_day(self) -> Option<NaiveTime> {
        NaiveTime::from_num_seconds_from_midnight_opt(u32::from(self.minutes) * 60, 0)
    }
}

impl FromStr for TimeOfDay {
    type Err = HoursFault;

    fn from_str(text: &str) -> Result<Self, HoursFault> {
        let malformed = || HoursFault::MalformedTime {
            text: text.chars().take(20).collect(),
        };
        let [tens, ones, b':', minute_tens, minute_ones] = *text.as_bytes() else {
            return Err(malformed());
        };
        let digits = [tens, ones, minute_tens, minute_ones];
        if !digits.iter().all(u8::is_ascii_digit) {
            return Err(malformed());
        }
        let [tens, ones, minute_tens, minute_ones] = digits.map(|digit| u16::from(digit - b'0'));
        let (hour, minute) = (tens * 10 + ones, minute_tens * 10 + minute_ones);
        if minute > 59 || hour * 60 + minute > Self::END.minutes {
            return Err(malformed());
        }
        Ok(Self {
            minutes: hour * 60 + minute,
        })
    }
}

impl fmt::Display for TimeOfDay {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            formatter,
            "{:02}:{:02}",
            self.minutes / 60,
            self.minutes % 60
        )
    }
}

/// One open period as it crosses the edge, not yet checked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PeriodText {
    /// `monday` to `sunday`.
    pub weekday: String,
    /// `HH:MM`, before 24:00.
    pub opens: String,
    /// `HH:MM`, after `opens`, at most 24:00.
    pub closes: String,
}

/// One open period of a weekday.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct OpenPeriod {
    /// The day.
    pub weekday: Weekday,
    /// When it opens.
    pub opens: TimeOfDay,
    /// When it closes.
    pub closes: TimeOfDay,
}

/// The hours in which a site is open in an ordinary week, in wall time.
///
/// Periods of a day never overlap and are in order; two may touch.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct OpeningHours {
    periods: Vec<OpenPeriod>,
}

impl OpeningHours {
    /// Checks and sorts a weekly list; an empty one means never open.
    ///
    /// # Errors
    /// Every fault, each with its field, such as `/2/closes` for the third entry.
    pub fn parse(entries: &[PeriodText]) -> Result<Self, Vec<FieldFault>> {
        let mut faults = Vec::new();
        let mut read = Vec::new();
        for (index, entry) in entries.iter().enumerate() {
            match read_period(index, entry) {
                Ok(period) => read.push((index, period)),
                Err(found) => faults.extend(found),
            }
        }
        read.sort_by_key(|(index, period)| {
            (
                period.weekday.num_days_from_monday(),
                period.opens,
                period.closes,
                *index,
            )
        });
        for day in read.chunk_by(|one, next| one.1.weekday == next.1.weekday) {
            check_day(day, &mut faults);
        }
        if faults.is_empty() {
            Ok(Self {
                periods: read.into_iter().map(|(_, period)| period).collect(),
            })
        } else {
            Err(faults)
        }
    }

    /// The periods, Monday first, in order.
    #[must_use]
    pub fn periods(&self) -> &[OpenPeriod] {
        &self.periods
    }

    /// The periods of one weekday in order.
    pub fn on(&self, weekday: Weekday) -> impl Iterator<Item = OpenPeriod> {
        self.periods
            .iter()
            .copied()
            .filter(move |period| period.weekday == weekday)
    }

    /// The list in its wire form.
    #[must_use]
    pub fn to_text(&self) -> Vec<PeriodText> {
        self.periods
            .iter()
            .map(|period| PeriodText {
                weekday: weekday_name(period.weekday).to_owned(),
                opens: period.opens.to_string(),
                closes: period.closes.to_string(),
            })
            .collect()
    }
}

fn read_period(index: usize, entry: &PeriodText) -> Result<OpenPeriod, Vec<FieldFault>> {
    let at = |field: &str, fault| FieldFault {
        pointer: format!("/{index}/{field}"),
        fault,
    };
    let weekday = read_weekday(&entry.weekday).map_err(|fault| at("weekday", fault));
    let opens = entry
        .opens
        .parse()
        .and_then(|opens| {
            if opens == TimeOfDay::END {
                Err(HoursFault::OpensAtEnd)
            } else {
                Ok(opens)
            }
        })
        .map_err(|fault| at("opens", fault));
    let closes = entry
        .closes
        .parse::<TimeOfDay>()
        .map_err(|fault| at("closes", fault));
    match (weekday, opens, closes) {
        (Ok(weekday), Ok(opens), Ok(closes)) if closes > opens => Ok(OpenPeriod {
            weekday,
            opens,
            closes,
        }),
        (Ok(_), Ok(opens), Ok(closes)) => Err(vec![at(
            "closes",
            HoursFault::ClosesBeforeOpens { opens, closes },
        )]),
        (weekday, opens, closes) => Err([weekday.err(), opens.err(), closes.err()]
            .into_iter()
            .flatten()
            .collect()),
    }
}

/// Faults between the sorted periods of one weekday.
fn check_day(day: &[(usize, OpenPeriod)], faults: &mut Vec<FieldFault>) {
    if let Some((index, _)) = day.get(MOST_PERIODS_A_DAY) {
        faults.push(FieldFault {
            pointer: format!("/{index}"),
            fault: HoursFault::TooManyPeriods,
        });
        return;
    }
    let mut latest: Option<OpenPeriod> = None;
    for (index, period) in day {
        if let Some(earlier) = latest.filter(|earlier| period.opens < earlier.closes) {
            let fault = HoursFault::Overlaps {
                opens: period.opens,
                other_opens: earlier.opens,
                other_closes: earlier.closes,
            };
            faults.push(FieldFault {
                pointer: format!("/{index}/opens"),
                fault,
            });
        }
        if latest.is_none_or(|earlier| earlier.closes < period.closes) {
            latest = Some(*period);
        }
    }
}

const WEEKDAYS: [(Weekday, &str); 7] = [
    (Weekday::Mon, "monday"),
    (Weekday::Tue, "tuesday"),
    (Weekday::Wed, "wednesday"),
    (Weekday::Thu, "thursday"),
    (Weekday::Fri, "friday"),
    (Weekday::Sat, "saturday"),
    (Weekday::Sun, "sunday"),
];

fn read_weekday(text: &str) -> Result<Weekday, HoursFault> {
    WEEKDAYS
        .iter()
        .find(|(_, name)| *name == text)
        .map(|(weekday, _)| *weekday)
        .ok_or_else(|| HoursFault::UnknownWeekday {
            text: text.chars().take(20).collect(),
        })
}

fn weekday_name(weekday: Weekday) -> &'static str {
    let (_, name) = WEEKDAYS[weekday.num_days_from_monday() as usize];
    name
}

#[cfg(test)]
mod tests;
