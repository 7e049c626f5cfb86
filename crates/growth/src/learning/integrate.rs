//! The few numerical tools of the estimates: a maximum, nodes that integrate about it, a quantile.

use statrs::distribution::{ContinuousCDF as _, Normal};

/// Logarithm, but for a constant, of the density of independent standard normal variates: the prior
/// of all unknown figures, once scaled.
pub(super) fn standard_log_density<const N: usize>(at: &[f64; N]) -> f64 {
    -0.5 * at.iter().map(|x| x * x).sum::<f64>()
}

/// What an assumed standard deviation is multiplied by, evenly distributed from the least to the most,
/// for an unknown figure that is standard normal.
pub(super) fn spread((least, most): (f64, f64), unknown: f64) -> f64 {
    // Off 0, where a ratio of variances would end.
    let share = Normal::standard().cdf(unknown).max(1e-4);
    least + (most - least) * share
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

/// What is found at nodes, and weights (of sum 1), that integrate against a density given by its logarithm: a fixed
/// low-discrepancy sample (multiples of powers of a generalised golden ratio) from a normal about
/// the maximum, weighted by importance: `wider` by so many times than the curvature at the maximum
/// asks for, as tails are heavier than a normal's. The prior is taken to be standard normal.
pub(super) fn nodes<const N: usize, T>(
    value: impl Fn(&[f64; N]) -> (f64, T),
    (mode, curvatures): ([f64; N], [f64; N]),
    (count, wider): (u32, f64),
) -> Vec<(f64, T)> {
    let normal = Normal::standard();
    let golden = generalised_golden_ratio(N);
    let spread = curvatures.map(|curvature| {
        // The prior is standard normal, so no direction is wider than 1.
        wider / (-curvature).max(1.0).sqrt()
    });
    let mut found: Vec<(f64, T)> = (1..=count)
        .map(|index| {
            let mut at = mode;
            let mut log_proposal = 0.0;
            for (direction, x) in at.iter_mut().enumerate() {
                let turns = f64::from(index) * golden.powi(-1 - direction as i32);
                let z = normal.inverse_cdf((0.5 + turns).fract().clamp(1e-9, 1.0 - 1e-9));
                *x += spread[direction] * z;
                log_proposal -= 0.5 * z * z;
            }
            let (log_density, there) = value(&at);
            (log_density - log_proposal, there)
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

/// The positive root of `x^(n+1) = x + 1`.
fn generalised_golden_ratio(n: usize) -> f64 {
    let mut root: f64 = 2.0;
    for _ in 0..60 {
        root = (1.0 + root).powf(1.0 / (n as f64 + 1.0));
    }
    root
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
