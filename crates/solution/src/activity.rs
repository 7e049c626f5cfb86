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

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean activity coefficients at 25 °C: Robinson and Stokes, *Electrolyte Solutions*, appendix 8.10,
    /// from memory. The constants: 0.509 to 0.512 and 0.328 to 0.329 in handbooks.
    #[test]
    fn mean_coefficients_of_salts() {
        let water = DebyeHueckel::at(25.0);
        assert!((0.509..0.512).contains(&water.a) && (0.328..0.330).contains(&water.b));
        let (sodium, potassium) = (Size::Fitted(4.0, 0.075), Size::Fitted(3.5, 0.015));
        let (calcium, chloride) = (Size::Fitted(5.0, 0.165), Size::Fitted(3.5, 0.015));
        for (name, cation, size, molality, expected, percent) in [
            ("KCl", 1, potassium, 0.1, 0.770, 1.0),
            ("NaCl", 1, sodium, 0.1, 0.778, 1.0),
            ("NaCl", 1, sodium, 0.5, 0.681, 1.5),
            ("CaCl2", 2, calcium, 0.1, 0.518, 2.0),
            ("CaCl2", 2, calcium, 0.5, 0.448, 4.0),
        ] {
            let anions = f64::from(cation);
            let strength = 0.5 * (anions * anions + anions) * molality;
            let logs = water.log_gamma(cation, size, strength)
                + anions * water.log_gamma(-1, chloride, strength);
            let got = 10_f64.powf(logs / (1.0 + anions));
            let deviation = (got / expected - 1.0) * 100.0;
            let line = format!(
                "{name} {molality} mol/kg: expected {expected}, got {got:.4}, {deviation:+.2} %"
            );
            println!("{line}");
            assert!(deviation.abs() < percent, "{line}");
        }
    }

    #[test]
    fn coefficients_stay_in_bounds() {
        let water = DebyeHueckel::at(25.0);
        for step in 0..=600 {
            let strength = f64::from(step) / 100.0;
            for charge in -3..=3 {
                let log = water.log_gamma(charge, Size::Davies, strength);
                assert!(log.is_finite() && log.abs() < 4.0);
                assert!(charge == 0 || log <= 0.0, "{charge} at {strength}: {log}");
            }
        }
    }
}
