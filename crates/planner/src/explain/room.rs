//! What is left for one more batch, or one more container of a planned one, counted exactly.

use std::collections::BTreeSet;

use crate::check::{Index, Ledger, share_holds, share_runs};
use crate::problem::{ClassCrop, Slot};

use super::{CauseKind, Column, FullStation, Limit, MOST_STATIONS_NAMED};

/// Chains of one crop in one class looked at; a number of cuts that would exceed it is left out.
const MOST_CHAINS: usize = 20_000;

/// A crop of a class with its sow slot and its cuts.
#[derive(Debug, Clone)]
pub(super) struct Chain {
    pub(super) class: usize,
    pub(super) entry: usize,
    pub(super) sow: usize,
    /// Slot and decigrams per container of each cut.
    pub(super) cuts: Vec<(usize, i64)>,
}

impl Chain {
    fn last_cut(&self) -> usize {
        self.cuts.last().map_or(self.sow, |cut| cut.0)
    }
}

/// Every chain of a crop, those with fewer cuts first, and whether these are all.
pub(super) fn chains(growth: &ClassCrop, class: usize, entry: usize) -> (Vec<Chain>, bool) {
    let Some(&first_dg) = growth.cut_dg.first() else {
        return (Vec::new(), true);
    };
    let first = growth.first.iter().map(|arc| Chain {
        class,
        entry,
        sow: arc.from,
        cuts: vec![(arc.to, first_dg * arc.permille / 1000)],
    });
    let mut found: Vec<Chain> = first.collect();
    let mut again = vec![Vec::new(); growth.free_at.len()];
    for arc in &growth.again {
        again[arc.from].push(arc);
    }
    let mut level = 0..found.len();
    for &dg in &growth.cut_dg[1..] {
        let next: usize = found[level.clone()]
            .iter()
            .map(|chain| again[chain.last_cut()].len())
            .sum();
        if found.len() + next > MOST_CHAINS {
            return (found, next == 0);
        }
        for n in level.clone() {
            for arc in &again[found[n].last_cut()] {
                let mut longer = found[n].clone();
                longer.cuts.push((arc.to, dg * arc.permille / 1000));
                found.push(longer);
            }
        }
        level = level.end..found.len();
    }
    (found, true)
}

/// The weeks in which some sowing of the crop delivers something, without listing the sowings.
pub(super) fn delivers(growth: &ClassCrop, slots: &[Slot]) -> BTreeSet<usize> {
    let mut weeks = BTreeSet::new();
    let mut reached = vec![true; slots.len()];
    for (n, &dg) in growth.cut_dg.iter().enumerate() {
        let mut next = vec![false; slots.len()];
        for arc in if n == 0 { &growth.first } else { &growth.again } {
            if reached[arc.from] {
                next[arc.to] = true;
                if dg * arc.permille / 1000 > 0 {
                    weeks.extend(slots[arc.to].harvest_week);
                }
            }
        }
        reached = next;
    }
    weeks
}

/// A limit that more containers of a chain break, by indexes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Blocked {
    Places,
    Minutes { week: usize, needed: i128 },
    Mixing { week: usize, needed: i128 },
    Stock { consumable: usize, needed: i128 },
    MostSowings,
    Share { share: usize, from_week: usize },
}

impl Blocked {
    pub(super) fn kind(&self) -> CauseKind {
        match self {
            Self::Places => CauseKind::Places,
            Self::Minutes { .. } => CauseKind::Minutes,
            Self::Mixing { .. } => CauseKind::Mixing,
            Self::Stock { .. } => CauseKind::Stock,
            Self::MostSowings => CauseKind::MostSowings,
            Self::Share { .. } => CauseKind::Share,
        }
    }
}

/// What a plan leaves.
pub(super) struct Room<'a> {
    index: &'a Index<'a>,
    ledger: &'a Ledger,
    /// By class, first slot and length less one: places free throughout, of all its stations.
    free: Vec<Vec<Vec<i128>>>,
    /// By site and week.
    batches: Vec<Vec<i128>>,
    /// By consumable and week: units that may still be used in that week with every possible
    /// purchase made, so that none is lacking then or later.
    spare: Vec<Vec<i128>>,
    /// By share: runs of weeks with the harvest of the crop and of all the crops.
    shares: Vec<Vec<(usize, i128, i128)>>,
}

