//! Activity coefficients of ions in water.
//!
//! `log γ = -A z² √I / (1 + B å √I) + b I` with the ion's own size and slope (Truesdell and Jones,
//! *J. Res. U.S. Geol. Survey* 2:233, 1974) where they are known, otherwise the equation of Davies
//! (*Ion Association*, 1962, with 0.3). Uncharged species have `log γ = 0.1 I`.
//!
//! Range: both are good to about 0.1 mol/kg for every ion and to 0.5 for univalent ones; Truesdell
//! and Jones fitted Ca²⁺, Mg²⁺, Na⁺, K⁺, Cl⁻ and SO₄²⁻ to chloride and sulfate solutions of 1 to
//! 2 mol/kg.

/// Ionic strength in mol/kg beyond which no figure is given.
pub const HIGHEST_IONIC_STRENGTH: f64 = 6.0;

/// Ionic strength in mol/kg at which the slope of Davies is held: beyond it his curve turns up.
const DAVIES_END: f64 = 0.5;

/// How an ion departs from the ideal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Size {
    /// Ångström and kg/mol of Truesdell and Jones.
    Fitted(f64, f64),
    /// The equation of Davies.
    Davies,
}

/// The coefficients of Debye and Hückel at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DebyeHueckel {
    /// kg^½ mol^-½.
    a: f64,
    /// kg^½ mol^-½ Å⁻¹.
    b: f64,
}

impl DebyeHueckel {
    /// At a temperature, from the dielectric constant (Malmberg and Maryott, *J. Res. NBS* 56:1,
    /// 1956) and the density of water (Kell's short formula).
    pub fn at(celsius: f64) -> Self {
        let kelvin = celsius + 273.15;
        let dielectric =
            87.740 - 0.400_08 * celsius + 9.398e-4 * celsius.powi(2) - 1.410e-6 * celsius.powi(3);
        let density = 1.0
            - (celsius + 288.9414) * (celsius - 3.9863).powi(2)
                / (508_929.2 * (celsius + 68.129_63));
        let product = dielectric * kelvin;
        Self {
            a: 1.824_8e6 * density.sqrt() / product.powf(1.5),
            b: 50.29 * density.sqrt() / product.sqrt(),
        }
    }

    /// Decimal logarithm of the activity coefficient.
    pub fn log_gamma(&self, charge: i32, size: Size, ionic_strength: f64) -> f64 {
        if charge == 0 {
            return 0.1 * ionic_strength;
        }
        let square = f64::from(charge * charge);
        let root = ionic_strength.sqrt();
        match size {
            Size::Fitted(angstrom, slope) => {
                -self.a * square * root / (1.0 + self.b * angstrom * root) + slope * ionic_strength
            }
            Size::Davies => {
                -self.a * square * (root / (1.0 + root) - 0.3 * ionic_strength.min(DAVIES_END))
            }
        }
    }
}
