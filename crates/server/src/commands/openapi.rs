//! `cotyl openapi`.

use crate::Outcome;

/// Prints the API document.
///
/// # Errors
/// When it cannot be written down.
pub fn print() -> Outcome {
    println!("{}", cotyl_api::openapi().to_pretty_json()?);
    Ok(())
}
