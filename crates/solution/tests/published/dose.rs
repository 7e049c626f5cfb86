//! Doses of acid and base.

use cotyl_solution::{
    Adjusts, Air, Alkalinity, Component, Conditions, Dose, DoseAnswer, DoseQuestion, Form,
    Nutrient, Product, Solution, SolutionError, Substance, dose_to_ph, equilibrium,
    hydrogen_carbonate_water,
};

use crate::ph::hoagland;
use crate::{Within, check};

fn pure(substance: Substance) -> Product {
    Product::of_substances(format!("{substance:?}"), Form::Solid, &[(substance, 100.0)]).unwrap()
}

fn dose(solution: &Solution, product: &Product, target: f64) -> Dose {
    match dose_to_ph(solution, product, Conditions::STANDARD, target, 50.0).unwrap() {
        DoseAnswer::Reaches(dose) => *dose,
        other => panic!("{other:?}"),
    }
}

/// A water of sodium hydrogen carbonate: 2 meq per kilogram at pH 8.
fn reference_water() -> Solution {
    hydrogen_carbonate_water(8.0, Alkalinity::Milliequivalents(2.0)).unwrap()
}

#[test]
fn acid_to_the_reference_water() {
    let source = "PHREEQC and an independent Davies solver, within 0.1 % of each other";
    let water = reference_water();
    for (target, phosphoric, nitric, sulfuric) in [
        (6.5, 0.664, 0.789, 0.393),
        (6.0, 1.268, 1.354, 0.676),
        (5.8, 1.475, 1.539, 0.768),
        (5.5, 1.704, 1.742, 0.870),
    ] {
        for (substance, expected) in [
            (Substance::PhosphoricAcid, phosphoric),
            (Substance::NitricAcid, nitric),
            (Substance::SulfuricAcid, sulfuric),
        ] {
            let got = dose(&water, &pure(substance), target);
            let what = format!("mmol/L of {substance:?} to pH {target}");
            check(
                &what,
                source,
                expected,
                got.millimoles_per_litre,
                Within::Percent(1.0),
            );
            let after = equilibrium(&got.after, Conditions::STANDARD).unwrap().ph();
            check(
                &format!("{what}: pH after"),
                "own equilibrium",
                target,
                after,
                Within::Units(1e-8),
            );
        }
    }
}

#[test]
fn acid_in_household_terms() {
    let source = "1.475 mmol/L of phosphoric acid, recomputed from 85 % at 1.685 g/mL";
    let acid = Product::of_substances(
        "phosphoric acid 85 %",
        Form::Liquid {
            grams_per_millilitre: 1.685,
        },
        &[(Substance::PhosphoricAcid, 85.0)],
    )
    .unwrap();
    let got = dose(&reference_water(), &acid, 5.8);
    let phosphorus = got.nutrients.get(Nutrient::Phosphorus);
    check(
        "mg/L P of the dose",
        source,
        45.7,
        phosphorus,
        Within::Percent(1.0),
    );
    let millilitres = got.grams_per_litre / 1.685;
    check(
        "mL per 20 L",
        source,
        2.02,
        millilitres * 20.0,
        Within::Percent(1.0),
    );
    check(
        "mL per 5 US gal",
        source,
        1.91,
        millilitres * 18.927,
        Within::Percent(1.0),
    );
    let molar = 1.685 * 1000.0 * acid.adjuster_moles_per_gram();
    check(
        "mol/L of 85 % acid",
        source,
        14.62,
        molar,
        Within::Percent(0.1),
    );
    // NC State: about 80 % of the alkalinity brings water to about pH 5.8; speciation gives 77 %
    let leaflet = "Bailey and Bilderback, Hort. Info. Leaflet 558, 1998, from memory";
    let nitric = dose(&reference_water(), &pure(Substance::NitricAcid), 5.8).millimoles_per_litre;
    check(
        "% of 2 meq/L neutralised",
        leaflet,
        80.0,
        nitric / 2.0 * 100.0,
        Within::Units(4.0),
    );
}

/// Fluid ounces per 1000 US gallons and what they add, against the leaflet's factors.
#[test]
fn factors_of_the_leaflet() {
    let source = "Bailey and Bilderback, Hort. Info. Leaflet 558, 1998, from memory; densities 1.58 and 1.40";
    // fluid ounces in 1000 gallons for one millilitre in a litre
    let ounces_per_millilitre_in_a_litre = 3_785.411_784 / 29.573_529_562_5;
    for (substance, percent, density, nutrient, ounces, added) in [
        (
            Substance::PhosphoricAcid,
            75.0,
            1.58,
            Nutrient::Phosphorus,
            8.30,
            2.88,
        ),
        (
            Substance::NitricAcid,
            67.0,
            1.40,
            Nutrient::NitrateNitrogen,
            6.78,
            1.64,
        ),
    ] {
        let form = Form::Liquid {
            grams_per_millilitre: density,
        };
        let acid = Product::of_substances("acid", form, &[(substance, percent)]).unwrap();
        // the leaflet counts one hydrogen ion and 80 % of 1 meq/L
        let millilitres = 0.0008 / acid.adjuster_moles_per_gram() / density;
        let got = millilitres * ounces_per_millilitre_in_a_litre;
        check(
            &format!("fl oz of {substance:?}"),
            source,
            ounces,
            got,
            Within::Percent(2.5),
        );
        let per_ounce =
            acid.nutrients_per_gram().get(nutrient) * density / ounces_per_millilitre_in_a_litre;
        check(
            &format!("mg/L {} per fl oz", nutrient.name()),
            source,
            added,
            per_ounce,
            Within::Percent(2.5),
        );
    }
}

