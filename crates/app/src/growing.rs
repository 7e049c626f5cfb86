//! A crop at a station as the growth and calendar rules see it: when it comes up, can be cut and
//! gives what, on days on which the site is open.

use std::ops::Range;

use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use cotyl_calendar::{
    Closure, Flexibility, OpeningHours, PeriodText, SiteCalendar, SiteZone, TaskWindow,
};
use cotyl_growth::learning::Taught;
use cotyl_growth::water::{Growing, WaterUse};
use cotyl_growth::{
    Climate, ContainerYield, CropProfile, KnownDays, Relaxed, WorkingDay,
    cut_milligrams_after_emergence, emergence_check_day, expected_cuts, first_cut_day,
    growing_arcs, next_cut_day,
};
use cotyl_store::Tx;
use cotyl_store::growing::{self, GrowingPlace};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use uuid::Uuid;

use crate::{Error, Result};

/// Weeks of climate that are looked ahead.
const WEEKS_AHEAD: u64 = 100;

/// Temperature and light of a station in some weeks of the ISO year.
#[derive(Debug, Deserialize)]
struct EnvironmentPeriod {
    first_week: u32,
    last_week: u32,
    temperature_celsius: f64,
    daily_light_mol: f64,
}

/// What the co-operative knows of a crop at one station.
#[derive(Debug, Deserialize)]
struct StationDays {
    station_id: Uuid,
    days_to_first_cut: Option<u32>,
    days_to_regrow: Option<u32>,
}

/// A crop at a station of a site.
pub(crate) struct Ground {
    /// The crop, with what was learned of it at the station, so that sowings of any origin are foreseen
    /// by the figures that plans are made with.
    pub profile: CropProfile,
    /// Zone, hours and closures of the site.
    pub calendar: SiteCalendar,
    environment: Vec<EnvironmentPeriod>,
    container: ContainerYield,
    known: KnownDays,
}

/// Climate from the Monday of a day on, with the numbering of days that the growth rules use.
struct Season {
    monday: NaiveDate,
    climate: Climate,
}

impl Season {
    fn number(&self, day: NaiveDate) -> i64 {
        (day - self.monday).num_days()
    }

    fn day(&self, number: i64) -> Option<NaiveDate> {
        self.monday
            .checked_add_signed(chrono::TimeDelta::try_days(number)?)
    }
}

impl Ground {
    /// Reads a crop at a station that the co-operative has.
    ///
    /// # Errors
    /// [`Error::NotFound`] when it lacks either; a fault of this program for stored data that the
    /// rules cannot read.
    pub async fn load(tx: &mut Tx, station_id: Uuid, crop_id: Uuid) -> Result<Self> {
        let place = growing::place(tx, station_id, crop_id)
            .await?
            .ok_or(Error::NotFound("station or crop"))?;
        Self::of(place)
    }

    /// The stored forms as the rules take them.
    ///
    /// # Errors
    /// A fault of this program for stored data that the rules cannot read.
    pub fn of(place: GrowingPlace) -> Result<Self> {
        let periods: Vec<PeriodText> = read(place.opening_hours)?;
        let hours = OpeningHours::parse(&periods)
            .map_err(|_| Error::internal("stored opening hours cannot be read"))?;
        let zone: SiteZone = place.zone.parse().map_err(Error::internal)?;
        let closures = place
            .closures
            .0
            .into_iter()
            .map(|closed| Closure::new(closed.first_day, closed.last_day, &closed.reason))
            .collect::<std::result::Result<_, _>>()
            .map_err(|_| Error::internal("a stored closure cannot be read"))?;
        let known: Vec<StationDays> = read(place.station_days)?;
        let known = known
            .into_iter()
            .find(|days| days.station_id == place.station_id)
            .map_or_else(KnownDays::default, |days| KnownDays {
                to_first_cut: days.days_to_first_cut,
                to_regrow: days.days_to_regrow,
            });
        let given: CropProfile = read(place.profile)?;
        let profile = match place.learned {
            Some(learned) => read::<Taught>(learned)?.applied(&given),
            None => given,
        };
        Ok(Self {
            profile,
            calendar: SiteCalendar::new(zone, hours, closures),
            environment: read(place.environment)?,
            container: ContainerYield {
                yield_permille: place.yield_permille.into(),
                liquid_millilitres: place.fill_microlitres / 1000,
                ..ContainerYield::REFERENCE
            },
            known,
        })
    }

