//! The programme of a small problem, solved by a simplex method.

use microlp::{ComparisonOp, OptimizationDirection, Problem, Solution, Variable};

use super::{Model, enter};
use crate::columns::Columns;
use crate::index::Index;
use crate::random::Random;
use crate::roundings::Roundings;
use crate::state::State;

/// Share of the fractions that one step of a dive makes whole.
const PART: f64 = 0.1;

/// Standard deviation of what is added to a fraction before the largest are taken: dives are to differ.
const NOISE: f64 = 0.1;

/// Fractions nearer to a whole number than this are whole.
const WHOLE: f64 = 1e-5;

/// Solved, with the variables of the columns.
pub(crate) struct Exact<'a> {
    model: Model<'a>,
    root: Solution,
    containers: Vec<(usize, Variable)>,
}

impl<'a> Exact<'a> {
    /// Build and solve it for some of the columns; `None` when its solver fails.
    pub(crate) fn new(
        index: &'a Index,
        columns: &'a Columns,
        roundings: &Roundings,
        chosen: impl Iterator<Item = usize>,
    ) -> Option<Self> {
        let model = Model::new(index, columns, roundings, None, chosen);
        let mut problem = Problem::new(OptimizationDirection::Minimize);
        let limits = model.programme.costs.iter().zip(&model.programme.most);
        let variables: Vec<Variable> = limits
            .map(|(&cost, &most)| problem.add_var(cost, (0.0, most)))
            .collect();
        for row in &model.programme.rows {
            let terms = row.terms.iter().map(|&(v, c)| (variables[v], c));
            let terms: Vec<(Variable, f64)> = terms.collect();
            let (compared, with) = if row.least == row.most {
                (ComparisonOp::Eq, row.most)
            } else if row.least == f64::NEG_INFINITY {
                (ComparisonOp::Le, row.most)
            } else {
                (ComparisonOp::Ge, row.least)
            };
            problem.add_constraint(&terms[..], compared, with);
        }
        let containers = model.containers.iter().map(|&(p, v)| (p, variables[v]));
        Some(Self {
            containers: containers.collect(),
            root: problem.solve().ok()?.into_solution().ok()?,
            model,
        })
    }

    /// What a solution costs: no plan of these columns with what is whole so far costs less.
    fn cost_e4(&self, solution: &Solution) -> f64 {
        self.model.cost_e4(solution.objective())
    }

    /// Containers by column of a whole plan that keeps every limit but those of batches; `None` when it would cost
    /// more than a limit, or the solver fails on the way.
    pub(crate) fn dive(&self, random: &mut Random, most_e4: i64) -> Option<Vec<i64>> {
        let mut solution = self.root.clone();
        let mut state = State::new(self.model.index, self.model.columns);
        let mut fixed = vec![false; self.containers.len()];
        loop {
            let mut fractions: Vec<(f64, usize, i64)> = Vec::new();
            for (n, &(_, variable)) in self.containers.iter().enumerate() {
                let amount = solution.var_value_raw(variable);
                let whole = (amount + WHOLE).floor();
                if !fixed[n] && amount - whole > WHOLE {
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
            let some = ((PART * fractions.len() as f64) as usize).max(1);
            for &(_, n, up) in fractions.iter().take(some) {
                let (column, variable) = self.containers[n];
                let containers = enter(&mut state, column, up);
                fixed[n] = true;
                let outcome = solution.fix_var(variable, containers as f64);
                solution = outcome.ok()?.into_solution().ok()?;
            }
            if self.cost_e4(&solution) > most_e4 as f64 {
                return None;
            }
        }
        for (n, &(column, variable)) in self.containers.iter().enumerate() {
            if !fixed[n] {
                let whole = (solution.var_value_raw(variable) + WHOLE).floor();
                enter(&mut state, column, whole as i64);
            }
        }
        Some(state.counts().to_vec())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::relaxation::tests::{differ_and_come_near, entered_e4, listed};

    fn of_all<'a>(index: &'a Index, columns: &'a Columns) -> Exact<'a> {
        let all = 0..columns.list.len();
        Exact::new(index, columns, &Roundings::new(index), all).unwrap()
    }

    /// Values of the same linear programmes by HiGHS 1.16.
    #[test]
    fn the_value_is_that_of_an_independent_solver() {
        for (name, value) in [("s1", 2505.617), ("s2", 1950.721)] {
            let (index, _, columns) = listed(name);
            let relaxation = of_all(&index, &columns);
            let points = relaxation.cost_e4(&relaxation.root) / 1e4;
            assert!((points - value).abs() < 1e-3, "{name}: {points}");
        }
    }

    #[test]
    fn a_dive_keeps_every_limit_and_differs_from_others() {
        let (index, _, columns) = listed("s2");
        let relaxation = of_all(&index, &columns);
        let value_e4 = relaxation.cost_e4(&relaxation.root);
        let mut costs = Vec::new();
        for seed in 0..4 {
            let counts = relaxation.dive(&mut Random::new(seed), i64::MAX).unwrap();
            let cost_e4 = entered_e4(&index, &columns, &counts);
            assert!(cost_e4 as f64 >= value_e4);
            // the same dive is given up only when its plan is dearer than asked for
            let again = |most_e4| relaxation.dive(&mut Random::new(seed), most_e4);
            assert_eq!(again(cost_e4 + 1_000), Some(counts));
            assert_eq!(again(value_e4 as i64), None);
            costs.push(cost_e4);
        }
        differ_and_come_near(costs);
    }

    /// Each plan is a solution of the programme of its own columns and of any with more of them.
    #[test]
    fn the_programme_of_some_plans_costs_no_more_than_they_and_no_less_than_that_of_all_columns() {
        let (index, _, columns) = listed("s2");
        let all = of_all(&index, &columns);
        let plans: Vec<Vec<i64>> = (0..3)
            .map(|seed| all.dive(&mut Random::new(seed), i64::MAX).unwrap())
            .collect();
        let used = (0..columns.list.len()).filter(|&p| plans.iter().any(|counts| counts[p] > 0));
        let some = Exact::new(&index, &columns, &Roundings::new(&index), used).unwrap();
        let value_e4 = some.cost_e4(&some.root);
        assert!(value_e4 >= all.cost_e4(&all.root) - 1.0);
        for counts in &plans {
            let cost_e4 = entered_e4(&index, &columns, counts);
            assert!(value_e4 <= cost_e4 as f64 + 1.0);
        }
    }
}
