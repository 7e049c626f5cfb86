//! What will suffer while a site is closed, said to its coordinator before it closes.

use std::collections::HashMap;

use chrono::{Days, NaiveDate};
use cotyl_calendar::SiteZone;
use cotyl_domain::Operation;
use cotyl_store::closures::{self, Closure, ClosureFilter};
use cotyl_store::{Page, Tx, plans, site_work, sites};
use cotyl_work::{Closing, ClosureWarning, closure_warnings};
use uuid::Uuid;

use crate::input::Problems;
use crate::site_work::{load_facts_until, rule_book};
use crate::{App, Caller, Error, Result};

/// Longest look ahead.
pub const MOST_DAYS_AHEAD: u32 = 366;
/// Days ahead in which closures are looked for where no plan reaches further and nobody says.
const USUAL_DAYS_AHEAD: u64 = 28;
/// Days of a closure that are looked at where no plan reaches further.
const LEAST_DAYS_CLOSED: u64 = 60;

/// The closures of a site that come, each with what will go wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClosureOutlook {
    /// The closure.
    pub closure_id: Uuid,
    /// Its first day.
    pub first_day: NaiveDate,
    /// Its last day.
    pub last_day: NaiveDate,
    /// Why the site is closed.
    pub reason: String,
    /// The last open day before it; `None` when none is left.
    pub last_open_day: Option<NaiveDate>,
    /// What will go wrong when nobody comes.
    pub warnings: Vec<NamedWarning>,
}

/// A warning with the names of what it is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedWarning {
    /// The warning.
    pub warning: ClosureWarning,
    /// Name of the station.
    pub station_name: Option<String>,
    /// Name of the crop.
    pub crop_name: Option<String>,
    /// Name of the recipient.
    pub recipient_name: Option<String>,
}

impl App {
    /// What will go wrong at a site during closures that begin within some days, or have begun: unless it
    /// is said, up to the end of the plan in force. A closure is looked at up to the end of the plan, and
    /// 60 days of it at least.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Error::NotFound`] when there is no such site within the reach of the
    /// member.
    pub async fn read_closure_warnings(
        &self,
        caller: &Caller,
        site_id: Uuid,
        days_ahead: Option<u32>,
    ) -> Result<Vec<ClosureOutlook>> {
        if let Some(days) = days_ahead {
            let mut problems = Problems::new();
            problems.within("days_ahead", days.into(), 0, MOST_DAYS_AHEAD.into());
            problems.finish()?;
        }
        let operation = Operation::ReadClosureWarnings;
        let now = self.clock().now();
        self.read(operation, caller, async |tx, actor| {
            if !operation.reach(actor).covers_site(site_id) {
                return Err(Error::NotFound("site"));
            }
            let site = sites::get(tx, site_id)
                .await?
                .ok_or(Error::NotFound("site"))?;
            let zone: SiteZone = site.fields.zone.parse().map_err(Error::internal)?;
            let far = Far::of(
                zone.today(now),
                plans::in_force_until(tx).await?,
                days_ahead,
            );
            let rules = rule_book(tx).await?;
            let (facts, water) = load_facts_until(tx, site_id, &rules, now, far.levels_days())
                .await?
                .ok_or(Error::NotFound("site"))?;
            let mut outlooks = Vec::new();
            for closure in coming(tx, site_id, facts.today, far.begins_by).await? {
                let first_day = closure.fields.first_day.max(facts.today);
                let closing = Closing {
                    first_day,
                    last_day: closure.fields.last_day.min(far.last_day_of(first_day)),
                };
                let warnings = closure_warnings(&rules, &facts, closing, |sowing_id, filled_on| {
                    water.low_again_on(sowing_id, filled_on, closing.last_day)
                });
                outlooks.push(ClosureOutlook {
                    closure_id: closure.id,
                    first_day: closure.fields.first_day,
                    last_day: closure.fields.last_day,
                    reason: closure.fields.reason,
                    last_open_day: facts
                        .calendar
                        .previous_open_day(first_day)
                        .filter(|day| *day >= facts.today),
                    warnings: with_names(tx, warnings).await?,
                });
            }
            Ok(outlooks)
        })
        .await
    }
}

