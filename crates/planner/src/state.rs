//! The state of the search: container counts, what is left of every limit, the weekly division, and
//! an undo log over all of it.
//!
//! Model section "ruin and recreate". Every quantity is a whole number in one array of cells, so that
//! one log undoes any change. The division of produce among targets is kept optimal by augmenting
//! along the best path, so the cost of the state is exact.

use crate::columns::Columns;
use crate::division::Step;
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
#[derive(Debug, Default)]
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
    pub(crate) free: usize,
    pub(crate) minutes: usize,
    pub(crate) mixing: usize,
    pub(crate) stock: usize,
    pub(crate) used: usize,
    pub(crate) batch: usize,
    pub(crate) kinds: usize,
    pub(crate) sent: usize,
    pub(crate) over: usize,
    pub(crate) part: usize,
    pub(crate) whole: usize,
    pub(crate) violation: usize,
}

/// Everything that changes during the search.
#[derive(Debug)]
pub(crate) struct State<'a> {
    pub(crate) index: &'a Index,
    pub(crate) columns: &'a Columns,
    pub(crate) cells: Vec<i64>,
    log: Vec<(u32, i64)>,
    pub(crate) layout: Layout,
    pub(crate) from_signature: Groups,
    pub(crate) to_target: Groups,
    /// Upper ends of the bands by week, target and band.
    pub(crate) tops: Vec<i64>,
    pub(crate) bands: usize,
    pub(crate) signature_seen: Vec<u32>,
    pub(crate) target_seen: Vec<u32>,
    pub(crate) stamp: u32,
    pub(crate) queue: Vec<Step>,
    /// Cost of the state, penalties for broken shares included.
    pub(crate) cost_e4: i64,
    /// Pieces found by the last augmentation, when wanted: (decigrams, worth each).
    pub(crate) pieces: Option<Vec<(i64, i64)>>,
}

/// A place in the log to return to.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Mark(usize, i64);

impl Mark {
    /// Cost at the mark.
    pub(crate) fn cost_e4(self) -> i64 {
        self.1
    }
}

impl<'a> State<'a> {
    /// Nothing sown; committed harvest divided.
    pub(crate) fn new(index: &'a Index, columns: &'a Columns) -> Self {
        let (weeks, sites) = (index.weeks, index.sites.len());
        let (signatures, targets) = (index.signatures.len(), index.targets.len());
        let mut layout = Layout {
            free: columns.list.len(),
            ..Layout::default()
        };
        layout.minutes = layout.free + index.class_slots;
        layout.mixing = layout.minutes + sites * weeks;
        layout.stock = layout.mixing + sites * weeks;
        layout.used = layout.stock + index.goods.len() * weeks;
        layout.batch = layout.used + index.goods.len();
        layout.kinds = layout.batch + index.batches.len();
        layout.sent = layout.kinds + sites * weeks;
        layout.over = layout.sent + targets * weeks;
        layout.part = layout.over + signatures * weeks;
        layout.whole = layout.part + index.shares.len() * weeks;
        layout.violation = layout.whole + index.shares.len() * weeks;
        let mut next = layout.violation + 1;
        let (mut forward, mut backward) = (Vec::new(), Vec::new());
        for week in 0..weeks {
            for (g, list) in index.signatures.iter().enumerate() {
                for &t in list {
                    if index.targets[t].pledge_dg[week] > 0 {
                        forward.push((
                            week * signatures + g,
                            Link {
                                flow: next as u32,
                                other: t as u32,
                            },
                        ));
                        backward.push((
                            week * targets + t,
                            Link {
                                flow: next as u32,
                                other: g as u32,
                            },
                        ));
                        next += 1;
                    }
                }
            }
        }
        let bands = index.band_permille.len();
        let mut tops = Vec::with_capacity(weeks * targets * bands);
        for week in 0..weeks {
            for target in &index.targets {
                tops.extend(target.band_tops(index, week));
            }
        }
        let mut state = Self {
            index,
            columns,
            cells: vec![0; next],
            log: Vec::new(),
            layout,
            from_signature: Groups::new(weeks * signatures, forward),
            to_target: Groups::new(weeks * targets, backward),
            tops,
            bands,
            signature_seen: vec![0; signatures],
            target_seen: vec![0; targets],
            stamp: 0,
            queue: Vec::new(),
            cost_e4: index.base_e4,
            pieces: None,
        };
        state.fill_limits();
        state.fill_costs();
        state.commit();
        state
    }

