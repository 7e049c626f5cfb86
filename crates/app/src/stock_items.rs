//! Stock items: what is kept, by what, and how it comes.

use cotyl_domain::quantity::{Amount, ItemMeasure, StockDimension};
use cotyl_domain::{Operation, Refusal};
use cotyl_store::products;
use cotyl_store::references::Reference;
use cotyl_store::stock_items::{self, StockItem, StockItemFields, StockItemFilter};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

/// What is told about a stock item.
#[derive(Debug, Clone)]
pub struct StockItemInput {
    /// Unique among the items of the co-operative.
    pub name: String,
    /// `seed`, `medium`, `cup`, `fertiliser`, `adjuster` or `other`. It cannot change.
    pub category: String,
    /// By what it is kept. It cannot change.
    pub dimension: StockDimension,
    /// Of seed: the crop. It cannot change.
    pub crop_id: Option<Uuid>,
    /// Of a fertiliser or adjuster: the product. It cannot change.
    pub product_id: Option<Uuid>,
    /// Who sells it.
    pub supplier: String,
    /// What one pack holds.
    pub pack: Option<Amount>,
    /// What one pack costs.
    pub pack_cents: Option<i64>,
    /// Days from order to arrival.
    pub lead_days: i32,
    /// How often the shelf may not run out before an order comes, in thousandths.
    pub service_permille: i32,
    /// Stated density.
    pub density_milligrams_per_millilitre: Option<i32>,
    /// What one level scoop holds.
    pub scoop: Option<Amount>,
}

impl App {
    /// Describes a new stock item.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Refusal::Taken`] for a name, a crop or a product that another item has.
    pub async fn create_stock_item(
        &self,
        caller: &Caller,
        input: &StockItemInput,
    ) -> Result<StockItem> {
        let fields = check(input)?;
        self.write_once(Operation::CreateStockItem, caller, async |tx, _| {
            let mut problems = Problems::new();
            if let Some(crop_id) = fields.crop_id {
                problems
                    .refers(tx, "/crop_id", Reference::Crop, crop_id)
                    .await?;
            }
            if let Some(product_id) = fields.product_id {
                problems
                    .refers(tx, "/product_id", Reference::Product, product_id)
                    .await?;
                fits_category(tx, &mut problems, product_id, &fields.category).await?;
            }
            problems.finish()?;
            let item = stock_items::insert(tx, self.new_id(), &fields).await?;
            self.audit_stock_item(tx, Operation::CreateStockItem, caller, &item)
                .await?;
            Ok(item)
        })
        .await
    }

    /// One stock item.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none of this id.
    pub async fn read_stock_item(&self, caller: &Caller, id: Uuid) -> Result<StockItem> {
        self.read(Operation::ReadStockItem, caller, async |tx, _| {
            stock_items::get(tx, id)
                .await?
                .ok_or(Error::NotFound("stock item"))
        })
        .await
    }

    /// A page of stock items.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_stock_items(
        &self,
        caller: &Caller,
        filter: &StockItemFilter,
        page: Page,
    ) -> Result<Vec<StockItem>> {
        self.read(Operation::ListStockItems, caller, async |tx, _| {
            Ok(stock_items::list(tx, filter, page).await?)
        })
        .await
    }

    /// Replaces the description; what it is and by what it is kept stays.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_stock_item(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        input: &StockItemInput,
    ) -> Result<StockItem> {
        let fields = check(input)?;
        self.write(Operation::ChangeStockItem, caller, async |tx, _| {
            let item = lock(tx, id).await?;
            require_version(expected, item.version)?;
            require_not_retired("the stock item", &item.retired_at)?;
            let mut problems = Problems::new();
            let (given, kept) = (&fields, &item.fields);
            let noun = "stock item";
            problems.fixed("/category", noun, &given.category, &kept.category);
            problems.fixed("/dimension", noun, &given.dimension, &kept.dimension);
            problems.fixed("/crop_id", noun, given.crop_id, kept.crop_id);
            problems.fixed("/product_id", noun, given.product_id, kept.product_id);
            problems.finish()?;
            let item = stock_items::update(tx, id, &fields).await?;
            self.audit_stock_item(tx, Operation::ChangeStockItem, caller, &item)
                .await?;
            Ok(item)
        })
        .await
    }

    /// Takes a stock item out of use; refused while something of it is in a store or on order.
    ///
    /// # Errors
    /// [`Refusal::InUse`], [`Error::Stale`].
    pub async fn retire_stock_item(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<StockItem> {
        self.write(Operation::RetireStockItem, caller, async |tx, _| {
            let item = lock(tx, id).await?;
            require_version(expected, item.version)?;
            require_not_retired("the stock item", &item.retired_at)?;
            if let Some(by) = stock_items::in_use(tx, id).await? {
                return Err(Refusal::InUse {
                    what: format!("the stock item {}", item.fields.name),
                    by,
                }
                .into());
            }
            let item = stock_items::retire(tx, id, self.clock().now()).await?;
            self.audit_stock_item(tx, Operation::RetireStockItem, caller, &item)
                .await?;
            Ok(item)
        })
        .await
    }

    async fn audit_stock_item(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        item: &StockItem,
    ) -> Result<()> {
        let changed = Changed {
            noun: "stock_item",
            id: item.id,
        };
        self.audit(tx, operation, caller, changed, &item.fields)
            .await
    }
}

