//! Choosing grams of the products on hand for a target profile.
//!
//! A linear programme, or a mixed-integer one where a product is measured in whole scoops: the sum over
//! the target's items of weight times relative deviation, up or down, is least. Ties go to fewer
//! grams.

use good_lp::{
    Constraint, Expression, ProblemVariables, ResolutionError, Solution as _, SolverModel,
    Variable, constraint, variable,
};

use crate::error::{SolutionError, positive, within};
use crate::nutrient::{Nutrient, Nutrients};
use crate::product::Product;
use crate::recipe::{RecipeLine, dissolve};
use crate::solution::Solution;

/// What a target is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TargetItem {
    /// Nitrogen in all forms.
    TotalNitrogen,
    /// One nutrient.
    Nutrient(Nutrient),
}

impl TargetItem {
    /// Its mg/L in a profile.
    #[must_use]
    pub fn of(self, nutrients: &Nutrients) -> f64 {
        match self {
            Self::TotalNitrogen => nutrients.nitrogen(),
            Self::Nutrient(nutrient) => nutrients.get(nutrient),
        }
    }

    /// The item of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        if name == Self::TotalNitrogen.name() {
            return Some(Self::TotalNitrogen);
        }
        Nutrient::named(name).map(Self::Nutrient)
    }

    /// The name of a field that holds it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::TotalNitrogen => "nitrogen",
            Self::Nutrient(nutrient) => nutrient.name(),
        }
    }
}

/// One wish.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// What is wished for.
    pub item: TargetItem,
    /// mg/L in the finished solution, source water included.
    pub milligrams_per_litre: f64,
    /// How much a relative deviation counts: 1, or less for what matters less.
    pub weight: f64,
}

/// One limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ceiling {
    /// What is limited: sodium, chlorine, ammonium nitrogen, ...
    pub item: TargetItem,
    /// mg/L in the finished solution that must not be passed.
    pub most_milligrams_per_litre: f64,
}

/// A product on the shelf.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Available<'a> {
    /// The product.
    pub product: &'a Product,
    /// Grams on hand.
    pub grams_on_hand: f64,
    /// Most grams per litre, by its label or the grower's rule.
    pub most_grams_per_litre: Option<f64>,
    /// Grams of one level scoop, where only whole scoops are measured.
    pub scoop_grams: Option<f64>,
    /// Not to be used.
    pub forbidden: bool,
}

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub struct Formulation<'a> {
    /// The source water.
    pub water: &'a Solution,
    /// Litres of the batch.
    pub litres: f64,
    /// The shelf.
    pub products: &'a [Available<'a>],
    /// The profile.
    pub targets: &'a [Target],
    /// What must not be passed.
    pub ceilings: &'a [Ceiling],
    /// Products, by their position, that must not both be used.
    pub forbidden_pairs: &'a [(usize, usize)],
}

/// One product of the answer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amount {
    /// Position in [`Formulation::products`].
    pub product: usize,
    /// Grams for the batch.
    pub grams: f64,
    /// Grams per litre.
    pub grams_per_litre: f64,
    /// Whole scoops, where it is measured so.
    pub scoops: Option<u32>,
}

/// How one target is met.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Met {
    /// The target.
    pub target: Target,
    /// mg/L that come out.
    pub milligrams_per_litre: f64,
    /// Deviation over the target: -0.1 is 10 % short.
    pub relative_deviation: f64,
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Formulated {
    /// Products used, in the order of the shelf.
    pub amounts: Vec<Amount>,
    /// Every target.
    pub met: Vec<Met>,
    /// The solution.
    pub solution: Solution,
    /// Sum of weight times relative deviation, without sign.
    pub deviation: f64,
}

/// Grams that count as none, per litre.
const NONE: f64 = 1e-9;
/// Cost of a gram per litre, small beside any deviation: decides ties.
const GRAM_COST: f64 = 1e-7;
/// Largest number of scoops of one product.
const MOST_SCOOPS: f64 = 100_000.0;
/// Most grams per litre of a product that shares a forbidden pair.
const MOST_GRAMS_PER_LITRE: f64 = 20.0;
/// Seconds the solver may take.
const SECONDS: f64 = 10.0;

