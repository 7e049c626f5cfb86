//! The price bound: value of a price vector, one dynamic programme per class.
//!
//! Model section "prices and a proven bound without an LP solver". Coupling rows (produce, minutes,
//! mixing, stock, changes) are priced; what remains separates by class and is solved exactly over
//! arcs. Every price vector that obeys the sign rules gives a valid lower bound, so the same code runs
//! twice: in floating point while prices are sought, and in 128-bit fixed point to state the bound.

use std::ops::{Add, AddAssign, Range, Sub};

use crate::index::Index;
use crate::programme::{Costs, CutPoint, Programme};
use crate::roundings::{Effects, Roundings};

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
    pub(crate) rounding: usize,
    pub(crate) len: usize,
}

impl Places {
    /// Layout for a problem.
    pub(crate) fn new(index: &Index, roundings: &Roundings) -> Self {
        let weeks = index.weeks;
        let minutes = index.signatures.len() * weeks;
        let mixing = minutes + index.sites.len() * weeks;
        let stock = mixing + index.sites.len() * weeks;
        let change = stock + index.goods.len() * weeks;
        let rounding = change
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
            rounding,
            len: rounding + roundings.cuts.len(),
        }
    }
}

/// Costs and best continuations of one class at given prices.
#[derive(Debug, Default)]
pub(crate) struct ClassPrices<T> {
    slots: usize,
    levels: usize,
    /// By slot: price of a minute, labour included, and of a decilitre.
    minute: Vec<T>,
    litre: Vec<T>,
    /// By row and slot.
    sow: Vec<T>,
    cut: Vec<T>,
    clean: Vec<T>,
    refill: Vec<T>,
    gram: Vec<T>,
    /// By step: worth of what is cut at its end.
    worth: Vec<T>,
    /// By row, level and slot: least cost from a cut onward, the work of the cut included.
    ahead: Vec<T>,
    /// By slot: least cost of a place from there on.
    best: Vec<T>,
}

impl<T: Amount> ClassPrices<T> {
    /// Solve a class for a price vector.
    pub(crate) fn solve(
        &mut self,
        index: &Index,
        places: &Places,
        roundings: &Roundings,
        class: usize,
        prices: &[T],
    ) {
        let programme = &index.programmes[class];
        let rows = &programme.costs;
        let site = &index.sites[index.classes[class].site];
        let slots = programme.slots;
        (self.slots, self.levels) = (slots, programme.levels);
        for list in [
            &mut self.sow,
            &mut self.cut,
            &mut self.clean,
            &mut self.refill,
            &mut self.gram,
        ] {
            list.resize(rows.len() * slots, T::ZERO);
        }
        self.ahead.resize(rows.len() * slots * self.levels, T::ZERO);
        self.best.resize(slots + 1, T::ZERO);
        self.best[slots] = T::ZERO;
        self.price_work(index, places, index.classes[class].site, prices);
        self.price_grams(index, class, prices);
        self.price_steps(places, programme, &roundings.effects[class], prices);
        for slot in (0..slots).rev() {
            let (sows, cuts) = &programme.at_slot[slot];
            let mut best = self.best[slot + 1];
            for sow in &programme.sows[sows.start as usize..sows.end as usize] {
                let costs = &rows[sow.row as usize];
                let cell = sow.row as usize * slots + slot;
                let at = (slot, site.week[slot]);
                let cost = self.price_sowing(places, programme, costs, at, prices);
                self.sow[cell] = cost;
                let steps = sow.steps.start as usize..sow.steps.end as usize;
                best = self.least_over(programme, steps, cost, best);
            }
            self.best[slot] = best;
            for point in &programme.cuts[cuts.start as usize..cuts.end as usize] {
                let costs = &rows[point.row as usize];
                self.cut_at(programme, point, costs, slot);
            }
        }
    }

    fn price_grams(&mut self, index: &Index, class: usize, prices: &[T]) {
        let programme = &index.programmes[class];
        let site = &index.sites[index.classes[class].site];
        let lost = T::ZERO - T::cost(index.surplus_e4);
        for (own, costs) in self
            .gram
            .chunks_mut(self.slots.max(1))
            .zip(&programme.costs)
        {
            for (gram, week) in own.iter_mut().zip(&site.harvest_week) {
                *gram = week.map_or(lost, |week| prices[costs.signature_base as usize + week]);
            }
        }
    }

