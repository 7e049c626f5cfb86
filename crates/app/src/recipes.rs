//! Recipes: amounts per litre of products, and what they come to in a water.

pub mod formulation;
pub mod meetings;

use cotyl_domain::Operation;
use cotyl_solution::caution;
use cotyl_solution::{
    Compatibility, Conditions, Expectation, Nutrients, Precipitate, RecipeLine, Solution,
    SolutionError, compatibility, dissolve, expectation,
};
use cotyl_store::products::Product;
use cotyl_store::recipes::{self, Recipe, RecipeFields};
use cotyl_store::references::Reference;
use cotyl_store::source_waters::SourceWater;
use cotyl_store::{Page, Tx, products, source_waters};
use uuid::Uuid;

use crate::chemistry::{
    Concentrate, Handling, Line, PerLitre, grams_per_litre, kept, kept_product,
};
use crate::input::{Problems, require_not_retired, require_version};
use crate::source_waters::WaterDetail;
use crate::{App, Caller, Changed, Error, Result};

/// The coldest at which a concentrate is taken to stand, in degrees Celsius. Common practice, no source.
pub(crate) const COLDEST_CELSIUS: f64 = 10.0;
/// The most products of a recipe.
const MOST_LINES: usize = 30;
/// The most in a litre, in micrograms or nanolitres: a kilogram or a litre.
const MOST_PER_LITRE: i64 = 1_000_000_000;

/// A recipe with what it comes to.
#[derive(Debug, Clone)]
pub struct RecipeDetail {
    /// The recipe.
    pub recipe: Recipe,
    /// Its products, line by line.
    pub lines: Vec<LineDetail>,
    /// Its concentrates.
    pub concentrates: Vec<ConcentrateDetail>,
    /// The water it was worked out with; `None` for pure water.
    pub water: Option<SourceWater>,
    /// What a litre holds, the water's share included.
    pub nutrients: Nutrients,
    /// What the meters should show.
    pub expectation: std::result::Result<Expectation, SolutionError>,
    /// Whether calcium stays dissolved before the pH is corrected.
    pub settles_uncorrected: bool,
    /// How the products are to be handled.
    pub handling: Handling,
}

/// A product in a recipe.
#[derive(Debug, Clone)]
pub struct LineDetail {
    /// The line.
    pub line: Line,
    /// The product.
    pub product: Product,
    /// Grams in a litre.
    pub grams_per_litre: f64,
}

/// A concentrate of a recipe.
#[derive(Debug, Clone)]
pub struct ConcentrateDetail {
    /// The concentrate.
    pub concentrate: Concentrate,
    /// Grams of each product in a litre of it.
    pub grams_per_litre: Vec<(Uuid, f64)>,
}

/// What a recipe and a water are, read together.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Ground {
    pub recipe: Recipe,
    pub lines: Vec<Line>,
    pub concentrates: Vec<Concentrate>,
    pub products: Vec<Product>,
    pub water: Option<SourceWater>,
}

impl App {
    /// Describes a new recipe.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, also for a concentrate in which something
    /// would settle; [`cotyl_domain::Refusal::Taken`] for a name in use.
    pub async fn create_recipe(
        &self,
        caller: &Caller,
        fields: &RecipeFields,
    ) -> Result<RecipeDetail> {
        check(fields)?;
        let recipe = self
            .write_once(Operation::CreateRecipe, caller, async |tx, _| {
                check_products(tx, fields).await?;
                let recipe = recipes::insert(tx, self.new_id(), fields).await?;
                self.audit_recipe(tx, Operation::CreateRecipe, caller, &recipe)
                    .await?;
                Ok(recipe)
            })
            .await?;
        self.read_recipe(caller, recipe.id, None).await
    }

    /// One recipe, worked out with a source water or with pure water.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id; [`Error::Invalid`] for an unknown
    /// water.
    pub async fn read_recipe(
        &self,
        caller: &Caller,
        id: Uuid,
        source_water_id: Option<Uuid>,
    ) -> Result<RecipeDetail> {
        let ground = self
            .read(Operation::ReadRecipe, caller, async |tx, _| {
                let recipe = recipes::get(tx, id)
                    .await?
                    .ok_or(Error::NotFound("recipe"))?;
                ground(tx, recipe, "source_water_id", source_water_id).await
            })
            .await?;
        detail(ground)
    }

