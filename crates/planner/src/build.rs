//! From the problem as written to the problem in numbers.
//!
//! Model sections "sets and time" and "two merges that lose nothing": looks up every id, merges
//! stations and produce, and takes committed work off the limits.

use std::collections::{BTreeMap, BTreeSet};

use crate::index::{Arcs, Batch, ClassIndex, Good, Index, Row, ShareIndex, SiteIndex, TargetIndex};
use crate::problem::{ClassCrop, Problem};
use crate::programme::Programme;
use crate::solve::SolveError;

/// (site, crop) to its signature, and whether that serves any target.
type SignatureOf = BTreeMap<(usize, usize), (usize, bool)>;

type Map<'a, V> = BTreeMap<&'a str, V>;

fn positions<'a>(ids: impl Iterator<Item = &'a str>) -> Map<'a, usize> {
    ids.enumerate().map(|(i, id)| (id, i)).collect()
}

fn unknown(what: &str, id: &str) -> SolveError {
    SolveError::BadProblem(format!("{what} {id} is not known"))
}

fn find(map: &Map<'_, usize>, what: &str, id: &str) -> Result<usize, SolveError> {
    map.get(id).copied().ok_or_else(|| unknown(what, id))
}

/// (batch_base, crop) of every class of the problem, by crop id.
struct Entries<'a> {
    bases: Vec<Map<'a, usize>>,
    batches: Vec<Batch>,
}

impl<'a> Entries<'a> {
    fn new(problem: &'a Problem, slots_of: &[usize]) -> Self {
        let mut bases = Vec::new();
        let mut batches = Vec::new();
        for (class, &slots) in problem.classes.iter().zip(slots_of) {
            let mut map = Map::new();
            for entry in &class.crops {
                map.insert(entry.crop.as_str(), batches.len());
                batches.extend(std::iter::repeat_n(
                    Batch {
                        least: entry.smallest_sowing,
                        adopted: 0,
                    },
                    slots,
                ));
            }
            bases.push(map);
        }
        Self { bases, batches }
    }
}

impl Index {
    /// Number a problem.
    ///
    /// # Errors
    /// [`SolveError::BadProblem`] when ids or indexes do not fit, [`SolveError::TooLarge`] when a sum
    /// could leave the range of exact arithmetic.
    pub(crate) fn new(problem: &Problem) -> Result<Self, SolveError> {
        crate::limits::check(problem)?;
        let weeks = problem.weeks.len();
        let site_at = positions(problem.sites.iter().map(|site| site.id.as_str()));
        let crop_at = positions(problem.crops.iter().map(String::as_str));
        let class_at = positions(problem.classes.iter().map(|class| class.id.as_str()));
        let mut class_site = Vec::new();
        for class in &problem.classes {
            class_site.push(find(&site_at, "site", &class.site)?);
        }
        let slots_of: Vec<usize> = class_site
            .iter()
            .map(|&site| problem.sites[site].slots.len())
            .collect();
        let objective = &problem.objective;
        let mut index = Self {
            weeks,
            sites: Vec::new(),
            classes: Vec::new(),
            rows: Vec::new(),
            programmes: Vec::new(),
            signatures: Vec::new(),
            targets: Vec::new(),
            committed_dg: Vec::new(),
            unwanted_dg: vec![0; weeks],
            band_permille: objective
                .shortfall_bands
                .iter()
                .scan(0, |sum, band| {
                    *sum += band.0;
                    Some(*sum)
                })
                .collect(),
            goods: Vec::new(),
            batches: Vec::new(),
            shares: Vec::new(),
            base_e4: 0,
            surplus_e4: objective.surplus_per_g,
            labour_e4: objective.labour_per_minute,
            change_e4: if problem.adopted.is_some() {
                10 * objective.change_per_container
            } else {
                0
            },
            keep_batches: problem.rules.smallest_sowing,
            limit_kinds: false,
            class_slots: 0,
            broken: Vec::new(),
        };
        index.add_sites(problem, &site_at)?;
        let signature_of = index.add_targets(problem, &site_at, &crop_at)?;
        index.add_goods(problem);
        index.add_shares(problem);
        let mut entries = Entries::new(problem, &slots_of);
        let kept = index.add_adopted(problem, &class_at, &mut entries)?;
        index.add_classes(
            problem,
            &class_at,
            &class_site,
            &entries,
            |site, crop, class| {
                let signature = signature_of.get(&(site, crop)).copied()?;
                (signature.1 || kept.contains(&(class, crop))).then_some(signature.0)
            },
        )?;
        index.batches = entries.batches;
        index.add_committed(problem, &site_at, &crop_at, &signature_of)?;
        Ok(index)
    }

