//! Which lots a quantity is taken from.

use chrono::NaiveDate;

/// What is left of a lot on a shelf.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LotOnShelf<Id> {
    /// The lot.
    pub id: Id,
    /// The last day on which it may be used.
    pub expires_on: Option<NaiveDate>,
    /// The day on which it came.
    pub received_on: NaiveDate,
    /// Base units left.
    pub quantity: i64,
}

/// There is not enough that may be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{wanted} are wanted, {usable} may be used and {expired} have expired")]
pub struct NotEnough {
    /// Base units wanted.
    pub wanted: i64,
    /// Base units that may be used.
    pub usable: i64,
    /// Base units on the shelf past their last day.
    pub expired: i64,
}

/// Takes a quantity from the lot that expires first, and from the next when one is not enough: the
/// earliest last day first, lots without one last, then by the day on which they came. Lots past their
/// last day on `today` are left alone. The order of what is returned is the order of taking.
///
/// # Errors
/// [`NotEnough`] when the lots that may be used do not hold the quantity.
pub fn first_expired_first_out<Id: Copy + Ord>(
    lots: &[LotOnShelf<Id>],
    wanted: i64,
    today: NaiveDate,
) -> Result<Vec<(Id, i64)>, NotEnough> {
    let expired = |lot: &&LotOnShelf<Id>| lot.expires_on.is_some_and(|last_day| last_day < today);
    let mut usable: Vec<_> = lots
        .iter()
        .filter(|lot| !expired(lot) && lot.quantity > 0)
        .collect();
    usable.sort_by_key(|lot| {
        (
            lot.expires_on.unwrap_or(NaiveDate::MAX),
            lot.received_on,
            lot.id,
        )
    });
    let mut left = wanted;
    let mut taken = Vec::new();
    for lot in &usable {
        if left <= 0 {
            break;
        }
        let part = left.min(lot.quantity);
        taken.push((lot.id, part));
        left -= part;
    }
    if left > 0 {
        return Err(NotEnough {
            wanted,
            usable: wanted - left,
            expired: lots.iter().filter(expired).map(|lot| lot.quantity).sum(),
        });
    }
    Ok(taken)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use proptest::prelude::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn lot(id: u32, expires_on: Option<&str>, quantity: i64) -> LotOnShelf<u32> {
        LotOnShelf {
            id,
            expires_on: expires_on.map(day),
            received_on: day("2026-01-01"),
            quantity,
        }
    }

    #[test]
    fn the_lot_that_expires_first_goes_first_and_the_next_fills_up() {
        let lots = [
            lot(1, None, 100),
            lot(2, Some("2026-12-01"), 30),
            lot(3, Some("2026-10-01"), 20),
        ];
        let taken = first_expired_first_out(&lots, 60, day("2026-09-07")).unwrap();
        assert_eq!(taken, [(3, 20), (2, 30), (1, 10)]);
    }

    #[test]
    fn a_lot_may_be_used_on_its_last_day_and_not_after() {
        let lots = [lot(1, Some("2026-10-01"), 20)];
        assert!(first_expired_first_out(&lots, 20, day("2026-10-01")).is_ok());
        assert_eq!(
            first_expired_first_out(&lots, 20, day("2026-10-02")),
            Err(NotEnough {
                wanted: 20,
                usable: 0,
                expired: 20
            })
        );
    }

    proptest! {
        #[test]
        fn exactly_what_is_wanted_is_taken_and_no_lot_gives_more_than_it_has(
            quantities in prop::collection::vec(0_i64..50, 0..8), wanted in 1_i64..200,
        ) {
            let lots: Vec<_> = (0_u32..)
                .zip(&quantities)
                .map(|(id, quantity)| lot(id, Some("2026-12-01"), *quantity))
                .collect();
            let total: i64 = quantities.iter().sum();
            match first_expired_first_out(&lots, wanted, day("2026-09-07")) {
                Ok(taken) => {
                    prop_assert_eq!(taken.iter().map(|part| part.1).sum::<i64>(), wanted);
                    for (id, part) in taken {
                        prop_assert!(part > 0 && part <= quantities[id as usize]);
                    }
                }
                Err(short) => {
                    prop_assert!(total < wanted);
                    prop_assert_eq!(short.usable, total);
                }
            }
        }
    }
}
