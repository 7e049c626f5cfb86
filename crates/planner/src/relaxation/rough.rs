//! The programme of a larger problem, solved roughly.

use super::{Guide, Model, enter};
use crate::columns::Columns;
use crate::index::Index;
use crate::primal_dual::PrimalDual;
use crate::random::Random;
use crate::roundings::Roundings;
use crate::state::State;

/// Share of the fractions that one step of a dive makes whole.
const PART: f64 = 0.05;

/// Most steps that make no fewer whole than the first one's share says, so that a long tail of fractions ends.
const MOST_STEPS: usize = 300;

/// Standard deviation of what is added to a fraction before the largest are taken: dives are to differ.
const NOISE: f64 = 0.05;

/// Above a whole number by less than this is whole; what is left at the end is rounded down from less than .7.
const NEARLY: f64 = 0.02;
const FRACTION: f64 = 0.05;
const UP: f64 = 0.3;

/// Solved as far as was asked.
#[derive(Clone)]
pub(crate) struct Rough<'a> {
    index: &'a Index,
    columns: &'a Columns,
    /// Columns and their variables.
    containers: Vec<(usize, usize)>,
    solver: PrimalDual,
}

impl<'a> Rough<'a> {
    /// The programme of some of the columns, where prices and their fractional plan have brought it.
    pub(crate) fn new(
        index: &'a Index,
        columns: &'a Columns,
        roundings: &Roundings,
        guide: Guide<'a>,
        chosen: impl Iterator<Item = usize>,
    ) -> Self {
        let model = Model::new(index, columns, roundings, Some(guide), chosen);
        Self {
            index,
            columns,
            solver: PrimalDual::new(&model.programme, &model.start()),
            containers: model.containers,
        }
    }

    /// Solve on by a number of steps, while told to.
    pub(crate) fn settle(&mut self, steps: usize, on: impl Fn() -> bool) {
        self.solver.run(steps, on);
    }

