//! The ledger: movements, and what each left in the stores. The database keeps the sums.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// One end of a movement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place<'a> {
    /// `supplier`, `store`, `in_use`, `spoiled` or `count_difference`.
    pub name: &'a str,
    /// Of a store: its site.
    pub site_id: Option<Uuid>,
}

impl<'a> Place<'a> {
    /// Where lots come from.
    pub const SUPPLIER: Place<'static> = Place::outside("supplier");
    /// What was drawn.
    pub const IN_USE: Place<'static> = Place::outside("in_use");
    /// What was thrown away.
    pub const SPOILED: Place<'static> = Place::outside("spoiled");
    /// What stock-takings missed or found.
    pub const COUNT_DIFFERENCE: Place<'static> = Place::outside("count_difference");

    /// The store of a site.
    pub const fn store(site_id: Uuid) -> Self {
        Self {
            name: "store",
            site_id: Some(site_id),
        }
    }

    const fn outside(name: &'static str) -> Place<'static> {
        Place {
            name,
            site_id: None,
        }
    }
}

/// A movement to be kept.
#[derive(Debug, Clone)]
pub struct NewMovement<'a> {
    /// The movement.
    pub id: Uuid,
    /// Of what.
    pub lot_id: Uuid,
    /// `receive`, `issue`, `transfer`, `spoil`, `count_difference` or `reverse`.
    pub kind: &'static str,
    /// Whence.
    pub from: Place<'a>,
    /// Whither.
    pub to: Place<'a>,
    /// Base units of the item.
    pub quantity: i64,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// Now.
    pub recorded_at: DateTime<Utc>,
    /// Who recorded it.
    pub member_id: Uuid,
    /// Why.
    pub reason: &'a str,
    /// The movement that it undoes.
    pub reverses_id: Option<Uuid>,
    /// The sowing it was drawn for.
    pub sowing_id: Option<Uuid>,
    /// The batch it was drawn for.
    pub batch_id: Option<Uuid>,
    /// The line of a stock-taking that showed it.
    pub count_line_id: Option<Uuid>,
}

/// A movement as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Movement {
    /// The movement.
    pub id: Uuid,
    /// `receive`, `issue`, `transfer`, `spoil`, `count_difference` or `reverse`.
    pub kind: String,
    /// Of what.
    pub lot_id: Uuid,
    /// The lot's code.
    pub lot_code: String,
    /// The item of the lot.
    pub stock_item_id: Uuid,
    /// Its name.
    pub stock_item_name: String,
    /// `mass`, `volume` or `count`.
    pub dimension: String,
    /// Whence.
    pub from_place: String,
    /// The site of the store whence.
    pub from_site_id: Option<Uuid>,
    /// Whither.
    pub to_place: String,
    /// The site of the store whither.
    pub to_site_id: Option<Uuid>,
    /// Base units of the item.
    pub quantity: i64,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who recorded it.
    pub member_id: Uuid,
    /// Why.
    pub reason: String,
    /// The movement that it undoes.
    pub reverses_id: Option<Uuid>,
    /// The movement that undid it.
    pub reversed_by: Option<Uuid>,
    /// The sowing it was drawn for.
    pub sowing_id: Option<Uuid>,
    /// The batch it was drawn for.
    pub batch_id: Option<Uuid>,
    /// The line of a stock-taking that showed it.
    pub count_line_id: Option<Uuid>,
}

macro_rules! movements_where {
    ($condition:literal) => {
        concat!(
            "select m.id, m.kind, m.lot_id, l.code as lot_code, l.stock_item_id, i.name as stock_item_name, i.dimension,
                    m.from_place, m.from_site_id, m.to_place, m.to_site_id, m.quantity, m.happened_at, m.recorded_at,
                    m.member_id, m.reason, m.reverses_id, r.id as reversed_by, m.sowing_id, m.batch_id, m.count_line_id
               from movement m
               join lot l on l.cooperative_id = m.cooperative_id and l.id = m.lot_id
               join stock_item i on i.cooperative_id = l.cooperative_id and i.id = l.stock_item_id
               left join movement r on r.cooperative_id = m.cooperative_id and r.reverses_id = m.id
              where m.cooperative_id = $1 and ",
            $condition
        )
    };
}

/// Keeps a movement; the stores follow. Callers keep those of several lots in the order of the lots.
///
/// # Errors
/// Those of the database; constraint `stock_never_negative` or `stock_never_was_negative` when a store would
/// hold, or would have held, less than nothing.
pub async fn insert(tx: &mut Tx, movement: &NewMovement<'_>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into movement (id, cooperative_id, lot_id, kind, from_place, from_site_id, to_place, to_site_id, quantity,
                happened_at, recorded_at, member_id, reason, reverses_id, sowing_id, batch_id, count_line_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)",
    )
    .bind(movement.id)
    .bind(cooperative_id)
    .bind(movement.lot_id)
    .bind(movement.kind)
    .bind(movement.from.name)
    .bind(movement.from.site_id)
    .bind(movement.to.name)
    .bind(movement.to.site_id)
    .bind(movement.quantity)
    .bind(movement.happened_at)
    .bind(movement.recorded_at)
    .bind(movement.member_id)
    .bind(movement.reason)
    .bind(movement.reverses_id)
    .bind(movement.sowing_id)
    .bind(movement.batch_id)
    .bind(movement.count_line_id)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// One movement.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Movement>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(movements_where!("m.id = $2"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// Several movements, in the order of their ids.