/// Grams of each product that come nearest to the profile.
///
/// # Errors
/// [`SolutionError::Input`] naming the field at fault, also where the water alone passes a ceiling;
/// [`SolutionError::NoAnswer`] where the solver finds none in time.
pub fn formulate(question: &Formulation<'_>) -> Result<Formulated, SolutionError> {
    check(question)?;
    let mut variables = ProblemVariables::new();
    let columns: Vec<Column> = question
        .products
        .iter()
        .enumerate()
        .filter_map(|(index, available)| {
            Column::of(&mut variables, index, available, question.litres)
        })
        .collect();
    let water = question.water.nutrients();
    let mut rows = Vec::new();
    let mut objective: Expression = columns
        .iter()
        .map(|column| column.grams_per_litre() * GRAM_COST)
        .sum();
    for target in question.targets {
        let over = variables.add(variable().min(0.0));
        let under = variables.add(variable().min(0.0));
        objective += target.weight * (over + under);
        let scale = 1.0 / target.milligrams_per_litre;
        let reached = reached(question, &columns, target.item) * scale;
        let start = target.item.of(&water) * scale;
        rows.push(constraint::eq(reached + under - over, 1.0 - start));
    }
    for ceiling in question.ceilings {
        let room = ceiling.most_milligrams_per_litre - ceiling.item.of(&water);
        rows.push(constraint::leq(
            reached(question, &columns, ceiling.item),
            room,
        ));
    }
    rows.extend(apart(&mut variables, question, &columns));
    let mut model = variables.minimise(objective).using(good_lp::microlp);
    model = good_lp::WithTimeLimit::with_time_limit(model, SECONDS);
    for row in rows {
        model = model.with(row);
    }
    let solved = model.solve().map_err(|error| no_answer(&error))?;
    answer(question, &columns, |variable| solved.value(variable))
}

fn no_answer(error: &ResolutionError) -> SolutionError {
    SolutionError::NoAnswer(format!("the products cannot be combined: {error}"))
}

/// A product that may be used, as a variable.
struct Column {
    index: usize,
    variable: Variable,
    /// Grams per litre of one unit of the variable.
    unit: f64,
    most_grams_per_litre: f64,
    in_scoops: bool,
}

impl Column {
    fn of(
        variables: &mut ProblemVariables,
        index: usize,
        available: &Available<'_>,
        litres: f64,
    ) -> Option<Self> {
        if available.forbidden {
            return None;
        }
        let most = available
            .most_grams_per_litre
            .unwrap_or(f64::INFINITY)
            .min(available.grams_on_hand / litres);
        let (variable, unit) = match available.scoop_grams {
            Some(grams) => {
                let unit = grams / litres;
                let scoops = (most / unit + 1e-9).floor().min(MOST_SCOOPS);
                (variable().integer().min(0.0).max(scoops), unit)
            }
            None => (variable().min(0.0).max(most), 1.0),
        };
        Some(Self {
            index,
            variable: variables.add(variable),
            unit,
            most_grams_per_litre: most,
            in_scoops: available.scoop_grams.is_some(),
        })
    }

    fn grams_per_litre(&self) -> Expression {
        self.variable * self.unit
    }
}

/// At most one of each forbidden pair: a product is used only where its switch is on, and no pair has
/// both on.
fn apart(
    variables: &mut ProblemVariables,
    question: &Formulation<'_>,
    columns: &[Column],
) -> Vec<Constraint> {
    let mut rows = Vec::new();
    for (first, second) in question.forbidden_pairs {
        let found = |index: &usize| columns.iter().find(|column| column.index == *index);
        let (Some(first), Some(second)) = (found(first), found(second)) else {
            continue;
        };
        let mut on = Expression::default();
        for column in [first, second] {
            let switch = variables.add(variable().binary());
            rows.push(constraint::leq(
                column.grams_per_litre(),
                switch * column.most_grams_per_litre.min(MOST_GRAMS_PER_LITRE),
            ));
            on += switch;
        }
        rows.push(constraint::leq(on, 1.0));
    }
    rows
}

