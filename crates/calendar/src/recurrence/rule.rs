//! The text of a rule: RFC 5545, section 3.3.10, read strictly.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDateTime, Utc};

use super::faults::RecurrenceFault;
use super::limits::{MOST_COUNT, MOST_INTERVAL, MOST_RULE_CHARACTERS};

/// How often.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Frequency {
    Hourly,
    Daily,
    Weekly,
    Monthly,
    Yearly,
}

impl Frequency {
    fn as_str(self) -> &'static str {
        match self {
            Self::Hourly => "HOURLY",
            Self::Daily => "DAILY",
            Self::Weekly => "WEEKLY",
            Self::Monthly => "MONTHLY",
            Self::Yearly => "YEARLY",
        }
    }
}

/// When a rule ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum End {
    Never,
    After(usize),
    /// By the clock on the wall, the time itself included.
    UntilWall(NaiveDateTime),
    /// At an instant, itself included.
    UntilInstant(DateTime<Utc>),
}

/// A rule that has been read.
#[derive(Debug, Clone)]
pub(super) struct Rule {
    pub frequency: Frequency,
    pub end: End,
    /// All parts but the end, in the order of [`PARTS`].
    parts: BTreeMap<usize, String>,
}

/// Every part that is understood, in the order in which it is written again.
const PARTS: [&str; 14] = [
    "FREQ",
    "INTERVAL",
    "COUNT",
    "UNTIL",
    "WKST",
    "BYMONTH",
    "BYWEEKNO",
    "BYYEARDAY",
    "BYMONTHDAY",
    "BYDAY",
    "BYHOUR",
    "BYMINUTE",
    "BYSECOND",
    "BYSETPOS",
];
pub(super) const WEEKDAYS: [&str; 7] = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"];

fn place(name: &str) -> Option<usize> {
    PARTS.iter().position(|known| *known == name)
}

/// The beginning of a text of unknown length, for messages.
fn beginning(text: &str) -> String {
    text.chars().take(40).collect()
}

impl Rule {
    /// Reads a rule, with or without `RRULE:` before it, in capitals or not.
    pub(super) fn read(text: &str) -> Result<Self, RecurrenceFault> {
        if text.chars().count() > MOST_RULE_CHARACTERS {
            return Err(RecurrenceFault::TooLong);
        }
        let text = text.trim().to_ascii_uppercase();
        let text = text.strip_prefix("RRULE:").unwrap_or(&text);
        let mut parts = BTreeMap::new();
        for part in text.split(';') {
            let (name, value) = part
                .split_once('=')
                .filter(|(name, value)| !name.is_empty() && !value.is_empty())
                .ok_or_else(|| RecurrenceFault::Malformed {
                    part: beginning(part),
                })?;
            let at = place(name).ok_or_else(|| RecurrenceFault::UnknownPart {
                name: beginning(name),
            })?;
            if parts.insert(at, value.replace('+', "")).is_some() {
                return Err(RecurrenceFault::Twice { name: PARTS[at] });
            }
        }
        let rule = Self {
            frequency: frequency(parts.get(&0).map(String::as_str))?,
            end: end(part(&parts, "COUNT"), part(&parts, "UNTIL"))?,
            parts,
        };
        rule.check_values()?;
        rule.check_company()?;
        Ok(rule)
    }

    /// The value of a part.
    pub(super) fn part(&self, name: &str) -> Option<&str> {
        part(&self.parts, name)
    }

    /// The rule in one fixed form.
    pub(super) fn text(&self) -> String {
        self.write(|_| true)
    }

    /// The rule without its end, which is applied to what it gives.
    pub(super) fn endless_text(&self) -> String {
        self.write(|name| name != "COUNT" && name != "UNTIL")
    }

    fn write(&self, wanted: impl Fn(&str) -> bool) -> String {
        let parts: Vec<String> = self
            .parts
            .iter()
            .filter(|(at, _)| wanted(PARTS[**at]))
            .map(|(at, value)| format!("{}={value}", PARTS[*at]))
            .collect();
        parts.join(";")
    }

