//! Records of products, waters and recipes as the rules of nutrient solutions read them; no I/O.

use std::collections::BTreeMap;

use cotyl_domain::FieldProblem;
use cotyl_domain::quantity::{Mass, Volume};
use cotyl_solution::caution::{self, Caution};
use cotyl_solution::{
    Alkalinity, Basis, Form, LabelItem, Measure, Nutrient, Nutrients, Product, Solution,
    SolutionError, SourceWater, Substance,
};
use cotyl_store::products::ProductFields;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::{Error, Result};

/// What a product holds, as its label or its maker says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Composition {
    /// A guaranteed analysis.
    Analysis(Analysis),
    /// Pure substances with their percentages by mass.
    Substances(BTreeMap<String, f64>),
}

/// A guaranteed analysis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Analysis {
    /// `mass` for grams in 100 g, `volume` for grams in 100 mL of a liquid.
    pub basis: String,
    /// Percent of each item of the label, oxides and elements as it states them.
    pub percent: BTreeMap<String, f64>,
}

/// A water report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WaterAnalysis {
    /// pH.
    pub ph: f64,
    /// Alkalinity.
    pub alkalinity: AlkalinityFigure,
    /// Elements.
    pub milligrams_per_litre: BTreeMap<String, f64>,
}

/// An alkalinity as a report states it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlkalinityFigure {
    /// The figure.
    pub value: f64,
    /// One of [`ALKALINITY_UNITS`].
    pub unit: String,
}

/// In what an alkalinity may be stated.
pub const ALKALINITY_UNITS: [&str; 3] = [
    "milliequivalents_per_litre",
    "milligrams_per_litre_as_calcium_carbonate",
    "milligrams_per_litre_as_hydrogen_carbonate",
];

impl AlkalinityFigure {
    /// The figure with its unit understood.
    ///
    /// # Errors
    /// A problem of `/alkalinity/unit`.
    pub fn alkalinity(&self) -> std::result::Result<Alkalinity, FieldProblem> {
        let [milliequivalents, calcium_carbonate, hydrogen_carbonate] = ALKALINITY_UNITS;
        match self.unit.as_str() {
            unit if unit == milliequivalents => Ok(Alkalinity::Milliequivalents(self.value)),
            unit if unit == calcium_carbonate => Ok(Alkalinity::AsCalciumCarbonate(self.value)),
            unit if unit == hydrogen_carbonate => Ok(Alkalinity::AsHydrogenCarbonate(self.value)),
            _ => Err(FieldProblem::new(
                "/alkalinity/unit",
                "unit",
                format!("must be one of {}", ALKALINITY_UNITS.join(", ")),
            )),
        }
    }
}

/// One product of a recipe.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Line {
    /// The product.
    pub product_id: Uuid,
    /// How much of it in a litre of finished solution.
    #[serde(flatten)]
    pub per_litre: PerLitre,
}

/// An amount in a litre, exactly as stated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PerLitre {
    /// Of what is weighed.
    MicrogramsPerLitre(i64),
    /// Of what is poured.
    NanolitresPerLitre(i64),
}

/// Products that stand together in one concentrate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Concentrate {
    /// What is written on the bottle.
    pub name: String,
    /// How many volumes of finished solution one volume makes.
    pub times: f64,
    /// Its products.
    pub product_ids: Vec<Uuid>,
}

/// A weighed or poured amount as it is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Measured {
    /// Weighed.
    Milligrams(i64),
    /// Poured.
    Microlitres(i64),
}

impl Measured {
    /// The same as the rules of solutions have it.
    pub fn measure(self) -> Measure {
        match self {
            Self::Milligrams(count) => Measure::Mass(Mass::of_milligrams(count)),
            Self::Microlitres(count) => Measure::Volume(Volume::of_microlitres(count)),
        }
    }

    /// Whole base units.
    pub const fn count(self) -> i64 {
        match self {
            Self::Milligrams(count) | Self::Microlitres(count) => count,
        }
    }

    /// With another count of the same base unit.
    const fn with(self, count: i64) -> Self {
        match self {
            Self::Milligrams(_) => Self::Milligrams(count),
            Self::Microlitres(_) => Self::Microlitres(count),
        }
    }

    /// The amount to the nearest step that a person can read off: `digits` significant digits, and
    /// never finer than a milligram or ten microlitres.
    pub fn readable(self, digits: u32) -> Self {
        let step = self.step(digits);
        self.with((self.count() + step / 2) / step * step)
    }

    /// As [`Self::readable`], but never more than the amount itself.
    pub fn readable_below(self, digits: u32) -> Self {
        let step = self.step(digits);
        self.with(self.count() / step * step)
    }

