//! Columns: one container's stay from sowing through its cuts until its place is free again.
//!
//! A column is a path of one `first` arc and some `again` arcs. Paths are numbered without being
//! listed (the rank of a path), so that problems with very many can list only the promising ones.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::index::{Index, Row};
use crate::lagrange::ClassPrices;
use crate::programme::Programme;
use crate::solve::SolveError;

/// Number of a path among all paths of the problem.
pub(crate) type Rank = u64;

/// A cut of a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Cut {
    pub(crate) slot: u32,
    pub(crate) dg: i64,
}

/// A path: row, sow slot and cuts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Path {
    pub(crate) row: usize,
    pub(crate) sow: usize,
    pub(crate) cuts: Vec<Cut>,
}

/// Counts of path continuations of one row.
#[derive(Debug)]
struct Tree {
    /// Rank of the row's first path.
    base: Rank,
    /// Paths before each first arc.
    first: Vec<u64>,
    /// By level and arc: continuations before it at its slot, the stop included.
    again: Vec<Vec<u64>>,
    total: u64,
}

/// Numbering of all paths.
#[derive(Debug)]
pub(crate) struct Paths {
    trees: Vec<Tree>,
    /// Paths in all.
    pub(crate) total: u64,
}

impl Tree {
    fn new(row: &Row, base: Rank, slots: usize) -> Self {
        let levels = row.again_dg.len();
        let mut again = vec![Vec::new(); levels];
        // continuations of a path that stands at a slot after its last level
        let mut below = vec![1_u64; slots];
        for level in (0..levels).rev() {
            let mut here = vec![1_u64; slots];
            let mut before = vec![0_u64; row.again.to.len()];
            for (slot, count) in here.iter_mut().enumerate() {
                for arc in row.again.from(slot) {
                    before[arc] = *count;
                    *count = count.saturating_add(below[row.again.to[arc] as usize]);
                }
            }
            again[level] = before;
            below = here;
        }
        let mut total = 0_u64;
        let mut first = Vec::with_capacity(row.first.to.len());
        for &to in &row.first.to {
            first.push(total);
            total = total.saturating_add(below[to as usize]);
        }
        Self {
            base,
            first,
            again,
            total,
        }
    }
}

impl Paths {
    /// Number the paths of every row.
    ///
    /// # Errors
    /// [`SolveError::TooLarge`] when there are more than 2^60.
    pub(crate) fn new(index: &Index) -> Result<Self, SolveError> {
        let mut trees: Vec<Tree> = Vec::with_capacity(index.rows.len());
        let mut total = 0_u64;
        for row in &index.rows {
            let tree = Tree::new(row, total, row.free_at.len());
            total = total.saturating_add(tree.total);
            trees.push(tree);
        }
        if total > 1 << 60 {
            return Err(SolveError::TooLarge("possible sowings".into()));
        }
        Ok(Self { trees, total })
    }

    /// Rank of the path through a first arc and further arcs.
    pub(crate) fn rank(&self, row: usize, first: usize, again: &[usize]) -> Rank {
        let tree = &self.trees[row];
        let steps = again
            .iter()
            .enumerate()
            .map(|(level, &arc)| tree.again[level][arc]);
        tree.base + tree.first[first] + steps.sum::<u64>()
    }

    /// Rank of a sowing given by its slots; `None` when it is not possible.
    pub(crate) fn find(
        &self,
        index: &Index,
        row: usize,
        sow: usize,
        cuts: &[usize],
    ) -> Option<Rank> {
        let entry = &index.rows[row];
        let (&start, rest) = cuts.split_first()?;
        if cuts.len() > entry.most_cuts() {
            return None;
        }
        let first = entry.first.find(sow, start)?;
        let mut at = start;
        let mut arcs = Vec::new();
        for &next in rest {
            arcs.push(entry.again.find(at, next)?);
            at = next;
        }
        Some(self.rank(row, first, &arcs))
    }

