//! Purchases as late as the caps allow.
//!
//! Model section "model", stock without purchase variables: need never falls, so every missing unit is
//! bought in the latest week that still has room, going backward.

use crate::index::Good;

/// Units of a good to receive in each week, given its use per week. The use must be feasible.
pub(crate) fn latest(good: &Good, use_by_week: &[i64]) -> Vec<i64> {
    let mut missing_before = 0;
    let mut need = 0;
    let mut wanted: Vec<i64> = use_by_week
        .iter()
        .map(|&units| {
            need += units;
            let missing = (need - good.stock).max(0);
            let more = missing - missing_before;
            missing_before = missing;
            more
        })
        .collect();
    let mut carried = 0;
    for (week, units) in wanted.iter_mut().enumerate().rev() {
        let want = *units + carried;
        *units = if week >= good.lead_weeks {
            want.min(good.most_per_week)
        } else {
            0
        };
        carried = want - *units;
    }
    wanted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn buys_late_and_within_the_cap() {
        let good = Good {
            consumable: 0,
            stock: 10,
            price_e4: 1,
            lead_weeks: 1,
            most_per_week: 5,
        };
        assert_eq!(latest(&good, &[3, 6, 6, 0, 3, 0]), [0, 0, 5, 0, 3, 0]);
        assert_eq!(latest(&good, &[10, 0, 8, 0, 0, 0]), [0, 3, 5, 0, 0, 0]);
    }
}
