//! The normal model of all places: records scatter about their cell, a cell about the level above it
//! and what all crops at its station have in common, the level above about the next, and so on up to
//! the co-operative, which scatters about a fixed centre of 0; so do the stations.
//!
//! All variances are held as ratios to the variance of one record. Given these, everything is
//! Gaussian on a tree but for the stations, which lie across it. Passing up the tree leaves what the
//! records say of the stations, a system as large as there are stations; passing down again gives
//! the exact posterior of every node.

use super::level::LEVELS;

/// Ratios to the variance of a record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ratios {
    /// Of a node about its parent, by level from the top.
    pub levels: [f64; LEVELS],
    /// Of what all crops at a station have in common.
    pub station: f64,
}

/// One node of the tree.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Node {
    /// Index of the parent, smaller than that of the node; `None` at the top.
    pub parent: Option<usize>,
    /// Level, 0 at the top.
    pub depth: usize,
    /// The station whose part the node has; no node has children that has one.
    pub station: Option<usize>,
    /// A value the node is held at. Records below then say nothing about the levels above.
    pub fixed: Option<f64>,
}

/// The nodes, and the stations that lie across them.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Tree {
    /// Nodes, parents before children.
    pub nodes: Vec<Node>,
    /// The value that the part of each station is held at.
    pub stations: Vec<Option<f64>>,
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

/// What is said of a node's value x given the stations s, as `-½ (p x² + 2x c·s - 2h x)`.
#[derive(Debug, Clone, PartialEq, Default)]
struct Said {
    /// p.
    precision: f64,
    /// h.
    weighted: f64,
    /// c; empty while no station is met.
    by_station: Vec<f64>,
}

/// What the records below each node say about it, and together about the variances.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Gathered {
    /// What lies below each node.
    below: Vec<Said>,
    /// What is known of the stations.
    stations: Stations,
    /// The quadratic form of the likelihood, to be divided by the variance of a record.
    pub quadratic: f64,
    /// The part of the log likelihood that depends on the ratios alone.
    pub log_density: f64,
}

/// A system of equations in the stations, and its answer.
#[derive(Debug, Clone, PartialEq)]
struct Stations {
    means: Vec<f64>,
    /// Covariance, row by row.
    covariance: Vec<f64>,
}

/// What is known of every node and station: means, and variances as ratios to that of a record.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Posterior {
    /// Mean and variance of each node.
    pub nodes: Vec<(f64, f64)>,
    /// Mean and variance of the part of each station.
    pub stations: Vec<(f64, f64)>,
    /// Covariance of each node that has no station's part with each station.
    pub with_stations: Vec<Vec<f64>>,
}

/// Sums on the way up.
struct Rising {
    below: Vec<Said>,
    /// Quadratic form in the stations, row by row, and linear form.
    squares: Vec<f64>,
    linear: Vec<f64>,
    quadratic: f64,
    log_density: f64,
}

/// Passes the records up the tree.
pub(super) fn gather(tree: &Tree, cells: &[Cell], ratios: &Ratios) -> Gathered {
    let count = tree.stations.len();
    let mut sums = Rising {
        below: vec![Said::default(); tree.nodes.len()],
        squares: vec![0.0; count * count],
        linear: vec![0.0; count],
        quadratic: 0.0,
        log_density: 0.0,
    };
    for (index, (node, cell)) in tree.nodes.iter().zip(cells).enumerate().rev() {
        if cell.weight > 0.0 {
            let below = &mut sums.below[index];
            below.precision += cell.weight;
            below.weighted += cell.weight * cell.mean;
            sums.quadratic += cell.within + cell.weight * cell.mean * cell.mean;
        }
        if sums.below[index].precision <= 0.0 {
            continue;
        }
        match node.fixed {
            Some(value) => sums.hold(index, value),
            None => sums.pass(tree, index, ratios.levels[node.depth]),
        }
    }
    let (stations, quadratic, log_density) = sums.solve(tree, ratios.station);
    Gathered {
        below: sums.below,
        stations,
        quadratic: (sums.quadratic - quadratic).max(0.0),
        log_density: sums.log_density + log_density,
    }
}

impl Rising {
    /// The node is held at a value.
    fn hold(&mut self, index: usize, value: f64) {
        let below = &self.below[index];
        self.quadratic += value * (below.precision * value - 2.0 * below.weighted);
        for (linear, by) in self.linear.iter_mut().zip(&below.by_station) {
            *linear -= value * by;
        }
    }

    /// Passes what is said of a node on to its parent and its station.
    fn pass(&mut self, tree: &Tree, index: usize, ratio: f64) {
        let count = tree.stations.len();
        let node = &tree.nodes[index];
        let below = std::mem::take(&mut self.below[index]);
        let kept = 1.0 / (1.0 + below.precision * ratio);
        let lost = ratio * kept;
        self.log_density += 0.5 * kept.ln();
        self.quadratic -= lost * below.weighted * below.weighted;
        for (row, by) in below.by_station.iter().enumerate() {
            self.linear[row] -= lost * below.weighted * by;
            let squares = &mut self.squares[row * count..(row + 1) * count];
            for (square, other) in squares.iter_mut().zip(&below.by_station) {
                *square -= lost * by * other;
            }
        }
        let (precision, mut weighted) = (kept * below.precision, kept * below.weighted);
        let mut free = None;
        if let Some(station) = node.station {
            match tree.stations[station] {
                Some(value) => {
                    self.quadratic += value * (precision * value - 2.0 * weighted);
                    weighted -= precision * value;
                }
                None => {
                    self.squares[station * (count + 1)] += precision;
                    self.linear[station] += weighted;
                    free = Some(station);
                }
            }
        }
        if let Some(parent) = node.parent {
            let above = &mut self.below[parent];
            above.precision += precision;
            above.weighted += weighted;
            if free.is_some() || !below.by_station.is_empty() {
                above.by_station.resize(count, 0.0);
            }
            for (sum, by) in above.by_station.iter_mut().zip(&below.by_station) {
                *sum += kept * by;
            }
            if let Some(station) = free {
                above.by_station[station] += precision;
            }
        }
        self.below[index] = below;
    }

