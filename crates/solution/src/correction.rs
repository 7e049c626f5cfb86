//! Correcting the pH of a batch by portions, learning from its own readings.
//!
//! Real mixes depart from the model: chelates, carbonates in a product, a water that is not what
//! its report says. So the model's dose is scaled by one factor, the effective buffer capacity of
//! this batch against the model's. Its logarithm is taken as normal: a prior from earlier batches of
//! the same water and recipe, then one observation from each pair of readings with a dose between
//! them. Only a cautious share of what remains is advised, and no more than the lower end of what the
//! factor allows. Nothing is ever advised that takes the pH past the target, nor anything
//! that would bring it back.

use crate::correction_input::checked;
use crate::dose::{DoseAnswer, adjusts, dose_to_ph};
use crate::equilibrium::{Air, Conditions, anchored_at_ph, equilibrium};
use crate::error::SolutionError;
use crate::nutrient::Nutrients;
use crate::product::Product;
use crate::solution::Solution;
use crate::substance::Adjusts;

/// How much more than computed it takes, as far as earlier batches tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Dose needed over dose computed: 1 where the model is right.
    pub factor: f64,
    /// Standard deviation of the natural logarithm of the factor.
    pub log_spread: f64,
}

impl Prior {
    /// Nothing is known of this water and recipe: within a factor of 1.8 either way in nine cases
    /// of ten. Common practice, no source.
    pub const NONE: Self = Self {
        factor: 1.0,
        log_spread: 0.35,
    };

    /// From the factors that earlier batches of the same water and recipe came to. [`Self::NONE`]
    /// counts as one further batch, so that a single batch moves it half-way only.
    #[must_use]
    pub fn of_batches(factors: &[f64]) -> Self {
        let logs: Vec<f64> = factors
            .iter()
            .filter(|factor| factor.is_finite() && **factor > 0.0)
            .map(|factor| factor.ln())
            .collect();
        let count = logs.len() as f64 + 1.0;
        let mean = logs.iter().sum::<f64>() / count;
        let squares: f64 = logs.iter().map(|log| (log - mean) * (log - mean)).sum();
        let spread = ((squares + mean * mean + Self::NONE.log_spread.powi(2)) / count).sqrt();
        Self {
            factor: mean.exp(),
            log_spread: spread.clamp(LEAST_SPREAD, 1.0),
        }
    }
}

/// A pH read after a total of doses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoseReading {
    /// Grams of the product per litre that are in by now.
    pub dosed_grams_per_litre: f64,
    /// pH, stirred and settled.
    pub ph: f64,
}

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub struct Correction<'a> {
    /// The batch as mixed, before any dose.
    pub mixed: &'a Solution,
    /// The acid or base at hand.
    pub product: &'a Product,
    /// Temperature of the batch.
    pub celsius: f64,
    /// pH to aim at.
    pub target_ph: f64,
    /// Lowest and highest pH that will do; the target lies between.
    pub accepted_ph: (f64, f64),
    /// Readings in their order, each with the total dose at that moment.
    pub readings: &'a [DoseReading],
    /// What earlier batches say.
    pub prior: Prior,
    /// Share of the computed dose that is advised first: [`CAUTIOUS_SHARE`].
    pub cautious_share: f64,
    /// Grams per litre beyond which nobody doses without stopping to check:
    /// [`usual_maximum_grams_per_litre`].
    pub most_grams_per_litre: f64,
    /// Whether somebody has stopped, read again and checked product and water, so that dosing may
    /// go on up to twice the maximum.
    pub checked_beyond_maximum: bool,
    /// How far a reading may be off, in pH: 0.05 for a meter calibrated the same day.
    pub meter_error_ph: f64,
}

/// Half: common practice, no source.
pub const CAUTIOUS_SHARE: f64 = 0.5;

/// The effective buffer capacity of a batch against the model's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BufferEstimate {
    /// Dose needed over dose computed.
    pub factor: f64,
    /// The lower end of nine cases in ten.
    pub low: f64,
    /// The upper end.
    pub high: f64,
    /// Doses with a reading on both sides that it rests on, beside the prior.
    pub observations: usize,
}

