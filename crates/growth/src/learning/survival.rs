//! The share of containers that stand: beta-binomial sowings about the share of their cell, which
//! scatters about the level above by a beta distribution, and so on up to the crop profile.
//!
//! Each level passes its records on as a share and a number of trials that it is worth. A step of
//! concentration κ between two levels adds the variance `m(1-m)/(κ+1)`, so n trials beyond it are
//! worth `1 / (1/n + 1/(κ+1))`. For one level this is the beta-binomial model itself. Crops with
//! other expected shares meet on the scale of log odds, above the level of the crop.

use statrs::distribution::{Beta, ContinuousCDF as _};
use statrs::function::beta::ln_beta;
use statrs::function::gamma::ln_gamma;

use super::integrate::{NormalPrior, maximise, nodes, quantile};
use super::level::{Hierarchy, Level, Place};

/// Depth of the level at which all records have one expected share.
const CROP: usize = 2;

/// Points of the integral over the two variances.
const POINTS: u32 = 24;

/// Keeps shares off 0 and 1, where log odds end.
const LEAST_SHARE: f64 = 1e-6;

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

/// The two unknown variances: logarithm of the concentration of a level about the one above it,
/// and log odds of the correlation between the containers of one sowing.
type Unknown = [f64; 2];

/// A share and the trials it is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Worth {
    share: f64,
    trials: f64,
}

/// Log of the beta-binomial probability of `stood` among `sown`.
pub(super) fn log_probability(sown: u32, stood: u32, alpha: f64, beta: f64) -> f64 {
    let (n, k) = (f64::from(sown), f64::from(stood));
    let choices = ln_gamma(n + 1.0) - ln_gamma(k + 1.0) - ln_gamma(n - k + 1.0);
    choices + ln_beta(alpha + k, beta + n - k) - ln_beta(alpha, beta)
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

    /// As a prior for what lies one step further.
    fn beyond(self, concentration: f64) -> Self {
        let known = 1.0 / (self.trials + 1.0);
        Self {
            share: self.share,
            trials: 1.0 / (known + (1.0 - known) / (concentration + 1.0)) - 1.0,
        }
    }
}

/// Sums of stood and trials that reach each node from below, for one pair of variances.
#[derive(Debug, Clone, PartialEq)]
struct Sums {
    concentration: f64,
    correlation: f64,
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
        let step = sums.concentration + 1.0;
        let passed = trials * step / (trials + step);
        let (from, to) = (self.expected_at(node), self.expected_at(parent));
        let worth = if (from - to).abs() < 1e-12 {
            Worth {
                share: stood / trials,
                trials: passed,
            }
        } else {
            // One expected trial more keeps the log odds finite.
            Worth {
                share: (stood + from) / (trials + 1.0),
                trials: passed,
            }
            .moved(from, to)
        };
        (worth.share * worth.trials, worth.trials)
    }

    /// What all records but those below the end of a path say of it, the end's own level included.
    fn prior(&self, sums: &Sums, path: &[usize]) -> Worth {
        let top = Worth {
            share: self.common,
            trials: CERTAIN,
        };
        let mut worth = top.beyond(sums.concentration);
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
            let beyond = known.beyond(sums.concentration);
            worth = beyond.moved(self.expected_at(parent), self.expected_at(child));
        }
        worth
    }

    /// Takes all sowings in, cell by cell, and gives the log probability of each given those
    /// before it.
    fn take_in(&self, cells: &[CellStands], unknown: &Unknown) -> (f64, Sums) {
        let mut sums = Sums {
            concentration: unknown[0].exp(),
            correlation: share_of(unknown[1]),
            nodes: vec![(0.0, 0.0); self.hierarchy.nodes.len()],
        };
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
            let (mut stood, mut trials) = (0.0, 0.0);
            for &(sown, stands) in sowings {
                let total = prior.trials + trials;
                let share = (prior.trials * prior.share + stood) / total;
                let known = 1.0 / (total + 1.0);
                let one = 1.0 / (known + (1.0 - known) * sums.correlation) - 1.0;
                let share = share.clamp(LEAST_SHARE, 1.0 - LEAST_SHARE);
                log_density += log_probability(sown, stands, one * share, one * (1.0 - share));
                let n = f64::from(sown);
                let each = 1.0 / (1.0 + (n - 1.0) * sums.correlation);
                stood += f64::from(stands) * each;
                trials += n * each;
            }
            let mut before = self.messages(&sums, above);
            let parent_of_cell = above.last().copied();
            sums.nodes[cell] = (stood, trials);
            if let Some(parent) = parent_of_cell {
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
    pub(super) fn learn(
        hierarchy: Hierarchy,
        stands: &[Stand<'_>],
        prior: &NormalPrior<2>,
    ) -> Self {
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
        let density =
            |unknown: &Unknown| prior.log_density(unknown) + frame.take_in(&cells, unknown).0;
        let maximum = maximise(density, prior.means, 0.05, 4);
        let given = nodes(density, maximum, prior.standard_deviation, POINTS)
            .into_iter()
            .map(|(weight, unknown)| (weight, frame.take_in(&cells, &unknown).1))
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
                worth = worth.beyond(sums.concentration);
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

    /// Where the cumulative distribution reaches a probability between 0 and 1.
    pub(super) fn quantile(&self, probability: f64) -> f64 {
        if self.frozen {
            return self.mean();
        }
        let parts: Vec<(f64, Beta)> = self
            .parts
            .iter()
            .filter_map(|(weight, worth)| {
                let share = worth.share.clamp(LEAST_SHARE, 1.0 - LEAST_SHARE);
                let trials = worth.trials.min(CERTAIN);
                let beta = Beta::new(trials * share, trials * (1.0 - share)).ok()?;
                Some((*weight, beta))
            })
            .collect();
        let cumulative = |x: f64| parts.iter().map(|(weight, beta)| weight * beta.cdf(x)).sum();
        quantile(cumulative, (0.0, 1.0), probability)
    }
}