/// A fertiliser item keeps a fertiliser, an adjuster item an acid or base.
async fn fits_category(
    tx: &mut Tx,
    problems: &mut Problems,
    product_id: Uuid,
    category: &str,
) -> Result<()> {
    if let Some(product) = products::get(tx, product_id).await? {
        let feeds = product.fields.purpose == "fertiliser";
        problems.require(
            feeds == (category == "fertiliser"),
            "/product_id",
            "other",
            "must be a fertiliser for a fertiliser item, an acid or base for an adjuster",
        );
    }
    Ok(())
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<StockItem> {
    stock_items::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("stock item"))
}

fn check(input: &StockItemInput) -> Result<StockItemFields> {
    let mut problems = Problems::new();
    problems.name("/name", &input.name);
    problems.text("/supplier", &input.supplier, 0, 200);
    let category = input.category.as_str();
    problems.require(
        (category == "seed") == input.crop_id.is_some(),
        "/crop_id",
        "missing",
        "seed names its crop, and nothing else does",
    );
    problems.require(
        matches!(category, "fertiliser" | "adjuster") == input.product_id.is_some(),
        "/product_id",
        "missing",
        "a fertiliser or adjuster names its product, and nothing else does",
    );
    if let Some(cents) = input.pack_cents {
        problems.within("/pack_cents", cents, 0, 100_000_000);
        problems.require(
            input.pack.is_some(),
            "/pack",
            "missing",
            "say what one pack holds, since it has a price",
        );
    }
    problems.within("/lead_days", input.lead_days.into(), 0, 365);
    problems.within("/service_permille", input.service_permille.into(), 500, 999);
    if let Some(density) = input.density_milligrams_per_millilitre {
        problems.within(
            "/density_milligrams_per_millilitre",
            density.into(),
            10,
            5000,
        );
    }
    let measure = ItemMeasure {
        dimension: input.dimension,
        density_milligrams_per_millilitre: input
            .density_milligrams_per_millilitre
            .filter(|density| *density > 0)
            .map(i64::from),
        scoop_quantity: None,
    };
    let scoop_quantity = read(&mut problems, "/scoop", &measure, input.scoop.as_ref());
    if let Some(scoop) = scoop_quantity {
        problems.within("/scoop", scoop, 1, 1_000_000_000);
    }
    let measure = ItemMeasure {
        scoop_quantity,
        ..measure
    };
    let pack_quantity = read(&mut problems, "/pack", &measure, input.pack.as_ref());
    problems.finish()?;
    Ok(StockItemFields {
        name: input.name.clone(),
        category: input.category.clone(),
        dimension: input.dimension.as_str().to_owned(),
        crop_id: input.crop_id,
        product_id: input.product_id,
        supplier: input.supplier.clone(),
        pack_quantity,
        pack_cents: input.pack_cents,
        lead_days: input.lead_days,
        service_permille: input.service_permille,
        density_milligrams_per_millilitre: input.density_milligrams_per_millilitre,
        scoop_quantity,
    })
}

fn read(
    problems: &mut Problems,
    pointer: &str,
    measure: &ItemMeasure,
    amount: Option<&Amount>,
) -> Option<i64> {
    match measure.read(amount?) {
        Ok(base_units) => Some(base_units),
        Err(error) => {
            problems.add(pointer, error.code(), error.to_string());
            None
        }
    }
}
