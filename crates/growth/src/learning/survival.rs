//! The share of containers that stand: beta-binomial sowings about the share of their cell. Log odds of
//! a cell scatter normally about those of the level above it and what all crops at its station have in
//! common, and so on up to the crop profile.
//!
//! **Scale.** The mean of a logistic-normal share with log odds of mean m and variance v is about
//! `logistic(m / √(1 + k v))`, k = (16√3/15π)² (Zeger, Liang & Albert, Models for longitudinal data,
//! Biometrics 44:1049-1060, 1988). So that the share of a level is the mean of the shares below it, the
//! log odds of a step of variance v lie about those of the level above times r, `r = √(1 + k v)`.
//! Divided by r once a level they are a nested normal model again, whose top lies about the log
//! odds that the profile expects; what is learned is the distance from these, of all crops alike.
//!
//! **Inference.** Given the variances, what the sowings of a cell say is put in place of a normal
//! message with the same effect on mean and variance, given all other cells (expectation propagation;
//! Minka, UAI 2001), and the tree is exact. The variances are integrated over.

use statrs::distribution::{ContinuousCDF as _, Normal};
use statrs::function::gamma::ln_gamma;

use super::integrate::{maximise, nodes, quantile, spread, standard_log_density};
use super::level::{Counts, Hierarchy, LEVELS, Level, Place};
use super::nested::{Cell, Node, Posterior, Ratios, Tree, gather};

/// Depth of the level at which all records have one expected share.
const CROP: usize = 2;

/// Points of the integral over the variances, and how much wider than the curvature at the maximum asks
/// for they are spread: few losses tell little of variances, so tails are heavy.
const POINTS: u32 = 48;
const WIDER: f64 = 1.5;

/// The least and the most times the assumed deviation that levels may scatter by. Losses are so few that
/// a term can hardly tell little scatter from none, and intervals that took it for none were too
/// narrow.
pub(super) const SPREAD: (f64, f64) = (0.15, 1.9);

/// Standard deviation, in the prior, of the logarithm of the ratio between the stations' variance and
/// that of a level.
pub(super) const STATIONS_ALONE: f64 = 1.0;

/// Keeps shares off 0 and 1, where log odds end.
const LEAST_SHARE: f64 = 1e-5;

/// Keeps expected shares off 0 and 1: however many seeds are sown, a container may fall over.
const LEAST_EXPECTED: f64 = 0.005;

/// (16√3/15π)².
const LOGISTIC_NORMAL: f64 = 0.345_838;

/// Rounds of passing messages.
const ROUNDS: usize = 3;

/// One sowing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stand<'a> {
    pub place: &'a Place,
    pub sown: u32,
    pub stood: u32,
    /// The share that the profile expects.
    pub expected: f64,
}

/// What is assumed of the two variances before there are records.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SurvivalPrior {
    /// Variance of the log odds of a level about the one above it, before the spread.
    pub variance: f64,
    /// The same of what all crops at a station have in common.
    pub station: f64,
    /// Correlation between the containers of one sowing: median.
    pub correlation: f64,
}

/// The variances.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Scales {
    /// Of the log odds of a level about the one above it.
    level: f64,
    /// Of what all crops at a station have in common.
    station: f64,
    /// Correlation between the containers of one sowing.
    correlation: f64,
}

/// Unknown figures behind them.
const UNKNOWN: usize = 3;

impl SurvivalPrior {
    /// The variances for unknown figures that are standard normal in the prior.
    fn scales(&self, unknown: &[f64; UNKNOWN]) -> Scales {
        let common = spread(SPREAD, unknown[0]).powi(2);
        Scales {
            level: self.variance * common,
            station: self.station * common * (STATIONS_ALONE * unknown[2]).exp(),
            correlation: share_of(log_odds(self.correlation) + unknown[1]),
        }
    }
}

fn log_odds(share: f64) -> f64 {
    let share = share.clamp(LEAST_SHARE, 1.0 - LEAST_SHARE);
    (share / (1.0 - share)).ln()
}

fn expected_log_odds(share: f64) -> f64 {
    log_odds(share.clamp(LEAST_EXPECTED, 1.0 - LEAST_EXPECTED))
}

