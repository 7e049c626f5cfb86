//! The share of containers that stand: beta-binomial sowings about the share of their cell, which
//! scatters about the level above it by a beta distribution, and so on up to the crop profile.
//!
//! What is known of a node is a beta distribution, held as a share m and the trials n it is worth. A
//! step between two levels adds one variance to its log odds, which is `1 / (n m (1 - m))`, so that
//! crops of which few or many fall scatter alike. The records of a cell are taken in exactly, on a
//! grid, and passed on as the beta distribution with the same moments.

use statrs::distribution::{Beta, ContinuousCDF as _};
use statrs::function::beta::ln_beta;

use super::integrate::{maximise, nodes, quantile, standard_log_density};
use super::level::{Hierarchy, Level, Place};

/// Depth of the level at which all records have one expected share.
const CROP: usize = 2;

/// Points of the integral over the two variances.
const POINTS: u32 = 16;

/// Keeps shares off 0 and 1, where log odds end.
const LEAST_SHARE: f64 = 1e-5;

/// Trials of a value that is certain.
const CERTAIN: f64 = 1e12;

/// One sowing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stand<'a> {
    pub place: &'a Place,
    pub sown: u32,
    pub stood: u32,
    /// The share that the profile expects.
    pub expected: f64,
}

/// What is assumed of the two variances before there are records: medians.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SurvivalPrior {
    /// Variance of the log odds of a level about the one above it.
    pub variance: f64,
    /// Correlation between the containers of one sowing.
    pub correlation: f64,
}

impl SurvivalPrior {
    /// Variance and correlation for unknown figures that are standard normal in the prior.
    fn scales(&self, unknown: &[f64; 2]) -> (f64, f64) {
        (
            self.variance * unknown[0].exp(),
            share_of(log_odds(self.correlation) + unknown[1]),
        )
    }
}

/// A share and the trials it is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Worth {
    pub share: f64,
    pub trials: f64,
}

fn log_odds(share: f64) -> f64 {
    let share = share.clamp(LEAST_SHARE, 1.0 - LEAST_SHARE);
    (share / (1.0 - share)).ln()
}

fn share_of(log_odds: f64) -> f64 {
    1.0 / (1.0 + (-log_odds).exp())
}

impl Worth {
    /// The same on the scale of another expected share: log odds move by the difference and keep
    /// their variance.
    fn moved(self, from: f64, to: f64) -> Self {
        if (from - to).abs() < 1e-12 {
            return self;
        }
        let share = share_of(log_odds(self.share) - log_odds(from) + log_odds(to))
            .clamp(LEAST_SHARE, 1.0 - LEAST_SHARE);
        let before = self.share * (1.0 - self.share);
        Self {
            share,
            trials: self.trials * before / (share * (1.0 - share)),
        }
    }

    /// What it is worth one step further, where log odds have another `variance`.
    fn beyond(self, variance: f64) -> Self {
        let share = self.share.clamp(LEAST_SHARE, 1.0 - LEAST_SHARE);
        // The log odds of a beta distribution have a variance of about 1 / (trials m (1 - m)).
        let product = share * (1.0 - share);
        Self {
            share: self.share,
            trials: self.trials / (1.0 + self.trials * product * variance),
        }
    }
}

/// Shares, evenly spaced in log odds, with what sowings say of each.
pub(super) struct Grid {
    correlation: f64,
    points: Vec<GridPoint>,
    /// Sums of `ln(φ + j)` for j below each count, φ the concentration of a sowing.
    all: Vec<f64>,
}

struct GridPoint {
    share: f64,
    log_share: f64,
    log_rest: f64,
    /// Sums of `ln(φ share + j)` and of `ln(φ (1 - share) + j)` for j below each count.
    stood: Vec<f64>,
    fallen: Vec<f64>,
}

/// Distance of the grid's points in log odds.
const STEP: f64 = 0.3;

/// Trials beyond which the grid is too coarse for moments, and a beta distribution fits anyway.
const FINEST_TRIALS: f64 = 300.0;

impl Grid {
    /// All shares, for sowings of at most so many containers.
    fn new(correlation: f64, most: u32) -> Self {
        let shares: Vec<f64> = (-30..=30)
            .map(|step| share_of(STEP * f64::from(step)))
            .collect();
        Self::around(&shares, correlation, most)
    }

    /// Some shares, in ascending order.
    pub(super) fn around(shares: &[f64], correlation: f64, most: u32) -> Self {
        let concentration = 1.0 / correlation - 1.0;
        let sums = |start: f64| {
            let mut sum = 0.0;
            let mut sums = vec![0.0];
            for below in 0..most {
                sum += (start + f64::from(below)).ln();
                sums.push(sum);
            }
            sums
        };
        let points = shares.iter().map(|&share| GridPoint {
            share,
            log_share: share.ln(),
            log_rest: (1.0 - share).ln(),
            stood: sums(concentration * share),
            fallen: sums(concentration * (1.0 - share)),
        });
        Self {
            correlation,
            points: points.collect(),
            all: sums(concentration),
        }
    }

