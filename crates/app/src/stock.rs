//! Balances: what is in the stores, or was at any time, and what it is worth.

use chrono::NaiveDate;
use cotyl_domain::Operation;
use cotyl_domain::quantity::StockDimension;
use cotyl_stock::value::share_cents;
use cotyl_store::ledger::{self, BalanceFilter, LotBalance};
use uuid::Uuid;

use crate::ledger::dimension;
use crate::lots::hidden_sites;
use crate::{App, Caller, Error, Result};

/// What the store of a site holds, or held, of an item.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Balance {
    /// The site.
    pub site_id: Uuid,
    /// The item.
    pub stock_item_id: Uuid,
    /// Its name.
    pub stock_item_name: String,
    /// Its category.
    pub category: String,
    /// By what it is kept.
    pub dimension: StockDimension,
    /// Base units.
    pub quantity: i64,
    /// What it is worth: of each lot its share of what the lot cost.
    pub value_cents: i64,
    /// Lots that it lies in.
    pub lots: usize,
    /// Of these, lots whose cost is not known, which add nothing to the value.
    pub lots_without_cost: usize,
    /// The first last day among the lots.
    pub earliest_last_day: Option<NaiveDate>,
}

impl App {
    /// What is in the stores that the caller may see, or was at an instant, item by item. Sites of a blind
    /// stock-taking are left out for those who might count there.
    ///
    /// # Errors
    /// [`Error::Invalid`] for an instant in the future.
    pub async fn read_stock(
        &self,
        caller: &Caller,
        filter: &BalanceFilter,
    ) -> Result<Vec<Balance>> {
        let now = self.clock().now();
        if filter.at.is_some_and(|at| at > now) {
            return Err(Error::field(
                "at",
                "range",
                format!(
                    "must not be in the future; it is {} now",
                    now.format("%Y-%m-%dT%H:%M:%SZ")
                ),
            ));
        }
        self.read(Operation::ReadStock, caller, async |tx, actor| {
            let reach = Operation::ReadStock.reach(actor);
            let hidden = hidden_sites(tx, actor).await?;
            let lots = ledger::balances(tx, filter, reach.site_filter()).await?;
            Ok(by_item(
                lots.iter().filter(|lot| !hidden.contains(&lot.site_id)),
            ))
        })
        .await
    }
}

/// Balances of lots, sorted by site and item, put together.
fn by_item<'a>(lots: impl Iterator<Item = &'a LotBalance>) -> Vec<Balance> {
    let mut balances: Vec<Balance> = Vec::new();
    for lot in lots {
        let key = (lot.site_id, lot.stock_item_id);
        if balances
            .last()
            .is_none_or(|last| (last.site_id, last.stock_item_id) != key)
        {
            balances.push(Balance {
                site_id: lot.site_id,
                stock_item_id: lot.stock_item_id,
                stock_item_name: lot.stock_item_name.clone(),
                category: lot.category.clone(),
                dimension: dimension(&lot.dimension),
                quantity: 0,
                value_cents: 0,
                lots: 0,
                lots_without_cost: 0,
                earliest_last_day: None,
            });
        }
        let Some(balance) = balances.last_mut() else {
            continue;
        };
        balance.quantity += lot.quantity;
        balance.lots += 1;
        let value = lot
            .cost_cents
            .and_then(|cost| share_cents(cost, lot.quantity, lot.received));
        balance.value_cents += value.unwrap_or_default();
        balance.lots_without_cost += usize::from(value.is_none());
        balance.earliest_last_day = match (balance.earliest_last_day, lot.expires_on) {
            (Some(one), Some(other)) => Some(one.min(other)),
            (one, other) => one.or(other),
        };
    }
    balances
}
