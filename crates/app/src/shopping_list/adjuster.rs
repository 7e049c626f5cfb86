//! The acid or base that a litre of the usual recipe takes in the water of a site: by its composition, times
//! what earlier batches of the recipe in that water took of what had been worked out for them.

use std::cmp::Reverse;

use cotyl_solution::{Adjusts, DoseQuestion, Prior, RecipeLine, Solution, dissolve};
use cotyl_store::batches::{self, Batch, BatchEntry};
use cotyl_store::products::{self, Product};
use cotyl_store::source_waters::SourceWater;
use cotyl_store::supply::{self, UsualRecipe};
use cotyl_store::{Page, Tx, recipes};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::wants::GapKind;
use super::{Cupboard, item::Shelf};
use crate::batches::advice::{Adjuster, USUAL_CELSIUS};
use crate::batches::course::{BatchState, counted};
use crate::batches::file::{MOST_EARLIER, adjusters_of, factor_of};
use crate::chemistry::{grams_per_litre, kept_product};
use crate::recipes::{Ground, ground};
use crate::source_waters::WaterDetail;
use crate::{Error, Result};

/// How often the most of a litre may be passed: what goes beyond is never dosed.
const TIMES_THE_MOST: f64 = 2.0;

/// The rows that a dose rests on.
pub(crate) struct DoseRows {
    /// The usual recipe with its products, in the water of the site.
    ground: Ground,
    /// Acids and bases.
    products: Vec<Product>,
    /// Earlier batches of the recipe in that water with their entries.
    earlier: Vec<(Batch, Vec<BatchEntry>)>,
}

/// What a litre of solution takes at a site.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AdjusterDose {
    /// The site.
    pub site_id: Uuid,
    /// The water of the site that is reckoned with.
    pub water_id: Uuid,
    /// Its name.
    pub water_name: String,
    /// The acid or base.
    pub product_id: Uuid,
    /// Its name.
    pub product_name: String,
    /// pH as mixed.
    pub ph: f64,
    /// pH aimed at.
    pub target_ph: f64,
    /// Grams in a litre by the composition; `None` where by it none is needed.
    pub model_grams_per_litre: Option<f64>,
    /// Grams in a litre that are reckoned with.
    pub grams_per_litre: f64,
    /// Earlier batches whose readings and doses count in it.
    pub earlier_batches: usize,
}

/// What comes of it.
pub(crate) enum Found {
    /// No acid or base is needed.
    Nothing,
    /// So much is.
    Dose(AdjusterDose),
    /// It cannot be worked out.
    Gap(GapKind, String),
    /// More than may be dosed is needed.
    PastMost(AdjusterDose, String),
}

impl DoseRows {
    /// Reads them; `None` without a water at the site.
    pub(crate) async fn load(
        tx: &mut Tx,
        usual: &UsualRecipe,
        site_id: Uuid,
    ) -> Result<Option<Self>> {
        let Some(water_id) = supply::usual_water(tx, site_id, usual.id).await? else {
            return Ok(None);
        };
        let recipe = recipes::get(tx, usual.id)
            .await?
            .ok_or(Error::NotFound("recipe"))?;
        let ground = ground(tx, recipe, "/source_water_id", Some(water_id)).await?;
        let earlier =
            batches::latest(tx, usual.id, Some(water_id), None, MOST_EARLIER.into()).await?;
        let ids: Vec<Uuid> = earlier.iter().map(|batch| batch.id).collect();
        let entries = batches::entries(tx, &ids).await?;
        let mut found = products::list(tx, Some("acid"), false, Page::ALL).await?;
        found.extend(products::list(tx, Some("base"), false, Page::ALL).await?);
        let dosed: Vec<Uuid> = entries
            .iter()
            .filter_map(|entry| entry.product_id)
            .filter(|id| !found.iter().any(|product| product.id == *id))
            .collect();
        found.extend(products::get_many(tx, &dosed).await?);
        Ok(Some(Self {
            ground,
            products: found,
            earlier: earlier
                .into_iter()
                .map(|batch| {
                    let own = entries.iter().filter(|entry| entry.batch_id == batch.id);
                    let own = own.cloned().collect();
                    (batch, own)
                })
                .collect(),
        }))
    }

