//! What to do next about the pH of a batch, in words and figures.

use cotyl_app::batches::advice::{NextStep as AppNextStep, Outcome};
use cotyl_app::solution::{Adjusts, Advice, Advised, StopReason};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::handling::{HandlingRules, NutrientAmount, nutrient_amounts};
use crate::measured::WeighedOrPoured;

/// What is learned of a batch: how much more than computed it takes.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct BufferEstimate {
    /// Dose needed over dose computed.
    #[schema(example = 1.21)]
    pub factor: f64,
    /// Lower end of nine cases in ten.
    #[schema(example = 1.02)]
    pub low: f64,
    /// Upper end of nine cases in ten.
    #[schema(example = 1.43)]
    pub high: f64,
    /// Doses of this batch with a reading on both sides that it rests on.
    #[schema(example = 2)]
    pub observations: usize,
    /// Earlier batches of the same recipe and water that it rests on.
    #[schema(example = 0)]
    pub earlier_batches: usize,
}

/// How much is still needed in all.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RemainingDose {
    /// The estimate, the portion included.
    pub estimate: WeighedOrPoured,
    /// Lower end of nine cases in ten.
    pub low: WeighedOrPoured,
    /// Upper end of nine cases in ten.
    pub high: WeighedOrPoured,
}

/// What to do next about the pH.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NextStep {
    /// `add` the amount; `read_again`: nothing before the last dose has been read; `in_range`: nothing; `past_target`: nothing, and nothing to bring it back;
    /// `other_product` or `no_adjuster`: another kind is needed; `out_of_reach`: this product cannot;
    /// `stop_and_check`: add nothing, check first; `no_answer`: no figure may be trusted.
    #[schema(example = "add")]
    pub advice: String,
    /// In words.
    pub text: String,
    /// The pH it starts from.
    #[schema(example = 6.9)]
    pub ph: Option<f64>,
    /// Whether that pH was read, not computed.
    pub ph_is_read: bool,
    /// The pH aimed at.
    #[schema(example = 5.9)]
    pub target_ph: f64,
    /// The kind of product that is needed: `acid` or `base`; `null` when none is.
    pub needed: Option<String>,
    /// The product it is about.
    pub product_id: Option<Uuid>,
    /// Its name.
    pub product_name: Option<String>,
    /// How much to add now; then stir, wait, read again.
    pub amount: Option<WeighedOrPoured>,
    /// How much is still needed in all.
    pub remaining: Option<RemainingDose>,
    /// The pH to expect after the amount.
    #[schema(example = 6.4)]
    pub expected_ph: Option<f64>,
    /// Nutrients that the amount brings.
    pub nutrients: Vec<NutrientAmount>,
    /// What is learned of this batch.
    pub buffer: Option<BufferEstimate>,
    /// How the product is to be handled.
    pub handling: HandlingRules,
}

const fn kind_word(way: Adjusts) -> &'static str {
    match way {
        Adjusts::Down => "acid",
        Adjusts::Up => "base",
    }
}

fn hundredths(figure: f64) -> f64 {
    (figure * 100.0).round() / 100.0
}

