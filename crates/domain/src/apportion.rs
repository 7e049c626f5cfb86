//! Dividing a whole number among shares without losing or inventing any of it.

/// Divides `total` in proportion to `weights` by largest remainder: everyone first gets the whole part
/// of their exact share, and what is left goes one by one to the largest remainders, ties in order.
///
/// The parts add up to `total`. `None` when `total` or a weight is negative, when no weight is more
/// than nothing, or when the weights leave the range.
pub fn by_largest_remainder(total: i64, weights: &[i64]) -> Option<Vec<i64>> {
    if total < 0 || weights.iter().any(|weight| *weight < 0) {
        return None;
    }
    let whole = i128::from(
        weights
            .iter()
            .try_fold(0_i64, |sum, weight| sum.checked_add(*weight))?,
    );
    if whole == 0 {
        return None;
    }
    let exact = |weight: &i64| i128::from(total) * i128::from(*weight);
    let mut parts = Vec::with_capacity(weights.len());
    for weight in weights {
        parts.push(i64::try_from(exact(weight) / whole).ok()?);
    }
    let left = total - parts.iter().sum::<i64>();
    let mut order: Vec<usize> = (0..weights.len()).collect();
    // a stable sort keeps ties in order
    order.sort_by_key(|index| std::cmp::Reverse(exact(&weights[*index]) % whole));
    for index in order.into_iter().take(usize::try_from(left).ok()?) {
        parts[index] += 1;
    }
    Some(parts)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// The example of the Hamilton method with 100 000 votes and 10 seats as it is given in textbooks
    /// (47 000, 16 000, 15 900, 12 000, 6 000, 3 100 give 5, 2, 1, 1, 1, 0; from memory), and ties by order.
    #[test]
    fn largest_remainders_are_served_first() {
        let votes = [47_000, 16_000, 15_900, 12_000, 6_000, 3_100];
        assert_eq!(
            by_largest_remainder(10, &votes),
            Some(vec![5, 2, 1, 1, 1, 0])
        );
        assert_eq!(by_largest_remainder(2, &[1, 1, 1]), Some(vec![1, 1, 0]));
        assert_eq!(by_largest_remainder(7, &[0, 5]), Some(vec![0, 7]));
        assert_eq!(by_largest_remainder(7, &[0, 0]), None);
        assert_eq!(by_largest_remainder(7, &[]), None);
        assert_eq!(by_largest_remainder(-1, &[1]), None);
        assert_eq!(by_largest_remainder(1, &[2, -1]), None);
        assert_eq!(by_largest_remainder(1, &[i64::MAX, 1]), None);
    }

    proptest! {
        #[test]
        fn nothing_is_lost_and_everyone_is_within_one(
            total in 0..1_000_000_000_000_i64,
            weights in prop::collection::vec(0..1_000_000_000_000_i64, 1..12),
        ) {
            prop_assume!(weights.iter().sum::<i64>() > 0);
            let parts = by_largest_remainder(total, &weights).unwrap_or_default();
            prop_assert_eq!(parts.iter().sum::<i64>(), total);
            let whole: i128 = weights.iter().map(|w| i128::from(*w)).sum();
            for (part, weight) in parts.iter().zip(&weights) {
                let distance = i128::from(*part) * whole - i128::from(total) * i128::from(*weight);
                prop_assert!(distance.abs() < whole);
            }
        }
    }
}