/// How far is looked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Far {
    today: NaiveDate,
    /// The day by which a closure begins.
    begins_by: NaiveDate,
    /// The last day of the plan in force, if that is within the longest look ahead.
    plan_until: NaiveDate,
}

impl Far {
    fn of(today: NaiveDate, in_force_until: Option<NaiveDate>, days_ahead: Option<u32>) -> Self {
        let furthest = today + Days::new(MOST_DAYS_AHEAD.into());
        let plan_until = in_force_until.unwrap_or(today).clamp(today, furthest);
        let begins_by = match days_ahead {
            Some(days) => today + Days::new(days.into()),
            None => plan_until.max(today + Days::new(USUAL_DAYS_AHEAD)),
        };
        Self {
            today,
            begins_by,
            plan_until,
        }
    }

    /// The last day that is looked at of a closure.
    fn last_day_of(&self, first_day: NaiveDate) -> NaiveDate {
        self.plan_until
            .max(first_day + Days::new(LEAST_DAYS_CLOSED))
    }

    /// Days from today for which levels are reckoned.
    fn levels_days(&self) -> i64 {
        (self.last_day_of(self.begins_by) - self.today).num_days()
    }
}

/// Closures of a site that have not ended and begin up to a day, in the order of their beginning.
async fn coming(
    tx: &mut Tx,
    site_id: Uuid,
    today: NaiveDate,
    until: NaiveDate,
) -> Result<Vec<Closure>> {
    let filter = ClosureFilter {
        site_id: Some(site_id),
        from: Some(today),
        to: Some(until),
        ..ClosureFilter::default()
    };
    let mut coming = closures::list(tx, &filter, Page::ALL).await?;
    coming.retain(|closure| closure.retired_at.is_none());
    coming.sort_by_key(|closure| (closure.fields.first_day, closure.id));
    Ok(coming)
}

async fn with_names(tx: &mut Tx, warnings: Vec<ClosureWarning>) -> Result<Vec<NamedWarning>> {
    let of = |pick: fn(&ClosureWarning) -> Option<Uuid>| -> Vec<Uuid> {
        warnings.iter().filter_map(pick).collect()
    };
    let stations = site_work::station_names(tx, &of(|w| w.subject.station_id)).await?;
    let crops = site_work::crop_names(tx, &of(|w| w.subject.sowing_id)).await?;
    let recipients = site_work::recipient_names(tx, &of(|w| w.subject.recipient_id)).await?;
    Ok(warnings
        .into_iter()
        .map(|warning| {
            let subject = warning.subject;
            let name = |names: &HashMap<Uuid, String>, id: Option<Uuid>| {
                id.and_then(|id| names.get(&id).cloned())
            };
            NamedWarning {
                station_name: name(&stations, subject.station_id),
                crop_name: name(&crops, subject.sowing_id),
                recipient_name: name(&recipients, subject.recipient_id),
                warning,
            }
        })
        .collect())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_look_reaches_to_the_end_of_the_plan_within_a_year() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        let today = day("2026-09-07");
        let far = |until: Option<&str>, days| Far::of(today, until.map(day), days);
        // no plan, or one that is over: four weeks, and sixty days of a closure
        for until in [None, Some("2026-06-28")] {
            let far = far(until, None);
            assert_eq!(far.begins_by, day("2026-10-05"));
            assert_eq!(far.last_day_of(today), day("2026-11-06"));
            assert_eq!(far.levels_days(), 28 + 60);
        }
        let term = far(Some("2026-12-20"), None);
        assert_eq!(term.begins_by, day("2026-12-20"));
        assert_eq!(term.last_day_of(today), day("2026-12-20"));
        assert_eq!(term.last_day_of(day("2026-12-19")), day("2027-02-17"));
        // what is asked for is kept to, and of what begins by then all is looked at
        let asked = far(Some("2026-12-20"), Some(7));
        assert_eq!(asked.begins_by, day("2026-09-14"));
        assert_eq!(asked.levels_days(), 104);
        // two years are too far
        let long = far(Some("2028-09-03"), None);
        assert_eq!(long.begins_by, day("2027-09-08"));
        assert_eq!(long.levels_days(), 366 + 60);
    }
}
