//! One item at one site: what is there, what is needed when, what to buy, and what is at risk.

use std::collections::BTreeMap;

use chrono::{Datelike, Days, NaiveDate};
use cotyl_growth::CropProfile;
use cotyl_stock::lots::LotOnShelf;
use cotyl_stock::needs::{AtRisk, Need, Offer, OpenOrder, Purchase, Risk, at_risk, net, purchase};
use cotyl_stock::reorder::{DailyDemand, ReorderPoint, daily_demand, lead_time, reorder_point};
use cotyl_stock::seed::{
    Germination, LotVerdict, SeedLot, germination, seed_kind, seeds_a_plant, seeds_for_plants,
};
use cotyl_store::supply::{IssuedOnDay, Item, LotAtSite, OrderUnderWay};
use uuid::Uuid;

use super::wants::WantId;
use super::{Cupboard, DAYS_OF_RECORD, SowingToSupply, Window};

/// The probability, in thousandths, with which a tray gives enough plants.
const TRAY_CHANCE_PERMILLE: u32 = 950;

/// An item at a site. Quantities are base units of its dimension.
#[derive(Debug, Clone, PartialEq)]
pub struct ShoppingItem {
    /// The site.
    pub site_id: Uuid,
    /// Its name.
    pub site_name: String,
    /// The item.
    pub item: Item,
    /// On the shelf and not past its last day.
    pub on_hand: i64,
    /// On order.
    pub on_order: i64,
    /// What of that should have come already; it is taken to come today at the earliest.
    pub overdue: i64,
    /// Needed in all.
    pub needed: i64,
    /// Needed week by week.
    pub weeks: Vec<WeekNeed>,
    /// What to buy; `None` when nothing lacks.
    pub purchase: Option<Purchase>,
    /// Sowings that are at risk.
    pub at_risk: Vec<SowingAtRisk>,
    /// What of each lot no sowing takes before its last day.
    pub expiring: Vec<LotLeft>,
    /// Lots of seed that do not give the plan its plants, or may not.
    pub seed_lots: Vec<SeedLotReport>,
    /// Mean use a day by the record; `None` where that is too short.
    pub demand: Option<DailyDemand>,
    /// When to order again by that record.
    pub reorder: Option<ReorderPoint>,
}

impl ShoppingItem {
    /// Whether what is there and on order is down to the reorder point.
    #[must_use]
    pub fn is_due_by_record(&self) -> bool {
        self.reorder
            .is_some_and(|point| self.on_hand + self.on_order <= point.quantity)
    }
}

/// What a week needs of an item.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WeekNeed {
    /// Its Monday.
    pub monday: NaiveDate,
    /// Needed.
    pub needed: i64,
    /// What of it lacks.
    pub short: i64,
}

/// A sowing at risk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SowingAtRisk {
    /// The sowing.
    pub sowing: SowingToSupply,
    /// The day on which it needs the item.
    pub day: NaiveDate,
    /// What would lack.
    pub short: i64,
    /// Why.
    pub risk: Risk,
}

/// What no sowing takes of a lot before its last day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LotLeft {
    /// The lot.
    pub lot: LotAtSite,
    /// Base units left on its last day.
    pub left: i64,
}

/// A lot of seed that does not give the plan its plants, or may not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeedLotReport {
    /// The lot.
    pub lot: LotAtSite,
    /// What it may germinate today.
    pub germination: Germination,
    /// What the plan reckons with, in thousandths.
    pub planned_permille: u32,
    /// Whether it gives the plan its plants.
    pub verdict: LotVerdict,
    /// Seeds for each plant with which it does by the lower figure; `None` when no sane number does.
    pub seeds_a_plant: Option<u32>,
    /// Seeds for each plant that the plan reckons with.
    pub planned_seeds_a_plant: u32,
    /// Seeds to raise in a tray, from which as many plants as the sowings of the list take come up with a
    /// probability of 95 %, by the lower figure; `None` when no number of seeds does.
    pub tray_seeds: Option<u64>,
    /// What the lot counts for in this list.
    pub counts_for: i64,
    /// The least germination that may be sold unmarked, where the crop is listed, in thousandths.
    pub least_permille: Option<u32>,
}

/// What is on the shelf of a site, on order, and on record.
pub(crate) struct Shelf {
    pub lots: Vec<LotAtSite>,
    pub orders: Vec<OrderUnderWay>,
    pub issued: Vec<IssuedOnDay>,
    pub first_days: Vec<(Uuid, NaiveDate)>,
}

