//! What the record of past sowings teaches about crops at stations.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use cotyl_growth::learning::{
    Assumptions, Choices, ExpectedScatter, Frozen, Learned, Measured, Place, Quantity, Reset,
    Scope, SowingRecord, Taught, expected_survival, learn,
};
use cotyl_growth::{Climate, CropProfile, KnownDays, WorkingDay, expected_cuts, first_cut_day};
use cotyl_store::Tx;
use cotyl_store::learning::{self, Choice, RecordRow};
use cotyl_store::station_learning::{self, StationChoice};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::days::climate;
use super::season::{Season, SeasonCrop, SeasonError, SeasonSite, SeasonStation};
use crate::Result;

/// Days for which a sowing is remembered: two years and a half, so that each time of year has been
/// seen twice.
const DAYS_ON_RECORD: u64 = 913;
/// Weeks of climate from a sowing on; no crop is cut for longer.
const WEEKS_OF_A_SOWING: usize = 60;

/// What was learned of a crop at a station, in the terms of its profile.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LearnedCrop {
    /// Days to the first cut at reference conditions.
    pub days_to_first_cut: u32,
    /// Days to a later cut.
    pub days_to_regrow: u32,
    /// Weight of each cut.
    pub cut_milligrams: Vec<i64>,
    /// Germination with which as many containers stand as are learned to.
    pub germination_permille: i64,
    /// Scatter of the next sowing.
    pub scatter: ExpectedScatter,
}

impl SeasonCrop {
    /// Its profile at a station, with what was learned there.
    #[must_use]
    pub fn profile_at(&self, station_id: &str) -> Cow<'_, CropProfile> {
        match self.learned.get(station_id) {
            None => Cow::Borrowed(&self.profile),
            Some(learned) => Cow::Owned(CropProfile {
                days_to_first_cut: learned.days_to_first_cut,
                days_to_regrow: learned.days_to_regrow,
                cut_milligrams: learned.cut_milligrams.clone(),
                germination_permille: learned.germination_permille,
                ..self.profile.clone()
            }),
        }
    }
}

/// Reads the record and what was decided about it; call it in one snapshot.
///
/// # Errors
/// Those of the database.
pub(crate) async fn read(tx: &mut Tx, now: DateTime<Utc>) -> Result<(Vec<RecordRow>, Choices)> {
    let records = learning::records(tx, first_day_on_record(now)).await?;
    let mut decided = decided(&learning::choices(tx).await?);
    for StationChoice { fields, .. } in station_learning::choices(tx).await? {
        if let Some(quantity) = quantity(&fields.quantity) {
            let scope = Scope::Station {
                station: fields.station_id.to_string(),
            };
            let what = (fields.held_permille, fields.forget_before);
            decide(&mut decided, scope, quantity, what);
        }
    }
    Ok((records, decided))
}

/// The first day of which sowings are remembered.
pub(crate) fn first_day_on_record(now: DateTime<Utc>) -> NaiveDate {
    now.date_naive() - Days::new(DAYS_ON_RECORD)
}

/// Choices as the rules of learning take them; one of an unknown quantity says nothing.
fn decided(choices: &[Choice]) -> Choices {
    let mut decided = Choices::default();
    for choice in choices {
        let fields = &choice.fields;
        let Some(quantity) = quantity(&fields.quantity) else {
            continue;
        };
        let crop = fields.crop_id.to_string();
        let scope = match fields.station_id {
            None => Scope::Crop { crop },
            Some(station) => Scope::CropStation {
                crop,
                station: station.to_string(),
            },
        };
        let what = (fields.held_permille, fields.forget_before);
        decide(&mut decided, scope, quantity, what);
    }
    decided
}

/// Adds a choice: a figure that is held, or a day before which records are forgotten.
fn decide(
    decided: &mut Choices,
    scope: Scope,
    quantity: Quantity,
    (held_permille, forget_before): (Option<i32>, Option<NaiveDate>),
) {
    if let Some(permille) = held_permille {
        decided.frozen.push(Frozen {
            scope,
            quantity,
            value: f64::from(permille) / 1000.0,
        });
    } else if let Some(day) = forget_before {
        decided.resets.push(Reset {
            scope,
            quantity: Some(quantity),
            before_day: i64::from(day.num_days_from_ce()),
        });
    }
}

/// A quantity by its name.
#[must_use]
pub fn quantity(name: &str) -> Option<Quantity> {
    match name {
        "days" => Some(Quantity::Days),
        "grams" => Some(Quantity::Grams),
        "survival" => Some(Quantity::Survival),
        _ => None,
    }
}