    fn price_steps(
        &mut self,
        places: &Places,
        programme: &Programme,
        effects: &Effects,
        prices: &[T],
    ) {
        self.worth.clear();
        let gram = &self.gram;
        self.worth.extend(
            programme
                .steps
                .iter()
                .map(|step| gram[step.gram as usize].times(step.dg)),
        );
        if places.len > places.rounding {
            for (step, worth) in self.worth.iter_mut().enumerate() {
                for &(cut, dg) in effects.of(step) {
                    *worth += prices[places.rounding + cut as usize].times(dg);
                }
            }
        }
    }

    fn price_work(&mut self, index: &Index, places: &Places, site: usize, prices: &[T]) {
        let weeks = places.weeks;
        let labour = T::cost(index.labour_e4);
        self.minute.clear();
        self.litre.clear();
        for &week in &index.sites[site].week {
            let minute = labour + prices[places.minutes + site * weeks + week];
            self.minute.push(minute);
            self.litre.push(prices[places.mixing + site * weeks + week]);
        }
    }

    fn price_sowing(
        &self,
        places: &Places,
        programme: &Programme,
        costs: &Costs,
        (slot, week): (usize, usize),
        prices: &[T],
    ) -> T {
        let mut cost =
            self.minute[slot].times(costs.sow_minutes10) + self.litre[slot].times(costs.sow_mix_dl);
        for &(good, units) in programme.uses(costs) {
            cost += prices[places.stock + good as usize + week].times(units);
        }
        if places.rounding > places.change {
            cost += prices[places.change + costs.batch_base as usize + slot];
        }
        cost
    }

    /// Least of `most` and of `before` with any of some steps and what is ahead of it.
    fn least_over(&self, programme: &Programme, steps: Range<usize>, before: T, most: T) -> T {
        let mut best = most;
        for (step, &worth) in programme.steps[steps.clone()]
            .iter()
            .zip(&self.worth[steps])
        {
            let cost = before + (self.ahead[step.ahead as usize] - worth);
            if cost < best {
                best = cost;
            }
        }
        best
    }

    fn cut_at(&mut self, programme: &Programme, point: &CutPoint, costs: &Costs, slot: usize) {
        let local = point.row as usize;
        let cell = local * self.slots + slot;
        let (minute, litre) = (self.minute[slot], self.litre[slot]);
        let cut = minute.times(costs.cut_minutes10);
        let clean = minute.times(costs.clean_minutes10);
        let refill = litre.times(costs.cut_mix_dl);
        self.cut[cell] = cut;
        self.clean[cell] = clean;
        self.refill[cell] = refill;
        let stop = clean + self.best[point.free_at as usize];
        for level in 0..point.levels {
            let best = self.least_over(programme, point.steps(level), refill, stop);
            let at = self.at(local, level as usize, slot);
            self.ahead[at] = best + cut;
        }
    }

    fn at(&self, local: usize, level: usize, slot: usize) -> usize {
        (local * self.levels + level) * self.slots + slot
    }

    /// Cost of sowing a container on a slot.
    pub(crate) fn sow_cost(&self, local: usize, slot: usize) -> T {
        self.sow[local * self.slots + slot]
    }

    /// Cost of a cut at the end of a step, less the worth of its weight.
    pub(crate) fn cut_cost(&self, local: usize, slot: usize, step: usize) -> T {
        self.cut[local * self.slots + slot] - self.worth[step]
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
        self.ahead[self.at(local, level, slot)] - self.cut[local * self.slots + slot]
    }

    /// Least cost of a place from a slot on.
    pub(crate) fn place_cost(&self, slot: usize) -> T {
        self.best[slot]
    }

    /// The cheapest sowing on a slot: local row, first arc and further arcs; `None` when the place waits.
    pub(crate) fn sowing(
        &self,
        index: &Index,
        class: usize,
        slot: usize,
        arcs: &mut Vec<usize>,
    ) -> Option<(usize, usize)> {
        if self.best[slot] == self.best[slot + 1] {
            return None;
        }
        let programme = &index.programmes[class];
        let rows = &index.rows[index.classes[class].rows.clone()];
        let own = programme.at_slot[slot].0.clone();
        let (local, first) = programme.sows[own.start as usize..own.end as usize]
            .iter()
            .find_map(|sow| {
                let steps = sow.steps.start as usize..sow.steps.end as usize;
                let local = sow.row as usize;
                let before = self.sow_cost(local, slot);
                Some((
                    local,
                    self.step_of(programme, steps, before, self.best[slot])?,
                ))
            })?;
        let entry = &rows[local];
        let first = entry.first.from(slot).start + first;
        let mut at = entry.first.to[first] as usize;
        arcs.clear();
        for level in 0..entry.again_dg.len() {
            let cell = local * self.slots + at;
            let stop = self.clean[cell] + self.best[entry.free_at[at] as usize];
            let range = entry.again.from(at);
            let steps = programme.again_steps(local, level, at);
            let least = self.least_over(programme, steps.clone(), self.refill[cell], stop);
            if least == stop {
                break;
            }
            let Some(step) = self.step_of(programme, steps, self.refill[cell], least) else {
                break;
            };
            arcs.push(range.start + step);
            at = entry.again.to[range.start + step] as usize;
        }
        Some((local, first))
    }

