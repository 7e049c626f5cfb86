//! Stock items.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use cotyl_app::stock_items::StockItemInput as AppInput;
use cotyl_domain::quantity::{Amount, StockDimension};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What a stock item is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StockCategory {
    /// Seed of a crop.
    Seed,
    /// What roots hold on to.
    Medium,
    /// What a plant stands in.
    Cup,
    /// Food of plants.
    Fertiliser,
    /// Acid or base for pH.
    Adjuster,
    /// Anything else.
    Other,
}

impl StockCategory {
    /// The name kept in the database.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Seed => "seed",
            Self::Medium => "medium",
            Self::Cup => "cup",
            Self::Fertiliser => "fertiliser",
            Self::Adjuster => "adjuster",
            Self::Other => "other",
        }
    }

    /// The category of that name.
    pub fn of(name: &str) -> Self {
        match name {
            "seed" => Self::Seed,
            "medium" => Self::Medium,
            "cup" => Self::Cup,
            "fertiliser" => Self::Fertiliser,
            "adjuster" => Self::Adjuster,
            _ => Self::Other,
        }
    }
}

/// What a stock item is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[schema(example = json!({
    "name": "Clay pebbles", "category": "medium", "dimension": "volume", "supplier": "Garden centre",
    "pack": {"value": "10", "unit": "L"}, "pack_cents": 1450, "lead_days": 5
}))]
pub struct StockItemInput {
    /// Unique among the items of the co-operative.
    pub name: String,
    /// What it is for. It cannot change.
    pub category: StockCategory,
    /// By what it is kept. It cannot change.
    pub dimension: StockDimension,
    /// The crop, of seed and of nothing else. It cannot change.
    pub crop_id: Option<Uuid>,
    /// The product, of a fertiliser or adjuster and of nothing else. It cannot change.
    pub product_id: Option<Uuid>,
    /// Who sells it, at most 200 characters; empty when left out.
    #[serde(default)]
    pub supplier: String,
    /// What one pack holds.
    pub pack: Option<Amount>,
    /// What one pack costs, in cents.
    #[schema(minimum = 0, maximum = 100000000)]
    pub pack_cents: Option<i64>,
    /// Days from order to arrival, 0 to 365; 7 when left out.
    #[serde(default = "seven_days")]
    pub lead_days: i32,
    /// How often the shelf may not run out before an order comes, in thousandths of the orders, 500 to 999; 950
    /// when left out.
    #[serde(default = "usual_service")]
    pub service_permille: i32,
    /// Stated (bulk) density, equal to grams in a litre, 10 to 5000: so that spoons of it become weights.
    pub density_milligrams_per_millilitre: Option<i32>,
    /// What one level scoop holds, weighed once: so that amounts may be entered in scoops.
    pub scoop: Option<Amount>,
}

fn seven_days() -> i32 {
    7
}

fn usual_service() -> i32 {
    950
}

/// A stock item.
#[derive(Debug, Serialize, ToSchema)]
pub struct StockItem {
    /// The item.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: StockItemInput,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

/// The dimension of that name, as the database keeps it.
pub(crate) fn dimension(name: &str) -> StockDimension {
    StockDimension::parse(name).unwrap_or(StockDimension::Count)
}

impl From<StockItemInput> for AppInput {
    fn from(input: StockItemInput) -> Self {
        Self {
            name: input.name,
            category: input.category.as_str().to_owned(),
            dimension: input.dimension,
            crop_id: input.crop_id,
            product_id: input.product_id,
            supplier: input.supplier,
            pack: input.pack,
            pack_cents: input.pack_cents,
            lead_days: input.lead_days,
            service_permille: input.service_permille,
            density_milligrams_per_millilitre: input.density_milligrams_per_millilitre,
            scoop: input.scoop,
        }
    }
}

impl From<records::StockItem> for StockItem {
    fn from(item: records::StockItem) -> Self {
        let fields = item.fields;
        let dimension = dimension(&fields.dimension);
        let amount = |base_units: i64| Amount::of(dimension, base_units);
        Self {
            id: item.id,
            fields: StockItemInput {
                name: fields.name,
                category: StockCategory::of(&fields.category),
                dimension,
                crop_id: fields.crop_id,
                product_id: fields.product_id,
                supplier: fields.supplier,
                pack: fields.pack_quantity.map(amount),
                pack_cents: fields.pack_cents,
                lead_days: fields.lead_days,
                service_permille: fields.service_permille,
                density_milligrams_per_millilitre: fields.density_milligrams_per_millilitre,
                scoop: fields.scoop_quantity.map(amount),
            },
            created_at: item.created_at,
            updated_at: item.updated_at,
            retired_at: item.retired_at,
        }
    }
}

/// Which stock items are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct StockItemsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this category only.
    pub category: Option<StockCategory>,
    /// Whether retired records are listed too.
    #[serde(default)]
    pub with_retired: bool,
}

