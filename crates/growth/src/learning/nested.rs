//! The nested normal model: records scatter about their cell, a cell about the level above it, and so
//! on up to the co-operative, which scatters about a fixed centre of 0.
//!
//! All variances are held as ratios to the variance of one record. Given these, everything is
//! Gaussian on a tree, so one pass from the leaves up and one down give the exact likelihood and
//! the exact posterior of every node in time linear in the nodes.

use super::level::LEVELS;

/// Ratios of the variance of a node about its parent to that of a record, by level from the top.
pub(super) type Ratios = [f64; LEVELS];

/// One node of the tree.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Node {
    /// Index of the parent, smaller than that of the node; `None` at the top.
    pub parent: Option<usize>,
    /// Level, 0 at the top.
    pub depth: usize,
    /// A value the node is held at. Records below then say nothing about the levels above.
    pub fixed: Option<f64>,
}

/// Sums of the records that belong to one node directly.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Cell {
    /// Weight: the number of records, each of variance 1.
    pub weight: f64,
    /// Weighted mean of the records.
    pub mean: f64,
    /// Sum of squares of the records about that mean.
    pub within: f64,
}

/// What the records below each node say about it, and together about the variances.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Gathered {
    /// Precision and mean of what lies below each node.
    below: Vec<(f64, f64)>,
    /// The quadratic form of the likelihood, to be divided by the variance of a record.
    pub quadratic: f64,
    /// The part of the log likelihood that depends on the ratios alone.
    pub log_density: f64,
}

/// Passes the records up the tree.
pub(super) fn gather(nodes: &[Node], cells: &[Cell], ratios: &Ratios) -> Gathered {
    let mut sums = vec![(0.0, 0.0, 0.0); nodes.len()];
    let mut below = vec![(0.0, 0.0); nodes.len()];
    let (mut quadratic, mut log_density) = (0.0, 0.0);
    for (index, (node, cell)) in nodes.iter().zip(cells).enumerate().rev() {
        let (mut precision, mut weighted, mut squares): (f64, f64, f64) = sums[index];
        if cell.weight > 0.0 {
            precision += cell.weight;
            weighted += cell.weight * cell.mean;
            squares += cell.weight * cell.mean * cell.mean;
            quadratic += cell.within;
        }
        if precision <= 0.0 {
            continue;
        }
        let mean = weighted / precision;
        below[index] = (precision, mean);
        quadratic += (squares - precision * mean * mean).max(0.0);
        log_density -= 0.5 * precision.ln();
        if let Some(value) = node.fixed {
            quadratic += precision * (mean - value) * (mean - value);
            log_density += 0.5 * precision.ln();
            continue;
        }
        let passed = precision / (1.0 + precision * ratios[node.depth]);
        log_density += 0.5 * passed.ln();
        match node.parent {
            Some(parent) => {
                sums[parent].0 += passed;
                sums[parent].1 += passed * mean;
                sums[parent].2 += passed * mean * mean;
            }
            None => quadratic += passed * mean * mean,
        }
    }
    Gathered {
        below,
        quadratic,
        log_density,
    }
}

impl Gathered {
    /// Passes down again: the mean of each node given all records, and its variance as a ratio to
    /// that of a record.
    pub(super) fn posterior(&self, nodes: &[Node], ratios: &Ratios) -> Vec<(f64, f64)> {
        let mut posterior: Vec<(f64, f64)> = Vec::with_capacity(nodes.len());
        for (node, &(precision, mean)) in nodes.iter().zip(&self.below) {
            let of_node = match node.fixed {
                Some(value) => (value, 0.0),
                None => {
                    let (above, above_variance) =
                        node.parent.map_or((0.0, 0.0), |parent| posterior[parent]);
                    let ratio = ratios[node.depth];
                    let kept = 1.0 / (1.0 + precision * ratio);
                    (
                        (1.0 - kept) * mean + kept * above,
                        ratio * kept + kept * kept * above_variance,
                    )
                }
            };
            posterior.push(of_node);
        }
        posterior
    }
}
