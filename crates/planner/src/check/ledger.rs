//! Ids turned into indexes, and what a plan takes and gives.

use std::collections::{BTreeMap, HashMap};

use chrono::{Days, NaiveDate};

use crate::faults::MOST_AMOUNT;
use crate::plan::Plan;
use crate::problem::{Arc, ClassCrop, Problem, Site, Sowing};

use super::{Findings, ViolationKind};

/// Ids and dates of a problem without faults, turned into indexes.
pub(crate) struct Index<'a> {
    pub(crate) problem: &'a Problem,
    pub(super) crops: HashMap<&'a str, usize>,
    pub(super) sites: HashMap<&'a str, usize>,
    pub(super) stations: HashMap<&'a str, usize>,
    pub(super) consumables: HashMap<&'a str, usize>,
    /// Site of each class.
    pub(crate) site_of_class: Vec<usize>,
    /// Class of each station.
    pub(crate) class_of_station: Vec<usize>,
    /// Slot by day number, for each site.
    slot_on: Vec<HashMap<i64, usize>>,
}

impl<'a> Index<'a> {
    /// The problem must have no faults.
    pub(crate) fn new(problem: &'a Problem) -> Self {
        fn by_id<'a>(ids: impl Iterator<Item = &'a String>) -> HashMap<&'a str, usize> {
            ids.enumerate().map(|(n, id)| (id.as_str(), n)).collect()
        }
        let sites = by_id(problem.sites.iter().map(|site| &site.id));
        let classes = by_id(problem.classes.iter().map(|class| &class.id));
        let days = |site: &'a Site| {
            site.slots
                .iter()
                .enumerate()
                .map(|(n, slot)| (i64::from(slot.day), n))
                .collect()
        };
        Self {
            problem,
            crops: by_id(problem.crops.iter()),
            stations: by_id(problem.stations.iter().map(|station| &station.id)),
            consumables: by_id(problem.consumables.iter().map(|item| &item.id)),
            site_of_class: problem
                .classes
                .iter()
                .map(|c| sites[c.site.as_str()])
                .collect(),
            class_of_station: problem
                .stations
                .iter()
                .map(|s| classes[s.class.as_str()])
                .collect(),
            slot_on: problem.sites.iter().map(days).collect(),
            sites,
        }
    }

    pub(crate) fn consumable(&self, id: &str) -> Option<usize> {
        self.consumables.get(id).copied()
    }

    pub(super) fn day_number(&self, date: NaiveDate) -> i64 {
        date.signed_duration_since(self.problem.start_date)
            .num_days()
    }

    /// The date of a slot.
    pub(crate) fn date(&self, site: usize, slot: usize) -> NaiveDate {
        let days = Days::new(u64::from(self.problem.sites[site].slots[slot].day));
        let start = self.problem.start_date;
        start.checked_add_days(days).unwrap_or(start)
    }

    /// The week in which work on a slot is booked.
    pub(crate) fn work_week(&self, site: usize, slot: usize) -> usize {
        self.problem.sites[site].slots[slot].week
    }
}

/// A sowing whose station, crop, days and cuts make sense.
struct Placed<'a> {
    station: usize,
    class: usize,
    site: usize,
    /// Index of the crop in its class.
    entry: usize,
    growth: &'a ClassCrop,
    sow: usize,
    /// Slot and permille of each cut.
    cuts: Vec<(usize, i64)>,
}

fn permille(arcs: &[Arc], from: usize, to: usize) -> Option<i64> {
    arcs.iter()
        .find(|arc| arc.from == from && arc.to == to)
        .map(|arc| arc.permille)
}

