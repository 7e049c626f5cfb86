//! A batch as it is read: its rows, and what follows from them.

use std::collections::BTreeSet;

use cotyl_domain::Actor;
use cotyl_store::batches::{self, Batch, BatchEntry, BatchMovement};
use cotyl_store::products::{self, Product, Shelf};
use cotyl_store::{Page, Tx};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::advice::{Adjuster, Evidence, NextStep};
use super::course::{BatchState, Course, counted, course};
use super::plan::{BatchPlan, Worked};
use crate::chemistry::{Handling, kept, kept_product};
use crate::ledger::zone_of;
use crate::lots::hidden_sites;
use crate::{App, Error, Result};

/// Earlier batches that are looked at for what this one may need.
pub(crate) const MOST_EARLIER: u32 = 6;

/// The rows of a batch and of what its correction rests on.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct BatchFile {
    /// The batch.
    pub batch: Batch,
    /// Its entries, in the order in which they happened.
    pub entries: Vec<BatchEntry>,
    /// What the ledger moved for it.
    pub movements: Vec<BatchMovement>,
    /// Acids and bases in use, and those that were dosed.
    pub products: Vec<Product>,
    /// What the shelf of its site holds.
    pub shelf: Vec<Shelf>,
    /// Earlier batches of the same recipe and water with their entries.
    pub earlier: Vec<(Batch, Vec<BatchEntry>)>,
    /// Whether whoever reads it must not know how much came from which lot.
    #[serde(default)]
    pub hides_amounts: bool,
}

/// A batch with what follows from its rows.
#[derive(Debug, Clone)]
pub struct BatchDetail {
    /// The batch.
    pub batch: Batch,
    /// What it was planned to be.
    pub plan: BatchPlan,
    /// Order and handling.
    pub worked: Worked,
    /// Where it stands.
    pub course: Course,
    /// Its entries, in the order in which they happened.
    pub entries: Vec<BatchEntry>,
    /// What the ledger moved for it.
    pub movements: Vec<BatchMovement>,
    /// Whether the caller must not know how much came from which lot, since a stock-taking is open that hides
    /// the ledger.
    pub hides_amounts: bool,
    /// Acids and bases in use, and those that were dosed.
    pub products: Vec<Product>,
    /// What to do next about the pH, while it is mixed or ready.
    pub next_step: Option<NextStep>,
}

impl App {
    pub(crate) async fn batch_file(&self, tx: &mut Tx, id: Uuid) -> Result<BatchFile> {
        let batch = batches::get(tx, id)
            .await?
            .ok_or(Error::NotFound("batch"))?;
        let earlier = batches::latest(
            tx,
            batch.recipe_id,
            batch.source_water_id,
            Some(batch.id),
            MOST_EARLIER.into(),
        )
        .await?;
        let mut ids: Vec<Uuid> = earlier.iter().map(|batch| batch.id).collect();
        ids.push(id);
        let all = batches::entries(tx, &ids).await?;
        let of = |id: Uuid| -> Vec<BatchEntry> {
            all.iter()
                .filter(|entry| entry.batch_id == id)
                .cloned()
                .collect()
        };
        let mut found = products::list(tx, Some("acid"), false, Page::ALL).await?;
        found.extend(products::list(tx, Some("base"), false, Page::ALL).await?);
        let known: BTreeSet<Uuid> = found.iter().map(|product| product.id).collect();
        let dosed: BTreeSet<Uuid> = all.iter().filter_map(|entry| entry.product_id).collect();
        let more: Vec<Uuid> = dosed.difference(&known).copied().collect();
        found.extend(products::get_many(tx, &more).await?);
        let zone = zone_of(tx, "/site_id", batch.site_id).await?;
        let today = zone.today(self.clock().now());
        Ok(BatchFile {
            entries: of(id),
            movements: batches::movements(tx, id).await?,
            shelf: products::shelf(tx, batch.site_id, today).await?,
            earlier: earlier
                .into_iter()
                .map(|batch| {
                    let entries = of(batch.id);
                    (batch, entries)
                })
                .collect(),
            products: found,
            batch,
            hides_amounts: false,
        })
    }

