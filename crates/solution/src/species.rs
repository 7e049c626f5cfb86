//! Dissolved species: how each is made, its constant, its size and its conductivity.
//!
//! Constants at 25 °C and zero ionic strength, with their enthalpies:
//! - carbonic acid and the calcium carbonate pairs: Plummer and Busenberg, *Geochim. Cosmochim.
//!   Acta* 46:1011, 1982, with their own functions of temperature;
//! - phosphoric acid: NIST 46.3 (the first step) and the critical compilation of Nordstrom,
//!   Plummer, Langmuir, Busenberg, May, Jones and Parkhurst, ACS Symp. Ser. 416, 1990;
//! - the other pairs, boric acid, ammonia, hydrogen sulfate: the same compilation, all as collected
//!   in the data file `phreeqc.dat` of the US Geological Survey;
//! - citric acid: Bates and Pinching, *J. Am. Chem. Soc.* 71:1274, 1949 (from memory); its pairs with
//!   calcium and magnesium: NIST 46 (from memory); acetic acid 4.756 (from memory).
//!
//! The pair NaCO₃⁻ is left out on purpose: with it and these sizes the primary standard of 0.025 mol/kg
//! sodium hydrogen carbonate and sodium carbonate (pH 10.012) would come out 0.14 too low, without it
//! 0.01 too high.
//!
//! Sizes are those of Truesdell and Jones for the main ions, and those of the same data file for
//! the rest. Limiting conductivities at 25 °C in S cm²/mol are those of the *CRC Handbook* (Vanýsek),
//! from memory except calcium; pairs that carry charge are given 30 per mole and unit of charge,
//! an estimate.

use crate::activity::Size;
use crate::component::Component as C;

/// How an equilibrium constant goes with temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Constant {
    /// log K at 25 °C and the enthalpy in kJ/mol.
    Enthalpy(f64, f64),
    /// `a + b T + c/T + d log T + e/T² + f T²`, T in kelvin.
    Function([f64; 6]),
}

impl Constant {
    /// Decimal logarithm at a temperature.
    pub fn log_at(self, celsius: f64) -> f64 {
        let kelvin = celsius + 273.15;
        match self {
            Self::Enthalpy(log_k, kilojoules) => {
                // ln 10 times the gas constant in kJ/(mol K)
                let scale = std::f64::consts::LN_10 * 8.314_462_618e-3;
                log_k + kilojoules / scale * (1.0 / 298.15 - 1.0 / kelvin)
            }
            Self::Function([a, b, c, d, e, f]) => {
                let square = kelvin * kelvin;
                a + b * kelvin + c / kelvin + d * kelvin.log10() + e / square + f * square
            }
        }
    }
}

/// A dissolved species: at most one of each kind of component, and hydrogen ions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Species {
    /// Its formula.
    pub name: &'static str,
    /// The cation in it.
    pub cation: Option<C>,
    /// The anion, or the uncharged component, in it.
    pub anion: Option<C>,
    /// Hydrogen ions taken up beside the components.
    pub hydrogens: i32,
    /// Formation from the components.
    pub constant: Constant,
    /// Its size.
    pub size: Size,
    /// Limiting molar conductivity at 25 °C in S cm²/mol (of ions, not of charge).
    pub conductivity: f64,
}

impl Species {
    /// Charge.
    pub fn charge(&self) -> i32 {
        let of = |part: Option<C>| part.map_or(0, C::charge);
        of(self.cation) + of(self.anion) + self.hydrogens
    }
}

/// Self-ionisation of water, `log aH aOH` (`phreeqc.dat`).
pub const WATER: Constant = Constant::Function([
    293.292_27,
    0.136_083_3,
    -10_576.913,
    -123.731_58,
    0.0,
    -6.996_455e-5,
]);

/// CO₂(g) to CO₂(aq) in mol/kg per atmosphere (`phreeqc.dat`: -1.468, -4.776 kcal/mol at 25 °C).
pub const CARBON_DIOXIDE: Constant = Constant::Enthalpy(-1.468, -4.776 * KILOCALORIE);

/// Limiting conductivity of H⁺ and OH⁻ at 25 °C, S cm²/mol.
pub const HYDROGEN_CONDUCTIVITY: f64 = 349.65;
/// See [`HYDROGEN_CONDUCTIVITY`].
pub const HYDROXIDE_CONDUCTIVITY: f64 = 198.0;

/// Å of H⁺ and OH⁻.
pub const HYDROGEN_SIZE: Size = Size::Fitted(9.0, 0.0);
/// See [`HYDROGEN_SIZE`].
pub const HYDROXIDE_SIZE: Size = Size::Fitted(3.5, 0.0);

