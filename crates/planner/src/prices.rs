//! Prices by subgradient ascent with Adam steps.
//!
//! Model section "prices and a proven bound without an LP solver": maximise the price bound; keep the
//! best prices, and of the last steps the chains chosen, whose running mean is a fractional plan to
//! round. Half-way rounding cuts that this plan breaks are added, and priced like any other row.

use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;
use std::sync::Arc;

use crate::columns::{Paths, Rank};
use crate::index::Index;
use crate::lagrange::{Chosen, ClassPrices, Places, exact_bound, outside, project, released};
use crate::random::geometric;
use crate::roundings::Roundings;
use crate::threads::{Crew, crew};

mod steering;
use steering::Steering;

/// Steps whose chains count in a fractional plan.
const REMEMBERED: usize = 400;

/// How much less a step counts than the next one in the fractional plan that is rounded. At .9 the search of a
/// problem of twelve sites began twice as far from the bound as at .99, and ended 2 % higher.
const KEPT_FOR_START: f64 = 0.99;

/// The same in the plan that cuts are sought for.
const KEPT_FOR_CUTS: f64 = 0.97;

/// Shares of the schedule after which rounding cuts are added. Measured on five problems: more steps before
/// the first or more cuts at once move the bound by less than 0.1 %.
const ROUNDS: [f64; 3] = [0.5, 0.65, 0.775];

/// Steps without which cuts are not begun: with 600 steps in all they cost a problem of twelve sites 4 % of
/// its bound, from 1 200 on they gain.
const STEPS_BEFORE_CUTS: u64 = 600;

/// What the ascent found.
#[derive(Debug)]
pub(crate) struct Found {
    /// Exact bound of the best prices.
    pub(crate) bound_e4: i64,
    /// The best prices.
    pub(crate) prices: Vec<f64>,
    /// Containers by path, a running mean over the last steps.
    pub(crate) mean: BTreeMap<Rank, f64>,
    /// The rounding cuts that the prices of the last rows belong to.
    pub(crate) roundings: Roundings,
}

/// Most classes that are priced one after the other; more are priced in parts, side by side.
const PART: usize = 6;

/// Most parts.
const MOST_PARTS: usize = 4;

/// The state of an ascent.
struct Ascent<'c, 'a> {
    index: &'a Index,
    paths: &'a Paths,
    places: Places,
    roundings: Arc<Roundings>,
    parts: Crew<'c, Part<'a>>,
    gradient: Vec<f64>,
    chains: VecDeque<Vec<(Rank, i64)>>,
}

/// Some of the classes at the present prices.
struct Part<'a> {
    index: &'a Index,
    paths: &'a Paths,
    places: Places,
    roundings: Arc<Roundings>,
    classes: Range<usize>,
    class: ClassPrices<f64>,
    prices: Vec<f64>,
    /// Value, subgradient and chains of these classes.
    sum: f64,
    gradient: Vec<f64>,
    chains: Vec<(Rank, i64)>,
}

/// Some classes each of all classes of a problem.
fn parts<'a>(index: &'a Index, paths: &'a Paths, roundings: &Arc<Roundings>) -> Vec<Part<'a>> {
    let places = Places::new(index, roundings);
    let classes = index.classes.len();
    let size = classes
        .div_ceil(classes.div_ceil(PART).clamp(1, MOST_PARTS))
        .max(1);
    let starts = (0..classes).step_by(size);
    let part = |from: usize| Part {
        index,
        paths,
        places,
        roundings: Arc::clone(roundings),
        classes: from..(from + size).min(classes),
        class: ClassPrices::default(),
        prices: vec![0.0; places.len],
        sum: 0.0,
        gradient: vec![0.0; places.len],
        chains: Vec::new(),
    };
    starts.map(part).collect()
}

impl<'c, 'a> Ascent<'c, 'a> {
    fn new(
        index: &'a Index,
        paths: &'a Paths,
        roundings: Arc<Roundings>,
        parts: Crew<'c, Part<'a>>,
    ) -> Self {
        let places = Places::new(index, &roundings);
        Self {
            index,
            paths,
            places,
            roundings,
            parts,
            gradient: vec![0.0; places.len],
            chains: VecDeque::new(),
        }
    }

