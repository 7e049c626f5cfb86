//! The state of the search: container counts, what is left of every limit, the weekly division, and
//! what it takes to undo a change.
//!
//! Model section "ruin and recreate". Every quantity is a whole number. What a column books on places,
//! work and stock is undone by booking it back; the division keeps a log of old values. The division of
//! produce among targets is kept optimal by augmenting along the best path, so the cost of the state is exact.

use crate::changes::ChangeWeights;
use crate::columns::Columns;
use crate::division::{Outlet, Step};
use crate::index::{Index, UNLIMITED};

/// An edge from a signature to a target with a pledge in some week.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Link {
    /// Cell of the flow.
    pub(crate) flow: u32,
    /// Target seen from a signature, signature seen from a target.
    pub(crate) other: u32,
}

/// Lists grouped by a key.
#[derive(Debug, Default, Clone)]
pub(crate) struct Groups {
    start: Vec<u32>,
    pub(crate) links: Vec<Link>,
}

impl Groups {
    fn new(count: usize, mut items: Vec<(usize, Link)>) -> Self {
        items.sort_by_key(|&(key, link)| (key, link.flow));
        let mut start = vec![0_u32; count + 1];
        for &(key, _) in &items {
            start[key + 1] += 1;
        }
        for i in 0..count {
            start[i + 1] += start[i];
        }
        Self {
            start,
            links: items.into_iter().map(|item| item.1).collect(),
        }
    }

    /// Positions in `links` of a key.
    pub(crate) fn range(&self, key: usize) -> std::ops::Range<usize> {
        self.start[key] as usize..self.start[key + 1] as usize
    }
}

/// First cell of each kind.
#[derive(Debug, Default, Clone, Copy)]
pub(crate) struct Layout {
    pub(crate) sent: usize,
    pub(crate) over: usize,
    pub(crate) part: usize,
    pub(crate) whole: usize,
    pub(crate) violation: usize,
}

impl Layout {
    fn of(index: &Index) -> Self {
        let weeks = index.weeks;
        let mut layout = Self::default();
        layout.over = layout.sent + index.targets.len() * weeks;
        layout.part = layout.over + index.signatures.len() * weeks;
        layout.whole = layout.part + index.shares.len() * weeks;
        layout.violation = layout.whole + index.shares.len() * weeks;
        layout
    }
}

/// Targets whose deliveries a change has moved: week, signature that was harvested, targets as bits.
pub(crate) type Moved = (u32, u32, u64);

/// Everything that changes during the search.
#[derive(Debug, Clone)]
pub(crate) struct State<'a> {
    pub(crate) index: &'a Index,
    pub(crate) columns: &'a Columns,
    /// Containers by column.
    counts: Vec<i64>,
    /// Free places by class and slot.
    free: Vec<i64>,
    /// Tenths of a minute left by site and week.
    minutes: Vec<i64>,
    /// Decilitres left by site and week.
    mixing: Vec<i64>,
    /// Units left by good and week, cumulative.
    stock: Vec<i64>,
    /// Units used by good.
    used: Vec<i64>,
    /// Containers by batch.
    batch: Vec<i64>,
    /// Containers that batches lack of their least sizes.
    lacking: i64,
    /// While batches may lack containers: what each of them counts for the search.
    pub(crate) lack_price_e4: Option<i64>,
    /// Containers that the adopted plan sows and this one does not, or the other way round.
    changed: i64,
    /// What they count for the search beyond what they cost.
    pub(crate) change_weights: ChangeWeights,
    /// New batches allowed by site and week.
    kinds: Vec<i64>,
    /// Changes since the last commit: column, containers.
    changes: Vec<(u32, i64)>,
    /// The weekly division and the shares; old values are in the log.
    pub(crate) cells: Vec<i64>,
    log: Vec<(u32, i64)>,
    pub(crate) layout: Layout,
    pub(crate) from_signature: Groups,
    pub(crate) to_target: Groups,
    /// Upper ends of the bands by week, target and band.
    pub(crate) tops: Vec<i64>,
    /// Worth of a decigram by target and band.
    pub(crate) worth: Vec<i64>,
    pub(crate) bands: usize,
    pub(crate) signature_seen: Vec<u32>,
    pub(crate) target_seen: Vec<u32>,
    pub(crate) stamp: u32,
    pub(crate) queue: Vec<Step>,
    pub(crate) outlets: Vec<Outlet>,
    pub(crate) capacity: Vec<i64>,
    /// What the last change moved.
    pub(crate) moved: Vec<Moved>,
    /// Cost of the state, penalties for broken shares included.
    pub(crate) cost_e4: i64,
    /// Worth per decigram of the dearest shortfall.
    dearest: i64,
}

/// A place in the logs to return to.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Mark {
    changes: usize,
    log: usize,
    cost_e4: i64,
    weighed_e4: i64,
}

