//! Faults of what a correction is asked with.

use crate::correction::Correction;
use crate::error::{SolutionError, celsius, ph, positive, within};

/// # Errors
/// [`SolutionError::Input`] naming the field.
pub fn checked(correction: &Correction<'_>) -> Result<(), SolutionError> {
    celsius("celsius", correction.celsius)?;
    let target = ph("target_ph", correction.target_ph)?;
    let (low, high) = correction.accepted_ph;
    accepted(correction.accepted_ph)?;
    if !(low..=high).contains(&target) {
        return Err(SolutionError::input(
            "accepted_ph",
            format!("{low} to {high} is not a range around the target {target}"),
        ));
    }
    let mut dosed = 0.0;
    for (index, reading) in correction.readings.iter().enumerate() {
        let field = format!("readings[{index}].ph");
        ph(&field, reading.ph)?;
        let field = format!("readings[{index}].dosed_grams_per_litre");
        let total = within(&field, reading.dosed_grams_per_litre, 0.0, 100.0, "g/L")?;
        if total < dosed {
            return Err(SolutionError::input(
                field,
                format!(
                    "{total} g/L is less than the {dosed} g/L before it: give the total so far"
                ),
            ));
        }
        dosed = total;
    }
    within("prior.factor", correction.prior.factor, 0.1, 10.0, "")?;
    within(
        "prior.log_spread",
        correction.prior.log_spread,
        0.01,
        2.0,
        "",
    )?;
    within("cautious_share", correction.cautious_share, 0.05, 0.9, "")?;
    positive(
        "most_grams_per_litre",
        correction.most_grams_per_litre,
        50.0,
        "g/L",
    )?;
    within("meter_error_ph", correction.meter_error_ph, 0.01, 0.5, "pH")?;
    Ok(())
}

/// # Errors
/// [`SolutionError::Input`] for what is no range of pH.
pub fn accepted((low, high): (f64, f64)) -> Result<(), SolutionError> {
    ph("accepted_ph", low)?;
    ph("accepted_ph", high)?;
    if low < high {
        return Ok(());
    }
    Err(SolutionError::input(
        "accepted_ph",
        format!("{low} to {high} is not a range"),
    ))
}