/// mg/L that the products bring of an item.
fn reached(question: &Formulation<'_>, columns: &[Column], item: TargetItem) -> Expression {
    columns
        .iter()
        .map(|column| {
            let product = question.products[column.index].product;
            column.grams_per_litre() * item.of(&product.nutrients_per_gram())
        })
        .sum()
}

fn answer(
    question: &Formulation<'_>,
    columns: &[Column],
    value: impl Fn(Variable) -> f64,
) -> Result<Formulated, SolutionError> {
    let mut amounts = Vec::new();
    for column in columns {
        let units = value(column.variable).max(0.0);
        let units = if column.in_scoops {
            units.round()
        } else {
            units
        };
        let grams_per_litre = units * column.unit;
        if grams_per_litre > NONE {
            amounts.push(Amount {
                product: column.index,
                grams: grams_per_litre * question.litres,
                grams_per_litre,
                scoops: column.in_scoops.then_some(units as u32),
            });
        }
    }
    let lines: Vec<RecipeLine<'_>> = amounts
        .iter()
        .map(|amount| RecipeLine {
            product: question.products[amount.product].product,
            grams_per_litre: amount.grams_per_litre,
        })
        .collect();
    let solution = dissolve(question.water, &lines)?;
    let nutrients = solution.nutrients();
    let met: Vec<Met> = question
        .targets
        .iter()
        .map(|target| {
            let milligrams_per_litre = target.item.of(&nutrients);
            Met {
                target: *target,
                milligrams_per_litre,
                relative_deviation: milligrams_per_litre / target.milligrams_per_litre - 1.0,
            }
        })
        .collect();
    let deviation = met
        .iter()
        .map(|met| met.target.weight * met.relative_deviation.abs())
        .sum();
    Ok(Formulated {
        amounts,
        met,
        solution,
        deviation,
    })
}

fn check(question: &Formulation<'_>) -> Result<(), SolutionError> {
    positive("litres", question.litres, 100_000.0, "L")?;
    if question.targets.is_empty() {
        return Err(SolutionError::input(
            "targets",
            "name at least one nutrient",
        ));
    }
    for (index, target) in question.targets.iter().enumerate() {
        let name = target.item.name();
        positive(name, target.milligrams_per_litre, 5000.0, "mg/L")?;
        positive(&format!("weight of {name}"), target.weight, 1000.0, "")?;
        if question.targets[..index]
            .iter()
            .any(|earlier| earlier.item == target.item)
        {
            return Err(SolutionError::input(name, "it is named twice"));
        }
    }
    check_ceilings(question)?;
    check_products(question)
}

fn check_ceilings(question: &Formulation<'_>) -> Result<(), SolutionError> {
    let water = question.water.nutrients();
    for ceiling in question.ceilings {
        let name = ceiling.item.name();
        let most = within(name, ceiling.most_milligrams_per_litre, 0.0, 5000.0, "mg/L")?;
        let there = ceiling.item.of(&water);
        if there > most {
            return Err(SolutionError::input(
                name,
                format!(
                    "the source water alone holds {there:.3} mg/L, more than the {most} mg/L allowed"
                ),
            ));
        }
    }
    Ok(())
}

fn check_products(question: &Formulation<'_>) -> Result<(), SolutionError> {
    for available in question.products {
        let field = |what: &str| format!("{what} of {}", available.product.name());
        within(
            &field("grams_on_hand"),
            available.grams_on_hand,
            0.0,
            1e8,
            "g",
        )?;
        if let Some(most) = available.most_grams_per_litre {
            within(&field("most_grams_per_litre"), most, 0.0, 1000.0, "g/L")?;
        }
        if let Some(scoop) = available.scoop_grams {
            positive(&field("scoop_grams"), scoop, 10_000.0, "g")?;
        }
    }
    for (first, second) in question.forbidden_pairs {
        if first == second || (*first).max(*second) >= question.products.len() {
            return Err(SolutionError::input(
                "forbidden_pairs",
                format!("{first} and {second} are not two of the products"),
            ));
        }
    }
    if question
        .products
        .iter()
        .all(|available| available.forbidden)
    {
        return Err(SolutionError::input("products", "none of them may be used"));
    }
    Ok(())
}