/// Puts what the records teach into the crops of a season.
///
/// # Errors
/// [`SeasonError`] for a record or a choice from which nothing can be learned.
pub fn teach(
    season: &mut Season,
    records: &[RecordRow],
    choices: &Choices,
) -> std::result::Result<(), SeasonError> {
    let learned = learned(season, records, choices)?;
    let fault = |crop: &SeasonCrop, fault: &dyn std::fmt::Display| SeasonError {
        what: crop.name.clone(),
        fault: fault.to_string(),
    };
    let stations = season.stations.clone();
    for crop in &mut season.crops {
        for station in &stations {
            let place = place(crop, station);
            let bears = learned.bears_on(&crop.profile, &place);
            if !bears.map_err(|error| fault(crop, &error))? {
                continue;
            }
            let applied = learned
                .applied(&crop.profile, &place)
                .map_err(|error| fault(crop, &error))?;
            let scatter = learned
                .scatter(&place, expected_survival(&crop.profile))
                .map_err(|error| fault(crop, &error))?;
            let taught = LearnedCrop {
                days_to_first_cut: applied.days_to_first_cut,
                days_to_regrow: applied.days_to_regrow,
                cut_milligrams: applied.cut_milligrams,
                germination_permille: applied.germination_permille,
                scatter,
            };
            crop.learned.insert(station.id.clone(), taught);
        }
    }
    Ok(())
}

pub(super) fn place(crop: &SeasonCrop, station: &SeasonStation) -> Place {
    Place {
        group: crop.group_id.clone(),
        crop: crop.id.clone(),
        method: station.method,
        station: station.id.clone(),
    }
}

/// What was learned of each crop at each station, by crop and then by station; nothing where nothing
/// bears on it.
///
/// # Errors
/// [`SeasonError`] as for [`teach`].
pub fn taught_places(
    season: &Season,
    records: &[RecordRow],
    choices: &Choices,
) -> std::result::Result<BTreeMap<String, BTreeMap<String, Taught>>, SeasonError> {
    let learned = learned(season, records, choices)?;
    let mut taught: BTreeMap<String, BTreeMap<String, Taught>> = BTreeMap::new();
    for crop in &season.crops {
        let fault = |error: cotyl_growth::learning::LearningError| SeasonError {
            what: crop.name.clone(),
            fault: error.to_string(),
        };
        for station in &season.stations {
            let place = place(crop, station);
            if learned.bears_on(&crop.profile, &place).map_err(fault)? {
                let here = learned.taught(&crop.profile, &place).map_err(fault)?;
                let of_crop = taught.entry(crop.id.clone()).or_default();
                of_crop.insert(station.id.clone(), here);
            }
        }
    }
    Ok(taught)
}

pub(super) fn learned(
    season: &Season,
    rows: &[RecordRow],
    choices: &Choices,
) -> std::result::Result<Learned, SeasonError> {
    let records: Vec<SowingRecord> = rows.iter().filter_map(|row| record(season, row)).collect();
    learn(&records, choices, &Assumptions::default()).map_err(|fault| SeasonError {
        what: "the record of sowings".to_owned(),
        fault: fault.to_string(),
    })
}

/// Which cuts of a sowing are looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cuts {
    /// All that were recorded.
    All,
    /// Those that nothing from outside harmed: they alone tell of a crop at its station.
    Unharmed,
}

impl Cuts {
    fn take(self, row: &RecordRow, index: usize) -> bool {
        self == Self::All || row.cut_harms.get(index).is_none_or(Option::is_none)
    }
}

/// The record of a sowing without harmed cuts and the figures that a coordinator leaves out.
fn record(season: &Season, row: &RecordRow) -> Option<SowingRecord> {
    let mut record = recorded(season, row, Cuts::Unharmed)?;
    let vetoed = |quantity: &str| row.vetoed.iter().any(|vetoed| vetoed == quantity);
    if vetoed("days") {
        record.days_to_first_cut = None;
    }
    if vetoed("grams") {
        record.grams = None;
    }
    if vetoed("survival") {
        record.containers_stood = None;
        record.lost = false;
    }
    Some(record)
}

/// What was found of a sowing beside what the profile expected, before anything learned.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// The sowing.
    pub sowing_id: Uuid,
    /// Its station.
    pub station_id: String,
    /// Name of the station.
    pub station_name: String,
    /// When it was sown.
    pub sown_on: NaiveDate,
    /// Days to the first cut, and grams of the cuts so far; containers that stood.
    pub record: SowingRecord,
    /// Figures that are left out of learning.
    pub vetoed: Vec<String>,
    /// Cuts that something from outside harmed, with what it was: they are left out as well.
    pub harmed_cuts: Vec<(NaiveDate, String)>,
}

/// Every sowing of a crop from which something is learned, or would be if it were not left out.
#[must_use]
pub fn observations(season: &Season, crop_id: &str, rows: &[RecordRow]) -> Vec<Observation> {
    let of_crop = rows.iter().filter(|row| row.crop_id == crop_id);
    of_crop
        .filter_map(|row| {
            let station = season.stations.iter().find(|s| s.id == row.station_id)?;
            Some(Observation {
                sowing_id: row.sowing_id,
                station_id: station.id.clone(),
                station_name: station.name.clone(),
                sown_on: row.sown_on,
                record: recorded(season, row, Cuts::All)?,
                vetoed: row.vetoed.clone(),
                harmed_cuts: harmed_cuts(row),
            })
        })
        .collect()
}