fn share_of(log_odds: f64) -> f64 {
    1.0 / (1.0 + (-log_odds).exp())
}

/// The scale of each level, for one variance of a step and one of the stations.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Scale {
    /// What the distances of a level are multiplied by to be log odds.
    stretch: [f64; LEVELS],
    /// Variance of the distance of a level about the one above it.
    steps: Ratios,
}

impl Scale {
    fn new(scales: &Scales) -> Self {
        let stretch_of = |variance: f64| (1.0 + LOGISTIC_NORMAL * variance).sqrt();
        let mut stretch = [1.0; LEVELS];
        let mut so_far = 1.0;
        for of_level in &mut stretch {
            so_far *= stretch_of(scales.level);
            *of_level = so_far;
        }
        // The last step is one of two parts: the station's, and that of the crop there.
        let cell = &mut stretch[LEVELS - 1];
        *cell *= stretch_of(scales.level + scales.station) / stretch_of(scales.level);
        Self {
            stretch,
            steps: Ratios {
                levels: stretch.map(|of_level| scales.level / (of_level * of_level)),
                station: scales.station / (stretch[LEVELS - 1] * stretch[LEVELS - 1]),
            },
        }
    }

    /// How far a share at a level lies from what is expected.
    fn distance(&self, depth: usize, share: f64, expected: f64) -> f64 {
        log_odds(share) / self.stretch[depth] - expected_log_odds(expected)
    }
}

/// Shares with what sowings say of each.
pub(super) struct Shares {
    points: Vec<SharePoint>,
    /// Of the concentration φ of a sowing.
    all: Rising,
}

struct SharePoint {
    /// Of `φ share` and of `φ (1 - share)`.
    stood: Rising,
    fallen: Rising,
}

/// Sums of `ln(start + j)` for j below a count, in a table as far as it pays.
struct Rising {
    start: f64,
    sums: Vec<f64>,
}

/// Counts that are tabled.
const TABLED: u32 = 256;

impl Rising {
    fn new(start: f64, most: u32) -> Self {
        let mut sum = 0.0;
        let mut sums = vec![0.0];
        for below in 0..most.min(TABLED) {
            sum += (start + f64::from(below)).ln();
            sums.push(sum);
        }
        Self { start, sums }
    }

    fn of(&self, count: u32) -> f64 {
        let tabled = self.sums.get(count as usize).copied();
        tabled.unwrap_or_else(|| ln_gamma(self.start + f64::from(count)) - ln_gamma(self.start))
    }
}

impl Shares {
    /// For sowings of at most so many containers.
    pub(super) fn new(shares: &[f64], correlation: f64, most: u32) -> Self {
        let concentration = 1.0 / correlation - 1.0;
        let points = shares.iter().map(|&share| SharePoint {
            stood: Rising::new(concentration * share, most),
            fallen: Rising::new(concentration * (1.0 - share), most),
        });
        Self {
            points: points.collect(),
            all: Rising::new(concentration, most),
        }
    }

    /// Log probability of sowings (sown, stood) at each share, but for the number of choices.
    pub(super) fn log_likelihood(&self, sowings: &[(u32, u32)]) -> Vec<f64> {
        let at = |point: &SharePoint| {
            let each = sowings.iter().map(|&(sown, stands)| {
                point.stood.of(stands) + point.fallen.of(sown - stands) - self.all.of(sown)
            });
            each.sum()
        };
        self.points.iter().map(at).collect()
    }
}

/// Distance in log odds of the points at which the sowings of a cell are valued, and their number to
/// either side of even odds.
const STEP: f64 = 0.2;
const HALF: i32 = 56;

/// Every so many of the points a belief is looked at first: sums over points as far apart as a normal
/// density is wide give its moments to ten digits.
const STRIDE: usize = 2;

/// A belief narrower than this, in log odds, is integrated again, over points as near as it is narrow.
const NARROW: f64 = 0.5;

/// What the sowings of a cell say of its log odds.
struct Voice {
    log_likelihood: Vec<f64>,
}

