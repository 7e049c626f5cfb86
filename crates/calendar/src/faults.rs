//! Why opening hours or a closure were refused.

use chrono::NaiveDate;

use crate::{LONGEST_REASON_BYTES, MOST_PERIODS_A_DAY, TimeOfDay};

/// What is wrong with one field of opening hours or of a closure.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum HoursFault {
    /// No day has this name.
    #[error(
        "{text:?} is not a day of the week: use monday, tuesday, wednesday, thursday, friday, saturday or sunday"
    )]
    UnknownWeekday {
        /// The text, cut to its first characters.
        text: String,
    },
    /// The time is not of the form `HH:MM`.
    #[error("{text:?} is not a time of day: use HH:MM from 00:00 to 24:00")]
    MalformedTime {
        /// The text, cut to its first characters.
        text: String,
    },
    /// A period opens at the end of the day.
    #[error("a period cannot open at 24:00: use 00:00 of the next day")]
    OpensAtEnd,
    /// A period is empty or backwards.
    #[error(
        "closes at {closes}, which is not after {opens}: a period past midnight is two periods, one to 24:00 and one from 00:00"
    )]
    ClosesBeforeOpens {
        /// When it opens.
        opens: TimeOfDay,
        /// When it closes.
        closes: TimeOfDay,
    },
    /// Two periods of a day share time.
    #[error(
        "opens at {opens}, before the period from {other_opens} to {other_closes} of the same day ends"
    )]
    Overlaps {
        /// When it opens.
        opens: TimeOfDay,
        /// When the earlier one opens.
        other_opens: TimeOfDay,
        /// When the earlier one closes.
        other_closes: TimeOfDay,
    },
    /// Too many periods in one day.
    #[error("more than {MOST_PERIODS_A_DAY} periods on one weekday")]
    TooManyPeriods,
    /// A closure ends before it begins.
    #[error("the last day {last_day} is before the first day {first_day}")]
    LastBeforeFirst {
        /// First day.
        first_day: NaiveDate,
        /// Last day.
        last_day: NaiveDate,
    },
    /// A closure without a reason.
    #[error("say why the site is closed")]
    NoReason,
    /// A reason that is too long.
    #[error("the reason is {bytes} bytes long: use at most {LONGEST_REASON_BYTES}")]
    ReasonTooLong {
        /// Its length.
        bytes: usize,
    },
}

/// A fault and the field it is in, as a JSON pointer such as `/2/closes`.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{pointer}: {fault}")]
pub struct FieldFault {
    /// Where, from the list or the closure downwards.
    pub pointer: String,
    /// What.
    pub fault: HoursFault,
}
