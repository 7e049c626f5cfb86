//! What stands at a site, as the rules of work take it.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc, Weekday};
use cotyl_calendar::{Closure, OpeningHours, PeriodText, SiteCalendar, SiteZone};
use cotyl_domain::sowing::SowingState;
use cotyl_growth::CropProfile;
use cotyl_store::site_work::{self, WorkRecipient, WorkSite, WorkSowing, WorkStation};
use cotyl_store::sowings::Sowing;
use cotyl_store::{Tx, levels};
use cotyl_work::{
    BatchFacts, CropMinutes, CropRange, CutFacts, LiquidFacts, PledgeFacts, ReadingFacts,
    RecipientFacts, RuleBook, RuleKey, SiteFacts, SolutionFacts, SowingFacts, SowingStage,
    StationFacts, StockFacts,
};
use uuid::Uuid;

use crate::growing::Ground;
use crate::top_ups::WaterCourse;
use crate::{Error, Result};

/// How long readings, and work that answered them, are looked back.
const LOOKED_BACK: TimeDelta = TimeDelta::days(60);

/// The liquid of the sowings of a site, for what a filling lasts.
pub(crate) struct SiteWater {
    courses: Vec<WaterCourse>,
    mark_permille: i64,
}

impl SiteWater {
    /// The day on which the containers of a sowing run low that were filled on a day as far as they
    /// may be; `None` when that is after `until`, or nothing of it is known.
    pub fn low_again_on(
        &self,
        sowing_id: Uuid,
        filled_on: NaiveDate,
        until: NaiveDate,
    ) -> Option<NaiveDate> {
        let course = self
            .courses
            .iter()
            .find(|course| course.sowing.id == sowing_id)?;
        let uses = course.coming_use(until.succ_opt()?).ok()?;
        let offset = usize::try_from((filled_on - course.today).num_days()).ok()?;
        let mark = course.vessel.fill_microlitres * self.mark_permille / 1000;
        let then = course.cautious.course(&uses).get(offset).copied()?;
        let filled = cotyl_growth::water::Level {
            microlitres: course.limit_at(then).highest_microlitres.max(then),
            use_permille: course.cautious.use_permille,
        };
        let low = filled.low_day(mark, uses.get(offset..)?)?;
        filled_on.checked_add_days(Days::new(low as u64))
    }
}

/// Everything at a site that brings work, with levels up to some days ahead; `None` for a site that is
/// not in use.
pub(crate) async fn load(
    tx: &mut Tx,
    site_id: Uuid,
    rules: &RuleBook,
    now: DateTime<Utc>,
    days_ahead: i64,
) -> Result<Option<(SiteFacts, SiteWater)>> {
    let Some(site) = site_work::site(tx, site_id).await? else {
        return Ok(None);
    };
    let calendar = calendar_of(&site)?;
    let zone = calendar.zone();
    let today = zone.today(now);
    let horizon = today + TimeDelta::days(days_ahead);
    let mark_permille = rules.get(RuleKey::TopUp).mark_permille.unwrap_or(0).into();
    let courses = crate::top_ups::load_site(tx, site_id, now).await?;
    let mut liquids: HashMap<Uuid, LiquidFacts> = HashMap::new();
    for course in &courses {
        if let Some(liquid) = liquid_of(course, mark_permille, horizon)? {
            liquids.insert(course.sowing.id, liquid);
        }
    }
    let rows = site_work::sowings(tx, site_id, None, now).await?;
    let stations = site_work::stations(tx, site_id).await?;
    let readings = readings_of(tx, site_id, zone, now).await?;
    let mixing = site_work::batches_mixing(tx, site_id).await?;
    let counted = site_work::counted_at(tx, site_id).await?;
    let finished = site_work::finished(tx, site_id, now - LOOKED_BACK).await?;
    let facts = SiteFacts {
        site_id,
        today,
        sowings: sowings_of(tx, &rows, &liquids).await?,
        stations: stations_of(&stations, &readings),
        readings,
        batches: mixing
            .iter()
            .map(|(id, begun_at, _)| BatchFacts {
                id: *id,
                begun_on: zone.today(*begun_at),
            })
            .collect(),
        solution: SolutionFacts {
            left_microlitres: levels::ready_batches(tx, site_id)
                .await?
                .iter()
                .map(|batch| batch.left_microlitres)
                .chain(mixing.iter().map(|(_, _, microlitres)| *microlitres))
                .sum(),
            needs: fillings(&rows, &stations, today),
        },
        stock: counted.map(|at| StockFacts {
            counted_on: zone.today(at),
        }),
        recipients: recipients_of(tx, site_id, today).await?,
        finished: finished.into_iter().collect(),
        calendar,
    };
    let water = SiteWater {
        courses,
        mark_permille,
    };
    Ok(Some((facts, water)))
}

async fn readings_of(
    tx: &mut Tx,
    site_id: Uuid,
    zone: SiteZone,
    now: DateTime<Utc>,
) -> Result<Vec<ReadingFacts>> {
    let rows = site_work::readings(tx, site_id, now - LOOKED_BACK).await?;
    Ok(rows
        .iter()
        .map(|reading| ReadingFacts {
            id: reading.id,
            station_id: reading.station_id,
            sowing_id: reading.sowing_id,
            read_on: zone.today(reading.measured_at),
            ph: reading.ph_hundredths.map(|ph| ph * 10),
            ec: reading.microsiemens_per_centimetre,
        })
        .collect())
}