impl Voice {
    /// Quadratic interpolation between the points.
    fn at(&self, log_odds: f64) -> f64 {
        let place = log_odds / STEP + f64::from(HALF);
        let last = self.log_likelihood.len() as f64 - 2.0;
        let middle = place.round().clamp(1.0, last);
        let index = middle as usize;
        let (left, here, right) = (
            self.log_likelihood[index - 1],
            self.log_likelihood[index],
            self.log_likelihood[index + 1],
        );
        let off = (place - middle).clamp(-1.0, 1.0);
        here + 0.5 * off * (right - left) + 0.5 * off * off * (right - 2.0 * here + left)
    }

    /// Log of the probability of the sowings under a normal belief, and mean and variance after them.
    fn moments(&self, mean: f64, variance: f64) -> (f64, f64, f64) {
        let deviation = variance.sqrt();
        let log_density = |x: f64| self.at(x) - 0.5 * (x - mean) * (x - mean) / variance;
        let over = |points: &mut dyn Iterator<Item = f64>| {
            let valued: Vec<(f64, f64)> = points.map(|x| (x, log_density(x))).collect();
            let highest = valued
                .iter()
                .map(|(_, log)| *log)
                .fold(f64::NEG_INFINITY, f64::max);
            let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
            for (x, log) in valued {
                let weight = (log - highest).exp();
                total += weight;
                first += weight * (x - mean);
                second += weight * (x - mean) * (x - mean);
            }
            let shift = first / total;
            let spread = (second / total - shift * shift).max(1e-12);
            (highest, total, mean + shift, spread)
        };
        let points = (-HALF..=HALF).step_by(STRIDE);
        let whole = &mut points.map(|point| STEP * f64::from(point));
        let (mut highest, mut total, mut centre, mut spread) = over(whole);
        let mut step = STEP * STRIDE as f64;
        // Too narrow for the points: again about the middle, between them.
        for least in [STEP, 1e-3] {
            let width = spread.sqrt().min(deviation);
            if width >= NARROW {
                break;
            }
            step = width.max(least) / 3.0;
            let middle = if deviation < STEP { mean } else { centre };
            let near = &mut (-24..=24).map(|point| middle + step * f64::from(point));
            (highest, total, centre, spread) = over(near);
        }
        let log_evidence =
            highest + (total * step).ln() - 0.5 * (2.0 * std::f64::consts::PI * variance).ln();
        (log_evidence, centre, spread)
    }
}

/// The sowings of one cell.
struct CellStands {
    cell: usize,
    /// Containers sown and stood, in ascending order.
    sowings: Vec<(u32, u32)>,
}

/// Beliefs about all nodes for one pair of variances.
#[derive(Debug, Clone, PartialEq)]
struct Given {
    weight: f64,
    scale: Scale,
    /// What is known of the distances.
    posterior: Posterior,
}

/// The tree and what the profile expects.
struct Frame<'a> {
    hierarchy: &'a Hierarchy,
    /// Expected share of each node from the level of the crop down.
    expected: &'a [f64],
    cells: &'a [CellStands],
    most: u32,
}

