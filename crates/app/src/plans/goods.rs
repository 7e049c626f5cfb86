//! What sowings take of what the co-operative keeps: seed, medium, cups, fertiliser, acid or base.
//!
//! What a sowing needs, what is on the shelf and on order, and what has to be bought by when are those of
//! the shopping list; nothing of that is reckoned twice. Each site has a store of its own, as there.
//!
//! **Limits.** What is ordered today comes after the lead time of its item, so only what is sown before
//! that can lack anything; from then on an item can be had in any quantity. An item that the store of a
//! site never held is kept by nobody, is no limit there and is named in the notes.
//!
//! **What is at hand.** Orders that are open count from the first working day on which they are expected to
//! be there. What stands already, and sowings that no plan may change, have theirs first. A lot counts when
//! it may still be used on the day before goods that are ordered today come: since nobody knows on which
//! days a plan will sow, one that expires earlier only serves what stands. Solution that is mixed already
//! counts as the fertiliser in it.
//!
//! **A container** takes its seed and supplies on the day of sowing, and of the solution what is poured into
//! it before new goods come, uncut; that is never less than it will really take until then.
//!
//! **Money.** What a container takes until its last cut counts at the price of a pack, on the shelf or not,
//! since what is used has to be bought again.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use cotyl_domain::quantity::{Amount, Mass, StockDimension, Volume};
use cotyl_planner::explain::Limit;
use cotyl_store::levels::ReadyBatch;
use cotyl_store::supply::{Item, LotAtSite, OrderUnderWay};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::compile::Compiled;
use super::season::Season;
use crate::shopping_list::{AdjusterDose, Cupboard, SowingToSupply};

mod buy;
mod read;
mod stated;
mod store;

pub use buy::{PlanPurchase, purchases_of};
pub(super) use buy::{in_packs, purchases};
pub(super) use read::read;
pub use stated::StatedGood;
pub(super) use stated::{Stated, lacking, state};
pub(super) use store::Store;

/// What a season has of goods.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SeasonGoods {
    /// Whether a plan keeps to what is at hand before new goods can come.
    pub limits: bool,
    /// Items, what containers take of them, the usual recipe.
    pub(crate) cupboard: Cupboard,
    /// Stores of sites.
    pub(crate) sites: Vec<SiteGoods>,
    /// What stands for ids of records that are no UUIDs.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub(crate) keys: BTreeMap<String, Uuid>,
}

/// The store of a site.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct SiteGoods {
    /// The site.
    pub site_id: String,
    /// Lots on its shelf.
    pub lots: Vec<LotAtSite>,
    /// Orders that have not come.
    pub orders: Vec<OrderUnderWay>,
    /// Items that the store has ever held.
    pub kept: Vec<Uuid>,
    /// Solution that is mixed.
    pub mixed: Vec<ReadyBatch>,
    /// Sowings in the ground, with the solution they will take.
    pub standing: Vec<SowingToSupply>,
    /// Acid or base in a litre of solution.
    pub dose: Option<AdjusterDose>,
}

impl SeasonGoods {
    /// The key of a record of a kind: `site`, `station` or `crop`.
    fn key(&self, kind: &str, id: &str) -> Option<Uuid> {
        let known = || self.keys.get(&format!("{kind} {id}")).copied();
        id.parse().ok().or_else(known)
    }

    fn site(&self, id: &str) -> Option<&SiteGoods> {
        self.sites.iter().find(|site| site.site_id == id)
    }

    /// An item.
    pub(super) fn item(&self, id: Uuid) -> Option<&Item> {
        self.cupboard.items.iter().find(|item| item.id == id)
    }
}

/// The day on which goods that are ordered today can be used.
pub(super) fn comes_on(today: NaiveDate, item: &Item) -> NaiveDate {
    today + Days::new(u64::try_from(item.lead_days).unwrap_or(0))
}

/// An amount of an item as a coordinator would say it.
pub(super) fn told(item: &Item, base_units: i64) -> String {
    let dimension = StockDimension::parse(&item.dimension).unwrap_or(StockDimension::Count);
    let amount = Amount::of(dimension, base_units);
    let large = base_units >= 1_000_000;
    let text = match dimension {
        StockDimension::Mass if large => Mass::of_milligrams(base_units).to_text("kg"),
        StockDimension::Volume if large => Volume::of_microlitres(base_units).to_text("L"),
        _ => return amount.to_string(),
    };
    text.map_or_else(
        |_| amount.to_string(),
        |text| format!("{} {}", text.value, text.unit),
    )
}

/// What is in the way of a sowing that lacks goods, in words; `None` for other limits. What the stores of
/// hidden sites hold is not said.
pub(super) fn limit_words(
    season: &Season,
    compiled: &Compiled,
    limit: &Limit,
    hidden_sites: &[String],
) -> Option<String> {
    let Limit::Stock {
        consumable,
        week_label,
        spare,
        needed,
        added,
        ..
    } = limit
    else {
        return None;
    };
    let good = compiled
        .goods
        .iter()
        .find(|g| g.consumable == *consumable)?;
    let site = season.sites.iter().find(|site| site.id == good.site_id)?;
    let item = season.goods.as_ref()?.item(good.item_id)?;
    if hidden_sites.contains(&site.id) {
        return Some(format!(
            "{} at {} runs out; how much is there is hidden while it is counted",
            item.name, site.name
        ));
    }
    let containers = match added {
        1 => "one container more".to_owned(),
        more => format!("{more} containers more"),
    };
    Some(format!(
        "{} at {} runs out: {containers} sown in {week_label} would take {}, {} can be spared, and what is ordered on {} usually comes on {}",
        item.name,
        site.name,
        told(item, *needed),
        told(item, (*spare).max(0)),
        site.today,
        comes_on(site.today, item)
    ))
}
