//! Dated needs of one item at one site against what is on the shelf and on order: when it runs short,
//! what to buy by when, and which needs are at risk.
//!
//! Needs are served in the order of their days, each from the lot that expires first of those that
//! may still be used on its day, then from lots without a last day, then from orders that have come
//! by then. No other way serves more in all.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};

use crate::lots::LotOnShelf;

/// A quantity that is needed on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Need<Id> {
    /// What needs it.
    pub id: Id,
    /// The day on which it is used.
    pub day: NaiveDate,
    /// Base units.
    pub quantity: i64,
}

/// A quantity on order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OpenOrder {
    /// The first day on which it may be used.
    pub expected_on: NaiveDate,
    /// Base units.
    pub quantity: i64,
}

/// Needs set against shelf and orders. In each list the order is that of the days.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Netted<NeedId, LotId> {
    /// Taken from lots: need, lot, base units.
    pub from_lots: Vec<(NeedId, LotId, i64)>,
    /// Taken from orders: need, place of the order in the input, base units.
    pub from_orders: Vec<(NeedId, usize, i64)>,
    /// Needs that are not served in full, with the base units that lack.
    pub short: Vec<Need<NeedId>>,
    /// What no need takes of each lot.
    pub left: Vec<(LotId, i64)>,
}

/// Serves dated needs from lots and orders.
#[must_use]
pub fn net<NeedId: Copy + Ord, LotId: Copy + Ord>(
    needs: &[Need<NeedId>],
    lots: &[LotOnShelf<LotId>],
    orders: &[OpenOrder],
) -> Netted<NeedId, LotId> {
    let mut needs: Vec<_> = needs.iter().filter(|need| need.quantity > 0).collect();
    needs.sort_by_key(|need| (need.day, need.id));
    let mut shelf = lots.to_vec();
    shelf.sort_by_key(|lot| {
        (
            lot.expires_on.unwrap_or(NaiveDate::MAX),
            lot.received_on,
            lot.id,
        )
    });
    let mut coming: Vec<(usize, OpenOrder)> = orders.iter().copied().enumerate().collect();
    coming.sort_by_key(|(place, order)| (order.expected_on, *place));
    let mut netted = Netted {
        from_lots: Vec::new(),
        from_orders: Vec::new(),
        short: Vec::new(),
        left: Vec::new(),
    };
    for need in needs {
        let mut wanted = need.quantity;
        let usable = |lot: &&mut LotOnShelf<LotId>| {
            lot.expires_on.is_none_or(|last_day| last_day >= need.day)
        };
        for lot in shelf.iter_mut().filter(usable) {
            if let Some(part) = take(&mut lot.quantity, &mut wanted) {
                netted.from_lots.push((need.id, lot.id, part));
            }
        }
        let has_come = |entry: &&mut (usize, OpenOrder)| entry.1.expected_on <= need.day;
        for (place, order) in coming.iter_mut().filter(has_come) {
            if let Some(part) = take(&mut order.quantity, &mut wanted) {
                netted.from_orders.push((need.id, *place, part));
            }
        }
        if wanted > 0 {
            netted.short.push(Need {
                quantity: wanted,
                ..*need
            });
        }
    }
    let left = shelf.iter().map(|lot| (lot.id, lot.quantity.max(0)));
    netted.left = left.collect();
    netted
}

/// Moves as much as there is and as is wanted; `None` for nothing.
fn take(from: &mut i64, wanted: &mut i64) -> Option<i64> {
    let part = (*from).min(*wanted);
    if part <= 0 {
        return None;
    }
    *from -= part;
    *wanted -= part;
    Some(part)
}

/// How an item is sold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Offer {
    /// Base units in a pack; `None` when any quantity is sold.
    pub pack_quantity: Option<i64>,
    /// Price of a pack in cents.
    pub pack_cents: Option<i64>,
    /// Days from ordering until the goods are on the shelf.
    pub lead_days: u32,
}

