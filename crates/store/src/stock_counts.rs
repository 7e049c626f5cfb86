//! Stock-takings: who found how much of which lot, against the ledger as it stood.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A stock-taking to be opened.
#[derive(Debug, Clone, Serialize)]
pub struct StockCountFields {
    /// Of the store of which site.
    pub site_id: Uuid,
    /// Whether those who count see what the ledger says.
    pub shows_ledger: bool,
    /// Anything else.
    pub note: String,
}

/// A stock-taking as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct StockCount {
    /// The stock-taking.
    pub id: Uuid,
    /// Of the store of which site.
    pub site_id: Uuid,
    /// `open`, `posted` or `dropped`.
    pub state: String,
    /// Whether those who count see what the ledger says.
    pub shows_ledger: bool,
    /// Anything else.
    pub note: String,
    /// Who opened it.
    pub opened_by: Uuid,
    /// When.
    pub opened_at: DateTime<Utc>,
    /// Who posted or dropped it.
    pub closed_by: Option<Uuid>,
    /// When.
    pub closed_at: Option<DateTime<Utc>>,
    /// Counts up with every line and change.
    pub version: i64,
}

/// One stock-taking.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<StockCount>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select * from stock_count where cooperative_id = $1 and id = $2")
            .bind(cooperative_id)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// One stock-taking, held against further lines and its end until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<StockCount>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from stock_count where cooperative_id = $1 and id = $2 for no key update",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Opens a stock-taking.
///
/// # Errors
/// Those of the database; constraint `stock_count_open_once` while another is open at the site.
pub async fn insert(
    tx: &mut Tx,
    id: Uuid,
    fields: &StockCountFields,
    opened_by: Uuid,
    opened_at: DateTime<Utc>,
) -> Result<StockCount> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "insert into stock_count (id, cooperative_id, site_id, shows_ledger, note, opened_by, opened_at)
         values ($1, $2, $3, $4, $5, $6, $7) returning *",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.site_id)
    .bind(fields.shows_ledger)
    .bind(&fields.note)
    .bind(opened_by)
    .bind(opened_at)
    .fetch_one(tx.connection())
    .await?)
}

/// Counts the version of a stock-taking up, since it has one line more.
///
/// # Errors
/// Those of the database.
pub async fn touch(tx: &mut Tx, id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update stock_count set state = state where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Ends a stock-taking: `posted` or `dropped`.
///
/// # Errors
/// Those of the database.
pub async fn close(
    tx: &mut Tx,
    id: Uuid,
    state: &'static str,
    closed_by: Uuid,
    closed_at: DateTime<Utc>,
) -> Result<StockCount> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "update stock_count set state = $3, closed_by = $4, closed_at = $5 where cooperative_id = $1 and id = $2 returning *",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(state)
    .bind(closed_by)
    .bind(closed_at)
    .fetch_one(tx.connection())
    .await?)
}

/// Which stock-takings are listed.
#[derive(Debug, Clone, Default)]
pub struct StockCountFilter {
    /// Of one site.
    pub site_id: Option<Uuid>,
    /// `open`, `posted` or `dropped`.
    pub state: Option<String>,
}

/// Stock-takings in the order of their opening; of some sites only where `sites` is given.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    filter: &StockCountFilter,
    sites: Option<&[Uuid]>,
    page: Page,
) -> Result<Vec<StockCount>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select * from stock_count
          where cooperative_id = $1 and ($2::uuid is null or site_id = $2) and ($3::text is null or state = $3)
            and ($4::uuid[] is null or site_id = any($4)) and ($5::uuid is null or id > $5)
          order by id limit $6",
    )
    .bind(cooperative_id)
    .bind(filter.site_id)
    .bind(&filter.state)
    .bind(sites)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// The sites at which a stock-taking is open whose counters must not see the ledger.
///
/// # Errors
/// Those of the database.
pub async fn blind_sites(tx: &mut Tx) -> Result<Vec<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select site_id from stock_count where cooperative_id = $1 and state = 'open' and not shows_ledger",
    )
    .bind(cooperative_id)
    .fetch_all(tx.connection())
    .await?)
}

/// What somebody found of a lot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct CountLine {
    /// The line.
    pub id: Uuid,
    /// The lot.
    pub lot_id: Uuid,
    /// Base units found.
    pub quantity: i64,
    /// When it was counted.
    pub counted_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who counted.
    pub member_id: Uuid,
    /// Anything else.
    pub note: String,
}

