//! Stock-takings: what is found on the shelf against the ledger as it stood when each lot was counted.

use chrono::{DateTime, TimeDelta, Utc};
use cotyl_domain::quantity::Amount;
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_stock::value::share_cents;
use cotyl_store::ledger::{self, NewMovement, Place, Shelf};
use cotyl_store::references::Reference;
use cotyl_store::stock_counts::{
    self, CountLine, CountedLot, EarlierLine, StockCount, StockCountFields, StockCountFilter,
};
use cotyl_store::{Page, Tx, lots};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::input::{Problems, require_version};
use crate::ledger::{MOST_MINUTES_AHEAD, item, measure, unknown};
use crate::movements::require_site;
use crate::{App, Caller, Changed, Error, Result};

/// What somebody found.
#[derive(Debug, Clone, Serialize)]
pub struct Found {
    /// Of which lot.
    pub lot_id: Uuid,
    /// How much; nothing is an answer too.
    pub amount: Amount,
    /// When; now when left out.
    pub counted_at: Option<DateTime<Utc>>,
    /// Anything else.
    pub note: String,
}

/// A stock-taking with its lots, as a caller may see it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct CountSeen {
    /// The stock-taking.
    pub count: StockCount,
    /// Its lots.
    pub lots: Vec<CountedLot>,
    /// Whether the caller may see what the ledger says and who counted what.
    pub sees_ledger: bool,
    /// Whether the caller may see who counted.
    pub sees_names: bool,
    /// Who asks.
    pub member_id: Uuid,
}

impl CountSeen {
    /// What the difference of a lot is worth in cents, by what the lot cost; `None` where that is not known, or
    /// the lot was not counted.
    pub fn difference_cents(&self, lot: &CountedLot) -> Option<i64> {
        share_cents(lot.cost_cents?, lot.counted? - lot.ledger, lot.received)
    }
}

/// A line with what the caller may know about its lot.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct LineSeen {
    /// The line.
    pub line: CountLine,
    /// The lot as it stands in the stock-taking.
    pub seen: CountSeen,
    /// What somebody else found of the same lot before.
    pub earlier: Option<EarlierLine>,
}

impl App {
    /// Opens a stock-taking of the store of a site.
    ///
    /// # Errors
    /// [`Refusal::CountOpen`] while another is open there; [`Error::Invalid`].
    pub async fn open_stock_count(
        &self,
        caller: &Caller,
        fields: &StockCountFields,
    ) -> Result<CountSeen> {
        let mut problems = Problems::new();
        problems.text("/note", &fields.note, 0, 300);
        problems.finish()?;
        self.write_once(Operation::OpenStockCount, caller, async |tx, actor| {
            let operation = Operation::OpenStockCount;
            require_site(tx, actor, operation, "/site_id", fields.site_id).await?;
            let mut problems = Problems::new();
            problems
                .refers(tx, "/site_id", Reference::Site, fields.site_id)
                .await?;
            problems.finish()?;
            let now = self.clock().now();
            let id = self.new_id();
            let count = stock_counts::insert(tx, id, fields, actor.member_id, now).await?;
            self.audit_count(tx, operation, caller, id, fields).await?;
            seen(tx, actor, count, None).await
        })
        .await
    }

    /// One stock-taking with its lots.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none in the caller's reach.
    pub async fn read_stock_count(&self, caller: &Caller, id: Uuid) -> Result<CountSeen> {
        self.read(Operation::ReadStockCount, caller, async |tx, actor| {
            let reach = Operation::ReadStockCount.reach(actor);
            let count = stock_counts::get(tx, id)
                .await?
                .filter(|count| reach.covers_site(count.site_id))
                .ok_or(Error::NotFound("stock-taking"))?;
            seen(tx, actor, count, None).await
        })
        .await
    }

