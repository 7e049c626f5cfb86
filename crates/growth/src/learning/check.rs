//! What cannot be learned from, and why.

use super::level::Level;
use super::{Assumptions, Frozen, Quantity, SowingRecord};

/// Why nothing can be learned from what was given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LearningError {
    /// A figure of a record is not finite or not above 0.
    #[error("record {record}: {field} must be finite and above 0; it is {value}")]
    NotPositive {
        /// Index of the record.
        record: usize,
        /// The field.
        field: &'static str,
        /// Its value.
        value: f64,
    },
    /// A share is not above 0 and at most 1.
    #[error("record {record}: expected_survival must be above 0 and at most 1; it is {value}")]
    NotAShare {
        /// Index of the record.
        record: usize,
        /// The share.
        value: f64,
    },
    /// Nothing was sown, or more stood than were sown.
    #[error("record {record}: {stood} of {sown} containers cannot have stood")]
    Containers {
        /// Index of the record.
        record: usize,
        /// Containers sown.
        sown: u32,
        /// Containers that stood.
        stood: u32,
    },
    /// Grams from a sowing of which nothing stood.
    #[error("record {record}: there are grams, but no container stood")]
    GramsOfNothing {
        /// Index of the record.
        record: usize,
    },
    /// A frozen value that cannot be.
    #[error(
        "frozen value {choice}: {value} is no factor above 0 or, for survival, share above 0 to 1"
    )]
    FrozenValue {
        /// Index among the frozen values.
        choice: usize,
        /// The value.
        value: f64,
    },
    /// Survival frozen for more than one crop.
    #[error("frozen value {choice}: survival differs by crop; freeze it for a crop or narrower")]
    FrozenTooWide {
        /// Index among the frozen values.
        choice: usize,
    },
    /// An assumption that cannot be.
    #[error("assumption {0} must be finite and above 0, and a correlation below 1")]
    Assumption(&'static str),
    /// An interval of a probability that is none.
    #[error("the probability of an interval must be above 0 and below 1; it is {0}")]
    Probability(f64),
    /// A share asked about that is none.
    #[error("an expected share must be above 0 and at most 1; it is {0}")]
    ExpectedShare(f64),
}

fn is_positive(value: f64) -> bool {
    value.is_finite() && value > 0.0
}

pub(super) fn is_share(value: f64) -> bool {
    value > 0.0 && value <= 1.0
}

pub(super) fn tails(probability: f64) -> Result<(f64, f64), LearningError> {
    if probability > 0.0 && probability < 1.0 {
        Ok((0.5 * (1.0 - probability), 0.5 * (1.0 + probability)))
    } else {
        Err(LearningError::Probability(probability))
    }
}

pub(super) fn check_record(index: usize, record: &SowingRecord) -> Result<(), LearningError> {
    let (days, grams) = (record.days_to_first_cut, record.grams);
    let fields = [
        ("days_to_first_cut.observed", days.map(|days| days.observed)),
        ("days_to_first_cut.expected", days.map(|days| days.expected)),
        ("grams.observed", grams.map(|grams| grams.observed)),
        ("grams.expected", grams.map(|grams| grams.expected)),
    ];
    for (field, value) in fields {
        if let Some(value) = value.filter(|value| !is_positive(*value)) {
            return Err(LearningError::NotPositive {
                record: index,
                field,
                value,
            });
        }
    }
    if !is_share(record.expected_survival) {
        return Err(LearningError::NotAShare {
            record: index,
            value: record.expected_survival,
        });
    }
    let (sown, stood) = (
        record.containers_sown,
        record.containers_stood.unwrap_or_default(),
    );
    if sown == 0 || stood > sown {
        return Err(LearningError::Containers {
            record: index,
            sown,
            stood,
        });
    }
    if grams.is_some() && record.stood() == Some(0) {
        return Err(LearningError::GramsOfNothing { record: index });
    }
    Ok(())
}

pub(super) fn check_frozen(index: usize, frozen: &Frozen) -> Result<(), LearningError> {
    let (value, is_survival) = (frozen.value, frozen.quantity == Quantity::Survival);
    if !is_positive(value) || (is_survival && !is_share(value)) {
        return Err(LearningError::FrozenValue {
            choice: index,
            value,
        });
    }
    // A station has no level, so it is too wide as well.
    if is_survival && frozen.scope.level() < Some(Level::Crop) {
        return Err(LearningError::FrozenTooWide { choice: index });
    }
    Ok(())
}

pub(super) fn check_assumptions(assumptions: &Assumptions) -> Result<(), LearningError> {
    for (name, of) in [("days", assumptions.days), ("grams", assumptions.grams)] {
        if !is_positive(of.record)
            || !is_positive(of.station)
            || !of.levels.into_iter().all(is_positive)
        {
            return Err(LearningError::Assumption(name));
        }
    }
    if !is_positive(assumptions.survival_level) {
        return Err(LearningError::Assumption("survival_level"));
    }
    if !is_positive(assumptions.survival_station) {
        return Err(LearningError::Assumption("survival_station"));
    }
    let correlation = assumptions.correlation_within_sowing;
    if !is_positive(correlation) || correlation >= 1.0 {
        return Err(LearningError::Assumption("correlation_within_sowing"));
    }
    Ok(())
}