    fn add_sites(&mut self, problem: &Problem, site_at: &Map<'_, usize>) -> Result<(), SolveError> {
        let weeks = self.weeks;
        let mut minutes = vec![vec![0_i64; weeks]; problem.sites.len()];
        let mut mixing = minutes.clone();
        for work in &problem.committed_work {
            let site = find(site_at, "site", &work.site)?;
            minutes[site][work.week] += work.minutes10;
            mixing[site][work.week] += work.mixing_dl;
            self.base_e4 += self.labour_e4 * work.minutes10;
        }
        for (i, site) in problem.sites.iter().enumerate() {
            let mut left = |holds: bool,
                            list: &Option<Vec<Option<i64>>>,
                            factor: i64,
                            used: &[i64],
                            name: &str| {
                let limit = |w: usize| {
                    if holds {
                        list.as_ref().and_then(|list| list[w])
                    } else {
                        None
                    }
                };
                (0..weeks)
                    .map(|w| {
                        limit(w).map(|limit| {
                            let left = limit * factor - used[w];
                            if left < 0 {
                                self.broken
                                    .push(format!("{name}: {} week {}", site.id, problem.weeks[w]));
                            }
                            left.max(0)
                        })
                    })
                    .collect::<Vec<_>>()
            };
            let minutes10 = left(
                problem.rules.minutes,
                &site.minutes,
                10,
                &minutes[i],
                "minutes",
            );
            let mixing_dl = left(
                problem.rules.mixing,
                &site.mixing_dl,
                1,
                &mixing[i],
                "mixing",
            );
            let none = vec![0; weeks];
            let most_sowings = left(
                problem.rules.most_sowings,
                &site.most_sowings,
                1,
                &none,
                "most_sowings",
            );
            self.limit_kinds |= most_sowings.iter().any(Option::is_some);
            self.sites.push(SiteIndex {
                week: site.slots.iter().map(|slot| slot.week).collect(),
                harvest_week: site.slots.iter().map(|slot| slot.harvest_week).collect(),
                minutes10,
                mixing_dl,
                most_sowings,
            });
        }
        Ok(())
    }

    /// Signatures: (site, crop) to (signature, does it serve any target).
    fn add_targets(
        &mut self,
        problem: &Problem,
        site_at: &Map<'_, usize>,
        crop_at: &Map<'_, usize>,
    ) -> Result<SignatureOf, SolveError> {
        let mut served: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
        for site in 0..problem.sites.len() {
            for crop in 0..problem.crops.len() {
                served.insert((site, crop), Vec::new());
            }
        }
        let shares = self.band_permille.clone();
        let tops = |&pledge: &i64| {
            let top = move |&share: &i64| (i128::from(pledge) * i128::from(share) / 1000) as i64;
            shares.iter().map(top).collect::<Vec<_>>()
        };
        for (t, target) in problem.targets.iter().enumerate() {
            for site in &target.sites {
                let site = find(site_at, "site", site)?;
                for crop in &target.crops {
                    let crop = find(crop_at, "crop", crop)?;
                    let list = served.entry((site, crop)).or_default();
                    if list.last() != Some(&t) {
                        list.push(t);
                    }
                }
            }
            self.targets.push(TargetIndex {
                pledge_dg: target.pledge_dg.clone(),
                tops: target.pledge_dg.iter().flat_map(tops).collect(),
                worth: problem
                    .objective
                    .shortfall_bands
                    .iter()
                    .map(|band| band.1 * target.priority)
                    .collect(),
                signatures: Vec::new(),
            });
        }
        let mut known: BTreeMap<(usize, &Vec<usize>), usize> = BTreeMap::new();
        let mut signature_of = BTreeMap::new();
        for (&(site, crop), targets) in &served {
            let signature = *known.entry((site, targets)).or_insert_with(|| {
                self.signatures.push(targets.clone());
                self.signatures.len() - 1
            });
            signature_of.insert((site, crop), (signature, !targets.is_empty()));
        }
        for (g, targets) in self.signatures.iter().enumerate() {
            for &t in targets {
                self.targets[t].signatures.push(g);
            }
        }
        self.committed_dg = vec![0; self.signatures.len() * self.weeks];
        Ok(signature_of)
    }

