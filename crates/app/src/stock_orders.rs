//! Orders: what is on its way to the store of a site.

use chrono::{Days, NaiveDate};
use cotyl_domain::quantity::Amount;
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::references::Reference;
use cotyl_store::stock_orders::{self, StockOrder, StockOrderFields, StockOrderFilter};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_version};
use crate::ledger::{item, read_amount, zone_of};
use crate::movements::require_site;
use crate::{App, Caller, Changed, Error, Result};

/// The longest that an order may take, as in the database.
const MOST_DAYS: i64 = 730;
/// The most that a lot or an order may cost, as in the database.
pub(crate) const MOST_CENTS: i64 = 10_000_000_000;

/// What is told about an order.
#[derive(Debug, Clone)]
pub struct StockOrderInput {
    /// For the store of which site. It cannot change.
    pub site_id: Uuid,
    /// Of what. It cannot change.
    pub stock_item_id: Uuid,
    /// How much.
    pub amount: Amount,
    /// The day on which it was ordered; today at the site when left out.
    pub ordered_on: Option<NaiveDate>,
    /// The day on which it should come; the item's lead time later when left out.
    pub expected_on: Option<NaiveDate>,
    /// What it costs.
    pub cost_cents: Option<i64>,
    /// Anything else.
    pub note: String,
}

impl App {
    /// Writes an order down.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Error::Forbidden`] for a site that the caller does not lead.
    pub async fn create_stock_order(
        &self,
        caller: &Caller,
        input: &StockOrderInput,
    ) -> Result<StockOrder> {
        check(input)?;
        self.write_once(Operation::CreateStockOrder, caller, async |tx, actor| {
            let operation = Operation::CreateStockOrder;
            require_site(tx, actor, operation, "/site_id", input.site_id).await?;
            let mut problems = Problems::new();
            problems
                .refers(tx, "/site_id", Reference::Site, input.site_id)
                .await?;
            problems
                .refers(
                    tx,
                    "/stock_item_id",
                    Reference::StockItem,
                    input.stock_item_id,
                )
                .await?;
            problems.finish()?;
            let id = self.new_id();
            let fields = self.order_fields(tx, input).await?;
            stock_orders::insert(tx, id, &fields).await?;
            self.order_after(tx, operation, caller, id).await
        })
        .await
    }

    /// One order.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none in the caller's reach.
    pub async fn read_stock_order(&self, caller: &Caller, id: Uuid) -> Result<StockOrder> {
        self.read(Operation::ReadStockOrder, caller, async |tx, actor| {
            let reach = Operation::ReadStockOrder.reach(actor);
            stock_orders::get(tx, id)
                .await?
                .filter(|order| reach.covers_site(order.fields.site_id))
                .ok_or(Error::NotFound("order"))
        })
        .await
    }

    /// A page of orders in the caller's reach.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_stock_orders(
        &self,
        caller: &Caller,
        filter: &StockOrderFilter,
        page: Page,
    ) -> Result<Vec<StockOrder>> {
        self.read(Operation::ListStockOrders, caller, async |tx, actor| {
            let reach = Operation::ListStockOrders.reach(actor);
            Ok(stock_orders::list(tx, filter, reach.site_filter(), page).await?)
        })
        .await
    }

    /// Changes an order that is open; its site and item stay.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Refusal::WrongState`]; [`Error::Invalid`].
    pub async fn change_stock_order(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        input: &StockOrderInput,
    ) -> Result<StockOrder> {
        check(input)?;
        self.write(Operation::ChangeStockOrder, caller, async |tx, actor| {
            let operation = Operation::ChangeStockOrder;
            let order = lock_mine(tx, actor, operation, id).await?;
            require_version(expected, order.version)?;
            require_open(&order, "changed")?;
            let mut problems = Problems::new();
            let kept = &order.fields;
            problems.fixed("/site_id", "order", input.site_id, kept.site_id);
            problems.fixed(
                "/stock_item_id",
                "order",
                input.stock_item_id,
                kept.stock_item_id,
            );
            problems.finish()?;
            let fields = self.order_fields(tx, input).await?;
            stock_orders::update(tx, id, &fields).await?;
            self.order_after(tx, operation, caller, id).await
        })
        .await
    }

    /// Gives an open order up.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Refusal::WrongState`].
    pub async fn drop_stock_order(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<StockOrder> {
        self.write(Operation::DropStockOrder, caller, async |tx, actor| {
            let operation = Operation::DropStockOrder;
            let order = lock_mine(tx, actor, operation, id).await?;
            require_version(expected, order.version)?;
            require_open(&order, "dropped")?;
            stock_orders::end(tx, id, "dropped").await?;
            self.order_after(tx, operation, caller, id).await
        })
        .await
    }

    async fn order_fields(&self, tx: &mut Tx, input: &StockOrderInput) -> Result<StockOrderFields> {
        let item = item(tx, input.stock_item_id).await?;
        let zone = zone_of(tx, "/site_id", input.site_id).await?;
        let today = zone.today(self.clock().now());
        let ordered_on = input.ordered_on.unwrap_or(today);
        let lead = Days::new(u64::try_from(item.fields.lead_days).unwrap_or_default());
        let expected_on = input.expected_on.unwrap_or(ordered_on + lead);
        let mut problems = Problems::new();
        problems.require(
            ordered_on <= today,
            "/ordered_on",
            "range",
            &format!("must not be after today, which is {today} at the site"),
        );
        let days = expected_on.signed_duration_since(ordered_on).num_days();
        problems.require(
            (0..=MOST_DAYS).contains(&days),
            "/expected_on",
            "range",
            &format!(
                "must be the day of ordering, {ordered_on}, or at most {MOST_DAYS} days later"
            ),
        );
        problems.finish()?;
        Ok(StockOrderFields {
            site_id: input.site_id,
            stock_item_id: input.stock_item_id,
            quantity: read_amount(&item, "/amount", &input.amount)?,
            ordered_on,
            expected_on,
            cost_cents: input.cost_cents,
            note: input.note.trim().to_owned(),
        })
    }

    async fn order_after(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
    ) -> Result<StockOrder> {
        let order = stock_orders::get(tx, id)
            .await?
            .ok_or(Error::NotFound("order"))?;
        let changed = Changed {
            noun: "stock_order",
            id,
        };
        self.audit(tx, operation, caller, changed, &order).await?;
        Ok(order)
    }
}

fn check(input: &StockOrderInput) -> Result<()> {
    let mut problems = Problems::new();
    problems.text("/note", &input.note, 0, 300);
    if let Some(cents) = input.cost_cents {
        problems.within("/cost_cents", cents, 0, MOST_CENTS);
    }
    for (pointer, day) in [
        ("/ordered_on", input.ordered_on),
        ("/expected_on", input.expected_on),
    ] {
        if let Some(day) = day {
            problems.day(pointer, day);
        }
    }
    problems.finish()
}

/// The order, held, when the actor may do this with it.
async fn lock_mine(
    tx: &mut Tx,
    actor: &Actor,
    operation: Operation,
    id: Uuid,
) -> Result<StockOrder> {
    let order = stock_orders::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("order"))?;
    if operation.reach(actor).covers_site(order.fields.site_id) {
        Ok(order)
    } else {
        Err(Error::Forbidden(operation))
    }
}

/// The order is still open.
pub(crate) fn require_open(order: &StockOrder, step: &str) -> Result<()> {
    if order.state == "open" {
        return Ok(());
    }
    Err(Refusal::WrongState {
        what: "the order".into(),
        state: order.state.clone(),
        step: step.into(),
    }
    .into())
}
