//! What is left of a lot is worth its share of what the lot cost.

/// The share of a cost that a part of a whole has, rounded half-even to whole cents; the part may be
/// negative (what is missing) or more than the whole. `None` for a whole of nothing or less, or a share out
/// of range.
pub fn share_cents(cost_cents: i64, part: i64, whole: i64) -> Option<i64> {
    if whole <= 0 {
        return None;
    }
    let (numerator, denominator) = (i128::from(cost_cents) * i128::from(part), i128::from(whole));
    let quotient = numerator.div_euclid(denominator);
    let twice_rest = 2 * numerator.rem_euclid(denominator);
    let up = twice_rest > denominator || (twice_rest == denominator && quotient % 2 != 0);
    i64::try_from(quotient + i128::from(up)).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_share_is_rounded_to_the_even_cent() {
        for (cost, part, whole, cents) in [
            (1_000, 1, 2, Some(500)),
            (1, 1, 2, Some(0)),
            (3, 1, 2, Some(2)),
            (5, 1, 2, Some(2)),
            (-3, 1, 2, Some(-2)),
            (1_999, -250_000, 1_000_000, Some(-500)),
            (1_000, 0, 7, Some(0)),
            (1_000, 7, 7, Some(1_000)),
            (1_000, 1, 0, None),
            (i64::MAX, i64::MAX, 1, None),
        ] {
            assert_eq!(
                share_cents(cost, part, whole),
                cents,
                "{cost} {part}/{whole}"
            );
        }
    }

    proptest! {
        #[test]
        fn shares_miss_the_whole_by_half_a_cent_each(
            cost in 0_i64..1_000_000, parts in prop::collection::vec(0_i64..1_000_000, 1..9),
        ) {
            let whole: i64 = parts.iter().sum::<i64>().max(1);
            let sum: i64 = parts.iter().filter_map(|part| share_cents(cost, *part, whole)).sum();
            let most = i64::try_from(parts.len()).unwrap_or_default();
            if parts.iter().any(|part| *part > 0) {
                prop_assert!(2 * (sum - cost).abs() <= most);
            }
        }
    }
}
