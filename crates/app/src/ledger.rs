//! What every use case of the ledger shares: which lots a quantity is taken from, and keeping the movements.

use chrono::{DateTime, TimeDelta, Utc};
use cotyl_calendar::SiteZone;
use cotyl_domain::quantity::{Amount, ItemMeasure, StockDimension};
use cotyl_domain::{Actor, Refusal};
use cotyl_stock::lots::{LotOnShelf, NotEnough, first_expired_first_out};
use cotyl_store::ledger::{self, Movement, NewMovement, Place, Shelf};
use cotyl_store::stock_items::{self, StockItem};
use cotyl_store::{Tx, lots, sites, sowings};
use uuid::Uuid;

use crate::lots::hidden_sites;
use crate::{App, Error, Result};

/// Work may be reported so many days after it was done.
const MOST_DAYS_LATE: i64 = 7;
/// A device's clock may be ahead by so many minutes.
pub(crate) const MOST_MINUTES_AHEAD: i64 = 5;

/// Something to be drawn from the store of a site.
#[derive(Debug, Clone)]
pub(crate) struct IssueRequest {
    /// From whose store.
    pub site_id: Uuid,
    /// Of what.
    pub stock_item_id: Uuid,
    /// Base units of the item, more than nothing.
    pub quantity: i64,
    /// From this lot; left out, from the lot that expires first, and the next when one is not enough.
    pub lot_id: Option<Uuid>,
    /// Whether a named lot may be past its last day; the reason is needed then.
    pub expired_accepted: bool,
    /// For which sowing.
    pub sowing_id: Option<Uuid>,
    /// For which batch.
    pub batch_id: Option<Uuid>,
    /// When; now when left out.
    pub happened_at: Option<DateTime<Utc>>,
    /// Why.
    pub reason: String,
}

/// What is to be taken from the store of a site.
pub(crate) struct Wanted<'a> {
    /// From whose store.
    pub site_id: Uuid,
    /// Sites whose stores the movement touches.
    pub stores: &'a [Uuid],
    /// Of what.
    pub item: &'a StockItem,
    /// From this lot only.
    pub lot_id: Option<Uuid>,
    /// Base units.
    pub quantity: i64,
    /// At what time.
    pub at: DateTime<Utc>,
    /// Whether a named lot may be past its last day.
    pub expired_accepted: bool,
}

/// Movements of one kind at one time, one for each lot.
pub(crate) struct Entry<'a> {
    /// `receive`, `issue`, `transfer`, `spoil` or `reverse`.
    pub kind: &'static str,
    /// Whence.
    pub from: Place<'a>,
    /// Whither.
    pub to: Place<'a>,
    /// Lots with base units, in the order in which they are to be listed.
    pub parts: &'a [(Uuid, i64)],
    /// When it happened.
    pub at: DateTime<Utc>,
    /// Who records it.
    pub member_id: Uuid,
    /// Why.
    pub reason: &'a str,
    /// The movement that it undoes.
    pub reverses_id: Option<Uuid>,
    /// For which sowing.
    pub sowing_id: Option<Uuid>,
    /// For which batch.
    pub batch_id: Option<Uuid>,
}

impl App {
    /// Draws a quantity of an item from the store of a site, within the caller's transaction; the caller has
    /// checked the role. Who draws several items does so in the order of their ids.
    ///
    /// # Errors
    /// [`Error::Invalid`] for `/site_id`, `/stock_item_id`, `/lot_id`, `/sowing_id`, `/reason` and
    /// `/happened_at`; [`Refusal::NotEnoughStock`], [`Refusal::NameTheLot`], [`Refusal::LotExpired`],
    /// [`Refusal::StoreBelowNothing`].
    pub(crate) async fn issue(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        request: &IssueRequest,
    ) -> Result<Vec<Movement>> {
        let at = self.happened_at("/happened_at", request.happened_at)?;
        if request.expired_accepted && request.reason.trim().is_empty() {
            return Err(Error::field(
                "/reason",
                "missing",
                "say why a lot past its last day is used",
            ));
        }
        let item = item(tx, request.stock_item_id).await?;
        if let Some(sowing_id) = request.sowing_id {
            require_sowing_at(tx, sowing_id, request.site_id).await?;
        }
        let wanted = Wanted {
            site_id: request.site_id,
            stores: &[request.site_id],
            item: &item,
            lot_id: request.lot_id,
            quantity: request.quantity,
            at,
            expired_accepted: request.expired_accepted,
        };
        let parts = take(tx, actor, &wanted).await?;
        let entry = Entry {
            kind: "issue",
            from: Place::store(request.site_id),
            to: Place::IN_USE,
            parts: &parts,
            at,
            member_id: actor.member_id,
            reason: &request.reason,
            reverses_id: None,
            sowing_id: request.sowing_id,
            batch_id: request.batch_id,
        };
        self.keep_movements(tx, &entry).await
    }