impl Frame<'_> {
    /// Takes all sowings in: their log probability, and what is known of each node after them.
    fn take_in(&self, scales: &Scales) -> (f64, Scale, Posterior) {
        let scale = Scale::new(scales);
        let tree = self.tree(&scale);
        let points: Vec<f64> = (-HALF..=HALF)
            .map(|point| share_of(STEP * f64::from(point)))
            .collect();
        let shares = Shares::new(&points, scales.correlation, self.most);
        let voices: Vec<Voice> = self
            .cells
            .iter()
            .map(|of_cell| Voice {
                log_likelihood: shares.log_likelihood(&of_cell.sowings),
            })
            .collect();
        // From distances of a cell to its log odds.
        let stretch = scale.stretch[LEVELS - 1];
        let mut messages = vec![Cell::default(); tree.nodes.len()];
        let mut corrections = vec![0.0; self.cells.len()];
        for _ in 0..ROUNDS {
            let known = gather(&tree, &messages, &scale.steps).posterior(&tree, &scale.steps);
            for ((of_cell, voice), correction) in
                self.cells.iter().zip(&voices).zip(&mut corrections)
            {
                let message = &mut messages[of_cell.cell];
                let (mean, variance) = known.nodes[of_cell.cell];
                let centre = expected_log_odds(self.expected[of_cell.cell]);
                if variance <= 0.0 {
                    *correction = voice.at(stretch * (centre + mean));
                    continue;
                }
                // What all others say: the belief without this cell's own message.
                let precision = (1.0 / variance - message.weight).max(1e-6);
                let without = (mean / variance - message.weight * message.mean) / precision;
                let (evidence, after, spread) =
                    voice.moments(stretch * (centre + without), stretch * stretch / precision);
                let (after, spread) = (after / stretch - centre, spread / (stretch * stretch));
                let weight = (1.0 / spread - precision).max(0.0);
                *message = Cell::default();
                if weight > 1e-9 {
                    message.weight = weight;
                    message.mean = (after / spread - precision * without) / weight;
                }
                // So that the message is as probable as the sowings, given all others.
                let passed = weight * precision / (weight + precision);
                let off = message.mean - without;
                *correction = evidence + 0.5 * passed * off * off
                    - 0.5 * (precision / (weight + precision)).ln();
            }
        }
        let gathered = gather(&tree, &messages, &scale.steps);
        let log_density = gathered.log_density - 0.5 * gathered.quadratic;
        (
            log_density + corrections.iter().sum::<f64>(),
            scale,
            gathered.posterior(&tree, &scale.steps),
        )
    }

    /// The tree with the shares that are held as distances.
    fn tree(&self, scale: &Scale) -> Tree {
        let held = |(node, &expected): (&Node, &f64)| Node {
            fixed: node
                .fixed
                .map(|share| scale.distance(node.depth, share, expected)),
            ..node.clone()
        };
        let tree = &self.hierarchy.tree;
        Tree {
            nodes: tree.nodes.iter().zip(self.expected).map(held).collect(),
            stations: tree.stations.clone(),
        }
    }
}

/// The survival of all places.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Survivals {
    hierarchy: Hierarchy,
    counts: Counts,
    given: Vec<Given>,
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
        let expected = expected_shares(&hierarchy, &sorted);
        let mut cells: Vec<CellStands> = Vec::new();
        let counts = hierarchy.counts(sorted.iter().map(|(cell, _)| *cell));
        for &(cell, stand) in &sorted {
            let sowing = (stand.sown, stand.stood);
            match cells.last_mut() {
                Some(last) if last.cell == cell => last.sowings.push(sowing),
                _ => cells.push(CellStands {
                    cell,
                    sowings: vec![sowing],
                }),
            }
        }
        let frame = Frame {
            hierarchy: &hierarchy,
            expected: &expected,
            cells: &cells,
            most: stands.iter().map(|stand| stand.sown).max().unwrap_or(0),
        };
        let at = |unknown: &[f64; UNKNOWN]| {
            let (log_likelihood, scale, posterior) = frame.take_in(&prior.scales(unknown));
            let log_density = standard_log_density(unknown) + log_likelihood;
            (log_density, (scale, posterior))
        };
        let maximum = maximise(|unknown| at(unknown).0, [0.0; UNKNOWN], 0.05, 4);
        let given = nodes(at, maximum, (POINTS, WIDER))
            .into_iter()
            .map(|(weight, (scale, posterior))| Given {
                weight,
                scale,
                posterior,
            })
            .collect();
        Self {
            given,
            counts,
            hierarchy,
        }
    }

    /// The survival of a place at a level, where the profile expects this share.
    pub(super) fn at(&self, place: &Place, level: Level, expected: f64) -> ShareBelief {
        let path = self.hierarchy.path(place);
        let path = &path[..path.len().min(level.depth() + 1)];
        let held = |depth| self.hierarchy.frozen_at(place, depth);
        let parts = self.given.iter().map(|given| {
            // A frozen share is a share of this crop, whatever its profile expects.
            let held_at =
                |depth| held(depth).map(|share| given.scale.distance(depth, share, expected));
            let known = (&given.posterior, &given.scale.steps);
            let (mean, variance) = self.hierarchy.known(place, level, known, held_at);
            let stretch = given.scale.stretch[level.depth()];
            Part {
                weight: given.weight,
                location: stretch * (expected_log_odds(expected) + mean),
                variance: stretch * stretch * variance,
            }
        });
        ShareBelief {
            parts: parts.collect(),
            unmoved: (path.is_empty() && (0..=level.depth()).all(|depth| held(depth).is_none()))
                .then_some(expected),
            basis: path
                .len()
                .checked_sub(1)
                .and_then(|depth| Level::ALL.get(depth).copied()),
            sowings: path.last().map_or(0, |&node| self.counts.nodes[node]),
            held: held(level.depth()),
        }
    }

    /// What would stand of a crop of which the profile expects this share, by what all crops at the
    /// station of a place have in common alone.
    pub(super) fn at_station(&self, place: &Place, expected: f64) -> ShareBelief {
        let parts = self.given.iter().map(|given| {
            let (scale, posterior) = (&given.scale, &given.posterior);
            let (mean, variance) = self.hierarchy.known_station(place, posterior, &scale.steps);
            let stretch = scale.stretch[LEVELS - 1];
            let squared = stretch * stretch;
            let own = (1.0 + LOGISTIC_NORMAL * squared * scale.steps.station).sqrt();
            Part {
                weight: given.weight,
                location: own * expected_log_odds(expected) + stretch * mean,
                variance: squared * variance,
            }
        });
        let station = self.hierarchy.station(place);
        ShareBelief {
            parts: parts.collect(),
            unmoved: station.is_none().then_some(expected),
            basis: None,
            sowings: station.map_or(0, |station| self.counts.stations[station]),
            held: None,
        }
    }
}

