//! Pure substances that fertilisers, acids and bases are made of.

use crate::atom::{Atom, grams_per_mole};
use crate::component::{COMPONENTS, Component};

use Component as C;

/// A pure substance. What its ions leave over in charge is hydrogen or hydroxide ions, so that
/// acids and bases need no further word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Substance {
    /// KNO₃.
    PotassiumNitrate,
    /// Ca(NO₃)₂·4H₂O, the pure tetrahydrate.
    CalciumNitrateTetrahydrate,
    /// 5Ca(NO₃)₂·NH₄NO₃·10H₂O, the double salt sold for greenhouses.
    CalciumAmmoniumNitrate,
    /// Mg(NO₃)₂·6H₂O.
    MagnesiumNitrateHexahydrate,
    /// MgSO₄·7H₂O.
    MagnesiumSulfateHeptahydrate,
    /// K₂SO₄.
    PotassiumSulfate,
    /// KH₂PO₄.
    PotassiumDihydrogenPhosphate,
    /// K₂HPO₄.
    DipotassiumHydrogenPhosphate,
    /// Na₂HPO₄.
    DisodiumHydrogenPhosphate,
    /// NH₄H₂PO₄.
    AmmoniumDihydrogenPhosphate,
    /// NH₄NO₃.
    AmmoniumNitrate,
    /// (NH₄)₂SO₄.
    AmmoniumSulfate,
    /// CO(NH₂)₂.
    Urea,
    /// CaCl₂·2H₂O.
    CalciumChlorideDihydrate,
    /// CaSO₄·2H₂O, gypsum.
    CalciumSulfateDihydrate,
    /// KCl.
    PotassiumChloride,
    /// NaCl.
    SodiumChloride,
    /// NaHCO₃.
    SodiumHydrogenCarbonate,
    /// Na₂CO₃.
    SodiumCarbonate,
    /// Na₂B₄O₇·10H₂O, borax.
    Borax,
    /// H₃BO₃.
    BoricAcid,
    /// MnSO₄·H₂O.
    ManganeseSulfateMonohydrate,
    /// ZnSO₄·7H₂O.
    ZincSulfateHeptahydrate,
    /// CuSO₄·5H₂O.
    CopperSulfatePentahydrate,
    /// Na₂MoO₄·2H₂O.
    SodiumMolybdateDihydrate,
    /// H₃PO₄.
    PhosphoricAcid,
    /// HNO₃.
    NitricAcid,
    /// H₂SO₄.
    SulfuricAcid,
    /// C₆H₈O₇.
    CitricAcid,
    /// CH₃COOH.
    AceticAcid,
    /// KOH.
    PotassiumHydroxide,
    /// K₂CO₃.
    PotassiumCarbonate,
    /// KHCO₃.
    PotassiumHydrogenCarbonate,
}

/// Hydrogen and oxygen of a formula beside its components, as (hydrogen, oxygen); negative where
/// the components, as they are counted, hold more than the substance does.
type Rest = (f64, f64);

impl Substance {
    /// All of them.
    pub const ALL: [Self; 33] = [
        Self::PotassiumNitrate,
        Self::CalciumNitrateTetrahydrate,
        Self::CalciumAmmoniumNitrate,
        Self::MagnesiumNitrateHexahydrate,
        Self::MagnesiumSulfateHeptahydrate,
        Self::PotassiumSulfate,
        Self::PotassiumDihydrogenPhosphate,
        Self::DipotassiumHydrogenPhosphate,
        Self::DisodiumHydrogenPhosphate,
        Self::AmmoniumDihydrogenPhosphate,
        Self::AmmoniumNitrate,
        Self::AmmoniumSulfate,
        Self::Urea,
        Self::CalciumChlorideDihydrate,
        Self::CalciumSulfateDihydrate,
        Self::PotassiumChloride,
        Self::SodiumChloride,
        Self::SodiumHydrogenCarbonate,
        Self::SodiumCarbonate,
        Self::Borax,
        Self::BoricAcid,
        Self::ManganeseSulfateMonohydrate,
        Self::ZincSulfateHeptahydrate,
        Self::CopperSulfatePentahydrate,
        Self::SodiumMolybdateDihydrate,
        Self::PhosphoricAcid,
        Self::NitricAcid,
        Self::SulfuricAcid,
        Self::CitricAcid,
        Self::AceticAcid,
        Self::PotassiumHydroxide,
        Self::PotassiumCarbonate,
        Self::PotassiumHydrogenCarbonate,
    ];

