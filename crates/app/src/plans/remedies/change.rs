//! Changes that a co-operative could make: what each is, what it takes, and the season with it made.

use chrono::{Days, NaiveDate};
use cotyl_planner::remedy::Provision;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::super::compile::week_label;
use super::super::season::{Season, SeasonSite, SeasonStation};
use super::goods;

/// A change that a co-operative could make.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Change {
    /// More places at a station.
    Places {
        /// The station.
        station_id: String,
        /// Places.
        more: i64,
    },
    /// More hands at a site.
    Minutes {
        /// The site.
        site_id: String,
        /// Minutes a week.
        more: i64,
    },
    /// More solution at a site.
    Mixing {
        /// The site.
        site_id: String,
        /// Litres a week.
        more: i64,
    },
    /// More batches at a site.
    MostSowings {
        /// The site.
        site_id: String,
        /// Batches a week.
        more: i64,
    },
    /// Working at a site on closed days.
    Open {
        /// The site.
        site_id: String,
        /// First of them.
        first_day: NaiveDate,
        /// Last of them; the weekdays between on which the site is usually open count.
        last_day: NaiveDate,
    },
    /// Goods that come sooner than is usual.
    Goods {
        /// The site of the store.
        site_id: String,
        /// The item.
        item_id: Uuid,
        /// Base units of its dimension.
        quantity: i64,
        /// The day on which they have to be there.
        there_by: NaiveDate,
    },
    /// More light at a station.
    Light {
        /// The station.
        station_id: String,
        /// Moles a square metre and day.
        more_mol: f64,
    },
}

impl Change {
    /// Whether it changes a day of the season.
    pub(super) fn is_within(&self, season: &Season) -> bool {
        match self {
            Self::Open {
                first_day,
                last_day,
                ..
            } => *first_day < season.end() && *last_day >= season.first_monday,
            _ => true,
        }
    }

    /// The season with the change made.
    pub(super) fn made(&self, season: &Season) -> Season {
        let mut changed = season.clone();
        match self {
            Self::Places { station_id, more } => {
                at_station(&mut changed, station_id, |station| station.places += more);
            }
            Self::Light {
                station_id,
                more_mol,
            } => at_station(&mut changed, station_id, |station| {
                for band in &mut station.environment {
                    band.daily_light_mol += more_mol;
                }
            }),
            Self::Goods {
                site_id,
                item_id,
                quantity,
                there_by,
            } => goods::order(&mut changed, site_id, *item_id, *quantity, *there_by),
            Self::Minutes { site_id, more } => at_site(&mut changed, site_id, |site| {
                site.weekly_minutes = site.weekly_minutes.map(|minutes| minutes + more);
            }),
            Self::Mixing { site_id, more } => at_site(&mut changed, site_id, |site| {
                site.weekly_mixing_microlitres = site
                    .weekly_mixing_microlitres
                    .map(|microlitres| microlitres + more * 1_000_000);
            }),
            Self::MostSowings { site_id, more } => at_site(&mut changed, site_id, |site| {
                site.most_sowings_per_week = site.most_sowings_per_week.map(|most| most + more);
            }),
            Self::Open {
                site_id,
                first_day,
                last_day,
            } => at_site(&mut changed, site_id, |site| {
                site.closures = without(&site.closures, *first_day, *last_day);
            }),
        }
        changed
    }

    /// What it is.
    pub(super) fn words(&self, season: &Season) -> String {
        let names = season.names();
        let name = |id: &String| names.get(id).unwrap_or(id).clone();
        match self {
            Self::Places { station_id, more } => {
                let places = if *more == 1 { "place" } else { "places" };
                format!("{more} more {places} at {}", name(station_id))
            }
            Self::Minutes { site_id, more } => {
                format!("{more} more minutes of work a week at {}", name(site_id))
            }
            Self::Mixing { site_id, more } => {
                format!("{more} more litres of solution a week at {}", name(site_id))
            }
            Self::MostSowings { site_id, more } => {
                format!("{more} more batch sown a week at {}", name(site_id))
            }
            Self::Open {
                site_id,
                first_day,
                last_day,
            } if first_day == last_day => {
                let week = week_label(*first_day, 0);
                let weekday = first_day.format("%A");
                format!(
                    "opening {} on {weekday} of {week} ({first_day})",
                    name(site_id)
                )
            }
            Self::Open {
                site_id,
                first_day,
                last_day,
            } => format!(
                "opening {} from {first_day} to {last_day} on the weekdays on which it is usually open",
                name(site_id)
            ),
            Self::Goods {
                site_id,
                item_id,
                quantity,
                there_by,
            } => goods::words(season, site_id, *item_id, *quantity, *there_by),
            Self::Light {
                station_id,
                more_mol,
            } => format!(
                "{more_mol} mol more light a square metre and day at {}",
                name(station_id)
            ),
        }
    }

