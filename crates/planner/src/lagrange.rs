//! The price bound: value of a price vector, one dynamic programme per class.
//!
//! Model section "prices and a proven bound without an LP solver". Coupling rows (produce, minutes,
//! mixing, stock, changes) are priced; what remains separates by class and is solved exactly over
//! arcs. Every price vector that obeys the sign rules gives a valid lower bound, so the same code runs
//! twice: in floating point while prices are sought, and in 128-bit fixed point to state the bound.

use std::ops::{Add, AddAssign, Sub};

use crate::index::Index;

/// Fixed-point scale of the exact evaluation.
pub(crate) const SCALE_BITS: u32 = 16;

/// A number that costs can be added up in.
pub(crate) trait Amount:
    Copy + PartialOrd + Add<Output = Self> + Sub<Output = Self> + AddAssign
{
    /// Nothing.
    const ZERO: Self;
    /// A cost in ten-thousandths of a point.
    fn cost(e4: i64) -> Self;
    /// A price times a whole quantity.
    fn times(self, quantity: i64) -> Self;
}

impl Amount for f64 {
    const ZERO: Self = 0.0;
    fn cost(e4: i64) -> Self {
        e4 as f64
    }
    fn times(self, quantity: i64) -> Self {
        self * quantity as f64
    }
}

impl Amount for i128 {
    const ZERO: Self = 0;
    fn cost(e4: i64) -> Self {
        Self::from(e4) << SCALE_BITS
    }
    fn times(self, quantity: i64) -> Self {
        self * Self::from(quantity)
    }
}

/// Where each kind of price sits in a price vector.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Places {
    pub(crate) weeks: usize,
    pub(crate) minutes: usize,
    pub(crate) mixing: usize,
    pub(crate) stock: usize,
    pub(crate) change: usize,
    pub(crate) len: usize,
}

impl Places {
    /// Layout for a problem.
    pub(crate) fn new(index: &Index) -> Self {
        let weeks = index.weeks;
        let minutes = index.signatures.len() * weeks;
        let mixing = minutes + index.sites.len() * weeks;
        let stock = mixing + index.sites.len() * weeks;
        let change = stock + index.goods.len() * weeks;
        let len = change
            + if index.change_e4 > 0 {
                index.batches.len()
            } else {
                0
            };
        Self {
            weeks,
            minutes,
            mixing,
            stock,
            change,
            len,
        }
    }
}

const NONE: u32 = u32::MAX;

/// Costs and best continuations of one class at given prices.
#[derive(Debug, Default)]
pub(crate) struct ClassPrices<T> {
    slots: usize,
    levels: usize,
    sow: Vec<T>,
    cut: Vec<T>,
    clean: Vec<T>,
    refill: Vec<T>,
    gram: Vec<T>,
    /// By row, level and slot: least cost from a cut onward.
    value: Vec<T>,
    choice: Vec<u32>,
    /// By slot: least cost of a place from there on.
    best: Vec<T>,
    /// By slot: (row, first arc) sown there, or none.
    sown: Vec<(u32, u32)>,
}

impl<T: Amount> ClassPrices<T> {
    /// Solve a class for a price vector.
    pub(crate) fn solve(&mut self, index: &Index, places: &Places, class: usize, prices: &[T]) {
        let rows = index.classes[class].rows.clone();
        let slots = index.classes[class].places.len();
        let levels = rows
            .clone()
            .map(|row| index.rows[row].most_cuts())
            .max()
            .unwrap_or(0);
        self.slots = slots;
        self.levels = levels;
        let cells = rows.len() * slots;
        for list in [
            &mut self.sow,
            &mut self.cut,
            &mut self.clean,
            &mut self.refill,
            &mut self.gram,
        ] {
            list.clear();
            list.resize(cells, T::ZERO);
        }
        self.value.clear();
        self.value.resize(cells * levels, T::ZERO);
        self.choice.clear();
        self.choice.resize(cells * levels, NONE);
        self.best.clear();
        self.best.resize(slots + 1, T::ZERO);
        self.sown.clear();
        self.sown.resize(slots, (NONE, NONE));
        for (local, row) in rows.clone().enumerate() {
            self.slot_costs(index, places, local, row, prices);
        }
        for slot in (0..slots).rev() {
            self.best[slot] = self.best[slot + 1];
            for (local, row) in rows.clone().enumerate() {
                self.sow_at(index, local, row, slot);
            }
            for (local, row) in rows.clone().enumerate() {
                self.continue_from(index, local, row, slot);
            }
        }
    }