#[test]
fn base_to_half_strength_solution() {
    // often retold as "from pH 5.5"; PHREEQC gives these amounts from the solution's own 5.11
    let source = "PHREEQC, Hoagland solution 1 at half strength, own pH 5.11 to 6.0, closed";
    for (substance, expected, potassium) in [
        (Substance::PotassiumHydroxide, 0.0636, 39.10),
        (Substance::PotassiumCarbonate, 0.0383, 78.20),
    ] {
        let got = dose(&hoagland(0.5), &pure(substance), 6.0);
        let what = format!("mmol/L of {substance:?}");
        check(
            &what,
            source,
            expected,
            got.millimoles_per_litre,
            Within::Percent(1.0),
        );
        let per_millimole = got.nutrients.get(Nutrient::Potassium) / got.millimoles_per_litre;
        let masses = "mg of K per mmol, from IUPAC masses";
        check(
            &what,
            masses,
            potassium,
            per_millimole,
            Within::Percent(0.1),
        );
    }
    let source = "PHREEQC, the same brought to 5.5 by potassium, then to 6.0 by KOH";
    let potassium = Product::of_substances(
        "potassium hydroxide",
        Form::Solid,
        &[(Substance::PotassiumHydroxide, 100.0)],
    )
    .unwrap();
    let at_start = dose(&hoagland(0.5), &potassium, 5.5).after;
    let got = dose(&at_start, &potassium, 6.0).millimoles_per_litre;
    check(
        "mmol/L of KOH from 5.5",
        source,
        0.04497,
        got,
        Within::Percent(1.0),
    );
}

#[test]
fn loss_of_gas() {
    let source = "PHREEQC, water of 2 meq/L and 2.1 mmol/L carbonate with 1.4 mmol/L H3PO4";
    let mixed = |component_amounts: &[(Component, f64)]| {
        Solution::of_moles_per_kilogram(component_amounts.iter().copied()).unwrap()
    };
    let water = mixed(&[
        (Component::Sodium, 0.002),
        (Component::Carbonate, 0.0021),
        (Component::Phosphate, 0.0014),
    ]);
    let now = equilibrium(&water, Conditions::STANDARD).unwrap().ph();
    check("pH at once", source, 5.86, now, Within::Units(0.02));
    let air = Conditions {
        celsius: 25.0,
        air: Air::OUTDOOR,
    };
    let later = equilibrium(&water, air).unwrap().ph();
    check(
        "pH once air has had its way",
        source,
        6.9,
        later,
        Within::Units(0.1),
    );
}

/// What a litre takes for buying: the acid that neutralises the alkalinity of the water but for what is left at
/// the target, worked out by hand from the fractions of the carbonates. A litre of the reference water holds
/// 2.030 mmol of carbonates; pK of 6.352 and 7.207 (`phreeqc.dat`, US Geological Survey), lowered for an ionic
/// strength of 0.002 mol/kg by Davies (0.509 x 0.0422 = 0.021 for the first, three times that for the second).
/// At pH 5.8 a share of 1 / (1 + 10^(6.331 - 5.8)) = 0.2275 is hydrogen carbonate: 2.000 - 0.462 = 1.538 mmol of a
/// strong acid, and phosphoric acid gives 1 + 1 / (1 + 10^(7.144 - 5.8)) = 1.043 each: 1.475 mmol.
#[test]
fn acid_to_buy_for_a_litre() {
    let source = "alkalinity worked out by hand with the constants of phreeqc.dat";
    let water = reference_water();
    let question = DoseQuestion {
        mixed: &water,
        celsius: 25.0,
        accepted_ph: (5.6, 6.0),
    };
    let (ph, needed) = question.needed().unwrap();
    assert_eq!(needed, Some(Adjusts::Down));
    check("pH of the water", source, 8.0, ph, Within::Units(0.01));
    for (substance, millimoles) in [
        (Substance::NitricAcid, 1.538),
        (Substance::PhosphoricAcid, 1.475),
    ] {
        for factor in [1.0, 1.2] {
            let acid = pure(substance);
            let planned = question.planned(&acid, factor).unwrap();
            let got = planned.grams_per_litre * acid.adjuster_moles_per_gram() * 1000.0;
            let what = format!("mmol/L of {substance:?} to buy, times {factor}");
            check(
                &what,
                source,
                millimoles * factor,
                got,
                Within::Percent(1.0),
            );
        }
    }
    let base = pure(Substance::PotassiumHydroxide);
    assert!(matches!(
        question.planned(&base, 1.0),
        Err(SolutionError::NoAnswer(_))
    ));
    let wide = DoseQuestion {
        accepted_ph: (5.6, 8.2),
        ..question
    };
    assert_eq!(wide.needed().unwrap().1, None);
}