    /// A page of recipes.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_recipes(
        &self,
        caller: &Caller,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<Recipe>> {
        self.read(Operation::ListRecipes, caller, async |tx, _| {
            Ok(recipes::list(tx, with_retired, page).await?)
        })
        .await
    }

    /// Replaces the description of a recipe. Batches that were begun keep what it was.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_recipe(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &RecipeFields,
    ) -> Result<RecipeDetail> {
        check(fields)?;
        self.write(Operation::ChangeRecipe, caller, async |tx, _| {
            let recipe = lock(tx, id).await?;
            require_version(expected, recipe.version)?;
            require_not_retired("the recipe", &recipe.retired_at)?;
            check_products(tx, fields).await?;
            let recipe = recipes::update(tx, id, fields).await?;
            self.audit_recipe(tx, Operation::ChangeRecipe, caller, &recipe)
                .await
        })
        .await?;
        self.read_recipe(caller, id, None).await
    }

    /// Takes a recipe out of use.
    ///
    /// # Errors
    /// [`Error::Stale`].
    pub async fn retire_recipe(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<RecipeDetail> {
        self.write(Operation::RetireRecipe, caller, async |tx, _| {
            let recipe = lock(tx, id).await?;
            require_version(expected, recipe.version)?;
            require_not_retired("the recipe", &recipe.retired_at)?;
            let recipe = recipes::retire(tx, id, self.clock().now()).await?;
            self.audit_recipe(tx, Operation::RetireRecipe, caller, &recipe)
                .await
        })
        .await?;
        self.read_recipe(caller, id, None).await
    }

    async fn audit_recipe(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        recipe: &Recipe,
    ) -> Result<()> {
        let changed = Changed {
            noun: "recipe",
            id: recipe.id,
        };
        self.audit(tx, operation, caller, changed, &recipe.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<Recipe> {
    recipes::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("recipe"))
}

/// A recipe with its products and a water; `pointer` names the field that asks for the water.
pub(crate) async fn ground(
    tx: &mut Tx,
    recipe: Recipe,
    pointer: &str,
    source_water_id: Option<Uuid>,
) -> Result<Ground> {
    let lines: Vec<Line> = kept(&recipe.fields.lines)?;
    let ids: Vec<Uuid> = lines.iter().map(|line| line.product_id).collect();
    let found = products::get_many(tx, &ids).await?;
    let water = match source_water_id {
        Some(id) => Some(source_waters::get(tx, id).await?.ok_or_else(|| {
            let detail = "there is no such source water in this co-operative";
            Error::field(pointer, "unknown", detail)
        })?),
        None => None,
    };
    let of_line = |line: &Line| {
        let product = found.iter().find(|product| product.id == line.product_id);
        product
            .cloned()
            .ok_or_else(|| Error::internal("a product of a recipe is gone"))
    };
    Ok(Ground {
        products: lines.iter().map(of_line).collect::<Result<_>>()?,
        concentrates: kept(&recipe.fields.concentrates)?,
        lines,
        recipe,
        water,
    })
}

fn detail(ground: Ground) -> Result<RecipeDetail> {
    let water = match &ground.water {
        Some(water) => WaterDetail::of(water.clone())?.solution,
        None => Solution::WATER,
    };
    let handling = handling(&ground)?;
    let (mut read, mut grams) = (Vec::new(), Vec::new());
    for (line, product) in ground.lines.iter().zip(&ground.products) {
        let chemical = kept_product(&product.fields)?;
        grams.push(grams_per_litre(&chemical, line.per_litre).unwrap_or_default());
        read.push(chemical);
    }
    let recipe_lines: Vec<RecipeLine<'_>> = read
        .iter()
        .zip(&grams)
        .map(|(product, grams_per_litre)| RecipeLine {
            product,
            grams_per_litre: *grams_per_litre,
        })
        .collect();
    let mixed = dissolve(&water, &recipe_lines).map_err(Error::internal)?;
    let concentrates = ground.concentrates.iter().map(|concentrate| {
        let of_line = |(line, grams): (&Line, &f64)| {
            let inside = concentrate.product_ids.contains(&line.product_id);
            inside.then_some((line.product_id, grams * concentrate.times))
        };
        ConcentrateDetail {
            concentrate: concentrate.clone(),
            grams_per_litre: ground
                .lines
                .iter()
                .zip(&grams)
                .filter_map(of_line)
                .collect(),
        }
    });
    Ok(RecipeDetail {
        concentrates: concentrates.collect(),
        lines: ground
            .lines
            .into_iter()
            .zip(ground.products)
            .zip(grams)
            .map(|((line, product), grams_per_litre)| LineDetail {
                line,
                product,
                grams_per_litre,
            })
            .collect(),
        recipe: ground.recipe,
        water: ground.water,
        nutrients: mixed.nutrients(),
        expectation: expectation(&mixed, Conditions::STANDARD),
        settles_uncorrected: settles(&mixed),
        handling,
    })
}

/// Whether something would settle in a mix as it stands.
pub(crate) fn settles(mixed: &Solution) -> bool {
    !matches!(
        compatibility(mixed, COLDEST_CELSIUS),
        Ok(Compatibility::Dissolved)
    )
}

/// The cautions of concentrates, where a recipe has any or takes several parts of a set.
fn part_cautions(ground: &Ground) -> Vec<caution::Caution> {
    let in_parts = ground
        .products
        .iter()
        .any(|product| product.fields.part != "single");
    if in_parts || !ground.concentrates.is_empty() {
        caution::for_concentrates()
    } else {
        Vec::new()
    }
}

/// How all products of a recipe are to be handled together; concentrates need their qualification.
fn handling(ground: &Ground) -> Result<Handling> {
    let mut all = Handling::default();
    for product in &ground.products {
        all.join(Handling::of(
            &product.fields,
            &kept_product(&product.fields)?,
        ));
    }
    all.add(&part_cautions(ground));
    all.needs_concentrates |= !ground.concentrates.is_empty();
    Ok(all)
}

fn check(fields: &RecipeFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    problems.text("/note", &fields.note, 0, 1000);
    let (least, most) = (fields.ph_least_thousandths, fields.ph_most_thousandths);
    for (pointer, thousandths) in [("/ph_least", least), ("/ph_most", most)] {
        problems.require(
            (3000..=9000).contains(&thousandths),
            pointer,
            "range",
            "must be a pH between 3 and 9; greens in water like 5.5 to 6.5",
        );
    }
    problems.require(
        most - least >= 100,
        "/ph_most",
        "range",
        "must be at least 0.1 above ph_least: no meter tells less",
    );
    let lines: Vec<Line> = kept(&fields.lines)?;
    problems.within("/lines", lines.len() as i64, 1, MOST_LINES as i64);
    for (index, line) in lines.iter().enumerate() {
        let pointer = format!("/lines/{index}");
        let (PerLitre::MicrogramsPerLitre(count) | PerLitre::NanolitresPerLitre(count)) =
            line.per_litre;
        problems.require(
            (1..=MOST_PER_LITRE).contains(&count),
            &format!("{pointer}/per_litre"),
            "range",
            "must be more than nothing and at most 1 kg or 1 L in a litre",
        );
        if lines[..index]
            .iter()
            .any(|earlier| earlier.product_id == line.product_id)
        {
            problems.add(
                format!("{pointer}/product_id"),
                "repeated",
                "this product is named twice",
            );
        }
    }
    check_concentrates(
        &mut problems,
        &lines,
        &kept::<Vec<Concentrate>>(&fields.concentrates)?,
    );
    problems.finish()
}

fn check_concentrates(problems: &mut Problems, lines: &[Line], concentrates: &[Concentrate]) {
    for (index, concentrate) in concentrates.iter().enumerate() {
        let pointer = format!("/concentrates/{index}");
        problems.text(&format!("{pointer}/name"), &concentrate.name, 1, 40);
        problems.require(
            (2.0..=1000.0).contains(&concentrate.times),
            &format!("{pointer}/times"),
            "range",
            "must be between 2 and 1000 volumes of finished solution from one volume",
        );
        problems.require(
            !concentrate.product_ids.is_empty(),
            &format!("{pointer}/product_ids"),
            "missing",
            "name at least one product of the recipe",
        );
        for (place, id) in concentrate.product_ids.iter().enumerate() {
            let pointer = format!("{pointer}/product_ids/{place}");
            if !lines.iter().any(|line| line.product_id == *id) {
                problems.add(pointer.clone(), "other", "must be a product of this recipe");
            }
            let before = concentrates[..index].iter().flat_map(|c| &c.product_ids);
            if before
                .chain(&concentrate.product_ids[..place])
                .any(|other| other == id)
            {
                problems.add(
                    pointer,
                    "repeated",
                    "this product is in a concentrate already",
                );
            }
        }
    }
}

/// The products are there, lines are stated in a unit they can be measured by, and every concentrate
/// stays clear.
async fn check_products(tx: &mut Tx, fields: &RecipeFields) -> Result<()> {
    let lines: Vec<Line> = kept(&fields.lines)?;
    let mut problems = Problems::new();
    for (index, line) in lines.iter().enumerate() {
        let pointer = format!("/lines/{index}/product_id");
        problems
            .refers(tx, &pointer, Reference::Product, line.product_id)
            .await?;
    }
    problems.finish()?;
    let ids: Vec<Uuid> = lines.iter().map(|line| line.product_id).collect();
    let found = products::get_many(tx, &ids).await?;
    let mut problems = Problems::new();
    let mut read = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        let product = found
            .iter()
            .find(|product| product.id == line.product_id)
            .ok_or(Error::NotFound("product"))?;
        let chemical = kept_product(&product.fields)?;
        match grams_per_litre(&chemical, line.per_litre) {
            Some(grams) => read.push((line.product_id, chemical, grams)),
            None => problems.add(
                format!("/lines/{index}/per_litre"),
                "unit",
                format!(
                    "{} is a solid: give a weight for a litre, in g",
                    product.fields.name
                ),
            ),
        }
    }
    problems.finish()?;
    let mut problems = Problems::new();
    for (index, concentrate) in kept::<Vec<Concentrate>>(&fields.concentrates)?
        .iter()
        .enumerate()
    {
        let lines: Vec<RecipeLine<'_>> = read
            .iter()
            .filter(|(id, _, _)| concentrate.product_ids.contains(id))
            .map(|(_, product, grams)| RecipeLine {
                product,
                grams_per_litre: grams * concentrate.times,
            })
            .collect();
        if let Some(why) = unclear(&lines) {
            problems.add(format!("/concentrates/{index}"), "settles", why);
        }
    }
    problems.finish()
}

/// Why a concentrate is refused, in words.
pub(crate) fn unclear(lines: &[RecipeLine<'_>]) -> Option<String> {
    const ADVICE: &str = "keep what brings calcium in a concentrate of its own, apart from sulfate and phosphate, or make it weaker";
    let found = dissolve(&Solution::WATER, lines)
        .and_then(|concentrate| compatibility(&concentrate, COLDEST_CELSIUS));
    match found {
        Ok(Compatibility::Dissolved) => None,
        Ok(Compatibility::Settles(saturations)) => {
            let salts: Vec<String> = saturations
                .iter()
                .map(|saturation| {
                    let name = match saturation.precipitate {
                        Precipitate::Gypsum => "calcium sulfate (gypsum)",
                        Precipitate::Brushite => "calcium phosphate (brushite)",
                    };
                    format!(
                        "{name}, saturation index {:.1}",
                        saturation.saturation_index
                    )
                })
                .collect();
            Some(format!(
                "would settle at {COLDEST_CELSIUS} °C: {}; {ADVICE}",
                salts.join("; ")
            ))
        }
        Ok(Compatibility::BeyondRange { .. }) => Some(format!(
            "is too strong to tell whether calcium stays dissolved beside sulfate or phosphate; {ADVICE}"
        )),
        Err(error) => Some(error.to_string()),
    }
}
