//! A season written down in one JSON document, in the resources of the API, for planning without a
//! database.
//!
//! Records carry an `id`, or their name stands for it; references name one or the other. Fields that
//! only the server fills are passed over.

use chrono::{Datelike, NaiveDate};
use cotyl_calendar::{IsoWeek, PeriodText, SiteZone};
use cotyl_domain::quantity::{Mass, Volume};
use cotyl_growth::{CropProfile, GrowingMethod};
use serde::Deserialize;
use serde_json::Value;

use super::season::{
    EnvironmentBand, Season, SeasonCrop, SeasonError, SeasonOutage, SeasonPledge, SeasonSite,
    SeasonStation, StationDays, container, parse,
};

mod goods;

use goods::{
    ScenarioGoods, ScenarioItem, ScenarioLot, ScenarioOrder, ScenarioRecipe, ScenarioSupply,
};

/// Most weeks of a scenario.
pub const MOST_WEEKS: u32 = 104;

/// A season as a document.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// What it is about.
    pub name: String,
    /// First ISO week.
    pub first_week: IsoWeek,
    /// Weeks that are planned.
    pub weeks: u32,
    /// The day it is, everywhere; sowing can begin on the next.
    pub today: NaiveDate,
    sites: Vec<ScenarioSite>,
    #[serde(default)]
    closures: Vec<ScenarioClosure>,
    container_kinds: Vec<ScenarioKind>,
    stations: Vec<ScenarioStation>,
    #[serde(default)]
    outages: Vec<ScenarioOutage>,
    crop_groups: Vec<ScenarioGroup>,
    crops: Vec<ScenarioCrop>,
    recipients: Vec<ScenarioRecipient>,
    pledges: Vec<ScenarioPledge>,
    #[serde(default)]
    stock_items: Vec<ScenarioItem>,
    #[serde(default)]
    container_supplies: Vec<ScenarioSupply>,
    usual_recipe: Option<ScenarioRecipe>,
    #[serde(default)]
    lots: Vec<ScenarioLot>,
    #[serde(default)]
    stock_orders: Vec<ScenarioOrder>,
}

#[derive(Debug, Deserialize)]
struct ScenarioSite {
    id: Option<String>,
    name: String,
    zone: String,
    opening_hours: Vec<PeriodText>,
    weekly_minutes: Option<i64>,
    weekly_mixing: Option<Volume>,
    most_sowings_per_week: Option<i64>,
}

#[derive(Debug, Deserialize)]
struct ScenarioClosure {
    site_id: String,
    first_day: NaiveDate,
    last_day: NaiveDate,
}

#[derive(Debug, Deserialize)]
struct ScenarioKind {
    id: Option<String>,
    name: String,
    fill: Volume,
    volume: Option<Volume>,
    refill_limit: Option<Volume>,
    #[serde(default = "plant")]
    plants_per_container: i32,
    #[serde(default = "thousand")]
    yield_permille: i64,
}

#[derive(Debug, Deserialize)]
struct ScenarioStation {
    id: Option<String>,
    site_id: String,
    container_kind_id: String,
    name: String,
    method: GrowingMethod,
    places: i64,
    environment: Vec<EnvironmentBand>,
}

#[derive(Debug, Deserialize)]
struct ScenarioOutage {
    station_id: String,
    first_day: NaiveDate,
    last_day: NaiveDate,
    places: i64,
}

#[derive(Debug, Deserialize)]
struct ScenarioGroup {
    id: Option<String>,
    name: String,
}

#[derive(Debug, Deserialize)]
struct ScenarioCrop {
    id: Option<String>,
    crop_group_id: String,
    name: String,
    profile: Value,
    #[serde(default)]
    station_days: Vec<StationDays>,
}

#[derive(Debug, Deserialize)]
struct ScenarioRecipient {
    id: Option<String>,
    name: String,
    delivery_weekdays: Vec<WeekdayName>,
    #[serde(default = "two")]
    keep_days: i32,
}