/// The item at the site; `None` when it is neither needed nor there nor on order.
pub(crate) fn report(
    window: &Window,
    cupboard: &Cupboard,
    item: &Item,
    wanted: &[Need<WantId>],
    sowings: &[SowingToSupply],
    shelf: &Shelf,
    profile: Option<&CropProfile>,
) -> Option<ShoppingItem> {
    let own_lots: Vec<&LotAtSite> = shelf
        .lots
        .iter()
        .filter(|lot| lot.stock_item_id == item.id)
        .collect();
    let orders = open_orders(window, item, &shelf.orders);
    if wanted.is_empty() && own_lots.is_empty() && orders.is_empty() {
        return None;
    }
    let crop_name = sowings
        .iter()
        .find(|sowing| Some(sowing.crop_id) == item.crop_id)
        .map_or(item.name.as_str(), |sowing| sowing.crop_name.as_str());
    let plants = plants_wanted(cupboard, item, sowings);
    let seed_lots: Vec<SeedLotReport> = own_lots
        .iter()
        .filter_map(|lot| seed_report(window, lot, crop_name, plants, profile?))
        .collect();
    let lots = on_shelf(&own_lots, &seed_lots);
    let offer = Offer {
        pack_quantity: item.pack_quantity,
        pack_cents: item.pack_cents,
        lead_days: u32::try_from(item.lead_days).unwrap_or(0),
    };
    let netted = net(wanted, &lots, &orders);
    let left: BTreeMap<Uuid, i64> = netted.left.iter().copied().collect();
    let (demand, reorder) = by_record(window, cupboard, item, shelf);
    let (late_days, today) = (window.late_days, window.today);
    let risks = at_risk(wanted, &lots, &orders, &offer, late_days, today);
    Some(ShoppingItem {
        site_id: window.site_id,
        site_name: window.site_name.clone(),
        item: item.clone(),
        on_hand: usable_today(window, &own_lots),
        on_order: orders.iter().map(|order| order.quantity).sum(),
        overdue: overdue(window, item, shelf),
        needed: wanted.iter().map(|need| need.quantity).sum(),
        weeks: by_week(wanted, &netted.short),
        purchase: purchase(&netted.short, &offer, today),
        at_risk: risks.iter().filter_map(|r| of_sowing(r, sowings)).collect(),
        expiring: own_lots
            .iter()
            .filter_map(|lot| {
                lot_left(
                    window,
                    lot,
                    counts_for(lot, &seed_lots),
                    *left.get(&lot.id)?,
                )
            })
            .collect(),
        seed_lots,
        demand,
        reorder,
    })
}

/// What a lot counts for: less than it holds where its seed is weak.
fn counts_for(lot: &LotAtSite, seed_lots: &[SeedLotReport]) -> i64 {
    let reported = seed_lots.iter().find(|report| report.lot.id == lot.id);
    reported.map_or(lot.quantity, |report| report.counts_for)
}

fn on_shelf(lots: &[&LotAtSite], seed_lots: &[SeedLotReport]) -> Vec<LotOnShelf<Uuid>> {
    lots.iter()
        .map(|lot| LotOnShelf {
            id: lot.id,
            expires_on: lot.expires_on,
            received_on: lot.received_on,
            quantity: counts_for(lot, seed_lots),
        })
        .collect()
}

fn usable_today(window: &Window, lots: &[&LotAtSite]) -> i64 {
    lots.iter()
        .filter(|lot| lot.expires_on.is_none_or(|day| day >= window.today))
        .map(|lot| lot.quantity)
        .sum()
}

fn overdue(window: &Window, item: &Item, shelf: &Shelf) -> i64 {
    shelf
        .orders
        .iter()
        .filter(|order| order.stock_item_id == item.id && order.expected_on < window.today)
        .map(|order| order.quantity)
        .sum()
}

/// Orders of an item that have not come; one that is overdue may come today at the earliest.
pub(crate) fn open_orders(
    window: &Window,
    item: &Item,
    orders: &[OrderUnderWay],
) -> Vec<OpenOrder> {
    orders
        .iter()
        .filter(|order| order.stock_item_id == item.id)
        .map(|order| OpenOrder {
            expected_on: order.expected_on.max(window.today),
            quantity: order.quantity,
        })
        .collect()
}

/// Lots of an item, each with what it counts for: less than it holds where its seed is weak.
pub(crate) fn lots_that_count(
    window: &Window,
    item: &Item,
    crop_name: &str,
    lots: &[LotAtSite],
    profile: Option<&CropProfile>,
) -> Vec<LotOnShelf<Uuid>> {
    let own: Vec<&LotAtSite> = lots
        .iter()
        .filter(|lot| lot.stock_item_id == item.id)
        .collect();
    let seed_lots: Vec<SeedLotReport> = own
        .iter()
        .filter_map(|lot| seed_report(window, lot, crop_name, 0, profile?))
        .collect();
    on_shelf(&own, &seed_lots)
}

fn by_week(wanted: &[Need<WantId>], short: &[Need<WantId>]) -> Vec<WeekNeed> {
    let monday = |day: NaiveDate| day - Days::new(u64::from(day.weekday().num_days_from_monday()));
    let mut weeks: BTreeMap<NaiveDate, (i64, i64)> = BTreeMap::new();
    for need in wanted {
        weeks.entry(monday(need.day)).or_default().0 += need.quantity;
    }
    for need in short {
        weeks.entry(monday(need.day)).or_default().1 += need.quantity;
    }
    weeks
        .into_iter()
        .map(|(monday, (needed, short))| WeekNeed {
            monday,
            needed,
            short,
        })
        .collect()
}

