//! The liquid in the containers of standing sowings, as it is reckoned from what was written down.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use cotyl_domain::sowing::SowingState;
use cotyl_growth::GrowingMethod;
use cotyl_growth::water::{
    Level, LevelEntry, RefillLimit, RefillRule, Vessel, WaterUse, level_after, refill_limit,
};
use cotyl_store::Tx;
use cotyl_store::levels::{self, BegunTopUp, LevelReading, Poured, StandingSowing};
use cotyl_store::sowings::Sowing;
use cotyl_store::supply::{Bench, benches};
use uuid::Uuid;

use super::RefillAnswer;
use crate::growing::Ground;
use crate::{Error, Result};

/// How long it is believed that no roots hang in the air when somebody looked. Common practice, no
/// source.
const NO_AIR_ROOTS_DAYS: i64 = 7;

/// A standing sowing with the liquid in one of its containers.
pub(crate) struct WaterCourse {
    /// The sowing.
    pub sowing: StandingSowing,
    /// The crop where it stands.
    pub ground: Arc<Ground>,
    /// Its container.
    pub vessel: Vessel,
    /// Today at its site.
    pub today: NaiveDate,
    /// Containers whose level it is: all, or those that the parts of a top-up left.
    pub left: i32,
    /// The level at the start of today, with what was entered today.
    pub level: Level,
    /// The same with the greatest use that is published, unless readings showed what it is.
    pub cautious: Level,
    /// The level of all containers on an average.
    pub mean: Level,
    /// The day on which it was filled last.
    pub filled_on: NaiveDate,
    method: GrowingMethod,
    air_roots: bool,
    microlitres_per_millimetre: Option<i64>,
}

impl WaterCourse {
    /// Use of one container on each day from today to the day before another.
    pub fn coming_use(&self, until: NaiveDate) -> Result<Vec<i64>> {
        self.ground.daily_use(
            WaterUse::USUAL,
            self.sowing.sown_on,
            &cut_days(&self.sowing),
            self.today..until,
        )
    }

    /// Whether its liquid is still.
    pub fn is_passive(&self) -> bool {
        self.method == GrowingMethod::Passive
    }

    /// How far it may be filled from a level.
    pub fn limit_at(&self, level: i64) -> RefillLimit {
        let slice = self.microlitres_per_millimetre;
        refill_limit(&self.vessel, self.method, self.air_roots, level, slice)
    }

    /// How far it may be filled on a later day, by which roots hang in the air.
    pub fn later_limit(&self) -> RefillLimit {
        refill_limit(&self.vessel, self.method, true, 0, None)
    }
}

/// Container and method of a station.
pub(crate) fn vessel_of(bench: &Bench) -> (Vessel, GrowingMethod) {
    let vessel = Vessel {
        volume_microlitres: bench.volume_microlitres,
        fill_microlitres: bench.fill_microlitres,
        refill_limit_microlitres: bench.refill_limit_microlitres,
    };
    let method = if bench.method == "aerated" {
        GrowingMethod::Aerated
    } else {
        GrowingMethod::Passive
    };
    (vessel, method)
}

/// Standing sowings of a site.
pub(crate) async fn load_site(
    tx: &mut Tx,
    site_id: Uuid,
    now: DateTime<Utc>,
) -> Result<Vec<WaterCourse>> {
    load(tx, site_id, None, now, None).await
}