    /// The recipe in the water, before any dose.
    fn mixed(&self, water: &SourceWater) -> Result<Solution> {
        let source = WaterDetail::of(water.clone())?.solution;
        let mut lines = Vec::new();
        for (line, product) in self.ground.lines.iter().zip(&self.ground.products) {
            let chemical = kept_product(&product.fields)?;
            let grams = grams_per_litre(&chemical, line.per_litre).unwrap_or_default();
            lines.push((chemical, grams));
        }
        let lines: Vec<RecipeLine<'_>> = lines
            .iter()
            .map(|(product, grams_per_litre)| RecipeLine {
                product,
                grams_per_litre: *grams_per_litre,
            })
            .collect();
        dissolve(&source, &lines).map_err(Error::internal)
    }
}

/// What a litre takes at a site.
pub(crate) fn dose(
    rows: Option<&DoseRows>,
    cupboard: &Cupboard,
    shelf: &Shelf,
    site_id: Uuid,
) -> Found {
    let water = rows.and_then(|rows| rows.ground.water.as_ref());
    let Some((rows, water)) = rows.zip(water) else {
        return Found::Gap(
            GapKind::NoSourceWater,
            "no source water of the site is described, so acid or base is not worked out; enter its report".to_owned(),
        );
    };
    let work = Work {
        rows,
        water,
        cupboard,
        shelf,
        site_id,
    };
    work.dose().unwrap_or_else(|error| work.unknown(error))
}

struct Work<'a> {
    rows: &'a DoseRows,
    water: &'a SourceWater,
    cupboard: &'a Cupboard,
    shelf: &'a Shelf,
    site_id: Uuid,
}

