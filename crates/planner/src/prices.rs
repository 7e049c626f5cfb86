//! Prices by subgradient ascent with Adam steps.
//!
//! Model section "prices and a proven bound without an LP solver": maximise the price bound; keep the
//! best prices, and of the last steps the chains chosen, whose running mean is a fractional plan to
//! round.

use std::collections::{BTreeMap, VecDeque};

use crate::columns::{Paths, Rank};
use crate::index::Index;
use crate::lagrange::{ClassPrices, Places, exact_bound, outside, project, released};
use crate::random::geometric;

/// Steps whose chains count in the fractional plan.
const REMEMBERED: usize = 60;

/// What the ascent found.
#[derive(Debug)]
pub(crate) struct Found {
    /// Exact bound of the best prices.
    pub(crate) bound_e4: i64,
    /// The best prices.
    pub(crate) prices: Vec<f64>,
    /// Containers by path, a running mean over the last steps.
    pub(crate) mean: BTreeMap<Rank, f64>,
}

/// The state of an ascent.
struct Ascent<'a> {
    index: &'a Index,
    paths: &'a Paths,
    places: Places,
    class: ClassPrices<f64>,
    gradient: Vec<f64>,
    chains: VecDeque<Vec<(Rank, i64)>>,
}

impl Ascent<'_> {
    /// Value of a price vector; the subgradient and the chains are left in `self`.
    fn value(&mut self, prices: &[f64]) -> f64 {
        let index = self.index;
        let weeks = index.weeks;
        self.gradient.fill(0.0);
        let gradient = std::cell::RefCell::new(&mut self.gradient);
        let places = self.places;
        let mut sum = outside(
            index,
            &places,
            prices,
            |g, week, dg| gradient.borrow_mut()[g * weeks + week] += dg as f64,
            |u, week, units| gradient.borrow_mut()[places.stock + u * weeks + week] -= units as f64,
        );
        self.subtract_limits();
        let full = self.chains.len() >= REMEMBERED;
        let mut chains = if full { self.chains.pop_front() } else { None }.unwrap_or_default();
        chains.clear();
        for class in 0..index.classes.len() {
            self.class.solve(index, &self.places, class, prices);
            for (slot, count) in released(index, class).enumerate() {
                sum += self.class.place_cost(slot) * count as f64;
            }
            self.trace(class, &mut chains);
        }
        self.chains.push_back(chains);
        sum
    }

    fn subtract_limits(&mut self) {
        let index = self.index;
        let weeks = index.weeks;
        for (cell, &dg) in self.gradient.iter_mut().zip(&index.committed_dg) {
            *cell -= dg as f64;
        }
        for (i, site) in index.sites.iter().enumerate() {
            for week in 0..weeks {
                self.gradient[self.places.minutes + i * weeks + week] -=
                    site.minutes10[week].unwrap_or(0) as f64;
                self.gradient[self.places.mixing + i * weeks + week] -=
                    site.mixing_dl[week].unwrap_or(0) as f64;
            }
        }
        for (u, good) in index.goods.iter().enumerate() {
            if weeks > 0 {
                self.gradient[self.places.stock + u * weeks] -= good.stock as f64;
            }
        }
        if self.places.len > self.places.change {
            for (cell, batch) in self.gradient[self.places.change..]
                .iter_mut()
                .zip(&index.batches)
            {
                *cell -= batch.adopted as f64;
            }
        }
    }

    /// Send the places of a class along their best chains and book what those do.
    fn trace(&mut self, class: usize, chains: &mut Vec<(Rank, i64)>) {
        let index = self.index;
        let slots = index.classes[class].places.len();
        let mut flow = vec![0_i64; slots + 1];
        for (slot, count) in released(index, class).enumerate() {
            flow[slot] = count;
        }
        let mut arcs = Vec::new();
        for slot in 0..slots {
            let amount = flow[slot];
            if amount == 0 {
                continue;
            }
            match self.class.sowing(index, class, slot, &mut arcs) {
                None => flow[slot + 1] += amount,
                Some((local, first)) => {
                    let row = index.classes[class].rows.start + local;
                    let end = self.book(row, slot, first, &arcs, amount);
                    flow[end] += amount;
                    chains.push((self.paths.rank(row, first, &arcs), amount));
                }
            }
        }
    }

    fn book(
        &mut self,
        row: usize,
        sow: usize,
        first: usize,
        again: &[usize],
        amount: i64,
    ) -> usize {
        let index = self.index;
        let entry = &index.rows[row];
        let site = &index.sites[entry.site];
        let weeks = index.weeks;
        let places = self.places;
        let count = amount as f64;
        let work = places.minutes + entry.site * weeks;
        let mixing = places.mixing + entry.site * weeks;
        let gradient = &mut self.gradient;
        let week = site.week[sow];
        gradient[work + week] += count * entry.sow_minutes10 as f64;
        gradient[mixing + week] += count * entry.sow_mix_dl as f64;
        for &(good, units) in &entry.uses {
            gradient[places.stock + good * weeks + week] += count * units as f64;
        }
        if places.len > places.change {
            gradient[places.change + entry.batch_base + sow] += count;
        }
        let mut cut = |slot: usize, dg: i64| {
            gradient[work + site.week[slot]] += count * entry.cut_minutes10 as f64;
            if let Some(week) = site.harvest_week[slot] {
                gradient[entry.signature * weeks + week] -= count * dg as f64;
            }
        };
        let mut at = entry.first.to[first] as usize;
        cut(at, entry.first_dg[first]);
        let mut refills = Vec::new();
        for (level, &arc) in again.iter().enumerate() {
            refills.push(at);
            at = entry.again.to[arc] as usize;
            cut(at, entry.again_dg[level][arc]);
        }
        for slot in refills {
            gradient[mixing + site.week[slot]] += count * entry.cut_mix_dl as f64;
        }
        gradient[work + site.week[at]] += count * entry.clean_minutes10 as f64;
        entry.free_at[at] as usize
    }

    /// Typical size of each price, in ten-thousandths of a point per unit.
    fn scales(&self) -> Vec<f64> {
        let index = self.index;
        let places = self.places;
        let gram = unit_e4(index);
        let mut scale = vec![gram; places.len];
        scale[places.minutes..places.stock].fill(2.0 * gram);
        for (u, good) in index.goods.iter().enumerate() {
            let own = places.stock + u * index.weeks..places.stock + (u + 1) * index.weeks;
            scale[own].fill((0.3 * good.price_e4 as f64).max(1e-3 * gram));
        }
        scale[places.change..].fill(index.change_e4 as f64);
        scale
    }
}