fn harmed_cuts(row: &RecordRow) -> Vec<(NaiveDate, String)> {
    let cuts = row.cut_days.iter().zip(&row.cut_harms);
    cuts.filter_map(|(day, harm)| Some((*day, harm.clone()?)))
        .collect()
}

/// The record of a sowing by some of its cuts; `None` where its crop, station or site is no longer in
/// the season.
fn recorded(season: &Season, row: &RecordRow, cuts: Cuts) -> Option<SowingRecord> {
    let crop = season.crops.iter().find(|crop| crop.id == row.crop_id)?;
    let station = season.stations.iter().find(|s| s.id == row.station_id)?;
    let site = season
        .sites
        .iter()
        .find(|site| site.id == station.site_id)?;
    let course = Course::of(station, row);
    let sown = u32::try_from(row.containers).ok()?;
    let stood = row
        .sprouted_containers
        .and_then(|count| u32::try_from(count).ok())
        .map(|count| count.min(sown))
        .filter(|count| *count > 0 || row.cut_milligrams.iter().all(|weight| *weight <= 0));
    Some(SowingRecord {
        place: place(crop, station),
        day: i64::from(row.sown_on.num_days_from_ce()),
        days_to_first_cut: course
            .days(crop, station, site, row)
            .filter(|_| cuts.take(row, 0)),
        grams: course.grams(crop, station, row, cuts),
        containers_sown: sown,
        containers_stood: stood,
        lost: row.lost && row.cut_days.is_empty(),
        expected_survival: expected_survival(&crop.profile),
    })
}

/// The weeks of a past sowing, with days counted from the Monday of its first.
struct Course {
    monday: NaiveDate,
    climate: Climate,
    sown_day: i64,
}

impl Course {
    fn of(station: &SeasonStation, row: &RecordRow) -> Self {
        let weekday = u64::from(row.sown_on.weekday().num_days_from_monday());
        let monday = row.sown_on - Days::new(weekday);
        Self {
            monday,
            climate: climate(station, monday, WEEKS_OF_A_SOWING),
            sown_day: (row.sown_on - monday).num_days(),
        }
    }

    /// Days until the first cut. A crop that is ready waits for the next open day; the wait of a
    /// middling week is added to what the profile expects. Nothing is learned where the co-operative
    /// states the days of the bench itself.
    fn days(
        &self,
        crop: &SeasonCrop,
        station: &SeasonStation,
        site: &SeasonSite,
        row: &RecordRow,
    ) -> Option<Measured> {
        let known = crop.known.get(&station.id);
        if known.is_some_and(|days| days.to_first_cut.is_some()) {
            return None;
        }
        let observed = (*row.cut_days.first()? - row.sown_on).num_days();
        let profile = &crop.profile;
        let ready = first_cut_day(profile, &self.climate, self.sown_day, KnownDays::default())?;
        let weekdays: BTreeSet<&str> = site
            .opening_hours
            .iter()
            .map(|period| period.weekday.as_str())
            .collect();
        let wait = (7.0 / weekdays.len().max(1) as f64 - 1.0) / 2.0;
        let expected = (ready - self.sown_day) as f64 + wait;
        (observed > 0 && expected > 0.0).then_some(Measured {
            observed: observed as f64,
            expected,
        })
    }

    /// Grams of cuts that were taken, and what the profile expects of the same cuts when each is taken as
    /// soon as it is ready after the one before.
    fn grams(
        &self,
        crop: &SeasonCrop,
        station: &SeasonStation,
        row: &RecordRow,
        cuts: Cuts,
    ) -> Option<Measured> {
        let every_day: Vec<WorkingDay> = (0..7 * WEEKS_OF_A_SOWING)
            .map(|day| WorkingDay {
                day: day as u32,
                week: day / 7,
            })
            .collect();
        let done: Vec<i64> = row
            .cut_days
            .iter()
            .map(|day| (*day - self.monday).num_days())
            .collect();
        let (mut observed, mut expected) = (0_i64, 0_i64);
        for number in (0..done.len()).filter(|number| cuts.take(row, *number)) {
            let coming = expected_cuts(
                &crop.profile,
                &self.climate,
                self.sown_day,
                &done[..number],
                &every_day,
                &station.container,
                KnownDays::default(),
            );
            observed += row.cut_milligrams.get(number)?;
            expected += coming.first()?.milligrams_per_container;
        }
        let expected = expected.saturating_mul(i64::from(row.containers));
        (observed > 0 && expected > 0).then_some(Measured {
            observed: observed as f64 / 1000.0,
            expected: expected as f64 / 1000.0,
        })
    }
}