/// A portion to add now; then stir, wait, and read again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Portion {
    /// Grams of the product per litre to add now.
    pub grams_per_litre: f64,
    /// Grams per litre that are still needed to the target, this portion included.
    pub remaining_grams_per_litre: f64,
    /// The lower and upper end of that in nine cases of ten.
    pub remaining_range: (f64, f64),
    /// pH to expect after it.
    pub expected_ph: f64,
    /// Nutrients that the portion brings, mg/L.
    pub nutrients: Nutrients,
    /// Whether it was cut short at the maximum, so that a check comes next.
    pub ends_at_maximum: bool,
}

/// Why to stop and check: product, water report, meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StopReason {
    /// As much as may go in without a check is in.
    Maximum {
        /// That much, in grams per litre.
        grams_per_litre: f64,
    },
    /// The last dose should have moved the pH, and did not.
    NoResponse {
        /// pH units that even a buffer four times as strong would have let it move.
        expected_at_least: f64,
    },
    /// The last dose moved the pH the wrong way.
    WrongWay {
        /// By so many pH units.
        by: f64,
    },
}

/// What to do.
#[derive(Debug, Clone, PartialEq)]
pub enum Advice {
    /// Nothing: the pH will do.
    InRange {
        /// The pH.
        ph: f64,
    },
    /// Add a portion.
    Add(Box<Portion>),
    /// The pH has gone past what is accepted. Add nothing to bring it back: that only adds salt;
    /// thin with source water, or use the batch as it is if the lead agrees.
    PastTarget {
        /// The pH.
        ph: f64,
    },
    /// The pH lies on the other side: this product would move it away.
    OtherProduct {
        /// The pH.
        ph: f64,
        /// The kind that is needed.
        needed: Adjusts,
    },
    /// This product cannot reach the target, in any amount.
    OutOfReach {
        /// The nearest it comes, with [`SEARCHED_GRAMS_PER_LITRE`].
        ph_with_most: f64,
    },
    /// Add nothing; check first.
    StopAndCheck(StopReason),
}

/// What to do, and what was learnt.
#[derive(Debug, Clone, PartialEq)]
pub struct Advised {
    /// What to do.
    pub advice: Advice,
    /// The buffer of this batch: the prior of the next.
    pub buffer: BufferEstimate,
    /// The pH that the advice starts from: the last reading, or the computed one before any.
    pub ph: f64,
    /// Whether that pH was read, not computed.
    pub ph_is_read: bool,
}

/// Grams per litre up to which a dose is looked for before a target is called out of reach.
pub const SEARCHED_GRAMS_PER_LITRE: f64 = 50.0;

/// Normal deviate of nine cases in ten.
const NINETY: f64 = 1.645;
/// Least standard deviation of the logarithm of the factor: one factor does not fit every stretch
/// of a titration curve.
const LEAST_SPREAD: f64 = 0.10;
/// Variance of an observation doubles with each later one.
const AGEING: f64 = 2.0;
/// A buffer stronger than this many times the model's is not believed without a check.
const STRONGEST: f64 = 4.0;

/// Grams per litre of an adjuster beyond which to stop and check.
///
/// Phosphoric acid: the 2.25 fluid ounces of 75 % acid per 100 US gallons that UMass Extension
/// (*Adjusting Alkalinity with Acids*) gives as the most because of the phosphorus, which is 2.1 mmol/L.
/// Others: 3 milliequivalents per litre of acid, 2 of base; common practice, no source.
///
/// # Errors
/// [`SolutionError::Input`] for a product that is neither acid nor base.
pub fn usual_maximum_grams_per_litre(product: &Product) -> Result<f64, SolutionError> {
    use crate::substance::Substance;
    let way = adjusts(product)?;
    let moles_per_gram = product.adjuster_moles_per_gram();
    let equivalents = |substance: Substance| match substance {
        Substance::SulfuricAcid | Substance::CitricAcid | Substance::PotassiumCarbonate => 2.0,
        _ => 1.0,
    };
    let phosphoric = product
        .substances()
        .iter()
        .any(|(substance, _)| *substance == Substance::PhosphoricAcid);
    if phosphoric {
        return Ok(0.0021 / moles_per_gram);
    }
    let equivalents_per_gram: f64 = product
        .substances()
        .iter()
        .filter(|(substance, _)| substance.adjusts().is_some())
        .map(|(substance, percent)| {
            equivalents(*substance) * percent / 100.0 / substance.grams_per_mole()
        })
        .sum();
    let most = if way == Adjusts::Down { 0.003 } else { 0.002 };
    Ok(most / equivalents_per_gram)
}