    /// The path of a rank.
    pub(crate) fn path(&self, index: &Index, rank: Rank) -> Path {
        let row = self
            .trees
            .partition_point(|tree| tree.base + tree.total <= rank);
        let (tree, entry) = (&self.trees[row], &index.rows[row]);
        let mut rest = rank - tree.base;
        let first = tree.first.partition_point(|&before| before <= rest) - 1;
        rest -= tree.first[first];
        let mut slot = entry.first.to[first];
        let sow = (0..entry.free_at.len())
            .find(|&s| entry.first.from(s).contains(&first))
            .unwrap_or(0);
        let mut cuts = vec![Cut {
            slot,
            dg: entry.first_dg[first],
        }];
        for level in 0..tree.again.len() {
            if rest == 0 {
                break;
            }
            let arcs = entry.again.from(slot as usize);
            let arc =
                arcs.start + tree.again[level][arcs].partition_point(|&before| before <= rest) - 1;
            rest -= tree.again[level][arc];
            slot = entry.again.to[arc];
            cuts.push(Cut {
                slot,
                dg: entry.again_dg[level][arc],
            });
        }
        Path { row, sow, cuts }
    }
}

/// A listed column.
#[derive(Debug, Clone)]
pub(crate) struct Column {
    pub(crate) rank: Rank,
    pub(crate) row: u32,
    pub(crate) sow: u32,
    /// First slot at which the place is free again.
    pub(crate) end: u32,
    /// Week of the sow slot.
    pub(crate) week: u32,
    pub(crate) batch: u32,
    pub(crate) site: u32,
    pub(crate) signature: u32,
    /// First of its places among the free places of all classes.
    free_from: u32,
    /// Weeks of its work as bits, week modulo 64.
    pub(crate) work_weeks: u64,
    pub(crate) sow_minutes10: i64,
    pub(crate) sow_mix_dl: i64,
    uses_from: u32,
    uses_count: u32,
    cut_from: u32,
    cut_count: u32,
    harvest_from: u32,
    harvest_count: u32,
    /// How much dearer, at the prices found, than the cheapest use of its place.
    pub(crate) detour_e4: f64,
    /// Work and surplus cost of a container.
    pub(crate) cost_e4: i64,
}

impl Column {
    /// Its places by slot among the free places of all classes.
    pub(crate) fn places(&self) -> Range<usize> {
        let from = self.free_from as usize;
        from..from + (self.end - self.sow) as usize
    }
}

/// What a column does on the day of a cut.
#[derive(Debug, Clone, Copy)]
pub(crate) struct CutWork {
    /// Week of the work.
    pub(crate) week: u32,
    /// Week of delivery; `u32::MAX` when no pledge week receives it.
    pub(crate) harvest_week: u32,
    pub(crate) dg: i64,
    pub(crate) minutes10: i64,
    pub(crate) mixing_dl: i64,
    /// Slot of the cut.
    pub(crate) slot: u32,
}

impl CutWork {
    /// Is it delivered in a pledge week?
    pub(crate) fn delivered(&self) -> bool {
        self.harvest_week != u32::MAX
    }
}

/// What a container brings in a week.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Harvest {
    /// Signature x weeks + week of delivery.
    pub(crate) cell: u32,
    pub(crate) dg: i64,
}

/// The listed columns, by class with the latest sow slot first.
#[derive(Debug)]
pub(crate) struct Columns {
    pub(crate) list: Vec<Column>,
    cuts: Vec<CutWork>,
    harvests: Vec<Harvest>,
    /// Units of goods a container takes, by row.
    uses: Vec<(usize, i64)>,
    uses_of_row: Vec<Range<usize>>,
    by_class: Vec<Range<usize>>,
    /// By class and slot.
    by_sow: Vec<Range<u32>>,
    by_batch: Vec<Range<u32>>,
}