/// Sowings that stand at a site or one station, as things are now; with `past`, those and that sowing by what
/// was read and poured until an instant.
async fn load(
    tx: &mut Tx,
    site_id: Uuid,
    station_id: Option<Uuid>,
    now: DateTime<Utc>,
    past: Option<Uuid>,
) -> Result<Vec<WaterCourse>> {
    let standing = levels::standing(tx, site_id, station_id, past).await?;
    let Some(first_day) = standing.iter().map(|sowing| sowing.sown_on).min() else {
        return Ok(Vec::new());
    };
    // a day more than any zone is away from UTC
    let since = (first_day - Days::new(1))
        .and_time(chrono::NaiveTime::MIN)
        .and_utc();
    let sowing_ids: Vec<Uuid> = standing.iter().map(|sowing| sowing.id).collect();
    let station_ids: Vec<Uuid> = standing.iter().map(|sowing| sowing.station_id).collect();
    let mut readings = levels::of_sowings(tx, &sowing_ids).await?;
    let mut poured = levels::poured(tx, &sowing_ids, &station_ids, since).await?;
    if past.is_some() {
        readings.retain(|reading| reading.read_at <= now);
        poured.retain(|poured| poured.happened_at <= now);
    }
    let begun = levels::begun_top_ups(tx, &sowing_ids).await?;
    let benches: BTreeMap<Uuid, Bench> = benches(tx)
        .await?
        .into_iter()
        .map(|bench| (bench.station_id, bench))
        .collect();
    let mut grounds: BTreeMap<(Uuid, Uuid), Arc<Ground>> = BTreeMap::new();
    let mut courses = Vec::new();
    for sowing in &standing {
        let key = (sowing.station_id, sowing.crop_id);
        let ground = match grounds.get(&key) {
            Some(ground) => Arc::clone(ground),
            None => {
                let ground = Arc::new(Ground::load(tx, key.0, key.1).await?);
                grounds.insert(key, Arc::clone(&ground));
                ground
            }
        };
        let bench = benches
            .get(&sowing.station_id)
            .ok_or(Error::NotFound("station"))?;
        let own_readings: Vec<&LevelReading> = readings
            .iter()
            .filter(|reading| reading.sowing_id == sowing.id)
            .collect();
        let shares = shares_of(sowing, &standing, &poured, &ground);
        let begun = begun.iter().find(|begun| begun.sowing_id == sowing.id);
        courses.push(course(
            sowing,
            ground,
            bench,
            &own_readings,
            (shares, begun),
            now,
        )?);
    }
    Ok(courses)
}

/// Days of the cuts taken, then of those to come.
fn cut_days(sowing: &StandingSowing) -> Vec<NaiveDate> {
    let mut days = sowing.cuts_taken.clone();
    for planned in sowing.planned_cuts.iter().skip(days.len()) {
        let last = days.last().copied().unwrap_or(sowing.sown_on);
        days.push((*planned).max(last));
    }
    days
}

/// What was poured into one container of a sowing.
struct Share {
    at: DateTime<Utc>,
    microlitres: i64,
    /// The top-up that is not finished of which it was a part.
    part_of: Option<Uuid>,
}

/// What was poured into one container of a sowing after its day of sowing, on which it was filled.
/// What was poured into a station is shared by the containers that stood there.
fn shares_of(
    sowing: &StandingSowing,
    standing: &[StandingSowing],
    poured: &[Poured],
    ground: &Ground,
) -> Vec<Share> {
    poured
        .iter()
        .filter_map(|entry| {
            let day = ground.day_of(entry.happened_at);
            if day <= sowing.sown_on {
                return None;
            }
            let containers = match entry.sowing_id {
                Some(id) if id == sowing.id => i64::from(sowing.containers),
                None if entry.station_id == Some(sowing.station_id) => standing
                    .iter()
                    .filter(|other| other.station_id == sowing.station_id && other.sown_on < day)
                    .map(|other| i64::from(other.containers))
                    .sum(),
                _ => return None,
            };
            Some(Share {
                at: entry.happened_at,
                microlitres: entry.microlitres / containers.max(1),
                part_of: entry.part_of,
            })
        })
        .collect()
}

/// Containers that wait for the rest of a top-up of which parts were done; `None` where there is none, or
/// where something else was poured into the sowing since: they stand no longer as they were left.
fn left_of(sowing: &StandingSowing, poured: &[Share], begun: Option<&BegunTopUp>) -> Option<i32> {
    let begun = begun?;
    let poured_since = poured
        .iter()
        .any(|share| share.part_of != Some(begun.task_id) && share.at > begun.begun_at);
    let left = sowing.containers - begun.containers;
    (left > 0 && !poured_since).then_some(left)
}

