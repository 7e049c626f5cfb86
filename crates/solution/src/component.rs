//! What is counted in a solution: the components of which all its dissolved species are made.

use crate::atom::Atom;

/// A component of a solution. Acid-base forms and ion pairs are made of these and hydrogen ions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Component {
    /// Ca²⁺.
    Calcium,
    /// Mg²⁺.
    Magnesium,
    /// K⁺.
    Potassium,
    /// Na⁺.
    Sodium,
    /// NH₄⁺ and NH₃.
    Ammonium,
    /// Mn²⁺.
    Manganese,
    /// Zn²⁺.
    Zinc,
    /// Cu²⁺.
    Copper,
    /// NO₃⁻.
    Nitrate,
    /// Cl⁻.
    Chloride,
    /// SO₄²⁻ and HSO₄⁻.
    Sulfate,
    /// Orthophosphate in all its forms.
    Phosphate,
    /// Carbon dioxide, hydrogen carbonate and carbonate.
    Carbonate,
    /// Boric acid and borate.
    Borate,
    /// Citric acid and its anions.
    Citrate,
    /// Acetic acid and acetate.
    Acetate,
    /// MoO₄²⁻.
    Molybdate,
    /// CO(NH₂)₂, which carries no charge.
    Urea,
    /// Iron, taken as held by its chelate: the ion and its own counter-ion are left out of the
    /// charge balance together.
    Iron,
}

/// Number of components.
pub const COMPONENTS: usize = 19;

impl Component {
    /// All of them, in the order of their index.
    pub const ALL: [Self; COMPONENTS] = [
        Self::Calcium,
        Self::Magnesium,
        Self::Potassium,
        Self::Sodium,
        Self::Ammonium,
        Self::Manganese,
        Self::Zinc,
        Self::Copper,
        Self::Nitrate,
        Self::Chloride,
        Self::Sulfate,
        Self::Phosphate,
        Self::Carbonate,
        Self::Borate,
        Self::Citrate,
        Self::Acetate,
        Self::Molybdate,
        Self::Urea,
        Self::Iron,
    ];

    /// Position in [`Self::ALL`].
    #[must_use]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// Charge of the form that the equilibria start from (PO₄³⁻, CO₃²⁻, H₃BO₃, NH₄⁺, ...).
    #[must_use]
    pub const fn charge(self) -> i32 {
        match self {
            Self::Calcium | Self::Magnesium | Self::Manganese | Self::Zinc | Self::Copper => 2,
            Self::Potassium | Self::Sodium | Self::Ammonium => 1,
            Self::Nitrate | Self::Chloride | Self::Acetate => -1,
            Self::Sulfate | Self::Carbonate | Self::Molybdate => -2,
            Self::Phosphate | Self::Citrate => -3,
            Self::Borate | Self::Urea | Self::Iron => 0,
        }
    }

    /// Charge carried near pH 4.5, where alkalinity ends: the form a neutral salt of it has.
    #[must_use]
    pub const fn salt_charge(self) -> i32 {
        match self {
            Self::Phosphate => -1,
            Self::Carbonate => 0,
            other => other.charge(),
        }
    }

    /// Atoms of the form that the equilibria start from.
    #[must_use]
    pub const fn atoms(self) -> &'static [(Atom, f64)] {
        match self {
            Self::Calcium => &[(Atom::Ca, 1.0)],
            Self::Magnesium => &[(Atom::Mg, 1.0)],
            Self::Potassium => &[(Atom::K, 1.0)],
            Self::Sodium => &[(Atom::Na, 1.0)],
            Self::Ammonium => &[(Atom::N, 1.0), (Atom::H, 4.0)],
            Self::Manganese => &[(Atom::Mn, 1.0)],
            Self::Zinc => &[(Atom::Zn, 1.0)],
            Self::Copper => &[(Atom::Cu, 1.0)],
            Self::Nitrate => &[(Atom::N, 1.0), (Atom::O, 3.0)],
            Self::Chloride => &[(Atom::Cl, 1.0)],
            Self::Sulfate => &[(Atom::S, 1.0), (Atom::O, 4.0)],
            Self::Phosphate => &[(Atom::P, 1.0), (Atom::O, 4.0)],
            Self::Carbonate => &[(Atom::C, 1.0), (Atom::O, 3.0)],
            Self::Borate => &[(Atom::B, 1.0), (Atom::O, 3.0), (Atom::H, 3.0)],
            Self::Citrate => &[(Atom::C, 6.0), (Atom::H, 5.0), (Atom::O, 7.0)],
            Self::Acetate => &[(Atom::C, 2.0), (Atom::H, 3.0), (Atom::O, 2.0)],
            Self::Molybdate => &[(Atom::Mo, 1.0), (Atom::O, 4.0)],
            Self::Urea => &[
                (Atom::C, 1.0),
                (Atom::O, 1.0),
                (Atom::N, 2.0),
                (Atom::H, 4.0),
            ],
            Self::Iron => &[(Atom::Fe, 1.0)],
        }
    }

    /// Grams per mole of the form that the equilibria start from.
    #[must_use]
    pub fn grams_per_mole(self) -> f64 {
        crate::atom::grams_per_mole(self.atoms())
    }
}
