//! Everything a sowing plan is made from, owned and typed: sites and their days, stations, crops,
//! pledges, and what already grows.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};
use cotyl_calendar::{Closure, OpeningHours, PeriodText, SiteCalendar, SiteZone};
use cotyl_growth::{ContainerYield, CropProfile, GrowingMethod, KnownDays};
use cotyl_store::season::{SeasonRows, SiteRow};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::goods::SeasonGoods;
use super::learned::LearnedCrop;

pub use cotyl_store::season::{
    DueRow as SeasonDue, PledgeRow as SeasonPledge, SowingRow as SeasonSowing,
};

/// Why data cannot make a season.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{what}: {fault}")]
pub struct SeasonError {
    /// The record.
    pub what: String,
    /// What is wrong with it.
    pub fault: String,
}

/// What a plan is made from. Every list is in the order of its ids.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Season {
    /// Monday of the first week.
    pub first_monday: NaiveDate,
    /// Weeks that are planned.
    pub weeks: u32,
    /// Sites.
    pub sites: Vec<SeasonSite>,
    /// Stations.
    pub stations: Vec<SeasonStation>,
    /// Crops.
    pub crops: Vec<SeasonCrop>,
    /// Pledges that reach into the season.
    pub pledges: Vec<SeasonPledge>,
    /// Sowings that are not over.
    pub sowings: Vec<SeasonSowing>,
    /// Sowings that are due and not sown, with those who claimed them.
    #[serde(default)]
    pub due: Vec<SeasonDue>,
    /// What sowings take of what is kept; `None` where no item is described.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub goods: Option<SeasonGoods>,
}

/// A site with its days and limits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeasonSite {
    /// The site.
    pub id: String,
    /// Its name.
    pub name: String,
    /// IANA time zone.
    pub zone: String,
    /// Weekly opening hours.
    pub opening_hours: Vec<PeriodText>,
    /// Closed days: first, last, both included.
    pub closures: Vec<(NaiveDate, NaiveDate)>,
    /// Minutes of work in an ordinary week.
    pub weekly_minutes: Option<i64>,
    /// Microlitres of solution that can be mixed in an ordinary week.
    pub weekly_mixing_microlitres: Option<i64>,
    /// Most batches sown in a week.
    pub most_sowings_per_week: Option<i64>,
    /// The day it is there.
    pub today: NaiveDate,
    /// Whether it is out of use: nothing is sown there any more.
    pub retired: bool,
}

/// Temperature and light from one week of the ISO year to another.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EnvironmentBand {
    /// 1 to 53.
    pub first_week: u32,
    /// 1 to 53; before `first_week` for a band across New Year.
    pub last_week: u32,
    /// Daily mean.
    pub temperature_celsius: f64,
    /// Daily light integral, mol per square metre.
    pub daily_light_mol: f64,
}

/// Places of a station that cannot be used for some days.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct SeasonOutage {
    /// First day.
    pub first_day: NaiveDate,
    /// Last day.
    pub last_day: NaiveDate,
    /// Places.
    pub places: i64,
}

/// A station with its container kind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeasonStation {
    /// The station.
    pub id: String,
    /// Its site.
    pub site_id: String,
    /// Its name.
    pub name: String,
    /// How it holds its liquid.
    pub method: GrowingMethod,
    /// Containers it holds.
    pub places: i64,
    /// Temperature and light.
    pub environment: Vec<EnvironmentBand>,
    /// The container kind.
    pub container_kind_id: String,
    /// What a container of this kind gives.
    pub container: ContainerYield,
    /// When places cannot be used.
    pub outages: Vec<SeasonOutage>,
    /// Whether it is out of use: nothing is sown there any more.
    pub retired: bool,
}

/// A crop.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeasonCrop {
    /// The crop.
    pub id: String,
    /// Its group.
    pub group_id: String,
    /// Its name.
    pub name: String,
    /// Its profile.
    pub profile: CropProfile,
    /// Days known at stations.
    pub known: BTreeMap<String, KnownDays>,
    /// What was learned at stations from the record of sowings.
    #[serde(default)]
    pub learned: BTreeMap<String, LearnedCrop>,
    /// Whether it is out of use: nothing of it is sown any more.
    pub retired: bool,
}

/// Days known at a station, as a crop keeps them.
#[derive(Debug, Deserialize)]
pub(crate) struct StationDays {
    pub station_id: String,
    pub days_to_first_cut: Option<u32>,
    pub days_to_regrow: Option<u32>,
}

impl From<StationDays> for (String, KnownDays) {
    fn from(days: StationDays) -> Self {
        let known = KnownDays {
            to_first_cut: days.days_to_first_cut,
            to_regrow: days.days_to_regrow,
        };
        (days.station_id, known)
    }
}

/// Reads a JSON value that was checked before it was kept.
pub(crate) fn parse<T: serde::de::DeserializeOwned>(
    what: &str,
    value: Value,
) -> Result<T, SeasonError> {
    serde_json::from_value(value).map_err(|fault| SeasonError {
        what: what.to_owned(),
        fault: fault.to_string(),
    })
}

