//! Nutrients as growers count them, and the ways a label states them.

use crate::atom::{Atom, grams_per_mole};
use crate::component::{COMPONENTS, Component};
use crate::error::{SolutionError, within};

/// An element of a solution, in mg/L of the element; nitrogen by its three forms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Nutrient {
    /// N in nitrate.
    NitrateNitrogen,
    /// N in ammonium.
    AmmoniumNitrogen,
    /// N in urea.
    UreaNitrogen,
    /// P.
    Phosphorus,
    /// K.
    Potassium,
    /// Ca.
    Calcium,
    /// Mg.
    Magnesium,
    /// S, as sulfate.
    Sulfur,
    /// Fe.
    Iron,
    /// Mn.
    Manganese,
    /// Zn.
    Zinc,
    /// B.
    Boron,
    /// Cu.
    Copper,
    /// Mo.
    Molybdenum,
    /// Na: not a nutrient of these crops, but watched.
    Sodium,
    /// Cl: likewise.
    Chlorine,
}

/// Number of nutrients.
pub const NUTRIENTS: usize = 16;

impl Nutrient {
    /// All of them, in the order of their index.
    pub const ALL: [Self; NUTRIENTS] = [
        Self::NitrateNitrogen,
        Self::AmmoniumNitrogen,
        Self::UreaNitrogen,
        Self::Phosphorus,
        Self::Potassium,
        Self::Calcium,
        Self::Magnesium,
        Self::Sulfur,
        Self::Iron,
        Self::Manganese,
        Self::Zinc,
        Self::Boron,
        Self::Copper,
        Self::Molybdenum,
        Self::Sodium,
        Self::Chlorine,
    ];

    /// The component that holds it, and how many of its atoms one mole of that holds.
    #[must_use]
    pub const fn component(self) -> (Component, f64) {
        match self {
            Self::NitrateNitrogen => (Component::Nitrate, 1.0),
            Self::AmmoniumNitrogen => (Component::Ammonium, 1.0),
            Self::UreaNitrogen => (Component::Urea, 2.0),
            Self::Phosphorus => (Component::Phosphate, 1.0),
            Self::Potassium => (Component::Potassium, 1.0),
            Self::Calcium => (Component::Calcium, 1.0),
            Self::Magnesium => (Component::Magnesium, 1.0),
            Self::Sulfur => (Component::Sulfate, 1.0),
            Self::Iron => (Component::Iron, 1.0),
            Self::Manganese => (Component::Manganese, 1.0),
            Self::Zinc => (Component::Zinc, 1.0),
            Self::Boron => (Component::Borate, 1.0),
            Self::Copper => (Component::Copper, 1.0),
            Self::Molybdenum => (Component::Molybdate, 1.0),
            Self::Sodium => (Component::Sodium, 1.0),
            Self::Chlorine => (Component::Chloride, 1.0),
        }
    }

    /// The element.
    #[must_use]
    pub const fn atom(self) -> Atom {
        match self {
            Self::NitrateNitrogen | Self::AmmoniumNitrogen | Self::UreaNitrogen => Atom::N,
            Self::Phosphorus => Atom::P,
            Self::Potassium => Atom::K,
            Self::Calcium => Atom::Ca,
            Self::Magnesium => Atom::Mg,
            Self::Sulfur => Atom::S,
            Self::Iron => Atom::Fe,
            Self::Manganese => Atom::Mn,
            Self::Zinc => Atom::Zn,
            Self::Boron => Atom::B,
            Self::Copper => Atom::Cu,
            Self::Molybdenum => Atom::Mo,
            Self::Sodium => Atom::Na,
            Self::Chlorine => Atom::Cl,
        }
    }

    /// The name of a field that holds it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::NitrateNitrogen => "nitrate_nitrogen",
            Self::AmmoniumNitrogen => "ammonium_nitrogen",
            Self::UreaNitrogen => "urea_nitrogen",
            Self::Phosphorus => "phosphorus",
            Self::Potassium => "potassium",
            Self::Calcium => "calcium",
            Self::Magnesium => "magnesium",
            Self::Sulfur => "sulfur",
            Self::Iron => "iron",
            Self::Manganese => "manganese",
            Self::Zinc => "zinc",
            Self::Boron => "boron",
            Self::Copper => "copper",
            Self::Molybdenum => "molybdenum",
            Self::Sodium => "sodium",
            Self::Chlorine => "chlorine",
        }
    }

    /// The nutrient of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL
            .into_iter()
            .find(|nutrient| nutrient.name() == name)
    }

    /// Milligrams of the element per mole of its component.
    pub(crate) fn milligrams_per_mole(self) -> f64 {
        self.component().1 * self.atom().grams_per_mole() * 1000.0
    }
}

/// Milligrams per litre of each nutrient.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Nutrients([f64; NUTRIENTS]);

/// More of one nutrient than any solution holds, in mg/L.
const MOST_MILLIGRAMS_PER_LITRE: f64 = 200_000.0;

