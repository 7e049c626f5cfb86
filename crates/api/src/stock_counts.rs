//! Stock-takings.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, delete, get, post};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use cotyl_app::stock_counts::{CountSeen, Found, LineSeen};
use cotyl_domain::quantity::Amount;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, entity_tag, listed, one_more, record};
use crate::serve::ApiState;
use crate::stock_items::dimension;

/// What became of a stock-taking.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CountState {
    /// Lines may be added.
    Open,
    /// Its differences are in the ledger.
    Posted,
    /// Given up.
    Dropped,
}

impl CountState {
    fn as_str(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Posted => "posted",
            Self::Dropped => "dropped",
        }
    }

    fn of(name: &str) -> Self {
        match name {
            "posted" => Self::Posted,
            "dropped" => Self::Dropped,
            _ => Self::Open,
        }
    }
}

/// A stock-taking to be opened.
#[derive(Debug, Deserialize, ToSchema)]
pub struct StockCountInput {
    /// Of the store of which site.
    pub site_id: Uuid,
    /// Whether those who count see what the ledger says; they do not when left out.
    #[serde(default)]
    pub shows_ledger: bool,
    /// Anything else, at most 300 characters; empty when left out.
    #[serde(default)]
    #[schema(example = "Before the winter order")]
    pub note: String,
}

/// A stock-taking.
#[derive(Debug, Serialize, ToSchema)]
pub struct StockCount {
    /// The stock-taking.
    pub id: Uuid,
    /// Of the store of which site.
    pub site_id: Uuid,
    /// What became of it.
    pub state: CountState,
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
}

impl From<records::StockCount> for StockCount {
    fn from(count: records::StockCount) -> Self {
        Self {
            id: count.id,
            site_id: count.site_id,
            state: CountState::of(&count.state),
            shows_ledger: count.shows_ledger,
            note: count.note,
            opened_by: count.opened_by,
            opened_at: count.opened_at,
            closed_by: count.closed_by,
            closed_at: count.closed_at,
        }
    }
}

/// A lot in a stock-taking.
#[derive(Debug, Serialize, ToSchema)]
pub struct CountedLot {
    /// The lot.
    pub lot_id: Uuid,
    /// Its code.
    pub lot_code: String,
    /// Its item.
    pub stock_item_id: Uuid,
    /// The item's name.
    pub stock_item_name: String,
    /// Whether it was counted; otherwise it is on the shelf and waits.
    pub is_counted: bool,
    /// How often it was counted; the line that was counted last holds.
    pub lines: i64,
    /// When.
    pub counted_at: Option<DateTime<Utc>>,
    /// Who counted: named to those who may post, and to oneself.
    pub counted_by: Option<Uuid>,
    /// What was found. Hidden is what others found, where counting is blind.
    pub counted: Option<Amount>,
    /// What the ledger said when it was counted, or says now while it waits; hidden where counting is blind.
    pub ledger: Option<Amount>,
    /// What was found less what the ledger said; negative for what is missing. Hidden with the ledger.
    pub difference: Option<Amount>,
    /// What the difference is worth in cents, by what the lot cost. Hidden with the ledger.
    pub difference_cents: Option<i64>,
}

/// A stock-taking with its lots.
#[derive(Debug, Serialize, ToSchema)]
pub struct StockCountDetail {
    /// The stock-taking.
    #[serde(flatten)]
    pub count: StockCount,
    /// Lots that were counted, and lots on the shelf that were not.
    pub lots: Vec<CountedLot>,
    /// What all differences are worth in cents; hidden with the ledger.
    pub difference_cents: Option<i64>,
}

/// What somebody found.
#[derive(Debug, Deserialize, ToSchema)]
pub struct CountLineInput {
    /// Of which lot.
    pub lot_id: Uuid,
    /// How much, nothing too.
    pub amount: Amount,
    /// When, since the stock-taking was opened; now when left out.
    pub counted_at: Option<DateTime<Utc>>,
    /// Anything else, at most 300 characters; empty when left out.
    #[serde(default)]
    #[schema(example = "One bag is open")]
    pub note: String,
}

