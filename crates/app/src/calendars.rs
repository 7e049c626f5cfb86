//! The open time of sites and the free time of members, in whole minutes.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use cotyl_calendar::{Closure, Interval, OpeningHours, PeriodText, SiteCalendar, SiteZone};
use cotyl_rota::Span;
use cotyl_store::rota::SiteHours;
use cotyl_store::{Tx, rota};
use uuid::Uuid;

use crate::availability::Availability;
use crate::{Error, Result};

/// The longest window that is looked through, in days.
const MOST_DAYS: usize = 100;

/// When sites are open.
pub(crate) struct Calendars(BTreeMap<Uuid, SiteCalendar>);

impl Calendars {
    /// Reads those of some sites.
    ///
    /// # Errors
    /// A fault of this program for stored data that the rules cannot read.
    pub async fn load(tx: &mut Tx, site_ids: impl Iterator<Item = Uuid>) -> Result<Self> {
        let mut ids: Vec<Uuid> = site_ids.collect();
        ids.sort_unstable();
        ids.dedup();
        rota::site_hours(tx, &ids)
            .await?
            .into_iter()
            .map(|hours| Ok((hours.site_id, calendar(hours)?)))
            .collect::<Result<_>>()
            .map(Self)
    }

    /// The calendar of a site.
    ///
    /// # Errors
    /// [`Error::NotFound`] for a site that was not read.
    pub fn of(&self, site_id: Uuid) -> Result<&SiteCalendar> {
        self.0.get(&site_id).ok_or(Error::NotFound("site"))
    }

    /// When a site is open within a window.
    ///
    /// # Errors
    /// [`Error::NotFound`] for a site that was not read.
    pub fn open_within(
        &self,
        site_id: Uuid,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
    ) -> Result<Vec<Span>> {
        Ok(open_within(self.of(site_id)?, from, to))
    }
}

fn calendar(hours: SiteHours) -> Result<SiteCalendar> {
    let zone: SiteZone = hours.zone.parse().map_err(Error::internal)?;
    let periods: Vec<PeriodText> =
        serde_json::from_value(hours.opening_hours).map_err(Error::internal)?;
    let opening = OpeningHours::parse(&periods)
        .map_err(|_| Error::internal("stored opening hours cannot be read"))?;
    let closures = hours
        .closures
        .0
        .into_iter()
        .map(|closed| Closure::new(closed.first_day, closed.last_day, &closed.reason))
        .collect::<std::result::Result<_, _>>()
        .map_err(|_| Error::internal("a stored closure cannot be read"))?;
    Ok(SiteCalendar::new(zone, opening, closures))
}

/// The free time of a member by the clock of a site, in the same form as its open time.
///
/// # Errors
/// A fault of this program for stored data that the rules cannot read.
pub(crate) fn free_time(zone: SiteZone, said: &Availability) -> Result<SiteCalendar> {
    let hours = OpeningHours::parse(&said.free_hours)
        .map_err(|_| Error::internal("stored free hours cannot be read"))?;
    let away = said
        .days_away
        .iter()
        .map(|away| Closure::new(away.first_day, away.last_day, "away"))
        .collect::<std::result::Result<_, _>>()
        .map_err(|_| Error::internal("stored days away cannot be read"))?;
    Ok(SiteCalendar::new(zone, hours, away))
}

/// The open stretches of a calendar within a window.
pub(crate) fn open_within(
    calendar: &SiteCalendar,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> Vec<Span> {
    let zone = calendar.zone();
    let last = zone.today(to);
    zone.today(from)
        .iter_days()
        .take_while(|day| *day <= last)
        .take(MOST_DAYS)
        .flat_map(|day| calendar.open_intervals(day))
        .map(|open| Interval {
            start: open.start.max(from),
            end: open.end.min(to),
        })
        .map(span)
        .filter(|span| span.from < span.to)
        .collect()
}

/// The whole minutes of an interval.
pub(crate) fn span(interval: Interval) -> Span {
    Span {
        from: interval.start.timestamp().saturating_add(59).div_euclid(60),
        to: interval.end.timestamp().div_euclid(60),
    }
}
