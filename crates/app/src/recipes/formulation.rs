//! Grams of the products at hand for a target profile: a computed answer, nothing is kept.

use cotyl_domain::Operation;
use cotyl_solution::{
    Available, Ceiling, Conditions, Expectation, Formulated, Formulation, Solution, SolutionError,
    Target, TargetItem, caution, expectation, formulate,
};
use cotyl_store::products::{self, Product, Shelf};
use cotyl_store::{Tx, source_waters};
use uuid::Uuid;

use super::meetings::{Apart, Meetings};
use crate::chemistry::{Handling, fault, kept_product};
use crate::input::Problems;
use crate::ledger::zone_of;
use crate::source_waters::WaterDetail;
use crate::{App, Caller, Error, Result};

/// What is asked.
#[derive(Debug, Clone)]
pub struct FormulationRequest {
    /// Whose shelf is looked at.
    pub site_id: Uuid,
    /// The water; pure water when left out.
    pub source_water_id: Option<Uuid>,
    /// Litres that the shelf must do for.
    pub litres: f64,
    /// The profile: item, milligrams per litre, weight.
    pub targets: Vec<(String, f64, f64)>,
    /// What must not be passed: item, milligrams per litre.
    pub ceilings: Vec<(String, f64)>,
    /// Among these; the fertilisers on the shelf when left out.
    pub product_ids: Option<Vec<Uuid>>,
    /// Whether no more is used than the shelf holds.
    pub within_stock: bool,
    /// Products that are measured in whole scoops, with the grams of a level scoop; left out, those that the stock
    /// item of the product states.
    pub scoops: Vec<(Uuid, Option<f64>)>,
    /// How many volumes of finished solution one volume of concentrate makes, where concentrates are looked at.
    pub concentrate_times: f64,
    /// Whether all that is chosen is to stand in one concentrate.
    pub one_concentrate: bool,
}

/// The answer.
#[derive(Debug, Clone)]
pub struct FormulationAnswer {
    /// The products that were to choose from.
    pub products: Vec<Product>,
    /// Grams of those that were chosen, and how the targets are met.
    pub formulated: Formulated,
    /// What the meters should show.
    pub expectation: std::result::Result<Expectation, SolutionError>,
    /// How the chosen products are to be handled.
    pub handling: Handling,
    /// Pairs that must not stand in one concentrate: of what was chosen, or, where one concentrate was asked for,
    /// those of which not both were chosen.
    pub apart: Vec<Apart>,
    /// Why all of what was chosen does not stay clear in one concentrate, where one was asked for.
    pub concentrate_fault: Option<String>,
    /// What whole scoops change, where any are measured so.
    pub rounding: Option<Rounding>,
}

/// The same in exact amounts, to compare with.
#[derive(Debug, Clone)]
pub struct Rounding {
    /// What it would be.
    pub exact: Formulated,
    /// What the meters should show then.
    pub expectation: std::result::Result<Expectation, SolutionError>,
}

/// Grams on hand that stand for no limit: a hundred tonnes.
const NO_LIMIT_GRAMS: f64 = 1e8;

impl App {
    /// Chooses grams for a profile.
    ///
    /// # Errors
    /// [`Error::Invalid`] naming the field at fault; also where nothing can be chosen from.
    pub async fn formulate_recipe(
        &self,
        caller: &Caller,
        request: &FormulationRequest,
    ) -> Result<FormulationAnswer> {
        let (targets, ceilings) = wishes(request)?;
        let (shelf, found, water, scoops) = self
            .read(Operation::FormulateRecipe, caller, async |tx, actor| {
                let reach = Operation::FormulateRecipe.reach(actor);
                let zone = zone_of(tx, "/site_id", request.site_id).await?;
                if !reach.covers_site(request.site_id) {
                    return Err(Error::Forbidden(Operation::FormulateRecipe));
                }
                let today = zone.today(self.clock().now());
                let shelf = products::shelf(tx, request.site_id, today).await?;
                let found = candidates(tx, request, &shelf).await?;
                let scoops = scoops(tx, request, &found).await?;
                let water = water(tx, request.source_water_id).await?;
                Ok((shelf, found, water, scoops))
            })
            .await?;
        let task = Task {
            found,
            shelf: request.within_stock.then_some(shelf),
            scoops,
            water,
            litres: request.litres,
            targets,
            ceilings,
            times: request.concentrate_times,
            one_concentrate: request.one_concentrate,
        };
        // the programme may take seconds: away from the request threads
        tokio::task::spawn_blocking(move || task.answer())
            .await
            .map_err(Error::internal)?
    }
}

