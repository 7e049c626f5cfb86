//! Needs against shelf and orders.
#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::*;

fn day(number: u64) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 9, 7).unwrap() + Days::new(number)
}

fn need(id: u32, on: u64, quantity: i64) -> Need<u32> {
    Need {
        id,
        day: day(on),
        quantity,
    }
}

fn lot(id: u32, last: Option<u64>, quantity: i64) -> LotOnShelf<u32> {
    LotOnShelf {
        id,
        expires_on: last.map(day),
        received_on: day(0),
        quantity,
    }
}

fn order(on: u64, quantity: i64) -> OpenOrder {
    OpenOrder {
        expected_on: day(on),
        quantity,
    }
}

const OFFER: Offer = Offer {
    pack_quantity: Some(50),
    pack_cents: Some(399),
    lead_days: 7,
};

#[test]
fn the_shelf_serves_first_then_what_has_come() {
    let netted = net(
        &[need(2, 20, 30), need(1, 5, 40)],
        &[lot(1, None, 25), lot(2, Some(10), 20), lot(3, Some(4), 99)],
        &[order(12, 10)],
    );
    assert_eq!(netted.from_lots, [(1, 2, 20), (1, 1, 20), (2, 1, 5)]);
    assert_eq!(netted.from_orders, [(2, 0, 10)]);
    assert_eq!(netted.short, [need(2, 20, 15)]);
    assert_eq!(netted.left, [(3, 99), (2, 0), (1, 0)]);
}

#[test]
fn whole_packs_are_bought_in_time() {
    let bought = purchase(&[need(1, 20, 30), need(2, 15, 21)], &OFFER, day(0)).unwrap();
    assert_eq!(
        bought,
        Purchase {
            short_on: day(15),
            shortfall: 51,
            packs: Some(2),
            quantity: 100,
            cents: Some(798),
            order_by: day(8),
            earliest_on: day(7),
        }
    );
    let loose = Offer {
        pack_quantity: None,
        ..OFFER
    };
    let bought = purchase(&[need(1, 20, 30)], &loose, day(0)).unwrap();
    assert_eq!(
        (bought.quantity, bought.packs, bought.cents),
        (30, None, None)
    );
    assert_eq!(purchase::<u32>(&[], &OFFER, day(0)), None);
}

#[test]
fn needs_at_risk_are_told_with_the_gravest_reason() {
    let check = |needs: &[Need<u32>], orders: &[OpenOrder], expect: &[(u32, i64, Risk)]| {
        let lots: [LotOnShelf<u32>; 0] = [];
        let found: Vec<_> = at_risk(needs, &lots, orders, &OFFER, 5, day(0))
            .into_iter()
            .map(|at_risk| (at_risk.need.id, at_risk.need.quantity, at_risk.risk))
            .collect();
        assert_eq!(found, expect);
    };
    // ordered today it is there on day 7
    check(
        &[need(1, 6, 1), need(2, 7, 1), need(3, 12, 1)],
        &[],
        &[(1, 1, Risk::TooLateToOrder), (2, 1, Risk::PurchaseLate)],
    );
    check(
        &[need(1, 10, 4), need(2, 17, 4)],
        &[order(9, 8)],
        &[(1, 4, Risk::OpenOrderLate)],
    );
    check(&[need(1, 14, 4)], &[order(9, 8)], &[]);
    // half of it is on order, half has to be bought
    check(
        &[need(1, 10, 4)],
        &[order(9, 2)],
        &[(1, 2, Risk::OpenOrderLate)],
    );
}

/// The most that can be served, found by augmenting paths over single base units: nothing of the
/// greedy order is in it.
fn most_served(needs: &[Need<u32>], lots: &[LotOnShelf<u32>], orders: &[OpenOrder]) -> usize {
    fn augment(
        unit: usize,
        fits: &[Vec<usize>],
        holder: &mut [Option<usize>],
        seen: &mut [bool],
    ) -> bool {
        for &supply in &fits[unit] {
            if seen[supply] {
                continue;
            }
            seen[supply] = true;
            if holder[supply].is_none_or(|other| augment(other, fits, holder, seen)) {
                holder[supply] = Some(unit);
                return true;
            }
        }
        false
    }
    let units = |quantity: i64| usize::try_from(quantity.max(0)).unwrap();
    let mut supplies: Vec<(NaiveDate, NaiveDate)> = Vec::new();
    for lot in lots {
        let last = lot.expires_on.unwrap_or(NaiveDate::MAX);
        supplies.extend(vec![(NaiveDate::MIN, last); units(lot.quantity)]);
    }
    for order in orders {
        supplies.extend(vec![
            (order.expected_on, NaiveDate::MAX);
            units(order.quantity)
        ]);
    }
    let wanted: Vec<NaiveDate> = needs
        .iter()
        .flat_map(|need| vec![need.day; units(need.quantity)])
        .collect();
    let fits: Vec<Vec<usize>> = wanted
        .iter()
        .map(|on| {
            (0..supplies.len())
                .filter(|&s| supplies[s].0 <= *on && *on <= supplies[s].1)
                .collect()
        })
        .collect();
    let mut holder = vec![None; supplies.len()];
    (0..wanted.len())
        .filter(|&unit| augment(unit, &fits, &mut holder, &mut vec![false; supplies.len()]))
        .count()
}