/// Stations with the day on which each was measured last; readings are in the order of their taking.
fn stations_of(stations: &[WorkStation], readings: &[ReadingFacts]) -> Vec<StationFacts> {
    let measured: HashMap<Uuid, NaiveDate> = readings
        .iter()
        .map(|reading| (reading.station_id, reading.read_on))
        .collect();
    stations
        .iter()
        .map(|station| StationFacts {
            id: station.id,
            aerated: station.method == "aerated",
            measured_on: measured.get(&station.id).copied(),
        })
        .collect()
}

/// Sowings with the growth of their crops, each crop at a station read once.
async fn sowings_of(
    tx: &mut Tx,
    rows: &[WorkSowing],
    liquids: &HashMap<Uuid, LiquidFacts>,
) -> Result<Vec<SowingFacts>> {
    let mut grounds: BTreeMap<(Uuid, Uuid), Arc<Ground>> = BTreeMap::new();
    let mut emerged: HashMap<(Uuid, Uuid, NaiveDate), NaiveDate> = HashMap::new();
    let mut all = Vec::with_capacity(rows.len());
    for row in rows {
        let place = (row.station_id, row.crop_id);
        if let std::collections::btree_map::Entry::Vacant(free) = grounds.entry(place) {
            free.insert(Arc::new(Ground::load(tx, place.0, place.1).await?));
        }
        let ground = grounds
            .get(&place)
            .ok_or(Error::NotFound("station or crop"))?;
        let key = (row.station_id, row.crop_id, row.sow_on);
        let emergence_on = match emerged.get(&key) {
            Some(day) => *day,
            None => {
                let day = ground.emergence_on(row.sow_on)?;
                emerged.insert(key, day);
                day
            }
        };
        let mut facts = with_emergence(row, ground, emergence_on)?;
        facts.liquid = liquids.get(&row.id).copied();
        all.push(facts);
    }
    Ok(all)
}

/// A sowing with the growth of its crop, without the liquid in its containers.
pub(super) fn of_sowing(row: &WorkSowing, ground: &Ground) -> Result<SowingFacts> {
    with_emergence(row, ground, ground.emergence_on(row.sow_on)?)
}

/// A sowing that was just made.
pub(super) fn of_new(sowing: &Sowing, ground: &Ground) -> Result<SowingFacts> {
    let row = WorkSowing {
        id: sowing.id,
        station_id: sowing.station_id,
        crop_id: sowing.crop_id,
        containers: sowing.containers,
        state: sowing.state.0.as_str().to_owned(),
        sow_on: sowing.sown_on.unwrap_or(sowing.sow_on),
        free_on: sowing.free_on,
        sprouted_on: sowing.sprouted_on,
        planned_cuts: sowing.planned_cuts.clone(),
        numbers_taken: Vec::new(),
        last_cut_on: None,
        looks: 0,
        looked_on: None,
        looked_at: None,
    };
    of_sowing(&row, ground)
}

fn with_emergence(
    row: &WorkSowing,
    ground: &Ground,
    emergence_on: NaiveDate,
) -> Result<SowingFacts> {
    let stage = match SowingState::parse(&row.state) {
        Some(SowingState::Planned) => SowingStage::Planned,
        Some(SowingState::Sown) => SowingStage::Sown,
        Some(SowingState::Sprouted) => SowingStage::Sprouted,
        Some(SowingState::Cutting) => SowingStage::Cutting,
        _ => return Err(Error::internal("a sowing that is over brings no work")),
    };
    let profile = &ground.profile;
    let looked = row.looked_on.max(row.looked_at.map(|at| ground.day_of(at)));
    Ok(SowingFacts {
        id: row.id,
        station_id: row.station_id,
        crop_id: row.crop_id,
        containers: u32::try_from(row.containers).unwrap_or(1),
        stage,
        sow_on: row.sow_on,
        emergence_on,
        looks: looked
            .filter(|_| row.looks > 0)
            .map(|day| (u32::try_from(row.looks).unwrap_or(1), day)),
        cuts: cuts_of(row, ground)?,
        free_on: row.free_on,
        liquid: None,
        range: range_of(profile),
        minutes: CropMinutes {
            sow_tenths: tenths(profile.sow_minutes_tenths),
            cut_tenths: tenths(profile.cut_minutes_tenths),
            clean_tenths: tenths(profile.clean_minutes_tenths),
        },
    })
}

fn tenths(minutes: i64) -> u32 {
    u32::try_from(minutes.max(0)).unwrap_or(u32::MAX)
}

fn range_of(profile: &CropProfile) -> CropRange {
    // as far as a float is a figure with three decimals
    let thousandths = |value: f64| (value * 1000.0).round() as i32;
    CropRange {
        ph_low: thousandths(profile.ph_low),
        ph_high: thousandths(profile.ph_high),
        ec_low: i32::try_from(profile.ec_low_microsiemens_per_cm).unwrap_or(0),
        ec_high: i32::try_from(profile.ec_high_microsiemens_per_cm).unwrap_or(i32::MAX),
    }
}

