//! Products: fertilisers, and what adjusts pH, by label or by substance.

use cotyl_domain::{Operation, Refusal};
use cotyl_solution::Adjusts;
use cotyl_store::products::{self, Product, ProductFields};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::chemistry::{Handling, kept_product, product_of};
use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

/// A product with what follows from its composition.
#[derive(Debug, Clone)]
pub struct ProductDetail {
    /// The product.
    pub product: Product,
    /// What it brings, in milligrams per litre by a gram per litre.
    pub nutrients: cotyl_solution::Nutrients,
    /// How it is to be handled.
    pub handling: Handling,
}

impl ProductDetail {
    fn of(product: Product) -> Result<Self> {
        let read = kept_product(&product.fields)?;
        Ok(Self {
            nutrients: read.nutrients_per_gram(),
            handling: Handling::of(&product.fields, &read),
            product,
        })
    }
}

impl App {
    /// Describes a new product.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted; [`Refusal::Taken`] for a name in use.
    pub async fn create_product(
        &self,
        caller: &Caller,
        fields: &ProductFields,
    ) -> Result<ProductDetail> {
        check(fields)?;
        let product = self
            .write_once(Operation::CreateProduct, caller, async |tx, _| {
                let product = products::insert(tx, self.new_id(), fields).await?;
                self.audit_product(tx, Operation::CreateProduct, caller, &product)
                    .await?;
                Ok(product)
            })
            .await?;
        ProductDetail::of(product)
    }

    /// One product.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_product(&self, caller: &Caller, id: Uuid) -> Result<ProductDetail> {
        let product = self
            .read(Operation::ReadProduct, caller, async |tx, _| {
                products::get(tx, id)
                    .await?
                    .ok_or(Error::NotFound("product"))
            })
            .await?;
        ProductDetail::of(product)
    }

    /// A page of products.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_products(
        &self,
        caller: &Caller,
        purpose: Option<&str>,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<ProductDetail>> {
        let found = self
            .read(Operation::ListProducts, caller, async |tx, _| {
                Ok(products::list(tx, purpose, with_retired, page).await?)
            })
            .await?;
        found.into_iter().map(ProductDetail::of).collect()
    }

    /// Replaces the description of a product. Batches that were begun keep what it was.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_product(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &ProductFields,
    ) -> Result<ProductDetail> {
        check(fields)?;
        let product = self
            .write(Operation::ChangeProduct, caller, async |tx, _| {
                let product = lock(tx, id).await?;
                require_version(expected, product.version)?;
                require_not_retired("the product", &product.retired_at)?;
                let mut problems = Problems::new();
                problems.fixed("/form", "product", &fields.form, &product.fields.form);
                problems.finish()?;
                let product = products::update(tx, id, fields).await?;
                self.audit_product(tx, Operation::ChangeProduct, caller, &product)
                    .await?;
                Ok(product)
            })
            .await?;
        ProductDetail::of(product)
    }

    /// Takes a product out of use; refused while a recipe or a stock item names it.
    ///
    /// # Errors
    /// [`Refusal::InUse`], [`Error::Stale`].
    pub async fn retire_product(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<ProductDetail> {
        let product = self
            .write(Operation::RetireProduct, caller, async |tx, _| {
                let product = lock(tx, id).await?;
                require_version(expected, product.version)?;
                require_not_retired("the product", &product.retired_at)?;
                if let Some(by) = products::in_use(tx, id).await? {
                    let what = format!("the product {}", product.fields.name);
                    return Err(Refusal::InUse { what, by }.into());
                }
                let product = products::retire(tx, id, self.clock().now()).await?;
                self.audit_product(tx, Operation::RetireProduct, caller, &product)
                    .await?;
                Ok(product)
            })
            .await?;
        ProductDetail::of(product)
    }

    async fn audit_product(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        product: &Product,
    ) -> Result<()> {
        let changed = Changed {
            noun: "product",
            id: product.id,
        };
        self.audit(tx, operation, caller, changed, &product.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<Product> {
    products::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("product"))
}

fn check(fields: &ProductFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    let pointer = "/density_milligrams_per_millilitre";
    let liquid = fields.form == "liquid";
    match fields.density_milligrams_per_millilitre {
        Some(density) if liquid => problems.within(pointer, density.into(), 700, 2200),
        Some(_) => problems.add(pointer, "unexpected", "belongs to liquids only"),
        None if liquid => {
            problems.add(
                pointer,
                "missing",
                "weigh a stated volume, or read the density off the label: a liquid is poured and its label counts by weight",
            );
        }
        None => {}
    }
    for (index, code) in fields.hazard_statements.iter().enumerate() {
        problems.require(
            is_hazard_code(code),
            &format!("/hazard_statements/{index}"),
            "format",
            "must be the code of a statement on the label, such as H314",
        );
    }
    if let Some(most) = fields.most_milligrams_per_litre {
        problems.within("/most_per_litre", most, 1, 50_000);
    }
    if problems.is_empty() {
        match product_of(fields) {
            Ok(product) => check_purpose(&mut problems, fields, product.adjusts()),
            Err(found) => problems.extend(found),
        }
    }
    problems.finish()
}

fn check_purpose(problems: &mut Problems, fields: &ProductFields, adjusts: Option<Adjusts>) {
    let fits = match fields.purpose.as_str() {
        "acid" => adjusts == Some(Adjusts::Down),
        "base" => adjusts == Some(Adjusts::Up),
        _ => true,
    };
    problems.require(
        fits,
        "/purpose",
        "other",
        "an acid or base is described by its substances, so that a dose can be computed: name acids only for an acid, bases only for a base",
    );
}

/// `H` or `EUH` with three digits, and letters where the statement has them: H360FD.
fn is_hazard_code(code: &str) -> bool {
    let rest = code.strip_prefix("EU").unwrap_or(code);
    rest.strip_prefix('H').is_some_and(|rest| {
        let (digits, letters) = rest.split_at_checked(3).unwrap_or(("", ""));
        digits.len() == 3
            && digits.bytes().all(|byte| byte.is_ascii_digit())
            && letters.len() <= 2
            && letters.bytes().all(|byte| byte.is_ascii_alphabetic())
    })
}