    /// The local day of an instant.
    pub fn day_of(&self, instant: DateTime<Utc>) -> NaiveDate {
        self.calendar.zone().today(instant)
    }

    /// The day on which seeds sown on a day should have come up. Where that is past what can be
    /// foreseen, reference conditions are taken.
    pub fn emergence_on(&self, sown_on: NaiveDate) -> Result<NaiveDate> {
        let season = self.season(sown_on)?;
        let foreseen = emergence_check_day(&self.profile, &season.climate, season.number(sown_on))
            .and_then(|day| season.day(day));
        let at_reference = self.profile.emergence_days_at_reference.ceil().max(1.0) as u64;
        foreseen
            .or_else(|| sown_on.checked_add_days(Days::new(at_reference)))
            .ok_or_else(out_of_range)
    }

    /// When to look at the seedlings: the open day nearest to emergence that is after the sowing.
    pub fn germination_check(&self, sown_on: NaiveDate) -> Result<TaskWindow> {
        let expected = self.emergence_on(sown_on)?;
        let nearest = self.window(expected, Flexibility::Nearest)?;
        if nearest.day > sown_on {
            return Ok(nearest);
        }
        let after = sown_on.succ_opt().ok_or_else(out_of_range)?;
        self.window(expected.max(after), Flexibility::OrAfter)
    }

    /// The window of a task due on a day.
    ///
    /// # Errors
    /// A field problem when the site has no open day within reach.
    pub fn window(&self, day: NaiveDate, flexibility: Flexibility) -> Result<TaskWindow> {
        self.calendar.task_window(day, flexibility).ok_or_else(|| {
            Error::field(
                "/site_id",
                "closed",
                format!("the site has no open day near {day} on which the work could be done"),
            )
        })
    }

    /// Cuts expected from a sowing: each day with the milligrams of the whole sowing.
    pub fn expected(&self, sow_on: NaiveDate, containers: i32) -> Result<Vec<(NaiveDate, i64)>> {
        let season = self.season(sow_on)?;
        let last = sow_on
            .checked_add_days(Days::new(WEEKS_AHEAD * 7))
            .ok_or_else(out_of_range)?;
        let working = self.working_days(&season, self.calendar.working_days(sow_on, last))?;
        let cuts = expected_cuts(
            &self.profile,
            &season.climate,
            season.number(sow_on),
            &[],
            &working,
            &self.container,
            self.known,
        );
        Ok(cuts
            .into_iter()
            .filter_map(|cut| {
                let day = season.day(working.get(cut.slot)?.day.into())?;
                Some((
                    day,
                    cut.milligrams_per_container
                        .saturating_mul(containers.into()),
                ))
            })
            .collect())
    }

    /// Milligrams expected of the whole sowing when cut on these days; nothing for a cut before it
    /// is ready, past its waiting time, or in a season that does not suit the crop.
    pub fn expected_on(
        &self,
        sow_on: NaiveDate,
        cuts: &[NaiveDate],
        containers: i32,
    ) -> Result<Vec<i64>> {
        let season = self.season(sow_on)?;
        let days = std::iter::once(sow_on).chain(cuts.iter().copied());
        let slots = self.working_days(&season, days.collect())?;
        let arcs = growing_arcs(
            &self.profile,
            &season.climate,
            &slots,
            &self.container,
            self.known,
            Relaxed::default(),
        );
        let weights = cut_milligrams_after_emergence(&self.profile, &self.container);
        Ok((0..cuts.len())
            .map(|cut| {
                let arcs = if cut == 0 { &arcs.first } else { &arcs.again };
                let permille = arcs
                    .iter()
                    .find(|(from, to, _)| (*from, *to) == (cut, cut + 1))
                    .map_or(0, |(_, _, permille)| *permille);
                let weight = weights.get(cut).copied().unwrap_or_default();
                weight * permille / 1000 * i64::from(containers)
            })
            .collect())
    }

