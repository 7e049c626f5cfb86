//! What a plan takes to buy.

use chrono::NaiveDate;
use cotyl_app::plans::answer::KeptAnswer;
use cotyl_app::plans::goods::PlanPurchase as AppPurchase;
use cotyl_domain::quantity::Amount;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::{id, week};
use crate::stock_items::dimension;

/// What is to be bought of an item for the store of a site, for the sowings of the plan and for what stands
/// already: the shopping list of the plan as it was when the plan was made.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "site_id": "0199a1b2-0000-7000-8000-000000000001", "site_name": "North school",
    "stock_item_id": "0199a1b2-0000-7000-8000-000000000002", "name": "Coarse medium, rinsed",
    "needed": {"value": "14400", "unit": "mL"}, "short": {"value": "2400", "unit": "mL"}, "packs": 1,
    "quantity": {"value": "10000", "unit": "mL"}, "cost_cents": 1400, "short_on": "2026-10-19", "week": "2026-W43",
    "order_by": "2026-10-12", "too_late": false, "earliest_on": "2026-09-28",
    "words": "1 pack (10 L) of Coarse medium, rinsed for North school: order by 2026-10-12, needed from 2026-10-19 on; 14.00 of money"
}))]
pub struct PlanPurchase {
    /// The site.
    pub site_id: Uuid,
    /// Its name.
    pub site_name: String,
    /// The item.
    pub stock_item_id: Uuid,
    /// Its name.
    pub name: String,
    /// What the weeks of the plan need of it.
    pub needed: Amount,
    /// What of that is neither at hand nor on order.
    pub short: Amount,
    /// Whole packs that cover it; `null` when the pack is not described.
    pub packs: Option<i64>,
    /// What is in them; what lacks when the pack is not described.
    pub quantity: Amount,
    /// What they cost; `null` when pack or price is not described.
    pub cost_cents: Option<i64>,
    /// The first day on which something lacks.
    pub short_on: NaiveDate,
    /// The ISO week of that day.
    pub week: String,
    /// The last day on which ordering is in time for it.
    pub order_by: NaiveDate,
    /// Whether that day was over when the plan was made.
    pub too_late: bool,
    /// The first day on which goods that were ordered on the day of the plan can be used.
    pub earliest_on: NaiveDate,
    /// All of it in words.
    pub words: String,
}

impl From<AppPurchase> for PlanPurchase {
    fn from(bought: AppPurchase) -> Self {
        let dimension = dimension(&bought.dimension);
        let amount = |base_units| Amount::of(dimension, base_units);
        Self {
            site_id: id(&bought.site_id),
            site_name: bought.site_name,
            stock_item_id: bought.item_id,
            name: bought.item_name,
            needed: amount(bought.needed),
            short: amount(bought.shortfall),
            packs: bought.packs,
            quantity: amount(bought.quantity),
            cost_cents: bought.cents,
            short_on: bought.short_on,
            week: week(bought.short_on),
            order_by: bought.order_by,
            too_late: bought.too_late,
            earliest_on: bought.earliest_on,
            words: bought.words,
        }
    }
}

/// What the purchases cost as far as prices are known; `None` where there are none.
pub(super) fn cost_cents(answer: &KeptAnswer) -> Option<i64> {
    let known = answer.purchases.iter().filter_map(|bought| bought.cents);
    known.reduce(i64::saturating_add)
}

/// What is to be bought, in a sentence; nothing where nothing is.
pub(super) fn to_buy(answer: &KeptAnswer) -> String {
    let Some(first) = answer.purchases.iter().map(|bought| bought.order_by).min() else {
        return String::new();
    };
    let (count, late) = (
        answer.purchases.len(),
        answer
            .purchases
            .iter()
            .filter(|bought| bought.too_late)
            .count(),
    );
    let items = if count == 1 { "item is" } else { "items are" };
    let mut text = format!(" {count} {items} to be bought, the first to be ordered by {first}");
    if let Some(cents) = cost_cents(answer) {
        text += &format!(", for {:.2} of money", cents as f64 / 100.0);
        let unpriced = answer
            .purchases
            .iter()
            .filter(|bought| bought.cents.is_none());
        match unpriced.count() {
            0 => {}
            1 => text += " and one without a known price",
            more => text += &format!(" and {more} without a known price"),
        }
    }
    text += ".";
    if late > 0 {
        text += &format!(" For {late} of them that day is over.");
    }
    text
}