impl Columns {
    /// List the paths of some ranks, given with their detours.
    pub(crate) fn new(index: &Index, paths: &Paths, ranks: &BTreeMap<Rank, f64>) -> Self {
        let mut found: Vec<(Rank, Path, f64)> = ranks
            .iter()
            .map(|(&rank, &detour)| (rank, paths.path(index, rank), detour))
            .collect();
        found.sort_by_key(|(rank, path, _)| {
            (
                index.rows[path.row].class,
                std::cmp::Reverse(path.sow),
                *rank,
            )
        });
        let mut columns = Self {
            list: Vec::new(),
            cuts: Vec::new(),
            harvests: Vec::new(),
            uses: Vec::new(),
            uses_of_row: Vec::new(),
            by_class: Vec::new(),
            by_sow: vec![0..0; index.class_slots],
            by_batch: vec![0..0; index.batches.len()],
        };
        for row in &index.rows {
            let from = columns.uses.len();
            let used = row.uses.iter().filter(|&&(_, units)| units != 0);
            columns.uses.extend(used);
            columns.uses_of_row.push(from..columns.uses.len());
        }
        let mut at = 0;
        for class in 0..index.classes.len() {
            let from = at;
            while at < found.len() && index.rows[found[at].1.row].class == class {
                columns.push(index, &found[at]);
                at += 1;
            }
            columns.by_class.push(from..at);
            let slot_base = index.classes[class].slot_base;
            for p in (from..at).rev() {
                let own = &mut columns.by_sow[slot_base + columns.list[p].sow as usize];
                let end = if own.end == 0 { p as u32 + 1 } else { own.end };
                *own = p as u32..end;
            }
        }
        for (p, column) in columns.list.iter().enumerate() {
            let own = &mut columns.by_batch[column.batch as usize];
            let from = if own.end == 0 { p as u32 } else { own.start };
            *own = from..p as u32 + 1;
        }
        columns
    }

    fn push(&mut self, index: &Index, (rank, path, detour_e4): &(Rank, Path, f64)) {
        let row = &index.rows[path.row];
        let site = &index.sites[row.site];
        let cut_from = self.cuts.len() as u32;
        let mut minutes10 = row.sow_minutes10;
        let mut lost_dg = 0;
        let mut end = 0;
        let week_bit = |week: usize| 1_u64 << (week % 64);
        let mut work_weeks = week_bit(site.week[path.sow]);
        for (i, cut) in path.cuts.iter().enumerate() {
            let last = i + 1 == path.cuts.len();
            let slot = cut.slot as usize;
            let work = row.cut_minutes10 + if last { row.clean_minutes10 } else { 0 };
            let harvest_week = site.harvest_week[slot];
            minutes10 += work;
            if harvest_week.is_none() {
                lost_dg += cut.dg;
            }
            work_weeks |= week_bit(site.week[slot]);
            self.cuts.push(CutWork {
                week: site.week[slot] as u32,
                harvest_week: harvest_week.map_or(u32::MAX, |week| week as u32),
                dg: cut.dg,
                minutes10: work,
                mixing_dl: if last { 0 } else { row.cut_mix_dl },
                slot: cut.slot,
            });
            end = row.free_at[slot];
        }
        let harvest_from = self.harvests.len() as u32;
        for cut in &self.cuts[cut_from as usize..] {
            if cut.delivered() && cut.dg > 0 {
                self.harvests.push(Harvest {
                    cell: row.signature as u32 * index.weeks as u32 + cut.harvest_week,
                    dg: cut.dg,
                });
            }
        }
        let uses = &self.uses_of_row[path.row];
        self.list.push(Column {
            rank: *rank,
            detour_e4: *detour_e4,
            row: path.row as u32,
            sow: path.sow as u32,
            end,
            week: site.week[path.sow] as u32,
            batch: (row.batch_base + path.sow) as u32,
            site: row.site as u32,
            signature: row.signature as u32,
            free_from: (index.classes[row.class].slot_base + path.sow) as u32,
            work_weeks,
            sow_minutes10: row.sow_minutes10,
            sow_mix_dl: row.sow_mix_dl,
            uses_from: uses.start as u32,
            uses_count: uses.len() as u32,
            cut_from,
            cut_count: path.cuts.len() as u32,
            harvest_from,
            harvest_count: self.harvests.len() as u32 - harvest_from,
            cost_e4: index.labour_e4 * minutes10 + index.surplus_e4 * lost_dg,
        });
    }

    /// Cuts of a column in order.
    pub(crate) fn cuts(&self, column: &Column) -> &[CutWork] {
        &self.cuts[column.cut_from as usize..(column.cut_from + column.cut_count) as usize]
    }

    /// What a container of a column brings.
    pub(crate) fn harvests(&self, column: &Column) -> &[Harvest] {
        &self.harvests
            [column.harvest_from as usize..(column.harvest_from + column.harvest_count) as usize]
    }

    /// Units of goods that a container of a column takes.
    pub(crate) fn uses(&self, column: &Column) -> &[(usize, i64)] {
        &self.uses[column.uses_from as usize..(column.uses_from + column.uses_count) as usize]
    }

    /// Columns of a class, the latest sow slot first.
    pub(crate) fn of_class(&self, class: usize) -> Range<usize> {
        self.by_class[class].clone()
    }

