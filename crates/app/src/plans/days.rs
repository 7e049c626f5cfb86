//! The days of a site in a season: which can be worked, in which week each counts, and when a cut
//! of that day is delivered.

use chrono::{Datelike, Days, NaiveDate, Weekday};
use cotyl_calendar::{IsoWeek, delivery_week};
use cotyl_growth::{Climate, WorkingDay};
use cotyl_planner::problem::Slot;

use super::season::{Season, SeasonError, SeasonSite, SeasonStation};

/// When cut greens reach a recipient of a pledge.
///
/// One rule holds for a whole site, since a slot has one week of delivery: a cut counts for the
/// earliest week in which any recipient of a pledge of the season can be brought it. Closures of
/// the site do not stop deliveries.
#[derive(Debug)]
pub(super) struct Deliveries {
    first_monday: NaiveDate,
    weeks: usize,
    receiving: Vec<(Vec<Weekday>, u32)>,
}

impl Deliveries {
    pub(super) fn of(season: &Season) -> Self {
        let mut receiving: Vec<(Vec<Weekday>, u32)> = Vec::new();
        for pledge in &season.pledges {
            let weekdays: Vec<Weekday> = pledge
                .delivery_weekdays
                .iter()
                .filter_map(|iso| Weekday::try_from(u8::try_from(iso - 1).ok()?).ok())
                .collect();
            let rule = (weekdays, u32::try_from(pledge.keep_days).unwrap_or(0));
            if !receiving.contains(&rule) {
                receiving.push(rule);
            }
        }
        Self {
            first_monday: season.first_monday,
            weeks: season.weeks as usize,
            receiving,
        }
    }

    /// Index of the week in which a cut of that day is delivered, if it is one of the season.
    pub(super) fn week(&self, cut_on: NaiveDate) -> Option<usize> {
        self.receiving
            .iter()
            .filter_map(|(weekdays, keep_days)| delivery_week(cut_on, weekdays, *keep_days))
            .min()
            .and_then(|week| week_index(self.first_monday, self.weeks, week.monday()))
    }
}

/// Index of the week of a day, if it is one of the season.
pub(super) fn week_index(first_monday: NaiveDate, weeks: usize, day: NaiveDate) -> Option<usize> {
    let days = (day - first_monday).num_days();
    let week = usize::try_from(days.div_euclid(7)).ok()?;
    (week < weeks).then_some(week)
}

/// The working days of a site after today, from the week of today on.
#[derive(Debug)]
pub(super) struct SiteDays {
    /// Monday from which days are counted: of the first week, or of today's week if that is earlier.
    pub(super) base: NaiveDate,
    /// Weeks from `base` to the end of the season.
    pub(super) weeks_from_base: usize,
    /// Working days after today.
    pub(super) days: Vec<NaiveDate>,
    /// Days of an ordinary week on which it is open.
    pub(super) ordinary_days: usize,
    first_monday: NaiveDate,
}

impl SiteDays {
    pub(super) fn of(
        season: &Season,
        site: &SeasonSite,
        with_closures: bool,
    ) -> Result<Self, SeasonError> {
        let calendar = site.calendar(with_closures)?;
        let monday_today =
            site.today - Days::new(u64::from(site.today.weekday().num_days_from_monday()));
        let base = season.first_monday.min(monday_today);
        let lead = (season.first_monday - base).num_weeks();
        let from = base.max(site.today + Days::new(1));
        let last = season.end() - Days::new(1);
        let weekdays: std::collections::BTreeSet<&str> = site
            .opening_hours
            .iter()
            .map(|period| period.weekday.as_str())
            .collect();
        Ok(Self {
            base,
            weeks_from_base: season.weeks as usize + usize::try_from(lead).unwrap_or(0),
            days: calendar.working_days(from, last),
            ordinary_days: weekdays.len(),
            first_monday: season.first_monday,
        })
    }

    /// Monday of the first week of the season.
    pub(super) fn first_monday(&self) -> NaiveDate {
        self.first_monday
    }

    /// Working days within the season.
    pub(super) fn in_season(&self) -> &[NaiveDate] {
        let before = self.days.partition_point(|day| *day < self.first_monday);
        &self.days[before..]
    }

    /// The slots of the season.
    pub(super) fn slots(&self, deliveries: &Deliveries) -> Vec<Slot> {
        self.in_season()
            .iter()
            .map(|day| {
                let number = day_number(self.first_monday, *day);
                Slot {
                    day: number,
                    week: number as usize / 7,
                    harvest_week: deliveries.week(*day),
                }
            })
            .collect()
    }

    /// All working days, counted from `base`.
    pub(super) fn working_days(&self) -> Vec<WorkingDay> {
        working_days(&self.days, self.base)
    }
}

/// Days, counted from a Monday.
pub(super) fn working_days(days: &[NaiveDate], monday: NaiveDate) -> Vec<WorkingDay> {
    days.iter()
        .map(|day| {
            let number = day_number(monday, *day);
            WorkingDay {
                day: number,
                week: number as usize / 7,
            }
        })
        .collect()
}

fn day_number(monday: NaiveDate, day: NaiveDate) -> u32 {
    u32::try_from((day - monday).num_days()).unwrap_or(0)
}

/// Temperature and light of a station by week; a week without a band is dark and cold.
pub(super) fn climate(station: &SeasonStation, monday: NaiveDate, weeks: usize) -> Climate {
    let bands = (0..weeks).map(|week| {
        let number = IsoWeek::of(monday + Days::new(7 * week as u64)).map_or(1, IsoWeek::week);
        station
            .environment
            .iter()
            .find(|band| {
                if band.first_week <= band.last_week {
                    (band.first_week..=band.last_week).contains(&number)
                } else {
                    number >= band.first_week || number <= band.last_week
                }
            })
            .map_or((0.0, 0.0), |band| {
                (band.temperature_celsius, band.daily_light_mol)
            })
    });
    let (temperature_celsius, daily_light_mol) = bands.unzip();
    Climate {
        temperature_celsius,
        daily_light_mol,
    }
}