    fn add_goods(&mut self, problem: &Problem) {
        if problem.rules.stock {
            self.goods = problem
                .consumables
                .iter()
                .enumerate()
                .map(|(consumable, good)| Good {
                    consumable,
                    stock: good.stock,
                    price_e4: good.price_cents10 * problem.objective.cost_per_cent,
                    lead_weeks: good.lead_weeks,
                    most_per_week: good.most_per_week,
                })
                .collect();
        }
    }

    fn add_shares(&mut self, problem: &Problem) {
        for share in &problem.shares {
            self.shares.push(ShareIndex {
                least: share.min_permille.unwrap_or(0),
                most: share.max_permille.unwrap_or(1000).min(1000),
                weeks: share.weeks,
                from_week: share.from_week,
                part_dg: vec![0; self.weeks],
                whole_dg: vec![0; self.weeks],
            });
        }
    }

    /// Adopted containers by batch; those that can never be sown again are a fixed cost.
    fn add_adopted(
        &mut self,
        problem: &Problem,
        class_at: &Map<'_, usize>,
        entries: &mut Entries<'_>,
    ) -> Result<BTreeSet<(usize, usize)>, SolveError> {
        let mut kept = BTreeSet::new();
        let stations: Map<'_, usize> =
            positions(problem.stations.iter().map(|station| station.id.as_str()));
        let crop_at = positions(problem.crops.iter().map(String::as_str));
        let sites = positions(problem.sites.iter().map(|site| site.id.as_str()));
        for sowing in problem.adopted.iter().flatten() {
            let station = &problem.stations[find(&stations, "adopted station", &sowing.station)?];
            let class = find(class_at, "class", &station.class)?;
            let site = &problem.sites[find(&sites, "site", &station.site)?];
            let day = sowing
                .sow
                .signed_duration_since(problem.start_date)
                .num_days();
            let slot = site
                .slots
                .iter()
                .position(|slot| i64::from(slot.day) == day);
            let entry = problem.classes[class]
                .crops
                .iter()
                .find(|entry| entry.crop == sowing.crop);
            let base = entries.bases[class].get(sowing.crop.as_str());
            match (slot, entry, base, crop_at.get(sowing.crop.as_str())) {
                (Some(slot), Some(entry), Some(base), Some(&crop))
                    if entry.first.iter().any(|arc| arc.from == slot) =>
                {
                    entries.batches[base + slot].adopted += sowing.containers;
                    kept.insert((class, crop));
                }
                _ => self.base_e4 += self.change_e4 * sowing.containers,
            }
        }
        Ok(kept)
    }

    fn add_classes(
        &mut self,
        problem: &Problem,
        class_at: &Map<'_, usize>,
        class_site: &[usize],
        entries: &Entries<'_>,
        signature: impl Fn(usize, usize, usize) -> Option<usize>,
    ) -> Result<(), SolveError> {
        let crop_at = positions(problem.crops.iter().map(String::as_str));
        let mut merged: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
        for (i, station) in problem.stations.iter().enumerate() {
            let class = find(class_at, "class", &station.class)?;
            if station.site != problem.classes[class].site {
                return Err(SolveError::BadProblem(format!(
                    "station {} is not at the site of its class",
                    station.id
                )));
            }
            let alone = station
                .taken
                .iter()
                .any(|&(a, b, places)| a > 0 && b > a && places != 0);
            merged
                .entry((class, if alone { i + 1 } else { 0 }))
                .or_default()
                .push(i);
        }
        for (&(class, _), stations) in &merged {
            let site = class_site[class];
            let slots = problem.sites[site].slots.len();
            let mut places = vec![0_i64; slots];
            for &i in stations {
                let station = &problem.stations[i];
                let mut free = vec![station.places; slots];
                for &(from, end, taken) in &station.taken {
                    for left in &mut free[from..end] {
                        *left = left.saturating_sub(taken);
                    }
                }
                if free.iter().any(|&left| left < 0) {
                    return Err(SolveError::BadProblem(format!(
                        "station {}: more taken than places",
                        station.id
                    )));
                }
                for (sum, left) in places.iter_mut().zip(free) {
                    *sum += left;
                }
            }
            let from = self.rows.len();
            for entry in &problem.classes[class].crops {
                let crop = find(&crop_at, "crop", &entry.crop)?;
                let base = entries.bases[class]
                    .get(entry.crop.as_str())
                    .copied()
                    .unwrap_or(0);
                if let Some(signature) = signature(site, crop, class)
                    && !entry.first.is_empty()
                {
                    let row = self.row(
                        problem,
                        entry,
                        self.classes.len(),
                        (crop, site, signature),
                        base,
                        slots,
                    )?;
                    self.rows.push(row);
                }
            }
            let of_rows = |most: &dyn Fn(&Row) -> i64| self.rows[from..].iter().map(most).max();
            let cut = |row: &Row| row.cut_minutes10 + row.clean_minutes10;
            let most_minutes10 = of_rows(&|row| row.sow_minutes10.max(cut(row))).unwrap_or(0);
            let most_mix_dl = of_rows(&|row| row.sow_mix_dl.max(row.cut_mix_dl)).unwrap_or(0);
            self.programmes
                .push(Programme::new(&self.rows[from..], slots, self.weeks));
            self.classes.push(ClassIndex {
                site,
                stations: stations.clone(),
                places,
                rows: from..self.rows.len(),
                most_minutes10,
                most_mix_dl,
                slot_base: self.class_slots,
            });
            self.class_slots += slots;
        }
        Ok(())
    }