const KILOCALORIE: f64 = 4.184;

/// The form of a component that the equilibria start from.
const fn cation(name: &'static str, cation: C, size: Size, conductivity: f64) -> Species {
    Species {
        name,
        cation: Some(cation),
        anion: None,
        hydrogens: 0,
        constant: Constant::Enthalpy(0.0, 0.0),
        size,
        conductivity,
    }
}

const fn anion(name: &'static str, anion: C, size: Size, conductivity: f64) -> Species {
    acid(
        name,
        anion,
        0,
        Constant::Enthalpy(0.0, 0.0),
        size,
        conductivity,
    )
}

/// An anion with hydrogen ions.
const fn acid(
    name: &'static str,
    anion: C,
    hydrogens: i32,
    constant: Constant,
    size: Size,
    conductivity: f64,
) -> Species {
    Species {
        name,
        cation: None,
        anion: Some(anion),
        hydrogens,
        constant,
        size,
        conductivity,
    }
}

/// A pair, perhaps with hydrogen ions; enthalpy in kcal/mol.
const fn pair(
    name: &'static str,
    (cation, anion): (C, C),
    hydrogens: i32,
    (log_k, kilocalories): (f64, f64),
    size: Size,
    conductivity: f64,
) -> Species {
    Species {
        name,
        cation: Some(cation),
        anion: Some(anion),
        hydrogens,
        constant: heat(log_k, kilocalories),
        size,
        conductivity,
    }
}

/// log K and kcal/mol.
const fn heat(log_k: f64, kilocalories: f64) -> Constant {
    Constant::Enthalpy(log_k, kilocalories * KILOCALORIE)
}

const fn fitted(angstrom: f64) -> Size {
    Size::Fitted(angstrom, 0.0)
}

const DAVIES: Size = Size::Davies;
/// Limiting conductivity of a pair of one charge, S cm²/mol.
const PAIR: f64 = 30.0;

