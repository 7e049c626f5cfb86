//! A linear programme in numbers, for whatever solves it.

/// Least cost of some variables, each from 0 to a most, that keep some rows.
#[derive(Debug, Default)]
pub(crate) struct LinearProgramme {
    /// Cost of a unit, by variable.
    pub(crate) costs: Vec<f64>,
    /// Most of each variable.
    pub(crate) most: Vec<f64>,
    pub(crate) rows: Vec<Row>,
}

/// A sum of variables that lies between two limits.
#[derive(Debug)]
pub(crate) struct Row {
    /// Variables and their coefficients.
    pub(crate) terms: Vec<(usize, f64)>,
    pub(crate) least: f64,
    pub(crate) most: f64,
    /// What a unit more of the sum is thought to cost at the best solution: above 0 where the most binds, below
    /// where the least does.
    pub(crate) price: f64,
}

impl LinearProgramme {
    /// Add a variable; its number.
    pub(crate) fn variable(&mut self, cost: f64, most: f64) -> usize {
        self.costs.push(cost);
        self.most.push(most);
        self.costs.len() - 1
    }
}
