//! What a calculation can answer instead of a figure: a fault of the input, or an honest "no answer".

/// Something wrong with one field of the input.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{field}: {message}")]
pub struct InputFault {
    /// The field, as the caller's type names it.
    pub field: String,
    /// What is wrong, with the figures and what would be accepted.
    pub message: String,
}

/// Why there is no figure.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SolutionError {
    /// The input is wrong.
    #[error(transparent)]
    Input(#[from] InputFault),
    /// The input is sound, but the method finds no answer, or none that it may be trusted with.
    #[error("no answer: {0}")]
    NoAnswer(String),
}

impl SolutionError {
    /// A fault of one field.
    pub(crate) fn input(field: impl Into<String>, message: impl Into<String>) -> Self {
        InputFault {
            field: field.into(),
            message: message.into(),
        }
        .into()
    }

    /// The field at fault, where the input is.
    #[must_use]
    pub fn field(&self) -> Option<&str> {
        match self {
            Self::Input(fault) => Some(&fault.field),
            Self::NoAnswer(_) => None,
        }
    }
}

/// The value itself when it is a number from `least` to `most`.
pub(crate) fn within(
    field: &str,
    value: f64,
    least: f64,
    most: f64,
    unit: &str,
) -> Result<f64, SolutionError> {
    if !value.is_finite() {
        return Err(SolutionError::input(
            field,
            format!("{value} is not a number; give {least} to {most} {unit}"),
        ));
    }
    if value < least || value > most {
        return Err(SolutionError::input(
            field,
            format!("{value} {unit} is not between {least} and {most} {unit}"),
        ));
    }
    Ok(value)
}

/// The value itself when it is more than nothing and at most `most`.
pub(crate) fn positive(
    field: &str,
    value: f64,
    most: f64,
    unit: &str,
) -> Result<f64, SolutionError> {
    if value == 0.0 {
        return Err(SolutionError::input(
            field,
            format!("it must be more than 0 {unit}"),
        ));
    }
    within(field, value, 0.0, most, unit)
}

/// A pH that water can have: 0 to 14.
pub(crate) fn ph(field: &str, value: f64) -> Result<f64, SolutionError> {
    within(field, value, 0.0, 14.0, "pH")
}

/// A temperature at which the constants here hold: 0 to 50 °C.
pub(crate) fn celsius(field: &str, value: f64) -> Result<f64, SolutionError> {
    within(field, value, 0.0, 50.0, "°C")
}
