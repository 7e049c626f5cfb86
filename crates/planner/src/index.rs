//! The problem in numbers: stations merged into classes, crops into produce signatures, arcs by slot.
//!
//! Model sections "sets and time" and "two merges that lose nothing". Stations of a class whose
//! taken places all start at slot 0 are merged; any other station is a class of its own. Crops of a
//! site that may serve the same targets share one signature.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::problem::{Arc, ClassCrop, Problem};
use crate::solve::SolveError;

/// A limit that never binds; sums of it stay within `i64`.
pub(crate) const UNLIMITED: i64 = i64::MAX / 4;

/// Arcs grouped by the slot they start on.
#[derive(Debug, Default)]
pub(crate) struct Arcs {
    start: Vec<u32>,
    /// Slot each arc ends on.
    pub(crate) to: Vec<u32>,
    permille: Vec<i64>,
}

impl Arcs {
    fn new(slots: usize, arcs: &[Arc]) -> Self {
        let mut sorted: Vec<&Arc> = arcs.iter().collect();
        sorted.sort_by_key(|arc| (arc.from, arc.to));
        let mut start = vec![0_u32; slots + 1];
        for arc in &sorted {
            start[arc.from + 1] += 1;
        }
        for j in 0..slots {
            start[j + 1] += start[j];
        }
        Self {
            start,
            to: sorted.iter().map(|arc| arc.to as u32).collect(),
            permille: sorted.iter().map(|arc| arc.permille).collect(),
        }
    }

    /// Indexes of the arcs that start on a slot.
    pub(crate) fn from(&self, slot: usize) -> Range<usize> {
        self.start[slot] as usize..self.start[slot + 1] as usize
    }

    /// The arc between two slots.
    pub(crate) fn find(&self, from: usize, to: usize) -> Option<usize> {
        if from + 1 >= self.start.len() {
            return None;
        }
        self.from(from).find(|&arc| self.to[arc] as usize == to)
    }
}

/// A crop as it grows in a merged class.
#[derive(Debug)]
pub(crate) struct Row {
    pub(crate) class: usize,
    pub(crate) crop: usize,
    pub(crate) site: usize,
    pub(crate) signature: usize,
    /// Batch of slot s is `batch_base + s`.
    pub(crate) batch_base: usize,
    pub(crate) first: Arcs,
    pub(crate) again: Arcs,
    /// Decigrams a container of each `first` arc.
    pub(crate) first_dg: Vec<i64>,
    /// Decigrams of cut 2, 3, ... by `again` arc.
    pub(crate) again_dg: Vec<Vec<i64>>,
    pub(crate) free_at: Vec<u32>,
    pub(crate) sow_minutes10: i64,
    pub(crate) cut_minutes10: i64,
    pub(crate) clean_minutes10: i64,
    pub(crate) sow_mix_dl: i64,
    pub(crate) cut_mix_dl: i64,
    /// Units of a good per container.
    pub(crate) uses: Vec<(usize, i64)>,
    /// Shares this harvest counts in: (share, in the part, in the whole).
    pub(crate) shares: Vec<(usize, bool, bool)>,
}

impl Row {
    /// Most cuts of a sowing.
    pub(crate) fn most_cuts(&self) -> usize {
        self.again_dg.len() + 1
    }
}

/// A site.
#[derive(Debug)]
pub(crate) struct SiteIndex {
    pub(crate) week: Vec<usize>,
    pub(crate) harvest_week: Vec<Option<usize>>,
    /// Tenths of a minute left by committed work, per week.
    pub(crate) minutes10: Vec<Option<i64>>,
    pub(crate) mixing_dl: Vec<Option<i64>>,
    pub(crate) most_sowings: Vec<Option<i64>>,
}

/// Stations alike, merged.
#[derive(Debug)]
pub(crate) struct ClassIndex {
    pub(crate) site: usize,
    /// Index in the problem's stations.
    pub(crate) stations: Vec<usize>,
    /// Places free per slot.
    pub(crate) places: Vec<i64>,
    /// Rows of this class.
    pub(crate) rows: Range<usize>,
    /// Slots of all classes before this one.
    pub(crate) slot_base: usize,
}

