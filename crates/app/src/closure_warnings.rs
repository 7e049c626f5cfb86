//! What will suffer while a site is closed, said to its coordinator before it closes.

use std::collections::HashMap;

use chrono::{Days, NaiveDate};
use cotyl_domain::Operation;
use cotyl_store::closures::{self, Closure, ClosureFilter};
use cotyl_store::{Page, Tx, site_work};
use cotyl_work::{Closing, ClosureWarning, closure_warnings};
use uuid::Uuid;

use crate::input::Problems;
use crate::site_work::{load_facts_until, rule_book};
use crate::{App, Caller, Error, Result};

/// Longest look ahead.
pub const MOST_DAYS_AHEAD: u32 = 90;
/// Days of a closure that are looked at.
const MOST_DAYS_CLOSED: u64 = 60;

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
    /// What will go wrong at a site during closures that begin within some days, or have begun.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Error::NotFound`] when there is no such site within the reach of the
    /// member.
    pub async fn read_closure_warnings(
        &self,
        caller: &Caller,
        site_id: Uuid,
        days_ahead: u32,
    ) -> Result<Vec<ClosureOutlook>> {
        let mut problems = Problems::new();
        problems.within("days_ahead", days_ahead.into(), 0, MOST_DAYS_AHEAD.into());
        problems.finish()?;
        let operation = Operation::ReadClosureWarnings;
        let now = self.clock().now();
        self.read(operation, caller, async |tx, actor| {
            if !operation.reach(actor).covers_site(site_id) {
                return Err(Error::NotFound("site"));
            }
            let rules = rule_book(tx).await?;
            let far = i64::from(days_ahead) + i64::try_from(MOST_DAYS_CLOSED).unwrap_or(0);
            let (facts, water) = load_facts_until(tx, site_id, &rules, now, far)
                .await?
                .ok_or(Error::NotFound("site"))?;
            let until = facts.today + Days::new(days_ahead.into());
            let mut outlooks = Vec::new();
            for closure in coming(tx, site_id, facts.today, until).await? {
                let first_day = closure.fields.first_day.max(facts.today);
                let longest = first_day + Days::new(MOST_DAYS_CLOSED);
                let closing = Closing {
                    first_day,
                    last_day: closure.fields.last_day.min(longest),
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