impl Mark {
    /// Cost at the mark, with what lacking and changed containers counted.
    pub(crate) fn weighed_e4(self) -> i64 {
        self.weighed_e4
    }
}

impl<'a> State<'a> {
    /// Nothing sown; committed harvest divided.
    pub(crate) fn new(index: &'a Index, columns: &'a Columns) -> Self {
        let (weeks, sites) = (index.weeks, index.sites.len());
        let (signatures, targets) = (index.signatures.len(), index.targets.len());
        let layout = Layout::of(index);
        let mut next = layout.violation + 1;
        let (mut forward, mut backward) = (Vec::new(), Vec::new());
        for week in 0..weeks {
            for (g, list) in index.signatures.iter().enumerate() {
                for &t in list {
                    if index.targets[t].pledge_dg[week] > 0 {
                        let flow = next as u32;
                        let link = |other| Link { flow, other };
                        forward.push((week * signatures + g, link(t as u32)));
                        backward.push((week * targets + t, link(g as u32)));
                        next += 1;
                    }
                }
            }
        }
        let bands = index.band_permille.len();
        let worth = index.targets.iter().flat_map(|target| &target.worth);
        let tops = (0..weeks)
            .flat_map(|week| index.targets.iter().map(move |target| (week, target)))
            .flat_map(|(week, target)| target.band_tops(week));
        let mut state = Self {
            index,
            columns,
            counts: vec![0; columns.list.len()],
            free: Vec::with_capacity(index.class_slots),
            minutes: Vec::with_capacity(sites * weeks),
            mixing: Vec::with_capacity(sites * weeks),
            stock: Vec::with_capacity(index.goods.len() * weeks),
            used: vec![0; index.goods.len()],
            batch: vec![0; index.batches.len()],
            lacking: 0,
            lack_price_e4: None,
            changed: index.batches.iter().map(|batch| batch.adopted).sum(),
            change_weights: ChangeWeights::default(),
            kinds: Vec::with_capacity(sites * weeks),
            changes: Vec::new(),
            cells: vec![0; next],
            log: Vec::new(),
            layout,
            from_signature: Groups::new(weeks * signatures, forward),
            to_target: Groups::new(weeks * targets, backward),
            tops: tops.collect(),
            worth: worth.copied().collect(),
            bands,
            signature_seen: vec![0; signatures],
            target_seen: vec![0; targets],
            stamp: 0,
            queue: Vec::new(),
            outlets: Vec::new(),
            capacity: Vec::new(),
            moved: Vec::new(),
            cost_e4: index.base_e4,
            dearest: dearest(index),
        };
        state.fill_limits();
        state.fill_costs();
        state.commit();
        state
    }

    fn fill_limits(&mut self) {
        let index = self.index;
        for class in &index.classes {
            self.free.extend_from_slice(&class.places);
        }
        let or_none = |limit: &Option<i64>| limit.unwrap_or(UNLIMITED);
        for site in &index.sites {
            self.minutes.extend(site.minutes10.iter().map(or_none));
            self.mixing.extend(site.mixing_dl.iter().map(or_none));
            self.kinds.extend(site.most_sowings.iter().map(or_none));
        }
        for good in &index.goods {
            self.stock.extend((0..index.weeks).map(|week| {
                let arrivals = (week + 1).saturating_sub(good.lead_weeks) as i64;
                good.stock + good.most_per_week * arrivals
            }));
        }
    }

    fn fill_costs(&mut self) {
        let (index, weeks) = (self.index, self.index.weeks);
        let adopted: i64 = index.batches.iter().map(|batch| batch.adopted).sum();
        self.cost_e4 += index.change_e4 * adopted;
        for target in &index.targets {
            for week in 0..weeks {
                let mut below = 0;
                for (top, worth) in target.band_tops(week).zip(&target.worth) {
                    self.cost_e4 += worth * (top - below);
                    below = top;
                }
            }
        }
        for g in 0..index.signatures.len() {
            for week in 0..weeks {
                let dg = index.committed_dg[g * weeks + week];
                if dg > 0 {
                    self.cost_e4 += self.add_supply(g, week, dg);
                }
            }
        }
        for (n, share) in index.shares.iter().enumerate() {
            for week in 0..weeks {
                self.cells[self.layout.part + n * weeks + week] = share.part_dg[week];
                self.cells[self.layout.whole + n * weeks + week] = share.whole_dg[week];
            }
        }
        let violation = (0..index.shares.len())
            .map(|n| self.share_violation(n, 0, weeks))
            .sum();
        self.cells[self.layout.violation] = violation;
        self.cost_e4 += self.penalty(violation);
    }

    // ---- cells