/// Expected share of each node, weighted by containers; of the crop from its level down.
fn expected_shares(hierarchy: &Hierarchy, stands: &[(usize, &Stand<'_>)]) -> Vec<f64> {
    let mut sums = vec![(0.0, 0.0); hierarchy.tree.nodes.len()];
    for &(cell, stand) in stands {
        sums[cell].0 += f64::from(stand.sown) * stand.expected;
        sums[cell].1 += f64::from(stand.sown);
    }
    for index in (0..sums.len()).rev() {
        if let Some(parent) = hierarchy.tree.nodes[index].parent {
            sums[parent].0 += sums[index].0;
            sums[parent].1 += sums[index].1;
        }
    }
    let mut shares: Vec<f64> = Vec::with_capacity(sums.len());
    for (index, &(weighted, containers)) in sums.iter().enumerate() {
        let node = &hierarchy.tree.nodes[index];
        let of_parent = node.parent.filter(|_| node.depth > CROP);
        shares.push(of_parent.map_or(weighted / containers, |parent| shares[parent]));
    }
    shares
}

/// Posterior of a share: a mixture of logistic-normal distributions.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ShareBelief {
    parts: Vec<Part>,
    /// The narrowest level that has records.
    pub basis: Option<Level>,
    /// Sowings at that level.
    pub sowings: usize,
    /// The value at which a coordinator holds the share.
    pub held: Option<f64>,
    /// What the profile expects, where nothing is on record or held that bears on the place.
    pub unmoved: Option<f64>,
}

/// Log odds.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Part {
    weight: f64,
    location: f64,
    variance: f64,
}

impl ShareBelief {
    pub(super) fn mean(&self) -> f64 {
        let of_part =
            |part: &Part| share_of(part.location / (1.0 + LOGISTIC_NORMAL * part.variance).sqrt());
        if let Some(share) = self.held.or(self.unmoved) {
            return share;
        }
        self.parts
            .iter()
            .map(|part| part.weight * of_part(part))
            .sum()
    }

    /// Probability that it lies below `share`.
    pub(super) fn probability_below(&self, share: f64) -> f64 {
        if let Some(held) = self.held {
            return f64::from(u8::from(share > held));
        }
        if share <= 0.0 || share >= 1.0 {
            return f64::from(u8::from(share >= 1.0));
        }
        let standard = Normal::standard();
        let at = (share / (1.0 - share)).ln();
        let of_part = |part: &Part| {
            let below = if part.variance > 0.0 {
                standard.cdf((at - part.location) / part.variance.sqrt())
            } else {
                f64::from(u8::from(at > part.location))
            };
            part.weight * below
        };
        self.parts.iter().map(of_part).sum()
    }

    /// Where the cumulative distribution reaches a probability between 0 and 1.
    pub(super) fn quantile(&self, probability: f64) -> f64 {
        if let Some(held) = self.held {
            return held;
        }
        quantile(|x| self.probability_below(x), (0.0, 1.0), probability)
    }
}
