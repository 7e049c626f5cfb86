//! Searches side by side, each at a temperature of its own, that change places.
//!
//! Where sowings have a least size a search that cools stays in the valley it is in when it is cool, and ten times
//! the work finds little more. Here the temperatures stay, and after some moves neighbours change places with the
//! chance min(1, exp((1/T - 1/T')(E - E'))), E the cost, which leaves what is visited at each temperature as it
//! would be alone (Hukushima and Nemoto, Exchange Monte Carlo method and application to spin glass simulations,
//! Journal of the Physical Society of Japan 65, 1996, pages 1604 to 1608). What is hot finds new valleys, what is
//! cold tries them.

use crate::random::Random;
use crate::search::{Search, Settings, Stretch, Watch};
use crate::threads::each;

/// Moves of each between two chances to change places.
const SWEEP: u64 = 100;

struct Replica<'a> {
    search: Search<'a>,
    settings: Settings,
    made: u64,
}

impl Replica<'_> {
    fn temperature(&self) -> f64 {
        self.settings.temperatures[0]
    }
}

/// Searches at constant temperatures, the coldest first.
pub(crate) struct Replicas<'a> {
    replicas: Vec<Replica<'a>>,
    random: Random,
}

impl<'a> Replicas<'a> {
    /// Searches with their settings; what batches lack has one price.
    pub(crate) fn new(
        searches: impl Iterator<Item = (Search<'a>, Settings)>,
        random: Random,
    ) -> Self {
        let replicas = searches.map(|(mut search, settings)| {
            search.allow_short_batches(&settings);
            Replica {
                search,
                settings,
                made: 0,
            }
        });
        Self {
            replicas: replicas.collect(),
            random,
        }
    }

    /// Search until the moves are made; the number made.
    pub(crate) fn run(&mut self, moves: u64, threads: usize, watch: &dyn Watch) -> u64 {
        let mut done = 0;
        loop {
            let sweep = SWEEP.min((moves - done) / self.replicas.len().max(1) as u64);
            let stretch = Stretch {
                before: 0,
                moves: sweep,
                lanes: 1,
                tells: false,
            };
            each(threads, &mut self.replicas, |replica| {
                replica.made = replica.search.run(&replica.settings, stretch, watch);
            });
            done += self
                .replicas
                .iter()
                .map(|replica| replica.made)
                .sum::<u64>();
            let stopped = self.replicas.iter().any(|replica| replica.made < sweep);
            if watch.look(self.best_e4(), done).is_none() || stopped || sweep == 0 {
                return done;
            }
            self.change_places();
        }
    }

    fn best_e4(&self) -> i64 {
        let costs = self
            .replicas
            .iter()
            .map(|replica| replica.search.best_cost().1);
        costs.min().unwrap_or(i64::MAX)
    }

    fn change_places(&mut self) {
        for n in (1..self.replicas.len()).rev() {
            let (left, right) = self.replicas.split_at_mut(n);
            let (Some(cold), Some(hot)) = (left.last_mut(), right.first_mut()) else {
                continue;
            };
            let temperatures = (cold.temperature(), hot.temperature());
            let costs_e4 = (cold.search.weighed_e4(), hot.search.weighed_e4());
            if trade_places(temperatures, costs_e4, &mut self.random) {
                std::mem::swap(&mut cold.search, &mut hot.search);
            }
        }
    }

    /// The best counts of each and their costs.
    pub(crate) fn into_best(self) -> impl Iterator<Item = (Vec<i64>, i64)> {
        self.replicas.into_iter().map(|replica| {
            let (_, cost_e4) = replica.search.best_cost();
            (replica.search.into_best(), cost_e4)
        })
    }
}

/// Do a colder and a hotter search of some costs change places?
fn trade_places(
    (cold, hot): (f64, f64),
    (cost_e4, hot_cost_e4): (i64, i64),
    random: &mut Random,
) -> bool {
    let exponent = (1.0 / cold - 1.0 / hot) * (cost_e4 - hot_cost_e4) as f64;
    // an exponential variate is above x with the chance exp(-x); a library's exp may differ between machines
    random.exponential() > -exponent
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The rule of Hukushima and Nemoto, 1996: min(1, exp((1/T - 1/T')(E - E'))).
    #[test]
    fn neighbours_change_places_with_the_published_chance() {
        let mut random = Random::new(1);
        for (costs_e4, chance) in [
            ((200, 100), 1.0),
            ((100, 100), 1.0),
            ((100, 120), (-1.0_f64).exp()),
            ((100, 150), (-2.5_f64).exp()),
        ] {
            let drawn = 40_000;
            let changed = (0..drawn)
                .filter(|_| trade_places((10.0, 20.0), costs_e4, &mut random))
                .count();
            let share = changed as f64 / f64::from(drawn);
            assert!((share - chance).abs() < 0.01, "{costs_e4:?}: {share}");
        }
    }
}