/// What was written down about one container, each with its day counted from sowing: what was poured in,
/// and the last reading of each day.
///
/// Of a reading and a pour at one instant the reading comes first: who tops up looks at the level, pours what
/// is missing, and writes both down under one time. The other way round what was poured would be lost, the
/// level reckoned too low, and the next person told to fill above the air roots. Whoever reads after pouring
/// does so later, and that reading counts alone.
fn entries_of<'a>(
    sowing: &StandingSowing,
    ground: &Ground,
    poured: impl Iterator<Item = &'a Share>,
    readings: &BTreeMap<NaiveDate, &LevelReading>,
) -> Vec<(usize, LevelEntry)> {
    let read = readings
        .values()
        .map(|reading| (reading.read_at, LevelEntry::Read(reading.microlitres)));
    let poured = poured.map(|share| (share.at, LevelEntry::Added(share.microlitres)));
    let mut entries: Vec<(DateTime<Utc>, LevelEntry)> = read.chain(poured).collect();
    // of one instant they stay in this order
    entries.sort_by_key(|(at, _)| *at);
    entries
        .into_iter()
        .filter_map(|(at, entry)| {
            let day = (ground.day_of(at) - sowing.sown_on).num_days();
            Some((usize::try_from(day).ok()?, entry))
        })
        .collect()
}

fn course(
    sowing: &StandingSowing,
    ground: Arc<Ground>,
    bench: &Bench,
    readings: &[&LevelReading],
    (poured, begun): (Vec<Share>, Option<&BegunTopUp>),
    now: DateTime<Utc>,
) -> Result<WaterCourse> {
    let (vessel, method) = vessel_of(bench);
    let today = ground.day_of(now);
    let left = left_of(sowing, &poured, begun);
    // what the containers that are left never got
    let parts = left.and(begun).map(|begun| begun.task_id);
    let counts = |share: &&Share| parts.is_none() || share.part_of != parts;
    let filled_on = poured
        .iter()
        .filter(counts)
        .map(|share| ground.day_of(share.at))
        .max();
    let mut last_of_day: BTreeMap<NaiveDate, &LevelReading> = BTreeMap::new();
    for reading in readings {
        last_of_day.insert(ground.day_of(reading.read_at), reading);
    }
    let by_day = entries_of(sowing, &ground, poured.iter().filter(counts), &last_of_day);
    let sown_on = sowing.sown_on;
    let uses = ground.daily_use(
        WaterUse::USUAL,
        sown_on,
        &cut_days(sowing),
        sown_on..today.max(sown_on),
    )?;
    let mut latest = readings.iter().rev();
    let seen = latest.find_map(|reading| Some((reading.air_roots?, reading.read_at)));
    let air_roots = match seen {
        Some((true, _)) => true,
        Some((false, at)) if now - at <= TimeDelta::days(NO_AIR_ROOTS_DAYS) => false,
        _ => sowing.state != SowingState::Sown.as_str(),
    };
    let level = level_after(&vessel, &uses, &by_day);
    let mean = match left {
        Some(_) => {
            let all = entries_of(sowing, &ground, poured.iter(), &last_of_day);
            level_after(&vessel, &uses, &all)
        }
        None => level,
    };
    let cautious = if last_of_day.is_empty() {
        with_greatest_use(&vessel, &uses, &by_day)
    } else {
        level
    };
    Ok(WaterCourse {
        left: left.unwrap_or(sowing.containers),
        level,
        cautious,
        mean,
        filled_on: filled_on.unwrap_or(sowing.sown_on),
        sowing: sowing.clone(),
        ground,
        vessel,
        today,
        method,
        air_roots,
        microlitres_per_millimetre: slice_of(readings),
    })
}

