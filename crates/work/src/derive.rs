//! Which tasks a site should have.

use chrono::NaiveDate;
use cotyl_calendar::SiteCalendar;

use crate::facts::{SiteFacts, SowingFacts};
use crate::placing::{Calendar, shifted};
use crate::rule::RuleBook;
use crate::site_work::SiteWork;
use crate::sowing_work::SowingWork;
use crate::wanted::{Placing, WantedTask};

/// Days from today for which work that comes again, or that depends on levels, is written down. The
/// steps of a sowing are written down when it is planned, however far off.
pub const HORIZON_DAYS: i32 = 21;

/// What was derived.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Derived {
    /// The tasks, in no particular order.
    pub wanted: Vec<WantedTask>,
    /// Where all work went, when that was asked for.
    pub placings: Vec<Placing>,
}

/// The tasks that a site should have.
#[must_use]
pub fn derive(rules: &RuleBook, facts: &SiteFacts) -> Vec<WantedTask> {
    let horizon = shifted(facts.today, HORIZON_DAYS);
    let calendar = Calendar::new(&facts.calendar);
    all(rules, facts, &calendar, horizon)
}

/// The same up to a day, with where work went that a closure moved.
#[must_use]
pub(crate) fn derive_until(rules: &RuleBook, facts: &SiteFacts, horizon: NaiveDate) -> Derived {
    let calendar = Calendar::keeping_placings(&facts.calendar);
    let wanted = all(rules, facts, &calendar, horizon);
    Derived {
        wanted,
        placings: calendar.into_placings(),
    }
}

fn all(
    rules: &RuleBook,
    facts: &SiteFacts,
    calendar: &Calendar<'_>,
    horizon: NaiveDate,
) -> Vec<WantedTask> {
    let mut wanted = Vec::with_capacity(facts.sowings.len() * 8);
    for sowing in &facts.sowings {
        let work = SowingWork {
            rules,
            calendar,
            sowing,
            today: facts.today,
            horizon,
        };
        work.steps(&mut wanted);
        wanted.extend(work.top_up(&facts.finished));
    }
    SiteWork::new(rules, calendar, facts, horizon).all(&mut wanted);
    wanted
}

/// The steps of one sowing, for the transaction that changes it: everything but what depends on
/// levels and readings.
#[must_use]
pub fn derive_sowing(
    rules: &RuleBook,
    calendar: &SiteCalendar,
    sowing: &SowingFacts,
    today: NaiveDate,
) -> Vec<WantedTask> {
    let calendar = Calendar::new(calendar);
    let work = SowingWork {
        rules,
        calendar: &calendar,
        sowing,
        today,
        horizon: shifted(today, HORIZON_DAYS),
    };
    let mut wanted = Vec::new();
    work.steps(&mut wanted);
    wanted
}
