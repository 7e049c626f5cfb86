//! Lots: received with their movement into the store, corrected in what their label says.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use cotyl_calendar::SiteZone;
use cotyl_domain::quantity::Amount;
use cotyl_domain::{Actor, Operation};
use cotyl_store::ledger::Place;
use cotyl_store::lots::{self, Lot, LotFields, LotFilter, NewLot};
use cotyl_store::references::Reference;
use cotyl_store::stock_items::StockItem;
use cotyl_store::{Page, Tx, stock_counts, stock_orders};
use serde::Serialize;
use uuid::Uuid;

use crate::input::{Problems, require_version};
use crate::ledger::{Entry, item, read_amount, unknown, zone_of};
use crate::movements::require_site;
use crate::stock_orders::{MOST_CENTS, require_open};
use crate::{App, Caller, Changed, Error, Result};

/// A lot that is entered later than it came enters the ledger at most so many days back.
const MOST_DAYS_BACK: i64 = 7;

/// What is told about a lot that came.
#[derive(Debug, Clone, Serialize)]
pub struct ReceivedLot {
    /// Of what.
    pub stock_item_id: Uuid,
    /// Into whose store.
    pub site_id: Uuid,
    /// The supplier's code.
    pub code: String,
    /// How much.
    pub amount: Amount,
    /// What it cost.
    pub cost_cents: Option<i64>,
    /// The day on which it came; today at the site when left out.
    pub received_on: Option<NaiveDate>,
    /// The order that it answers.
    pub stock_order_id: Option<Uuid>,
    /// What may change later.
    pub fields: LotFields,
}

impl App {
    /// Receives a lot into the store of a site: the lot, its movement, and the end of the order that it answers.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`cotyl_domain::Refusal::WrongState`] for an order that is no longer open.
    pub async fn receive_lot(&self, caller: &Caller, received: &ReceivedLot) -> Result<Lot> {
        let mut problems = Problems::new();
        problems.text("/code", &received.code, 1, 80);
        if let Some(cents) = received.cost_cents {
            problems.within("/cost_cents", cents, 0, MOST_CENTS);
        }
        check(&mut problems, &received.fields);
        problems.finish()?;
        self.write_once(Operation::ReceiveLot, caller, async |tx, actor| {
            require_site(
                tx,
                actor,
                Operation::ReceiveLot,
                "/site_id",
                received.site_id,
            )
            .await?;
            let mut problems = Problems::new();
            problems
                .refers(tx, "/site_id", Reference::Site, received.site_id)
                .await?;
            let item_id = received.stock_item_id;
            problems
                .refers(tx, "/stock_item_id", Reference::StockItem, item_id)
                .await?;
            problems.finish()?;
            let item = item(tx, item_id).await?;
            let quantity = read_amount(&item, "/amount", &received.amount)?;
            let zone = zone_of(tx, "/site_id", received.site_id).await?;
            let received_on = self.day_of_receipt(zone, received)?;
            self.check_for_item(zone, &item, &received.fields)?;
            if let Some(order_id) = received.stock_order_id {
                end_order(tx, order_id, received).await?;
            }
            let id = self.new_id();
            let lot = NewLot {
                id,
                stock_item_id: item_id,
                code: received.code.trim(),
                quantity,
                cost_cents: received.cost_cents,
                received_on,
                stock_order_id: received.stock_order_id,
                fields: &received.fields,
            };
            lots::insert(tx, &lot).await?;
            let entry = Entry {
                kind: "receive",
                from: Place::SUPPLIER,
                to: Place::store(received.site_id),
                parts: &[(id, quantity)],
                at: self.instant_of_receipt(zone, received_on),
                member_id: actor.member_id,
                reason: "",
                reverses_id: None,
                sowing_id: None,
                batch_id: None,
            };
            self.keep_movements(tx, &entry).await?;
            let changed = Changed { noun: "lot", id };
            self.audit(tx, Operation::ReceiveLot, caller, changed, received)
                .await?;
            found(tx, id).await
        })
        .await
    }

    /// One lot, with what is left of it in the stores that the caller may see.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none in the caller's reach.
    pub async fn read_lot(&self, caller: &Caller, id: Uuid) -> Result<LotSeen> {
        self.read(Operation::ReadLot, caller, async |tx, actor| {
            let reach = Operation::ReadLot.reach(actor);
            let lot = lots::get(tx, id, reach.site_filter())
                .await?
                .filter(|lot| reach.all || !lot.stores.is_empty())
                .ok_or(Error::NotFound("lot"))?;
            let hidden = hidden_sites(tx, actor).await?;
            Ok(LotSeen::of(lot, &hidden))
        })
        .await
    }