    /// What has to be provided for it, and how much of that.
    pub(super) fn provision(&self, season: &Season) -> (Provision, f64) {
        match self {
            Self::Places { more, .. } => (Provision::Places, *more as f64),
            Self::Minutes { .. } | Self::MostSowings { .. } => (Provision::Nothing, 0.0),
            Self::Mixing { more, .. } => (Provision::LitresAWeek, *more as f64),
            Self::Open {
                site_id,
                first_day,
                last_day,
            } => {
                let days = opened(season, site_id)
                    .into_iter()
                    .filter(|day| first_day <= day && day <= last_day);
                (Provision::Days, days.count() as f64)
            }
            Self::Goods {
                item_id, quantity, ..
            } => goods::provision(season, *item_id, *quantity),
            Self::Light { more_mol, .. } => (Provision::Light, *more_mol),
        }
    }

    /// Whether all its days of opening are days of another change, which opens more.
    pub(super) fn opens_less_than(&self, other: &Self) -> bool {
        match (self, other) {
            (
                Self::Open {
                    site_id,
                    first_day,
                    last_day,
                },
                Self::Open {
                    site_id: other_site,
                    first_day: other_first,
                    last_day: other_last,
                },
            ) => {
                site_id == other_site
                    && other_first <= first_day
                    && last_day <= other_last
                    && self != other
            }
            _ => false,
        }
    }
}

/// Closed days of a site after today and within the season on which it would usually be open.
pub(super) fn opened(season: &Season, site_id: &str) -> Vec<NaiveDate> {
    let Some(site) = season.sites.iter().find(|site| site.id == site_id) else {
        return Vec::new();
    };
    let (Ok(usual), Ok(real)) = (site.calendar(false), site.calendar(true)) else {
        return Vec::new();
    };
    let from = season.first_monday.max(site.today + Days::new(1));
    from.iter_days()
        .take_while(|day| *day < season.end())
        .filter(|day| usual.is_open_on(*day) && !real.is_open_on(*day))
        .collect()
}

/// Closures with some days taken out of them.
fn without(
    closures: &[(NaiveDate, NaiveDate)],
    first_day: NaiveDate,
    last_day: NaiveDate,
) -> Vec<(NaiveDate, NaiveDate)> {
    let parts = closures.iter().flat_map(|&(first, last)| {
        let before = (first, last.min(first_day - Days::new(1)));
        let after = (first.max(last_day + Days::new(1)), last);
        [before, after]
    });
    parts.filter(|(first, last)| first <= last).collect()
}

fn at_site(season: &mut Season, id: &str, change: impl FnOnce(&mut SeasonSite)) {
    if let Some(site) = season.sites.iter_mut().find(|site| site.id == id) {
        change(site);
    }
}

fn at_station(season: &mut Season, id: &str, change: impl FnOnce(&mut SeasonStation)) {
    if let Some(station) = season.stations.iter_mut().find(|station| station.id == id) {
        change(station);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    #[test]
    fn days_are_taken_out_of_closures() {
        let day = |number: u32| NaiveDate::from_ymd_opt(2026, 3, number).unwrap();
        let closures = [(day(1), day(10)), (day(5), day(6)), (day(20), day(21))];
        assert_eq!(
            without(&closures, day(5), day(6)),
            [(day(1), day(4)), (day(7), day(10)), (day(20), day(21))]
        );
        assert_eq!(without(&closures[2..], day(19), day(22)), []);
    }
}