fn wishes(request: &FormulationRequest) -> Result<(Vec<Target>, Vec<Ceiling>)> {
    let mut problems = Problems::new();
    let mut named = |pointer: String, name: &str| {
        let item = TargetItem::named(name);
        if item.is_none() {
            let names = cotyl_solution::Nutrient::ALL.map(cotyl_solution::Nutrient::name);
            let detail = format!("must be nitrogen or one of {}", names.join(", "));
            problems.add(pointer, "unknown", detail);
        }
        item
    };
    let mut targets = Vec::new();
    for (index, (name, milligrams_per_litre, weight)) in request.targets.iter().enumerate() {
        if let Some(item) = named(format!("/targets/{index}/item"), name) {
            targets.push(Target {
                item,
                milligrams_per_litre: *milligrams_per_litre,
                weight: *weight,
            });
        }
    }
    let mut ceilings = Vec::new();
    for (index, (name, most)) in request.ceilings.iter().enumerate() {
        if let Some(item) = named(format!("/ceilings/{index}/item"), name) {
            ceilings.push(Ceiling {
                item,
                most_milligrams_per_litre: *most,
            });
        }
    }
    problems.require(
        (2.0..=1000.0).contains(&request.concentrate_times),
        "/concentrate_times",
        "range",
        "must be between 2 and 1000 volumes of finished solution from one volume",
    );
    problems.finish()?;
    Ok((targets, ceilings))
}

async fn candidates(
    tx: &mut Tx,
    request: &FormulationRequest,
    shelf: &[Shelf],
) -> Result<Vec<Product>> {
    let on_shelf: Vec<Uuid> = shelf
        .iter()
        .filter(|item| item.quantity > 0)
        .map(|item| item.product_id)
        .collect();
    let ids = request.product_ids.as_ref().unwrap_or(&on_shelf);
    let mut found = products::get_many(tx, ids).await?;
    let mut problems = Problems::new();
    match &request.product_ids {
        Some(asked) => {
            for (index, id) in asked.iter().enumerate() {
                let there = found.iter().any(|product| product.id == *id);
                let detail = "there is no such product in this co-operative";
                problems.require(there, &format!("/product_ids/{index}"), "unknown", detail);
            }
        }
        None => found.retain(|product| {
            product.fields.purpose == "fertiliser" && product.retired_at.is_none()
        }),
    }
    problems.require(
        !found.is_empty(),
        "/product_ids",
        "missing",
        "no fertiliser is on the shelf of this site; receive some, or name products with within_stock false",
    );
    problems.finish()?;
    Ok(found)
}

async fn water(tx: &mut Tx, id: Option<Uuid>) -> Result<Solution> {
    let Some(id) = id else {
        return Ok(Solution::WATER);
    };
    let water = source_waters::get(tx, id).await?.ok_or_else(|| {
        let detail = "there is no such source water in this co-operative";
        Error::field("/source_water_id", "unknown", detail)
    })?;
    Ok(WaterDetail::of(water)?.solution)
}

/// Grams of a product on the shelf.
fn grams_on_shelf(product: &Product, shelf: &[Shelf]) -> f64 {
    let density = f64::from(
        product
            .fields
            .density_milligrams_per_millilitre
            .unwrap_or(1000),
    );
    shelf
        .iter()
        .filter(|item| item.product_id == product.id)
        .map(|item| match item.dimension.as_str() {
            "volume" => item.quantity as f64 / 1e6 * density,
            _ => item.quantity as f64 / 1e3,
        })
        .sum()
}

/// Grams of a level scoop of each candidate that is measured in whole ones.
async fn scoops(
    tx: &mut Tx,
    request: &FormulationRequest,
    found: &[Product],
) -> Result<Vec<Option<f64>>> {
    let mut problems = Problems::new();
    let mut grams = vec![None; found.len()];
    for (index, (product_id, stated)) in request.scoops.iter().enumerate() {
        let pointer = |field: &str| format!("/scoops/{index}/{field}");
        let Some(place) = found.iter().position(|product| product.id == *product_id) else {
            let detail = "must be one of the products to choose from";
            problems.add(pointer("product_id"), "unknown", detail);
            continue;
        };
        if grams[place].is_some() {
            problems.add(pointer("product_id"), "repeated", "is named twice");
            continue;
        }
        let scoop = match stated {
            Some(grams) => Some(*grams),
            None => grams_of_scoop(products::scoop(tx, *product_id).await?),
        };
        match scoop {
            Some(one) if one > 0.0 && one <= MOST_SCOOP_GRAMS => grams[place] = Some(one),
            Some(_) => problems.add(
                pointer("weight"),
                "range",
                "must be more than 0 and at most 10 kg",
            ),
            None => problems.add(
                pointer("weight"),
                "missing",
                "say what a level scoop weighs, here or in the stock item of the product",
            ),
        }
    }
    problems.finish()?;
    Ok(grams)
}