    /// The step that makes a given cost.
    fn step_of(
        &self,
        programme: &Programme,
        steps: Range<usize>,
        before: T,
        cost: T,
    ) -> Option<usize> {
        steps.clone().position(|step| {
            self.least_over(programme, step..step + 1, before, cost + T::cost(1)) == cost
        })
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

/// What the part of the bound outside the classes chooses at given prices.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Chosen {
    /// Decigrams of a signature that go to pledges of a week.
    Sent {
        signature: usize,
        week: usize,
        dg: i64,
    },
    /// Decigrams that a target lacks in a week.
    Lacking { target: usize, week: usize, dg: i64 },
    /// Units of a good that are bought in a week.
    Bought {
        good: usize,
        week: usize,
        units: i64,
    },
}

/// What pledges cost at given prices: each band of a shortfall is either filled with the cheapest produce or
/// left, which rounding cuts reward.
fn pledges<T: Amount>(
    index: &Index,
    places: &Places,
    roundings: &Roundings,
    prices: &[T],
    chosen: &mut impl FnMut(Chosen),
) -> T {
    let weeks = index.weeks;
    let mut sum = T::ZERO;
    let mut relief = vec![T::ZERO; index.targets.len() * weeks];
    for (cut, &price) in roundings.cuts.iter().zip(&prices[places.rounding..]) {
        sum += price.times(cut.least_dg);
        let (targets, week) = roundings.counted(cut);
        for &t in targets {
            relief[t * weeks + week] += price;
        }
    }
    for (t, target) in index.targets.iter().enumerate() {
        for week in (0..weeks).filter(|&week| target.pledge_dg[week] > 0) {
            let mut cheapest: Option<(T, usize)> = None;
            for &g in &target.signatures {
                let price = prices[g * weeks + week];
                if cheapest.is_none_or(|(best, _)| price < best) {
                    cheapest = Some((price, g));
                }
            }
            let mut below = 0;
            for (top, &worth) in target.band_tops(week).zip(&target.worth) {
                let dg = top - below;
                below = top;
                let short = T::cost(worth) - relief[t * weeks + week];
                match cheapest {
                    Some((price, signature)) if price < short => {
                        sum += price.times(dg);
                        chosen(Chosen::Sent {
                            signature,
                            week,
                            dg,
                        });
                    }
                    _ => {
                        sum += short.times(dg);
                        chosen(Chosen::Lacking {
                            target: t,
                            week,
                            dg,
                        });
                    }
                }
            }
        }
    }
    sum
}

/// The part of the bound that is not a class, at given prices; `chosen` is told what makes it up.
pub(crate) fn outside<T: Amount>(
    index: &Index,
    places: &Places,
    roundings: &Roundings,
    prices: &[T],
    mut chosen: impl FnMut(Chosen),
) -> T {
    let weeks = index.weeks;
    let mut sum = T::cost(index.base_e4);
    sum += pledges(index, places, roundings, prices, &mut chosen);
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
                chosen(Chosen::Bought {
                    good: u,
                    week,
                    units: good.most_per_week,
                });
            }
        }
    }
    if places.rounding > places.change {
        for (&price, batch) in prices[places.change..places.rounding]
            .iter()
            .zip(&index.batches)
        {
            sum = sum - price.times(batch.adopted);
        }
    }
    sum
}

/// The bound of a price vector, exactly, in ten-thousandths; the objective is whole, so it is rounded up.
pub(crate) fn exact_bound(
    index: &Index,
    places: &Places,
    roundings: &Roundings,
    prices: &[f64],
) -> i64 {
    let scale = f64::from(1_u32 << SCALE_BITS);
    let mut fixed: Vec<i128> = prices
        .iter()
        .map(|&price| (price * scale).round() as i128)
        .collect();
    project(index, places, &mut fixed);
    let mut sum = outside(index, places, roundings, &fixed, |_| ());
    let mut class_prices = ClassPrices::default();
    for class in 0..index.classes.len() {
        class_prices.solve(index, places, roundings, class, &fixed);
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
    for price in &mut prices[places.rounding..] {
        at_least(price, T::ZERO);
    }
    for price in &mut prices[places.change..places.rounding] {
        at_least(price, T::ZERO - most);
        if *price > most {
            *price = most;
        }
    }
}
