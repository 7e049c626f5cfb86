//! Prices by subgradient ascent with Adam steps.
//!
//! Model section "prices and a proven bound without an LP solver": maximise the price bound; keep the
//! best prices, and of the last steps the chains chosen, whose running mean is a fractional plan to
//! round.

use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;

use crate::columns::{Paths, Rank};
use crate::index::Index;
use crate::lagrange::{ClassPrices, Places, exact_bound, outside, project, released};
use crate::random::geometric;
use crate::threads::each;

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

/// Most classes that are priced one after the other; more are priced in parts, side by side.
const PART: usize = 8;

/// Most parts.
const MOST_PARTS: usize = 4;

/// The state of an ascent.
struct Ascent<'a> {
    index: &'a Index,
    places: Places,
    parts: Vec<Part<'a>>,
    threads: usize,
    gradient: Vec<f64>,
    chains: VecDeque<Vec<(Rank, i64)>>,
}

/// Some of the classes at the present prices.
struct Part<'a> {
    index: &'a Index,
    paths: &'a Paths,
    places: Places,
    classes: Range<usize>,
    class: ClassPrices<f64>,
    /// Value, subgradient and chains of these classes.
    sum: f64,
    gradient: Vec<f64>,
    chains: Vec<(Rank, i64)>,
}

