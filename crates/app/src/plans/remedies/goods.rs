//! Goods that come sooner than is usual: how much of them a plan needs, by when, and what they cost.

use chrono::{Days, NaiveDate};
use cotyl_planner::Plan;
use cotyl_planner::remedy::{Effect, Provision};
use cotyl_store::supply::{Item, OrderUnderWay};
use uuid::Uuid;

use super::super::compile::{Compiled, Directory};
use super::super::goods::{in_packs, lacking, told};
use super::super::season::{Season, SeasonError};
use super::{Bargain, Change};

/// More than any plan takes of an item.
const ANY_QUANTITY: i64 = 1_000_000_000_000;

/// Any quantity of an item at once, to see what a plan would take of it.
pub(super) fn any_of(season: &Season, compiled: &Compiled, consumable: &str) -> Option<Change> {
    let good = compiled.goods.iter().find(|g| g.consumable == consumable)?;
    let site = season.sites.iter().find(|site| site.id == good.site_id)?;
    Some(Change::Goods {
        site_id: good.site_id.clone(),
        item_id: good.item_id,
        quantity: ANY_QUANTITY,
        there_by: site.today,
    })
}

/// An order for the store of a site.
pub(super) fn order(
    season: &mut Season,
    site_id: &str,
    item_id: Uuid,
    quantity: i64,
    there_by: NaiveDate,
) {
    let goods = season.goods.iter_mut();
    let sites = goods.flat_map(|goods| &mut goods.sites);
    for site in sites.filter(|site| site.site_id == site_id) {
        site.orders.push(OrderUnderWay {
            stock_item_id: item_id,
            quantity,
            expected_on: there_by,
        });
    }
}

/// The order that a plan needs which was made with any quantity of an item at hand, in whole packs, there
/// on the first working day of the week in which it would run out; `None` when it needs none, or when the
/// order would not do after all.
pub(super) fn sized(
    season: &Season,
    compiled: &Compiled,
    change: &Change,
    after: &Plan,
) -> Result<Option<Change>, SeasonError> {
    let Change::Goods {
        site_id, item_id, ..
    } = change
    else {
        return Ok(Some(change.clone()));
    };
    let of = (site_id.as_str(), *item_id);
    let Some((lacks, week)) = lacking(&compiled.problem, &compiled.goods, after, of) else {
        return Ok(None);
    };
    let Some(item) = item(season, *item_id) else {
        return Ok(None);
    };
    let monday = season.first_monday + Days::new(7 * week as u64);
    let directory = Directory::of(season, true)?;
    let days = directory.site(site_id).map(|(_, days)| days.in_season());
    let open = days.and_then(|days| days.iter().find(|day| **day >= monday).copied());
    let sized = Change::Goods {
        site_id: site_id.clone(),
        item_id: *item_id,
        quantity: packs_of(item, lacks).map_or(lacks, |(_, quantity)| quantity),
        there_by: open.unwrap_or(monday),
    };
    let with_it = super::compile(&sized.made(season), super::LeftOut::default())?;
    let does = lacking(&with_it.problem, &with_it.goods, after, of).is_none();
    Ok(does.then_some(sized))
}

/// Whole packs that hold a quantity, and what is in them.
fn packs_of(item: &Item, quantity: i64) -> Option<(i64, i64)> {
    let size = item.pack_quantity.filter(|size| *size > 0)?;
    let packs = quantity / size + i64::from(quantity % size > 0);
    Some((packs, packs.saturating_mul(size)))
}

fn item(season: &Season, id: Uuid) -> Option<&Item> {
    season.goods.as_ref()?.item(id)
}

/// The dimension by which an item is kept.
pub(super) fn dimension(season: &Season, id: Uuid) -> Option<String> {
    Some(item(season, id)?.dimension.clone())
}

/// An order in words, with why it has to come sooner than others and what it costs.
pub(super) fn words(
    season: &Season,
    site_id: &str,
    item_id: Uuid,
    quantity: i64,
    there_by: NaiveDate,
) -> String {
    let site = season.sites.iter().find(|site| site.id == site_id);
    let (Some(site), Some(item)) = (site, item(season, item_id)) else {
        return "an order".to_owned();
    };
    let packs = packs_of(item, quantity);
    let amount = in_packs(item, packs.map(|(packs, _)| packs), quantity);
    let cost = packs
        .zip(item.pack_cents)
        .map(|((packs, _), cents)| format!(", {:.2} of money", (packs * cents) as f64 / 100.0))
        .unwrap_or_default();
    let usual = match item.lead_days {
        1 => "1 day".to_owned(),
        days => format!("{days} days"),
    };
    format!(
        "order {amount}{cost}, to be at {} by {there_by}, sooner than in the usual {usual}",
        site.name
    )
}

/// What has to be provided: packs, or what is ordered where the pack is not known.
pub(super) fn provision(season: &Season, item_id: Uuid, quantity: i64) -> (Provision, f64) {
    let amount = item(season, item_id).map_or(0.0, |item| match packs_of(item, quantity) {
        Some((packs, _)) => packs as f64,
        None if item.dimension == "count" => quantity as f64,
        None => quantity as f64 / 1000.0,
    });
    (Provision::Goods, amount)
}

/// What it takes, in words: the goods by their name.
pub(super) fn takes(season: &Season, item_id: Uuid, quantity: i64, effect: Effect) -> String {
    let rest = cotyl_planner::remedy::takes_in_words(&Bargain {
        provision: Provision::Nothing,
        amount: 0.0,
        effect,
    });
    let goods = item(season, item_id)
        .map(|item| format!("{} of {}", told(item, quantity), item.name))
        .unwrap_or_default();
    match rest.as_str() {
        "nothing" => goods,
        rest => format!("{goods}, {rest}"),
    }
}