/// All species but H⁺ and OH⁻.
pub const SPECIES: &[Species] = &[
    cation("Ca2+", C::Calcium, Size::Fitted(5.0, 0.165), 118.94),
    cation("Mg2+", C::Magnesium, Size::Fitted(5.5, 0.20), 106.0),
    cation("K+", C::Potassium, Size::Fitted(3.5, 0.015), 73.48),
    cation("Na+", C::Sodium, Size::Fitted(4.0, 0.075), 50.08),
    cation("NH4+", C::Ammonium, fitted(2.5), 73.5),
    cation("Mn2+", C::Manganese, fitted(6.0), 107.0),
    cation("Zn2+", C::Zinc, fitted(5.0), 105.6),
    cation("Cu2+", C::Copper, fitted(6.0), 107.2),
    anion("NO3-", C::Nitrate, fitted(3.0), 71.42),
    anion("Cl-", C::Chloride, Size::Fitted(3.5, 0.015), 76.31),
    anion("SO4-2", C::Sulfate, Size::Fitted(5.0, -0.04), 160.0),
    anion("PO4-3", C::Phosphate, fitted(4.0), 278.4),
    anion("CO3-2", C::Carbonate, fitted(5.4), 138.6),
    anion("H3BO3", C::Borate, DAVIES, 0.0),
    anion("Citrate-3", C::Citrate, fitted(5.0), 210.6),
    anion("Acetate-", C::Acetate, fitted(4.5), 40.9),
    anion("MoO4-2", C::Molybdate, fitted(4.5), 149.0),
    anion("Urea", C::Urea, DAVIES, 0.0),
    anion("Iron chelate", C::Iron, DAVIES, 0.0),
    Species {
        hydrogens: -1,
        constant: heat(-12.78, 0.0),
        ..cation("CaOH+", C::Calcium, DAVIES, PAIR)
    },
    Species {
        hydrogens: -1,
        constant: heat(-11.44, 15.952),
        ..cation("MgOH+", C::Magnesium, fitted(6.5), PAIR)
    },
    Species {
        hydrogens: -1,
        constant: heat(-9.252, 12.48),
        conductivity: 0.0,
        ..cation("NH3", C::Ammonium, DAVIES, 0.0)
    },
    acid("HSO4-", C::Sulfate, 1, heat(1.988, 3.85), DAVIES, 52.0),
    acid(
        "HPO4-2",
        C::Phosphate,
        1,
        heat(12.346, -3.530),
        fitted(5.0),
        114.0,
    ),
    acid(
        "H2PO4-",
        C::Phosphate,
        2,
        heat(19.553, -4.520),
        fitted(5.4),
        36.0,
    ),
    acid(
        "H3PO4",
        C::Phosphate,
        3,
        Constant::Enthalpy(21.721, -10.1),
        DAVIES,
        0.0,
    ),
    acid(
        "HCO3-",
        C::Carbonate,
        1,
        Constant::Function([107.8871, 0.032_528_49, -5151.79, -38.925_61, 563_713.9, 0.0]),
        fitted(5.4),
        44.5,
    ),
    acid(
        "CO2",
        C::Carbonate,
        2,
        Constant::Function([
            464.1965,
            0.093_448_13,
            -26_986.16,
            -165.759_51,
            2_248_628.9,
            0.0,
        ]),
        DAVIES,
        0.0,
    ),
    acid("H2BO3-", C::Borate, -1, heat(-9.24, 3.224), DAVIES, 30.0),
    acid(
        "HCitrate-2",
        C::Citrate,
        1,
        heat(6.396, 0.8),
        fitted(4.5),
        100.0,
    ),
    acid(
        "H2Citrate-",
        C::Citrate,
        2,
        heat(11.157, 0.2),
        fitted(3.5),
        30.0,
    ),
    acid("H3Citrate", C::Citrate, 3, heat(14.285, -0.8), DAVIES, 0.0),
    acid("HAcetate", C::Acetate, 1, heat(4.756, 0.1), DAVIES, 0.0),
    pair(
        "CaSO4",
        (C::Calcium, C::Sulfate),
        0,
        (2.25, 1.325),
        DAVIES,
        0.0,
    ),
    pair(
        "CaHSO4+",
        (C::Calcium, C::Sulfate),
        1,
        (3.068, 3.85),
        DAVIES,
        PAIR,
    ),
    pair(
        "CaCO3",
        (C::Calcium, C::Carbonate),
        0,
        (3.224, 3.545),
        DAVIES,
        0.0,
    ),
    pair(
        "CaHCO3+",
        (C::Calcium, C::Carbonate),
        1,
        (11.435, -0.871),
        fitted(6.0),
        PAIR,
    ),
    pair(
        "CaPO4-",
        (C::Calcium, C::Phosphate),
        0,
        (6.459, 3.10),
        fitted(5.4),
        PAIR,
    ),
    pair(
        "CaHPO4",
        (C::Calcium, C::Phosphate),
        1,
        (15.085, -0.23),
        DAVIES,
        0.0,
    ),
    pair(
        "CaH2PO4+",
        (C::Calcium, C::Phosphate),
        2,
        (20.961, -1.12),
        fitted(5.4),
        PAIR,
    ),
    pair(
        "CaCitrate-",
        (C::Calcium, C::Citrate),
        0,
        (4.87, -2.0),
        DAVIES,
        PAIR,
    ),
    pair(
        "CaHCitrate",
        (C::Calcium, C::Citrate),
        1,
        (9.26, 0.0),
        DAVIES,
        0.0,
    ),
    pair(
        "CaH2Citrate+",
        (C::Calcium, C::Citrate),
        2,
        (12.257, 0.0),
        DAVIES,
        PAIR,
    ),
    pair(
        "MgSO4",
        (C::Magnesium, C::Sulfate),
        0,
        (2.37, 4.550),
        DAVIES,
        0.0,
    ),
    pair(
        "MgCO3",
        (C::Magnesium, C::Carbonate),
        0,
        (2.98, 2.713),
        DAVIES,
        0.0,
    ),
    pair(
        "MgHCO3+",
        (C::Magnesium, C::Carbonate),
        1,
        (11.399, -2.771),
        fitted(4.0),
        PAIR,
    ),
    pair(
        "MgPO4-",
        (C::Magnesium, C::Phosphate),
        0,
        (6.589, 3.10),
        fitted(5.4),
        PAIR,
    ),
    pair(
        "MgHPO4",
        (C::Magnesium, C::Phosphate),
        1,
        (15.216, -0.23),
        DAVIES,
        0.0,
    ),
    pair(
        "MgH2PO4+",
        (C::Magnesium, C::Phosphate),
        2,
        (21.066, -1.12),
        fitted(5.4),
        PAIR,
    ),
    pair(
        "MgCitrate-",
        (C::Magnesium, C::Citrate),
        0,
        (4.89, 2.0),
        DAVIES,
        PAIR,
    ),
    pair(
        "MgHCitrate",
        (C::Magnesium, C::Citrate),
        1,
        (8.91, 0.8),
        DAVIES,
        0.0,
    ),
    pair(
        "MgH2Citrate+",
        (C::Magnesium, C::Citrate),
        2,
        (12.2, 0.0),
        DAVIES,
        PAIR,
    ),
    pair(
        "KSO4-",
        (C::Potassium, C::Sulfate),
        0,
        (0.85, 2.250),
        fitted(5.4),
        PAIR,
    ),
    pair(
        "KHPO4-",
        (C::Potassium, C::Phosphate),
        1,
        (12.636, -3.53),
        fitted(5.4),
        PAIR,
    ),
    pair(
        "NaSO4-",
        (C::Sodium, C::Sulfate),
        0,
        (0.70, 1.120),
        fitted(5.4),
        PAIR,
    ),
    pair(
        "NaHCO3",
        (C::Sodium, C::Carbonate),
        1,
        (10.079, -4.56),
        DAVIES,
        0.0,
    ),
    pair(
        "NaHPO4-",
        (C::Sodium, C::Phosphate),
        1,
        (12.636, -3.53),
        fitted(5.4),
        PAIR,
    ),
    pair(
        "NH4SO4-",
        (C::Ammonium, C::Sulfate),
        0,
        (1.11, 0.0),
        DAVIES,
        PAIR,
    ),
    pair(
        "MnSO4",
        (C::Manganese, C::Sulfate),
        0,
        (2.25, 3.370),
        DAVIES,
        0.0,
    ),
    pair("ZnSO4", (C::Zinc, C::Sulfate), 0, (2.37, 1.36), DAVIES, 0.0),
    pair(
        "CuSO4",
        (C::Copper, C::Sulfate),
        0,
        (2.31, 1.220),
        DAVIES,
        0.0,
    ),
];