    /// Value of a price vector; the subgradient and the chains are left in `self`.
    fn value(&mut self, prices: &[f64]) -> f64 {
        let index = self.index;
        let weeks = index.weeks;
        self.gradient.fill(0.0);
        let roundings = &self.roundings;
        let rounding = self.places.rounding;
        for (slope, cut) in self.gradient[rounding..].iter_mut().zip(&roundings.cuts) {
            *slope = cut.least_dg as f64;
        }
        let gradient = &mut self.gradient;
        let stock = self.places.stock;
        let mut sum = outside(
            index,
            &self.places,
            roundings,
            prices,
            |chosen| match chosen {
                Chosen::Sent {
                    signature,
                    week,
                    dg,
                } => gradient[signature * weeks + week] += dg as f64,
                Chosen::Lacking { target, week, dg } => {
                    for &n in &roundings.of_pledge[target * weeks + week] {
                        gradient[rounding + n as usize] -= dg as f64;
                    }
                }
                Chosen::Bought { good, week, units } => {
                    gradient[stock + good * weeks + week] -= units as f64;
                }
            },
        );
        self.subtract_limits();
        let full = self.chains.len() >= REMEMBERED;
        let mut chains = if full { self.chains.pop_front() } else { None }.unwrap_or_default();
        chains.clear();
        for part in self.parts.items() {
            part.prices.copy_from_slice(prices);
        }
        self.parts.work();
        // always in the same order, so that the sums are the same whatever the number of threads
        for part in self.parts.items() {
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
        if self.places.rounding > self.places.change {
            for (cell, batch) in self.gradient[self.places.change..self.places.rounding]
                .iter_mut()
                .zip(&index.batches)
            {
                *cell -= batch.adopted as f64;
            }
        }
    }

    /// Add the rounding cuts that the fractional plan of the last steps breaks; `true` when there are any.
    fn add_roundings(&mut self) -> bool {
        let mean = self.running_mean(KEPT_FOR_CUTS);
        if !Arc::make_mut(&mut self.roundings).add(self.index, self.paths, &mean) {
            return false;
        }
        self.places = Places::new(self.index, &self.roundings);
        self.gradient.resize(self.places.len, 0.0);
        for part in self.parts.items() {
            part.places = self.places;
            part.roundings = Arc::clone(&self.roundings);
            part.prices.resize(self.places.len, 0.0);
            part.gradient.resize(self.places.len, 0.0);
        }
        true
    }

    /// Containers by path, each step counting `keep` times as much as the one after it.
    fn running_mean(&self, keep: f64) -> BTreeMap<Rank, f64> {
        let mut fractional: BTreeMap<Rank, f64> = BTreeMap::new();
        let (mut weight, mut sum) = (1.0, 0.0);
        for chains in self.chains.iter().rev() {
            for &(rank, amount) in chains {
                *fractional.entry(rank).or_insert(0.0) += weight * amount as f64;
            }
            sum += weight;
            weight *= keep;
            if weight < 1e-3 {
                break;
            }
        }
        fractional.values_mut().for_each(|amount| *amount /= sum);
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
        scale[places.change..places.rounding].fill(index.change_e4 as f64);
        scale
    }
}

impl Part<'_> {
    /// Price the classes of this part.
    fn value(&mut self) {
        let index = self.index;
        self.sum = 0.0;
        self.gradient.fill(0.0);
        self.chains.clear();
        for class in self.classes.clone() {
            self.class
                .solve(index, &self.places, &self.roundings, class, &self.prices);
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
        if places.rounding > places.change {
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
        let programme = &index.programmes[entry.class];
        let local = row - index.classes[entry.class].rows.start;
        let mut steps =
            vec![programme.first_steps(local, sow).start + first - entry.first.from(sow).start];
        let mut refills = Vec::new();
        for (level, &arc) in again.iter().enumerate() {
            refills.push(at);
            steps.push(
                programme.again_steps(local, level, at).start + arc - entry.again.from(at).start,
            );
            at = entry.again.to[arc] as usize;
            cut(at, entry.again_dg[level][arc]);
        }
        for slot in refills {
            gradient[mixing + site.week[slot]] += count * entry.cut_mix_dl as f64;
        }
        gradient[work + site.week[at]] += count * entry.clean_minutes10 as f64;
        let effects = &self.roundings.effects[entry.class];
        for step in steps {
            for &(n, dg) in effects.of(step) {
                gradient[places.rounding + n as usize] -= count * dg as f64;
            }
        }
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

/// What a missing gram of the dearest pledge costs at most.
fn dearest_gram(index: &Index) -> f64 {
    let dearest = index
        .targets
        .iter()
        .filter_map(|target| target.worth.last());
    dearest.max().copied().unwrap_or(0) as f64
}

/// An ascent under way.
struct Climb<'c, 'a> {
    ascent: Ascent<'c, 'a>,
    steering: Steering,
    /// Where it stands: as `prices`, but for stock the multipliers of its cumulative rows.
    point: Vec<f64>,
    prices: Vec<f64>,
    best: f64,
    best_point: Vec<f64>,
    best_prices: Vec<f64>,
    /// Prices that are held, and at what.
    fixed: Vec<bool>,
    dearest: f64,
    /// Share of the schedule that had gone when the first cuts were added.
    cuts_since: Option<f64>,
    first_rates: Vec<f64>,
    later_rates: Vec<f64>,
}

impl<'c, 'a> Climb<'c, 'a> {
    fn new(ascent: Ascent<'c, 'a>) -> Self {
        let (index, places) = (ascent.index, ascent.places);
        let mut point = vec![0.0; places.len];
        point[..places.minutes].fill(0.3 * unit_e4(index));
        let (fixed, dearest) = (out_of_reach(index), dearest_gram(index));
        hold(&mut point, &fixed, dearest);
        project(index, &places, &mut point);
        Self {
            steering: Steering::new(ascent.scales()),
            prices: point.clone(),
            best: f64::NEG_INFINITY,
            best_point: point.clone(),
            best_prices: point.clone(),
            point,
            fixed,
            dearest,
            cuts_since: None,
            first_rates: geometric(0.1, 0.001),
            later_rates: geometric(0.02, 0.0003),
            ascent,
        }
    }

    /// Price the problem where the climb stands.
    fn value(&mut self) {
        let value = self.ascent.value(&self.prices);
        if value > self.best {
            self.best = value;
            self.best_prices.copy_from_slice(&self.prices);
            self.best_point.copy_from_slice(&self.point);
        }
    }

    /// Add the rounding cuts that the fractional plan breaks and go on from the best prices; `false` when
    /// it breaks none.
    fn add_roundings(&mut self, along: f64) -> bool {
        if !self.ascent.add_roundings() {
            return false;
        }
        self.cuts_since.get_or_insert(along);
        for list in [&mut self.best_prices, &mut self.best_point] {
            list.resize(self.ascent.places.len, 0.0);
        }
        self.prices.clone_from(&self.best_prices);
        self.point.clone_from(&self.best_point);
        self.steering = Steering::new(self.ascent.scales());
        true
    }

    /// Step along the slopes, by the rate at a share of the schedule.
    fn step(&mut self, along: f64) {
        let (index, places) = (self.ascent.index, self.ascent.places);
        let weeks = index.weeks.max(1);
        let stock = places.stock..places.change;
        for own in self.ascent.gradient[stock.clone()].chunks_mut(weeks) {
            add_earlier(own);
        }
        let (rates, from) = match self.cuts_since {
            Some(since) => (&self.later_rates, since),
            None => (&self.first_rates, 0.0),
        };
        let share = (along - from) / (1.0 - from).max(1e-9);
        let rate = rates[(share * 1024.0).clamp(0.0, 1024.0) as usize];
        self.steering
            .step(&mut self.point, &self.ascent.gradient, rate);
        hold(&mut self.point, &self.fixed, self.dearest);
        for multiplier in &mut self.point[stock.clone()] {
            *multiplier = multiplier.max(0.0);
        }
        self.prices.copy_from_slice(&self.point);
        for own in self.prices[stock].chunks_mut(weeks) {
            add_later(own);
        }
        project(index, &places, &mut self.prices);
        self.point[..places.stock].copy_from_slice(&self.prices[..places.stock]);
        self.point[places.change..].copy_from_slice(&self.prices[places.change..]);
    }
}

/// Climb for a number of steps. `look` is told the value so far and says what share of the time for this
/// has gone, or `None` to stop; a share that runs ahead of the steps shortens the schedule.
pub(crate) fn ascend(
    index: &Index,
    paths: &Paths,
    (steps, threads): (u64, usize),
    look: impl FnMut(f64) -> Option<f64>,
) -> Found {
    let roundings = Arc::new(Roundings::new(index));
    let parts = parts(index, paths, &roundings);
    crew(threads, parts, &Part::value, |parts| {
        climb(Ascent::new(index, paths, roundings, parts), steps, look)
    })
}

fn climb(ascent: Ascent<'_, '_>, steps: u64, mut look: impl FnMut(f64) -> Option<f64>) -> Found {
    let index = ascent.index;
    let mut climb = Climb::new(ascent);
    let mut rounds = ROUNDS.iter().peekable();
    for step in 0..steps {
        climb.value();
        let Some(gone) = look(climb.best).filter(|&gone| gone < 1.0) else {
            break;
        };
        let along = ((step + 1) as f64 / steps as f64).max(gone);
        if rounds.next_if(|&&round| along >= round).is_some()
            && (climb.cuts_since.is_some() || step >= STEPS_BEFORE_CUTS)
            && climb.add_roundings(along)
        {
            continue;
        }
        climb.step(along);
    }
    let ascent = climb.ascent;
    let (places, roundings) = (ascent.places, &ascent.roundings);
    let best_prices = climb.best_prices;
    // the zero vector is a safe bound when every found value is worse
    let mut nothing = vec![0.0; places.len];
    hold(&mut nothing, &climb.fixed, climb.dearest);
    let bound = |prices: &[f64]| exact_bound(index, &places, roundings, prices);
    Found {
        bound_e4: bound(&best_prices).max(bound(&nothing)),
        prices: best_prices,
        mean: ascent.running_mean(KEPT_FOR_START),
        roundings: Arc::unwrap_or_clone(ascent.roundings),
    }
}