    /// Columns sown on a slot of a class, whose first slot is at `slot_base` among those of all classes.
    pub(crate) fn sown_on(&self, slot_base: usize, slot: usize) -> Range<usize> {
        let range = &self.by_sow[slot_base + slot];
        range.start as usize..range.end as usize
    }

    /// Columns of a batch: ranks rise from crop to crop, so they stand side by side.
    pub(crate) fn of_batch(&self, batch: usize) -> Range<usize> {
        let range = &self.by_batch[batch];
        range.start as usize..range.end as usize
    }

    /// Containers by column, given by rank.
    pub(crate) fn amounts<T: Copy + Default>(&self, by_rank: &BTreeMap<Rank, T>) -> Vec<T> {
        let count = |column: &Column| by_rank.get(&column.rank).copied().unwrap_or_default();
        self.list.iter().map(count).collect()
    }
}

/// Paths of a class with their detours: for each sow slot the cheapest, and up to `keep` whose detour is
/// at most `limit_e4`.
pub(crate) fn promising(
    index: &Index,
    paths: &Paths,
    class: usize,
    prices: &ClassPrices<f64>,
    (keep, limit_e4): (usize, f64),
    out: &mut BTreeMap<Rank, f64>,
) {
    let rows = index.classes[class].rows.clone();
    for sow in 0..index.classes[class].places.len() {
        let least = prices.place_cost(sow);
        let mut best = Best {
            keep,
            dearest: least + limit_e4,
            found: Vec::new(),
        };
        for (local, row) in rows.clone().enumerate() {
            let entry = &index.rows[row];
            let programme = &index.programmes[class];
            let first = programme.first_steps(local, sow).start;
            for arc in entry.first.from(sow) {
                let slot = entry.first.to[arc] as usize;
                let cost = prices.sow_cost(local, sow)
                    + prices.cut_cost(local, slot, first + arc - entry.first.from(sow).start);
                let rank = paths.rank(row, arc, &[]);
                let mut walk = Walk {
                    entry,
                    tree: &paths.trees[row],
                    prices,
                    programme,
                    local,
                };
                walk.step(0, slot, cost, rank, &mut best);
            }
        }
        out.extend(best.found.iter().map(|&(cost, rank)| (rank, cost - least)));
    }
}

/// The best few paths so far, in order.
struct Best {
    keep: usize,
    dearest: f64,
    found: Vec<(f64, Rank)>,
}

impl Best {
    fn hopeless(&self, cost: f64) -> bool {
        let Some(worst) = self.found.last() else {
            return false;
        };
        cost > self.dearest && cost >= self.found[0].0
            || self.found.len() >= self.keep && cost >= worst.0
    }

    fn add(&mut self, cost: f64, rank: Rank) {
        if !self.hopeless(cost) {
            let at = self.found.partition_point(|other| other.0 <= cost);
            self.found.insert(at, (cost, rank));
            self.found.truncate(self.keep);
            let within = self.found.partition_point(|other| other.0 <= self.dearest);
            self.found.truncate(within.max(1));
        }
    }
}

/// Depth-first listing of a row's paths; branches that cannot enter the best few are cut off.
struct Walk<'a> {
    entry: &'a Row,
    tree: &'a Tree,
    prices: &'a ClassPrices<f64>,
    programme: &'a Programme,
    local: usize,
}

impl Walk<'_> {
    fn step(&mut self, level: usize, slot: usize, cost: f64, rank: Rank, best: &mut Best) {
        if best.hopeless(cost + self.prices.onward(self.local, level, slot)) {
            return;
        }
        best.add(
            cost + self
                .prices
                .stop_cost(self.local, slot, self.entry.free_at[slot] as usize),
            rank,
        );
        if level < self.tree.again.len() {
            let steps = self.programme.again_steps(self.local, level, slot).start;
            let own = self.entry.again.from(slot);
            for arc in own.clone() {
                let to = self.entry.again.to[arc] as usize;
                let more = self.prices.refill_cost(self.local, slot)
                    + self
                        .prices
                        .cut_cost(self.local, to, steps + arc - own.start);
                self.step(
                    level + 1,
                    to,
                    cost + more,
                    rank + self.tree.again[level][arc],
                    best,
                );
            }
        }
    }
}