impl<'a> Ascent<'a> {
    fn new(index: &'a Index, paths: &'a Paths, threads: usize) -> Self {
        let places = Places::new(index);
        let classes = index.classes.len();
        let size = classes
            .div_ceil(classes.div_ceil(PART).clamp(1, MOST_PARTS))
            .max(1);
        let starts = (0..classes).step_by(size);
        let part = |from: usize| Part {
            index,
            paths,
            places,
            classes: from..(from + size).min(classes),
            class: ClassPrices::default(),
            sum: 0.0,
            gradient: vec![0.0; places.len],
            chains: Vec::new(),
        };
        Self {
            index,
            places,
            parts: starts.map(part).collect(),
            threads,
            gradient: vec![0.0; places.len],
            chains: VecDeque::new(),
        }
    }

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
        each(self.threads, &mut self.parts, |part| part.value(prices));
        // always in the same order, so that the sums are the same whatever the number of threads
        for part in &self.parts {
            sum += part.sum;
            chains.extend_from_slice(&part.chains);
            for (total, own) in self.gradient.iter_mut().zip(&part.gradient) {
                *total += own;
            }
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

    /// Containers by path, the latest steps counting most.
    fn running_mean(&self) -> BTreeMap<Rank, f64> {
        let mut fractional: BTreeMap<Rank, f64> = BTreeMap::new();
        let mut weight = 0.1;
        for chains in self.chains.iter().rev() {
            for &(rank, amount) in chains {
                *fractional.entry(rank).or_insert(0.0) += weight * amount as f64;
            }
            weight *= 0.9;
        }
        fractional
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

impl Part<'_> {
    /// Price the classes of this part.
    fn value(&mut self, prices: &[f64]) {
        let index = self.index;
        self.sum = 0.0;
        self.gradient.fill(0.0);
        self.chains.clear();
        for class in self.classes.clone() {
            self.class.solve(index, &self.places, class, prices);
            for (slot, count) in released(index, class).enumerate() {
                self.sum += self.class.place_cost(slot) * count as f64;
            }
            self.trace(class);
        }
    }

    /// Send the places of a class along their best chains and book what those do.
    fn trace(&mut self, class: usize) {
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
                    let rank = self.paths.rank(row, first, &arcs);
                    self.chains.push((rank, amount));
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
}

/// Prices of stock from the multipliers of its cumulative rows: a unit used in a week counts in the rows
/// of that week and of all later ones.
fn add_later(rows: &mut [f64]) {
    let mut later = 0.0;
    for price in rows.iter_mut().rev() {
        *price = later + price.max(0.0);
        later = *price;
    }
}

/// Slopes along the multipliers of cumulative rows from those along the prices.
fn add_earlier(slopes: &mut [f64]) {
    let mut earlier = 0.0;
    for slope in slopes {
        earlier += *slope;
        *slope = earlier;
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

/// Adam: steps along a running mean of the slopes, each in proportion to their usual size.
struct Steering {
    scales: Vec<f64>,
    mean: Vec<f64>,
    square: Vec<f64>,
    /// What is left of the zeros that the running means began with.
    decay_mean: f64,
    decay_square: f64,
}

impl Steering {
    const MEAN: f64 = 0.9;
    const SQUARE: f64 = 0.999;

    fn new(scales: Vec<f64>) -> Self {
        Self {
            mean: vec![0.0; scales.len()],
            square: vec![0.0; scales.len()],
            scales,
            decay_mean: 1.0,
            decay_square: 1.0,
        }
    }

    fn step(&mut self, point: &mut [f64], slopes: &[f64], rate: f64) {
        self.decay_mean *= Self::MEAN;
        self.decay_square *= Self::SQUARE;
        for (i, (value, &slope)) in point.iter_mut().zip(slopes).enumerate() {
            let (mean, square) = (&mut self.mean[i], &mut self.square[i]);
            *mean = Self::MEAN * *mean + (1.0 - Self::MEAN) * slope;
            *square = Self::SQUARE * *square + (1.0 - Self::SQUARE) * slope * slope;
            let direction = *mean / (1.0 - self.decay_mean);
            let size = (*square / (1.0 - self.decay_square)).sqrt() + 1e-2;
            *value += rate * self.scales[i] * direction / size;
        }
    }
}

/// What a missing gram of the dearest pledge costs at most.
fn dearest_gram(index: &Index) -> f64 {
    let dearest = index
        .targets
        .iter()
        .filter_map(|target| target.worth.last());
    dearest.max().copied().unwrap_or(0) as f64
}

/// Climb for a number of steps. `look` is told the value so far and says what share of the time for this
/// has gone, or `None` to stop; a share that runs ahead of the steps shortens the schedule.
pub(crate) fn ascend(
    index: &Index,
    paths: &Paths,
    (steps, threads): (u64, usize),
    mut look: impl FnMut(f64) -> Option<f64>,
) -> Found {
    let mut ascent = Ascent::new(index, paths, threads);
    let places = ascent.places;
    let unit = unit_e4(index);
    let scales = ascent.scales();
    let schedule = geometric(0.1, 0.0003);
    let stock = places.stock..places.change;
    let mut point = vec![0.0; places.len];
    point[..places.minutes].fill(0.3 * unit);
    let fixed = out_of_reach(index);
    let dearest = dearest_gram(index);
    hold(&mut point, &fixed, dearest);
    project(index, &places, &mut point);
    let mut prices = point.clone();
    let mut best = f64::NEG_INFINITY;
    let mut best_prices = prices.clone();
    let mut steering = Steering::new(scales);
    for step in 0..steps {
        let value = ascent.value(&prices);
        if value > best {
            best = value;
            best_prices.copy_from_slice(&prices);
        }
        let Some(gone) = look(best).filter(|&gone| gone < 1.0) else {
            break;
        };
        for own in ascent.gradient[stock.clone()].chunks_mut(index.weeks.max(1)) {
            add_earlier(own);
        }
        let along = ((step + 1) as f64 / steps as f64).max(gone);
        let rate = schedule[(along * 1024.0) as usize];
        steering.step(&mut point, &ascent.gradient, rate);
        hold(&mut point, &fixed, dearest);
        for multiplier in &mut point[stock.clone()] {
            *multiplier = multiplier.max(0.0);
        }
        prices.copy_from_slice(&point);
        for own in prices[stock.clone()].chunks_mut(index.weeks.max(1)) {
            add_later(own);
        }
        project(index, &places, &mut prices);
        point[..places.stock].copy_from_slice(&prices[..places.stock]);
        point[places.change..].copy_from_slice(&prices[places.change..]);
    }
    // the zero vector is a safe bound when every found value is worse
    let mut nothing = vec![0.0; places.len];
    hold(&mut nothing, &fixed, dearest);
    let bound_e4 =
        exact_bound(index, &places, &best_prices).max(exact_bound(index, &places, &nothing));
    Found {
        bound_e4,
        prices: best_prices,
        mean: ascent.running_mean(),
    }
}
