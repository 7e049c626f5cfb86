//! The few numerical tools of the estimates: a maximum, nodes that integrate about it, a quantile.

use statrs::distribution::{ContinuousCDF as _, Normal};

/// Independent normal priors of unknown figures, mostly logarithms of variances.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct NormalPrior<const N: usize> {
    /// Their means.
    pub means: [f64; N],
    /// Their common standard deviation.
    pub standard_deviation: f64,
}

impl<const N: usize> NormalPrior<N> {
    /// Logarithm of the density, but for a constant.
    pub(super) fn log_density(&self, at: &[f64; N]) -> f64 {
        let squares = at.iter().zip(&self.means).map(|(x, mean)| {
            let distance = (x - mean) / self.standard_deviation;
            distance * distance
        });
        -0.5 * squares.sum::<f64>()
    }
}

/// Widest step of the search in one direction.
const WIDEST_STEP: f64 = 1.5;

/// Maximum of a smooth function by Newton steps along each direction in turn, and the curvature
/// (second derivative) in each direction there. Stops when no step exceeds `tolerance`.
pub(super) fn maximise<const N: usize>(
    function: impl Fn(&[f64; N]) -> f64,
    start: [f64; N],
    tolerance: f64,
    most_sweeps: usize,
) -> ([f64; N], [f64; N]) {
    const SPAN: f64 = 0.05;
    let mut at = start;
    let mut value = function(&at);
    let mut curvatures = [0.0; N];
    for _ in 0..most_sweeps {
        let mut longest: f64 = 0.0;
        for direction in 0..N {
            let with = |x: f64| {
                let mut moved = at;
                moved[direction] = x;
                function(&moved)
            };
            let here = at[direction];
            let (low, high) = (with(here - SPAN), with(here + SPAN));
            let slope = (high - low) / (2.0 * SPAN);
            let curvature = (high - 2.0 * value + low) / (SPAN * SPAN);
            curvatures[direction] = curvature;
            let mut step = if curvature < 0.0 {
                (-slope / curvature).clamp(-WIDEST_STEP, WIDEST_STEP)
            } else {
                WIDEST_STEP.copysign(slope)
            };
            while step.abs() > tolerance {
                let reached = with(here + step);
                if reached > value {
                    value = reached;
                    at[direction] = here + step;
                    longest = longest.max(step.abs());
                    break;
                }
                step /= 4.0;
            }
        }
        if longest <= tolerance {
            break;
        }
    }
    (at, curvatures)
}

/// Bases of the Halton sequence, one for each direction.
const BASES: [u32; 5] = [2, 3, 5, 7, 11];

/// How much wider the nodes are spread than the curvature at the maximum asks for: tails are heavier
/// than a normal's.
const SPREAD: f64 = 1.25;

/// Nodes and weights (of sum 1) that integrate against a density given by its logarithm: a fixed
/// low-discrepancy sample from a normal about the maximum, weighted by importance.
pub(super) fn nodes<const N: usize>(
    log_density: impl Fn(&[f64; N]) -> f64,
    (mode, curvatures): ([f64; N], [f64; N]),
    widest: f64,
    count: u32,
) -> Vec<(f64, [f64; N])> {
    let normal = Normal::standard();
    let spread = curvatures.map(|curvature| {
        let fitting = if curvature < 0.0 {
            (-1.0 / curvature).sqrt()
        } else {
            widest
        };
        SPREAD * fitting.min(widest)
    });
    let mut found: Vec<(f64, [f64; N])> = (1..=count)
        .map(|index| {
            let mut at = mode;
            let mut log_proposal = 0.0;
            for (direction, x) in at.iter_mut().enumerate() {
                let base = BASES[direction % BASES.len()];
                let z = normal.inverse_cdf(radical_inverse(index, base));
                *x += spread[direction] * z;
                log_proposal -= 0.5 * z * z;
            }
            (log_density(&at) - log_proposal, at)
        })
        .collect();
    let highest = found
        .iter()
        .map(|(log_weight, _)| *log_weight)
        .fold(f64::NEG_INFINITY, f64::max);
    let mut total = 0.0;
    for (weight, _) in &mut found {
        *weight = (*weight - highest).exp();
        total += *weight;
    }
    for (weight, _) in &mut found {
        *weight /= total;
    }
    found.retain(|(weight, _)| *weight > 1e-4 / f64::from(count));
    found
}

/// The digits of a number mirrored at the point: item of the van der Corput sequence.
fn radical_inverse(mut index: u32, base: u32) -> f64 {
    let (mut value, mut digit) = (0.0, 1.0);
    while index > 0 {
        digit /= f64::from(base);
        value += digit * f64::from(index % base);
        index /= base;
    }
    value
}

/// Where a rising function reaches `probability`, between `low` and `high`, by false position with
/// Illinois steps.
pub(super) fn quantile(
    cumulative: impl Fn(f64) -> f64,
    (mut low, mut high): (f64, f64),
    probability: f64,
) -> f64 {
    let (mut below, mut above) = (
        cumulative(low) - probability,
        cumulative(high) - probability,
    );
    let mut last_side = 0;
    let narrow = 1e-9 * (high - low);
    for _ in 0..200 {
        if high - low <= narrow {
            break;
        }
        let line = (low * above - high * below) / (above - below);
        let middle = if line > low && line < high {
            line
        } else {
            0.5 * (low + high)
        };
        let here = cumulative(middle) - probability;
        if here.abs() < 1e-9 {
            return middle;
        }
        if here < 0.0 {
            (low, below) = (middle, here);
            if last_side == -1 {
                above *= 0.5;
            }
            last_side = -1;
        } else {
            (high, above) = (middle, here);
            if last_side == 1 {
                below *= 0.5;
            }
            last_side = 1;
        }
    }
    0.5 * (low + high)
}
