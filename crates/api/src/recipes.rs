//! Recipes of nutrient solution.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::chemistry::{Concentrate, Line};
use cotyl_app::recipes::RecipeDetail as AppRecipeDetail;
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, RecordsQuery, Signed, SignedBody, page};
use crate::handling::{
    ExpectedReading, HandlingRules, NutrientAmount, expected, nutrient_amounts, tidy,
};
use crate::measured::WeighedOrPoured;
use crate::problem::{ChangeProblems, Problem, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// A product of a recipe.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct RecipeLineInput {
    /// The product.
    pub product_id: Uuid,
    /// How much of it is in a litre of finished solution, kept to a microgram or a nanolitre.
    pub per_litre: WeighedOrPoured,
}

/// Products that stand together in a concentrate.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct ConcentrateInput {
    /// What is written on the bottle.
    #[schema(example = "A")]
    pub name: String,
    /// How many volumes of finished solution one volume makes, 2 to 1000.
    #[schema(example = 100.0)]
    pub times: f64,
    /// Its products, each in one concentrate only.
    pub product_ids: Vec<Uuid>,
}

/// What a recipe is described by.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct RecipeInput {
    /// Unique among the recipes of the co-operative.
    #[schema(example = "Leafy greens, half strength")]
    pub name: String,
    /// Its products.
    pub lines: Vec<RecipeLineInput>,
    /// Concentrates by which it is made, if any. Calcium together with sulfate or phosphate is refused
    /// where it would settle.
    #[serde(default)]
    pub concentrates: Vec<ConcentrateInput>,
    /// Lowest pH that will do.
    #[schema(example = 5.6)]
    pub ph_least: f64,
    /// Highest pH that will do, at least 0.1 above.
    #[schema(example = 6.2)]
    pub ph_most: f64,
    /// Whether it is the recipe of every sowing for which nothing else is said; one recipe may be.
    #[serde(default)]
    pub usual: bool,
    /// Free words, at most 1000 characters.
    #[serde(default)]
    pub note: String,
}

impl RecipeInput {
    fn fields(self) -> Result<records::RecipeFields, Problem> {
        let mut lines = Vec::new();
        for (index, line) in self.lines.iter().enumerate() {
            lines.push(Line {
                product_id: line.product_id,
                per_litre: line
                    .per_litre
                    .per_litre(&format!("/lines/{index}/per_litre"))?,
            });
        }
        let concentrates: Vec<Concentrate> = self
            .concentrates
            .into_iter()
            .map(|concentrate| Concentrate {
                name: concentrate.name,
                times: concentrate.times,
                product_ids: concentrate.product_ids,
            })
            .collect();
        let thousandths = |ph: f64| (ph * 1000.0).round() as i32;
        Ok(records::RecipeFields {
            name: self.name,
            lines: json!(lines),
            concentrates: json!(concentrates),
            ph_least_thousandths: thousandths(self.ph_least),
            ph_most_thousandths: thousandths(self.ph_most),
            usual: self.usual,
            note: self.note,
        })
    }
}

/// A recipe.
#[derive(Debug, Serialize, ToSchema)]
pub struct Recipe {
    /// The recipe.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: RecipeInput,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<records::Recipe> for Recipe {
    fn from(recipe: records::Recipe) -> Self {
        let lines: Vec<Line> = serde_json::from_value(recipe.fields.lines).unwrap_or_default();
        let concentrates: Vec<Concentrate> =
            serde_json::from_value(recipe.fields.concentrates).unwrap_or_default();
        let ph = |thousandths| f64::from(thousandths) / 1000.0;
        Self {
            id: recipe.id,
            fields: RecipeInput {
                name: recipe.fields.name,
                lines: lines
                    .into_iter()
                    .map(|line| RecipeLineInput {
                        product_id: line.product_id,
                        per_litre: line.per_litre.into(),
                    })
                    .collect(),
                concentrates: concentrates
                    .into_iter()
                    .map(|concentrate| ConcentrateInput {
                        name: concentrate.name,
                        times: concentrate.times,
                        product_ids: concentrate.product_ids,
                    })
                    .collect(),
                ph_least: ph(recipe.fields.ph_least_thousandths),
                ph_most: ph(recipe.fields.ph_most_thousandths),
                usual: recipe.fields.usual,
                note: recipe.fields.note,
            },
            created_at: recipe.created_at,
            updated_at: recipe.updated_at,
            retired_at: recipe.retired_at,
        }
    }
}

/// A product of a recipe with what it is.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecipeProduct {
    /// The product.
    pub product_id: Uuid,
    /// Its name.
    pub name: String,
    /// Grams in a litre of finished solution.
    #[schema(example = 0.5055)]
    pub grams_per_litre: f64,
}

/// What goes into a litre of a concentrate.
#[derive(Debug, Serialize, ToSchema)]
pub struct ConcentrateProducts {
    /// What is written on the bottle.
    #[schema(example = "A")]
    pub name: String,
    /// Grams of each product in a litre of it.
    pub products: Vec<ConcentrateProduct>,
}

/// A product of a concentrate.
#[derive(Debug, Serialize, ToSchema)]
pub struct ConcentrateProduct {
    /// The product.
    pub product_id: Uuid,
    /// Grams in a litre of the concentrate.
    #[schema(example = 50.55)]
    pub grams_per_litre: f64,
}

