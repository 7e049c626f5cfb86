//! Products: fertilisers, and what adjusts pH.

use std::collections::BTreeMap;

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::products::ProductDetail;
use cotyl_app::records;
use cotyl_domain::quantity::Mass;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::handling::{HandlingRules, NutrientAmount, nutrient_amounts};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What a product is for.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Purpose {
    /// Feeds.
    Fertiliser,
    /// Lowers the pH.
    Acid,
    /// Raises the pH.
    Base,
}

impl Purpose {
    /// The name kept.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Fertiliser => "fertiliser",
            Self::Acid => "acid",
            Self::Base => "base",
        }
    }
}

/// Which bag or bottle of a set.
#[derive(Debug, Clone, Copy, Default, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Part {
    #[default]
    Single,
    A,
    B,
    C,
}

/// Whether it is weighed or poured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ProductForm {
    /// Powder or crystals.
    Solid,
    /// Of a stated density.
    Liquid,
}

/// What the percentages of an analysis are of.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AnalysisBasis {
    /// Grams in 100 g.
    Mass,
    /// Grams in 100 mL: liquids only.
    Volume,
}

/// A guaranteed analysis, as the label states it.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct AnalysisInput {
    /// What the percentages are of.
    pub basis: AnalysisBasis,
    /// Percent of each item. Elements: `nitrate_nitrogen`, `ammonium_nitrogen`, `urea_nitrogen`,
    /// `phosphorus`, `potassium`, `calcium`, `magnesium`, `sulfur`, `iron`, `manganese`, `zinc`, `boron`,
    /// `copper`, `molybdenum`, `sodium`, `chlorine`. Oxides, where the label states them:
    /// `phosphorus_pentoxide`, `potassium_oxide`, `calcium_oxide`, `magnesium_oxide`, `sulfur_trioxide`,
    /// `sulfate`.
    #[schema(example = json!({"nitrate_nitrogen": 14.4, "ammonium_nitrogen": 1.1, "calcium": 19.0}))]
    pub percent: BTreeMap<String, f64>,
}

/// What a product holds.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CompositionInput {
    /// By its label. It is taken as neutral salts: name acids, bases and pure salts by their substances.
    Analysis(AnalysisInput),
    /// Pure substances with their percentages by mass, such as `{"phosphoric_acid": 10}`; the rest is
    /// water or inert. A name that is not known is answered with those that are.
    Substances(BTreeMap<String, f64>),
}

/// What a product is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct ProductInput {
    /// Unique among the products of the co-operative.
    #[schema(example = "Calcium nitrate, greenhouse grade")]
    pub name: String,
    /// What it is for.
    pub purpose: Purpose,
    /// Which bag or bottle of a set; `single` when left out.
    #[serde(default)]
    pub part: Part,
    /// Whether it is weighed or poured. It cannot change.
    pub form: ProductForm,
    /// What it holds.
    pub composition: CompositionInput,
    /// Of a liquid, by its label: milligrams in a millilitre, which is a thousand times its density in
    /// g/mL; 700 to 2200.
    pub density_milligrams_per_millilitre: Option<i32>,
    /// Codes of the hazard statements on its label.
    #[serde(default)]
    pub hazard_statements: Vec<String>,
    /// A total dose beyond this in one litre needs a second reading first; what is usual for the acid or
    /// base when left out.
    pub most_per_litre: Option<Mass>,
}

