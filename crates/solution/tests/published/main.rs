//! Figures of the crate against published ones. Every check prints its source, what was expected,
//! what came out and the deviation: `cargo test -p cotyl-solution --test published -- --nocapture`.
#![allow(clippy::unwrap_used)]

mod composition;
mod conductivity;
mod dose;
mod ph;
mod solubility;

/// How far a figure may be from a published one.
#[derive(Clone, Copy)]
pub enum Within {
    /// Percent of the published figure.
    Percent(f64),
    /// The unit of the figure.
    Units(f64),
}

/// Prints and asserts one figure.
#[track_caller]
pub fn check(what: &str, source: &str, expected: f64, got: f64, within: Within) {
    let (deviation, unit, most) = match within {
        Within::Percent(most) => ((got / expected - 1.0) * 100.0, " %", most),
        Within::Units(most) => (got - expected, "", most),
    };
    let line = format!(
        "{what}: expected {expected}, got {got:.5}, deviation {deviation:+.4}{unit} (allowed {most}) [{source}]"
    );
    println!("{line}");
    assert!(deviation.abs() <= most, "{line}");
}
