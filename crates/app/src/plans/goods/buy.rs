//! What a plan takes to buy: the shopping list of its sowings.

use chrono::NaiveDate;
use cotyl_planner::{Plan, Problem};
use cotyl_store::supply::Item;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::super::answer::{PlanSowing, sowings};
use super::super::compile::Directory;
use super::super::season::{Season, SeasonError, SeasonSite};
use super::{Store, told};
use crate::shopping_list::{ShoppingItem, SowingToSupply};

/// What is to be bought of an item for the store of a site. Quantities are base units of its dimension.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanPurchase {
    /// The site.
    pub site_id: String,
    /// Its name.
    pub site_name: String,
    /// The item.
    pub item_id: Uuid,
    /// Its name.
    pub item_name: String,
    /// `mass`, `volume` or `count`.
    pub dimension: String,
    /// What the weeks of the plan need, sowings that stand included.
    pub needed: i64,
    /// What of that is neither at hand nor on order.
    pub shortfall: i64,
    /// Whole packs that cover it; `None` when the pack is not known.
    pub packs: Option<i64>,
    /// What is in them; the shortfall when the pack is not known.
    pub quantity: i64,
    /// What they cost; `None` when pack or price is not known.
    pub cents: Option<i64>,
    /// The first day on which something lacks.
    pub short_on: NaiveDate,
    /// The last day on which ordering is in time.
    pub order_by: NaiveDate,
    /// The first day on which goods ordered on the day of the plan can be used.
    pub earliest_on: NaiveDate,
    /// Whether the last day to order was over when the plan was made.
    pub too_late: bool,
    /// In words.
    pub words: String,
}

/// What is to be bought for a plan and for what stands already, by the last day to order.
pub(in super::super) fn purchases(
    season: &Season,
    sowings: &[PlanSowing],
) -> Result<Vec<PlanPurchase>, SeasonError> {
    if season.goods.is_none() {
        return Ok(Vec::new());
    }
    let directory = Directory::of(season, true)?;
    let mut found = Vec::new();
    for site in season.sites.iter().filter(|site| !site.retired) {
        let Some(store) = Store::of(season, site) else {
            continue;
        };
        let all = all_sowings(season, &directory, &store, sowings);
        let items = store.shopping(&all);
        found.extend(items.iter().filter_map(|item| purchase(site, item)));
    }
    found.sort_by(|a, b| {
        (a.order_by, &a.site_name, &a.item_name, a.item_id).cmp(&(
            b.order_by,
            &b.site_name,
            &b.item_name,
            b.item_id,
        ))
    });
    Ok(found)
}

fn all_sowings(
    season: &Season,
    directory: &Directory,
    store: &Store<'_>,
    sowings: &[PlanSowing],
) -> Vec<SowingToSupply> {
    let planned = sowings
        .iter()
        .filter(|sowing| sowing.site_id == store.site.id)
        .filter_map(|sowing| {
            store.sowing(
                directory.station(&sowing.station_id)?,
                directory.crop(&sowing.crop_id)?,
                sowing.containers,
                sowing.sow_on,
                sowing.cuts.iter().map(|cut| cut.day).collect(),
            )
        });
    let mut all = store.standing(season, directory);
    all.extend(planned);
    all.sort_by_key(|sowing| (sowing.sow_on, sowing.station_id, sowing.id));
    all
}

fn purchase(site: &SeasonSite, item: &ShoppingItem) -> Option<PlanPurchase> {
    let bought = item.purchase?;
    let too_late = bought.order_by < site.today;
    let mut words = format!(
        "{} for {}: ",
        in_packs(&item.item, bought.packs, bought.quantity),
        site.name
    );
    words += &if too_late {
        format!(
            "needed on {}, ordered on {} it would come on {}, too late by what is usual",
            bought.short_on, site.today, bought.earliest_on
        )
    } else {
        format!(
            "order by {}, needed from {} on",
            bought.order_by, bought.short_on
        )
    };
    if let Some(cents) = bought.cents {
        words += &format!("; {:.2} of money", cents as f64 / 100.0);
    }
    Some(PlanPurchase {
        site_id: site.id.clone(),
        site_name: site.name.clone(),
        item_id: item.item.id,
        item_name: item.item.name.clone(),
        dimension: item.item.dimension.clone(),
        needed: item.needed,
        shortfall: bought.shortfall,
        packs: bought.packs,
        quantity: bought.quantity,
        cents: bought.cents,
        short_on: bought.short_on,
        order_by: bought.order_by,
        earliest_on: bought.earliest_on,
        too_late,
        words,
    })
}

/// So much of an item, with its packs where they are known.
pub(in super::super) fn in_packs(item: &Item, packs: Option<i64>, quantity: i64) -> String {
    let (amount, name) = (told(item, quantity), &item.name);
    match packs {
        Some(1) => format!("1 pack ({amount}) of {name}"),
        Some(packs) => format!("{packs} packs ({amount}) of {name}"),
        None => format!("{amount} of {name}"),
    }
}

/// What is to be bought for a plan that was made of a season.
///
/// # Errors
/// [`SeasonError`] for a season that cannot be read.
pub fn purchases_of(
    season: &Season,
    problem: &Problem,
    plan: &Plan,
) -> Result<Vec<PlanPurchase>, SeasonError> {
    purchases(season, &sowings(season, problem, plan))
}