/// What to buy.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Purchase {
    /// The first day on which something lacks.
    pub short_on: NaiveDate,
    /// Base units that lack in all.
    pub shortfall: i64,
    /// Whole packs that cover it; `None` when the pack is not known.
    pub packs: Option<i64>,
    /// Base units in them; the shortfall when the pack is not known.
    pub quantity: i64,
    /// What they cost; `None` when pack or price is not known.
    pub cents: Option<i64>,
    /// The last day on which ordering is in time for the first day.
    pub order_by: NaiveDate,
    /// The first day on which goods ordered today can be used.
    pub earliest_on: NaiveDate,
}

/// What to buy so that nothing lacks; `None` when nothing does.
#[must_use]
pub fn purchase<NeedId>(
    short: &[Need<NeedId>],
    offer: &Offer,
    today: NaiveDate,
) -> Option<Purchase> {
    let short_on = short.iter().map(|need| need.day).min()?;
    let shortfall = short
        .iter()
        .fold(0_i64, |sum, need| sum.saturating_add(need.quantity));
    let packs = offer
        .pack_quantity
        .filter(|size| *size > 0)
        .map(|size| shortfall / size + i64::from(shortfall % size > 0));
    let quantity = packs
        .zip(offer.pack_quantity)
        .map_or(shortfall, |(packs, size)| packs.saturating_mul(size));
    let lead = Days::new(offer.lead_days.into());
    Some(Purchase {
        short_on,
        shortfall,
        packs,
        quantity,
        cents: packs
            .zip(offer.pack_cents)
            .map(|(packs, cents)| packs.saturating_mul(cents)),
        order_by: short_on - lead,
        earliest_on: today + lead,
    })
}

/// Why a need is at risk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Risk {
    /// It lacks something, and what is ordered today comes after its day.
    TooLateToOrder,
    /// It lacks something when the open orders come so many days late.
    OpenOrderLate,
    /// It lacks something when what is to be bought is ordered on the last day and comes so many days
    /// late.
    PurchaseLate,
}

/// A need that is at risk, with the base units that would lack.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AtRisk<NeedId> {
    /// The need.
    pub need: Need<NeedId>,
    /// Why.
    pub risk: Risk,
}

/// Needs at risk if orders come `late_days` late, the gravest risk of each; `orders` and `lots` as
/// given to [`net`], in the order of their days.
#[must_use]
pub fn at_risk<NeedId: Copy + Ord, LotId: Copy + Ord>(
    needs: &[Need<NeedId>],
    lots: &[LotOnShelf<LotId>],
    orders: &[OpenOrder],
    offer: &Offer,
    late_days: u32,
    today: NaiveDate,
) -> Vec<AtRisk<NeedId>> {
    let short = net(needs, lots, orders).short;
    let late = Days::new(late_days.into());
    let delayed: Vec<OpenOrder> = orders
        .iter()
        .map(|order| OpenOrder {
            expected_on: order.expected_on + late,
            ..*order
        })
        .collect();
    let bought = purchase(&short, offer, today);
    let mut found: BTreeMap<(NaiveDate, NeedId), AtRisk<NeedId>> = BTreeMap::new();
    let short_now: BTreeMap<NeedId, i64> = short.iter().map(|n| (n.id, n.quantity)).collect();
    for need in net(needs, lots, &delayed).short {
        let more = need.quantity - short_now.get(&need.id).copied().unwrap_or(0);
        if more > 0 {
            let need = Need {
                quantity: more,
                ..need
            };
            let risk = Risk::OpenOrderLate;
            found.insert((need.day, need.id), AtRisk { need, risk });
        }
    }
    for need in short {
        let Some(bought) = bought else { continue };
        let arrives = bought.order_by.max(today) + Days::new(offer.lead_days.into()) + late;
        let risk = if need.day < bought.earliest_on {
            Risk::TooLateToOrder
        } else if need.day < arrives {
            Risk::PurchaseLate
        } else {
            continue;
        };
        let graver = found
            .get(&(need.day, need.id))
            .is_none_or(|known| risk < known.risk);
        if graver {
            found.insert((need.day, need.id), AtRisk { need, risk });
        }
    }
    found.into_values().collect()
}

#[cfg(test)]
mod tests;