    fn slot_costs(
        &mut self,
        index: &Index,
        places: &Places,
        local: usize,
        row: usize,
        prices: &[T],
    ) {
        let entry = &index.rows[row];
        let site = &index.sites[entry.site];
        let weeks = places.weeks;
        for slot in 0..self.slots {
            let cell = local * self.slots + slot;
            let week = site.week[slot];
            let minute =
                T::cost(index.labour_e4) + prices[places.minutes + entry.site * weeks + week];
            let litre = prices[places.mixing + entry.site * weeks + week];
            let mut sow = minute.times(entry.sow_minutes10) + litre.times(entry.sow_mix_dl);
            for &(good, units) in &entry.uses {
                sow += prices[places.stock + good * weeks + week].times(units);
            }
            if places.len > places.change {
                sow += prices[places.change + entry.batch_base + slot];
            }
            self.sow[cell] = sow;
            self.cut[cell] = minute.times(entry.cut_minutes10);
            self.clean[cell] = minute.times(entry.clean_minutes10);
            self.refill[cell] = litre.times(entry.cut_mix_dl);
            self.gram[cell] = match site.harvest_week[slot] {
                Some(week) => prices[entry.signature * weeks + week],
                None => T::ZERO - T::cost(index.surplus_e4),
            };
        }
    }

    fn sow_at(&mut self, index: &Index, local: usize, row: usize, slot: usize) {
        let entry = &index.rows[row];
        let sow = self.sow[local * self.slots + slot];
        for arc in entry.first.from(slot) {
            let to = entry.first.to[arc] as usize;
            let cost =
                sow + self.cut_cost(local, to, entry.first_dg[arc]) + self.onward(local, 0, to);
            if cost < self.best[slot] {
                self.best[slot] = cost;
                self.sown[slot] = (local as u32, arc as u32);
            }
        }
    }

    fn continue_from(&mut self, index: &Index, local: usize, row: usize, slot: usize) {
        let entry = &index.rows[row];
        let stop = self.clean[local * self.slots + slot] + self.best[entry.free_at[slot] as usize];
        let refill = self.refill_cost(local, slot);
        for level in 0..entry.most_cuts() {
            let mut best = stop;
            let mut choice = NONE;
            if level < entry.again_dg.len() {
                for arc in entry.again.from(slot) {
                    let to = entry.again.to[arc] as usize;
                    let cost = refill
                        + self.cut_cost(local, to, entry.again_dg[level][arc])
                        + self.onward(local, level + 1, to);
                    if cost < best {
                        best = cost;
                        choice = arc as u32;
                    }
                }
            }
            let at = self.at(local, level, slot);
            self.value[at] = best;
            self.choice[at] = choice;
        }
    }

    fn at(&self, local: usize, level: usize, slot: usize) -> usize {
        (local * self.levels + level) * self.slots + slot
    }

    /// Cost of sowing a container on a slot.
    pub(crate) fn sow_cost(&self, local: usize, slot: usize) -> T {
        self.sow[local * self.slots + slot]
    }

    /// Cost of a cut, less the worth of its weight.
    pub(crate) fn cut_cost(&self, local: usize, slot: usize, dg: i64) -> T {
        let cell = local * self.slots + slot;
        self.cut[cell] - self.gram[cell].times(dg)
    }

    /// Cost of cleaning after a last cut, and of the place from when it is free again.
    pub(crate) fn stop_cost(&self, local: usize, slot: usize, free_at: usize) -> T {
        self.clean[local * self.slots + slot] + self.best[free_at]
    }

    /// Cost of mixing after a cut that is not the last.
    pub(crate) fn refill_cost(&self, local: usize, slot: usize) -> T {
        self.refill[local * self.slots + slot]
    }

    /// Least cost from a cut onward, later sowings at the place included.
    pub(crate) fn onward(&self, local: usize, level: usize, slot: usize) -> T {
        self.value[self.at(local, level, slot)]
    }

    /// Least cost of a place from a slot on.
    pub(crate) fn place_cost(&self, slot: usize) -> T {
        self.best[slot]
    }

    /// The sowing chosen on a slot: local row, first arc and further arcs; `None` when the place waits.
    pub(crate) fn sowing(
        &self,
        index: &Index,
        class: usize,
        slot: usize,
        arcs: &mut Vec<usize>,
    ) -> Option<(usize, usize)> {
        let (local, first) = self.sown[slot];
        if local == NONE {
            return None;
        }
        let entry = &index.rows[index.classes[class].rows.start + local as usize];
        let mut at = entry.first.to[first as usize] as usize;
        arcs.clear();
        for level in 0..entry.most_cuts() {
            let arc = self.choice[self.at(local as usize, level, at)];
            if arc == NONE {
                break;
            }
            arcs.push(arc as usize);
            at = entry.again.to[arc as usize] as usize;
        }
        Some((local as usize, first as usize))
    }
}

/// Places that first become usable at each slot; a later fall is ignored, which only weakens the bound.
pub(crate) fn released(index: &Index, class: usize) -> impl Iterator<Item = i64> {
    index.classes[class].places.iter().scan(0, |most, &places| {
        let more = (places - *most).max(0);
        *most += more;
        Some(more)
    })
}

