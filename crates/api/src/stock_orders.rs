//! Orders of stock.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::records;
use cotyl_app::stock_orders::StockOrderInput as AppInput;
use cotyl_domain::quantity::Amount;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;
use crate::stock_items::dimension;

/// What became of an order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OrderState {
    /// On its way.
    Open,
    /// Came, as a lot that names it.
    Received,
    /// Given up.
    Dropped,
}

impl OrderState {
    fn as_str(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Received => "received",
            Self::Dropped => "dropped",
        }
    }

    fn of(name: &str) -> Self {
        match name {
            "received" => Self::Received,
            "dropped" => Self::Dropped,
            _ => Self::Open,
        }
    }
}

/// What is told about an order.
#[derive(Debug, Deserialize, ToSchema)]
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
    /// What it costs, in cents.
    #[schema(minimum = 0)]
    pub cost_cents: Option<i64>,
    /// Anything else, at most 300 characters; empty when left out.
    #[serde(default)]
    #[schema(example = "By telephone")]
    pub note: String,
}

/// An order.
#[derive(Debug, Serialize, ToSchema)]
pub struct StockOrder {
    /// The order.
    pub id: Uuid,
    /// For the store of which site.
    pub site_id: Uuid,
    /// Of what.
    pub stock_item_id: Uuid,
    /// The item's name.
    pub stock_item_name: String,
    /// How much.
    pub amount: Amount,
    /// The day on which it was ordered.
    pub ordered_on: NaiveDate,
    /// The day on which it should come.
    pub expected_on: NaiveDate,
    /// What it costs, in cents.
    pub cost_cents: Option<i64>,
    /// Anything else.
    pub note: String,
    /// What became of it.
    pub state: OrderState,
    /// When it was written down first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
}

impl From<StockOrderInput> for AppInput {
    fn from(input: StockOrderInput) -> Self {
        Self {
            site_id: input.site_id,
            stock_item_id: input.stock_item_id,
            amount: input.amount,
            ordered_on: input.ordered_on,
            expected_on: input.expected_on,
            cost_cents: input.cost_cents,
            note: input.note,
        }
    }
}

impl From<records::StockOrder> for StockOrder {
    fn from(order: records::StockOrder) -> Self {
        let fields = order.fields;
        Self {
            id: order.id,
            site_id: fields.site_id,
            stock_item_id: fields.stock_item_id,
            stock_item_name: order.stock_item_name,
            amount: Amount::of(dimension(&order.dimension), fields.quantity),
            ordered_on: fields.ordered_on,
            expected_on: fields.expected_on,
            cost_cents: fields.cost_cents,
            note: fields.note,
            state: OrderState::of(&order.state),
            created_at: order.created_at,
            updated_at: order.updated_at,
        }
    }
}

/// Which orders are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct StockOrdersQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// For this site only.
    pub site_id: Option<Uuid>,
    /// Of this stock item only.
    pub stock_item_id: Option<Uuid>,
    /// In this state only.
    pub state: Option<OrderState>,
}

/// List orders
#[utoipa::path(
    tag = "stock", operation_id = "list_stock_orders", params(StockOrdersQuery),
    responses((status = 200, description = "A page of orders", body = Listed<StockOrder>), ReadProblems)
)]
#[get("/stock_orders")]
pub async fn list_stock_orders(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<StockOrdersQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::StockOrderFilter {
        site_id: query.site_id,
        stock_item_id: query.stock_item_id,
        state: query.state.map(|state| state.as_str().to_owned()),
    };
    let orders = state
        .app
        .list_stock_orders(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, orders, |o| o.id, StockOrder::from))
}

/// Write an order down
#[utoipa::path(
    tag = "stock", operation_id = "create_stock_order", request_body = StockOrderInput,
    responses((status = 201, description = "Written down", body = StockOrder), WriteProblems)
)]
#[post("/stock_orders")]
pub async fn create_stock_order(
    state: Data<ApiState>,
    signed: SignedBody<StockOrderInput>,
) -> Answer {
    let order = state
        .app
        .create_stock_order(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        order.version,
        &format!("/stock_orders/{}", order.id),
        &StockOrder::from(order),
    ))
}

/// Read an order
#[utoipa::path(
    tag = "stock", operation_id = "read_stock_order",
    responses((status = 200, description = "The order", body = StockOrder), ReadProblems)
)]
#[get("/stock_orders/{stock_order_id}")]
pub async fn read_stock_order(
    state: Data<ApiState>,
    Signed(caller): Signed,
    stock_order_id: Path<Uuid>,
) -> Answer {
    let order = state.app.read_stock_order(&caller, *stock_order_id).await?;
    Ok(record(order.version, &StockOrder::from(order)))
}

/// Change an open order
#[utoipa::path(
    tag = "stock", operation_id = "change_stock_order", request_body = StockOrderInput,
    params(("If-Match" = String, Header, description = "ETag of the order as last read")),
    responses((status = 200, description = "The order now", body = StockOrder), ChangeProblems)
)]
#[put("/stock_orders/{stock_order_id}")]
pub async fn change_stock_order(
    state: Data<ApiState>,
    stock_order_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<StockOrderInput>,
) -> Answer {
    let order = state
        .app
        .change_stock_order(
            &signed.caller,
            *stock_order_id,
            expected,
            &signed.body.into(),
        )
        .await?;
    Ok(record(order.version, &StockOrder::from(order)))
}

/// Give an open order up
#[utoipa::path(
    tag = "stock", operation_id = "drop_stock_order",
    params(("If-Match" = String, Header, description = "ETag of the order as last read")),
    responses((status = 200, description = "The dropped order", body = StockOrder), ChangeProblems)
)]
#[delete("/stock_orders/{stock_order_id}")]
pub async fn drop_stock_order(
    state: Data<ApiState>,
    Signed(caller): Signed,
    stock_order_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let order = state
        .app
        .drop_stock_order(&caller, *stock_order_id, expected)
        .await?;
    Ok(record(order.version, &StockOrder::from(order)))
}
