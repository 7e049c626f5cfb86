//! Grams of the products at hand for a target profile: a computed answer, nothing is kept.

use cotyl_domain::Operation;
use cotyl_solution::{
    Available, Ceiling, Conditions, Expectation, Formulated, Formulation, Solution, SolutionError,
    Target, TargetItem, expectation, formulate,
};
use cotyl_store::products::{self, Product, Shelf};
use cotyl_store::{Tx, source_waters};
use uuid::Uuid;

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
        let (shelf, found, water) = self
            .read(Operation::FormulateRecipe, caller, async |tx, actor| {
                let reach = Operation::FormulateRecipe.reach(actor);
                let zone = zone_of(tx, "/site_id", request.site_id).await?;
                if !reach.covers_site(request.site_id) {
                    return Err(Error::Forbidden(Operation::FormulateRecipe));
                }
                let today = zone.today(self.clock().now());
                let shelf = products::shelf(tx, request.site_id, today).await?;
                let found = candidates(tx, request, &shelf).await?;
                Ok((shelf, found, water(tx, request.source_water_id).await?))
            })
            .await?;
        let litres = request.litres;
        let within_stock = request.within_stock;
        // the programme may take seconds: away from the request threads
        tokio::task::spawn_blocking(move || {
            let shelf = within_stock.then_some(shelf.as_slice());
            answer(found, shelf, &water, litres, &targets, &ceilings)
        })
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

fn answer(
    found: Vec<Product>,
    shelf: Option<&[Shelf]>,
    water: &Solution,
    litres: f64,
    targets: &[Target],
    ceilings: &[Ceiling],
) -> Result<FormulationAnswer> {
    let read: Vec<cotyl_solution::Product> = found
        .iter()
        .map(|product| kept_product(&product.fields))
        .collect::<Result<_>>()?;
    let available: Vec<Available<'_>> = read
        .iter()
        .zip(&found)
        .map(|(chemical, product)| Available {
            product: chemical,
            grams_on_hand: shelf.map_or(NO_LIMIT_GRAMS, |shelf| grams_on_shelf(product, shelf)),
            most_grams_per_litre: None,
            scoop_grams: None,
            forbidden: false,
        })
        .collect();
    let formulated = formulate(&Formulation {
        water,
        litres,
        products: &available,
        targets,
        ceilings,
        forbidden_pairs: &[],
    })
    .map_err(|error| {
        let place = |field: &str| match targets.iter().position(|t| t.item.name() == field) {
            Some(index) => format!("/targets/{index}/milligrams_per_litre"),
            None if field == "litres" => "/volume".to_owned(),
            None => format!("/{field}"),
        };
        Error::Invalid(vec![fault(&error, place)])
    })?;
    let mut handling = Handling::default();
    for amount in &formulated.amounts {
        handling.join(Handling::of(
            &found[amount.product].fields,
            &read[amount.product],
        ));
    }
    Ok(FormulationAnswer {
        expectation: expectation(&formulated.solution, Conditions::STANDARD),
        formulated,
        handling,
        products: found,
    })
}
