//! Days on which a site is closed.

use chrono::NaiveDate;

use crate::{FieldFault, HoursFault};

/// The longest reason of a closure, in bytes.
pub const LONGEST_REASON_BYTES: usize = 400;

/// Days on which a site is closed, whatever the weekday.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Closure {
    first_day: NaiveDate,
    last_day: NaiveDate,
    reason: String,
}

impl Closure {
    /// From the first to the last day, both closed.
    ///
    /// # Errors
    /// Every fault, each with its field: `/last_day` or `/reason`.
    pub fn new(
        first_day: NaiveDate,
        last_day: NaiveDate,
        reason: &str,
    ) -> Result<Self, Vec<FieldFault>> {
        let reason = reason.trim();
        let backwards = HoursFault::LastBeforeFirst {
            first_day,
            last_day,
        };
        let order = (last_day < first_day).then_some(("/last_day", backwards));
        let wording = if reason.is_empty() {
            Some(("/reason", HoursFault::NoReason))
        } else if reason.len() > LONGEST_REASON_BYTES {
            Some((
                "/reason",
                HoursFault::ReasonTooLong {
                    bytes: reason.len(),
                },
            ))
        } else {
            None
        };
        let faults: Vec<_> = [order, wording]
            .into_iter()
            .flatten()
            .map(|(pointer, fault)| FieldFault {
                pointer: pointer.to_owned(),
                fault,
            })
            .collect();
        if faults.is_empty() {
            Ok(Self {
                first_day,
                last_day,
                reason: reason.to_owned(),
            })
        } else {
            Err(faults)
        }
    }

    /// The first closed day.
    #[must_use]
    pub fn first_day(&self) -> NaiveDate {
        self.first_day
    }

    /// The last closed day.
    #[must_use]
    pub fn last_day(&self) -> NaiveDate {
        self.last_day
    }

    /// Why.
    #[must_use]
    pub fn reason(&self) -> &str {
        &self.reason
    }

    /// Whether the site is closed on that day by this closure.
    #[must_use]
    pub fn covers(&self, date: NaiveDate) -> bool {
        (self.first_day..=self.last_day).contains(&date)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    #[test]
    fn a_closure_ends_after_it_begins_and_has_a_reason() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        let closure = Closure::new(day("2026-12-24"), day("2027-01-02"), " winter break ").unwrap();
        assert_eq!(closure.reason(), "winter break");
        assert!(closure.covers(day("2026-12-24")) && closure.covers(day("2027-01-02")));
        assert!(!closure.covers(day("2026-12-23")) && !closure.covers(day("2027-01-03")));
        let faults = Closure::new(day("2026-12-24"), day("2026-12-23"), " ").unwrap_err();
        assert_eq!(faults.len(), 2);
        assert_eq!(
            (faults[0].pointer.as_str(), faults[1].pointer.as_str()),
            ("/last_day", "/reason")
        );
        assert!(Closure::new(day("2026-12-24"), day("2026-12-24"), &"x".repeat(401)).is_err());
    }
}