    /// Log probability of the sowings of a cell, but for the number of choices, and what they are
    /// worth: the stood and trials of the beta distribution with the moments of the posterior,
    /// less those of the prior.
    pub(super) fn learn(&self, prior: Worth, sowings: &[(u32, u32)]) -> (f64, (f64, f64)) {
        let (mut stood, mut trials) = (0.0, 0.0);
        for &(sown, stands) in sowings {
            let n = f64::from(sown);
            let each = 1.0 / (1.0 + (n - 1.0) * self.correlation);
            stood += f64::from(stands) * each;
            trials += n * each;
        }
        let share = prior.share.clamp(LEAST_SHARE, 1.0 - LEAST_SHARE);
        let (alpha, beta) = (prior.trials * share, prior.trials * (1.0 - share));
        let of_sowings = |point: &GridPoint| {
            let of_each = sowings.iter().map(|&(sown, stands)| {
                point.stood[stands as usize] + point.fallen[(sown - stands) as usize]
                    - self.all[sown as usize]
            });
            of_each.sum::<f64>()
        };
        if prior.trials > FINEST_TRIALS {
            let nearest = self
                .points
                .partition_point(|point| point.share < share - 1e-12);
            let evidence = self.points.get(nearest).map_or(0.0, of_sowings);
            return (evidence, (stood, trials));
        }
        let logs: Vec<f64> = self
            .points
            .iter()
            .map(|point| alpha * point.log_share + beta * point.log_rest + of_sowings(point))
            .collect();
        let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
        for (log, point) in logs.iter().zip(&self.points) {
            let weight = (log - highest).exp();
            total += weight;
            first += weight * point.share;
            second += weight * point.share * (1.0 - point.share);
        }
        let mean = first / total;
        // Variance of a beta distribution: mean (1 - mean) / (trials + 1).
        let variance = (mean * (1.0 - mean) - second / total).max(1e-15);
        let all = mean * (1.0 - mean) / variance - 1.0;
        let exact = (trials <= FINEST_TRIALS).then(|| {
            let trials = (all - prior.trials).max(0.0);
            ((all * mean - alpha).clamp(0.0, trials), trials)
        });
        let evidence = (total * STEP).ln() + highest - ln_beta(alpha, beta);
        (evidence, exact.unwrap_or((stood, trials)))
    }
}

/// Sums of stood and trials that reach each node from below, for one pair of variances.
#[derive(Debug, Clone, PartialEq)]
struct Sums {
    variance: f64,
    /// Stood and trials.
    nodes: Vec<(f64, f64)>,
}

/// The sowings of one cell.
struct CellStands {
    /// Its nodes from the top.
    path: Vec<usize>,
    /// Containers sown and stood, in ascending order.
    sowings: Vec<(u32, u32)>,
}

/// The tree and what the profile expects.
struct Frame<'a> {
    hierarchy: &'a Hierarchy,
    /// Expected share of each node from the level of the crop down.
    expected: &'a [f64],
    /// The share on whose scale all crops meet.
    common: f64,
}

