//! Container supplies: what one container of a kind takes of an item when it is sown.

use cotyl_domain::Operation;
use cotyl_domain::quantity::Amount;
use cotyl_store::container_supplies::{
    self, ContainerSupply, ContainerSupplyFields, ContainerSupplyFilter,
};
use cotyl_store::references::Reference;
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::ledger::{item, read_amount};
use crate::{App, Caller, Changed, Error, Result};

/// The most that one container may take, in base units, as in the database.
const MOST_FOR_A_CONTAINER: i64 = 1_000_000_000;

/// What is told about a container supply.
#[derive(Debug, Clone)]
pub struct ContainerSupplyInput {
    /// The container kind. It cannot change.
    pub container_kind_id: Uuid,
    /// The item. It cannot change.
    pub stock_item_id: Uuid,
    /// How much of it one container takes.
    pub amount: Amount,
}

impl App {
    /// States what a container kind takes of an item.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`cotyl_domain::Refusal::Taken`] when it is stated already.
    pub async fn create_container_supply(
        &self,
        caller: &Caller,
        input: &ContainerSupplyInput,
    ) -> Result<ContainerSupply> {
        self.write_once(Operation::CreateContainerSupply, caller, async |tx, _| {
            let mut problems = Problems::new();
            problems
                .refers(
                    tx,
                    "/container_kind_id",
                    Reference::ContainerKind,
                    input.container_kind_id,
                )
                .await?;
            problems
                .refers(
                    tx,
                    "/stock_item_id",
                    Reference::StockItem,
                    input.stock_item_id,
                )
                .await?;
            problems.finish()?;
            let id = self.new_id();
            let fields = ContainerSupplyFields {
                container_kind_id: input.container_kind_id,
                stock_item_id: input.stock_item_id,
                quantity: quantity(tx, input).await?,
            };
            container_supplies::insert(tx, id, &fields).await?;
            self.supply_after(tx, Operation::CreateContainerSupply, caller, id)
                .await
        })
        .await
    }

    /// One container supply.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none of this id.
    pub async fn read_container_supply(
        &self,
        caller: &Caller,
        id: Uuid,
    ) -> Result<ContainerSupply> {
        self.read(Operation::ReadContainerSupply, caller, async |tx, _| {
            container_supplies::get(tx, id)
                .await?
                .ok_or(Error::NotFound("container supply"))
        })
        .await
    }

    /// A page of container supplies.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_container_supplies(
        &self,
        caller: &Caller,
        filter: &ContainerSupplyFilter,
        page: Page,
    ) -> Result<Vec<ContainerSupply>> {
        self.read(Operation::ListContainerSupplies, caller, async |tx, _| {
            Ok(container_supplies::list(tx, filter, page).await?)
        })
        .await
    }

    /// Changes how much of the item one container takes.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_container_supply(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        input: &ContainerSupplyInput,
    ) -> Result<ContainerSupply> {
        self.write(Operation::ChangeContainerSupply, caller, async |tx, _| {
            let kept = lock(tx, id, expected).await?.fields;
            let mut problems = Problems::new();
            let noun = "container supply";
            problems.fixed(
                "/container_kind_id",
                noun,
                input.container_kind_id,
                kept.container_kind_id,
            );
            problems.fixed(
                "/stock_item_id",
                noun,
                input.stock_item_id,
                kept.stock_item_id,
            );
            problems.finish()?;
            let quantity = quantity(tx, input).await?;
            container_supplies::update(tx, id, quantity).await?;
            self.supply_after(tx, Operation::ChangeContainerSupply, caller, id)
                .await
        })
        .await
    }

    /// Takes a container supply out of use.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`.
    pub async fn retire_container_supply(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<ContainerSupply> {
        self.write(Operation::RetireContainerSupply, caller, async |tx, _| {
            lock(tx, id, expected).await?;
            container_supplies::retire(tx, id, self.clock().now()).await?;
            self.supply_after(tx, Operation::RetireContainerSupply, caller, id)
                .await
        })
        .await
    }

    async fn supply_after(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
    ) -> Result<ContainerSupply> {
        let supply = container_supplies::get(tx, id)
            .await?
            .ok_or(Error::NotFound("container supply"))?;
        let changed = Changed {
            noun: "container_supply",
            id,
        };
        self.audit(tx, operation, caller, changed, &supply.fields)
            .await?;
        Ok(supply)
    }
}

async fn lock(tx: &mut Tx, id: Uuid, expected: Option<i64>) -> Result<ContainerSupply> {
    let supply = container_supplies::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("container supply"))?;
    require_version(expected, supply.version)?;
    require_not_retired("the container supply", &supply.retired_at)?;
    Ok(supply)
}

async fn quantity(tx: &mut Tx, input: &ContainerSupplyInput) -> Result<i64> {
    let item = item(tx, input.stock_item_id).await?;
    let quantity = read_amount(&item, "/amount", &input.amount)?;
    if quantity > MOST_FOR_A_CONTAINER {
        return Err(Error::field(
            "/amount",
            "range",
            "is too large for one container: use at most 1000 kg, 1000 L or 1000000000 pieces",
        ));
    }
    Ok(quantity)
}