impl<'a> Room<'a> {
    pub(super) fn new(index: &'a Index<'a>, ledger: &'a Ledger) -> Self {
        let problem = index.problem;
        let spare = problem.consumables.iter().enumerate().map(|(n, item)| {
            let mut left = i128::from(item.stock);
            let mut spare: Vec<i128> = Vec::with_capacity(problem.weeks.len());
            for week in 0..problem.weeks.len() {
                let bought = ledger.bought[n][week];
                let possible = i128::from(item.most_per_week).max(bought);
                left += if week < item.lead_weeks {
                    bought
                } else {
                    possible
                };
                left -= ledger.used[n][week];
                spare.push(left);
            }
            for week in (1..spare.len()).rev() {
                spare[week - 1] = spare[week - 1].min(spare[week]);
            }
            spare
        });
        Self {
            index,
            ledger,
            free: free_places(index, ledger),
            batches: ledger.batches_by_week(index),
            spare: spare.collect(),
            shares: (0..problem.shares.len())
                .map(|n| share_runs(index, ledger, n))
                .collect(),
        }
    }

    fn site(&self, chain: &Chain) -> usize {
        self.index.site_of_class[chain.class]
    }

    fn growth(&self, chain: &Chain) -> &'a ClassCrop {
        &self.index.problem.classes[chain.class].crops[chain.entry]
    }

    fn slots(&self, chain: &Chain) -> &'a [Slot] {
        &self.index.problem.sites[self.site(chain)].slots
    }

    /// The weeks in which a chain delivers something.
    pub(super) fn delivery_weeks(&self, chain: &Chain) -> BTreeSet<usize> {
        let slots = self.slots(chain);
        let cuts = chain.cuts.iter().filter(|cut| cut.1 > 0);
        cuts.filter_map(|cut| slots[cut.0].harvest_week).collect()
    }

    /// Minutes and decilitres by week that one container of a chain takes.
    fn work(&self, chain: &Chain) -> Vec<(usize, i128, i128)> {
        let (growth, slots) = (self.growth(chain), self.slots(chain));
        let mut work: Vec<(usize, i128, i128)> = Vec::with_capacity(chain.cuts.len() + 1);
        let mut book = |slot: usize, minutes10: i64, mixing_dl: i64| {
            let week = slots[slot].week;
            let (minutes10, mixing_dl) = (i128::from(minutes10), i128::from(mixing_dl));
            match work.iter_mut().find(|entry| entry.0 == week) {
                Some(entry) => {
                    entry.1 += minutes10;
                    entry.2 += mixing_dl;
                }
                None => work.push((week, minutes10, mixing_dl)),
            }
        };
        book(chain.sow, growth.minutes10.sow, growth.mix_dl.sow);
        for (n, cut) in chain.cuts.iter().enumerate() {
            if n + 1 == chain.cuts.len() {
                book(cut.0, growth.minutes10.cut + growth.minutes10.clean, 0);
            } else {
                book(cut.0, growth.minutes10.cut, growth.mix_dl.cut);
            }
        }
        work
    }

    fn limit_of(limit: &Option<Vec<Option<i64>>>, week: usize) -> Option<i128> {
        limit.as_ref().and_then(|limit| limit[week]).map(i128::from)
    }

    /// Containers that would be added at least: one, or as many as make a batch.
    pub(super) fn added(&self, chain: &Chain) -> i128 {
        if !self.index.problem.rules.smallest_sowing {
            return 1;
        }
        (i128::from(self.growth(chain).smallest_sowing) - self.planned(chain)).max(1)
    }

    fn places_free(&self, chain: &Chain) -> i128 {
        let end = self.growth(chain).free_at[chain.last_cut()];
        let of_sowing = &self.free[chain.class][chain.sow];
        // a place is never held for less than no slot at all
        let length = end.saturating_sub(chain.sow).min(of_sowing.len());
        length
            .checked_sub(1)
            .map_or(i128::MAX, |last| of_sowing[last])
    }

    /// The limits that a further batch of a chain breaks, or a further container of a planned one;
    /// each kind once.
    pub(super) fn blocked(&self, chain: &Chain) -> Vec<Blocked> {
        let problem = self.index.problem;
        let rules = problem.rules;
        let (growth, number) = (self.growth(chain), self.site(chain));
        let site = &problem.sites[number];
        let sow_week = site.slots[chain.sow].week;
        let added = self.added(chain);
        let mut found = Vec::new();
        if self.places_free(chain) < added {
            found.push(Blocked::Places);
        }
        let work: Vec<_> = self
            .work(chain)
            .into_iter()
            .map(|(week, minutes10, mixing_dl)| (week, added * minutes10, added * mixing_dl))
            .collect();
        let over = |limit: Option<i128>, used: i128, needed: i128| {
            needed > 0 && limit.is_some_and(|limit| used + needed > limit)
        };
        if rules.minutes {
            let late = work.iter().find(|&&(week, needed, _)| {
                let limit = Self::limit_of(&site.minutes, week).map(|limit| 10 * limit);
                over(limit, self.ledger.minutes10[number][week], needed)
            });
            found.extend(late.map(|&(week, needed, _)| Blocked::Minutes { week, needed }));
        }
        if rules.mixing {
            let dry = work.iter().find(|&&(week, _, needed)| {
                let limit = Self::limit_of(&site.mixing_dl, week);
                over(limit, self.ledger.mixing_dl[number][week], needed)
            });
            found.extend(dry.map(|&(week, _, needed)| Blocked::Mixing { week, needed }));
        }
        if rules.stock {
            let lacking = growth.uses.iter().find_map(|(id, &needed)| {
                let consumable = self.index.consumable(id)?;
                let needed = added * i128::from(needed);
                let lacks = needed > self.spare[consumable][sow_week];
                (needed > 0 && lacks).then_some(Blocked::Stock { consumable, needed })
            });
            found.extend(lacking);
        }
        if rules.most_sowings && self.planned(chain) == 0 {
            let most = Self::limit_of(&site.most_sowings, sow_week);
            if over(most, self.batches[number][sow_week], 1) {
                found.push(Blocked::MostSowings);
            }
        }
        found.extend(self.share_upset(chain, added));
        found
    }

    /// Containers planned in the batch of a chain.
    fn planned(&self, chain: &Chain) -> i128 {
        let batch = (chain.class, chain.entry, chain.sow);
        self.ledger.batches.get(&batch).copied().unwrap_or_default()
    }

    fn share_upset(&self, chain: &Chain, added: i128) -> Option<Blocked> {
        let problem = self.index.problem;
        let (crop, slots) = (&self.growth(chain).crop, self.slots(chain));
        for (n, share) in problem.shares.iter().enumerate() {
            if !share.sites.contains(&problem.sites[self.site(chain)].id) {
                continue;
            }
            for &(from_week, one, all) in &self.shares[n] {
                let run = from_week..from_week + share.weeks;
                let within = |slot: usize| {
                    slots[slot]
                        .harvest_week
                        .is_some_and(|week| run.contains(&week))
                };
                let cuts = chain.cuts.iter().filter(|cut| within(cut.0));
                let more: i128 = cuts.map(|cut| added * i128::from(cut.1)).sum();
                let one_more = if share.crop == *crop { more } else { 0 };
                let all_more = if share.crops.contains(crop) { more } else { 0 };
                if one_more + all_more > 0 && !share_holds(share, one + one_more, all + all_more) {
                    return Some(Blocked::Share {
                        share: n,
                        from_week,
                    });
                }
            }
        }
        None
    }

    /// A chain with names and dates.
    pub(super) fn column(&self, chain: &Chain) -> Column {
        let site = self.site(chain);
        Column {
            class: self.index.problem.classes[chain.class].id.clone(),
            crop: self.growth(chain).crop.clone(),
            sow: self.index.date(site, chain.sow),
            cuts: chain
                .cuts
                .iter()
                .map(|cut| self.index.date(site, cut.0))
                .collect(),
        }
    }

    /// A limit with names and figures.
    pub(super) fn limit(&self, chain: &Chain, blocked: &Blocked) -> Limit {
        let problem = self.index.problem;
        let number = self.site(chain);
        let site = &problem.sites[number];
        let sow_week = site.slots[chain.sow].week;
        // Sums past 64 bits only occur in plans that the check refuses.
        let narrow = |sum: i128| i64::try_from(sum).unwrap_or(i64::MAX);
        let at = |limit: &Option<Vec<Option<i64>>>, week: usize| {
            narrow(Self::limit_of(limit, week).unwrap_or_default())
        };
        let label = |week: usize| problem.weeks[week].clone();
        match *blocked {
            Blocked::Places => self.full_stations(chain),
            Blocked::Minutes { week, needed } => Limit::Minutes {
                site: site.id.clone(),
                week,
                week_label: label(week),
                used_minutes10: narrow(self.ledger.minutes10[number][week]),
                limit_minutes10: 10 * at(&site.minutes, week),
                needed_minutes10: narrow(needed),
                added: narrow(self.added(chain)),
            },
            Blocked::Mixing { week, needed } => Limit::Mixing {
                site: site.id.clone(),
                week,
                week_label: label(week),
                used_dl: narrow(self.ledger.mixing_dl[number][week]),
                limit_dl: at(&site.mixing_dl, week),
                needed_dl: narrow(needed),
                added: narrow(self.added(chain)),
            },
            Blocked::Stock { consumable, needed } => Limit::Stock {
                consumable: problem.consumables[consumable].id.clone(),
                week: sow_week,
                week_label: label(sow_week),
                spare: narrow(self.spare[consumable][sow_week]),
                needed: narrow(needed),
                added: narrow(self.added(chain)),
            },
            Blocked::MostSowings => Limit::MostSowings {
                site: site.id.clone(),
                week: sow_week,
                week_label: label(sow_week),
                most: at(&site.most_sowings, sow_week),
            },
            Blocked::Share { share, from_week } => Limit::Share {
                crop: problem.shares[share].crop.clone(),
                from_week,
                week_label: label(from_week),
                weeks: problem.shares[share].weeks,
            },
        }
    }

    fn full_stations(&self, chain: &Chain) -> Limit {
        let end = self.growth(chain).free_at[chain.last_cut()];
        let in_class = |station: &usize| self.index.class_of_station[*station] == chain.class;
        let stations: Vec<usize> = (0..self.ledger.held.len()).filter(in_class).collect();
        let fullest = stations.iter().filter_map(|&number| {
            let held = &self.ledger.held[number];
            // The first of the fullest slots.
            let slot = (chain.sow..end).rev().max_by_key(|&slot| held[slot])?;
            let station = &self.index.problem.stations[number];
            Some(FullStation {
                station: station.id.clone(),
                day: self.index.date(self.site(chain), slot),
                containers: i64::try_from(held[slot]).unwrap_or(i64::MAX),
                places: station.places,
            })
        });
        Limit::Places {
            stations: stations.len(),
            fullest: fullest.take(MOST_STATIONS_NAMED).collect(),
            added: i64::try_from(self.added(chain)).unwrap_or(i64::MAX),
        }
    }
}

/// By class, first slot and length less one: places that are free throughout, of all its stations.
fn free_places(index: &Index, ledger: &Ledger) -> Vec<Vec<Vec<i128>>> {
    let problem = index.problem;
    let slots_of = |&site: &usize| {
        let slots = problem.sites[site].slots.len();
        (0..slots).map(|from| vec![0; slots - from]).collect()
    };
    let mut free: Vec<Vec<Vec<i128>>> = index.site_of_class.iter().map(slots_of).collect();
    for (station, held) in ledger.held.iter().enumerate() {
        let places = i128::from(problem.stations[station].places);
        for (from, by_length) in free[index.class_of_station[station]].iter_mut().enumerate() {
            let mut most = 0;
            for (sum, &taken) in by_length.iter_mut().zip(&held[from..]) {
                most = taken.max(most);
                *sum += (places - most).max(0);
            }
        }
    }
    free
}