/// A target.
#[derive(Debug)]
pub(crate) struct TargetIndex {
    pub(crate) pledge_dg: Vec<i64>,
    /// Ten-thousandths of a point per decigram short, by band.
    pub(crate) worth: Vec<i64>,
    pub(crate) signatures: Vec<usize>,
}

impl TargetIndex {
    /// Upper ends of the shortfall bands of a week, in decigrams.
    pub(crate) fn band_tops(&self, index: &Index, week: usize) -> impl Iterator<Item = i64> {
        let pledge = self.pledge_dg[week];
        index
            .band_permille
            .iter()
            .map(move |&share| (i128::from(pledge) * i128::from(share) / 1000) as i64)
    }
}

/// A consumable that can run out.
#[derive(Debug)]
pub(crate) struct Good {
    /// Index in the problem's consumables.
    pub(crate) consumable: usize,
    pub(crate) stock: i64,
    /// Ten-thousandths of a point per unit bought.
    pub(crate) price_e4: i64,
    pub(crate) lead_weeks: usize,
    pub(crate) most_per_week: i64,
}

/// A batch: class, crop and sow slot.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Batch {
    pub(crate) least: i64,
    pub(crate) adopted: i64,
}

/// A share over rolling runs of weeks.
#[derive(Debug)]
pub(crate) struct ShareIndex {
    pub(crate) least: i64,
    pub(crate) most: i64,
    pub(crate) weeks: usize,
    pub(crate) from_week: usize,
    /// Committed decigrams of the part and of the whole, per week.
    pub(crate) part_dg: Vec<i64>,
    pub(crate) whole_dg: Vec<i64>,
}

/// The whole problem in numbers.
#[derive(Debug)]
pub(crate) struct Index {
    pub(crate) weeks: usize,
    pub(crate) sites: Vec<SiteIndex>,
    pub(crate) classes: Vec<ClassIndex>,
    pub(crate) rows: Vec<Row>,
    /// Targets each signature may serve.
    pub(crate) signatures: Vec<Vec<usize>>,
    pub(crate) targets: Vec<TargetIndex>,
    /// Committed decigrams by signature and week.
    pub(crate) committed_dg: Vec<i64>,
    /// Committed decigrams that serve no target, per week.
    pub(crate) unwanted_dg: Vec<i64>,
    /// Cumulative shares of the bands.
    pub(crate) band_permille: Vec<i64>,
    pub(crate) goods: Vec<Good>,
    pub(crate) batches: Vec<Batch>,
    pub(crate) shares: Vec<ShareIndex>,
    /// Cost no plan can change.
    pub(crate) base_e4: i64,
    /// Per decigram of surplus.
    pub(crate) surplus_e4: i64,
    /// Per tenth of a minute.
    pub(crate) labour_e4: i64,
    /// Per container by which a batch differs; 0 without an adopted plan.
    pub(crate) change_e4: i64,
    pub(crate) keep_batches: bool,
    pub(crate) limit_kinds: bool,
    /// Slots of all classes.
    pub(crate) class_slots: usize,
    /// Rules that committed work breaks whatever is planned.
    pub(crate) broken: Vec<String>,
}

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
    ) -> Result<BTreeMap<(usize, usize), (usize, bool)>, SolveError> {
        let mut served: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
        for site in 0..problem.sites.len() {
            for crop in 0..problem.crops.len() {
                served.insert((site, crop), Vec::new());
            }
        }
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
    fn add_adopted<'a>(
        &mut self,
        problem: &'a Problem,
        class_at: &Map<'_, usize>,
        entries: &mut Entries<'_>,
    ) -> Result<std::collections::BTreeSet<(usize, usize)>, SolveError> {
        let mut kept = std::collections::BTreeSet::new();
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
                if let Some(signature) = signature(site, crop, class) {
                    if !entry.first.is_empty() {
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
            }
            self.classes.push(ClassIndex {
                site,
                stations: stations.clone(),
                places,
                rows: from..self.rows.len(),
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
            if let Some(&units) = entry.uses.get(&problem.consumables[good.consumable].id) {
                if units > 0 {
                    uses.push((u, units));
                }
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
        signature_of: &BTreeMap<(usize, usize), (usize, bool)>,
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