#[derive(Debug, Deserialize)]
struct ScenarioPledge {
    id: Option<String>,
    recipient_id: String,
    crop_id: Option<String>,
    crop_group_id: Option<String>,
    weekly: Mass,
    first_week: IsoWeek,
    last_week: IsoWeek,
    #[serde(default = "one")]
    priority: i32,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "snake_case")]
enum WeekdayName {
    Monday = 1,
    Tuesday,
    Wednesday,
    Thursday,
    Friday,
    Saturday,
    Sunday,
}

fn thousand() -> i64 {
    1000
}

fn plant() -> i32 {
    1
}

fn two() -> i32 {
    2
}

fn one() -> i32 {
    1
}

fn fault(what: impl Into<String>, fault: impl Into<String>) -> SeasonError {
    SeasonError {
        what: what.into(),
        fault: fault.into(),
    }
}

/// The records of one kind, by id and name.
struct Register {
    noun: &'static str,
    known: Vec<(String, String)>,
}

impl Register {
    fn of<'a>(
        noun: &'static str,
        records: impl IntoIterator<Item = (&'a Option<String>, &'a String)>,
    ) -> Result<Self, SeasonError> {
        let mut known: Vec<(String, String)> = Vec::new();
        for (id, name) in records {
            let id = id.as_ref().unwrap_or(name).clone();
            if known.iter().any(|(other, _)| *other == id) {
                return Err(fault(format!("{noun} {id}"), "is there twice"));
            }
            known.push((id, name.clone()));
        }
        Ok(Self { noun, known })
    }

    /// The id of what a reference names.
    fn find(&self, by: &str, reference: &str) -> Result<String, SeasonError> {
        let by_id = self.known.iter().find(|(id, _)| id == reference);
        by_id
            .or_else(|| self.known.iter().find(|(_, name)| name == reference))
            .map(|(id, _)| id.clone())
            .ok_or_else(|| fault(by, format!("there is no {} {reference:?}", self.noun)))
    }
}

impl Scenario {
    /// Reads a document.
    ///
    /// # Errors
    /// [`SeasonError`] with the place of the fault.
    pub fn read(bytes: &[u8]) -> Result<Self, SeasonError> {
        serde_json::from_slice(bytes).map_err(|e| fault("the scenario", e.to_string()))
    }

    /// The season it describes.
    ///
    /// # Errors
    /// [`SeasonError`] for references to nothing and figures that cannot be.
    pub fn season(self) -> Result<Season, SeasonError> {
        if !(1..=MOST_WEEKS).contains(&self.weeks) {
            let range = format!("must be from 1 to {MOST_WEEKS}");
            return Err(fault("weeks", range));
        }
        if !(1970..=9000).contains(&self.today.year())
            || !(1970..=9000).contains(&self.first_week.year())
        {
            return Err(fault(
                "today and first_week",
                "the year must be from 1970 to 9000",
            ));
        }
        let sites = Register::of("site", self.sites.iter().map(|r| (&r.id, &r.name)))?;
        let kinds = Register::of(
            "container kind",
            self.container_kinds.iter().map(|r| (&r.id, &r.name)),
        )?;
        let stations = Register::of("station", self.stations.iter().map(|r| (&r.id, &r.name)))?;
        let groups = Register::of(
            "crop group",
            self.crop_groups.iter().map(|r| (&r.id, &r.name)),
        )?;
        let crops = Register::of("crop", self.crops.iter().map(|r| (&r.id, &r.name)))?;
        let mut season = Season {
            first_monday: self.first_week.monday(),
            weeks: self.weeks,
            sites: sites_of(self.sites, &self.closures, &sites, self.today)?,
            stations: stations_of(
                self.stations,
                &self.outages,
                &self.container_kinds,
                [&sites, &kinds, &stations],
            )?,
            crops: crops_of(self.crops, &groups, &stations)?,
            pledges: pledges_of(
                self.pledges,
                &self.recipients,
                &self.crop_groups,
                [&groups, &crops],
            )?,
            sowings: Vec::new(),
            due: Vec::new(),
            goods: None,
        };
        season.sites.sort_by(|a, b| a.id.cmp(&b.id));
        season.stations.sort_by(|a, b| a.id.cmp(&b.id));
        season.crops.sort_by(|a, b| a.id.cmp(&b.id));
        for pledge in &mut season.pledges {
            if let Some(crop) = season
                .crops
                .iter()
                .find(|crop| Some(&crop.id) == pledge.crop_id.as_ref())
            {
                pledge.what.clone_from(&crop.name);
            }
        }
        let goods = ScenarioGoods {
            stock_items: self.stock_items,
            container_supplies: self.container_supplies,
            usual_recipe: self.usual_recipe,
            lots: self.lots,
            stock_orders: self.stock_orders,
        };
        season.goods = goods.goods(&season, &self.container_kinds, [&sites, &kinds, &crops])?;
        Ok(season)
    }
}