impl Frame<'_> {
    fn expected_at(&self, node: usize) -> f64 {
        if self.hierarchy.nodes[node].depth < CROP {
            self.common
        } else {
            self.expected[node]
        }
    }

    /// What a node passes up, on the scale of its parent: stood and trials.
    fn message(&self, sums: &Sums, node: usize, parent: usize) -> (f64, f64) {
        let (stood, trials) = sums.nodes[node];
        if trials <= 0.0 || self.hierarchy.nodes[node].fixed.is_some() {
            return (0.0, 0.0);
        }
        let (from, to) = (self.expected_at(node), self.expected_at(parent));
        // One expected trial more keeps the log odds finite.
        let worth = Worth {
            share: (stood + from) / (trials + 1.0),
            trials,
        };
        let worth = worth.beyond(sums.variance).moved(from, to);
        (worth.share * worth.trials, worth.trials)
    }

    /// What all records but those below the end of a path say of it, the end's own level included.
    fn prior(&self, sums: &Sums, path: &[usize]) -> Worth {
        let top = Worth {
            share: self.common,
            trials: CERTAIN,
        };
        let mut worth = top.beyond(sums.variance);
        for pair in path.windows(2) {
            let &[parent, child] = pair else { continue };
            let known = match self.hierarchy.nodes[parent].fixed {
                Some(share) => Worth {
                    share,
                    trials: CERTAIN,
                },
                None => {
                    let (stood, trials) = sums.nodes[parent];
                    let (own_stood, own_trials) = self.message(sums, child, parent);
                    let beside = (trials - own_trials).max(0.0);
                    let total = worth.trials + beside;
                    Worth {
                        share: (worth.trials * worth.share + (stood - own_stood).max(0.0)) / total,
                        trials: total,
                    }
                }
            };
            let beyond = known.beyond(sums.variance);
            worth = beyond.moved(self.expected_at(parent), self.expected_at(child));
        }
        worth
    }

    /// Takes all sowings in, cell by cell, and gives the log probability of each cell's given those
    /// of the cells before it.
    fn take_in(&self, cells: &[CellStands], (variance, correlation): (f64, f64)) -> (f64, Sums) {
        let mut sums = Sums {
            variance,
            nodes: vec![(0.0, 0.0); self.hierarchy.nodes.len()],
        };
        let most = cells
            .iter()
            .flat_map(|cell| &cell.sowings)
            .map(|(sown, _)| *sown);
        let grid = Grid::new(correlation, most.max().unwrap_or(0));
        let mut log_density = 0.0;
        for CellStands { path, sowings } in cells {
            let Some((&cell, above)) = path.split_last() else {
                continue;
            };
            let prior = match self.hierarchy.nodes[cell].fixed {
                Some(share) => Worth {
                    share,
                    trials: CERTAIN,
                },
                None => self.prior(&sums, path),
            };
            let (evidence, worth) = grid.learn(prior, sowings);
            log_density += evidence;
            let mut before = self.messages(&sums, above);
            sums.nodes[cell] = worth;
            if let Some(&parent) = above.last() {
                let (stood, trials) = self.message(&sums, cell, parent);
                sums.nodes[parent].0 += stood;
                sums.nodes[parent].1 += trials;
            }
            for pair in above.windows(2).rev() {
                let &[parent, child] = pair else { continue };
                let (stood, trials) = self.message(&sums, child, parent);
                let (old_stood, old_trials) = before.pop().unwrap_or_default();
                sums.nodes[parent].0 += stood - old_stood;
                sums.nodes[parent].1 += trials - old_trials;
            }
        }
        (log_density, sums)
    }

    fn messages(&self, sums: &Sums, path: &[usize]) -> Vec<(f64, f64)> {
        path.windows(2)
            .map(|pair| self.message(sums, pair[1], pair[0]))
            .collect()
    }
}

/// The survival of all places.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Survivals {
    hierarchy: Hierarchy,
    expected: Vec<f64>,
    common: f64,
    counts: Vec<usize>,
    given: Vec<(f64, Sums)>,
}