impl From<AppNextStep> for NextStep {
    fn from(step: AppNextStep) -> Self {
        let adjuster = step.adjuster.as_ref();
        let mut next = Self {
            advice: String::new(),
            text: String::new(),
            ph: None,
            ph_is_read: false,
            target_ph: hundredths(step.target_ph),
            needed: None,
            product_id: adjuster.map(|adjuster| adjuster.id),
            product_name: adjuster.map(|adjuster| adjuster.product.name().to_owned()),
            amount: step.amount.map(Into::into),
            remaining: step.remaining.map(|[estimate, low, high]| RemainingDose {
                estimate: estimate.into(),
                low: low.into(),
                high: high.into(),
            }),
            expected_ph: None,
            nutrients: Vec::new(),
            buffer: None,
            handling: step.handling.into(),
        };
        match step.outcome {
            Outcome::Advised(advised) => {
                next.needed = adjuster.map(|adjuster| kind_word(adjuster.way).to_owned());
                next.buffer = Some(BufferEstimate {
                    factor: hundredths(advised.buffer.factor),
                    low: hundredths(advised.buffer.low),
                    high: hundredths(advised.buffer.high),
                    observations: advised.buffer.observations,
                    earlier_batches: step.earlier_batches,
                });
                next.ph = Some(hundredths(advised.ph));
                next.ph_is_read = advised.ph_is_read;
                next.tell(&advised, step.amount.map(|amount| amount.to_string()));
            }
            Outcome::InRange { ph, is_read } => {
                next.ph = Some(hundredths(ph));
                next.ph_is_read = is_read;
                next.in_range(ph, is_read);
            }
            Outcome::NoAdjuster {
                ph,
                is_read,
                needed,
            } => {
                let kind = kind_word(needed);
                next.ph = Some(hundredths(ph));
                next.ph_is_read = is_read;
                next.needed = Some(kind.to_owned());
                next.advice = "no_adjuster".into();
                next.text = format!(
                    "The pH is {ph:.2}; it takes a product of the kind {kind}, and none is described."
                );
            }
            Outcome::ReadAgain => {
                next.advice = "read_again".into();
                next.text = "A dose went in since the pH was read last: stir, wait until it is steady, read again. Add nothing before.".into();
            }
            Outcome::NoAnswer(why) => {
                next.advice = "no_answer".into();
                next.text = format!(
                    "No dose can be computed that may be trusted: {why}. Ask a trained member."
                );
            }
        }
        next
    }
}

impl NextStep {
    fn in_range(&mut self, ph: f64, is_read: bool) {
        self.advice = "in_range".into();
        self.needed = None;
        self.text = if is_read {
            format!("The pH is {ph:.2}, which will do: add nothing.")
        } else {
            format!("The pH should be {ph:.2}, which would do: read it, and add nothing before.")
        };
    }

    fn tell(&mut self, advised: &Advised, amount: Option<String>) {
        let name = self.product_name.clone().unwrap_or_default();
        let (advice, text) = match &advised.advice {
            Advice::InRange { ph } => return self.in_range(*ph, advised.ph_is_read),
            Advice::Add(portion) => {
                self.expected_ph = Some(hundredths(portion.expected_ph));
                self.nutrients = nutrient_amounts(&portion.nutrients);
                let end = if portion.ends_at_maximum {
                    " It ends at the most for this batch: then stop and check product, water report and meter."
                } else {
                    ""
                };
                let start = if advised.ph_is_read {
                    ""
                } else {
                    "Read the pH first: this is computed from the composition alone. "
                };
                (
                    "add",
                    format!(
                        "{start}Add {} of {name}, stir, wait, read again.{end}",
                        amount.unwrap_or_default()
                    ),
                )
            }
            Advice::PastTarget { ph } => {
                self.needed = None;
                (
                    "past_target",
                    format!(
                        "The pH is {ph:.2}, past what will do. Add nothing to bring it back: thin it with source water, or use it as it is if the lead agrees."
                    ),
                )
            }
            Advice::OtherProduct { ph, needed } => {
                let kind = kind_word(*needed);
                self.needed = Some(kind.to_owned());
                (
                    "other_product",
                    format!(
                        "The pH is {ph:.2}; {name} would move it away. It takes a product of the kind {kind}."
                    ),
                )
            }
            Advice::OutOfReach { ph_with_most } => (
                "out_of_reach",
                format!(
                    "{name} cannot bring this batch there in any amount; the nearest is a pH of {ph_with_most:.2}."
                ),
            ),
            Advice::StopAndCheck(reason) => ("stop_and_check", stop_text(*reason, &name)),
        };
        self.advice = advice.into();
        self.text = text;
    }
}

fn stop_text(reason: StopReason, name: &str) -> String {
    const CHECK: &str = "Add nothing now; check the product, the water report and the meter, then read the pH a second time.";
    match reason {
        StopReason::Maximum { grams_per_litre } => format!(
            "As much {name} is in as may go in without a check, {grams_per_litre:.3} g/L. {CHECK}"
        ),
        StopReason::NoResponse { expected_at_least } => format!(
            "The last dose should have moved the pH by {expected_at_least:.2} at least, and did not. {CHECK}"
        ),
        StopReason::WrongWay { by } => {
            format!("The last dose moved the pH the wrong way, by {by:.2}. {CHECK}")
        }
    }
}
