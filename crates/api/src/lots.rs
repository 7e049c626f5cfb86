//! Lots and balances.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, get, post, put};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::lots::{LotSeen, ReceivedLot};
use cotyl_app::records;
use cotyl_app::stock::Balance as AppBalance;
use cotyl_domain::quantity::Amount;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;
use crate::stock_items::{StockCategory, dimension};

/// What is told about a lot that came.
#[derive(Debug, Deserialize, ToSchema)]
pub struct LotInput {
    /// Of what.
    pub stock_item_id: Uuid,
    /// Into whose store.
    pub site_id: Uuid,
    /// The supplier's code, 1 to 80 characters.
    #[schema(example = "L-2291")]
    pub code: String,
    /// How much.
    pub amount: Amount,
    /// What the whole lot cost, in cents.
    #[schema(minimum = 0, example = 1450)]
    pub cost_cents: Option<i64>,
    /// The day on which it came; today at the site when left out. A lot of an earlier day enters the ledger at the
    /// beginning of that day, and at most 7 days back.
    pub received_on: Option<NaiveDate>,
    /// The last day on which it may be used.
    pub expires_on: Option<NaiveDate>,
    /// Of seed: what came up of a thousand when it was tested, 0 to 1000.
    pub germination_permille: Option<i32>,
    /// The day of that test.
    pub germination_tested_on: Option<NaiveDate>,
    /// The open order that it answers, which is received then.
    pub stock_order_id: Option<Uuid>,
    /// Anything else, at most 300 characters; empty when left out.
    #[serde(default)]
    pub note: String,
}

/// What of a lot may change.
#[derive(Debug, Deserialize, ToSchema)]
pub struct LotChange {
    /// The last day on which it may be used.
    #[schema(example = "2027-03-31")]
    pub expires_on: Option<NaiveDate>,
    /// Of seed: what came up of a thousand when it was tested, 0 to 1000.
    pub germination_permille: Option<i32>,
    /// The day of that test.
    pub germination_tested_on: Option<NaiveDate>,
    /// Anything else, at most 300 characters; empty when left out.
    #[serde(default)]
    pub note: String,
}

/// What of a lot is in the store of a site.
#[derive(Debug, Serialize, ToSchema)]
pub struct LotInStore {
    /// The site.
    pub site_id: Uuid,
    /// How much is left there.
    pub amount: Amount,
}

/// A lot with what is left of it.
#[derive(Debug, Serialize, ToSchema)]
pub struct Lot {
    /// The lot.
    pub id: Uuid,
    /// Of what.
    pub stock_item_id: Uuid,
    /// The item's name.
    pub stock_item_name: String,
    /// The item's category.
    pub category: StockCategory,
    /// The supplier's code.
    pub code: String,
    /// How much came.
    pub amount: Amount,
    /// What the whole lot cost, in cents.
    pub cost_cents: Option<i64>,
    /// The day on which it came.
    pub received_on: NaiveDate,
    /// The last day on which it may be used.
    pub expires_on: Option<NaiveDate>,
    /// Of seed: what came up of a thousand when it was tested.
    pub germination_permille: Option<i32>,
    /// The day of that test.
    pub germination_tested_on: Option<NaiveDate>,
    /// The order that it answered.
    pub stock_order_id: Option<Uuid>,
    /// Anything else.
    pub note: String,
    /// What is left of it, by site, in the stores that you may see.
    pub stores: Vec<LotInStore>,
    /// All of these together; `null` while a stock-taking that hides the ledger is open at one of them.
    pub left: Option<Amount>,
    /// When it was received first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
}

fn wire(lot: records::Lot, hides_stores: bool) -> Lot {
    let dimension = dimension(&lot.dimension);
    let amount = |base_units| Amount::of(dimension, base_units);
    let left = lot.stores.iter().map(|store| store.quantity).sum();
    Lot {
        id: lot.id,
        stock_item_id: lot.stock_item_id,
        stock_item_name: lot.stock_item_name,
        category: StockCategory::of(&lot.category),
        code: lot.code,
        amount: amount(lot.quantity),
        cost_cents: lot.cost_cents,
        received_on: lot.received_on,
        expires_on: lot.fields.expires_on,
        germination_permille: lot.fields.germination_permille,
        germination_tested_on: lot.fields.germination_tested_on,
        stock_order_id: lot.stock_order_id,
        note: lot.fields.note,
        stores: lot
            .stores
            .iter()
            .filter(|store| store.quantity > 0)
            .map(|store| LotInStore {
                site_id: store.site_id,
                amount: amount(store.quantity),
            })
            .collect(),
        left: (!hides_stores).then(|| amount(left)),
        created_at: lot.created_at,
        updated_at: lot.updated_at,
    }
}

impl From<LotSeen> for Lot {
    fn from(seen: LotSeen) -> Self {
        wire(seen.lot, seen.hides_stores)
    }
}

/// Which lots are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct LotsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this stock item only.
    pub stock_item_id: Option<Uuid>,
    /// In the store of this site only.
    pub site_id: Option<Uuid>,
    /// Whether lots are listed too of which nothing is left.
    #[serde(default)]
    pub with_empty: bool,
}

/// List lots, with what is left of each
#[utoipa::path(
    tag = "stock", operation_id = "list_lots", params(LotsQuery),
    responses((status = 200, description = "A page of lots", body = Listed<Lot>), ReadProblems)
)]
#[get("/lots")]
pub async fn list_lots(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<LotsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::LotFilter {
        stock_item_id: query.stock_item_id,
        site_id: query.site_id,
        with_empty: query.with_empty,
    };
    let lots = state
        .app
        .list_lots(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, lots, |l| l.lot.id, Lot::from))
}