/// A recipe with what it comes to in a water.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecipeDetail {
    /// The recipe.
    #[serde(flatten)]
    pub recipe: Recipe,
    /// Its products, line by line.
    pub products: Vec<RecipeProduct>,
    /// Its concentrates, worked out.
    pub concentrate_products: Vec<ConcentrateProducts>,
    /// The water it was worked out with; `null` for pure water.
    pub source_water_id: Option<Uuid>,
    /// What a litre holds, the water's share included.
    pub composition: Vec<NutrientAmount>,
    /// Nitrogen in all forms, in mg/L.
    #[schema(example = 210.0)]
    pub nitrogen_milligrams_per_litre: f64,
    /// What the meters should show; `null` where the rules come to no figure that may be trusted.
    pub expected: Option<ExpectedReading>,
    /// Whether something would settle before the pH is corrected; then it is corrected before the calcium
    /// goes in.
    pub settles_uncorrected: bool,
    /// How its products are to be handled.
    pub handling: HandlingRules,
}

impl From<AppRecipeDetail> for RecipeDetail {
    fn from(detail: AppRecipeDetail) -> Self {
        let of_concentrate = |concentrate: cotyl_app::recipes::ConcentrateDetail| {
            let product = |(product_id, grams)| ConcentrateProduct {
                product_id,
                grams_per_litre: tidy(grams),
            };
            ConcentrateProducts {
                name: concentrate.concentrate.name,
                products: concentrate
                    .grams_per_litre
                    .into_iter()
                    .map(product)
                    .collect(),
            }
        };
        Self {
            recipe: detail.recipe.into(),
            products: detail
                .lines
                .into_iter()
                .map(|line| RecipeProduct {
                    product_id: line.line.product_id,
                    name: line.product.fields.name,
                    grams_per_litre: line.grams_per_litre,
                })
                .collect(),
            concentrate_products: detail
                .concentrates
                .into_iter()
                .map(of_concentrate)
                .collect(),
            source_water_id: detail.water.map(|water| water.id),
            composition: nutrient_amounts(&detail.nutrients),
            nitrogen_milligrams_per_litre: tidy(detail.nutrients.nitrogen()),
            expected: expected(detail.expectation),
            settles_uncorrected: detail.settles_uncorrected,
            handling: detail.handling.into(),
        }
    }
}

/// With which water a recipe is worked out.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct RecipeQuery {
    /// A source water; pure water when left out.
    pub source_water_id: Option<Uuid>,
}

/// List recipes
#[utoipa::path(
    tag = "recipes", operation_id = "list_recipes", params(RecordsQuery),
    responses((status = 200, description = "A page of recipes", body = Listed<Recipe>), ReadProblems)
)]
#[get("/recipes")]
pub async fn list_recipes(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<RecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let found = state
        .app
        .list_recipes(&caller, query.with_retired, one_more(page))
        .await?;
    Ok(listed(&request, page, found, |r| r.id, Recipe::from))
}

/// Describe a new recipe
#[utoipa::path(
    tag = "recipes", operation_id = "create_recipe", request_body = RecipeInput,
    responses((status = 201, description = "Described", body = RecipeDetail), WriteProblems)
)]
#[post("/recipes")]
pub async fn create_recipe(state: Data<ApiState>, signed: SignedBody<RecipeInput>) -> Answer {
    let detail = state
        .app
        .create_recipe(&signed.caller, &signed.body.fields()?)
        .await?;
    Ok(created(
        detail.recipe.version,
        &format!("/recipes/{}", detail.recipe.id),
        &RecipeDetail::from(detail),
    ))
}

/// Read a recipe, worked out
///
/// What it comes to in pure water, or in a source water that is named: nutrients in mg/L, expected pH
/// and conductivity with their error.
#[utoipa::path(
    tag = "recipes", operation_id = "read_recipe", params(RecipeQuery),
    responses((status = 200, description = "The recipe", body = RecipeDetail), ReadProblems)
)]
#[get("/recipes/{recipe_id}")]
pub async fn read_recipe(
    state: Data<ApiState>,
    Signed(caller): Signed,
    recipe_id: Path<Uuid>,
    query: Query<RecipeQuery>,
) -> Answer {
    let detail = state
        .app
        .read_recipe(&caller, *recipe_id, query.source_water_id)
        .await?;
    Ok(record(detail.recipe.version, &RecipeDetail::from(detail)))
}

/// Change a recipe
#[utoipa::path(
    tag = "recipes", operation_id = "change_recipe", request_body = RecipeInput,
    params(("If-Match" = String, Header, description = "ETag of the recipe as last read")),
    responses((status = 200, description = "The recipe now", body = RecipeDetail), ChangeProblems)
)]
#[put("/recipes/{recipe_id}")]
pub async fn change_recipe(
    state: Data<ApiState>,
    recipe_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<RecipeInput>,
) -> Answer {
    let fields = signed.body.fields()?;
    let detail = state
        .app
        .change_recipe(&signed.caller, *recipe_id, expected, &fields)
        .await?;
    Ok(record(detail.recipe.version, &RecipeDetail::from(detail)))
}

/// Take a recipe out of use
#[utoipa::path(
    tag = "recipes", operation_id = "retire_recipe",
    params(("If-Match" = String, Header, description = "ETag of the recipe as last read")),
    responses((status = 200, description = "The retired recipe", body = RecipeDetail), ChangeProblems)
)]
#[delete("/recipes/{recipe_id}")]
pub async fn retire_recipe(
    state: Data<ApiState>,
    Signed(caller): Signed,
    recipe_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let detail = state
        .app
        .retire_recipe(&caller, *recipe_id, expected)
        .await?;
    Ok(record(detail.recipe.version, &RecipeDetail::from(detail)))
}