/// A product.
#[derive(Debug, Serialize, ToSchema)]
pub struct Product {
    /// The product.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: ProductInput,
    /// What a gram of it in a litre brings.
    pub gram_per_litre: Vec<NutrientAmount>,
    /// How it is to be handled.
    pub handling: HandlingRules,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<ProductInput> for records::ProductFields {
    fn from(input: ProductInput) -> Self {
        Self {
            name: input.name,
            purpose: input.purpose.as_str().to_owned(),
            part: match input.part {
                Part::Single => "single",
                Part::A => "a",
                Part::B => "b",
                Part::C => "c",
            }
            .to_owned(),
            form: match input.form {
                ProductForm::Solid => "solid",
                ProductForm::Liquid => "liquid",
            }
            .to_owned(),
            composition: serde_json::to_value(input.composition).unwrap_or_default(),
            density_milligrams_per_millilitre: input.density_milligrams_per_millilitre,
            hazard_statements: input.hazard_statements,
            most_milligrams_per_litre: input.most_per_litre.map(Mass::milligrams),
        }
    }
}

impl From<records::ProductFields> for ProductInput {
    fn from(fields: records::ProductFields) -> Self {
        Self {
            name: fields.name,
            purpose: match fields.purpose.as_str() {
                "acid" => Purpose::Acid,
                "base" => Purpose::Base,
                _ => Purpose::Fertiliser,
            },
            part: match fields.part.as_str() {
                "a" => Part::A,
                "b" => Part::B,
                "c" => Part::C,
                _ => Part::Single,
            },
            form: match fields.form.as_str() {
                "liquid" => ProductForm::Liquid,
                _ => ProductForm::Solid,
            },
            composition: serde_json::from_value(fields.composition)
                .unwrap_or_else(|_| CompositionInput::Substances(BTreeMap::new())),
            density_milligrams_per_millilitre: fields.density_milligrams_per_millilitre,
            hazard_statements: fields.hazard_statements,
            most_per_litre: fields.most_milligrams_per_litre.map(Mass::of_milligrams),
        }
    }
}

impl From<ProductDetail> for Product {
    fn from(detail: ProductDetail) -> Self {
        Self {
            id: detail.product.id,
            fields: detail.product.fields.into(),
            gram_per_litre: nutrient_amounts(&detail.nutrients),
            handling: detail.handling.into(),
            created_at: detail.product.created_at,
            updated_at: detail.product.updated_at,
            retired_at: detail.product.retired_at,
        }
    }
}

/// Which products are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ProductsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this purpose only.
    pub purpose: Option<Purpose>,
    /// Whether retired records are listed too.
    #[serde(default)]
    pub with_retired: bool,
}

/// List products
#[utoipa::path(
    tag = "products", operation_id = "list_products", params(ProductsQuery),
    responses((status = 200, description = "A page of products", body = Listed<Product>), ReadProblems)
)]
#[get("/products")]
pub async fn list_products(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<ProductsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let purpose = query.purpose.map(Purpose::as_str);
    let found = state
        .app
        .list_products(&caller, purpose, query.with_retired, one_more(page))
        .await?;
    Ok(listed(
        &request,
        page,
        found,
        |d| d.product.id,
        Product::from,
    ))
}

/// Describe a new product
///
/// By its guaranteed analysis, oxides and elements as the label has them, or by its substances. The
/// answer says what a gram brings, and which hazards and cautions follow; the label comes first.
#[utoipa::path(
    tag = "products", operation_id = "create_product", request_body = ProductInput,
    responses((status = 201, description = "Described", body = Product), WriteProblems)
)]
#[post("/products")]
pub async fn create_product(state: Data<ApiState>, signed: SignedBody<ProductInput>) -> Answer {
    let detail = state
        .app
        .create_product(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        detail.product.version,
        &format!("/products/{}", detail.product.id),
        &Product::from(detail),
    ))
}

/// Read a product
#[utoipa::path(
    tag = "products", operation_id = "read_product",
    responses((status = 200, description = "The product", body = Product), ReadProblems)
)]
#[get("/products/{product_id}")]
pub async fn read_product(
    state: Data<ApiState>,
    Signed(caller): Signed,
    product_id: Path<Uuid>,
) -> Answer {
    let detail = state.app.read_product(&caller, *product_id).await?;
    Ok(record(detail.product.version, &Product::from(detail)))
}

/// Change a product
#[utoipa::path(
    tag = "products", operation_id = "change_product", request_body = ProductInput,
    params(("If-Match" = String, Header, description = "ETag of the product as last read")),
    responses((status = 200, description = "The product now", body = Product), ChangeProblems)
)]
#[put("/products/{product_id}")]
pub async fn change_product(
    state: Data<ApiState>,
    product_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<ProductInput>,
) -> Answer {
    let detail = state
        .app
        .change_product(&signed.caller, *product_id, expected, &signed.body.into())
        .await?;
    Ok(record(detail.product.version, &Product::from(detail)))
}

/// Take a product out of use
#[utoipa::path(
    tag = "products", operation_id = "retire_product",
    params(("If-Match" = String, Header, description = "ETag of the product as last read")),
    responses((status = 200, description = "The retired product", body = Product), ChangeProblems)
)]
#[delete("/products/{product_id}")]
pub async fn retire_product(
    state: Data<ApiState>,
    Signed(caller): Signed,
    product_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let detail = state
        .app
        .retire_product(&caller, *product_id, expected)
        .await?;
    Ok(record(detail.product.version, &Product::from(detail)))
}