    /// When something is said to have happened: within the last days, and not in the future but for a clock
    /// that is a little ahead.
    pub(crate) fn happened_at(
        &self,
        pointer: &str,
        given: Option<DateTime<Utc>>,
    ) -> Result<DateTime<Utc>> {
        happened_at_heard(pointer, given, self.clock().now())
    }

    /// Keeps movements, in the order of the lots so that writers queue, and lists them in the order of `parts`.
    pub(crate) async fn keep_movements(
        &self,
        tx: &mut Tx,
        entry: &Entry<'_>,
    ) -> Result<Vec<Movement>> {
        let now = self.clock().now();
        let mut parts: Vec<(Uuid, i64, Uuid)> = entry
            .parts
            .iter()
            .map(|(lot_id, quantity)| (*lot_id, *quantity, self.new_id()))
            .collect();
        parts.sort_unstable();
        for (lot_id, quantity, id) in &parts {
            let movement = NewMovement {
                id: *id,
                lot_id: *lot_id,
                kind: entry.kind,
                from: entry.from,
                to: entry.to,
                quantity: *quantity,
                happened_at: entry.at,
                recorded_at: now,
                member_id: entry.member_id,
                reason: entry.reason.trim(),
                reverses_id: entry.reverses_id,
                sowing_id: entry.sowing_id,
                batch_id: entry.batch_id,
                count_line_id: None,
            };
            ledger::insert(tx, &movement).await?;
        }
        let ids: Vec<Uuid> = parts.iter().map(|part| part.2).collect();
        Ok(ledger::get_many(tx, &ids).await?)
    }
}

/// The same for what the program heard of at an instant.
pub(crate) fn happened_at_heard(
    pointer: &str,
    given: Option<DateTime<Utc>>,
    heard_at: DateTime<Utc>,
) -> Result<DateTime<Utc>> {
    let Some(at) = given else {
        return Ok(heard_at);
    };
    if at > heard_at + TimeDelta::minutes(MOST_MINUTES_AHEAD)
        || at < heard_at - TimeDelta::days(MOST_DAYS_LATE)
    {
        let detail = format!(
            "must be within the last {MOST_DAYS_LATE} days and not in the future; it is {} now",
            heard_at.format("%Y-%m-%dT%H:%M:%SZ")
        );
        return Err(Error::field(pointer, "range", detail));
    }
    Ok(at)
}

/// Which lots a quantity is taken from, all of them held until the transaction ends. Whoever may count them in
/// a blind stock-taking is told neither how much there is nor where one lot ends and the next begins.
pub(crate) async fn take(
    tx: &mut Tx,
    actor: &Actor,
    wanted: &Wanted<'_>,
) -> Result<Vec<(Uuid, i64)>> {
    let taken = take_whatever(tx, wanted).await;
    let tells = match &taken {
        Ok(parts) => parts.len() > 1,
        Err(Error::Refused(refusal)) => matches!(refusal, Refusal::NotEnoughStock { .. }),
        Err(_) => false,
    };
    if !tells || !hidden_sites(tx, actor).await?.contains(&wanted.site_id) {
        return taken;
    }
    Err(match taken {
        Err(Error::Refused(Refusal::NotEnoughStock { what, wanted, .. })) => {
            Refusal::NotEnoughStock {
                what,
                wanted,
                usable: None,
                expired: None,
            }
            .into()
        }
        Ok(_) => Refusal::NameTheLot {
            what: wanted.item.fields.name.clone(),
        }
        .into(),
        Err(other) => other,
    })
}

