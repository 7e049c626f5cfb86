//! Why a rule of recurrence was refused.

use chrono::NaiveDateTime;

use super::limits::{
    MOST_AT_ONCE, MOST_COUNT, MOST_DATES, MOST_EXAMINED, MOST_INTERVAL, MOST_PER_DAY,
    MOST_RULE_CHARACTERS, MOST_YEARS,
};

/// What is wrong with a rule of recurrence or its dates, and what would be accepted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RecurrenceFault {
    /// Longer than any sensible rule.
    #[error("a rule has at most {MOST_RULE_CHARACTERS} characters")]
    TooLong,
    /// A part is not of the form `NAME=VALUE`.
    #[error("{part:?} is not a part of a rule such as FREQ=WEEKLY or BYDAY=MO,TH")]
    Malformed {
        /// The part, cut to its first characters.
        part: String,
    },
    /// No rule has a part of this name.
    #[error(
        "{name:?} is no part of a rule: use FREQ, INTERVAL, COUNT, UNTIL, WKST, BYMONTH, BYWEEKNO, BYYEARDAY, BYMONTHDAY, BYDAY, BYHOUR, BYMINUTE or BYSETPOS"
    )]
    UnknownPart {
        /// The name, cut to its first characters.
        name: String,
    },
    /// A part is given twice.
    #[error("{name} is given twice")]
    Twice {
        /// Its name.
        name: &'static str,
    },
    /// The rule does not say how often.
    #[error("say how often: FREQ=HOURLY, DAILY, WEEKLY, MONTHLY or YEARLY")]
    NoFrequency,
    /// Oftener than hourly.
    #[error(
        "FREQ={frequency} is too often: HOURLY is the most often; say some minutes of an hour with BYMINUTE"
    )]
    TooOften {
        /// `MINUTELY` or `SECONDLY`.
        frequency: &'static str,
    },
    /// A part has a value that it cannot have.
    #[error("{name}={value} cannot be: {accepted}")]
    Value {
        /// The part.
        name: &'static str,
        /// The value, cut to its first characters.
        value: String,
        /// What would be accepted.
        accepted: &'static str,
    },
    /// Seconds of a minute are told apart.
    #[error("times are whole minutes: leave BYSECOND out and start on a whole minute")]
    Seconds,
    /// A part does not go with the frequency.
    #[error("{name} cannot go with {with}")]
    NotTogether {
        /// The part.
        name: &'static str,
        /// What it cannot go with.
        with: &'static str,
    },
    /// Positions in a set that nothing describes.
    #[error("BYSETPOS chooses among what other parts describe: add one, such as BYDAY=MO,TU,WE")]
    PositionOfNothing,
    /// Both ways to end a rule.
    #[error("end a rule by COUNT or by UNTIL, not by both")]
    CountAndUntil,
    /// An end given as a date.
    #[error(
        "UNTIL={date} is a date where the start is a time: the last day ends with UNTIL={date}T235959"
    )]
    UntilIsDate {
        /// As it was given.
        date: String,
    },
    /// It ends before it starts.
    #[error("the rule ends before it starts")]
    EndsBeforeStart,
    /// An end too far away.
    #[error("UNTIL may be at most {MOST_YEARS} years after the start; leave it out for no end")]
    EndsTooLate,
    /// An interval that is out of range.
    #[error("INTERVAL is 1 to {MOST_INTERVAL}")]
    Interval,
    /// A count that is out of range.
    #[error("COUNT is 1 to {MOST_COUNT}")]
    Count,
    /// The start is not one of the times that the rule describes.
    #[error("the rule does not meet its own start: its first time is {first}; start there")]
    StartNotMet {
        /// The first time by the rule.
        first: NaiveDateTime,
    },
    /// The rule describes nothing.
    #[error("no time meets this rule in the years after its start, as with a 30 February")]
    Never,
    /// Too many in a day.
    #[error("more than {MOST_PER_DAY} times in one day")]
    TooMany,
    /// Too many times in the stretch asked for.
    #[error("more than {MOST_AT_ONCE} times in the stretch of time asked for")]
    TooManyAtOnce,
    /// The stretch asked for is too many times after the start.
    #[error(
        "more than {MOST_EXAMINED} times lie between the start and the time asked for: begin the rule anew with a later start"
    )]
    TooFar,
    /// Too many single dates.
    #[error("at most {MOST_DATES} times may be added, and as many left out")]
    TooManyDates,
    /// Parts that do not go together in another way.
    #[error("the rule cannot be followed: {why}")]
    Unreadable {
        /// In words.
        why: String,
    },
}