    fn fill_limits(&mut self) {
        let (index, layout, weeks) = (self.index, self.layout, self.index.weeks);
        for class in &index.classes {
            for (slot, &places) in class.places.iter().enumerate() {
                self.cells[layout.free + class.slot_base + slot] = places;
            }
        }
        for (i, site) in index.sites.iter().enumerate() {
            for week in 0..weeks {
                let cell = i * weeks + week;
                self.cells[layout.minutes + cell] = site.minutes10[week].unwrap_or(UNLIMITED);
                self.cells[layout.mixing + cell] = site.mixing_dl[week].unwrap_or(UNLIMITED);
                self.cells[layout.kinds + cell] = site.most_sowings[week].unwrap_or(UNLIMITED);
            }
        }
        for (u, good) in index.goods.iter().enumerate() {
            for week in 0..weeks {
                let arrivals = (week + 1).saturating_sub(good.lead_weeks) as i64;
                self.cells[layout.stock + u * weeks + week] =
                    good.stock + good.most_per_week * arrivals;
            }
        }
    }

    fn fill_costs(&mut self) {
        let (index, weeks) = (self.index, self.index.weeks);
        let adopted: i64 = index.batches.iter().map(|batch| batch.adopted).sum();
        self.cost_e4 += index.change_e4 * adopted;
        for target in &index.targets {
            for week in 0..weeks {
                let mut below = 0;
                for (top, worth) in target.band_tops(index, week).zip(&target.worth) {
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
        Mark(self.log.len(), self.cost_e4)
    }

    /// Undo everything since a mark.
    pub(crate) fn undo(&mut self, mark: Mark) {
        while self.log.len() > mark.0 {
            if let Some((cell, value)) = self.log.pop() {
                self.cells[cell as usize] = value;
            }
        }
        self.cost_e4 = mark.1;
    }

    /// Forget the log.
    pub(crate) fn commit(&mut self) {
        self.log.clear();
    }

    /// Containers of a column.
    pub(crate) fn count(&self, column: usize) -> i64 {
        self.cells[column]
    }

    /// Containers of all columns.
    pub(crate) fn counts(&self) -> &[i64] {
        &self.cells[..self.columns.list.len()]
    }

    /// Free places of a class by slot.
    pub(crate) fn free(&self, class: usize) -> &[i64] {
        let from = self.layout.free + self.index.classes[class].slot_base;
        &self.cells[from..from + self.index.classes[class].places.len()]
    }

    /// Tenths of a minute left, by week.
    pub(crate) fn minutes(&self, site: usize) -> &[i64] {
        let from = self.layout.minutes + site * self.index.weeks;
        &self.cells[from..from + self.index.weeks]
    }

    /// Decilitres left, by week.
    pub(crate) fn mixing(&self, site: usize) -> &[i64] {
        let from = self.layout.mixing + site * self.index.weeks;
        &self.cells[from..from + self.index.weeks]
    }

    /// New batches still allowed in a week.
    pub(crate) fn kinds_left(&self, site: usize, week: usize) -> i64 {
        self.cells[self.layout.kinds + site * self.index.weeks + week]
    }

    /// Units left of a good, cumulative by week.
    pub(crate) fn stock(&self, good: usize) -> &[i64] {
        let from = self.layout.stock + good * self.index.weeks;
        &self.cells[from..from + self.index.weeks]
    }

    /// Units of a good used in all.
    pub(crate) fn used(&self, good: usize) -> i64 {
        self.cells[self.layout.used + good]
    }

    /// Containers of a batch.
    pub(crate) fn batch(&self, batch: usize) -> i64 {
        self.cells[self.layout.batch + batch]
    }

    /// By how much shares are broken, in thousandths of a decigram.
    pub(crate) fn violation(&self) -> i64 {
        self.cells[self.layout.violation]
    }

    // ---- columns

    /// Add `q` containers of a column (fewer when negative). `false`: a limit would break; the caller
    /// undoes to its mark.
    pub(crate) fn change(&mut self, column: usize, q: i64) -> bool {
        let (index, columns, layout, weeks) =
            (self.index, self.columns, self.layout, self.index.weeks);
        let c = &columns.list[column];
        let row = &index.rows[c.row as usize];
        let count = self.cells[column] + q;
        if count < 0 {
            return false;
        }
        self.set(column, count);
        let free = layout.free + index.classes[row.class].slot_base;
        for cell in free + c.sow as usize..free + c.end as usize {
            if !self.take(cell, q) {
                return false;
            }
        }
        let minutes = layout.minutes + row.site * weeks;
        let mixing = layout.mixing + row.site * weeks;
        let week = c.week as usize;
        if !self.take(minutes + week, q * row.sow_minutes10)
            || !self.take(mixing + week, q * row.sow_mix_dl)
        {
            return false;
        }
        for cut in columns.cuts(c) {
            let week = cut.week as usize;
            if !self.take(minutes + week, q * cut.minutes10)
                || !self.take(mixing + week, q * cut.mixing_dl)
            {
                return false;
            }
        }
        let mut cost = c.cost_e4 * q;
        for &(u, units) in &row.uses {
            let need = units * q;
            for cell in layout.stock + u * weeks + week..layout.stock + (u + 1) * weeks {
                if !self.take(cell, need) {
                    return false;
                }
            }
            let good = &index.goods[u];
            let before = self.cells[layout.used + u];
            self.set(layout.used + u, before + need);
            cost += good.price_e4
                * ((before + need - good.stock).max(0) - (before - good.stock).max(0));
        }
        let batch = self.cells[layout.batch + c.batch as usize];
        self.set(layout.batch + c.batch as usize, batch + q);
        if index.change_e4 > 0 {
            let adopted = index.batches[c.batch as usize].adopted;
            cost += index.change_e4 * ((batch + q - adopted).abs() - (batch - adopted).abs());
        }
        if index.limit_kinds && (batch == 0) != (batch + q == 0) {
            let cell = layout.kinds + row.site * weeks + week;
            if !self.take(cell, if batch == 0 { 1 } else { -1 }) {
                return false;
            }
        }
        for cut in columns.cuts(c) {
            if cut.delivered() && cut.dg > 0 {
                let week = cut.harvest_week as usize;
                cost += if q > 0 {
                    self.add_supply(row.signature, week, cut.dg * q)
                } else {
                    self.remove_supply(row.signature, week, -cut.dg * q)
                };
                for &(n, part, whole) in &row.shares {
                    cost += self.change_share(n, week, cut.dg * q, part, whole);
                }
            }
        }
        self.cost_e4 += cost;
        true
    }

    fn take(&mut self, cell: usize, amount: i64) -> bool {
        if amount == 0 {
            return true;
        }
        let left = self.cells[cell] - amount;
        self.set(cell, left);
        amount < 0 || left >= 0
    }

    // ---- shares

    fn penalty(&self, violation: i64) -> i64 {
        let dearest = self
            .index
            .targets
            .iter()
            .filter_map(|t| t.worth.last())
            .max()
            .copied()
            .unwrap_or(0);
        (violation / 1000 + i64::from(violation > 0)).saturating_mul(4000.max(4 * dearest))
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