/// Nearest sequence that never rises, by pooling neighbours that do. (Raising the earlier price instead
/// would push stock prices up at every step and spoil the ascent.)
fn pool(prices: &mut [f64]) {
    let mut blocks: Vec<(f64, usize)> = Vec::with_capacity(prices.len());
    for &price in prices.iter() {
        let (mut sum, mut count) = (price, 1);
        while let Some(&(before, length)) = blocks.last() {
            if before * count as f64 >= sum * length as f64 {
                break;
            }
            sum += before;
            count += length;
            blocks.pop();
        }
        blocks.push((sum, count));
    }
    let mut rest = prices;
    for (sum, count) in blocks {
        let (own, later) = rest.split_at_mut(count);
        own.fill(sum / count as f64);
        rest = later;
    }
}

/// Set the prices that are held.
fn hold(prices: &mut [f64], fixed: &[bool], price: f64) {
    for (value, _) in prices.iter_mut().zip(fixed).filter(|(_, fixed)| **fixed) {
        *value = price;
    }
}

/// Ten-thousandths of a point for a decigram in the first band at priority 1, at least 1.
pub(crate) fn unit_e4(index: &Index) -> f64 {
    let slopes = index
        .targets
        .iter()
        .flat_map(|target| target.worth.iter().copied());
    slopes.filter(|&worth| worth > 0).min().unwrap_or(1000) as f64
}

