//! What changes of an adopted plan count for a search, beyond what they cost.

use crate::index::Index;
use crate::prices::unit_e4;

/// What a changed container counts at least, in points at the least priority, its cost included: people who have read
/// a plan want it to stay.
const FIRST: f64 = 3.0;

/// Share of the adopted containers that may be moved at that.
const FEW: f64 = 0.05;

/// What each further one counts. Measured on three changes of a problem of four sites and 1 400 containers, one second
/// on two threads: moved in the mean are 7.2, 7.5 and 8.6 % of the containers, at most 9.3 % (seeds 1 to 10). With 3
/// for all 9.6, 10.3 and 11.9 % are (112 000 moves, eight seeds; plans end .4 % lower), with 8 for all 5.2, 6.9 and
/// 8.0 % (.4 % higher). A count that grows on and on is no help where much must move: a plan of one site, of which a
/// week without work asks a third of the containers, ended 19 % dearer with one.
const BEYOND: f64 = 7.0;

/// What changed containers count for a search.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct ChangeWeights {
    first_e4: i64,
    few: i64,
    /// What each of those beyond the few counts in addition.
    beyond_e4: i64,
}

impl ChangeWeights {
    /// Those of a problem; nothing where changes cost nothing.
    pub(crate) fn new(index: &Index) -> Self {
        if index.change_e4 == 0 {
            return Self::default();
        }
        let unit = 10.0 * unit_e4(index);
        let adopted: i64 = index.batches.iter().map(|batch| batch.adopted).sum();
        let first_e4 = ((FIRST * unit) as i64 - index.change_e4).max(0);
        Self {
            first_e4,
            // a moved container is changed twice: where it was and where it is
            few: (2.0 * FEW * adopted as f64) as i64,
            beyond_e4: ((BEYOND - FIRST) * unit) as i64,
        }
    }

    /// What so many changed containers count, in ten-thousandths of a point.
    pub(crate) fn of(&self, changed: i64) -> i64 {
        self.first_e4 * changed + self.beyond_e4 * (changed - self.few).max(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn those_beyond_a_few_count_more() {
        let weights = ChangeWeights {
            first_e4: 3,
            few: 10,
            beyond_e4: 4,
        };
        assert_eq!(
            [0, 1, 10, 11, 20].map(|n| weights.of(n)),
            [0, 3, 30, 37, 100]
        );
        assert_eq!(ChangeWeights::default().of(20), 0);
    }
}