    /// Solves for the stations: what is known of them, and what they take from the quadratic form and
    /// add to the log likelihood.
    fn solve(&self, tree: &Tree, ratio: f64) -> (Stations, f64, f64) {
        let count = tree.stations.len();
        // Scaled by the ratio, so that one of 0 is as good as any other.
        let mut root: Vec<f64> = self.squares.iter().map(|square| ratio * square).collect();
        let mut log_density = 0.0;
        for row in 0..count {
            root[row * (count + 1)] += 1.0;
            for column in 0..=row {
                let known: f64 = (0..column)
                    .map(|before| root[row * count + before] * root[column * count + before])
                    .sum();
                let left = root[row * count + column] - known;
                root[row * count + column] = if row == column {
                    left.max(1e-12).sqrt()
                } else {
                    left / root[column * (count + 1)]
                };
            }
            log_density -= root[row * (count + 1)].ln();
        }
        // The inverse of the root, then of the system.
        let mut inverse = vec![0.0; count * count];
        for column in 0..count {
            for row in column..count {
                let known: f64 = (column..row)
                    .map(|before| root[row * count + before] * inverse[before * count + column])
                    .sum();
                let unit = f64::from(u8::from(row == column));
                inverse[row * count + column] = (unit - known) / root[row * (count + 1)];
            }
        }
        let mut covariance = vec![0.0; count * count];
        for row in 0..count {
            for column in 0..count {
                let from = row.max(column);
                let product: f64 = (from..count)
                    .map(|k| inverse[k * count + row] * inverse[k * count + column])
                    .sum();
                let is_free = tree.stations[row].is_none() && tree.stations[column].is_none();
                covariance[row * count + column] = if is_free { ratio * product } else { 0.0 };
            }
        }
        let means: Vec<f64> = (0..count)
            .map(|row| dot(&covariance[row * count..(row + 1) * count], &self.linear))
            .collect();
        let quadratic = dot(&means, &self.linear);
        let means = means.into_iter().zip(&tree.stations);
        let stations = Stations {
            means: means.map(|(mean, held)| held.unwrap_or(mean)).collect(),
            covariance,
        };
        (stations, quadratic, log_density)
    }
}

fn dot(one: &[f64], other: &[f64]) -> f64 {
    one.iter().zip(other).map(|(a, b)| a * b).sum()
}

impl Gathered {
    /// Passes down again.
    pub(super) fn posterior(&self, tree: &Tree, ratios: &Ratios) -> Posterior {
        let count = tree.stations.len();
        let means = &self.stations.means;
        let row =
            |station: usize| &self.stations.covariance[station * count..(station + 1) * count];
        let mut nodes: Vec<(f64, f64)> = Vec::with_capacity(tree.nodes.len());
        let mut with_stations: Vec<Vec<f64>> = Vec::with_capacity(tree.nodes.len());
        for (node, below) in tree.nodes.iter().zip(&self.below) {
            if let Some(value) = node.fixed {
                nodes.push((value, 0.0));
                with_stations.push(Vec::new());
                continue;
            }
            let (mut above, mut above_variance) =
                node.parent.map_or((0.0, 0.0), |parent| nodes[parent]);
            let of_above = node.parent.map_or(&[][..], |parent| &with_stations[parent]);
            let ratio = ratios.levels[node.depth];
            let kept = 1.0 / (1.0 + below.precision * ratio);
            let lost = ratio * kept;
            if let Some(station) = node.station {
                above += means[station];
                above_variance += row(station)[station];
                above_variance += 2.0 * of_above.get(station).copied().unwrap_or_default();
            }
            let mut mean = kept * above + lost * below.weighted;
            let mut variance = lost + kept * kept * above_variance;
            let mut with: Vec<f64> = Vec::new();
            if node.station.is_none() {
                with = of_above.iter().map(|of| kept * of).collect();
                with.resize(count, 0.0);
            }
            if !below.by_station.is_empty() {
                let by = &below.by_station;
                let known: Vec<f64> = (0..count).map(|station| dot(row(station), by)).collect();
                // Held stations were taken into account on the way up.
                for ((station, by), held) in by.iter().enumerate().zip(&tree.stations) {
                    mean -= lost * by * if held.is_none() { means[station] } else { 0.0 };
                }
                variance += lost * (lost * dot(by, &known) - 2.0 * kept * dot(of_above, by));
                for (with, known) in with.iter_mut().zip(&known) {
                    *with -= lost * known;
                }
            }
            nodes.push((mean, variance.max(0.0)));
            with_stations.push(with);
        }
        let stations = means.iter().enumerate();
        Posterior {
            nodes,
            stations: stations
                .map(|(station, mean)| (*mean, row(station)[station]))
                .collect(),
            with_stations,
        }
    }
}
