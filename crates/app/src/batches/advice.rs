//! The next portion of acid or base for a batch, from its own readings and from earlier batches; pure.

use cotyl_domain::Refusal;
use cotyl_solution::{
    Adjusts, Advice, Advised, CAUTIOUS_SHARE, Conditions, Correction, DoseReading, Prior, Product,
    RecipeLine, Solution, SolutionError, advise, caution, dissolve, equilibrium,
    usual_maximum_grams_per_litre,
};
use cotyl_store::batches::BatchEntry;
use uuid::Uuid;

use crate::chemistry::{Handling, Measured};
use crate::{Error, Result};

/// What the rules of solutions come to, or why they do not.
type Computed<T> = std::result::Result<T, SolutionError>;

/// How far a pH reading may be off: a meter calibrated the same day. Common practice, no source.
const METER_ERROR_PH: f64 = 0.05;
/// Temperature of a batch whose temperature nobody read.
pub(crate) const USUAL_CELSIUS: f64 = 20.0;
/// Digits to which a portion is measured.
const DIGITS: u32 = 3;
/// By how much a dose may pass the portion advised: what a measuring cylinder is off. Common practice, no
/// source.
const MEASURING: f64 = 1.1;

/// What rounding to whole base units may add to a total that is at its limit.
const ROUNDING: f64 = 1.0 + 1e-6;

/// An acid or base at hand.
#[derive(Debug, Clone)]
pub struct Adjuster {
    /// The product.
    pub id: Uuid,
    /// As the rules of solutions read it.
    pub product: Product,
    /// Which way it moves the pH.
    pub way: Adjusts,
    /// The most in a litre by its description, in grams.
    pub stated_most: Option<f64>,
    /// Whether the shelf of the site holds any.
    pub on_shelf: bool,
    /// Whether it is out of use.
    pub retired: bool,
    /// How it is handled as it comes.
    pub handling: Handling,
}

impl Adjuster {
    /// Grams in a litre beyond which to stop and check.
    pub(crate) fn most_grams_per_litre(&self) -> Computed<f64> {
        match self.stated_most {
            Some(most) => Ok(most),
            None => usual_maximum_grams_per_litre(&self.product),
        }
    }

    /// Grams of it that a dose put in.
    pub(crate) fn grams(&self, entry: &BatchEntry) -> f64 {
        let count = entry.quantity.unwrap_or_default();
        let amount = match self.product.form() {
            cotyl_solution::Form::Solid => Measured::Milligrams(count),
            cotyl_solution::Form::Liquid { .. } => Measured::Microlitres(count),
        };
        self.product.grams(amount.measure()).unwrap_or_default()
    }
}

/// What is known of a batch for its correction.
#[derive(Debug)]
pub struct Evidence<'a> {
    /// As mixed, before any dose.
    pub mixed: Solution,
    /// Its volume.
    pub litres: f64,
    /// The pH that will do.
    pub accepted_ph: (f64, f64),
    /// Its entries that count, in their order.
    pub entries: &'a [&'a BatchEntry],
    /// Every acid and base that is at hand or was dosed.
    pub adjusters: &'a [Adjuster],
}

/// What to do next, and with what.
#[derive(Debug, Clone)]
pub struct NextStep {
    /// What it says.
    pub outcome: Outcome,
    /// The product it is about.
    pub adjuster: Option<Adjuster>,
    /// The pH aimed at.
    pub target_ph: f64,
    /// How much to add now, as a person measures it.
    pub amount: Option<Measured>,
    /// How much is still needed in all, with the lower and upper end of nine cases in ten.
    pub remaining: Option<[Measured; 3]>,
    /// Earlier batches of the same recipe and water that it rests on.
    pub earlier_batches: usize,
    /// How the product is handled.
    pub handling: Handling,
}

/// What an advice says.
#[derive(Debug, Clone)]
pub enum Outcome {
    /// As the rules of solutions advise.
    Advised(Box<Advised>),
    /// The pH will do, and nothing was dosed.
    InRange {
        /// The pH.
        ph: f64,
        /// Whether it was read, not computed.
        is_read: bool,
    },
    /// No acid or base of the kind that is needed is described.
    NoAdjuster {
        /// The pH.
        ph: f64,
        /// Whether it was read, not computed.
        is_read: bool,
        /// The kind.
        needed: Adjusts,
    },
    /// Something was dosed since the pH was read last: what it did must be read before anything else.
    ReadAgain,
    /// There is no figure to be trusted.
    NoAnswer(String),
}

/// Doses and readings of one product in a batch.
struct History {
    /// The batch with what other products were dosed.
    mixed: Solution,
    /// Readings since another product was dosed last.
    readings: Vec<DoseReading>,
    /// Grams per litre dosed in all.
    dosed: f64,
    /// Grams per litre dosed since the last reading of the pH.
    since_reading: f64,
    /// Readings of the pH since the last dose of anything.
    readings_since_dose: usize,
}