    /// Containers by column of a whole plan that keeps every limit but those of batches. `steps` says by how many steps
    /// to solve again after some fractions were made whole; `None` ends the dive where it is.
    pub(crate) fn dive(
        mut self,
        random: &mut Random,
        steps: impl Fn() -> Option<usize>,
    ) -> Vec<i64> {
        let mut state = State::new(self.index, self.columns);
        let mut open = self.containers.clone();
        let mut fewest = None;
        while let Some(steps) = steps() {
            let mut fractions: Vec<(f64, usize, i64)> = Vec::new();
            for (n, &(_, variable)) in open.iter().enumerate() {
                let amount = self.solver.value(variable);
                let whole = (amount + NEARLY).floor();
                if amount - whole > FRACTION {
                    // the sum of three uniform numbers is nearly normal, with a variance of a quarter
                    let scatter = random.unit() + random.unit() + random.unit() - 1.5;
                    let weighed = amount - whole + 2.0 * NOISE * scatter;
                    fractions.push((weighed, n, whole as i64 + 1));
                }
            }
            if fractions.is_empty() {
                break;
            }
            fractions.sort_by(|a, b| b.0.total_cmp(&a.0));
            let fewest = *fewest.get_or_insert(fractions.len() / MOST_STEPS);
            let some = ((PART * fractions.len() as f64) as usize)
                .max(fewest)
                .max(1);
            let mut taken = vec![false; open.len()];
            for &(_, n, up) in fractions.iter().take(some) {
                let (column, variable) = open[n];
                let containers = enter(&mut state, column, up);
                self.solver.fix(variable, containers as f64);
                taken[n] = true;
            }
            let mut taken = taken.into_iter();
            open.retain(|_| !taken.next().unwrap_or(false));
            self.solver.run(steps, || true);
        }
        let rest = open
            .iter()
            .map(|&(p, variable)| (self.solver.value(variable), p));
        let mut rest: Vec<(f64, usize)> = rest.filter(|&(amount, _)| amount + UP >= 1.0).collect();
        rest.sort_by(|a, b| b.0.total_cmp(&a.0));
        for (amount, p) in rest {
            enter(&mut state, p, (amount + UP).floor() as i64);
        }
        state.counts().to_vec()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::columns::Paths;
    use crate::lagrange::Places;
    use crate::linear_programme::LinearProgramme;
    use crate::prices::{Found, ascend};
    use crate::relaxation::place_prices;
    use crate::relaxation::tests::{differ_and_come_near, entered_e4, listed};

    /// Prices of some steps, what places cost at them, and their containers by column.
    fn priced(index: &Index, paths: &Paths, columns: &Columns) -> (Found, Vec<f64>, Vec<f64>) {
        let found = ascend(index, paths, (500, 1), |_| Some(0.0));
        let places = place_prices(index, &found);
        let containers = columns.amounts(&found.mean);
        (found, places, containers)
    }

    fn guide<'a>(index: &Index, given: &'a (Found, Vec<f64>, Vec<f64>)) -> Guide<'a> {
        Guide {
            prices: &given.0.prices,
            layout: Places::new(index, &given.0.roundings),
            places: &given.1,
            containers: &given.2,
        }
    }

    /// Cost, and by how much the rows are broken in all.
    fn seen(programme: &LinearProgramme, value: impl Fn(usize) -> f64) -> (f64, f64) {
        let costs = programme.costs.iter().enumerate();
        let broken = programme.rows.iter().map(|row| {
            let sum: f64 = row.terms.iter().map(|&(v, c)| c * value(v)).sum();
            (sum - row.most).max(row.least - sum).max(0.0)
        });
        (costs.map(|(v, cost)| cost * value(v)).sum(), broken.sum())
    }

    /// Values of the same linear programmes by HiGHS 1.16.
    #[test]
    fn the_value_comes_near_that_of_an_independent_solver() {
        for (name, expected) in [("s1", 2505.617), ("s2", 1950.721)] {
            let (index, _, columns) = listed(name);
            let all = 0..columns.list.len();
            let model = Model::new(&index, &columns, &Roundings::new(&index), None, all);
            let mut solver = PrimalDual::new(&model.programme, &model.start());
            for _ in 0..60 {
                solver.run(500, || true);
            }
            let (points, broken) = seen(&model.programme, |v| solver.value(v));
            let points = model.cost_e4(points) / 1e4;
            assert!((points / expected - 1.0).abs() < 2e-3, "{name}: {points}");
            assert!(broken < 2.0, "{name}: {broken}");
        }
    }

    /// The fractional plan of the prices with all that follows from it: weights, stock and shortfalls add up.
    #[test]
    fn it_begins_where_all_but_the_limits_hold() {
        let (index, paths, columns) = listed("s2");
        let given = priced(&index, &paths, &columns);
        let guide = guide(&index, &given);
        let all = 0..columns.list.len();
        let model = Model::new(&index, &columns, &given.0.roundings, Some(guide), all);
        let start = model.start();
        let equal = model
            .programme
            .rows
            .iter()
            .filter(|row| row.least == row.most);
        for row in equal {
            let sum: f64 = row.terms.iter().map(|&(v, c)| c * start[v]).sum();
            assert!((sum - row.least).abs() < 0.2, "{sum} for {}", row.least);
        }
    }

    #[test]
    fn a_dive_keeps_every_limit_and_differs_from_others() {
        let (index, paths, columns) = listed("s2");
        let given = priced(&index, &paths, &columns);
        let guide = guide(&index, &given);
        let all = 0..columns.list.len();
        let mut rough = Rough::new(&index, &columns, &given.0.roundings, guide, all);
        rough.settle(1_500, || true);
        let mut costs = Vec::new();
        for seed in 0..4 {
            let dive = |steps| rough.clone().dive(&mut Random::new(seed), || steps);
            let counts = dive(Some(150));
            costs.push(entered_e4(&index, &columns, &counts));
            assert_eq!(dive(Some(150)), counts);
        }
        differ_and_come_near(costs);
    }

    #[test]
    fn a_dive_that_is_told_to_end_at_once_is_a_plan() {
        let (index, paths, columns) = listed("s1");
        let given = priced(&index, &paths, &columns);
        let guide = guide(&index, &given);
        let all = 0..columns.list.len();
        let rough = Rough::new(&index, &columns, &given.0.roundings, guide, all);
        let counts = rough.dive(&mut Random::new(1), || None);
        assert!(entered_e4(&index, &columns, &counts) > 0);
    }
}
