//! Atomic masses.

/// An element.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Atom {
    /// Hydrogen.
    H,
    /// Boron.
    B,
    /// Carbon.
    C,
    /// Nitrogen.
    N,
    /// Oxygen.
    O,
    /// Sodium.
    Na,
    /// Magnesium.
    Mg,
    /// Phosphorus.
    P,
    /// Sulfur.
    S,
    /// Chlorine.
    Cl,
    /// Potassium.
    K,
    /// Calcium.
    Ca,
    /// Manganese.
    Mn,
    /// Iron.
    Fe,
    /// Copper.
    Cu,
    /// Zinc.
    Zn,
    /// Molybdenum.
    Mo,
}

impl Atom {
    /// Grams per mole: IUPAC standard atomic weights, abridged to five digits (Commission on
    /// Isotopic Abundances and Atomic Weights, 2021; conventional values where an interval is
    /// given).
    #[must_use]
    pub const fn grams_per_mole(self) -> f64 {
        match self {
            Self::H => 1.008,
            Self::B => 10.81,
            Self::C => 12.011,
            Self::N => 14.007,
            Self::O => 15.999,
            Self::Na => 22.990,
            Self::Mg => 24.305,
            Self::P => 30.974,
            Self::S => 32.06,
            Self::Cl => 35.45,
            Self::K => 39.098,
            Self::Ca => 40.078,
            Self::Mn => 54.938,
            Self::Fe => 55.845,
            Self::Cu => 63.546,
            Self::Zn => 65.38,
            Self::Mo => 95.95,
        }
    }
}

/// Grams per mole of a formula.
#[must_use]
pub fn grams_per_mole(formula: &[(Atom, f64)]) -> f64 {
    formula
        .iter()
        .map(|(atom, count)| atom.grams_per_mole() * count)
        .sum()
}