impl Work<'_> {
    fn unknown(&self, why: impl std::fmt::Display) -> Found {
        let recipe = &self.rows.ground.recipe.fields.name;
        Found::Gap(
            GapKind::DoseUnknown,
            format!(
                "how much acid or base the recipe {recipe} takes in the water {} cannot be worked out: {why}",
                self.water.fields.name
            ),
        )
    }

    fn dose(&self) -> std::result::Result<Found, String> {
        let words = |error: &dyn std::error::Error| error.to_string();
        let readable = |_| "a product of the recipe or the report of the water cannot be read";
        let mixed = self.rows.mixed(self.water).map_err(readable)?;
        let fields = &self.rows.ground.recipe.fields;
        let ph_of = |thousandths: i32| f64::from(thousandths) / 1000.0;
        let question = DoseQuestion {
            mixed: &mixed,
            celsius: USUAL_CELSIUS,
            accepted_ph: (
                ph_of(fields.ph_least_thousandths),
                ph_of(fields.ph_most_thousandths),
            ),
        };
        let (ph, needed) = question.needed().map_err(|error| words(&error))?;
        let products = self.rows.products.iter();
        let readable = products
            .filter(|product| kept_product(&product.fields).is_ok())
            .cloned()
            .collect::<Vec<_>>();
        let adjusters = adjusters_of(&readable, &[]).map_err(|error| words(&error))?;
        let Some(way) = needed else {
            return Ok(self.by_record(&adjusters, ph));
        };
        let Some(adjuster) = self.choose(&adjusters, way) else {
            return Ok(self.no_adjuster(ph, way));
        };
        let factors: Vec<f64> = self
            .rows
            .earlier
            .iter()
            .filter_map(|(batch, entries)| factor_of(batch, entries, &adjusters).ok()?)
            .collect();
        let planned = question
            .planned(&adjuster.product, Prior::of_batches(&factors).factor)
            .map_err(|error| words(&error))?;
        let mut dose = self.found(adjuster, ph, factors.len());
        dose.target_ph = planned.target_ph;
        dose.model_grams_per_litre = Some(planned.model_grams_per_litre);
        dose.grams_per_litre = planned.grams_per_litre;
        let most = adjuster
            .most_grams_per_litre()
            .map_err(|error| words(&error))?
            * TIMES_THE_MOST;
        if dose.grams_per_litre <= most {
            return Ok(Found::Dose(dose));
        }
        let text = format!(
            "the recipe {} takes {:.2} g of {} in a litre in the water {}, and no more than {most:.2} g are ever dosed; check the report, or use another water or recipe",
            fields.name, dose.grams_per_litre, dose.product_name, dose.water_name,
        );
        dose.grams_per_litre = most;
        Ok(Found::PastMost(dose, text))
    }

    fn found(&self, adjuster: &Adjuster, ph: f64, earlier_batches: usize) -> AdjusterDose {
        AdjusterDose {
            site_id: self.site_id,
            water_id: self.water.id,
            water_name: self.water.fields.name.clone(),
            product_id: adjuster.id,
            product_name: adjuster.product.name().to_owned(),
            ph,
            target_ph: ph,
            model_grams_per_litre: None,
            grams_per_litre: 0.0,
            earlier_batches,
        }
    }

    /// Where none is needed by the composition: what earlier batches took all the same, on average.
    fn by_record(&self, adjusters: &[Adjuster], ph: f64) -> Found {
        let done: Vec<(&Batch, Vec<&BatchEntry>)> = self
            .rows
            .earlier
            .iter()
            .filter(|(batch, _)| {
                let state = BatchState::parse(&batch.state);
                state.is_some_and(|state| (BatchState::Ready..=BatchState::UsedUp).contains(&state))
            })
            .map(|(batch, entries)| (batch, counted(entries)))
            .collect();
        let mut last_first = done.iter().flat_map(|(_, entries)| entries.iter().rev());
        let product_id = last_first.find_map(|entry| entry.product_id);
        let adjuster =
            product_id.and_then(|id| adjusters.iter().find(|adjuster| adjuster.id == id));
        let Some(adjuster) = adjuster else {
            return Found::Nothing;
        };
        let grams = |(batch, entries): &(&Batch, Vec<&BatchEntry>)| {
            let own = entries
                .iter()
                .filter(|entry| entry.product_id == Some(adjuster.id));
            own.map(|entry| adjuster.grams(entry)).sum::<f64>() / (batch.microlitres as f64 / 1e6)
        };
        let mut dose = self.found(adjuster, ph, done.len());
        dose.grams_per_litre = done.iter().map(grams).sum::<f64>() / done.len() as f64;
        Found::Dose(dose)
    }

    fn keeps(&self, adjuster: &Adjuster) -> Option<Uuid> {
        let mut items = self.cupboard.items.iter();
        items
            .find(|item| item.product_id == Some(adjuster.id))
            .map(|item| item.id)
    }

    /// Of those that a stock item keeps: what was dosed last, then what is on the shelf, then what is on order.
    fn choose<'b>(&self, adjusters: &'b [Adjuster], way: Adjusts) -> Option<&'b Adjuster> {
        let last_first = self
            .rows
            .earlier
            .iter()
            .flat_map(|(_, entries)| entries.iter().rev());
        let fits = |adjuster: &&Adjuster| adjuster.way == way && !adjuster.retired;
        let dosed_last = last_first.filter_map(|entry| entry.product_id).find(|id| {
            let mut fitting = adjusters.iter().filter(fits);
            fitting.any(|adjuster| adjuster.id == *id)
        });
        let fitting = adjusters.iter().filter(fits);
        let kept = fitting.filter_map(|adjuster| Some((adjuster, self.keeps(adjuster)?)));
        let mut ranked: Vec<_> = kept
            .map(|(adjuster, item_id)| {
                let is_there = self.shelf.lots.iter().any(|l| l.stock_item_id == item_id);
                let comes = self.shelf.orders.iter().any(|o| o.stock_item_id == item_id);
                (
                    Reverse((dosed_last == Some(adjuster.id), is_there, comes)),
                    adjuster,
                )
            })
            .collect();
        ranked.sort_by_key(|(rank, adjuster)| (*rank, adjuster.id));
        ranked.first().map(|(_, adjuster)| *adjuster)
    }

    fn no_adjuster(&self, ph: f64, way: Adjusts) -> Found {
        let kind = match way {
            Adjusts::Down => "acid",
            Adjusts::Up => "base",
        };
        let fields = &self.rows.ground.recipe.fields;
        Found::Gap(
            GapKind::NoAdjuster,
            format!(
                "the recipe {} mixed with the water {} has a pH of {ph:.1}, so it takes {kind}, and no stock item keeps one; describe the product by its substances and the item that keeps it",
                fields.name, self.water.fields.name
            ),
        )
    }
}