/// Finds out what a sowing stands for, or why it is impossible.
fn place<'a>(index: &Index<'a>, sowing: &Sowing) -> Result<Placed<'a>, (ViolationKind, String)> {
    let problem = index.problem;
    let Some(&station) = index.stations.get(sowing.station.as_str()) else {
        return Err((ViolationKind::Station, "the station does not exist".into()));
    };
    if !(1..=MOST_AMOUNT).contains(&sowing.containers) {
        let message = format!(
            "{} containers, expected 1 to {MOST_AMOUNT}",
            sowing.containers
        );
        return Err((ViolationKind::Containers, message));
    }
    let class = index.class_of_station[station];
    let site = index.site_of_class[class];
    let grown = &problem.classes[class].crops;
    let Some(entry) = grown.iter().position(|growth| growth.crop == sowing.crop) else {
        let message = format!(
            "the crop does not grow in class {}",
            problem.classes[class].id
        );
        return Err((ViolationKind::Crop, message));
    };
    let growth = &grown[entry];
    let slot = |date: NaiveDate| {
        index.slot_on[site]
            .get(&index.day_number(date))
            .copied()
            .ok_or_else(|| {
                let site = &problem.sites[site].id;
                (
                    ViolationKind::Day,
                    format!("{date} is not a working day of {site}"),
                )
            })
    };
    let sow = slot(sowing.sow)?;
    let days = sowing
        .cuts
        .iter()
        .map(|&date| slot(date))
        .collect::<Result<Vec<_>, _>>()?;
    let most = growth.cut_dg.len();
    if days.is_empty() || days.len() > most {
        return Err((
            ViolationKind::Cuts,
            format!("{} cuts, allowed 1 to {most}", days.len()),
        ));
    }
    let (mut from, mut cuts) = (sow, Vec::with_capacity(days.len()));
    for (n, &to) in days.iter().enumerate() {
        let arcs = if n == 0 { &growth.first } else { &growth.again };
        let Some(permille) = permille(arcs, from, to) else {
            let message = format!("cut {} is not possible on {}", n + 1, sowing.cuts[n]);
            return Err((ViolationKind::Arc, message));
        };
        cuts.push((to, permille));
        from = to;
    }
    Ok(Placed {
        station,
        class,
        site,
        entry,
        growth,
        sow,
        cuts,
    })
}

/// What a plan and the sowings already in the ground take and give.
pub(crate) struct Ledger {
    /// Containers and places taken, by station and slot.
    pub(crate) held: Vec<Vec<i128>>,
    /// Decigrams by site, crop and week of delivery.
    pub(crate) harvest: BTreeMap<(usize, usize, Option<usize>), i128>,
    /// Tenths of a minute by site and week.
    pub(crate) minutes10: Vec<Vec<i128>>,
    /// Decilitres by site and week.
    pub(crate) mixing_dl: Vec<Vec<i128>>,
    /// Containers by class, crop of the class and sow slot.
    pub(crate) batches: BTreeMap<(usize, usize, usize), i128>,
    /// Units used by consumable and week.
    pub(crate) used: Vec<Vec<i128>>,
    /// Units received by consumable and week.
    pub(crate) bought: Vec<Vec<i128>>,
}

impl Ledger {
    /// Enters the committed sowings and everything in the plan that makes sense; the rest is found
    /// fault with.
    pub(crate) fn of(index: &Index, plan: &Plan, findings: &mut Findings) -> Self {
        let problem = index.problem;
        let weeks = problem.weeks.len();
        let by_week = |count: usize| vec![vec![0; weeks]; count];
        let mut ledger = Self {
            held: Vec::with_capacity(problem.stations.len()),
            harvest: BTreeMap::new(),
            minutes10: by_week(problem.sites.len()),
            mixing_dl: by_week(problem.sites.len()),
            batches: BTreeMap::new(),
            used: by_week(problem.consumables.len()),
            bought: by_week(problem.consumables.len()),
        };
        for (station, &class) in problem.stations.iter().zip(&index.class_of_station) {
            let mut held = vec![0; problem.sites[index.site_of_class[class]].slots.len()];
            for &(first, end, places) in &station.taken {
                held[first..end]
                    .iter_mut()
                    .for_each(|slot| *slot += i128::from(places));
            }
            ledger.held.push(held);
        }
        for item in &problem.committed {
            let key = (
                index.sites[item.site.as_str()],
                index.crops[item.crop.as_str()],
            );
            *ledger
                .harvest
                .entry((key.0, key.1, Some(item.week)))
                .or_default() += i128::from(item.dg);
        }
        for item in &problem.committed_work {
            let site = index.sites[item.site.as_str()];
            ledger.minutes10[site][item.week] += i128::from(item.minutes10);
            ledger.mixing_dl[site][item.week] += i128::from(item.mixing_dl);
        }
        for (n, sowing) in plan.sowings.iter().enumerate() {
            match place(index, sowing) {
                Ok(placed) => ledger.sow(index, &placed, i128::from(sowing.containers)),
                Err((kind, why)) => {
                    let Sowing {
                        station, crop, sow, ..
                    } = sowing;
                    let message = format!("sowing {} ({crop} at {station}, {sow}): {why}", n + 1);
                    findings.add(kind, message);
                }
            }
        }
        ledger.buy(index, plan, findings);
        ledger
    }