impl Season {
    /// A season of rows as they are kept, as it is at an instant.
    ///
    /// # Errors
    /// [`SeasonError`] for kept data that this version cannot read.
    pub fn of_rows(
        rows: SeasonRows,
        first_monday: NaiveDate,
        weeks: u32,
        now: DateTime<Utc>,
    ) -> Result<Self, SeasonError> {
        let mut sites = Vec::new();
        for row in rows.sites {
            let closures = rows
                .closures
                .iter()
                .filter(|closure| closure.site_id == row.id)
                .map(|closure| (closure.first_day, closure.last_day))
                .collect();
            sites.push(SeasonSite::of_row(row, closures, now)?);
        }
        let mut stations = Vec::new();
        for row in rows.stations {
            let outages = rows
                .outages
                .iter()
                .filter(|outage| outage.station_id == row.id)
                .map(|outage| SeasonOutage {
                    first_day: outage.first_day,
                    last_day: outage.last_day,
                    places: i64::from(outage.places),
                })
                .collect();
            stations.push(SeasonStation {
                method: parse(&row.name, Value::String(row.method))?,
                environment: parse(&row.name, row.environment)?,
                container: container(i64::from(row.yield_permille), row.fill_microlitres),
                id: row.id,
                site_id: row.site_id,
                name: row.name,
                places: i64::from(row.places),
                container_kind_id: row.container_kind_id,
                outages,
                retired: row.retired,
            });
        }
        let mut crops = Vec::new();
        for row in rows.crops {
            let known: Vec<StationDays> = parse(&row.name, row.station_days)?;
            crops.push(SeasonCrop {
                profile: parse(&row.name, row.profile)?,
                known: known.into_iter().map(Into::into).collect(),
                learned: BTreeMap::new(),
                id: row.id,
                group_id: row.crop_group_id,
                name: row.name,
                retired: row.retired,
            });
        }
        Ok(Self {
            first_monday,
            weeks,
            sites,
            stations,
            crops,
            pledges: rows.pledges,
            sowings: rows.sowings,
            due: Vec::new(),
            goods: None,
        })
    }

    /// The day after the last of the season.
    #[must_use]
    pub fn end(&self) -> NaiveDate {
        self.first_monday + Days::new(7 * u64::from(self.weeks))
    }

    /// Whether a sowing is open to be planned anew: from a plan, not sown, and due after today
    /// within the season.
    #[must_use]
    pub fn is_replanned(&self, sowing: &SeasonSowing) -> bool {
        let today = self
            .sites
            .iter()
            .find(|site| site.id == sowing.site_id)
            .map_or(NaiveDate::MAX, |site| site.today);
        sowing.from_plan
            && sowing.state == "planned"
            && sowing.sow_on > today
            && sowing.sow_on >= self.first_monday
            && sowing.sow_on < self.end()
    }

    /// Names of sites, stations, crops and pledges by id.
    #[must_use]
    pub fn names(&self) -> BTreeMap<String, String> {
        let sites = self.sites.iter().map(|site| (&site.id, site.name.clone()));
        let stations = self
            .stations
            .iter()
            .map(|item| (&item.id, item.name.clone()));
        let crops = self.crops.iter().map(|crop| (&crop.id, crop.name.clone()));
        let pledges = self.pledges.iter().map(|pledge| {
            (
                &pledge.id,
                format!("{} for {}", pledge.what, pledge.recipient_name),
            )
        });
        sites
            .chain(stations)
            .chain(crops)
            .chain(pledges)
            .map(|(id, name)| (id.clone(), name))
            .collect()
    }
}

impl SeasonSite {
    fn of_row(
        row: SiteRow,
        closures: Vec<(NaiveDate, NaiveDate)>,
        now: DateTime<Utc>,
    ) -> Result<Self, SeasonError> {
        let zone: SiteZone = row.zone.parse().map_err(|fault| SeasonError {
            what: row.name.clone(),
            fault: format!("{fault}"),
        })?;
        Ok(Self {
            opening_hours: parse(&row.name, row.opening_hours)?,
            today: zone.today(now),
            id: row.id,
            name: row.name,
            zone: row.zone,
            closures,
            weekly_minutes: row.weekly_minutes.map(i64::from),
            weekly_mixing_microlitres: row.weekly_mixing_microlitres,
            most_sowings_per_week: row.most_sowings_per_week.map(i64::from),
            retired: row.retired,
        })
    }

    /// Its calendar, with or without closures.
    ///
    /// # Errors
    /// [`SeasonError`] for a zone, hours or closures that cannot be read.
    pub fn calendar(&self, with_closures: bool) -> Result<SiteCalendar, SeasonError> {
        let fault = |fault: String| SeasonError {
            what: self.name.clone(),
            fault,
        };
        let zone = self
            .zone
            .parse::<SiteZone>()
            .map_err(|e| fault(e.to_string()))?;
        let hours =
            OpeningHours::parse(&self.opening_hours).map_err(|e| fault(format!("{e:?}")))?;
        let closures: Result<Vec<Closure>, _> = self
            .closures
            .iter()
            .filter(|_| with_closures)
            .map(|(first, last)| Closure::new(*first, *last, "closed"))
            .collect();
        Ok(SiteCalendar::new(
            zone,
            hours,
            closures.map_err(|e| fault(format!("{e:?}")))?,
        ))
    }
}

/// What a container of a kind gives; its area does not matter to a plan.
pub(crate) fn container(yield_permille: i64, fill_microlitres: i64) -> ContainerYield {
    ContainerYield {
        yield_permille,
        liquid_millilitres: fill_microlitres / 1000,
        ..ContainerYield::REFERENCE
    }
}