/// What a millimetre of liquid holds, by the last reading of which the depth was measured.
fn slice_of(readings: &[&LevelReading]) -> Option<i64> {
    readings.iter().rev().find_map(|reading| {
        let depth = i64::from(reading.depth_millimetres?);
        (reading.microlitres > 0).then(|| reading.microlitres / depth)
    })
}

fn with_greatest_use(vessel: &Vessel, uses: &[i64], entries: &[(usize, LevelEntry)]) -> Level {
    let (most, usual) = (
        WaterUse::MOST.microlitres_per_gram,
        WaterUse::USUAL.microlitres_per_gram,
    );
    let more: Vec<i64> = uses.iter().map(|used| used * most / usual).collect();
    Level {
        use_permille: 1000 * most / usual,
        ..level_after(vessel, &more, entries)
    }
}

/// How far the containers of a sowing may be filled now, or might have been at an earlier instant, by what
/// was read and poured until then.
pub(super) async fn refill_at(
    tx: &mut Tx,
    sowing: &Sowing,
    at: DateTime<Utc>,
    now: DateTime<Utc>,
) -> Result<RefillAnswer> {
    let ground = Ground::load(tx, sowing.station_id, sowing.crop_id).await?;
    let day = ground.day_of(at);
    let past = (at < now).then_some(sowing.id);
    if sowing.sown_on.is_none_or(|sown_on| sown_on >= day) {
        return first_filling(tx, sowing, past.map(|_| at)).await;
    }
    let courses = load(tx, sowing.site_id, Some(sowing.station_id), at, past).await?;
    let course = courses
        .iter()
        .find(|course| course.sowing.id == sowing.id)
        .ok_or(Error::NotFound("sowing"))?;
    let limit = course.limit_at(course.level.microlitres);
    Ok(RefillAnswer {
        containers: course.left,
        level_microlitres: course.level.microlitres,
        limit,
        may_add_microlitres: (limit.highest_microlitres - course.level.microlitres).max(0),
    })
}

/// Instants after another at which something was poured into the containers of a sowing, until its level was
/// read next.
pub(super) async fn poured_until_read(
    tx: &mut Tx,
    sowing: &Sowing,
    after: DateTime<Utc>,
) -> Result<Vec<DateTime<Utc>>> {
    let readings = levels::of_sowings(tx, &[sowing.id]).await?;
    let read_at = readings.iter().map(|reading| reading.read_at);
    let next = read_at.filter(|read_at| *read_at > after).min();
    let poured = levels::poured(tx, &[sowing.id], &[sowing.station_id], after).await?;
    Ok(poured
        .iter()
        .map(|poured| poured.happened_at)
        .filter(|at| *at > after && next.is_none_or(|next| *at < next))
        .collect())
}

/// What is still to be filled in on the day of sowing.
async fn first_filling(
    tx: &mut Tx,
    sowing: &Sowing,
    until: Option<DateTime<Utc>>,
) -> Result<RefillAnswer> {
    let all = benches(tx).await?;
    let bench = all
        .iter()
        .find(|bench| bench.station_id == sowing.station_id)
        .ok_or(Error::NotFound("station"))?;
    let (vessel, _) = vessel_of(bench);
    let since = DateTime::UNIX_EPOCH;
    let filled: i64 = levels::poured(tx, &[sowing.id], &[], since)
        .await?
        .iter()
        .filter(|entry| until.is_none_or(|until| entry.happened_at <= until))
        .map(|entry| entry.microlitres)
        .sum();
    let level = filled / i64::from(sowing.containers.max(1));
    Ok(RefillAnswer {
        containers: sowing.containers,
        level_microlitres: level,
        limit: RefillLimit {
            highest_microlitres: vessel.fill_microlitres,
            rule: RefillRule::FillLine,
        },
        may_add_microlitres: (vessel.fill_microlitres - level).max(0),
    })
}