/// The cuts of a sowing. When the crop is ready is asked only of cuts whose day has become a closed
/// one: it decides whether they may be brought forward.
fn cuts_of(row: &WorkSowing, ground: &Ground) -> Result<Vec<CutFacts>> {
    let mut from = row.sprouted_on.map_or(row.sow_on, |sprouted| {
        // a late sowing is ready later by as much
        let expected = ground.emergence_on(row.sow_on).unwrap_or(sprouted);
        row.sow_on + TimeDelta::days((sprouted - expected).num_days().max(0))
    });
    let mut cuts = Vec::with_capacity(row.planned_cuts.len());
    for (index, (number, day)) in (1..).zip(&row.planned_cuts).enumerate() {
        let taken = i32::try_from(number).is_ok_and(|it| row.numbers_taken.contains(&it));
        let ready_on = if taken || ground.calendar.is_open_on(*day) {
            None
        } else {
            ground.ready_on(from, index)?
        };
        cuts.push(CutFacts {
            number,
            day: *day,
            ready_on,
            holds_until: ready_on.and_then(|ready| {
                ready.checked_add_days(Days::new(ground.profile.hold_days.into()))
            }),
            taken,
        });
        from = match row.last_cut_on {
            Some(last) if taken => last,
            _ => *day,
        };
    }
    Ok(cuts)
}

/// When still containers run low, and what they take then.
fn liquid_of(
    course: &WaterCourse,
    mark_permille: i64,
    horizon: NaiveDate,
) -> Result<Option<LiquidFacts>> {
    if !course.is_passive() {
        return Ok(None);
    }
    let uses = course.coming_use(horizon)?;
    let mark = course.vessel.fill_microlitres * mark_permille / 1000;
    let low = course.cautious.low_day(mark, &uses);
    let at = |day: usize| course.today + Days::new(day as u64);
    let microlitres = low.map_or(0, |day| {
        let level = course.level.course(&uses).get(day).copied().unwrap_or(0);
        let add = course.limit_at(level).highest_microlitres - level;
        add.max(0).saturating_mul(course.left.into())
    });
    Ok(Some(LiquidFacts {
        filled_on: course.filled_on,
        low_on: low.map(at),
        containers: u32::try_from(course.left).unwrap_or(1),
        microlitres,
    }))
}

/// What the sowings to come take to be filled.
fn fillings(
    rows: &[WorkSowing],
    stations: &[WorkStation],
    today: NaiveDate,
) -> Vec<(NaiveDate, i64)> {
    let fill: HashMap<Uuid, i64> = stations
        .iter()
        .map(|station| (station.id, station.fill_microlitres))
        .collect();
    let mut needs: Vec<(NaiveDate, i64)> = rows
        .iter()
        .filter(|row| row.state == SowingState::Planned.as_str())
        .filter_map(|row| {
            let each = fill.get(&row.station_id)?;
            let all = each.saturating_mul(row.containers.into());
            Some((row.sow_on.max(today), all))
        })
        .collect();
    needs.sort_unstable();
    needs
}

async fn recipients_of(
    tx: &mut Tx,
    site_id: Uuid,
    today: NaiveDate,
) -> Result<Vec<RecipientFacts>> {
    let since = today - LOOKED_BACK;
    let rows = site_work::recipients(tx, site_id, since).await?;
    Ok(rows.into_iter().map(recipient_of).collect())
}

fn recipient_of(row: WorkRecipient) -> RecipientFacts {
    RecipientFacts {
        id: row.id,
        weekdays: row
            .delivery_weekdays
            .iter()
            .filter_map(|weekday| Weekday::try_from(u8::try_from(weekday - 1).ok()?).ok())
            .collect(),
        keep_days: u32::try_from(row.keep_days).unwrap_or(0),
        pledges: row
            .pledges
            .0
            .into_iter()
            .map(|pledge| PledgeFacts {
                first_monday: pledge.first_monday,
                last_monday: pledge.last_monday,
                crop_ids: pledge.crop_ids,
            })
            .collect(),
        delivered_on: row.handed_over_on,
        packed_on: row.packed_on,
    }
}

/// Zone, hours and closures of a site as the calendar takes them.
fn calendar_of(site: &WorkSite) -> Result<SiteCalendar> {
    let periods: Vec<PeriodText> =
        serde_json::from_value(site.opening_hours.clone()).map_err(Error::internal)?;
    let hours = OpeningHours::parse(&periods)
        .map_err(|_| Error::internal("stored opening hours cannot be read"))?;
    let zone: SiteZone = site.zone.parse().map_err(Error::internal)?;
    let closures = site
        .closures
        .iter()
        .map(|closed| Closure::new(closed.first_day, closed.last_day, &closed.reason))
        .collect::<std::result::Result<_, _>>()
        .map_err(|_| Error::internal("a stored closure cannot be read"))?;
    Ok(SiteCalendar::new(zone, hours, closures))
}