fn sites_of(
    sites: Vec<ScenarioSite>,
    closures: &[ScenarioClosure],
    register: &Register,
    today: NaiveDate,
) -> Result<Vec<SeasonSite>, SeasonError> {
    let mut found = Vec::new();
    for site in sites {
        let zone: Result<SiteZone, _> = site.zone.parse();
        zone.map_err(|e| fault(&site.name, e.to_string()))?;
        found.push(SeasonSite {
            id: site.id.unwrap_or_else(|| site.name.clone()),
            name: site.name,
            zone: site.zone,
            opening_hours: site.opening_hours,
            closures: Vec::new(),
            weekly_minutes: site.weekly_minutes,
            weekly_mixing_microlitres: site.weekly_mixing.map(Volume::microlitres),
            most_sowings_per_week: site.most_sowings_per_week,
            today,
            retired: false,
        });
    }
    for closure in closures {
        let id = register.find("a closure", &closure.site_id)?;
        if let Some(site) = found.iter_mut().find(|site| site.id == id) {
            site.closures.push((closure.first_day, closure.last_day));
        }
    }
    for site in &found {
        site.calendar(true)?;
    }
    Ok(found)
}

fn stations_of(
    stations: Vec<ScenarioStation>,
    outages: &[ScenarioOutage],
    kinds: &[ScenarioKind],
    [sites, kind_register, register]: [&Register; 3],
) -> Result<Vec<SeasonStation>, SeasonError> {
    let mut found = Vec::new();
    for station in stations {
        let kind_id = kind_register.find(&station.name, &station.container_kind_id)?;
        let kind = kinds
            .iter()
            .find(|kind| kind.id.as_ref().unwrap_or(&kind.name) == &kind_id)
            .ok_or_else(|| fault(&station.name, "there is no such container kind"))?;
        if !(1..=10_000).contains(&station.places) {
            return Err(fault(&station.name, "must have 1 to 10000 places"));
        }
        found.push(SeasonStation {
            site_id: sites.find(&station.name, &station.site_id)?,
            id: station.id.unwrap_or_else(|| station.name.clone()),
            name: station.name,
            method: station.method,
            places: station.places,
            environment: station.environment,
            container: container(kind.yield_permille, kind.fill.microlitres()),
            container_kind_id: kind_id,
            outages: Vec::new(),
            retired: false,
        });
    }
    for outage in outages {
        let id = register.find("an outage", &outage.station_id)?;
        if let Some(station) = found.iter_mut().find(|station| station.id == id) {
            station.outages.push(SeasonOutage {
                first_day: outage.first_day,
                last_day: outage.last_day,
                places: outage.places,
            });
        }
    }
    Ok(found)
}

fn crops_of(
    crops: Vec<ScenarioCrop>,
    groups: &Register,
    stations: &Register,
) -> Result<Vec<SeasonCrop>, SeasonError> {
    let mut found = Vec::new();
    for crop in crops {
        let mut known = std::collections::BTreeMap::new();
        for days in crop.station_days {
            let (station, days) = days.into();
            known.insert(stations.find(&crop.name, &station)?, days);
        }
        found.push(SeasonCrop {
            group_id: groups.find(&crop.name, &crop.crop_group_id)?,
            profile: profile(&crop.name, crop.profile)?,
            id: crop.id.unwrap_or_else(|| crop.name.clone()),
            name: crop.name,
            known,
            learned: std::collections::BTreeMap::new(),
            retired: false,
        });
    }
    Ok(found)
}