    fn step(self, digits: u32) -> i64 {
        let finest = match self {
            Self::Milligrams(_) => 1,
            Self::Microlitres(_) => 10,
        };
        let places = self.count().checked_ilog10().map_or(1, |log| log + 1);
        10_i64.pow(places.saturating_sub(digits)).max(finest)
    }
}

impl From<Measure> for Measured {
    fn from(measure: Measure) -> Self {
        match measure {
            Measure::Mass(mass) => Self::Milligrams(mass.milligrams()),
            Measure::Volume(volume) => Self::Microlitres(volume.microlitres()),
        }
    }
}

impl std::fmt::Display for Measured {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.measure() {
            Measure::Mass(mass) => mass.fmt(formatter),
            Measure::Volume(volume) => volume.fmt(formatter),
        }
    }
}

/// The product that a description stands for.
///
/// # Errors
/// Problems of the composition's fields, each with what would be accepted.
pub fn product_of(fields: &ProductFields) -> std::result::Result<Product, Vec<FieldProblem>> {
    let form = match fields.density_milligrams_per_millilitre {
        Some(density) if fields.form == "liquid" => Form::Liquid {
            grams_per_millilitre: f64::from(density) / 1000.0,
        },
        _ => Form::Solid,
    };
    let one = |problem| vec![problem];
    match read::<Composition>(&fields.composition, "/composition").map_err(one)? {
        Composition::Analysis(analysis) => {
            let percent = label_items(&analysis)?;
            let basis = match analysis.basis.as_str() {
                "mass" => Basis::MassPerMass,
                "volume" => Basis::MassPerVolume,
                _ => {
                    let detail = "must be mass (grams in 100 g) or volume (grams in 100 mL)";
                    let pointer = "/composition/analysis/basis";
                    return Err(one(FieldProblem::new(pointer, "unknown", detail)));
                }
            };
            Product::of_analysis(&fields.name, form, basis, &percent)
        }
        Composition::Substances(substances) => {
            Product::of_substances(&fields.name, form, &pure(&substances)?)
        }
    }
    .map_err(|error| {
        one(fault(&error, |field| match field {
            "name" => "/name".to_owned(),
            "grams_per_millilitre" => "/density_milligrams_per_millilitre".to_owned(),
            "mass_percent" => "/composition/substances".to_owned(),
            "basis" => "/composition/analysis/basis".to_owned(),
            "percent" => "/composition/analysis/percent".to_owned(),
            item => format!("/composition/analysis/percent/{item}"),
        }))
    })
}

fn label_items(
    analysis: &Analysis,
) -> std::result::Result<Vec<(LabelItem, f64)>, Vec<FieldProblem>> {
    let mut items: Vec<(LabelItem, f64)> = Vec::new();
    let mut problems = Vec::new();
    for (name, percent) in &analysis.percent {
        let pointer = format!("/composition/analysis/percent/{name}");
        match LabelItem::named(name) {
            Some(item) => {
                let twice = items
                    .iter()
                    .find(|(other, _)| other.nutrient() == item.nutrient());
                if let Some((other, _)) = twice {
                    let detail = format!(
                        "is the same nutrient as {}; give either the element or its oxide",
                        other.name()
                    );
                    problems.push(FieldProblem::new(pointer, "repeated", detail));
                }
                items.push((item, *percent));
            }
            None => problems.push(FieldProblem::new(pointer, "unknown", label_names())),
        }
    }
    if problems.is_empty() {
        Ok(items)
    } else {
        Err(problems)
    }
}

fn label_names() -> String {
    let elements = Nutrient::ALL.map(Nutrient::name).join(", ");
    let oxides = LabelItem::OXIDES.map(LabelItem::name).join(", ");
    format!("is no item of a label; use the elements {elements}, or the oxides {oxides}")
}

fn pure(
    substances: &BTreeMap<String, f64>,
) -> std::result::Result<Vec<(Substance, f64)>, Vec<FieldProblem>> {
    let mut found = Vec::new();
    let mut problems = Vec::new();
    for (name, percent) in substances {
        let pointer = format!("/composition/substances/{name}");
        if !(*percent > 0.0 && *percent <= 100.0) {
            let detail = format!("must be more than 0 and at most 100 % by mass; it is {percent}");
            problems.push(FieldProblem::new(pointer.clone(), "range", detail));
        }
        match Substance::named(name) {
            Some(substance) => found.push((substance, *percent)),
            None => {
                let names = Substance::ALL.map(Substance::name).join(", ");
                let detail = format!("is no substance known here; use one of {names}");
                problems.push(FieldProblem::new(pointer, "unknown", detail));
            }
        }
    }
    if problems.is_empty() {
        Ok(found)
    } else {
        Err(problems)
    }
}