    /// Each value is one that its part can have.
    fn check_values(&self) -> Result<(), RecurrenceFault> {
        if let Some(value) = self.part("INTERVAL") {
            let interval = digits(value).filter(|n| (1..=i64::from(MOST_INTERVAL)).contains(n));
            interval.ok_or(RecurrenceFault::Interval)?;
        }
        if let Some(value) = self.part("WKST")
            && !WEEKDAYS.contains(&value)
        {
            return Err(fault("WKST", value, "use MO, TU, WE, TH, FR, SA or SU"));
        }
        if self.part("BYSECOND").is_some() {
            return Err(RecurrenceFault::Seconds);
        }
        let numbers: [(&'static str, i64, bool, &'static str); 7] = [
            ("BYMONTH", 12, false, "use 1 to 12"),
            (
                "BYWEEKNO",
                53,
                true,
                "use 1 to 53, or -1 to -53 from the end",
            ),
            (
                "BYYEARDAY",
                366,
                true,
                "use 1 to 366, or -1 to -366 from the end",
            ),
            (
                "BYMONTHDAY",
                31,
                true,
                "use 1 to 31, or -1 to -31 from the end",
            ),
            ("BYHOUR", 23, false, "use 0 to 23"),
            ("BYMINUTE", 59, false, "use 0 to 59"),
            (
                "BYSETPOS",
                366,
                true,
                "use 1 to 366, or -1 to -366 from the end",
            ),
        ];
        for (name, most, from_end, accepted) in numbers {
            let least = i64::from(!matches!(name, "BYHOUR" | "BYMINUTE"));
            for value in self.part(name).into_iter().flat_map(|v| v.split(',')) {
                let number = if from_end {
                    signed(value)
                } else {
                    digits(value)
                };
                if !number.is_some_and(|n| (least..=most).contains(&n.abs())) {
                    return Err(fault(name, value, accepted));
                }
            }
        }
        for value in self.part("BYDAY").into_iter().flat_map(|v| v.split(',')) {
            weekday(value).ok_or_else(|| {
                fault(
                    "BYDAY",
                    value,
                    "use MO, TU, WE, TH, FR, SA, SU, or 2MO, -1FR with a number",
                )
            })?;
        }
        Ok(())
    }

    /// The parts go together, by the notes of section 3.3.10.
    fn check_company(&self) -> Result<(), RecurrenceFault> {
        let has = |name| self.part(name).is_some();
        let refuse = |name, with| Err(RecurrenceFault::NotTogether { name, with });
        let with = match self.frequency {
            Frequency::Hourly => "FREQ=HOURLY",
            Frequency::Daily => "FREQ=DAILY",
            Frequency::Weekly => "FREQ=WEEKLY",
            Frequency::Monthly => "FREQ=MONTHLY",
            Frequency::Yearly => "FREQ=YEARLY",
        };
        if has("BYWEEKNO") && self.frequency != Frequency::Yearly {
            return refuse("BYWEEKNO", with);
        }
        let days_and_months = matches!(
            self.frequency,
            Frequency::Daily | Frequency::Weekly | Frequency::Monthly
        );
        if has("BYYEARDAY") && days_and_months {
            return refuse("BYYEARDAY", with);
        }
        if has("BYMONTHDAY") && self.frequency == Frequency::Weekly {
            return refuse("BYMONTHDAY", with);
        }
        let numbered = self
            .part("BYDAY")
            .is_some_and(|days| days.split(',').any(|day| day.len() > 2));
        if numbered && self.frequency < Frequency::Monthly {
            return refuse("BYDAY with a number", with);
        }
        if numbered && has("BYWEEKNO") {
            return refuse("BYDAY with a number", "BYWEEKNO");
        }
        let described = self
            .parts
            .keys()
            .any(|at| PARTS[*at].starts_with("BY") && PARTS[*at] != "BYSETPOS");
        if has("BYSETPOS") && !described {
            return Err(RecurrenceFault::PositionOfNothing);
        }
        Ok(())
    }
}