///
/// # Errors
/// Those of the database.
pub async fn get_many(tx: &mut Tx, ids: &[Uuid]) -> Result<Vec<Movement>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as(movements_where!("m.id = any($2) order by m.id"))
            .bind(cooperative_id)
            .bind(ids)
            .fetch_all(tx.connection())
            .await?,
    )
}

/// Which movements a list shows.
#[derive(Debug, Clone, Default)]
pub struct MovementFilter {
    /// Of one item.
    pub stock_item_id: Option<Uuid>,
    /// Of one lot.
    pub lot_id: Option<Uuid>,
    /// Into or out of the store of one site.
    pub site_id: Option<Uuid>,
    /// Drawn for one sowing.
    pub sowing_id: Option<Uuid>,
    /// Drawn for one batch.
    pub batch_id: Option<Uuid>,
    /// Happened at this instant or later.
    pub from: Option<DateTime<Utc>>,
    /// Happened before this instant.
    pub to: Option<DateTime<Utc>>,
    /// Not into or out of the stores of these sites.
    pub hidden_sites: Vec<Uuid>,
}

/// Movements in the order of their recording; of some sites only where `sites` is given.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    filter: &MovementFilter,
    sites: Option<&[Uuid]>,
    page: Page,
) -> Result<Vec<Movement>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(movements_where!(
        "($2::uuid is null or l.stock_item_id = $2) and ($3::uuid is null or m.lot_id = $3)
         and ($4::uuid is null or m.from_site_id = $4 or m.to_site_id = $4)
         and ($5::uuid is null or m.sowing_id = $5) and ($6::uuid is null or m.batch_id = $6)
         and ($7::timestamptz is null or m.happened_at >= $7) and ($8::timestamptz is null or m.happened_at < $8)
         and ($9::uuid[] is null or m.from_site_id = any($9) or m.to_site_id = any($9))
         and (m.from_site_id = any($12)) is not true and (m.to_site_id = any($12)) is not true
         and ($10::uuid is null or m.id > $10)
         order by m.id limit $11"
    ))
    .bind(cooperative_id)
    .bind(filter.stock_item_id)
    .bind(filter.lot_id)
    .bind(filter.site_id)
    .bind(filter.sowing_id)
    .bind(filter.batch_id)
    .bind(filter.from)
    .bind(filter.to)
    .bind(sites)
    .bind(page.after)
    .bind(page.limit)
    .bind(&filter.hidden_sites)
    .fetch_all(tx.connection())
    .await?)
}

/// Which lots in the store of a site.
#[derive(Debug, Clone, Copy)]
pub enum Shelf<'a> {
    /// Those of an item of which something is left.
    Item(Uuid),
    /// These.
    Lots(&'a [Uuid]),
}

/// Holds what is left of lots in the stores of sites against other writers until the transaction ends: lot by
/// lot and then site by site, in the order of their ids, as everyone does.
///
/// # Errors
/// Those of the database.
pub async fn lock_store(tx: &mut Tx, sites: &[Uuid], shelf: Shelf<'_>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    let query = match shelf {
        Shelf::Item(item_id) => sqlx::query(
            "select 1 from store_lot s join lot l on l.cooperative_id = s.cooperative_id and l.id = s.lot_id
              where s.cooperative_id = $1 and s.site_id = any($2) and s.left_until = 'infinity' and l.stock_item_id = $3
              order by s.lot_id, s.site_id for no key update of s",
        )
        .bind(cooperative_id)
        .bind(sites)
        .bind(item_id),
        Shelf::Lots(lots) => sqlx::query(
            "select 1 from store_lot s
              where s.cooperative_id = $1 and s.site_id = any($2) and s.lot_id = any($3)
              order by s.lot_id, s.site_id for no key update",
        )
        .bind(cooperative_id)
        .bind(sites)
        .bind(lots),
    };
    query.execute(tx.connection()).await?;
    Ok(())
}

/// A lot in the store of a site, and what may be taken from it.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct LotInStore {
    /// The lot.
    pub lot_id: Uuid,
    /// The last day on which it may be used.
    pub expires_on: Option<NaiveDate>,
    /// The day on which it came.
    pub received_on: NaiveDate,
    /// Base units that could be taken at that time without the store lacking them later.
    pub quantity: i64,
}

