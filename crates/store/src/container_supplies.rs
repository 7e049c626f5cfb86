//! Container supplies: what one container of a kind takes of an item when it is sown.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// What a container supply is described by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, sqlx::FromRow)]
pub struct ContainerSupplyFields {
    /// The container kind.
    pub container_kind_id: Uuid,
    /// The item.
    pub stock_item_id: Uuid,
    /// Base units of the item for one container.
    pub quantity: i64,
}

/// A container supply as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct ContainerSupply {
    /// The supply.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: ContainerSupplyFields,
    /// By what the item is kept.
    pub dimension: String,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

macro_rules! supplies_where {
    ($condition:literal) => {
        concat!(
            "select c.*, i.dimension from container_supply c
               join stock_item i on i.cooperative_id = c.cooperative_id and i.id = c.stock_item_id
              where c.cooperative_id = $1 and ",
            $condition
        )
    };
}

/// One container supply.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<ContainerSupply>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(supplies_where!("c.id = $2"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// One container supply, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<ContainerSupply>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as(supplies_where!("c.id = $2 for no key update of c"))
            .bind(cooperative_id)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// Adds a container supply.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &ContainerSupplyFields) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into container_supply (id, cooperative_id, container_kind_id, stock_item_id, quantity) values ($1, $2, $3, $4, $5)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.container_kind_id)
    .bind(fields.stock_item_id)
    .bind(fields.quantity)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Changes how much of the item one container takes.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, quantity: i64) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update container_supply set quantity = $3 where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .bind(quantity)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Takes a container supply out of use.
///
/// # Errors
/// Those of the database.
pub async fn retire(tx: &mut Tx, id: Uuid, now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update container_supply set retired_at = $3 where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(now)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Which container supplies are listed.
#[derive(Debug, Clone, Default)]
pub struct ContainerSupplyFilter {
    /// Of one container kind.
    pub container_kind_id: Option<Uuid>,
    /// Of one item.
    pub stock_item_id: Option<Uuid>,
    /// Retired ones too.
    pub with_retired: bool,
}

/// Container supplies in the order of their making.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    filter: &ContainerSupplyFilter,
    page: Page,
) -> Result<Vec<ContainerSupply>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(supplies_where!(
        "($2 or c.retired_at is null) and ($3::uuid is null or c.container_kind_id = $3)
         and ($4::uuid is null or c.stock_item_id = $4) and ($5::uuid is null or c.id > $5)
         order by c.id limit $6"
    ))
    .bind(cooperative_id)
    .bind(filter.with_retired)
    .bind(filter.container_kind_id)
    .bind(filter.stock_item_id)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}