    /// The name of a field that holds it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::PotassiumNitrate => "potassium_nitrate",
            Self::CalciumNitrateTetrahydrate => "calcium_nitrate_tetrahydrate",
            Self::CalciumAmmoniumNitrate => "calcium_ammonium_nitrate",
            Self::MagnesiumNitrateHexahydrate => "magnesium_nitrate_hexahydrate",
            Self::MagnesiumSulfateHeptahydrate => "magnesium_sulfate_heptahydrate",
            Self::PotassiumSulfate => "potassium_sulfate",
            Self::PotassiumDihydrogenPhosphate => "potassium_dihydrogen_phosphate",
            Self::DipotassiumHydrogenPhosphate => "dipotassium_hydrogen_phosphate",
            Self::DisodiumHydrogenPhosphate => "disodium_hydrogen_phosphate",
            Self::AmmoniumDihydrogenPhosphate => "ammonium_dihydrogen_phosphate",
            Self::AmmoniumNitrate => "ammonium_nitrate",
            Self::AmmoniumSulfate => "ammonium_sulfate",
            Self::Urea => "urea",
            Self::CalciumChlorideDihydrate => "calcium_chloride_dihydrate",
            Self::CalciumSulfateDihydrate => "calcium_sulfate_dihydrate",
            Self::PotassiumChloride => "potassium_chloride",
            Self::SodiumChloride => "sodium_chloride",
            Self::SodiumHydrogenCarbonate => "sodium_hydrogen_carbonate",
            Self::SodiumCarbonate => "sodium_carbonate",
            Self::Borax => "borax",
            Self::BoricAcid => "boric_acid",
            Self::ManganeseSulfateMonohydrate => "manganese_sulfate_monohydrate",
            Self::ZincSulfateHeptahydrate => "zinc_sulfate_heptahydrate",
            Self::CopperSulfatePentahydrate => "copper_sulfate_pentahydrate",
            Self::SodiumMolybdateDihydrate => "sodium_molybdate_dihydrate",
            Self::PhosphoricAcid => "phosphoric_acid",
            Self::NitricAcid => "nitric_acid",
            Self::SulfuricAcid => "sulfuric_acid",
            Self::CitricAcid => "citric_acid",
            Self::AceticAcid => "acetic_acid",
            Self::PotassiumHydroxide => "potassium_hydroxide",
            Self::PotassiumCarbonate => "potassium_carbonate",
            Self::PotassiumHydrogenCarbonate => "potassium_hydrogen_carbonate",
        }
    }

    /// The substance of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL
            .into_iter()
            .find(|substance| substance.name() == name)
    }

    /// Moles of each component in one mole, and the hydrogen and oxygen beside them.
    const fn parts(self) -> (&'static [(Component, f64)], Rest) {
        match self {
            Self::PotassiumNitrate => (&[(C::Potassium, 1.0), (C::Nitrate, 1.0)], (0.0, 0.0)),
            Self::CalciumNitrateTetrahydrate => {
                (&[(C::Calcium, 1.0), (C::Nitrate, 2.0)], (8.0, 4.0))
            }
            Self::CalciumAmmoniumNitrate => (
                &[(C::Calcium, 5.0), (C::Ammonium, 1.0), (C::Nitrate, 11.0)],
                (20.0, 10.0),
            ),
            Self::MagnesiumNitrateHexahydrate => {
                (&[(C::Magnesium, 1.0), (C::Nitrate, 2.0)], (12.0, 6.0))
            }
            Self::MagnesiumSulfateHeptahydrate => {
                (&[(C::Magnesium, 1.0), (C::Sulfate, 1.0)], (14.0, 7.0))
            }
            Self::PotassiumSulfate => (&[(C::Potassium, 2.0), (C::Sulfate, 1.0)], (0.0, 0.0)),
            Self::PotassiumDihydrogenPhosphate => {
                (&[(C::Potassium, 1.0), (C::Phosphate, 1.0)], (2.0, 0.0))
            }
            Self::DipotassiumHydrogenPhosphate => {
                (&[(C::Potassium, 2.0), (C::Phosphate, 1.0)], (1.0, 0.0))
            }
            Self::DisodiumHydrogenPhosphate => {
                (&[(C::Sodium, 2.0), (C::Phosphate, 1.0)], (1.0, 0.0))
            }
            Self::AmmoniumDihydrogenPhosphate => {
                (&[(C::Ammonium, 1.0), (C::Phosphate, 1.0)], (2.0, 0.0))
            }
            Self::AmmoniumNitrate => (&[(C::Ammonium, 1.0), (C::Nitrate, 1.0)], (0.0, 0.0)),
            Self::AmmoniumSulfate => (&[(C::Ammonium, 2.0), (C::Sulfate, 1.0)], (0.0, 0.0)),
            Self::Urea => (&[(C::Urea, 1.0)], (0.0, 0.0)),
            Self::CalciumChlorideDihydrate => {
                (&[(C::Calcium, 1.0), (C::Chloride, 2.0)], (4.0, 2.0))
            }
            Self::CalciumSulfateDihydrate => (&[(C::Calcium, 1.0), (C::Sulfate, 1.0)], (4.0, 2.0)),
            Self::PotassiumChloride => (&[(C::Potassium, 1.0), (C::Chloride, 1.0)], (0.0, 0.0)),
            Self::SodiumChloride => (&[(C::Sodium, 1.0), (C::Chloride, 1.0)], (0.0, 0.0)),
            Self::SodiumHydrogenCarbonate => (&[(C::Sodium, 1.0), (C::Carbonate, 1.0)], (1.0, 0.0)),
            Self::SodiumCarbonate => (&[(C::Sodium, 2.0), (C::Carbonate, 1.0)], (0.0, 0.0)),
            // 4 H₃BO₃ hold 12 hydrogen and 12 oxygen, borax with its water 20 and 17
            Self::Borax => (&[(C::Sodium, 2.0), (C::Borate, 4.0)], (8.0, 5.0)),
            Self::BoricAcid => (&[(C::Borate, 1.0)], (0.0, 0.0)),
            Self::ManganeseSulfateMonohydrate => {
                (&[(C::Manganese, 1.0), (C::Sulfate, 1.0)], (2.0, 1.0))
            }
            Self::ZincSulfateHeptahydrate => (&[(C::Zinc, 1.0), (C::Sulfate, 1.0)], (14.0, 7.0)),
            Self::CopperSulfatePentahydrate => {
                (&[(C::Copper, 1.0), (C::Sulfate, 1.0)], (10.0, 5.0))
            }
            Self::SodiumMolybdateDihydrate => {
                (&[(C::Sodium, 2.0), (C::Molybdate, 1.0)], (4.0, 2.0))
            }
            Self::PhosphoricAcid => (&[(C::Phosphate, 1.0)], (3.0, 0.0)),
            Self::NitricAcid => (&[(C::Nitrate, 1.0)], (1.0, 0.0)),
            Self::SulfuricAcid => (&[(C::Sulfate, 1.0)], (2.0, 0.0)),
            Self::CitricAcid => (&[(C::Citrate, 1.0)], (3.0, 0.0)),
            Self::AceticAcid => (&[(C::Acetate, 1.0)], (1.0, 0.0)),
            Self::PotassiumHydroxide => (&[(C::Potassium, 1.0)], (1.0, 1.0)),
            Self::PotassiumCarbonate => (&[(C::Potassium, 2.0), (C::Carbonate, 1.0)], (0.0, 0.0)),
            Self::PotassiumHydrogenCarbonate => {
                (&[(C::Potassium, 1.0), (C::Carbonate, 1.0)], (1.0, 0.0))
            }
        }
    }

    /// Moles of each component in one mole.
    #[must_use]
    pub const fn components(self) -> &'static [(Component, f64)] {
        self.parts().0
    }

    /// Grams per mole.
    #[must_use]
    pub fn grams_per_mole(self) -> f64 {
        let (components, (hydrogen, oxygen)) = self.parts();
        let held: f64 = components
            .iter()
            .map(|(component, count)| count * component.grams_per_mole())
            .sum();
        held + grams_per_mole(&[(Atom::H, hydrogen), (Atom::O, oxygen)])
    }

    /// Moles of each component in one gram.
    #[must_use]
    pub fn moles_per_gram(self) -> [f64; COMPONENTS] {
        let mut moles = [0.0; COMPONENTS];
        for (component, count) in self.components() {
            moles[component.index()] += count / self.grams_per_mole();
        }
        moles
    }

    /// Whether it is put in to lower or raise the pH.
    #[must_use]
    pub const fn adjusts(self) -> Option<Adjusts> {
        match self {
            Self::PhosphoricAcid
            | Self::NitricAcid
            | Self::SulfuricAcid
            | Self::CitricAcid
            | Self::AceticAcid => Some(Adjusts::Down),
            Self::PotassiumHydroxide
            | Self::PotassiumCarbonate
            | Self::PotassiumHydrogenCarbonate => Some(Adjusts::Up),
            _ => None,
        }
    }
}

/// Which way an adjuster moves the pH.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Adjusts {
    /// An acid: down.
    Down,
    /// A base: up.
    Up,
}