#[cfg(test)]
mod tests {
    use super::*;

    /// The speciation takes the first species for the components themselves.
    #[test]
    fn components_come_first_and_in_order() {
        for (component, species) in C::ALL.iter().zip(SPECIES) {
            assert_eq!(
                species.cation.or(species.anion),
                Some(*component),
                "{}",
                species.name
            );
            assert_eq!(species.hydrogens, 0);
            assert_eq!(species.charge(), component.charge(), "{}", species.name);
            assert!(species.constant.log_at(25.0).abs() < 1e-12);
        }
        for (index, species) in SPECIES.iter().enumerate() {
            assert!(
                SPECIES[..index]
                    .iter()
                    .all(|other| other.name != species.name)
            );
            let is_charged = species.charge() != 0;
            assert_eq!(species.conductivity > 0.0, is_charged, "{}", species.name);
        }
    }

    /// Water: CRC Handbook, 14.53 at 10 °C and 13.68 at 35 °C, from memory. Carbonic acid: Harned and
    /// Davis, 1943, 6.464 at 10 °C and 6.309 at 35 °C, and Harned and Scholes, 1941, 10.490 and 10.250, from
    /// memory. Phosphoric acid, second step: Bates and Acree, 1943, 7.254 at 10 °C and 7.185 at 35 °C, from
    /// memory. Ammonium: Bates and Pinching, 1949, 9.730 and 8.947, from memory.
    #[test]
    fn constants_by_temperature() {
        let log_of = |name: &str, celsius| {
            let species = SPECIES.iter().find(|species| species.name == name);
            species.expect("a species").constant.log_at(celsius)
        };
        let first = |celsius| log_of("CO2", celsius) - log_of("HCO3-", celsius);
        let dihydrogen = |celsius| log_of("H2PO4-", celsius) - log_of("HPO4-2", celsius);
        for (name, cold, warm, got_cold, got_warm) in [
            (
                "pKw",
                14.53,
                13.68,
                -WATER.log_at(10.0),
                -WATER.log_at(35.0),
            ),
            ("carbonic, first", 6.464, 6.309, first(10.0), first(35.0)),
            (
                "carbonic, second",
                10.490,
                10.250,
                log_of("HCO3-", 10.0),
                log_of("HCO3-", 35.0),
            ),
            (
                "phosphoric, second",
                7.254,
                7.185,
                dihydrogen(10.0),
                dihydrogen(35.0),
            ),
            (
                "ammonium",
                9.730,
                8.947,
                -log_of("NH3", 10.0),
                -log_of("NH3", 35.0),
            ),
        ] {
            println!("{name}: expected {cold} and {warm}, got {got_cold:.3} and {got_warm:.3}");
            assert!(
                (got_cold - cold).abs() < 0.03,
                "{name} at 10 °C: {got_cold}"
            );
            assert!(
                (got_warm - warm).abs() < 0.03,
                "{name} at 35 °C: {got_warm}"
            );
        }
    }
}