    /// The day from which a cut of a crop is ready that has been growing since a day: since sowing for
    /// the first cut, number 0, since the cut before for the others; `None` where that is not foreseen.
    pub fn ready_on(&self, from: NaiveDate, cut: usize) -> Result<Option<NaiveDate>> {
        Ok(self.ready_in(&self.season(from)?, from, cut))
    }

    fn ready_in(&self, season: &Season, from: NaiveDate, cut: usize) -> Option<NaiveDate> {
        let number = season.number(from);
        let ready = if cut == 0 {
            first_cut_day(&self.profile, &season.climate, number, self.known)
        } else {
            next_cut_day(&self.profile, &season.climate, number, self.known)
        };
        season.day(ready?)
    }

    /// Days of the cuts still to come as things stand: a planned day is kept while the growth rules
    /// agree with it, put off to the day on which the crop is ready, and brought forward when it
    /// would wait too long. `from` is the last cut, or the day from which the crop has been growing;
    /// `remaining` names the cuts by their place in `planned`.
    pub fn cuts_as_things_stand(
        &self,
        from: NaiveDate,
        planned: &[NaiveDate],
        remaining: Range<usize>,
    ) -> Result<Vec<NaiveDate>> {
        let season = self.season(from)?;
        let mut from = from;
        let mut days = Vec::new();
        for cut in remaining {
            let Some(&planned) = planned.get(cut) else {
                break;
            };
            let day = match self.ready_in(&season, from, cut) {
                Some(ready) => {
                    let latest = ready
                        .checked_add_days(Days::new(self.profile.hold_days.into()))
                        .ok_or_else(out_of_range)?;
                    planned.clamp(ready, latest)
                }
                None => planned.max(from),
            };
            from = self.window(day, Flexibility::OrAfter)?.day;
            days.push(from);
        }
        Ok(days)
    }

    /// Liquid that one container uses on each day from one to the day before another, in microlitres;
    /// `cuts` are those taken and to come.
    pub fn daily_use(
        &self,
        water: WaterUse,
        sown_on: NaiveDate,
        cuts: &[NaiveDate],
        days: Range<NaiveDate>,
    ) -> Result<Vec<i64>> {
        let season = self.season(sown_on)?;
        let growing = Growing {
            profile: &self.profile,
            climate: &season.climate,
            container: &self.container,
            known: self.known,
        };
        let cuts: Vec<i64> = cuts.iter().map(|day| season.number(*day)).collect();
        let days = season.number(days.start)..season.number(days.end);
        Ok(growing.daily_use_microlitres(water, season.number(sown_on), &cuts, days))
    }

    fn season(&self, from: NaiveDate) -> Result<Season> {
        let monday = from.week(chrono::Weekday::Mon).first_day();
        let mut climate = Climate {
            temperature_celsius: Vec::new(),
            daily_light_mol: Vec::new(),
        };
        for week in 0..=WEEKS_AHEAD {
            let day = monday
                .checked_add_days(Days::new(week * 7))
                .ok_or_else(out_of_range)?;
            let week = day.iso_week().week();
            let period = self
                .environment
                .iter()
                .find(|period| (period.first_week..=period.last_week).contains(&week))
                .ok_or_else(|| {
                    Error::internal(format!("the station has no environment for week {week}"))
                })?;
            climate.temperature_celsius.push(period.temperature_celsius);
            climate.daily_light_mol.push(period.daily_light_mol);
        }
        Ok(Season { monday, climate })
    }

    fn working_days(&self, season: &Season, days: Vec<NaiveDate>) -> Result<Vec<WorkingDay>> {
        days.into_iter()
            .map(|day| {
                let day = u32::try_from(season.number(day)).map_err(Error::internal)?;
                Ok(WorkingDay {
                    day,
                    week: day as usize / 7,
                })
            })
            .collect()
    }
}

fn read<T: DeserializeOwned>(stored: Value) -> Result<T> {
    serde_json::from_value(stored).map_err(Error::internal)
}

fn out_of_range() -> Error {
    Error::internal("a day beyond the calendar")
}