/// The water that a report stands for.
///
/// # Errors
/// A problem of one field of the report.
pub fn water_of(analysis: &WaterAnalysis) -> std::result::Result<Solution, FieldProblem> {
    let mut named = Vec::new();
    for (name, amount) in &analysis.milligrams_per_litre {
        let nutrient = Nutrient::named(name).ok_or_else(|| {
            let names = Nutrient::ALL.map(Nutrient::name).join(", ");
            let pointer = format!("/milligrams_per_litre/{name}");
            FieldProblem::new(pointer, "unknown", format!("use one of {names}"))
        })?;
        named.push((nutrient, *amount));
    }
    let alkalinity = analysis.alkalinity.alkalinity()?;
    Nutrients::new(named)
        .and_then(|nutrients| {
            let report = SourceWater {
                nutrients,
                ph: analysis.ph,
                alkalinity,
            };
            report.solution()
        })
        .map_err(|error| {
            fault(&error, |field| match field {
                "ph" => "/ph".to_owned(),
                "alkalinity" => "/alkalinity/value".to_owned(),
                nutrient => format!("/milligrams_per_litre/{nutrient}"),
            })
        })
}

/// Grams of the product in a litre; nothing for a solid that is to be poured.
pub fn grams_per_litre(product: &Product, per_litre: PerLitre) -> Option<f64> {
    match (per_litre, product.form()) {
        (PerLitre::MicrogramsPerLitre(count), _) => Some(count as f64 / 1e6),
        (
            PerLitre::NanolitresPerLitre(count),
            Form::Liquid {
                grams_per_millilitre,
            },
        ) => Some(count as f64 / 1e6 * grams_per_millilitre),
        (PerLitre::NanolitresPerLitre(_), Form::Solid) => None,
    }
}

/// A fault of the input as a problem of the request; `pointer` places the field.
pub fn fault(error: &SolutionError, pointer: impl Fn(&str) -> String) -> FieldProblem {
    match error {
        SolutionError::Input(input) => {
            FieldProblem::new(pointer(&input.field), "range", input.message.clone())
        }
        SolutionError::NoAnswer(why) => FieldProblem::new("", "no-answer", why.clone()),
    }
}

/// Reads what was kept as JSON.
fn read<T: serde::de::DeserializeOwned>(
    value: &Value,
    pointer: &str,
) -> std::result::Result<T, FieldProblem> {
    serde_json::from_value(value.clone())
        .map_err(|error| FieldProblem::new(pointer, "form", error.to_string()))
}

/// What was kept as JSON after it had been checked.
///
/// # Errors
/// [`Error::Internal`] when this version cannot read it.
pub fn kept<T: serde::de::DeserializeOwned>(value: &Value) -> Result<T> {
    serde_json::from_value(value.clone()).map_err(Error::internal)
}

/// A product that was checked when it was described.
///
/// # Errors
/// [`Error::Internal`] when this version cannot read it.
pub fn kept_product(fields: &ProductFields) -> Result<Product> {
    product_of(fields).map_err(|problems| Error::internal(format!("{problems:?}")))
}

/// A hazard statement of a product.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hazard {
    /// H314 and so on.
    pub code: String,
    /// Its wording; `None` where only the label has it.
    pub text: Option<&'static str>,
    /// Who says so.
    pub source: &'static str,
}

/// How one or several products are to be handled.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Handling {
    /// Hazard statements, each once.
    pub hazards: Vec<Hazard>,
    /// Whether the work needs the qualification for concentrates.
    pub needs_concentrates: bool,
    /// Cautions, each once; deference to label and local rules comes last.
    pub cautions: Vec<Caution>,
}

/// Statements on a label that make a product one for trained members: acute toxicity of the first
/// classes, corrosion. Common practice, no source.
const GRAVE: [&str; 9] = [
    "H290", "H300", "H301", "H310", "H311", "H314", "H318", "H330", "H331",
];

impl Handling {
    /// That of one product as it comes: what follows from its substances, and what its label adds.
    pub fn of(fields: &ProductFields, product: &Product) -> Self {
        let worked_out = caution::for_product(product);
        let mut handling = Self {
            hazards: worked_out
                .hazards
                .iter()
                .map(|statement| Hazard {
                    code: statement.code.to_owned(),
                    text: Some(statement.text),
                    source: worked_out.hazard_source,
                })
                .collect(),
            needs_concentrates: worked_out.needs_concentrates,
            cautions: worked_out.cautions,
        };
        for code in &fields.hazard_statements {
            if !handling.hazards.iter().any(|hazard| hazard.code == *code) {
                handling.hazards.push(Hazard {
                    code: code.clone(),
                    text: None,
                    source: "label of the product",
                });
            }
        }
        let grave = |code: &String| GRAVE.contains(&code.as_str());
        if !handling.needs_concentrates && fields.hazard_statements.iter().any(grave) {
            handling.needs_concentrates = true;
            handling.add(&caution::for_concentrates());
        }
        handling
    }