    /// The same for a member to read.
    pub(super) async fn batch_file_for(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        id: Uuid,
    ) -> Result<BatchFile> {
        let mut file = self.batch_file(tx, id).await?;
        let hidden = hidden_sites(tx, actor).await?;
        file.hides_amounts = hidden.contains(&file.batch.site_id);
        Ok(file)
    }
}

impl BatchFile {
    /// Every acid and base of the file.
    pub(crate) fn adjusters(&self) -> Result<Vec<Adjuster>> {
        adjusters_of(&self.products, &self.shelf)
    }

    /// Whether what is worked out of the one holds for the other: everything but the shelf and the ledger.
    pub(super) fn rests_on_the_same(&self, other: &Self) -> bool {
        self.batch == other.batch
            && self.entries == other.entries
            && self.products == other.products
            && self.earlier == other.earlier
    }

    /// How much more than computed the earlier batches took, where their readings tell.
    pub(crate) fn earlier_factors(&self, adjusters: &[Adjuster]) -> Result<Vec<f64>> {
        let mut factors = Vec::new();
        for (batch, entries) in &self.earlier {
            factors.extend(factor_of(batch, entries, adjusters)?);
        }
        Ok(factors)
    }

    /// What follows from the rows; the acid or base of choice may be named.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a product that is no acid or base of the co-operative.
    pub fn detail(self, adjuster_id: Option<Uuid>) -> Result<BatchDetail> {
        let plan: BatchPlan = kept(&self.batch.plan)?;
        let litres = self.batch.microlitres as f64 / 1e6;
        let worked = plan.work(litres)?;
        let counting = counted(&self.entries);
        let course = course(self.batch.microlitres, &counting)?;
        let adjusters = self.adjusters()?;
        let choice = match adjuster_id {
            None => None,
            Some(id) => {
                let found = adjusters.iter().find(|adjuster| adjuster.id == id);
                Some(found.ok_or_else(|| {
                    let detail =
                        "must be an acid or base of this co-operative, described by its substances";
                    Error::field("adjuster_id", "unknown", detail)
                })?)
            }
        };
        let next_step = if course.state <= BatchState::Ready {
            let evidence = Evidence {
                mixed: worked.mixed,
                litres,
                accepted_ph: plan.accepted_ph(),
                entries: &counting,
                adjusters: &adjusters,
            };
            Some(evidence.next_step(choice, &self.earlier_factors(&adjusters)?))
        } else {
            None
        };
        Ok(BatchDetail {
            plan,
            worked,
            course,
            next_step,
            batch: self.batch,
            entries: self.entries,
            movements: self.movements,
            hides_amounts: self.hides_amounts,
            products: self.products,
        })
    }
}

/// Those of some products that are acids or bases.
pub(crate) fn adjusters_of(products: &[Product], shelf: &[Shelf]) -> Result<Vec<Adjuster>> {
    let mut adjusters = Vec::new();
    for record in products {
        let product = kept_product(&record.fields)?;
        let Some(way) = product.adjusts() else {
            continue;
        };
        adjusters.push(Adjuster {
            id: record.id,
            way,
            stated_most: record
                .fields
                .most_milligrams_per_litre
                .map(|milligrams| milligrams as f64 / 1000.0),
            on_shelf: shelf
                .iter()
                .any(|item| item.product_id == record.id && item.quantity > 0),
            retired: record.retired_at.is_some(),
            handling: Handling::of(&record.fields, &product),
            product,
        });
    }
    Ok(adjusters)
}

/// How much more than computed a batch took, where its readings tell.
pub(crate) fn factor_of(
    batch: &Batch,
    entries: &[BatchEntry],
    adjusters: &[Adjuster],
) -> Result<Option<f64>> {
    let plan: BatchPlan = kept(&batch.plan)?;
    let litres = batch.microlitres as f64 / 1e6;
    let evidence = Evidence {
        mixed: plan.mixed(litres)?,
        litres,
        accepted_ph: plan.accepted_ph(),
        entries: &counted(entries),
        adjusters,
    };
    Ok(evidence.factor())
}
