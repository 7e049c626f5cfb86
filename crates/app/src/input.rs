//! Small checks of input that many use cases share. Each names the field and what would be accepted.

use chrono::{Datelike, NaiveDate};
use cotyl_domain::FieldProblem;
use cotyl_domain::Refusal;

use crate::{Error, Result};

/// Collects the problems of several fields, so that a person sees all of them at once.
#[derive(Debug, Clone, Default)]
pub struct Problems(Vec<FieldProblem>);

impl Problems {
    /// Nothing found yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Notes a problem.
    pub fn add(
        &mut self,
        pointer: impl Into<String>,
        code: &'static str,
        detail: impl Into<String>,
    ) {
        self.0.push(FieldProblem::new(pointer, code, detail));
    }

    /// Notes a problem when the condition does not hold.
    pub fn require(&mut self, holds: bool, pointer: &str, code: &'static str, detail: &str) {
        if !holds {
            self.add(pointer, code, detail);
        }
    }

    /// A name: 1 to 200 characters, not only spaces.
    pub fn name(&mut self, pointer: &str, value: &str) {
        self.text(pointer, value, 1, 200);
    }

    /// A text of a length, counted in characters after trimming.
    pub fn text(&mut self, pointer: &str, value: &str, least: usize, most: usize) {
        let length = value.trim().chars().count();
        if length < least || value.chars().count() > most {
            self.add(
                pointer,
                "length",
                format!("must have {least} to {most} characters; it has {length}"),
            );
        }
    }

    /// A whole number within bounds.
    pub fn within(&mut self, pointer: &str, value: i64, least: i64, most: i64) {
        if value < least || value > most {
            self.add(
                pointer,
                "range",
                format!("must be between {least} and {most}; it is {value}"),
            );
        }
    }

    /// A day that a garden may be planned for, in 2000 to 2199.
    pub fn day(&mut self, pointer: &str, day: NaiveDate) {
        if !(2000..2200).contains(&day.year()) {
            self.add(
                pointer,
                "range",
                format!("must be a day of the years 2000 to 2199; it is {day}"),
            );
        }
    }

    /// A period from `/first_day` to `/last_day`, at most 1001 days with both.
    pub fn period(&mut self, first_day: NaiveDate, last_day: NaiveDate) {
        self.day("/first_day", first_day);
        self.day("/last_day", last_day);
        let days = last_day.signed_duration_since(first_day).num_days();
        if !(0..=1000).contains(&days) {
            self.add(
                "/last_day",
                "range",
                format!("must be the first day, {first_day}, or at most 1000 days later"),
            );
        }
    }

    /// What a record was described for cannot become something else.
    pub fn fixed<T: PartialEq>(&mut self, pointer: &str, noun: &str, given: T, kept: T) {
        if given != kept {
            self.add(
                pointer,
                "fixed",
                format!("cannot change; retire this {noun} and describe a new one"),
            );
        }
    }

    /// All problems found, with more from elsewhere.
    pub fn extend(&mut self, more: impl IntoIterator<Item = FieldProblem>) {
        self.0.extend(more);
    }

    /// Whether none was found.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Goes on when no problem was found.
    ///
    /// # Errors
    /// [`Error::Invalid`] with all problems.
    pub fn finish(self) -> Result<()> {
        if self.0.is_empty() {
            Ok(())
        } else {
            Err(Error::Invalid(self.0))
        }
    }
}

/// The record is as the caller last saw it. `None` stands for `If-Match: *`: any version.
///
/// # Errors
/// [`Error::Stale`] when it is not.
pub fn require_version(expected: Option<i64>, current: i64) -> Result<()> {
    match expected {
        Some(version) if version != current => Err(Error::Stale { current }),
        _ => Ok(()),
    }
}

/// The record is still in use.
///
/// # Errors
/// [`Refusal::Retired`] when it is not.
pub fn require_not_retired<T>(what: &str, retired_at: &Option<T>) -> Result<()> {
    if retired_at.is_some() {
        return Err(Refusal::Retired { what: what.into() }.into());
    }
    Ok(())
}
