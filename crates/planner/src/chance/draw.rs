//! Variates from basic arithmetic only, so that no machine differs from another.

use crate::random::{Random, negative_logarithm};

/// A stream of standard normal variates by Marsaglia's polar method (SIAM Review 6, 1964).
#[derive(Debug, Clone)]
pub(super) struct Normal {
    pub(super) random: Random,
    spare: Option<f64>,
}

impl Normal {
    /// The stream of a seed and a name.
    pub(super) fn new(seed: u64, name: &str) -> Self {
        // FNV-1a, 64 bits: a name keeps its stream whatever else is in the plan
        let hash = name.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
        Self {
            random: Random::stream(seed, hash),
            spare: None,
        }
    }

    pub(super) fn next(&mut self) -> f64 {
        if let Some(value) = self.spare.take() {
            return value;
        }
        loop {
            let (x, y) = (
                2.0 * self.random.unit() - 1.0,
                2.0 * self.random.unit() - 1.0,
            );
            let square = x * x + y * y;
            if square < 1.0 && square > 0.0 {
                let scale = (2.0 * negative_logarithm(square) / square).sqrt();
                self.spare = Some(y * scale);
                return x * scale;
            }
        }
    }
}

/// 1 / k! for k = 0 to 14.
const INVERSE_FACTORIALS: [f64; 15] = {
    let mut values = [1.0; 15];
    let mut k = 1;
    while k < 15 {
        values[k] = values[k - 1] / k as f64;
        k += 1;
    }
    values
};

/// e^x from basic operations, exactly 1 at 0; |x| up to 700.
pub(super) fn exponential(x: f64) -> f64 {
    let x = x.clamp(-700.0, 700.0);
    let halvings = (x * std::f64::consts::LOG2_E).round();
    let rest = x - halvings * std::f64::consts::LN_2;
    let sum = INVERSE_FACTORIALS
        .iter()
        .rev()
        .fold(0.0, |sum, &inverse| sum * rest + inverse);
    sum * f64::from_bits(((halvings as i64 + 1023) as u64) << 52)
}

/// A binomial distribution as a table of cumulative probabilities around its mode.
#[derive(Debug, Clone)]
pub(super) struct Binomial {
    /// Containers sown.
    pub(super) count: i64,
    first: i64,
    cumulative: Vec<f64>,
}

impl Binomial {
    /// Of `count` containers each stands with chance `share`, above 0 to 1. Weights below 1e-18 of the
    /// mode are left out.
    pub(super) fn new(count: i64, share: f64) -> Self {
        let mode = (((count + 1) as f64 * share).floor() as i64).min(count);
        // endless at share 1, where the mode is the count and fewer weigh nothing
        let odds = share / (1.0 - share);
        let mut below = Vec::new();
        let (mut weight, mut n) = (1.0, mode);
        while n > 0 && weight > 1e-18 {
            weight *= n as f64 / ((count - n + 1) as f64 * odds);
            n -= 1;
            below.push(weight);
        }
        let first = n;
        below.reverse();
        below.push(1.0);
        (weight, n) = (1.0, mode);
        while n < count && weight > 1e-18 {
            weight *= (count - n) as f64 * odds / (n + 1) as f64;
            n += 1;
            below.push(weight);
        }
        let sum: f64 = below.iter().sum();
        let mut so_far = 0.0;
        for weight in &mut below {
            so_far += *weight / sum;
            *weight = so_far;
        }
        Self {
            count,
            first,
            cumulative: below,
        }
    }

    /// The number at a level in [0, 1): never falls when the count grows.
    pub(super) fn at(&self, level: f64) -> i64 {
        let place = self.cumulative.partition_point(|&sum| sum <= level);
        self.first + place.min(self.cumulative.len() - 1) as i64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exponential_agrees_with_the_library() {
        assert_eq!(exponential(0.0).to_bits(), 1.0_f64.to_bits());
        for i in -200..200 {
            let x = f64::from(i) / 10.0;
            assert!((exponential(x) / x.exp() - 1.0).abs() < 1e-13);
        }
    }

    #[test]
    fn binomial_at_share_one_is_all() {
        assert_eq!(Binomial::new(7, 1.0).at(0.0), 7);
        assert_eq!(Binomial::new(7, 1.0).at(0.999_999), 7);
    }

    /// Thirty seeds at 0.80 give at least 24 with chance 0.607 (binomial, worked out exactly with
    /// Python's `fractions`).
    #[test]
    fn binomial_tail() {
        let table = Binomial::new(30, 0.8);
        let below = table.cumulative[(23 - table.first) as usize];
        assert!((1.0 - below - 0.607).abs() < 5e-4, "{}", 1.0 - below);
    }
}