/// Receive a lot into the store of a site
#[utoipa::path(
    tag = "stock", operation_id = "receive_lot", request_body = LotInput,
    responses((status = 201, description = "Received, with its movement into the store", body = Lot), WriteProblems)
)]
#[post("/lots")]
pub async fn receive_lot(state: Data<ApiState>, signed: SignedBody<LotInput>) -> Answer {
    let input = signed.body;
    let received = ReceivedLot {
        stock_item_id: input.stock_item_id,
        site_id: input.site_id,
        code: input.code,
        amount: input.amount,
        cost_cents: input.cost_cents,
        received_on: input.received_on,
        stock_order_id: input.stock_order_id,
        fields: records::LotFields {
            expires_on: input.expires_on,
            germination_permille: input.germination_permille,
            germination_tested_on: input.germination_tested_on,
            note: input.note,
        },
    };
    let lot = state.app.receive_lot(&signed.caller, &received).await?;
    Ok(created(
        lot.version,
        &format!("/lots/{}", lot.id),
        &wire(lot, false),
    ))
}

/// Read a lot
#[utoipa::path(
    tag = "stock", operation_id = "read_lot",
    responses((status = 200, description = "The lot", body = Lot), ReadProblems)
)]
#[get("/lots/{lot_id}")]
pub async fn read_lot(state: Data<ApiState>, Signed(caller): Signed, lot_id: Path<Uuid>) -> Answer {
    let seen = state.app.read_lot(&caller, *lot_id).await?;
    Ok(record(seen.lot.version, &Lot::from(seen)))
}

/// Correct the last day, the germination or the note of a lot
///
/// How much came is corrected in the ledger: by a reversal of its receipt, or by a stock-taking.
#[utoipa::path(
    tag = "stock", operation_id = "change_lot", request_body = LotChange,
    params(("If-Match" = String, Header, description = "ETag of the lot as last read")),
    responses((status = 200, description = "The lot now", body = Lot), ChangeProblems)
)]
#[put("/lots/{lot_id}")]
pub async fn change_lot(
    state: Data<ApiState>,
    lot_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<LotChange>,
) -> Answer {
    let fields = records::LotFields {
        expires_on: signed.body.expires_on,
        germination_permille: signed.body.germination_permille,
        germination_tested_on: signed.body.germination_tested_on,
        note: signed.body.note,
    };
    let lot = state
        .app
        .change_lot(&signed.caller, *lot_id, expected, &fields)
        .await?;
    Ok(record(lot.version, &wire(lot, false)))
}

/// What the store of a site holds, or held, of an item.
#[derive(Debug, Serialize, ToSchema)]
pub struct Balance {
    /// The site.
    pub site_id: Uuid,
    /// The item.
    pub stock_item_id: Uuid,
    /// Its name.
    pub stock_item_name: String,
    /// Its category.
    pub category: StockCategory,
    /// How much.
    pub amount: Amount,
    /// What it is worth in cents: of each lot its share of what the lot cost, rounded half-even.
    pub value_cents: i64,
    /// Lots that it lies in.
    pub lots: usize,
    /// Of these, lots whose cost is not known, which add nothing to the value.
    pub lots_without_cost: usize,
    /// The first last day among the lots.
    pub earliest_last_day: Option<NaiveDate>,
}

/// Balances at one instant.
#[derive(Debug, Serialize, ToSchema)]
pub struct Balances {
    /// The past instant that was asked for; `null` for now.
    pub at: Option<DateTime<Utc>>,
    /// By site and then by name; items of which nothing is there are left out.
    pub items: Vec<Balance>,
}

impl From<AppBalance> for Balance {
    fn from(balance: AppBalance) -> Self {
        Self {
            site_id: balance.site_id,
            stock_item_id: balance.stock_item_id,
            stock_item_name: balance.stock_item_name,
            category: StockCategory::of(&balance.category),
            amount: Amount::of(balance.dimension, balance.quantity),
            value_cents: balance.value_cents,
            lots: balance.lots,
            lots_without_cost: balance.lots_without_cost,
            earliest_last_day: balance.earliest_last_day,
        }
    }
}

/// Which balances are asked for.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct StockQuery {
    /// At this site only.
    pub site_id: Option<Uuid>,
    /// Of this stock item only.
    pub stock_item_id: Option<Uuid>,
    /// As it was at this instant; now when left out.
    pub at: Option<DateTime<Utc>>,
}

/// Read what is in the stores, now or at any past instant
///
/// While a stock-taking that hides the ledger is open at a site, those who might count there do not see it.
#[utoipa::path(
    tag = "stock", operation_id = "read_stock", params(StockQuery),
    responses((status = 200, description = "Balances", body = Balances), ReadProblems)
)]
#[get("/stock")]
pub async fn read_stock(
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<StockQuery>,
) -> Answer {
    let filter = records::BalanceFilter {
        site_id: query.site_id,
        stock_item_id: query.stock_item_id,
        at: query.at,
    };
    let balances = state.app.read_stock(&caller, &filter).await?;
    Ok(actix_web::HttpResponse::Ok().json(Balances {
        at: query.at,
        items: balances.into_iter().map(Into::into).collect(),
    }))
}