/// List stock items
#[utoipa::path(
    tag = "stock", operation_id = "list_stock_items", params(StockItemsQuery),
    responses((status = 200, description = "A page of stock items", body = Listed<StockItem>), ReadProblems)
)]
#[get("/stock_items")]
pub async fn list_stock_items(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<StockItemsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::StockItemFilter {
        category: query.category.map(|category| category.as_str().to_owned()),
        with_retired: query.with_retired,
    };
    let items = state
        .app
        .list_stock_items(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, items, |i| i.id, StockItem::from))
}

/// Describe a new stock item
#[utoipa::path(
    tag = "stock", operation_id = "create_stock_item", request_body = StockItemInput,
    responses((status = 201, description = "Described", body = StockItem), WriteProblems)
)]
#[post("/stock_items")]
pub async fn create_stock_item(
    state: Data<ApiState>,
    signed: SignedBody<StockItemInput>,
) -> Answer {
    let item = state
        .app
        .create_stock_item(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        item.version,
        &format!("/stock_items/{}", item.id),
        &StockItem::from(item),
    ))
}

/// Read a stock item
#[utoipa::path(
    tag = "stock", operation_id = "read_stock_item",
    responses((status = 200, description = "The stock item", body = StockItem), ReadProblems)
)]
#[get("/stock_items/{stock_item_id}")]
pub async fn read_stock_item(
    state: Data<ApiState>,
    Signed(caller): Signed,
    stock_item_id: Path<Uuid>,
) -> Answer {
    let item = state.app.read_stock_item(&caller, *stock_item_id).await?;
    Ok(record(item.version, &StockItem::from(item)))
}

/// Change a stock item
#[utoipa::path(
    tag = "stock", operation_id = "change_stock_item", request_body = StockItemInput,
    params(("If-Match" = String, Header, description = "ETag of the stock item as last read")),
    responses((status = 200, description = "The stock item now", body = StockItem), ChangeProblems)
)]
#[put("/stock_items/{stock_item_id}")]
pub async fn change_stock_item(
    state: Data<ApiState>,
    stock_item_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<StockItemInput>,
) -> Answer {
    let item = state
        .app
        .change_stock_item(
            &signed.caller,
            *stock_item_id,
            expected,
            &signed.body.into(),
        )
        .await?;
    Ok(record(item.version, &StockItem::from(item)))
}

/// Take a stock item out of use
///
/// Refused while something of it is in a store, on order, or stated as what a container kind takes.
#[utoipa::path(
    tag = "stock", operation_id = "retire_stock_item",
    params(("If-Match" = String, Header, description = "ETag of the stock item as last read")),
    responses((status = 200, description = "The retired stock item", body = StockItem), ChangeProblems)
)]
#[delete("/stock_items/{stock_item_id}")]
pub async fn retire_stock_item(
    state: Data<ApiState>,
    Signed(caller): Signed,
    stock_item_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let item = state
        .app
        .retire_stock_item(&caller, *stock_item_id, expected)
        .await?;
    Ok(record(item.version, &StockItem::from(item)))
}