async fn take_whatever(tx: &mut Tx, wanted: &Wanted<'_>) -> Result<Vec<(Uuid, i64)>> {
    let today = zone_of(tx, "/site_id", wanted.site_id)
        .await?
        .today(wanted.at);
    let shelf = match &wanted.lot_id {
        Some(lot_id) => Shelf::Lots(std::slice::from_ref(lot_id)),
        None => Shelf::Item(wanted.item.id),
    };
    ledger::lock_store(tx, wanted.stores, shelf).await?;
    let there = ledger::shelf(tx, wanted.site_id, shelf, wanted.at).await?;
    let Some(lot_id) = wanted.lot_id else {
        let lots: Vec<LotOnShelf<Uuid>> = there
            .iter()
            .map(|lot| LotOnShelf {
                id: lot.lot_id,
                expires_on: lot.expires_on,
                received_on: lot.received_on,
                quantity: lot.quantity,
            })
            .collect();
        return first_expired_first_out(&lots, wanted.quantity, today)
            .map_err(|short| not_enough(wanted.item, wanted.item.fields.name.clone(), short));
    };
    let lot = lots::get(tx, lot_id, None)
        .await?
        .ok_or_else(|| unknown("/lot_id", "lot"))?;
    if lot.stock_item_id != wanted.item.id {
        return Err(Error::field(
            "/lot_id",
            "other",
            format!("must be a lot of {}", wanted.item.fields.name),
        ));
    }
    if let Some(last_day) = lot.fields.expires_on
        && last_day < today
        && !wanted.expired_accepted
    {
        return Err(Refusal::LotExpired {
            lot: lot.code,
            last_day,
        }
        .into());
    }
    let usable = there.first().map_or(0, |lot| lot.quantity);
    if usable < wanted.quantity {
        let short = NotEnough {
            wanted: wanted.quantity,
            usable,
            expired: 0,
        };
        let what = format!("lot {} of {}", lot.code, wanted.item.fields.name);
        return Err(not_enough(wanted.item, what, short));
    }
    Ok(vec![(lot_id, wanted.quantity)])
}

fn not_enough(item: &StockItem, what: String, short: NotEnough) -> Error {
    let amount = |quantity| Amount::of(dimension(&item.fields.dimension), quantity).to_string();
    Refusal::NotEnoughStock {
        what,
        wanted: amount(short.wanted),
        usable: Some(amount(short.usable)),
        expired: (short.expired > 0).then(|| amount(short.expired)),
    }
    .into()
}

/// The item of that id.
pub(crate) async fn item(tx: &mut Tx, id: Uuid) -> Result<StockItem> {
    stock_items::get(tx, id)
        .await?
        .ok_or_else(|| unknown("/stock_item_id", "stock item"))
}

/// The dimension of that name, as the database keeps it.
pub(crate) fn dimension(name: &str) -> StockDimension {
    StockDimension::parse(name).unwrap_or(StockDimension::Count)
}

/// How amounts of an item are read.
pub(crate) fn measure(item: &StockItem) -> ItemMeasure {
    ItemMeasure {
        dimension: dimension(&item.fields.dimension),
        density_milligrams_per_millilitre: item
            .fields
            .density_milligrams_per_millilitre
            .map(i64::from),
        scoop_quantity: item.fields.scoop_quantity,
    }
}

/// Base units of an amount of an item, more than nothing.
pub(crate) fn read_amount(item: &StockItem, pointer: &str, amount: &Amount) -> Result<i64> {
    measure(item)
        .read(amount)
        .map_err(|error| Error::field(pointer, error.code(), error.to_string()))
}

/// The zone of a site.
pub(crate) async fn zone_of(tx: &mut Tx, pointer: &str, site_id: Uuid) -> Result<SiteZone> {
    let site = sites::get(tx, site_id)
        .await?
        .ok_or_else(|| unknown(pointer, "site"))?;
    site.fields.zone.parse().map_err(Error::internal)
}

async fn require_sowing_at(tx: &mut Tx, sowing_id: Uuid, site_id: Uuid) -> Result<()> {
    let sowing = sowings::get(tx, sowing_id)
        .await?
        .ok_or_else(|| unknown("/sowing_id", "sowing"))?;
    if sowing.sowing.site_id != site_id {
        return Err(Error::field(
            "/sowing_id",
            "other",
            "must be a sowing at the site whose store it is drawn from",
        ));
    }
    Ok(())
}

/// A field that names what is not there.
pub(crate) fn unknown(pointer: &str, what: &str) -> Error {
    Error::field(
        pointer,
        "unknown",
        format!("there is no such {what} in this co-operative"),
    )
}
