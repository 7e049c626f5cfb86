//! Where a rough solution begins.

use super::Model;
use crate::allocation::{Pledge, divide};
use crate::index::Index;
use crate::lagrange::{ClassPrices, Places};
use crate::prices::Found;
use crate::state::State;

/// Prices, and the containers that go with them.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Guide<'a> {
    /// Prices as the bound has them, in ten-thousandths of a point.
    pub(crate) prices: &'a [f64],
    /// Where each kind of price sits.
    pub(crate) layout: Places,
    /// What a place costs on each slot, by class and slot.
    pub(crate) places: &'a [f64],
    /// Containers by column, in fractions.
    pub(crate) containers: &'a [f64],
}

impl Guide<'_> {
    /// Price of a unit of a good used in a week.
    pub(super) fn of_stock(&self, index: &Index, good: usize, week: usize) -> f64 {
        self.prices[self.layout.stock + good * index.weeks + week]
    }
}

/// What a place costs on each slot at the prices found, by class and slot: what it could bring from then on, less what
/// it could bring from the next one on.
pub(crate) fn place_prices(index: &Index, found: &Found) -> Vec<f64> {
    let layout = Places::new(index, &found.roundings);
    let mut prices = Vec::with_capacity(index.class_slots);
    let mut own = ClassPrices::default();
    for (class, entry) in index.classes.iter().enumerate() {
        own.solve(index, &layout, &found.roundings, class, &found.prices);
        let slots = 0..entry.places.len();
        prices.extend(slots.map(|slot| own.place_cost(slot + 1) - own.place_cost(slot)));
    }
    prices
}

impl Model<'_> {
    /// Values of all variables with the guide's containers: what is harvested goes to the dearest pledges first.
    pub(super) fn start(&self) -> Vec<f64> {
        let mut values = vec![0.0; self.programme.costs.len()];
        let Some(guide) = self.guide else {
            return values;
        };
        for &(p, variable) in &self.containers {
            values[variable] = guide.containers[p];
        }
        self.start_stock(&mut values);
        self.start_division(&mut values);
        values
    }

    fn start_stock(&self, values: &mut [f64]) {
        let (index, weeks) = (self.index, self.index.weeks);
        let at_hand = State::new(index, self.columns);
        let mut drawn = vec![0.0; index.goods.len() * weeks];
        for &(p, variable) in &self.containers {
            let column = &self.columns.list[p];
            for &(good, units) in self.columns.uses(column) {
                drawn[good * weeks + column.week as usize] += units as f64 * values[variable];
            }
        }
        for own in drawn.chunks_mut(weeks.max(1)) {
            let mut before = 0.0;
            for units in own {
                *units += before;
                before = *units;
            }
        }
        for stored in &self.stored {
            let units = match stored.week {
                Some(week) => {
                    at_hand.stock(stored.good)[week] as f64 - drawn[stored.good * weeks + week]
                }
                None => {
                    let all = drawn[stored.good * weeks + weeks - 1];
                    all - index.goods[stored.good].stock as f64
                }
            };
            values[stored.variable] = units.max(0.0) / stored.units;
        }
    }

    fn start_division(&self, values: &mut [f64]) {
        let (index, weeks) = (self.index, self.index.weeks);
        let mut supply: Vec<f64> = index.committed_dg.iter().map(|&dg| dg as f64).collect();
        for &(p, variable) in &self.containers {
            for harvest in self.columns.harvests(&self.columns.list[p]) {
                supply[harvest.cell as usize] += harvest.dg as f64 * values[variable];
            }
        }
        for week in 0..weeks {
            let cells = (0..index.signatures.len()).map(|g| g * weeks + week);
            let harvest: Vec<i64> = cells.map(|cell| supply[cell] as i64).collect();
            let targets = (0..index.targets.len()).map(|t| (t, &index.targets[t]));
            let (asking, pledges): (Vec<usize>, Vec<Pledge>) = targets
                .filter(|(_, target)| target.pledge_dg[week] > 0)
                .map(|(t, target)| {
                    let pledge = Pledge {
                        dg: target.pledge_dg[week],
                        priority: target.worth.last().copied().unwrap_or(1).max(1),
                        sources: target.signatures.clone(),
                    };
                    (t * weeks + week, pledge)
                })
                .unzip();
            let division = divide(&harvest, &pledges, &[(1000, 1)], 0);
            for (n, (&cell, pledge)) in asking.iter().zip(&pledges).enumerate() {
                for (&g, &dg) in pledge.sources.iter().zip(&division.sent_from_dg[n]) {
                    if let Some(&variable) = self.sent.get(&(cell, g)) {
                        values[variable] = dg as f64 / 10.0;
                    }
                }
                let mut lacking = (pledge.dg - division.sent_dg[n]) as f64 / 10.0;
                for &band in self.short.get(&cell).into_iter().flatten() {
                    values[band] = lacking.min(self.programme.most[band]);
                    lacking -= values[band];
                }
            }
            for (g, &dg) in division.surplus_dg.iter().enumerate() {
                if let Some(&variable) = self.surplus.get(&(g * weeks + week)) {
                    values[variable] = dg as f64 / 10.0;
                }
            }
        }
    }
}