/// That somebody else counted the same lot before.
#[derive(Debug, Serialize, ToSchema)]
pub struct CountedBefore {
    /// When.
    pub counted_at: DateTime<Utc>,
    /// Who, named to those who may post.
    pub member_name: Option<String>,
    /// What was found; hidden where counting is blind.
    pub amount: Option<Amount>,
}

/// A line that was kept.
#[derive(Debug, Serialize, ToSchema)]
pub struct CountLine {
    /// The line.
    pub id: Uuid,
    /// What was found.
    pub amount: Amount,
    /// When.
    pub counted_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who counted.
    pub member_id: Uuid,
    /// Anything else.
    pub note: String,
    /// The lot as it stands in the stock-taking now.
    pub lot: CountedLot,
    /// Set when another member counted the same lot in this stock-taking before.
    pub counted_before: Option<CountedBefore>,
}

fn wire_lot(seen: &CountSeen, lot: &records::CountedLot) -> CountedLot {
    let dimension = dimension(&lot.dimension);
    let amount = |base_units| Amount::of(dimension, base_units);
    let is_own = lot.counted_by == Some(seen.member_id);
    let difference = lot.counted.map(|counted| counted - lot.ledger);
    let shown = |value: Option<i64>| value.filter(|_| seen.sees_ledger);
    CountedLot {
        lot_id: lot.lot_id,
        lot_code: lot.code.clone(),
        stock_item_id: lot.stock_item_id,
        stock_item_name: lot.stock_item_name.clone(),
        is_counted: lot.line_id.is_some(),
        lines: lot.lines,
        counted_at: lot.counted_at,
        counted_by: lot.counted_by.filter(|_| seen.sees_names || is_own),
        counted: lot
            .counted
            .filter(|_| seen.sees_ledger || is_own)
            .map(amount),
        ledger: shown(Some(lot.ledger)).map(amount),
        difference: shown(difference).map(amount),
        difference_cents: shown(difference).and_then(|_| seen.difference_cents(lot)),
    }
}

impl From<CountSeen> for StockCountDetail {
    fn from(seen: CountSeen) -> Self {
        let worth = seen
            .lots
            .iter()
            .filter_map(|lot| seen.difference_cents(lot));
        Self {
            difference_cents: seen.sees_ledger.then(|| worth.sum()),
            lots: seen.lots.iter().map(|lot| wire_lot(&seen, lot)).collect(),
            count: seen.count.into(),
        }
    }
}

fn wire_line(line: LineSeen) -> Option<CountLine> {
    let lot = line.seen.lots.first()?;
    let amount = |base_units| Amount::of(dimension(&lot.dimension), base_units);
    let seen = &line.seen;
    Some(CountLine {
        id: line.line.id,
        amount: amount(line.line.quantity),
        counted_at: line.line.counted_at,
        recorded_at: line.line.recorded_at,
        member_id: line.line.member_id,
        note: line.line.note,
        counted_before: line.earlier.map(|earlier| CountedBefore {
            counted_at: earlier.counted_at,
            member_name: seen.sees_names.then_some(earlier.member_name),
            amount: seen.sees_ledger.then(|| amount(earlier.quantity)),
        }),
        lot: wire_lot(seen, lot),
    })
}

/// Which stock-takings are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct StockCountsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this site only.
    pub site_id: Option<Uuid>,
    /// In this state only.
    pub state: Option<CountState>,
}

/// List stock-takings
#[utoipa::path(
    tag = "stock", operation_id = "list_stock_counts", params(StockCountsQuery),
    responses((status = 200, description = "A page of stock-takings", body = Listed<StockCount>), ReadProblems)
)]
#[get("/stock_counts")]
pub async fn list_stock_counts(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<StockCountsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::StockCountFilter {
        site_id: query.site_id,
        state: query.state.map(|state| state.as_str().to_owned()),
    };
    let counts = state
        .app
        .list_stock_counts(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, counts, |c| c.id, StockCount::from))
}