fn part<'a>(parts: &'a BTreeMap<usize, String>, name: &str) -> Option<&'a str> {
    parts.get(&place(name)?).map(String::as_str)
}

fn fault(name: &'static str, value: &str, accepted: &'static str) -> RecurrenceFault {
    RecurrenceFault::Value {
        name,
        value: beginning(value),
        accepted,
    }
}

fn frequency(value: Option<&str>) -> Result<Frequency, RecurrenceFault> {
    let value = value.ok_or(RecurrenceFault::NoFrequency)?;
    let known = [
        Frequency::Hourly,
        Frequency::Daily,
        Frequency::Weekly,
        Frequency::Monthly,
        Frequency::Yearly,
    ];
    match value {
        "MINUTELY" => Err(RecurrenceFault::TooOften {
            frequency: "MINUTELY",
        }),
        "SECONDLY" => Err(RecurrenceFault::TooOften {
            frequency: "SECONDLY",
        }),
        _ => known
            .into_iter()
            .find(|frequency| frequency.as_str() == value)
            .ok_or_else(|| {
                fault(
                    "FREQ",
                    value,
                    "use HOURLY, DAILY, WEEKLY, MONTHLY or YEARLY",
                )
            }),
    }
}

fn end(count: Option<&str>, until: Option<&str>) -> Result<End, RecurrenceFault> {
    match (count, until) {
        (None, None) => Ok(End::Never),
        (Some(_), Some(_)) => Err(RecurrenceFault::CountAndUntil),
        (Some(count), None) => digits(count)
            .and_then(|count| usize::try_from(count).ok())
            .filter(|count| (1..=MOST_COUNT).contains(count))
            .map(End::After)
            .ok_or(RecurrenceFault::Count),
        (None, Some(until)) => {
            if until.len() == 8 && digits(until).is_some() {
                return Err(RecurrenceFault::UntilIsDate { date: until.into() });
            }
            let (wall, utc) = match until.strip_suffix('Z') {
                Some(wall) => (wall, true),
                None => (until, false),
            };
            let time = wall_time(wall).ok_or_else(|| {
                let accepted = "use a time such as 20261224T235959, or with Z after it for UTC";
                fault("UNTIL", until, accepted)
            })?;
            Ok(if utc {
                End::UntilInstant(time.and_utc())
            } else {
                End::UntilWall(time)
            })
        }
    }
}

/// A time as `YYYYMMDDTHHMMSS`.
fn wall_time(text: &str) -> Option<NaiveDateTime> {
    let right_form = text.len() == 15
        && text.bytes().enumerate().all(|(at, byte)| match at {
            8 => byte == b'T',
            _ => byte.is_ascii_digit(),
        });
    right_form
        .then(|| NaiveDateTime::parse_from_str(text, "%Y%m%dT%H%M%S").ok())
        .flatten()
}

/// A whole number of at most 9 digits and nothing else.
fn digits(text: &str) -> Option<i64> {
    let right_form = (1..=9).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit());
    right_form.then(|| text.parse().ok()).flatten()
}

/// The same with a sign before it, or none.
fn signed(text: &str) -> Option<i64> {
    match text.strip_prefix('-') {
        Some(rest) => digits(rest).map(|number| -number),
        None => digits(text.strip_prefix('+').unwrap_or(text)),
    }
}

/// A weekday and its number, 0 for none.
fn weekday(text: &str) -> Option<(i64, usize)> {
    let (number, day) = text.split_at_checked(text.len().checked_sub(2)?)?;
    let day = WEEKDAYS.iter().position(|known| *known == day)?;
    let number = match number {
        "" => 0,
        _ => signed(number).filter(|n| (1..=53).contains(&n.abs()))?,
    };
    Some((number, day))
}