    /// A page of stock-takings in the caller's reach.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_stock_counts(
        &self,
        caller: &Caller,
        filter: &StockCountFilter,
        page: Page,
    ) -> Result<Vec<StockCount>> {
        self.read(Operation::ListStockCounts, caller, async |tx, actor| {
            let reach = Operation::ListStockCounts.reach(actor);
            Ok(stock_counts::list(tx, filter, reach.site_filter(), page).await?)
        })
        .await
    }

    /// Keeps what somebody found of a lot; a later line of the same lot takes its place.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Refusal::WrongState`] when the stock-taking is over.
    pub async fn record_count_line(
        &self,
        caller: &Caller,
        id: Uuid,
        found: &Found,
    ) -> Result<LineSeen> {
        let mut problems = Problems::new();
        problems.text("/note", &found.note, 0, 300);
        problems.finish()?;
        self.write_once(Operation::RecordCountLine, caller, async |tx, actor| {
            let count = lock_mine(tx, actor, Operation::RecordCountLine, id).await?;
            require_open(&count, "added to")?;
            let counted_at = self.counted_at(&count, found.counted_at)?;
            let lot = lots::get(tx, found.lot_id, None)
                .await?
                .ok_or_else(|| unknown("/lot_id", "lot"))?;
            let item = item(tx, lot.stock_item_id).await?;
            let quantity = measure(&item)
                .read_found(&found.amount)
                .map_err(|error| Error::field("/amount", error.code(), error.to_string()))?;
            let line = CountLine {
                id: self.new_id(),
                lot_id: lot.id,
                quantity,
                counted_at,
                recorded_at: self.clock().now(),
                member_id: actor.member_id,
                note: found.note.trim().to_owned(),
            };
            let earlier = stock_counts::line_of_another(tx, id, lot.id, actor.member_id).await?;
            stock_counts::insert_line(tx, id, &line).await?;
            stock_counts::touch(tx, id).await?;
            self.audit_count(tx, Operation::RecordCountLine, caller, id, &line)
                .await?;
            let count = stock_counts::get(tx, id)
                .await?
                .ok_or(Error::NotFound("stock-taking"))?;
            Ok(LineSeen {
                seen: seen(tx, actor, count, Some(lot.id)).await?,
                line,
                earlier,
            })
        })
        .await
    }

    /// Posts the differences as movements at the time of counting, all or none. Lots that nobody counted stay
    /// as they are.
    ///
    /// # Errors
    /// [`Error::Stale`] when a line came since `expected`; [`Refusal::WrongState`];
    /// [`Refusal::CountContradicted`] when more of a lot was taken since than was counted.
    pub async fn post_stock_count(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<CountSeen> {
        self.write(Operation::PostStockCount, caller, async |tx, actor| {
            let operation = Operation::PostStockCount;
            let count = lock_mine(tx, actor, operation, id).await?;
            require_version(expected, count.version)?;
            require_open(&count, "posted")?;
            let counted = counted_lots(tx, &count).await?;
            let ids: Vec<Uuid> = counted.iter().map(|lot| lot.lot_id).collect();
            ledger::lock_store(tx, &[count.site_id], Shelf::Lots(&ids)).await?;
            // what the ledger says is asked again now that nobody can change it
            let mut counted = counted_lots(tx, &count).await?;
            counted.sort_by_key(|lot| lot.lot_id);
            for lot in &counted {
                self.post_difference(tx, actor, &count, lot).await?;
            }
            let now = self.clock().now();
            let count = stock_counts::close(tx, id, "posted", actor.member_id, now).await?;
            self.audit_count(tx, operation, caller, id, &count).await?;
            seen(tx, actor, count, None).await
        })
        .await
    }

    /// Gives a stock-taking up; the ledger stays as it is.
    ///
    /// # Errors
    /// [`Error::Stale`] when a line came since `expected`; [`Refusal::WrongState`].
    pub async fn drop_stock_count(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<CountSeen> {
        self.write(Operation::DropStockCount, caller, async |tx, actor| {
            let operation = Operation::DropStockCount;
            let count = lock_mine(tx, actor, operation, id).await?;
            require_version(expected, count.version)?;
            require_open(&count, "dropped")?;
            let now = self.clock().now();
            let count = stock_counts::close(tx, id, "dropped", actor.member_id, now).await?;
            self.audit_count(tx, operation, caller, id, &count).await?;
            seen(tx, actor, count, None).await
        })
        .await
    }

    fn counted_at(
        &self,
        count: &StockCount,
        given: Option<DateTime<Utc>>,
    ) -> Result<DateTime<Utc>> {
        let now = self.clock().now();
        let at = given.unwrap_or(now);
        if at < count.opened_at || at > now + TimeDelta::minutes(MOST_MINUTES_AHEAD) {
            return Err(Error::field(
                "/counted_at",
                "range",
                format!(
                    "must lie between the opening of the stock-taking, {}, and now",
                    count.opened_at.format("%Y-%m-%dT%H:%M:%SZ")
                ),
            ));
        }
        Ok(at)
    }

    async fn post_difference(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        count: &StockCount,
        lot: &CountedLot,
    ) -> Result<()> {
        let (Some(counted), Some(counted_at)) = (lot.counted, lot.counted_at) else {
            return Ok(());
        };
        let difference = counted - lot.ledger;
        if difference == 0 {
            return Ok(());
        }
        if lot.least_since + difference < 0 {
            let dimension = crate::ledger::dimension(&lot.dimension);
            let amount = |quantity| Amount::of(dimension, quantity);
            return Err(Refusal::CountContradicted {
                lot: lot.code.clone(),
                why: format!(
                    "{} were counted and {} were taken out since; count it again, or reverse what was not taken",
                    amount(counted),
                    amount(lot.ledger - lot.least_since)
                ),
            }
            .into());
        }
        let (store, other) = (Place::store(count.site_id), Place::COUNT_DIFFERENCE);
        let (from, to) = if difference > 0 {
            (other, store)
        } else {
            (store, other)
        };
        let movement = NewMovement {
            id: self.new_id(),
            lot_id: lot.lot_id,
            kind: "count_difference",
            from,
            to,
            quantity: difference.abs(),
            happened_at: counted_at,
            recorded_at: self.clock().now(),
            member_id: actor.member_id,
            reason: "",
            reverses_id: None,
            sowing_id: None,
            batch_id: None,
            count_line_id: lot.line_id,
        };
        Ok(ledger::insert(tx, &movement).await?)
    }

    async fn audit_count(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
        became: &impl Serialize,
    ) -> Result<()> {
        let changed = Changed {
            noun: "stock_count",
            id,
        };
        self.audit(tx, operation, caller, changed, became).await
    }
}

async fn counted_lots(tx: &mut Tx, count: &StockCount) -> Result<Vec<CountedLot>> {
    let mut lots = stock_counts::lots(tx, count, None).await?;
    lots.retain(|lot| lot.line_id.is_some());
    Ok(lots)
}

/// The stock-taking as the actor may see it, all its lots or one.
async fn seen(
    tx: &mut Tx,
    actor: &Actor,
    count: StockCount,
    lot_id: Option<Uuid>,
) -> Result<CountSeen> {
    let leads = Operation::PostStockCount
        .reach(actor)
        .covers_site(count.site_id);
    Ok(CountSeen {
        lots: stock_counts::lots(tx, &count, lot_id).await?,
        sees_ledger: leads || count.shows_ledger,
        sees_names: leads,
        member_id: actor.member_id,
        count,
    })
}

/// The stock-taking, held, when the actor may do this with it.
async fn lock_mine(
    tx: &mut Tx,
    actor: &Actor,
    operation: Operation,
    id: Uuid,
) -> Result<StockCount> {
    let not_found = || Error::NotFound("stock-taking");
    let count = stock_counts::lock(tx, id).await?.ok_or_else(not_found)?;
    if operation.reach(actor).covers_site(count.site_id) {
        return Ok(count);
    }
    let may_see = Operation::ReadStockCount
        .reach(actor)
        .covers_site(count.site_id);
    Err(if may_see {
        Error::Forbidden(operation)
    } else {
        not_found()
    })
}

fn require_open(count: &StockCount, step: &str) -> Result<()> {
    if count.state == "open" {
        return Ok(());
    }
    Err(Refusal::WrongState {
        what: "the stock-taking".into(),
        state: count.state.clone(),
        step: step.into(),
    }
    .into())
}
