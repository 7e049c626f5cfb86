//! Container supplies.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::container_supplies::ContainerSupplyInput as AppInput;
use cotyl_app::records;
use cotyl_domain::quantity::Amount;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;
use crate::stock_items::dimension;

/// What one container of a kind takes of an item when it is sown.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct ContainerSupplyInput {
    /// The container kind. It cannot change.
    pub container_kind_id: Uuid,
    /// The item. It cannot change.
    pub stock_item_id: Uuid,
    /// How much of it one container takes.
    pub amount: Amount,
}

/// A container supply.
#[derive(Debug, Serialize, ToSchema)]
pub struct ContainerSupply {
    /// The supply.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: ContainerSupplyInput,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<ContainerSupplyInput> for AppInput {
    fn from(input: ContainerSupplyInput) -> Self {
        Self {
            container_kind_id: input.container_kind_id,
            stock_item_id: input.stock_item_id,
            amount: input.amount,
        }
    }
}

impl From<records::ContainerSupply> for ContainerSupply {
    fn from(supply: records::ContainerSupply) -> Self {
        Self {
            id: supply.id,
            fields: ContainerSupplyInput {
                container_kind_id: supply.fields.container_kind_id,
                stock_item_id: supply.fields.stock_item_id,
                amount: Amount::of(dimension(&supply.dimension), supply.fields.quantity),
            },
            created_at: supply.created_at,
            updated_at: supply.updated_at,
            retired_at: supply.retired_at,
        }
    }
}

/// Which container supplies are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ContainerSuppliesQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this container kind only.
    pub container_kind_id: Option<Uuid>,
    /// Of this stock item only.
    pub stock_item_id: Option<Uuid>,
    /// Whether retired records are listed too.
    #[serde(default)]
    pub with_retired: bool,
}

/// List what containers take
#[utoipa::path(
    tag = "stock", operation_id = "list_container_supplies", params(ContainerSuppliesQuery),
    responses((status = 200, description = "A page of container supplies", body = Listed<ContainerSupply>), ReadProblems)
)]
#[get("/container_supplies")]
pub async fn list_container_supplies(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<ContainerSuppliesQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::ContainerSupplyFilter {
        container_kind_id: query.container_kind_id,
        stock_item_id: query.stock_item_id,
        with_retired: query.with_retired,
    };
    let supplies = state
        .app
        .list_container_supplies(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(
        &request,
        page,
        supplies,
        |s| s.id,
        ContainerSupply::from,
    ))
}

/// State what a container kind takes of an item
#[utoipa::path(
    tag = "stock", operation_id = "create_container_supply", request_body = ContainerSupplyInput,
    responses((status = 201, description = "Stated", body = ContainerSupply), WriteProblems)
)]
#[post("/container_supplies")]
pub async fn create_container_supply(
    state: Data<ApiState>,
    signed: SignedBody<ContainerSupplyInput>,
) -> Answer {
    let supply = state
        .app
        .create_container_supply(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        supply.version,
        &format!("/container_supplies/{}", supply.id),
        &ContainerSupply::from(supply),
    ))
}

/// Read a container supply
#[utoipa::path(
    tag = "stock", operation_id = "read_container_supply",
    responses((status = 200, description = "The container supply", body = ContainerSupply), ReadProblems)
)]
#[get("/container_supplies/{container_supply_id}")]
pub async fn read_container_supply(
    state: Data<ApiState>,
    Signed(caller): Signed,
    container_supply_id: Path<Uuid>,
) -> Answer {
    let supply = state
        .app
        .read_container_supply(&caller, *container_supply_id)
        .await?;
    Ok(record(supply.version, &ContainerSupply::from(supply)))
}

/// Change how much of an item a container takes
#[utoipa::path(
    tag = "stock", operation_id = "change_container_supply", request_body = ContainerSupplyInput,
    params(("If-Match" = String, Header, description = "ETag of the container supply as last read")),
    responses((status = 200, description = "The container supply now", body = ContainerSupply), ChangeProblems)
)]
#[put("/container_supplies/{container_supply_id}")]
pub async fn change_container_supply(
    state: Data<ApiState>,
    container_supply_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<ContainerSupplyInput>,
) -> Answer {
    let supply = state
        .app
        .change_container_supply(
            &signed.caller,
            *container_supply_id,
            expected,
            &signed.body.into(),
        )
        .await?;
    Ok(record(supply.version, &ContainerSupply::from(supply)))
}

/// Take a container supply out of use
#[utoipa::path(
    tag = "stock", operation_id = "retire_container_supply",
    params(("If-Match" = String, Header, description = "ETag of the container supply as last read")),
    responses((status = 200, description = "The retired container supply", body = ContainerSupply), ChangeProblems)
)]
#[delete("/container_supplies/{container_supply_id}")]
pub async fn retire_container_supply(
    state: Data<ApiState>,
    Signed(caller): Signed,
    container_supply_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let supply = state
        .app
        .retire_container_supply(&caller, *container_supply_id, expected)
        .await?;
    Ok(record(supply.version, &ContainerSupply::from(supply)))
}