macro_rules! takeable_where {
    ($condition:literal) => {
        concat!(
            "select l.id as lot_id, l.expires_on, l.received_on,
                    least(
                      coalesce((select p.quantity from store_line p
                                 where p.site_id = s.site_id and p.lot_id = s.lot_id and p.happened_at <= $3
                                 order by p.happened_at desc, p.movement_id desc limit 1), 0),
                      (select min(p.quantity) from store_line p
                        where p.site_id = s.site_id and p.lot_id = s.lot_id and p.happened_at > $3)) as quantity
               from store_lot s
               join lot l on l.cooperative_id = s.cooperative_id and l.id = s.lot_id
              where s.cooperative_id = $1 and s.site_id = $2 and s.left_until = 'infinity' and ",
            $condition
        )
    };
}

/// What may be taken at an instant from lots in the store of a site: the least that was there then and at any
/// time since. Ask after [`lock_store`].
///
/// # Errors
/// Those of the database.
pub async fn shelf(
    tx: &mut Tx,
    site_id: Uuid,
    shelf: Shelf<'_>,
    at: DateTime<Utc>,
) -> Result<Vec<LotInStore>> {
    let cooperative_id = tx.cooperative_id();
    let query = match shelf {
        Shelf::Item(item_id) => sqlx::query_as(takeable_where!("l.stock_item_id = $4"))
            .bind(cooperative_id)
            .bind(site_id)
            .bind(at)
            .bind(item_id),
        Shelf::Lots(lots) => sqlx::query_as(takeable_where!("s.lot_id = any($4)"))
            .bind(cooperative_id)
            .bind(site_id)
            .bind(at)
            .bind(lots),
    };
    Ok(query.fetch_all(tx.connection()).await?)
}

/// What the store of a site holds, or held, of a lot.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct LotBalance {
    /// The site.
    pub site_id: Uuid,
    /// The item.
    pub stock_item_id: Uuid,
    /// Its name.
    pub stock_item_name: String,
    /// Its category.
    pub category: String,
    /// `mass`, `volume` or `count`.
    pub dimension: String,
    /// The lot.
    pub lot_id: Uuid,
    /// Its code.
    pub code: String,
    /// The last day on which it may be used.
    pub expires_on: Option<NaiveDate>,
    /// Base units received.
    pub received: i64,
    /// What the whole lot cost.
    pub cost_cents: Option<i64>,
    /// Base units there.
    pub quantity: i64,
}

/// Which balances are asked for.
#[derive(Debug, Clone, Default)]
pub struct BalanceFilter {
    /// At one site.
    pub site_id: Option<Uuid>,
    /// Of one item.
    pub stock_item_id: Option<Uuid>,
    /// At an instant; now when left out.
    pub at: Option<DateTime<Utc>>,
}

// The limits make each lot one look at its key: how many lots were there at some time is guessed far too high,
// and all lots there ever were would be read instead.
macro_rules! balances {
    ($quantity:literal, $from:literal, $condition:literal) => {
        concat!(
            "select s.site_id, l.stock_item_id, i.name as stock_item_name, i.category, i.dimension, l.id as lot_id, l.code,
                    l.expires_on, l.quantity as received, l.cost_cents, ",
            $quantity,
            " as quantity
               from store_lot s
              cross join lateral (select * from lot where lot.cooperative_id = s.cooperative_id and lot.id = s.lot_id limit 1) l
               join stock_item i on i.cooperative_id = l.cooperative_id and i.id = l.stock_item_id
               ",
            $from,
            " where s.cooperative_id = $1 and ($2::uuid is null or s.site_id = $2) and ($3::uuid[] is null or s.site_id = any($3))
                and ($4::uuid is null or l.stock_item_id = $4) and ",
            $condition,
            " order by s.site_id, lower(i.name), i.id, l.expires_on nulls last, l.id"
        )
    };
}

/// What is, or was, in the stores, lot by lot, by site, name of item and last day; lots of which nothing is
/// there are left out.
///
/// # Errors
/// Those of the database.
pub async fn balances(
    tx: &mut Tx,
    filter: &BalanceFilter,
    sites: Option<&[Uuid]>,
) -> Result<Vec<LotBalance>> {
    let cooperative_id = tx.cooperative_id();
    let statement = if filter.at.is_some() {
        balances!(
            "p.quantity",
            "cross join lateral (
               select p.quantity from store_line p
                where p.site_id = s.site_id and p.lot_id = s.lot_id and p.happened_at <= $5
                order by p.happened_at desc, p.movement_id desc limit 1) p",
            "s.left_until >= $5 and s.there_from <= $5 and p.quantity > 0"
        )
    } else {
        balances!(
            "s.quantity",
            "",
            "s.left_until = 'infinity' and $5::timestamptz is null"
        )
    };
    Ok(sqlx::query_as(statement)
        .bind(cooperative_id)
        .bind(filter.site_id)
        .bind(sites)
        .bind(filter.stock_item_id)
        .bind(filter.at)
        .fetch_all(tx.connection())
        .await?)
}
