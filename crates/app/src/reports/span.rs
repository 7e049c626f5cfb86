//! The days of a report, and which weeks count in them.
//!
//! Cuts, waste and deliveries count by their own local day. What is pledged, expected and short is known
//! by whole ISO weeks: a week counts in the span that holds its Thursday, as ISO 8601 itself gives a week
//! to the year of its Thursday. So the months of a year, or terms side by side, add up without a rest.

use chrono::{Datelike, Days, Months, NaiveDate, Weekday};
use cotyl_calendar::IsoWeek;

/// What kind of span it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpanKind {
    /// An ISO week.
    Week,
    /// A calendar month.
    Month,
    /// A term of the co-operative.
    Term,
    /// A funding year of the co-operative.
    FundingYear,
}

impl SpanKind {
    /// Its name on the wire.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Week => "week",
            Self::Month => "month",
            Self::Term => "term",
            Self::FundingYear => "funding_year",
        }
    }
}

/// The days of a report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    /// What kind it is.
    pub kind: SpanKind,
    /// What it is called, such as `2026-W40`, `2026-10`, the name of the term, or `2026`.
    pub name: String,
    /// First day.
    pub first_day: NaiveDate,
    /// Last day.
    pub last_day: NaiveDate,
}

impl Span {
    /// An ISO week.
    #[must_use]
    pub fn of_week(week: IsoWeek) -> Self {
        Self {
            kind: SpanKind::Week,
            name: week.to_string(),
            first_day: week.monday(),
            last_day: week.sunday(),
        }
    }

    /// A calendar month such as `2026-10`.
    #[must_use]
    pub fn of_month(text: &str) -> Option<Self> {
        let (year, month) = text.split_once('-')?;
        let digits = |part: &str, count| {
            (part.len() == count && part.bytes().all(|byte| byte.is_ascii_digit()))
                .then(|| part.parse().ok())
                .flatten()
        };
        let year = i32::try_from(digits(year, 4)?).ok()?;
        let first_day = NaiveDate::from_ymd_opt(year, digits(month, 2)?, 1)?;
        (2000..2200).contains(&year).then_some(())?;
        Some(Self {
            kind: SpanKind::Month,
            name: text.to_owned(),
            first_day,
            last_day: first_day
                .checked_add_months(Months::new(1))?
                .checked_sub_days(Days::new(1))?,
        })
    }

    /// A term of that name.
    #[must_use]
    pub fn of_term(name: &str, first_day: NaiveDate, last_day: NaiveDate) -> Self {
        Self {
            kind: SpanKind::Term,
            name: name.to_owned(),
            first_day,
            last_day,
        }
    }

    /// The funding year that begins in a calendar year, on a day that every year has.
    #[must_use]
    pub fn of_funding_year(year: i32, month: u32, day: u32) -> Option<Self> {
        (2000..2200).contains(&year).then_some(())?;
        let first_day = NaiveDate::from_ymd_opt(year, month, day)?;
        let next = NaiveDate::from_ymd_opt(year + 1, month, day)?;
        Some(Self {
            kind: SpanKind::FundingYear,
            name: year.to_string(),
            first_day,
            last_day: next.pred_opt()?,
        })
    }

    /// Whether the day lies in it.
    #[must_use]
    pub fn has_day(&self, day: NaiveDate) -> bool {
        (self.first_day..=self.last_day).contains(&day)
    }

    /// Whether the week counts in it: whether its Thursday does.
    #[must_use]
    pub fn has_week(&self, week: IsoWeek) -> bool {
        self.has_day(week.day(Weekday::Thu))
    }

    /// The first and last week that it touches.
    #[must_use]
    pub fn weeks(&self) -> Option<(IsoWeek, IsoWeek)> {
        let first = IsoWeek::of(self.first_day).ok()?;
        Some((first, IsoWeek::of(self.last_day).ok()?))
    }

    /// The days of a week that lie in it.
    #[must_use]
    pub fn days_of(&self, week: IsoWeek) -> (NaiveDate, NaiveDate) {
        (
            week.monday().max(self.first_day),
            week.sunday().min(self.last_day),
        )
    }
}

/// Whether every year has the day.
#[must_use]
pub fn is_yearly_day(month: u32, day: u32) -> bool {
    // 2001 is no leap year
    NaiveDate::from_ymd_opt(2001, month, day).is_some_and(|date| date.year() == 2001)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use proptest::prelude::*;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn spans_have_their_days() {
        let month = Span::of_month("2028-02").unwrap();
        assert_eq!(
            (month.first_day, month.last_day),
            (day("2028-02-01"), day("2028-02-29"))
        );
        for text in [
            "2026-13", "2026-1", "26-01", "2026-00", "1999-12", "2026-+1", "2026",
        ] {
            assert_eq!(Span::of_month(text), None, "{text}");
        }
        let year = Span::of_funding_year(2026, 9, 1).unwrap();
        assert_eq!(
            (year.first_day, year.last_day),
            (day("2026-09-01"), day("2027-08-31"))
        );
        assert!(is_yearly_day(12, 31) && is_yearly_day(2, 28));
        assert!(!is_yearly_day(2, 29) && !is_yearly_day(4, 31) && !is_yearly_day(0, 1));
    }

    /// 1 October 2026 is the Thursday of 2026-W40, 31 December 2026 that of W53 (Python
    /// `datetime.isocalendar`): both weeks belong to the month, and the latter to the year, of that day.
    #[test]
    fn a_week_belongs_to_the_month_of_its_thursday() {
        let week: IsoWeek = "2026-W40".parse().unwrap();
        assert!(!Span::of_month("2026-09").unwrap().has_week(week));
        let october = Span::of_month("2026-10").unwrap();
        assert!(october.has_week(week));
        assert_eq!(
            october.days_of(week),
            (day("2026-10-01"), day("2026-10-04"))
        );
        let last: IsoWeek = "2026-W53".parse().unwrap();
        assert!(Span::of_funding_year(2026, 1, 1).unwrap().has_week(last));
        assert!(!Span::of_month("2027-01").unwrap().has_week(last));
    }

    proptest! {
        /// ISO 8601: a year has as many weeks as Thursdays; each week counts in exactly one month.
        #[test]
        fn months_share_out_the_weeks(year in 2001..2199_i32, week in 1..53_u32) {
            let week = IsoWeek::new(year, week).unwrap();
            let months = (year - 1..=year + 1)
                .flat_map(|year| (1..=12).map(move |month| format!("{year:04}-{month:02}")))
                .filter(|month| Span::of_month(month).is_some_and(|span| span.has_week(week)));
            prop_assert_eq!(months.count(), 1);
        }
    }
}