    /// Write a cell, keeping its value in the log.
    pub(crate) fn set(&mut self, cell: usize, value: i64) {
        self.log.push((cell as u32, self.cells[cell]));
        self.cells[cell] = value;
    }

    /// Now.
    pub(crate) fn mark(&self) -> Mark {
        Mark {
            changes: self.changes.len(),
            log: self.log.len(),
            cost_e4: self.cost_e4,
            weighed_e4: self.weighed_e4(),
        }
    }

    /// Undo everything since a mark.
    pub(crate) fn undo(&mut self, mark: Mark) {
        while self.changes.len() > mark.changes {
            if let Some((column, q)) = self.changes.pop() {
                self.book(column as usize, -q);
            }
        }
        while self.log.len() > mark.log {
            if let Some((cell, value)) = self.log.pop() {
                self.cells[cell as usize] = value;
            }
        }
        self.cost_e4 = mark.cost_e4;
    }

    /// Forget the logs.
    pub(crate) fn commit(&mut self) {
        self.changes.clear();
        self.log.clear();
    }

    /// Containers of a column.
    pub(crate) fn count(&self, column: usize) -> i64 {
        self.counts[column]
    }

    /// Containers of all columns.
    pub(crate) fn counts(&self) -> &[i64] {
        &self.counts
    }

    /// Free places of a class by slot.
    pub(crate) fn free(&self, class: usize) -> &[i64] {
        let from = self.index.classes[class].slot_base;
        &self.free[from..from + self.index.classes[class].places.len()]
    }

    /// Tenths of a minute left, by week.
    pub(crate) fn minutes(&self, site: usize) -> &[i64] {
        let from = site * self.index.weeks;
        &self.minutes[from..from + self.index.weeks]
    }

    /// Decilitres left, by week.
    pub(crate) fn mixing(&self, site: usize) -> &[i64] {
        let from = site * self.index.weeks;
        &self.mixing[from..from + self.index.weeks]
    }

    /// New batches still allowed in a week.
    pub(crate) fn kinds_left(&self, site: usize, week: usize) -> i64 {
        self.kinds[site * self.index.weeks + week]
    }

    /// Units left of a good, cumulative by week.
    pub(crate) fn stock(&self, good: usize) -> &[i64] {
        let from = good * self.index.weeks;
        &self.stock[from..from + self.index.weeks]
    }

    /// Units of a good used in all.
    pub(crate) fn used(&self, good: usize) -> i64 {
        self.used[good]
    }

    /// Containers of a batch.
    pub(crate) fn batch(&self, batch: usize) -> i64 {
        self.batch[batch]
    }

    /// Containers that batches lack of their least sizes.
    pub(crate) fn lacking(&self) -> i64 {
        self.lacking
    }

    /// The cost, with what lacking containers count and what changed ones count beyond it.
    pub(crate) fn weighed_e4(&self) -> i64 {
        self.cost_e4
            + self.lack_price_e4.unwrap_or(0) * self.lacking
            + self.change_weights.of(self.changed)
    }

    /// What more changed containers (fewer when negative) add to what changed ones count beyond their cost.
    pub(crate) fn weight_of_changes(&self, more: i64) -> i64 {
        self.change_weights.of(self.changed + more) - self.change_weights.of(self.changed)
    }

    /// By how much shares are broken, in thousandths of a decigram.
    pub(crate) fn violation(&self) -> i64 {
        self.cells[self.layout.violation]
    }

    // ---- columns

    /// Add `q` containers of a column (fewer when negative). `false`: a limit would break, and nothing
    /// has changed.
    pub(crate) fn change(&mut self, column: usize, q: i64) -> bool {
        let (index, columns) = (self.index, self.columns);
        self.moved.clear();
        if self.counts[column] + q < 0 {
            return false;
        }
        let c = &columns.list[column];
        let uses = columns.uses(c);
        let mut cost = c.cost_e4 * q;
        for &(u, units) in uses {
            let good = &index.goods[u];
            let before = self.used[u];
            cost += good.price_e4
                * ((before + units * q - good.stock).max(0) - (before - good.stock).max(0));
        }
        if index.change_e4 > 0 {
            let batch = self.batch[c.batch as usize];
            let adopted = index.batches[c.batch as usize].adopted;
            cost += index.change_e4 * ((batch + q - adopted).abs() - (batch - adopted).abs());
        }
        self.book(column, q);
        if q > 0 && !self.fits(column) {
            self.book(column, -q);
            return false;
        }
        self.changes.push((column as u32, q));
        let signature = c.signature as usize;
        for cut in columns.cuts(c) {
            if cut.delivered() && cut.dg > 0 {
                let week = cut.harvest_week as usize;
                cost += if q > 0 {
                    self.add_supply(signature, week, cut.dg * q)
                } else {
                    self.remove_supply(signature, week, -cut.dg * q)
                };
                for &(n, part, whole) in &index.rows[c.row as usize].shares {
                    cost += self.change_share(n, week, cut.dg * q, part, whole);
                }
            }
        }
        self.cost_e4 += cost;
        true
    }