    /// Takes the rules of another product, or of another step, in.
    pub fn join(&mut self, other: Self) {
        self.needs_concentrates |= other.needs_concentrates;
        for hazard in other.hazards {
            if !self.hazards.iter().any(|mine| mine.code == hazard.code) {
                self.hazards.push(hazard);
            }
        }
        self.add(&other.cautions);
    }

    /// Takes cautions in that are not there yet.
    pub fn add(&mut self, cautions: &[Caution]) {
        for caution in cautions {
            if !self.cautions.iter().any(|mine| mine.code == caution.code) {
                self.cautions.push(*caution);
            }
        }
        let last = |caution: &Caution| caution.code == caution::FOLLOW_LABEL.code;
        self.cautions.sort_by_key(last);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use serde_json::json;

    #[test]
    fn amounts_are_rounded_to_what_a_scale_shows() {
        for (amount, readable, below) in [
            (Measured::Milligrams(1_234_567), 1_235_000, 1_234_000),
            (Measured::Milligrams(50_555), 50_560, 50_550),
            (Measured::Milligrams(7), 7, 7),
            (Measured::Microlitres(11_837), 11_840, 11_830),
            (Measured::Microlitres(4), 0, 0),
            (Measured::Milligrams(0), 0, 0),
        ] {
            assert_eq!(amount.readable(4).count(), readable, "{amount:?}");
            assert_eq!(amount.readable_below(4).count(), below, "{amount:?}");
        }
    }

    #[test]
    fn lines_keep_their_form() {
        let line: Line =
            kept(&json!({"product_id": Uuid::nil(), "micrograms_per_litre": 505_500})).unwrap();
        assert_eq!(line.per_litre, PerLitre::MicrogramsPerLitre(505_500));
        assert_eq!(
            serde_json::to_value(line).unwrap(),
            json!({"product_id": Uuid::nil(), "micrograms_per_litre": 505_500})
        );
    }

    fn fields(composition: Value) -> ProductFields {
        ProductFields {
            name: "Bag".into(),
            purpose: "fertiliser".into(),
            part: "single".into(),
            form: "solid".into(),
            composition,
            density_milligrams_per_millilitre: None,
            hazard_statements: vec![],
            most_milligrams_per_litre: None,
        }
    }

    #[test]
    fn faulty_analyses_name_their_field() {
        for (composition, pointer, code) in [
            (
                json!({"analysis": {"basis": "mass", "percent": {"potash": 10}}}),
                "/composition/analysis/percent/potash",
                "unknown",
            ),
            (
                json!({"analysis": {"basis": "mass", "percent": {"phosphorus": 4, "phosphorus_pentoxide": 10}}}),
                "/composition/analysis/percent/phosphorus_pentoxide",
                "repeated",
            ),
            (
                json!({"analysis": {"basis": "mass", "percent": {"potassium": -1}}}),
                "/composition/analysis/percent/potassium",
                "range",
            ),
            (
                json!({"analysis": {"basis": "mass", "percent": {"potassium": 60, "calcium": 50}}}),
                "/composition/analysis/percent",
                "range",
            ),
            (
                json!({"analysis": {"basis": "volume", "percent": {"potassium": 6}}}),
                "/composition/analysis/basis",
                "range",
            ),
            (
                json!({"substances": {"boric_acid": 101}}),
                "/composition/substances/boric_acid",
                "range",
            ),
            (
                json!({"substances": {"boric_acid": 60, "borax": 50}}),
                "/composition/substances",
                "range",
            ),
            (
                json!({"substances": {"saltpetre": 60}}),
                "/composition/substances/saltpetre",
                "unknown",
            ),
        ] {
            let problems = product_of(&fields(composition)).unwrap_err();
            assert_eq!(
                (problems[0].pointer.as_str(), problems[0].code),
                (pointer, code),
                "{problems:?}"
            );
        }
    }

    #[test]
    fn a_label_may_be_graver_than_its_analysis() {
        let mut labelled =
            fields(json!({"analysis": {"basis": "mass", "percent": {"potassium": 10}}}));
        let product = product_of(&labelled).unwrap();
        assert!(!Handling::of(&labelled, &product).needs_concentrates);
        labelled.hazard_statements = vec!["H314".into()];
        let handling = Handling::of(&labelled, &product);
        assert!(handling.needs_concentrates);
        assert_eq!(
            handling.cautions.last().unwrap().code,
            caution::FOLLOW_LABEL.code
        );
        assert!(
            handling
                .cautions
                .iter()
                .any(|caution| caution.code == "trained-adults-only")
        );
    }
}