    fn sow(&mut self, index: &Index, placed: &Placed, containers: i128) {
        let &Placed {
            station,
            class,
            site,
            entry,
            growth,
            sow,
            ref cuts,
        } = placed;
        let slots = &index.problem.sites[site].slots;
        let crop = index.crops[growth.crop.as_str()];
        let week = slots[sow].week;
        let last = cuts.len() - 1;
        let minutes = &mut self.minutes10[site];
        let mixing = &mut self.mixing_dl[site];
        minutes[week] += containers * i128::from(growth.minutes10.sow);
        mixing[week] += containers * i128::from(growth.mix_dl.sow);
        for (n, &(slot, permille)) in cuts.iter().enumerate() {
            let each_dg = growth.cut_dg[n] * permille / 1000;
            *self
                .harvest
                .entry((site, crop, slots[slot].harvest_week))
                .or_default() += containers * i128::from(each_dg);
            minutes[slots[slot].week] += containers * i128::from(growth.minutes10.cut);
            if n < last {
                mixing[slots[slot].week] += containers * i128::from(growth.mix_dl.cut);
            } else {
                minutes[slots[slot].week] += containers * i128::from(growth.minutes10.clean);
            }
        }
        let held = &mut self.held[station][sow..growth.free_at[cuts[last].0]];
        held.iter_mut().for_each(|slot| *slot += containers);
        for (id, &units) in &growth.uses {
            self.used[index.consumables[id.as_str()]][week] += containers * i128::from(units);
        }
        *self.batches.entry((class, entry, sow)).or_default() += containers;
    }

    fn buy(&mut self, index: &Index, plan: &Plan, findings: &mut Findings) {
        for (n, purchase) in plan.purchases.iter().enumerate() {
            let wrong = match index.consumable(&purchase.consumable) {
                None => "the consumable does not exist".to_owned(),
                Some(_) if purchase.week >= index.problem.weeks.len() => {
                    format!("week {} is past the last week", purchase.week)
                }
                Some(_) if !(1..=MOST_AMOUNT).contains(&purchase.units) => {
                    format!("{} units, expected 1 to {MOST_AMOUNT}", purchase.units)
                }
                Some(consumable) => {
                    self.bought[consumable][purchase.week] += i128::from(purchase.units);
                    continue;
                }
            };
            let message = format!("purchase {} ({}): {wrong}", n + 1, purchase.consumable);
            findings.add(ViolationKind::Purchase, message);
        }
    }

    /// Batches of a site sown in each week.
    pub(crate) fn batches_by_week(&self, index: &Index) -> Vec<Vec<i128>> {
        let problem = index.problem;
        let mut counts = vec![vec![0; problem.weeks.len()]; problem.sites.len()];
        for &(class, _, slot) in self.batches.keys() {
            let site = index.site_of_class[class];
            counts[site][index.work_week(site, slot)] += 1;
        }
        counts
    }
}
