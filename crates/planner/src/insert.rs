//! The best chain of sowings for some places of a class between two slots.
//!
//! Model section "ruin and recreate", insertion: a dynamic programme over sow slots, backward, with the
//! value-of-grams tables. It is exact for one place unless two cuts of the chain share a delivery week
//! or a work week; therefore sowings are entered one by one and measured again.

use crate::gain::Gains;
use crate::index::UNLIMITED;
use crate::random::Random;
use crate::state::State;

/// What to fill.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Gap {
    pub(crate) class: usize,
    /// Sow slots from..end are considered.
    pub(crate) from: usize,
    pub(crate) end: usize,
    /// Containers put in together.
    pub(crate) containers: i64,
}

/// How the choice of a chain is scattered.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Scatter {
    /// Width of the factor on gains, around 1.
    pub(crate) noise: f64,
    /// Leave out each column with one chance in two: chains that the best one hides get their turn.
    pub(crate) skip: bool,
}

/// Working space of the dynamic programme.
#[derive(Debug, Default)]
pub(crate) struct Inserter {
    worth: Vec<f64>,
    choice: Vec<u32>,
    blocked: Vec<u32>,
    /// By good and week: least cumulative stock from there on.
    least_stock: Vec<i64>,
}

const NONE: u32 = u32::MAX;

impl Inserter {
    /// Fill a gap; columns put in are pushed to `put`. With noise above 0 gains are scattered by half
    /// of it either way and sowings that cost something are entered too.
    pub(crate) fn insert(
        &mut self,
        state: &mut State<'_>,
        gains: &mut Gains,
        gap: Gap,
        scatter: Scatter,
        random: &mut Random,
        put: &mut Vec<(usize, i64)>,
    ) -> bool {
        self.prepare(state, gap);
        self.choose(state, gains, gap, scatter, random);
        self.enter(state, gains, gap, scatter, put)
    }

    fn prepare(&mut self, state: &State<'_>, gap: Gap) {
        let free = state.free(gap.class);
        let slots = free.len();
        self.worth.clear();
        self.worth.resize(slots + 2, 0.0);
        self.choice.clear();
        self.choice.resize(slots + 2, NONE);
        self.blocked.clear();
        self.blocked.resize(slots + 1, slots as u32);
        for slot in (0..slots).rev() {
            self.blocked[slot] = if free[slot] >= gap.containers {
                self.blocked[slot + 1]
            } else {
                slot as u32
            };
        }
        let weeks = state.index.weeks;
        self.least_stock.clear();
        for good in 0..state.index.goods.len() {
            let at = self.least_stock.len();
            self.least_stock.extend_from_slice(state.stock(good));
            let mut least = UNLIMITED;
            for value in self.least_stock[at..at + weeks].iter_mut().rev() {
                least = least.min(*value);
                *value = least;
            }
        }
    }

    fn choose(
        &mut self,
        state: &mut State<'_>,
        gains: &mut Gains,
        gap: Gap,
        scatter: Scatter,
        random: &mut Random,
    ) {
        let columns = state.columns;
        let mut current = self.worth.len() - 2;
        let range = columns.of_class(gap.class);
        let list = &columns.list[range.clone()];
        let skip = list.partition_point(|column| column.sow as usize >= gap.end);
        for (p, column) in list.iter().enumerate().skip(skip) {
            let sow = column.sow as usize;
            if sow < gap.from {
                break;
            }
            while current > sow {
                current -= 1;
                self.worth[current] = self.worth[current + 1];
            }
            if self.blocked[sow] < column.end || (scatter.skip && random.coin()) {
                continue;
            }
            let Some(value) = self.value(state, gains, range.start + p, gap.containers) else {
                continue;
            };
            let mut value = value as f64;
            if scatter.noise > 0.0 {
                value *= 1.0 + scatter.noise * (random.unit() - 0.5);
            }
            value += self.worth[column.end as usize];
            if value > self.worth[sow] + 1e-6 {
                self.worth[sow] = value;
                self.choice[sow] = (range.start + p) as u32;
            }
        }
        while current > gap.from {
            current -= 1;
            self.worth[current] = self.worth[current + 1];
        }
    }

    /// Estimated fall of the cost when `q` containers of a column are added; `None` when they do not fit.
    fn value(&self, state: &mut State<'_>, gains: &mut Gains, p: usize, q: i64) -> Option<i64> {
        let (index, columns) = (state.index, state.columns);
        let column = &columns.list[p];
        let row = &index.rows[column.row as usize];
        let weeks = index.weeks;
        let week = column.week as usize;
        if state.minutes(row.site)[week] < q * row.sow_minutes10
            || state.mixing(row.site)[week] < q * row.sow_mix_dl
        {
            return None;
        }
        let mut value = -column.cost_e4 * q;
        let batch = state.batch(column.batch as usize);
        if index.keep_batches && batch + q < index.batches[column.batch as usize].least {
            return None;
        }
        if index.limit_kinds && batch == 0 && state.kinds_left(row.site, week) <= 0 {
            return None;
        }
        for &(u, units) in &row.uses {
            let need = units * q;
            if self.least_stock[u * weeks + week] < need {
                return None;
            }
            let good = &index.goods[u];
            let missing = (state.used(u) + need - good.stock).clamp(0, need);
            value -= good.price_e4 * missing;
        }
        if index.change_e4 > 0 {
            let adopted = index.batches[column.batch as usize].adopted;
            value -= index.change_e4 * ((batch + q - adopted).abs() - (batch - adopted).abs());
        }
        for cut in columns.cuts(column) {
            let week = cut.week as usize;
            if state.minutes(row.site)[week] < q * cut.minutes10
                || state.mixing(row.site)[week] < q * cut.mixing_dl
            {
                return None;
            }
            if cut.delivered() {
                value += gains.of(state, row.signature, cut.harvest_week as usize, cut.dg * q);
            }
        }
        Some(value)
    }

    fn enter(
        &mut self,
        state: &mut State<'_>,
        gains: &mut Gains,
        gap: Gap,
        scatter: Scatter,
        put: &mut Vec<(usize, i64)>,
    ) -> bool {
        let mut any = false;
        let mut slot = gap.from;
        let slots = self.worth.len() - 2;
        while slot < slots {
            let choice = self.choice[slot];
            if choice == NONE {
                slot += 1;
                continue;
            }
            let p = choice as usize;
            let mark = state.mark();
            if state.change(p, gap.containers)
                && (scatter.noise > 0.0 || state.cost_e4 < mark.cost_e4())
            {
                put.push((p, gap.containers));
                gains.touch(state, p);
                any = true;
            } else {
                state.undo(mark);
            }
            slot = state.columns.list[p].end as usize;
        }
        any
    }
}