/// Open a stock-taking of the store of a site
///
/// One at a time is open at a site. It may be left and gone on with; others draw stock meanwhile.
#[utoipa::path(
    tag = "stock", operation_id = "open_stock_count", request_body = StockCountInput,
    responses((status = 201, description = "Opened", body = StockCountDetail), WriteProblems)
)]
#[post("/stock_counts")]
pub async fn open_stock_count(
    state: Data<ApiState>,
    signed: SignedBody<StockCountInput>,
) -> Answer {
    let fields = records::StockCountFields {
        site_id: signed.body.site_id,
        shows_ledger: signed.body.shows_ledger,
        note: signed.body.note,
    };
    let seen = state.app.open_stock_count(&signed.caller, &fields).await?;
    Ok(created(
        seen.count.version,
        &format!("/stock_counts/{}", seen.count.id),
        &StockCountDetail::from(seen),
    ))
}

/// Read a stock-taking with its lots
#[utoipa::path(
    tag = "stock", operation_id = "read_stock_count",
    responses((status = 200, description = "The stock-taking", body = StockCountDetail), ReadProblems)
)]
#[get("/stock_counts/{stock_count_id}")]
pub async fn read_stock_count(
    state: Data<ApiState>,
    Signed(caller): Signed,
    stock_count_id: Path<Uuid>,
) -> Answer {
    let seen = state.app.read_stock_count(&caller, *stock_count_id).await?;
    Ok(record(seen.count.version, &StockCountDetail::from(seen)))
}

/// Record what was found of a lot
///
/// A lot is counted again by one more line; the line counted last holds. The `ETag` is that of the stock-taking.
#[utoipa::path(
    tag = "stock", operation_id = "record_count_line", request_body = CountLineInput,
    responses((status = 201, description = "Kept", body = CountLine), WriteProblems)
)]
#[post("/stock_counts/{stock_count_id}/lines")]
pub async fn record_count_line(
    state: Data<ApiState>,
    stock_count_id: Path<Uuid>,
    signed: SignedBody<CountLineInput>,
) -> Answer {
    let found = Found {
        lot_id: signed.body.lot_id,
        amount: signed.body.amount,
        counted_at: signed.body.counted_at,
        note: signed.body.note,
    };
    let line = state
        .app
        .record_count_line(&signed.caller, *stock_count_id, &found)
        .await?;
    let tag = entity_tag(line.seen.count.version);
    let line = wire_line(line)
        .ok_or_else(|| cotyl_app::Error::internal("a line without its lot was kept"))?;
    Ok(HttpResponse::Created()
        .insert_header((actix_web::http::header::ETAG, tag))
        .json(line))
}

/// Post the differences of a stock-taking to the ledger
///
/// Each as it was when its lot was counted; all or none. Lots that nobody counted stay as they are.
#[utoipa::path(
    tag = "stock", operation_id = "post_stock_count",
    params(("If-Match" = String, Header, description = "ETag of the stock-taking as last read")),
    responses((status = 200, description = "The posted stock-taking", body = StockCountDetail), ChangeProblems)
)]
#[post("/stock_counts/{stock_count_id}/posting")]
pub async fn post_stock_count(
    state: Data<ApiState>,
    Signed(caller): Signed,
    stock_count_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let seen = state
        .app
        .post_stock_count(&caller, *stock_count_id, expected)
        .await?;
    Ok(record(seen.count.version, &StockCountDetail::from(seen)))
}

/// Give a stock-taking up
#[utoipa::path(
    tag = "stock", operation_id = "drop_stock_count",
    params(("If-Match" = String, Header, description = "ETag of the stock-taking as last read")),
    responses((status = 200, description = "The dropped stock-taking", body = StockCountDetail), ChangeProblems)
)]
#[delete("/stock_counts/{stock_count_id}")]
pub async fn drop_stock_count(
    state: Data<ApiState>,
    Signed(caller): Signed,
    stock_count_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let seen = state
        .app
        .drop_stock_count(&caller, *stock_count_id, expected)
        .await?;
    Ok(record(seen.count.version, &StockCountDetail::from(seen)))
}