/// A profile as the API has it: weights and volumes as quantities.
fn profile(name: &str, mut wire: Value) -> Result<CropProfile, SeasonError> {
    let fields = wire
        .as_object_mut()
        .ok_or_else(|| fault(name, "the profile must be an object"))?;
    if let Some(weights) = fields.remove("cut_weights") {
        let weights: Vec<Mass> = parse(name, weights)?;
        let milligrams: Vec<i64> = weights.into_iter().map(Mass::milligrams).collect();
        fields.insert("cut_milligrams".to_owned(), milligrams.into());
    }
    if let Some(seed) = fields.remove("seed_per_container") {
        let seed: Mass = parse(name, seed)?;
        fields.insert(
            "seed_milligrams_per_container".to_owned(),
            seed.milligrams().into(),
        );
    }
    for (quantity, kept) in [
        ("mix_at_sowing", "mix_at_sowing_millilitres"),
        ("mix_at_cut", "mix_at_cut_millilitres"),
    ] {
        if let Some(volume) = fields.remove(quantity) {
            let volume: Volume = parse(name, volume)?;
            fields.insert(kept.to_owned(), (volume.microlitres() / 1000).into());
        }
    }
    let profile: CropProfile = parse(name, wire)?;
    match profile.validate().first() {
        Some(wrong) => Err(fault(name, format!("{wrong:?}"))),
        None => Ok(profile),
    }
}

fn pledges_of(
    pledges: Vec<ScenarioPledge>,
    recipients: &[ScenarioRecipient],
    group_records: &[ScenarioGroup],
    [groups, crops]: [&Register; 2],
) -> Result<Vec<SeasonPledge>, SeasonError> {
    let register = Register::of("recipient", recipients.iter().map(|r| (&r.id, &r.name)))?;
    let mut found: Vec<SeasonPledge> = Vec::new();
    for (number, pledge) in pledges.into_iter().enumerate() {
        let id = pledge
            .id
            .unwrap_or_else(|| format!("pledge {:03}", number + 1));
        if pledge.crop_id.is_some() == pledge.crop_group_id.is_some() {
            return Err(fault(id, "must name either a crop or a crop group"));
        }
        if pledge.weekly.milligrams() < 1 || !(1..=9).contains(&pledge.priority) {
            return Err(fault(
                id,
                "weekly must be above nothing, priority from 1 to 9",
            ));
        }
        let recipient_id = register.find(&id, &pledge.recipient_id)?;
        let recipient = recipients
            .iter()
            .find(|known| known.id.as_ref().unwrap_or(&known.name) == &recipient_id)
            .ok_or_else(|| fault(&id, "there is no such recipient"))?;
        let crop_id = pledge
            .crop_id
            .map(|crop| crops.find(&id, &crop))
            .transpose()?;
        let group_id = pledge
            .crop_group_id
            .map(|group| groups.find(&id, &group))
            .transpose()?;
        let group = group_records
            .iter()
            .find(|group| Some(group.id.as_ref().unwrap_or(&group.name)) == group_id.as_ref());
        found.push(SeasonPledge {
            recipient_name: recipient.name.clone(),
            delivery_weekdays: recipient
                .delivery_weekdays
                .iter()
                .map(|day| *day as i16)
                .collect(),
            keep_days: recipient.keep_days,
            recipient_id,
            what: group.map(|group| group.name.clone()).unwrap_or_default(),
            crop_id,
            crop_group_id: group_id,
            weekly_milligrams: pledge.weekly.milligrams(),
            first_monday: pledge.first_week.monday(),
            last_monday: pledge.last_week.monday(),
            priority: pledge.priority,
            id,
        });
    }
    found.sort_by(|a, b| a.id.cmp(&b.id));
    Ok(found)
}