impl Survivals {
    pub(super) fn learn(hierarchy: Hierarchy, stands: &[Stand<'_>], prior: &SurvivalPrior) -> Self {
        let mut sorted: Vec<(usize, &Stand<'_>)> = stands
            .iter()
            .filter_map(|stand| Some((hierarchy.cell(stand.place)?, stand)))
            .collect();
        // An order of their own makes sums independent of the order they come in.
        sorted.sort_unstable_by(|(cell, a), (other, b)| {
            (cell, a.sown, a.stood)
                .cmp(&(other, b.sown, b.stood))
                .then(a.expected.total_cmp(&b.expected))
        });
        let (expected, common) = expected_shares(&hierarchy, &sorted);
        let mut cells: Vec<CellStands> = Vec::new();
        let mut counts = vec![0; hierarchy.nodes.len()];
        for &(cell, stand) in &sorted {
            let path = hierarchy.path(stand.place);
            for &node in path {
                counts[node] += 1;
            }
            match cells.last_mut() {
                Some(last) if last.path.last() == Some(&cell) => {
                    last.sowings.push((stand.sown, stand.stood));
                }
                _ => cells.push(CellStands {
                    path: path.to_vec(),
                    sowings: vec![(stand.sown, stand.stood)],
                }),
            }
        }
        let frame = Frame {
            hierarchy: &hierarchy,
            expected: &expected,
            common,
        };
        let density = |unknown: &[f64; 2]| {
            standard_log_density(unknown) + frame.take_in(&cells, prior.scales(unknown)).0
        };
        let maximum = maximise(density, [0.0; 2], 0.05, 4);
        let given = nodes(density, maximum, POINTS)
            .into_iter()
            .map(|(weight, unknown)| (weight, frame.take_in(&cells, prior.scales(&unknown)).1))
            .collect();
        Self {
            given,
            expected,
            common,
            counts,
            hierarchy,
        }
    }

    /// The survival of a place at a level, where the profile expects this share.
    pub(super) fn at(&self, place: &Place, level: Level, expected: f64) -> ShareBelief {
        let path = self.hierarchy.path(place);
        let path = &path[..path.len().min(level.depth() + 1)];
        let frame = Frame {
            hierarchy: &self.hierarchy,
            expected: &self.expected,
            common: self.common,
        };
        let parts = self.given.iter().map(|(weight, sums)| {
            let worth = self.given_sums(&frame, sums, place, path, level, expected);
            (*weight, worth)
        });
        ShareBelief {
            parts: parts.collect(),
            basis: path
                .len()
                .checked_sub(1)
                .and_then(|depth| Level::ALL.get(depth).copied()),
            sowings: path.last().map_or(0, |&node| self.counts[node]),
            frozen: self.hierarchy.frozen_at(place, level.depth()).is_some(),
        }
    }

    fn given_sums(
        &self,
        frame: &Frame<'_>,
        sums: &Sums,
        place: &Place,
        path: &[usize],
        level: Level,
        expected: f64,
    ) -> Worth {
        // Without any record there is no common scale but that of the crop itself.
        let common = if self.hierarchy.nodes.is_empty() {
            expected
        } else {
            self.common
        };
        let (mut worth, mut scale) = match path.last() {
            Some(&node) => {
                let prior = frame.prior(sums, path);
                let (stood, trials) = sums.nodes[node];
                let total = prior.trials + trials;
                let share = (prior.trials * prior.share + stood) / total;
                (
                    Worth {
                        share,
                        trials: total,
                    },
                    frame.expected_at(node),
                )
            }
            None => (
                Worth {
                    share: common,
                    trials: CERTAIN,
                },
                common,
            ),
        };
        for depth in path.len().saturating_sub(1)..=level.depth() {
            if depth >= path.len() {
                worth = worth.beyond(sums.variance);
            }
            if let Some(share) = self.hierarchy.frozen_at(place, depth) {
                // A frozen share is a share of this crop, whatever its profile expects.
                worth = Worth {
                    share,
                    trials: CERTAIN,
                };
                scale = expected;
            }
        }
        worth.moved(scale, expected)
    }
}

/// Expected share of each node, weighted by containers, and of all together.
fn expected_shares(hierarchy: &Hierarchy, stands: &[(usize, &Stand<'_>)]) -> (Vec<f64>, f64) {
    let mut sums = vec![(0.0, 0.0); hierarchy.nodes.len()];
    for &(cell, stand) in stands {
        sums[cell].0 += f64::from(stand.sown) * stand.expected;
        sums[cell].1 += f64::from(stand.sown);
    }
    for index in (0..sums.len()).rev() {
        if let Some(parent) = hierarchy.nodes[index].parent {
            sums[parent].0 += sums[index].0;
            sums[parent].1 += sums[index].1;
        }
    }
    let mut shares: Vec<f64> = Vec::with_capacity(sums.len());
    for (index, &(weighted, containers)) in sums.iter().enumerate() {
        let node = &hierarchy.nodes[index];
        let of_parent = node.parent.filter(|_| node.depth > CROP);
        shares.push(of_parent.map_or(weighted / containers, |parent| shares[parent]));
    }
    let common = shares.first().copied().unwrap_or(0.5);
    (shares, common)
}

/// Posterior of a share: a mixture of beta distributions.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ShareBelief {
    parts: Vec<(f64, Worth)>,
    /// The narrowest level that has records.
    pub basis: Option<Level>,
    /// Sowings at that level.
    pub sowings: usize,
    /// Whether a coordinator holds the share at its value.
    pub frozen: bool,
}

impl ShareBelief {
    pub(super) fn mean(&self) -> f64 {
        if self.frozen {
            return self.parts.first().map_or(0.0, |(_, worth)| worth.share);
        }
        self.parts
            .iter()
            .map(|(weight, worth)| weight * worth.share)
            .sum()
    }

    /// Probability that it lies below `share`.
    pub(super) fn probability_below(&self, share: f64) -> f64 {
        if self.frozen {
            return f64::from(u8::from(share > self.mean()));
        }
        let of_part = |(weight, worth): &(f64, Worth)| {
            let centre = worth.share.clamp(LEAST_SHARE, 1.0 - LEAST_SHARE);
            let beta = Beta::new(worth.trials * centre, worth.trials * (1.0 - centre));
            weight * beta.map_or(f64::NAN, |beta| beta.cdf(share.clamp(0.0, 1.0)))
        };
        self.parts.iter().map(of_part).sum()
    }

    /// Where the cumulative distribution reaches a probability between 0 and 1.
    pub(super) fn quantile(&self, probability: f64) -> f64 {
        if self.frozen {
            return self.mean();
        }
        quantile(|x| self.probability_below(x), (0.0, 1.0), probability)
    }
}