/// The next step of a correction.
///
/// # Errors
/// [`SolutionError::Input`] naming the field that is out of range, readings out of order, or a
/// target outside what is accepted; [`SolutionError::NoAnswer`] where the equilibria fail.
pub fn advise(correction: &Correction<'_>) -> Result<Advised, SolutionError> {
    checked(correction)?;
    let conditions = Conditions {
        celsius: correction.celsius,
        air: Air::Closed,
    };
    let work = Work {
        correction,
        conditions,
        way: adjusts(correction.product)?,
    };
    let last = correction.readings.last().copied();
    let ph = match last {
        Some(reading) => reading.ph,
        None => equilibrium(correction.mixed, conditions)?.ph(),
    };
    let (buffer, stop) = work.learn()?;
    let advice = match stop {
        Some(reason) if !work.accepted(ph) => Advice::StopAndCheck(reason),
        _ => work.next(ph, last, &buffer)?,
    };
    Ok(Advised {
        advice,
        buffer,
        ph,
        ph_is_read: last.is_some(),
    })
}

struct Work<'a> {
    correction: &'a Correction<'a>,
    conditions: Conditions,
    way: Adjusts,
}

impl Work<'_> {
    fn accepted(&self, ph: f64) -> bool {
        let (low, high) = self.correction.accepted_ph;
        (low..=high).contains(&ph)
    }

    /// How far the product has moved the pH from `before` to `after`; negative the wrong way.
    fn moved(&self, before: f64, after: f64) -> f64 {
        match self.way {
            Adjusts::Down => before - after,
            Adjusts::Up => after - before,
        }
    }

    /// The batch with a total dose in it, brought to a reading.
    fn at_reading(&self, reading: DoseReading) -> Result<Solution, SolutionError> {
        let dose = self.correction.product.gram_per_litre();
        let dosed = self
            .correction
            .mixed
            .plus(&dose.scaled(reading.dosed_grams_per_litre));
        anchored_at_ph(&dosed, self.conditions, reading.ph)
    }

    fn answer(&self, start: &Solution, target: f64) -> Result<DoseAnswer, SolutionError> {
        dose_to_ph(
            start,
            self.correction.product,
            self.conditions,
            target,
            SEARCHED_GRAMS_PER_LITRE,
        )
    }

    /// The model's grams per litre from one pH to another, where there is such a dose.
    fn model_dose(&self, start: &Solution, target: f64) -> Result<Option<f64>, SolutionError> {
        Ok(match self.answer(start, target)? {
            DoseAnswer::Reaches(dose) => Some(dose.grams_per_litre),
            _ => None,
        })
    }

    /// pH that the model expects after a dose.
    fn expected_ph(&self, start: &Solution, grams: f64) -> Result<f64, SolutionError> {
        let dosed = start.plus(&self.correction.product.gram_per_litre().scaled(grams));
        Ok(equilibrium(&dosed, self.conditions)?.ph())
    }

    /// The factor after all readings, and whether the last dose calls for a check.
    fn learn(&self) -> Result<(BufferEstimate, Option<StopReason>), SolutionError> {
        let prior = self.correction.prior;
        let mut weight = prior.log_spread.powi(-2);
        let mut sum = weight * prior.factor.ln();
        let (mut observations, mut stop) = (0, None);
        let pairs = self.correction.readings.windows(2);
        let dosed: Vec<&[DoseReading]> = pairs
            .filter(|pair| pair[1].dosed_grams_per_litre > pair[0].dosed_grams_per_litre)
            .collect();
        for (index, pair) in dosed.iter().enumerate() {
            let later = dosed.len() - 1 - index;
            match self.observe(pair[0], pair[1])? {
                Observation::Factor { log, spread } => {
                    let own = spread.powi(-2) / AGEING.powi(i32::try_from(later).unwrap_or(30));
                    weight += own;
                    sum += own * log;
                    observations += 1;
                    stop = None;
                }
                Observation::Nothing => stop = None,
                Observation::Strange(reason) => stop = Some(reason),
            }
        }
        let factor = (sum / weight).exp();
        let spread = weight.powf(-0.5).max(LEAST_SPREAD);
        let estimate = BufferEstimate {
            factor,
            low: factor * (-NINETY * spread).exp(),
            high: factor * (NINETY * spread).exp(),
            observations,
        };
        Ok((estimate, stop))
    }

    fn observe(
        &self,
        before: DoseReading,
        after: DoseReading,
    ) -> Result<Observation, SolutionError> {
        let meter = self.correction.meter_error_ph;
        let dosed = after.dosed_grams_per_litre - before.dosed_grams_per_litre;
        let moved = self.moved(before.ph, after.ph);
        if moved < -2.0 * meter {
            return Ok(Observation::Strange(StopReason::WrongWay { by: -moved }));
        }
        let start = self.at_reading(before)?;
        if moved < meter {
            let after_least = self.expected_ph(&start, dosed / STRONGEST)?;
            let least = self.moved(before.ph, after_least);
            return Ok(if least > 4.0 * meter {
                Observation::Strange(StopReason::NoResponse {
                    expected_at_least: least,
                })
            } else {
                Observation::Nothing
            });
        }
        // the dose to a reading, and to one that is off by the meter's error
        let off = match self.way {
            Adjusts::Down => -meter,
            Adjusts::Up => meter,
        };
        let model = self.model_dose(&start, after.ph)?;
        let model_off = self.model_dose(&start, (after.ph + off).clamp(0.0, 14.0))?;
        let (Some(model), Some(model_off)) = (model, model_off) else {
            return Ok(Observation::Nothing);
        };
        let by_meter = (model_off / model).ln().abs() * std::f64::consts::SQRT_2;
        Ok(Observation::Factor {
            log: (dosed / model).ln(),
            spread: by_meter.hypot(LEAST_SPREAD),
        })
    }

    fn next(
        &self,
        ph: f64,
        last: Option<DoseReading>,
        buffer: &BufferEstimate,
    ) -> Result<Advice, SolutionError> {
        let correction = self.correction;
        if self.accepted(ph) {
            return Ok(Advice::InRange { ph });
        }
        let dosed = last.map_or(0.0, |reading| reading.dosed_grams_per_litre);
        if self.moved(ph, correction.target_ph) < 0.0 {
            return Ok(if dosed > 0.0 {
                Advice::PastTarget { ph }
            } else {
                Advice::OtherProduct {
                    ph,
                    needed: match self.way {
                        Adjusts::Down => Adjusts::Up,
                        Adjusts::Up => Adjusts::Down,
                    },
                }
            });
        }
        let start = match last {
            Some(reading) => self.at_reading(reading)?,
            None => *correction.mixed,
        };
        match self.answer(&start, correction.target_ph)? {
            DoseAnswer::Reaches(dose) => self.portion(&start, dose.grams_per_litre, dosed, buffer),
            DoseAnswer::OutOfReach { ph_with_most } => Ok(Advice::OutOfReach { ph_with_most }),
            // the reading is not accepted and on the near side of the target, so neither occurs
            DoseAnswer::There | DoseAnswer::OtherWay { .. } => Ok(Advice::InRange { ph }),
        }
    }

    fn portion(
        &self,
        start: &Solution,
        model_grams: f64,
        dosed: f64,
        buffer: &BufferEstimate,
    ) -> Result<Advice, SolutionError> {
        let correction = self.correction;
        // the cautious share after an observation too: the factor of one stretch of a titration curve says
        // little of the next where a buffer is there that the model does not know
        let wanted = model_grams * (correction.cautious_share * buffer.factor).min(buffer.low);
        let times = if correction.checked_beyond_maximum {
            2.0
        } else {
            1.0
        };
        let most = correction.most_grams_per_litre * times;
        let room = most - dosed;
        if room <= 1e-9 * most {
            return Ok(Advice::StopAndCheck(StopReason::Maximum {
                grams_per_litre: most,
            }));
        }
        let grams_per_litre = wanted.min(room);
        Ok(Advice::Add(Box::new(Portion {
            grams_per_litre,
            remaining_grams_per_litre: model_grams * buffer.factor,
            remaining_range: (model_grams * buffer.low, model_grams * buffer.high),
            expected_ph: self.expected_ph(start, grams_per_litre / buffer.factor)?,
            nutrients: correction
                .product
                .gram_per_litre()
                .scaled(grams_per_litre)
                .nutrients(),
            ends_at_maximum: wanted > room,
        })))
    }
}

/// What one dose between two readings tells.
enum Observation {
    /// The logarithm of the factor, and its standard deviation.
    Factor { log: f64, spread: f64 },
    /// Too small a step to tell.
    Nothing,
    /// Something is wrong.
    Strange(StopReason),
}