impl Evidence<'_> {
    fn target_ph(&self) -> f64 {
        f64::midpoint(self.accepted_ph.0, self.accepted_ph.1)
    }

    fn celsius(&self) -> f64 {
        let read = self
            .entries
            .iter()
            .rev()
            .find_map(|entry| entry.temperature_centicelsius);
        read.map_or(USUAL_CELSIUS, |hundredths| {
            (f64::from(hundredths) / 100.0).clamp(0.0, 50.0)
        })
    }

    fn adjuster(&self, id: Uuid) -> Option<&Adjuster> {
        self.adjusters.iter().find(|adjuster| adjuster.id == id)
    }

    /// The product that was dosed last.
    fn dosed_last(&self) -> Option<&Adjuster> {
        let last = self.entries.iter().rev().find_map(|entry| entry.product_id);
        last.and_then(|id| self.adjuster(id))
    }

    fn history(&self, adjuster: &Adjuster) -> Computed<History> {
        let mut history = History {
            mixed: self.mixed,
            readings: Vec::new(),
            dosed: 0.0,
            since_reading: 0.0,
            readings_since_dose: 0,
        };
        for entry in self.entries {
            if let Some(id) = entry.product_id {
                history.readings_since_dose = 0;
                let Some(dosed) = self.adjuster(id) else {
                    continue;
                };
                let grams_per_litre = dosed.grams(entry) / self.litres;
                if id == adjuster.id {
                    history.dosed += grams_per_litre;
                    history.since_reading += grams_per_litre;
                } else {
                    let line = RecipeLine {
                        product: &dosed.product,
                        grams_per_litre,
                    };
                    history.mixed = dissolve(&history.mixed, &[line])?;
                    history.readings.clear();
                }
            }
            if let Some(thousandths) = entry.ph_thousandths {
                history.readings.push(DoseReading {
                    dosed_grams_per_litre: history.dosed,
                    ph: f64::from(thousandths) / 1000.0,
                });
                history.since_reading = 0.0;
                history.readings_since_dose += 1;
            }
        }
        Ok(history)
    }

    fn ask(&self, adjuster: &Adjuster, prior: Prior) -> Computed<Advised> {
        let history = self.history(adjuster)?;
        advise(&Correction {
            mixed: &history.mixed,
            product: &adjuster.product,
            celsius: self.celsius(),
            target_ph: self.target_ph(),
            accepted_ph: self.accepted_ph,
            readings: &history.readings,
            prior,
            cautious_share: CAUTIOUS_SHARE,
            most_grams_per_litre: adjuster.most_grams_per_litre()?,
            checked_beyond_maximum: history.readings_since_dose > 1,
            meter_error_ph: METER_ERROR_PH,
        })
    }

    /// How much more than computed this batch took, where its own readings tell.
    pub fn factor(&self) -> Option<f64> {
        let advised = self.ask(self.dosed_last()?, Prior::NONE).ok()?;
        (advised.buffer.observations > 0).then_some(advised.buffer.factor)
    }

    /// The pH now, and whether it was read.
    fn ph(&self) -> Computed<(f64, bool)> {
        let read = self
            .entries
            .iter()
            .rev()
            .find_map(|entry| entry.ph_thousandths);
        if let Some(thousandths) = read {
            return Ok((f64::from(thousandths) / 1000.0, true));
        }
        let mut solution = self.mixed;
        for entry in self.entries {
            if let Some(dosed) = entry.product_id.and_then(|id| self.adjuster(id)) {
                let line = RecipeLine {
                    product: &dosed.product,
                    grams_per_litre: dosed.grams(entry) / self.litres,
                };
                solution = dissolve(&solution, &[line])?;
            }
        }
        let conditions = Conditions {
            celsius: self.celsius(),
            ..Conditions::STANDARD
        };
        Ok((equilibrium(&solution, conditions)?.ph(), false))
    }

    /// What to do next; with the product of choice, where one is named.
    pub fn next_step(&self, choice: Option<&Adjuster>, earlier: &[f64]) -> NextStep {
        self.try_next_step(choice, earlier)
            .unwrap_or_else(|error| self.without_product(Outcome::NoAnswer(error.to_string())))
    }

    fn without_product(&self, outcome: Outcome) -> NextStep {
        NextStep {
            outcome,
            adjuster: None,
            target_ph: self.target_ph(),
            amount: None,
            remaining: None,
            earlier_batches: 0,
            handling: Handling::default(),
        }
    }

    /// What to do when the pH has not been read since the last dose: a portion worked out from an older
    /// reading would go in twice.
    fn unread_dose(&self) -> Option<NextStep> {
        let last = self
            .entries
            .iter()
            .rev()
            .find(|entry| entry.product_id.is_some() || entry.ph_thousandths.is_some())?;
        let adjuster = self.adjuster(last.product_id?)?;
        let mut handling = adjuster.handling.clone();
        handling.needs_concentrates = true;
        handling.add(&caution::for_dose(&adjuster.product, adjuster.grams(last)).cautions);
        Some(NextStep {
            adjuster: Some(adjuster.clone()),
            handling,
            ..self.without_product(Outcome::ReadAgain)
        })
    }

    fn try_next_step(&self, choice: Option<&Adjuster>, earlier: &[f64]) -> Computed<NextStep> {
        if let Some(unread) = self.unread_dose() {
            return Ok(unread);
        }
        let (ph, is_read) = self.ph()?;
        let (low, high) = self.accepted_ph;
        let Some(adjuster) = choice.or_else(|| self.dosed_last()) else {
            if (low..=high).contains(&ph) {
                return Ok(self.without_product(Outcome::InRange { ph, is_read }));
            }
            let needed = if ph > high {
                Adjusts::Down
            } else {
                Adjusts::Up
            };
            let mut fitting: Vec<&Adjuster> = self
                .adjusters
                .iter()
                .filter(|adjuster| adjuster.way == needed && !adjuster.retired)
                .collect();
            fitting.sort_by_key(|adjuster| !adjuster.on_shelf);
            return match fitting.first() {
                Some(adjuster) => self.with(adjuster, earlier),
                None => Ok(self.without_product(Outcome::NoAdjuster {
                    ph,
                    is_read,
                    needed,
                })),
            };
        };
        self.with(adjuster, earlier)
    }

    fn with(&self, adjuster: &Adjuster, earlier: &[f64]) -> Computed<NextStep> {
        let advised = self.ask(adjuster, Prior::of_batches(earlier))?;
        let measured = |grams_per_litre: f64| {
            let measure = adjuster.product.measure(grams_per_litre * self.litres)?;
            Ok::<_, SolutionError>(Measured::from(measure))
        };
        let mut handling = adjuster.handling.clone();
        handling.needs_concentrates = true;
        let (mut amount, mut remaining) = (None, None);
        if let Advice::Add(portion) = &advised.advice {
            let exact = measured(portion.grams_per_litre)?;
            // never more than advised, unless it is too little for any measure
            let readable = exact.readable_below(DIGITS);
            amount = Some(if readable.count() > 0 {
                readable
            } else {
                exact
            });
            let (least, most) = portion.remaining_range;
            remaining = Some([
                measured(portion.remaining_grams_per_litre)?.readable(DIGITS),
                measured(least)?.readable(DIGITS),
                measured(most)?.readable(DIGITS),
            ]);
            let grams = portion.grams_per_litre * self.litres;
            handling.add(&caution::for_dose(&adjuster.product, grams).cautions);
        }
        Ok(NextStep {
            outcome: Outcome::Advised(Box::new(advised)),
            adjuster: Some(adjuster.clone()),
            amount,
            remaining,
            earlier_batches: earlier.len(),
            handling,
            ..self.without_product(Outcome::NoAnswer(String::new()))
        })
    }

    /// Whether so many grams may go in now. What goes in without a reading of the pH since the last dose
    /// stays within the portion advised; what passes the most of a litre needs a second reading first, and
    /// twice that is never dosed.
    ///
    /// # Errors
    /// [`Refusal::ReadFirst`], [`Refusal::TooMuch`].
    pub fn may_dose(&self, adjuster: &Adjuster, grams: f64, earlier: &[f64]) -> Result<()> {
        let history = self.history(adjuster).map_err(Error::internal)?;
        let most = adjuster.most_grams_per_litre().map_err(Error::internal)?;
        let grams_per_litre = grams / self.litres;
        let total = history.dosed + grams_per_litre;
        let amount = |grams_per_litre: f64| {
            adjuster
                .product
                .measure(grams_per_litre.max(0.0) * self.litres)
                .map(|measure| Measured::from(measure).readable_below(DIGITS).to_string())
                .map_err(Error::internal)
        };
        if total > 2.0 * most * ROUNDING {
            return Err(read_first(format!(
                "with it there would be more than twice the most for this batch, which is {}; stop, and check product, water report and meter",
                amount(most)?
            )));
        }
        if total > most * ROUNDING && history.readings_since_dose < 2 {
            return Err(read_first(format!(
                "the most for this batch without a second reading is {}, of which {} is left; read twice, then go on",
                amount(most)?,
                amount(most - history.dosed)?
            )));
        }
        if history.readings_since_dose > 0 {
            return Ok(());
        }
        let portion = self.portion_at_last_reading(adjuster, earlier)?;
        if history.since_reading + grams_per_litre <= portion * MEASURING {
            return Ok(());
        }
        Err(read_first(format!(
            "without a reading since the last dose at most {} may go in now",
            amount(portion - history.since_reading)?
        )))
    }

    /// Grams per litre that were advised when the pH was read last, or before any reading.
    fn portion_at_last_reading(&self, adjuster: &Adjuster, earlier: &[f64]) -> Result<f64> {
        let read = self
            .entries
            .iter()
            .rposition(|entry| entry.ph_thousandths.is_some());
        let then = Evidence {
            entries: &self.entries[..read.map_or(0, |place| place + 1)],
            mixed: self.mixed,
            ..*self
        };
        let advised = then.ask(adjuster, Prior::of_batches(earlier));
        Ok(match advised.map(|advised| advised.advice) {
            Ok(Advice::Add(portion)) => portion.grams_per_litre,
            Ok(_) | Err(SolutionError::NoAnswer(_)) => 0.0,
            Err(error) => return Err(Error::internal(error)),
        })
    }
}

fn read_first(why: String) -> Error {
    Refusal::ReadFirst { why }.into()
}