    /// A page of lots in the caller's reach.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_lots(
        &self,
        caller: &Caller,
        filter: &LotFilter,
        page: Page,
    ) -> Result<Vec<LotSeen>> {
        self.read(Operation::ListLots, caller, async |tx, actor| {
            let reach = Operation::ListLots.reach(actor);
            let hidden = hidden_sites(tx, actor).await?;
            let lots = lots::list(tx, filter, reach.site_filter(), page).await?;
            Ok(lots
                .into_iter()
                .map(|lot| LotSeen::of(lot, &hidden))
                .collect())
        })
        .await
    }

    /// Corrects the last day, the germination or the note of a lot.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Forbidden`] when none of it ever lay at a
    /// site that the caller leads; [`Error::Invalid`].
    pub async fn change_lot(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &LotFields,
    ) -> Result<Lot> {
        let mut problems = Problems::new();
        check(&mut problems, fields);
        problems.finish()?;
        self.write(Operation::ChangeLot, caller, async |tx, actor| {
            let lot = lots::lock(tx, id).await?.ok_or(Error::NotFound("lot"))?;
            let reach = Operation::ChangeLot.reach(actor);
            let mut sites = lot.stores.iter().map(|store| store.site_id);
            let Some(site_id) = sites.find(|site_id| reach.covers_site(*site_id)) else {
                return Err(Error::Forbidden(Operation::ChangeLot));
            };
            require_version(expected, lot.version)?;
            let item = item(tx, lot.stock_item_id).await?;
            let zone = zone_of(tx, "/site_id", site_id).await?;
            self.check_for_item(zone, &item, fields)?;
            lots::update(tx, id, fields).await?;
            let changed = Changed { noun: "lot", id };
            self.audit(tx, Operation::ChangeLot, caller, changed, fields)
                .await?;
            found(tx, id).await
        })
        .await
    }

    fn day_of_receipt(&self, zone: SiteZone, received: &ReceivedLot) -> Result<NaiveDate> {
        let today = zone.today(self.clock().now());
        let received_on = received.received_on.unwrap_or(today);
        let mut problems = Problems::new();
        problems.day("/received_on", received_on);
        problems.require(
            received_on <= today,
            "/received_on",
            "range",
            &format!("must not be after today, which is {today} at the site"),
        );
        if let Some(last_day) = received.fields.expires_on {
            problems.require(
                last_day >= received_on,
                "/expires_on",
                "order",
                &format!("must not be before the day on which it came, {received_on}"),
            );
        }
        problems.finish()?;
        Ok(received_on)
    }

    /// When a lot entered the store: now, or the beginning of an earlier day, but not long ago, since balances
    /// of long ago stay what they were.
    fn instant_of_receipt(&self, zone: SiteZone, received_on: NaiveDate) -> DateTime<Utc> {
        let now = self.clock().now();
        if received_on == zone.today(now) {
            return now;
        }
        let earliest = now - TimeDelta::days(MOST_DAYS_BACK);
        zone.day(received_on).start.max(earliest)
    }

    fn check_for_item(&self, zone: SiteZone, item: &StockItem, fields: &LotFields) -> Result<()> {
        let mut problems = Problems::new();
        problems.require(
            fields.germination_permille.is_none() || item.fields.category == "seed",
            "/germination_permille",
            "other",
            "only seed germinates; leave it out",
        );
        let today = zone.today(self.clock().now());
        problems.require(
            fields.germination_tested_on.is_none_or(|day| day <= today),
            "/germination_tested_on",
            "range",
            &format!("must not be after today, which is {today} at the site"),
        );
        problems.finish()
    }
}

/// A lot as a caller may see it.
#[derive(Debug, Clone)]
pub struct LotSeen {
    /// The lot, without the stores that are hidden.
    pub lot: Lot,
    /// Whether stores are left out, since those who count there must not know.
    pub hides_stores: bool,
}

impl LotSeen {
    fn of(mut lot: Lot, hidden: &[Uuid]) -> Self {
        let before = lot.stores.len();
        lot.stores.retain(|store| !hidden.contains(&store.site_id));
        Self {
            hides_stores: lot.stores.len() < before,
            lot,
        }
    }
}

/// Sites whose balances the actor must not know while a blind stock-taking is open there.
pub(crate) async fn hidden_sites(tx: &mut Tx, actor: &Actor) -> Result<Vec<Uuid>> {
    let reach = Operation::PostStockCount.reach(actor);
    let mut blind = stock_counts::blind_sites(tx).await?;
    blind.retain(|site_id| !reach.covers_site(*site_id));
    Ok(blind)
}

fn check(problems: &mut Problems, fields: &LotFields) {
    problems.text("/note", &fields.note, 0, 300);
    if let Some(day) = fields.expires_on {
        problems.day("/expires_on", day);
    }
    if let Some(permille) = fields.germination_permille {
        problems.within("/germination_permille", permille.into(), 0, 1000);
    }
    problems.require(
        fields.germination_permille.is_some() == fields.germination_tested_on.is_some(),
        "/germination_tested_on",
        "missing",
        "give the germination and the day of its test together, or neither",
    );
}

/// Ends the order that a lot answers.
async fn end_order(tx: &mut Tx, order_id: Uuid, received: &ReceivedLot) -> Result<()> {
    let order = stock_orders::lock(tx, order_id)
        .await?
        .ok_or_else(|| unknown("/stock_order_id", "order"))?;
    if order.fields.stock_item_id != received.stock_item_id
        || order.fields.site_id != received.site_id
    {
        return Err(Error::field(
            "/stock_order_id",
            "other",
            "must be an order of this item for this site",
        ));
    }
    require_open(&order, "received")?;
    Ok(stock_orders::end(tx, order_id, "received").await?)
}

async fn found(tx: &mut Tx, id: Uuid) -> Result<Lot> {
    lots::get(tx, id, None).await?.ok_or(Error::NotFound("lot"))
}