/// Keeps a line.
///
/// # Errors
/// Those of the database.
pub async fn insert_line(tx: &mut Tx, count_id: Uuid, line: &CountLine) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into count_line (id, cooperative_id, stock_count_id, lot_id, quantity, counted_at, recorded_at, member_id, note)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(line.id)
    .bind(cooperative_id)
    .bind(count_id)
    .bind(line.lot_id)
    .bind(line.quantity)
    .bind(line.counted_at)
    .bind(line.recorded_at)
    .bind(line.member_id)
    .bind(&line.note)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// What somebody else found of a lot before, in the same stock-taking.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct EarlierLine {
    /// Who counted.
    pub member_id: Uuid,
    /// Their name.
    pub member_name: String,
    /// When.
    pub counted_at: DateTime<Utc>,
    /// Base units found.
    pub quantity: i64,
}

/// The latest line of a lot by another member.
///
/// # Errors
/// Those of the database.
pub async fn line_of_another(
    tx: &mut Tx,
    count_id: Uuid,
    lot_id: Uuid,
    member_id: Uuid,
) -> Result<Option<EarlierLine>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select c.member_id, m.name as member_name, c.counted_at, c.quantity
           from count_line c join member m on m.cooperative_id = c.cooperative_id and m.id = c.member_id
          where c.cooperative_id = $1 and c.stock_count_id = $2 and c.lot_id = $3 and c.member_id <> $4
          order by c.counted_at desc, c.id desc limit 1",
    )
    .bind(cooperative_id)
    .bind(count_id)
    .bind(lot_id)
    .bind(member_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// A lot in a stock-taking: counted, or waiting for it on the shelf.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct CountedLot {
    /// The lot.
    pub lot_id: Uuid,
    /// Its code.
    pub code: String,
    /// Its item.
    pub stock_item_id: Uuid,
    /// The item's name.
    pub stock_item_name: String,
    /// By what the item is kept.
    pub dimension: String,
    /// Base units that the whole lot had.
    pub received: i64,
    /// What the whole lot cost.
    pub cost_cents: Option<i64>,
    /// Its latest line, none while it waits.
    pub line_id: Option<Uuid>,
    /// Base units found.
    pub counted: Option<i64>,
    /// When it was counted.
    pub counted_at: Option<DateTime<Utc>>,
    /// Who counted.
    pub counted_by: Option<Uuid>,
    /// Lines of this lot.
    pub lines: i64,
    /// Base units by the ledger, as it stood when the lot was counted, before what the stock-taking itself
    /// added; those of now while it waits.
    pub ledger: i64,
    /// The least base units by the ledger since then.
    pub least_since: i64,
}

/// The lots of a stock-taking: those counted, each with its latest line, and those that the ledger has on the
/// shelf now and nobody counted; one lot only where `lot_id` is given.
///
/// # Errors
/// Those of the database.
pub async fn lots(
    tx: &mut Tx,
    count: &StockCount,
    lot_id: Option<Uuid>,
) -> Result<Vec<CountedLot>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "with counted as (
           select distinct on (c.lot_id) c.lot_id, c.id, c.quantity, c.counted_at, c.member_id,
                  count(*) over (partition by c.lot_id) as lines
             from count_line c
            where c.cooperative_id = $1 and c.stock_count_id = $2 and ($4::uuid is null or c.lot_id = $4)
            order by c.lot_id, c.counted_at desc, c.id desc),
         waiting as (
           select s.lot_id from store_lot s
            where s.cooperative_id = $1 and s.site_id = $3 and s.left_until = 'infinity' and ($4::uuid is null or s.lot_id = $4)
              and not exists (select 1 from counted where counted.lot_id = s.lot_id)),
         listed as (
           select lot_id, id, quantity, counted_at, member_id, lines from counted
            union all
           select lot_id, null, null, null, null, 0 from waiting)
         select l.id as lot_id, l.code, l.stock_item_id, i.name as stock_item_name, i.dimension, l.quantity as received, l.cost_cents,
                x.id as line_id, x.quantity as counted, x.counted_at, x.member_id as counted_by, x.lines,
                coalesce(p.quantity, 0) - coalesce(d.change, 0) as ledger,
                coalesce((select min(f.quantity) from store_line f
                           where f.site_id = $3 and f.lot_id = l.id and f.happened_at > x.counted_at), p.quantity, 0) as least_since
           from listed x
           join lot l on l.cooperative_id = $1 and l.id = x.lot_id
           join stock_item i on i.cooperative_id = $1 and i.id = l.stock_item_id
           left join lateral (
             select p.quantity from store_line p
              where p.site_id = $3 and p.lot_id = l.id and p.happened_at <= coalesce(x.counted_at, 'infinity')
              order by p.happened_at desc, p.movement_id desc limit 1) p on true
           left join lateral (
             select case when m.to_site_id = $3 then m.quantity else -m.quantity end as change
               from movement m
              where m.cooperative_id = $1 and m.count_line_id = x.id and m.kind = 'count_difference') d on true
          order by lower(i.name), i.id, l.expires_on nulls last, l.id",
    )
    .bind(cooperative_id)
    .bind(count.id)
    .bind(count.site_id)
    .bind(lot_id)
    .fetch_all(tx.connection())
    .await?)
}