    fn row(
        &self,
        problem: &Problem,
        entry: &ClassCrop,
        class: usize,
        (crop, site, signature): (usize, usize, usize),
        batch_base: usize,
        slots: usize,
    ) -> Result<Row, SolveError> {
        let first = Arcs::new(slots, &entry.first);
        let again = Arcs::new(slots, &entry.again);
        let grams = |cut: i64, arcs: &Arcs| {
            arcs.permille
                .iter()
                .map(|&permille| cut * permille / 1000)
                .collect()
        };
        let mut uses = Vec::new();
        for (u, good) in self.goods.iter().enumerate() {
            if let Some(&units) = entry.uses.get(&problem.consumables[good.consumable].id)
                && units > 0
            {
                uses.push((u, units));
            }
        }
        let site_id = &problem.sites[site].id;
        let shares = problem
            .shares
            .iter()
            .enumerate()
            .filter(|(_, share)| share.sites.contains(site_id));
        let shares = shares
            .map(|(n, share)| {
                (
                    n,
                    share.crop == entry.crop,
                    share.crops.contains(&entry.crop),
                )
            })
            .filter(|&(_, part, whole)| part || whole)
            .collect();
        Ok(Row {
            class,
            crop,
            site,
            signature,
            batch_base,
            first_dg: grams(entry.cut_dg[0], &first),
            again_dg: entry.cut_dg[1..]
                .iter()
                .map(|&cut| grams(cut, &again))
                .collect(),
            first,
            again,
            free_at: entry.free_at.iter().map(|&slot| slot as u32).collect(),
            sow_minutes10: entry.minutes10.sow,
            cut_minutes10: entry.minutes10.cut,
            clean_minutes10: entry.minutes10.clean,
            sow_mix_dl: entry.mix_dl.sow,
            cut_mix_dl: entry.mix_dl.cut,
            uses,
            shares,
        })
    }

    fn add_committed(
        &mut self,
        problem: &Problem,
        site_at: &Map<'_, usize>,
        crop_at: &Map<'_, usize>,
        signature_of: &SignatureOf,
    ) -> Result<(), SolveError> {
        for harvest in &problem.committed {
            let site = find(site_at, "site", &harvest.site)?;
            let crop = find(crop_at, "crop", &harvest.crop)?;
            match signature_of.get(&(site, crop)) {
                Some(&(signature, true)) => {
                    self.committed_dg[signature * self.weeks + harvest.week] += harvest.dg
                }
                _ => {
                    self.unwanted_dg[harvest.week] += harvest.dg;
                    self.base_e4 += self.surplus_e4 * harvest.dg;
                }
            }
            for (share, index) in problem.shares.iter().zip(&mut self.shares) {
                if share.sites.contains(&harvest.site) {
                    if share.crop == harvest.crop {
                        index.part_dg[harvest.week] += harvest.dg;
                    }
                    if share.crops.contains(&harvest.crop) {
                        index.whole_dg[harvest.week] += harvest.dg;
                    }
                }
            }
        }
        Ok(())
    }
}
