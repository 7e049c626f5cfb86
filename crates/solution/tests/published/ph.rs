//! pH standards, pure solutions, nutrient solution, air, alkalinity.

use cotyl_solution::{
    Air, Alkalinity, Component, Conditions, Solution, equilibrium, hydrogen_carbonate_water,
    water_of_alkalinity,
};

use Component as C;

use crate::{Within, check};

/// Hoagland solution 1 at a share of its strength, per kilogram of water.
pub fn hoagland(strength: f64) -> Solution {
    Solution::of_moles_per_kilogram(
        [
            (C::Nitrate, 0.015),
            (C::Phosphate, 0.001),
            (C::Potassium, 0.006),
            (C::Calcium, 0.005),
            (C::Magnesium, 0.002),
            (C::Sulfate, 0.002),
        ]
        .map(|(component, amount)| (component, amount * strength)),
    )
    .unwrap()
}

fn ph_at(amounts: &[(Component, f64)], celsius: f64) -> f64 {
    let solution = Solution::of_moles_per_kilogram(amounts.iter().copied()).unwrap();
    let conditions = Conditions {
        celsius,
        air: Air::Closed,
    };
    equilibrium(&solution, conditions).unwrap().ph()
}

#[test]
fn primary_standards() {
    let source = "IUPAC/NIST primary standard, Partanen, Acta Chem. Scand. 50:1081, 1996";
    let equimolal = [
        (C::Potassium, 0.025),
        (C::Sodium, 0.05),
        (C::Phosphate, 0.05),
    ];
    let got = ph_at(&equimolal, 25.0);
    check(
        "pH of 0.025 KH2PO4 + 0.025 Na2HPO4",
        source,
        6.865,
        got,
        Within::Units(0.03),
    );
    let memory = "IUPAC/NIST primary standard, from memory";
    for (celsius, expected) in [(20.0, 6.881), (30.0, 6.853)] {
        let got = ph_at(&equimolal, celsius);
        check(
            &format!("the same at {celsius} °C"),
            memory,
            expected,
            got,
            Within::Units(0.03),
        );
    }
    let blood = [
        (C::Potassium, 0.008_695),
        (C::Sodium, 0.060_86),
        (C::Phosphate, 0.039_125),
    ];
    check(
        "pH of 1:3.5 phosphate",
        memory,
        7.413,
        ph_at(&blood, 25.0),
        Within::Units(0.03),
    );
    let borax = [(C::Sodium, 0.02), (C::Borate, 0.04)];
    check(
        "pH of 0.01 borax",
        memory,
        9.180,
        ph_at(&borax, 25.0),
        Within::Units(0.03),
    );
    let carbonate = [(C::Sodium, 0.075), (C::Carbonate, 0.05)];
    let got = ph_at(&carbonate, 25.0);
    check(
        "pH of 0.025 NaHCO3 + 0.025 Na2CO3",
        memory,
        10.012,
        got,
        Within::Units(0.03),
    );
    let citrate = [(C::Potassium, 0.05), (C::Citrate, 0.05)];
    let got = ph_at(&citrate, 25.0);
    check(
        "pH of 0.05 KH2 citrate",
        memory,
        3.776,
        got,
        Within::Units(0.04),
    );
}

#[test]
fn pure_solutions() {
    let source = "PHREEQC with phreeqc.dat, closed to air";
    for (name, amounts, expected) in [
        ("1 mmol H3PO4", vec![(C::Phosphate, 0.001)], 3.064),
        ("10 mmol H3PO4", vec![(C::Phosphate, 0.01)], 2.270),
        (
            "10 mmol KH2PO4",
            vec![(C::Phosphate, 0.01), (C::Potassium, 0.01)],
            4.728,
        ),
        (
            "2 mmol NaHCO3",
            vec![(C::Sodium, 0.002), (C::Carbonate, 0.002)],
            8.271,
        ),
        (
            "1 mmol K2CO3",
            vec![(C::Potassium, 0.002), (C::Carbonate, 0.001)],
            10.519,
        ),
        ("1 mmol KOH", vec![(C::Potassium, 0.001)], 10.979),
    ] {
        let got = ph_at(&amounts, 25.0);
        check(
            &format!("pH of {name}"),
            source,
            expected,
            got,
            Within::Units(0.02),
        );
    }
}

#[test]
fn nutrient_solution_and_air() {
    let source = "PHREEQC with phreeqc.dat, Hoagland solution 1";
    for (strength, ph, ionic) in [
        (1.0, 4.93, 0.0266),
        (0.5, 5.11, 0.0136),
        (0.25, 5.30, 0.0070),
    ] {
        let got = equilibrium(&hoagland(strength), Conditions::STANDARD).unwrap();
        check(
            &format!("pH at strength {strength}"),
            source,
            ph,
            got.ph(),
            Within::Units(0.02),
        );
        let what = format!("ionic strength at {strength}");
        check(
            &what,
            source,
            ionic,
            got.ionic_strength(),
            Within::Percent(1.0),
        );
    }
    let open = Conditions {
        celsius: 25.0,
        air: Air::Open {
            log_carbon_dioxide_atmospheres: -3.5,
        },
    };
    let got = equilibrium(&Solution::WATER, open).unwrap().ph();
    let air = "PHREEQC, water in air at log pCO2 -3.5";
    check("pH of water in air", air, 5.66, got, Within::Units(0.02));
    let pure = equilibrium(&Solution::WATER, Conditions::STANDARD)
        .unwrap()
        .ph();
    check(
        "pH of pure water",
        "CRC Handbook, pKw 13.995",
        6.998,
        pure,
        Within::Units(0.005),
    );
}

#[test]
fn alkalinity_both_ways() {
    let source = "speciation of sodium hydrogen carbonate water by PHREEQC: 2.030 mmol/kg";
    let water = hydrogen_carbonate_water(8.0, Alkalinity::Milliequivalents(2.0)).unwrap();
    let carbonate = water.moles_per_litre(C::Carbonate) * 1000.0;
    check(
        "carbonate of 2 meq/L at pH 8",
        source,
        2.030,
        carbonate,
        Within::Percent(0.5),
    );
    let back = equilibrium(&water, Conditions::STANDARD).unwrap();
    let milli = back.alkalinity_equivalents_per_litre() * 1000.0;
    check(
        "alkalinity of it",
        "round trip",
        2.0,
        milli,
        Within::Percent(1e-6),
    );
    check(
        "pH of it",
        "round trip",
        8.0,
        back.ph(),
        Within::Units(1e-8),
    );
    let again = water_of_alkalinity(Alkalinity::Milliequivalents(2.0), carbonate).unwrap();
    check(
        "pH from alkalinity and carbonate",
        "round trip",
        8.0,
        again.ph(),
        Within::Units(1e-4),
    );
    let units = "equivalent masses of CaCO3 (50.04) and HCO3 (61.02)";
    let hundred = Alkalinity::AsCalciumCarbonate(100.0);
    check(
        "meq/L of 100 mg/L CaCO3",
        units,
        1.998,
        hundred.milliequivalents(),
        Within::Percent(0.05),
    );
    let one = Alkalinity::Milliequivalents(1.0);
    check(
        "mg/L CaCO3 of 1 meq/L",
        units,
        50.04,
        one.as_calcium_carbonate(),
        Within::Percent(0.02),
    );
    check(
        "mg/L HCO3 of 1 meq/L",
        units,
        61.02,
        one.as_hydrogen_carbonate(),
        Within::Percent(0.02),
    );
}