/// Produce prices that cost nothing to raise: weeks in which no sowing and no committed harvest can bring
/// a signature. They are held at the dearest shortfall.
fn out_of_reach(index: &Index) -> Vec<bool> {
    let weeks = index.weeks;
    let mut out: Vec<bool> = index.committed_dg.iter().map(|&dg| dg == 0).collect();
    for row in &index.rows {
        let again = row
            .again_dg
            .iter()
            .flat_map(|list| row.again.to.iter().zip(list));
        for (&to, &dg) in row.first.to.iter().zip(&row.first_dg).chain(again) {
            if let Some(week) = index.sites[row.site].harvest_week[to as usize].filter(|_| dg > 0) {
                out[row.signature * weeks + week] = false;
            }
        }
    }
    out
}

/// Climb for a number of steps, or until `stop` says so (told the step and the value so far).
pub(crate) fn ascend(
    index: &Index,
    paths: &Paths,
    steps: u64,
    mut stop: impl FnMut(u64, f64) -> bool,
) -> Found {
    let places = Places::new(index);
    let mut ascent = Ascent {
        index,
        paths,
        places,
        class: ClassPrices::default(),
        gradient: vec![0.0; places.len],
        chains: VecDeque::new(),
    };
    let unit = unit_e4(index);
    let scales = ascent.scales();
    let schedule = geometric(0.1, 0.001);
    let mut prices = vec![0.0; places.len];
    prices[..places.minutes].fill(0.3 * unit);
    let fixed = out_of_reach(index);
    let dearest = index
        .targets
        .iter()
        .filter_map(|target| target.worth.last())
        .max()
        .copied()
        .unwrap_or(0) as f64;
    hold(&mut prices, &fixed, dearest);
    project(index, &places, &mut prices);
    let mut best = f64::NEG_INFINITY;
    let mut best_prices = prices.clone();
    let (mut mean, mut square) = (vec![0.0; places.len], vec![0.0; places.len]);
    let (mut decay_mean, mut decay_square) = (1.0, 1.0);
    for step in 0..steps {
        let value = ascent.value(&prices);
        if value > best {
            best = value;
            best_prices.copy_from_slice(&prices);
        }
        if stop(step, best) {
            break;
        }
        decay_mean *= 0.8;
        decay_square *= 0.98;
        let rate = schedule[((step + 1) * 1024 / steps) as usize];
        for i in 0..places.len {
            let slope = ascent.gradient[i];
            mean[i] = 0.8 * mean[i] + 0.2 * slope;
            square[i] = 0.98 * square[i] + 0.02 * slope * slope;
            let direction = mean[i] / (1.0 - decay_mean);
            let size = (square[i] / (1.0 - decay_square)).sqrt() + 1e-2;
            prices[i] += rate * scales[i] * direction / size;
        }
        hold(&mut prices, &fixed, dearest);
        if index.weeks > 0 {
            for own in prices[places.stock..places.change].chunks_mut(index.weeks) {
                pool(own);
            }
        }
        project(index, &places, &mut prices);
    }
    let mut fractional: BTreeMap<Rank, f64> = BTreeMap::new();
    let mut weight = 0.1;
    for chains in ascent.chains.iter().rev() {
        for &(rank, amount) in chains {
            *fractional.entry(rank).or_insert(0.0) += weight * amount as f64;
        }
        weight *= 0.9;
    }
    // the zero vector is a safe bound when every found value is worse
    let mut nothing = vec![0.0; places.len];
    hold(&mut nothing, &fixed, dearest);
    let bound_e4 =
        exact_bound(index, &places, &best_prices).max(exact_bound(index, &places, &nothing));
    Found {
        bound_e4,
        prices: best_prices,
        mean: fractional,
    }
}