/// The heaviest scoop, in grams.
const MOST_SCOOP_GRAMS: f64 = 10_000.0;

fn grams_of_scoop(kept: Option<(i64, String, Option<i32>)>) -> Option<f64> {
    let (quantity, dimension, density) = kept?;
    match dimension.as_str() {
        "mass" => Some(quantity as f64 / 1e3),
        "volume" => Some(quantity as f64 / 1e6 * f64::from(density?)),
        _ => None,
    }
}

/// A question with everything that its answer rests on.
struct Task {
    found: Vec<Product>,
    shelf: Option<Vec<Shelf>>,
    scoops: Vec<Option<f64>>,
    water: Solution,
    litres: f64,
    targets: Vec<Target>,
    ceilings: Vec<Ceiling>,
    times: f64,
    one_concentrate: bool,
}

impl Task {
    fn answer(self) -> Result<FormulationAnswer> {
        let read: Vec<cotyl_solution::Product> = self
            .found
            .iter()
            .map(|product| kept_product(&product.fields))
            .collect::<Result<_>>()?;
        let mut meetings = Meetings {
            parts: self.found.iter().map(|p| p.fields.part.as_str()).collect(),
            products: &read,
            times: self.times,
            apart: Vec::new(),
        };
        let in_scoops = self.scoops.iter().any(Option::is_some);
        let mut formulated = self.formulate(&read, in_scoops, &[])?;
        meetings.judge(&formulated.amounts);
        let mut concentrate_fault = None;
        if self.one_concentrate {
            // what is chosen in place of one of a pair may meet others that it must not
            loop {
                let pairs = meetings.pairs();
                formulated = self.formulate(&read, in_scoops, &pairs)?;
                if !meetings.judge(&formulated.amounts) {
                    break;
                }
            }
            concentrate_fault = meetings.fault_of_all(&formulated.amounts);
        }
        let rounding = if in_scoops {
            let pairs = if self.one_concentrate {
                meetings.pairs()
            } else {
                Vec::new()
            };
            let exact = self.formulate(&read, false, &pairs)?;
            Some(Rounding {
                expectation: expectation(&exact.solution, Conditions::STANDARD),
                exact,
            })
        } else {
            None
        };
        let mut handling = Handling::default();
        for amount in &formulated.amounts {
            handling.join(Handling::of(
                &self.found[amount.product].fields,
                &read[amount.product],
            ));
        }
        if self.one_concentrate {
            handling.add(&caution::for_concentrates());
            handling.needs_concentrates = true;
        }
        let apart = meetings.apart;
        Ok(FormulationAnswer {
            expectation: expectation(&formulated.solution, Conditions::STANDARD),
            formulated,
            handling,
            apart,
            concentrate_fault,
            rounding,
            products: self.found,
        })
    }

    fn formulate(
        &self,
        read: &[cotyl_solution::Product],
        in_scoops: bool,
        forbidden_pairs: &[(usize, usize)],
    ) -> Result<Formulated> {
        let on_hand = |product| match &self.shelf {
            Some(shelf) => grams_on_shelf(product, shelf),
            None => NO_LIMIT_GRAMS,
        };
        let available: Vec<Available<'_>> = read
            .iter()
            .zip(&self.found)
            .zip(&self.scoops)
            .map(|((chemical, product), scoop)| Available {
                product: chemical,
                grams_on_hand: on_hand(product),
                most_grams_per_litre: None,
                scoop_grams: scoop.filter(|_| in_scoops),
                forbidden: false,
            })
            .collect();
        formulate(&Formulation {
            water: &self.water,
            litres: self.litres,
            products: &available,
            targets: &self.targets,
            ceilings: &self.ceilings,
            forbidden_pairs,
        })
        .map_err(|error| {
            let target = |field: &str| self.targets.iter().position(|t| t.item.name() == field);
            let place = |field: &str| match target(field) {
                Some(index) => format!("/targets/{index}/milligrams_per_litre"),
                None if field == "litres" => "/volume".to_owned(),
                None => format!("/{field}"),
            };
            Error::Invalid(vec![fault(&error, place)])
        })
    }
}
