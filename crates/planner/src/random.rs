//! Seeded random numbers that are the same on every machine.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// A seeded stream of numbers; only basic arithmetic, so no machine differs from another.
#[derive(Debug, Clone)]
pub(crate) struct Random(ChaCha8Rng);

impl Random {
    /// The stream of a seed.
    pub(crate) fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// One of many independent streams of a seed.
    pub(crate) fn stream(seed: u64, stream: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(stream);
        Self(generator)
    }

    /// A whole number below `end`; 0 when `end` is 0.
    pub(crate) fn below(&mut self, end: usize) -> usize {
        // the high half of a 64-bit product; the bias is below 2^-32 for any list that fits in memory
        let wide = u128::from(self.0.next_u64()) * (end as u128);
        (wide >> 64) as usize
    }

    /// A number in [0, 1).
    pub(crate) fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }

    /// One chance in two.
    pub(crate) fn coin(&mut self) -> bool {
        self.0.next_u32() & 1 == 0
    }

    /// An exponential variate with mean 1.
    pub(crate) fn exponential(&mut self) -> f64 {
        negative_logarithm(1.0 - self.unit())
    }

    /// Fisher-Yates shuffle.
    pub(crate) fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            let j = self.below(i + 1);
            items.swap(i, j);
        }
    }
}

/// -ln(u) for u in (0, 1], from basic operations only (the library logarithm may differ in the last
/// bit between machines).
pub(crate) fn negative_logarithm(u: f64) -> f64 {
    let bits = u.to_bits();
    let exponent = ((bits >> 52) & 0x7ff) as i64 - 1023;
    let mantissa = f64::from_bits((bits & 0x000f_ffff_ffff_ffff) | (1023_u64 << 52));
    // ln m = 2 atanh((m - 1) / (m + 1)), |argument| <= 1/3
    let z = (mantissa - 1.0) / (mantissa + 1.0);
    let square = z * z;
    let mut term = z;
    let mut sum = 0.0;
    for k in 0..16_u32 {
        sum += term / f64::from(2 * k + 1);
        term *= square;
    }
    -(2.0 * sum + exponent as f64 * std::f64::consts::LN_2)
}

/// Values `first * (last / first)^(i / 1024)` for i = 0..=1024, by square roots.
pub(crate) fn geometric(first: f64, last: f64) -> Vec<f64> {
    let mut ratio = last / first;
    for _ in 0..10 {
        ratio = ratio.sqrt();
    }
    let mut value = first;
    (0..=1024)
        .map(|_| {
            let now = value;
            value *= ratio;
            now
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn logarithm_agrees_with_the_library() {
        for i in 1..1000 {
            let u = f64::from(i) / 1000.0;
            assert!((negative_logarithm(u) + u.ln()).abs() < 1e-12);
        }
        assert!((negative_logarithm(1e-15) + 1e-15_f64.ln()).abs() < 1e-9);
    }

    #[test]
    fn geometric_reaches_its_end() {
        let values = geometric(10.0, 0.2);
        assert!((values[0] - 10.0).abs() < 1e-12 && (values[1024] - 0.2).abs() < 1e-6);
    }
}