type World = (Vec<Need<u32>>, Vec<LotOnShelf<u32>>, Vec<OpenOrder>);

fn worlds() -> impl Strategy<Value = World> {
    let needs = prop::collection::vec((0_u64..40, 0_i64..12), 0..7);
    let lots = prop::collection::vec((prop::option::of(0_u64..40), 0_i64..15), 0..5);
    let orders = prop::collection::vec((0_u64..40, 0_i64..15), 0..4);
    (needs, lots, orders).prop_map(|(needs, lots, orders)| {
        (
            (0..)
                .zip(needs)
                .map(|(id, (on, q))| need(id, on, q))
                .collect(),
            (0..)
                .zip(lots)
                .map(|(id, (last, q))| lot(id, last, q))
                .collect(),
            orders.into_iter().map(|(on, q)| order(on, q)).collect(),
        )
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    #[test]
    fn nothing_is_lost_and_no_more_could_be_served((needs, lots, orders) in worlds()) {
        let netted = net(&needs, &lots, &orders);
        let served: i64 = netted.from_lots.iter().map(|part| part.2).sum::<i64>()
            + netted.from_orders.iter().map(|part| part.2).sum::<i64>();
        for need in &needs {
            let of = |parts: &mut dyn Iterator<Item = (u32, i64)>| -> i64 {
                parts.filter(|part| part.0 == need.id).map(|part| part.1).sum()
            };
            let got = of(&mut netted.from_lots.iter().map(|part| (part.0, part.2)))
                + of(&mut netted.from_orders.iter().map(|part| (part.0, part.2)))
                + of(&mut netted.short.iter().map(|short| (short.id, short.quantity)));
            prop_assert_eq!(got, need.quantity);
        }
        for lot in &lots {
            let taken: i64 = netted.from_lots.iter().filter(|p| p.1 == lot.id).map(|p| p.2).sum();
            let left: i64 = netted.left.iter().filter(|l| l.0 == lot.id).map(|l| l.1).sum();
            prop_assert_eq!(taken + left, lot.quantity);
        }
        for (place, order) in orders.iter().enumerate() {
            let taken: i64 = netted.from_orders.iter().filter(|p| p.1 == place).map(|p| p.2).sum();
            prop_assert!(taken <= order.quantity);
        }
        prop_assert_eq!(usize::try_from(served).unwrap(), most_served(&needs, &lots, &orders));
    }

    #[test]
    fn nothing_comes_from_an_expired_lot_or_before_its_order((needs, lots, orders) in worlds()) {
        let netted = net(&needs, &lots, &orders);
        let day_of = |id: u32| needs.iter().find(|need| need.id == id).unwrap().day;
        for (need, id, part) in &netted.from_lots {
            prop_assert!(*part > 0);
            let last = lots.iter().find(|lot| lot.id == *id).unwrap().expires_on;
            prop_assert!(last.is_none_or(|last| last >= day_of(*need)));
        }
        for (need, place, part) in &netted.from_orders {
            prop_assert!(*part > 0 && orders[*place].expected_on <= day_of(*need));
        }
    }

    #[test]
    fn whole_packs_cover_the_shortfall_and_no_pack_is_too_many(
        (needs, lots, orders) in worlds(), size in 1_i64..30, cents in 0_i64..1000, lead in 0_u32..20,
    ) {
        let short = net(&needs, &lots, &orders).short;
        let offer = Offer { pack_quantity: Some(size), pack_cents: Some(cents), lead_days: lead };
        let Some(bought) = purchase(&short, &offer, day(0)) else {
            prop_assert!(short.is_empty());
            return Ok(());
        };
        let packs = bought.packs.unwrap();
        prop_assert_eq!(bought.quantity, packs * size);
        prop_assert!(bought.quantity >= bought.shortfall && bought.quantity - size < bought.shortfall);
        prop_assert_eq!(bought.cents, Some(packs * cents));
        // ordered by that day, it serves every need
        let mut with_it = orders.clone();
        with_it.push(OpenOrder {
            expected_on: bought.order_by + Days::new(lead.into()),
            quantity: bought.quantity,
        });
        prop_assert_eq!(net(&needs, &lots, &with_it).short, []);
    }

    #[test]
    fn later_orders_put_no_fewer_needs_at_risk((needs, lots, orders) in worlds(), late in 0_u32..30) {
        let risks = |late| at_risk(&needs, &lots, &orders, &OFFER, late, day(0));
        for now in risks(late) {
            let still = risks(late + 1).into_iter().any(|later| later.need.id == now.need.id);
            prop_assert!(still || now.risk == Risk::OpenOrderLate, "{now:?}");
        }
        for now in risks(0) {
            prop_assert!(now.risk == Risk::TooLateToOrder, "{now:?}");
        }
    }
}