impl Nutrients {
    /// From pairs of nutrient and mg/L; a nutrient named twice is added up.
    ///
    /// # Errors
    /// [`SolutionError::Input`] naming the nutrient that is negative, not a number or absurd.
    pub fn new(
        milligrams_per_litre: impl IntoIterator<Item = (Nutrient, f64)>,
    ) -> Result<Self, SolutionError> {
        let mut nutrients = Self::default();
        for (nutrient, amount) in milligrams_per_litre {
            let amount = within(
                nutrient.name(),
                amount,
                0.0,
                MOST_MILLIGRAMS_PER_LITRE,
                "mg/L",
            )?;
            nutrients.0[nutrient as usize] += amount;
        }
        Ok(nutrients)
    }

    /// Milligrams per litre of one nutrient.
    #[must_use]
    pub const fn get(&self, nutrient: Nutrient) -> f64 {
        self.0[nutrient as usize]
    }

    /// Milligrams per litre of nitrogen in all forms.
    #[must_use]
    pub fn nitrogen(&self) -> f64 {
        self.0[..3].iter().sum()
    }

    /// Each nutrient with its mg/L.
    pub fn iter(&self) -> impl Iterator<Item = (Nutrient, f64)> + '_ {
        Nutrient::ALL.into_iter().zip(self.0)
    }

    /// From moles per litre of each component.
    pub(crate) fn of_moles(moles: &[f64; COMPONENTS]) -> Self {
        Self(
            Nutrient::ALL.map(|nutrient| {
                moles[nutrient.component().0.index()] * nutrient.milligrams_per_mole()
            }),
        )
    }

    /// Moles per litre of each component.
    pub(crate) fn moles(&self) -> [f64; COMPONENTS] {
        let mut moles = [0.0; COMPONENTS];
        for (nutrient, amount) in self.iter() {
            moles[nutrient.component().0.index()] += amount / nutrient.milligrams_per_mole();
        }
        moles
    }
}

/// How a label states an amount: as the element, or as an oxide that is not in the bag.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum LabelItem {
    /// The element itself.
    Element(Nutrient),
    /// P₂O₅.
    PhosphorusPentoxide,
    /// K₂O.
    PotassiumOxide,
    /// CaO.
    CalciumOxide,
    /// MgO.
    MagnesiumOxide,
    /// SO₃.
    SulfurTrioxide,
    /// SO₄.
    Sulfate,
}

impl LabelItem {
    /// The forms that are not the element itself.
    pub const OXIDES: [Self; 6] = [
        Self::PhosphorusPentoxide,
        Self::PotassiumOxide,
        Self::CalciumOxide,
        Self::MagnesiumOxide,
        Self::SulfurTrioxide,
        Self::Sulfate,
    ];

    /// The item of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::OXIDES
            .into_iter()
            .chain(Nutrient::ALL.map(Self::Element))
            .find(|item| item.name() == name)
    }

    /// The nutrient that is meant.
    #[must_use]
    pub const fn nutrient(self) -> Nutrient {
        match self {
            Self::Element(nutrient) => nutrient,
            Self::PhosphorusPentoxide => Nutrient::Phosphorus,
            Self::PotassiumOxide => Nutrient::Potassium,
            Self::CalciumOxide => Nutrient::Calcium,
            Self::MagnesiumOxide => Nutrient::Magnesium,
            Self::SulfurTrioxide | Self::Sulfate => Nutrient::Sulfur,
        }
    }

    /// Grams of the element in a gram of what the label states.
    #[must_use]
    pub fn element_fraction(self) -> f64 {
        let (atom, count, formula): (Atom, f64, &[(Atom, f64)]) = match self {
            Self::Element(_) => return 1.0,
            Self::PhosphorusPentoxide => (Atom::P, 2.0, &[(Atom::P, 2.0), (Atom::O, 5.0)]),
            Self::PotassiumOxide => (Atom::K, 2.0, &[(Atom::K, 2.0), (Atom::O, 1.0)]),
            Self::CalciumOxide => (Atom::Ca, 1.0, &[(Atom::Ca, 1.0), (Atom::O, 1.0)]),
            Self::MagnesiumOxide => (Atom::Mg, 1.0, &[(Atom::Mg, 1.0), (Atom::O, 1.0)]),
            Self::SulfurTrioxide => (Atom::S, 1.0, &[(Atom::S, 1.0), (Atom::O, 3.0)]),
            Self::Sulfate => (Atom::S, 1.0, &[(Atom::S, 1.0), (Atom::O, 4.0)]),
        };
        count * atom.grams_per_mole() / grams_per_mole(formula)
    }

    /// The name of a field that holds it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Element(nutrient) => nutrient.name(),
            Self::PhosphorusPentoxide => "phosphorus_pentoxide",
            Self::PotassiumOxide => "potassium_oxide",
            Self::CalciumOxide => "calcium_oxide",
            Self::MagnesiumOxide => "magnesium_oxide",
            Self::SulfurTrioxide => "sulfur_trioxide",
            Self::Sulfate => "sulfate",
        }
    }
}
