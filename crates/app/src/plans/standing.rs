//! Sowings that stand: what they will still give, the work they still need, the places they hold.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use cotyl_growth::expected_cuts;

use super::compile::{Directory, mixed_decilitres};
use super::days::{Deliveries, climate, week_index};
use super::season::{Season, SeasonCrop, SeasonSowing, SeasonStation};

/// What all standing sowings bring, by site and week.
#[derive(Debug, Default)]
pub(super) struct Standing {
    /// Decigrams by site, crop and week of delivery.
    pub(super) harvest: BTreeMap<(String, String, usize), i64>,
    /// Tenths of a minute and decilitres by site and week.
    pub(super) work: BTreeMap<(String, usize), (i64, i64)>,
    /// Batches still to be sown, by site and week.
    pub(super) batches: BTreeMap<(String, usize), i64>,
}

/// A cut that a standing sowing is expected to give.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ComingCut {
    /// When.
    pub(super) day: NaiveDate,
    /// Weight of the whole sowing.
    pub(super) milligrams: i64,
    /// Whether it is the last.
    pub(super) last: bool,
}

impl Standing {
    /// Sums up the sowings that are not planned anew.
    pub(super) fn of(season: &Season, directory: &Directory, deliveries: &Deliveries) -> Self {
        let mut standing = Self::default();
        for sowing in &season.sowings {
            if directory.stands(season, sowing) {
                standing.add(season, directory, deliveries, sowing);
            }
        }
        standing
    }

    fn add(
        &mut self,
        season: &Season,
        directory: &Directory,
        deliveries: &Deliveries,
        sowing: &SeasonSowing,
    ) {
        let (Some(crop), Some(station)) = (
            directory.crop(&sowing.crop_id),
            directory.station(&sowing.station_id),
        ) else {
            return;
        };
        let week_of = |day| week_index(season.first_monday, season.weeks as usize, day);
        let containers = i64::from(sowing.containers);
        let profile = &crop.profile;
        if sowing.state == "planned"
            && let Some(week) = week_of(sowing.sow_on)
        {
            *self
                .batches
                .entry((sowing.site_id.clone(), week))
                .or_default() += 1;
            let litres = mixed_decilitres(profile.mix_at_sowing_millilitres, &station.container);
            self.work(
                sowing,
                week,
                containers * profile.sow_minutes_tenths,
                containers * litres,
            );
        }
        for cut in coming_cuts(directory, crop, station, sowing) {
            if let Some(week) = deliveries.week(cut.day) {
                let key = (sowing.site_id.clone(), sowing.crop_id.clone(), week);
                *self.harvest.entry(key).or_default() += cut.milligrams / 100;
            }
            let Some(week) = week_of(cut.day) else {
                continue;
            };
            let (minutes, litres) = if cut.last {
                (profile.cut_minutes_tenths + profile.clean_minutes_tenths, 0)
            } else {
                let litres = mixed_decilitres(profile.mix_at_cut_millilitres, &station.container);
                (profile.cut_minutes_tenths, litres)
            };
            self.work(sowing, week, containers * minutes, containers * litres);
        }
    }

    fn work(&mut self, sowing: &SeasonSowing, week: usize, minutes10: i64, mixing_dl: i64) {
        let work = self.work.entry((sowing.site_id.clone(), week)).or_default();
        work.0 += minutes10;
        work.1 += mixing_dl;
    }
}

/// Cuts still to come: on the day planned for each, or on the earliest day on which the crop can be
/// ready if that is later. A sowing that is overdue is taken as being sown today.
pub(super) fn coming_cuts(
    directory: &Directory,
    crop: &SeasonCrop,
    station: &SeasonStation,
    sowing: &SeasonSowing,
) -> Vec<ComingCut> {
    let Some((site, days)) = directory.site(&sowing.site_id) else {
        return Vec::new();
    };
    let number = |day: NaiveDate| (day - days.base).num_days();
    let sown_on = sowing.sown_on.unwrap_or(sowing.sow_on);
    let sown_on = if sowing.state == "planned" {
        sown_on.max(site.today)
    } else {
        sown_on
    };
    let done: Vec<i64> = sowing.cuts.iter().map(|day| number(*day)).collect();
    let earliest = expected_cuts(
        &crop.profile_at(&station.id),
        &climate(station, days.base, days.weeks_from_base),
        number(sown_on),
        &done,
        &days.working_days(),
        &station.container,
        crop.known.get(&station.id).copied().unwrap_or_default(),
    );
    let most = if sowing.planned_cuts.is_empty() {
        usize::MAX
    } else {
        sowing.planned_cuts.len().saturating_sub(done.len())
    };
    let mut cuts: Vec<ComingCut> = Vec::new();
    for (n, expected) in earliest.iter().take(most).enumerate() {
        let planned = sowing.planned_cuts.get(done.len() + n);
        let Some(mut day) = days.days.get(expected.slot).copied() else {
            break;
        };
        let mut milligrams = expected
            .milligrams_per_container
            .saturating_mul(i64::from(sowing.containers));
        if let Some(planned) = planned.filter(|planned| **planned >= day) {
            let slot = days.days.partition_point(|open| open < planned);
            let Some(open) = days.days.get(slot) else {
                break;
            };
            day = *open;
            milligrams = sowing
                .expected_milligrams
                .get(done.len() + n)
                .copied()
                .unwrap_or(milligrams);
        }
        let too_late = planned.is_none() && day >= sowing.free_on;
        if too_late || cuts.last().is_some_and(|before| day <= before.day) {
            break;
        }
        cuts.push(ComingCut {
            day,
            milligrams,
            last: false,
        });
    }
    if let Some(cut) = cuts.last_mut() {
        cut.last = true;
    }
    cuts
}

/// Places of a station that are not available, by run of slots: standing sowings and outages.
///
/// What begins or ends between two slots counts from the slot before to the slot after, since a
/// container that stands on one slot stands until the next.
pub(super) fn taken(
    season: &Season,
    directory: &Directory,
    station: &SeasonStation,
    slots: &[NaiveDate],
) -> Vec<(usize, usize, i64)> {
    let mut held = vec![0_i64; slots.len()];
    let sowings = season
        .sowings
        .iter()
        .filter(|sowing| sowing.station_id == station.id && directory.stands(season, sowing))
        .map(|sowing| {
            let from = sowing.sown_on.unwrap_or(sowing.sow_on).min(sowing.sow_on);
            (from, sowing.free_on, i64::from(sowing.containers))
        });
    let outages = station.outages.iter().map(|outage| {
        let end = outage.last_day.succ_opt().unwrap_or(NaiveDate::MAX);
        (outage.first_day, end, outage.places)
    });
    for (from, end, places) in sowings.chain(outages) {
        let mut first = slots.partition_point(|day| *day < from);
        if first > 0 && slots.get(first) != Some(&from) {
            first -= 1;
        }
        let last = slots.partition_point(|day| *day < end);
        if end > from && last > first {
            for slot in &mut held[first..last] {
                *slot += places;
            }
        }
    }
    let mut runs: Vec<(usize, usize, i64)> = Vec::new();
    for (slot, places) in held.into_iter().enumerate() {
        let places = places.min(station.places);
        match runs.last_mut() {
            Some(run) if run.1 == slot && run.2 == places => run.1 = slot + 1,
            _ if places > 0 => runs.push((slot, slot + 1, places)),
            _ => {}
        }
    }
    runs
}