    /// Book `q` containers of a column on places, work, stock and batches.
    fn book(&mut self, column: usize, q: i64) {
        let (columns, weeks) = (self.columns, self.index.weeks);
        let c = &columns.list[column];
        self.counts[column] += q;
        for places in &mut self.free[c.places()] {
            *places -= q;
        }
        let base = c.site as usize * weeks;
        self.minutes[base + c.week as usize] -= q * c.sow_minutes10;
        self.mixing[base + c.week as usize] -= q * c.sow_mix_dl;
        for cut in columns.cuts(c) {
            self.minutes[base + cut.week as usize] -= q * cut.minutes10;
            self.mixing[base + cut.week as usize] -= q * cut.mixing_dl;
        }
        for &(u, units) in columns.uses(c) {
            let need = units * q;
            for left in &mut self.stock[u * weeks + c.week as usize..(u + 1) * weeks] {
                *left -= need;
            }
            self.used[u] += need;
        }
        let before = self.batch[c.batch as usize];
        self.batch[c.batch as usize] = before + q;
        if self.index.change_e4 > 0 {
            let adopted = self.index.batches[c.batch as usize].adopted;
            self.changed += (before + q - adopted).abs() - (before - adopted).abs();
        }
        if self.index.keep_batches {
            let least = self.index.batches[c.batch as usize].least;
            self.lacking += lacking(before + q, least) - lacking(before, least);
        }
        if self.index.limit_kinds && (before == 0) != (before + q == 0) {
            self.kinds[base + c.week as usize] -= if before == 0 { 1 } else { -1 };
        }
    }

    /// Does every limit that a column touches hold?
    fn fits(&self, column: usize) -> bool {
        let (columns, weeks) = (self.columns, self.index.weeks);
        let c = &columns.list[column];
        let base = c.site as usize * weeks;
        let works = |week: u32| {
            self.minutes[base + week as usize] >= 0 && self.mixing[base + week as usize] >= 0
        };
        let stocked = |&(u, _): &(usize, i64)| {
            none_negative(&self.stock[u * weeks + c.week as usize..(u + 1) * weeks])
        };
        none_negative(&self.free[c.places()])
            && works(c.week)
            && columns.cuts(c).iter().all(|cut| works(cut.week))
            && columns.uses(c).iter().all(stocked)
            && (!self.index.limit_kinds || self.kinds[base + c.week as usize] >= 0)
    }

    // ---- shares

    fn penalty(&self, violation: i64) -> i64 {
        (violation / 1000 + i64::from(violation > 0)).saturating_mul(4000.max(4 * self.dearest))
    }

    fn share_violation(&self, n: usize, from: usize, end: usize) -> i64 {
        let share = &self.index.shares[n];
        let weeks = self.index.weeks;
        let last = (weeks + 1).saturating_sub(share.weeks);
        let mut sum = 0;
        for start in from.max(share.from_week)..end.min(last) {
            let total = |base: usize| -> i64 {
                self.cells[base + n * weeks + start..base + n * weeks + start + share.weeks]
                    .iter()
                    .sum()
            };
            let (part, whole) = (total(self.layout.part), total(self.layout.whole));
            sum += (share.least * whole - 1000 * part).max(0)
                + (1000 * part - share.most * whole).max(0);
        }
        sum
    }

    fn change_share(&mut self, n: usize, week: usize, dg: i64, part: bool, whole: bool) -> i64 {
        let weeks = self.index.weeks;
        let from = (week + 1).saturating_sub(self.index.shares[n].weeks);
        let before = self.share_violation(n, from, week + 1);
        for (counts, base) in [(part, self.layout.part), (whole, self.layout.whole)] {
            if counts {
                let cell = base + n * weeks + week;
                self.set(cell, self.cells[cell] + dg);
            }
        }
        let now = self.violation() + self.share_violation(n, from, week + 1) - before;
        let cost = self.penalty(now) - self.penalty(self.violation());
        self.set(self.layout.violation, now);
        cost
    }
}

/// Containers that a batch lacks of its least size; none when it is empty.
pub(crate) fn lacking(containers: i64, least: i64) -> i64 {
    if containers > 0 {
        (least - containers).max(0)
    } else {
        0
    }
}

/// The sign bits of all values at once, several times faster than one comparison after the other.
fn none_negative(values: &[i64]) -> bool {
    values.iter().fold(0, |bits, value| bits | value) >= 0
}

fn dearest(index: &Index) -> i64 {
    let last = index
        .targets
        .iter()
        .filter_map(|target| target.worth.last());
    last.max().copied().unwrap_or(0)
}