/// The part of the bound that is not a class, at given prices. `bought` is told how many decigrams each
/// (target, week) buys and from which signature; `units` how many units of a good are bought.
pub(crate) fn outside<T: Amount>(
    index: &Index,
    places: &Places,
    prices: &[T],
    mut bought: impl FnMut(usize, usize, i64),
    mut units: impl FnMut(usize, usize, i64),
) -> T {
    let weeks = index.weeks;
    let mut sum = T::cost(index.base_e4);
    for target in &index.targets {
        for week in 0..weeks {
            if target.pledge_dg[week] == 0 {
                continue;
            }
            let mut cheapest: Option<(T, usize)> = None;
            for &g in &target.signatures {
                let price = prices[g * weeks + week];
                if cheapest.is_none_or(|(best, _)| price < best) {
                    cheapest = Some((price, g));
                }
            }
            let mut below = 0;
            for (top, &worth) in target.band_tops(index, week).zip(&target.worth) {
                let width = top - below;
                below = top;
                match cheapest {
                    Some((price, g)) if price < T::cost(worth) => {
                        sum += price.times(width);
                        bought(g, week, width);
                    }
                    _ => sum += T::cost(worth).times(width),
                }
            }
        }
    }
    for (&price, &dg) in prices.iter().zip(&index.committed_dg) {
        sum = sum - price.times(dg);
    }
    for (i, site) in index.sites.iter().enumerate() {
        for week in 0..weeks {
            if let Some(limit) = site.minutes10[week] {
                sum = sum - prices[places.minutes + i * weeks + week].times(limit);
            }
            if let Some(limit) = site.mixing_dl[week] {
                sum = sum - prices[places.mixing + i * weeks + week].times(limit);
            }
        }
    }
    for (u, good) in index.goods.iter().enumerate() {
        let own = &prices[places.stock + u * weeks..places.stock + (u + 1) * weeks];
        if let Some(&dearest) = own.first() {
            sum = sum - dearest.times(good.stock);
        }
        let price = T::cost(good.price_e4);
        for (week, &value) in own.iter().enumerate().skip(good.lead_weeks) {
            if value > price {
                sum = sum - (value - price).times(good.most_per_week);
                units(u, week, good.most_per_week);
            }
        }
    }
    if places.len > places.change {
        for (&price, batch) in prices[places.change..].iter().zip(&index.batches) {
            sum = sum - price.times(batch.adopted);
        }
    }
    sum
}

/// The bound of a price vector, exactly, in ten-thousandths; the objective is whole, so it is rounded up.
pub(crate) fn exact_bound(index: &Index, places: &Places, prices: &[f64]) -> i64 {
    let scale = f64::from(1_u32 << SCALE_BITS);
    let mut fixed: Vec<i128> = prices
        .iter()
        .map(|&price| (price * scale).round() as i128)
        .collect();
    project(index, places, &mut fixed);
    let mut sum = outside(index, places, &fixed, |_, _, _| (), |_, _, _| ());
    let mut class_prices = ClassPrices::default();
    for class in 0..index.classes.len() {
        class_prices.solve(index, places, class, &fixed);
        for (slot, count) in released(index, class).enumerate() {
            sum += class_prices.place_cost(slot).times(count);
        }
    }
    let whole = -((-sum) >> SCALE_BITS);
    whole.clamp(i128::from(i64::MIN), i128::from(i64::MAX)) as i64
}

/// Bring a price vector within the sign rules.
pub(crate) fn project<T: Amount>(index: &Index, places: &Places, prices: &mut [T]) {
    let weeks = places.weeks;
    let lowest = T::ZERO - T::cost(index.surplus_e4);
    let at_least = |price: &mut T, least: T| {
        if *price < least {
            *price = least;
        }
    };
    for price in &mut prices[..places.minutes] {
        at_least(price, lowest);
    }
    for price in &mut prices[places.minutes..places.stock] {
        at_least(price, T::ZERO);
    }
    for (i, site) in index.sites.iter().enumerate() {
        for week in 0..weeks {
            for (base, limits) in [
                (places.minutes, &site.minutes10),
                (places.mixing, &site.mixing_dl),
            ] {
                if limits[week].is_none() {
                    prices[base + i * weeks + week] = T::ZERO;
                }
            }
        }
    }
    for u in 0..index.goods.len() {
        let mut later = T::ZERO;
        for price in prices[places.stock + u * weeks..places.stock + (u + 1) * weeks]
            .iter_mut()
            .rev()
        {
            at_least(price, later);
            later = *price;
        }
    }
    let most = T::cost(index.change_e4);
    for price in &mut prices[places.change..] {
        at_least(price, T::ZERO - most);
        if *price > most {
            *price = most;
        }
    }
}