fn of_sowing(at_risk: &AtRisk<WantId>, sowings: &[SowingToSupply]) -> Option<SowingAtRisk> {
    let (place, day) = at_risk.need.id;
    Some(SowingAtRisk {
        sowing: sowings.get(place)?.clone(),
        day,
        short: at_risk.need.quantity,
        risk: at_risk.risk,
    })
}

/// What is left of a lot that expires within the list; of one that counts for less, in proportion.
fn lot_left(window: &Window, lot: &LotAtSite, counts_for: i64, left: i64) -> Option<LotLeft> {
    let expires_on = lot.expires_on?;
    let left = if counts_for > 0 {
        i128::from(lot.quantity) * i128::from(left) / i128::from(counts_for)
    } else {
        i128::from(lot.quantity)
    };
    let left = i64::try_from(left).unwrap_or(lot.quantity);
    (expires_on <= window.until && left > 0).then(|| LotLeft {
        lot: lot.clone(),
        left,
    })
}

/// Plants that the sowings to come take of a crop, one for each place.
fn plants_wanted(cupboard: &Cupboard, item: &Item, sowings: &[SowingToSupply]) -> u64 {
    let plants = sowings
        .iter()
        .filter(|sowing| !sowing.stands && Some(sowing.crop_id) == item.crop_id)
        .map(|sowing| {
            let bench = cupboard.benches.get(&sowing.station_id);
            let each = bench.map_or(1, |bench| bench.plants_per_container);
            sowing.containers.saturating_mul(each.into())
        })
        .sum::<i64>();
    u64::try_from(plants).unwrap_or(0)
}

fn seed_report(
    window: &Window,
    lot: &LotAtSite,
    crop_name: &str,
    plants: u64,
    profile: &CropProfile,
) -> Option<SeedLotReport> {
    let planned_permille = u32::try_from(profile.germination_permille).ok()?;
    let kind = seed_kind(crop_name);
    let test = lot
        .germination_permille
        .and_then(|permille| u32::try_from(permille).ok())
        .zip(lot.germination_tested_on);
    let seed = SeedLot {
        test,
        received_on: lot.received_on,
    };
    let life_years = kind.and_then(|kind| kind.life_years);
    let today = germination(seed, planned_permille, life_years, window.today);
    let verdict = today.verdict(planned_permille);
    let planned_seeds = profile.seeds_per_plant.max(1);
    let counts_for = match verdict {
        LotVerdict::Enough => return None,
        // named, and counted in full until it is tested
        LotVerdict::Doubtful => lot.quantity,
        LotVerdict::TooFew => {
            match seeds_a_plant(planned_seeds, planned_permille, today.high_permille) {
                Some(seeds) => {
                    let scaled = i128::from(lot.quantity) * i128::from(planned_seeds)
                        / i128::from(seeds.max(planned_seeds));
                    i64::try_from(scaled).unwrap_or(lot.quantity)
                }
                None => 0,
            }
        }
    };
    Some(SeedLotReport {
        lot: lot.clone(),
        germination: today,
        planned_permille,
        verdict,
        seeds_a_plant: seeds_a_plant(planned_seeds, planned_permille, today.low_permille),
        planned_seeds_a_plant: planned_seeds,
        tray_seeds: seeds_for_plants(plants, today.low_permille, TRAY_CHANCE_PERMILLE),
        counts_for,
        least_permille: kind.and_then(|kind| kind.least_permille),
    })
}

/// Demand and reorder point from what was issued, since the item first came but no longer than is
/// kept on record.
fn by_record(
    window: &Window,
    cupboard: &Cupboard,
    item: &Item,
    shelf: &Shelf,
) -> (Option<DailyDemand>, Option<ReorderPoint>) {
    let first = shelf.first_days.iter().find(|(id, _)| *id == item.id);
    let Some((_, first_day)) = first else {
        return (None, None);
    };
    let oldest = window.today - Days::new(DAYS_OF_RECORD - 1);
    let issues: Vec<(NaiveDate, i64)> = shelf
        .issued
        .iter()
        .filter(|issued| issued.stock_item_id == item.id)
        .map(|issued| (issued.day, issued.quantity))
        .collect();
    let yesterday = window.today - Days::new(1);
    let demand = daily_demand(&issues, (*first_day).max(oldest), yesterday);
    let past: Vec<i64> = cupboard
        .past_lead_days
        .iter()
        .filter(|(id, _)| *id == item.id)
        .map(|(_, days)| *days)
        .collect();
    let service = u32::try_from(item.service_permille).unwrap_or(950);
    let point = demand
        .filter(|demand| demand.mean > 0.0)
        .and_then(|demand| reorder_point(demand, lead_time(&past, item.lead_days.into()), service));
    (demand, point)
}
