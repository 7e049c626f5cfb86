//! Recipes, molar masses, oxides and mixing sheets.

use cotyl_solution::{
    Basis, Form, LabelItem, Nutrient, Product, RecipeLine, Solution, Substance, dilute, dissolve,
    grams_per_litre_for,
};

use crate::{Within, check};

const HOAGLAND: &str = "Hoagland and Arnon, The water-culture method for growing plants without soil, \
    Calif. Agric. Exp. Sta. Circular 347, 1950, solution 1";
const MASSES: &str = "computed with molmass from IUPAC atomic masses";

/// Grams in an avoirdupois ounce and litres in 100 US gallons (NIST Handbook 44, Appendix C).
const OUNCE: f64 = 28.349_523_125;
const HUNDRED_GALLONS: f64 = 378.541_178_4;

fn pure(substance: Substance) -> Product {
    Product::of_substances(format!("{substance:?}"), Form::Solid, &[(substance, 100.0)]).unwrap()
}

fn label(percent: &[(LabelItem, f64)]) -> Product {
    Product::of_analysis("label", Form::Solid, Basis::MassPerMass, percent).unwrap()
}

#[test]
fn hoagland_solution_one() {
    let salts = [
        (Substance::PotassiumNitrate, 0.5055),
        (Substance::CalciumNitrateTetrahydrate, 1.1807),
        (Substance::MagnesiumSulfateHeptahydrate, 0.4929),
        (Substance::PotassiumDihydrogenPhosphate, 0.1361),
    ]
    .map(|(substance, grams)| (pure(substance), grams));
    let lines: Vec<RecipeLine<'_>> = salts
        .iter()
        .map(|(product, grams_per_litre)| RecipeLine {
            product,
            grams_per_litre: *grams_per_litre,
        })
        .collect();
    let solution = dissolve(&Solution::WATER, &lines).unwrap();
    let nutrients = solution.nutrients();
    for (nutrient, printed, exact) in [
        (Nutrient::NitrateNitrogen, 210.0, 210.10),
        (Nutrient::Phosphorus, 31.0, 30.97),
        (Nutrient::Potassium, 235.0, 234.59),
        (Nutrient::Calcium, 200.0, 200.39),
        (Nutrient::Magnesium, 48.6, 48.61),
        (Nutrient::Sulfur, 64.0, 64.13),
    ] {
        let got = nutrients.get(nutrient);
        check(nutrient.name(), MASSES, exact, got, Within::Percent(0.1));
        // the printed figures are whole milligrams, magnesium to a tenth
        check(nutrient.name(), HOAGLAND, printed, got, Within::Units(0.5));
    }
    assert!(solution.unlisted_equivalents_per_litre().abs() < 1e-15);
    check(
        "grams of calcium nitrate for 200.39 mg/L Ca",
        MASSES,
        1.1807,
        grams_per_litre_for(&salts[1].0, Nutrient::Calcium, 200.39).unwrap(),
        Within::Percent(0.1),
    );
}

#[test]
fn molar_masses_and_fractions() {
    for (substance, grams) in [
        (Substance::PotassiumNitrate, 101.103),
        (Substance::CalciumNitrateTetrahydrate, 236.149),
        (Substance::MagnesiumSulfateHeptahydrate, 246.475),
        (Substance::PotassiumDihydrogenPhosphate, 136.086),
        (Substance::PhosphoricAcid, 97.995),
        (Substance::PotassiumHydroxide, 56.106),
        (Substance::PotassiumCarbonate, 138.206),
    ] {
        let what = format!("g/mol of {substance:?}");
        check(
            &what,
            MASSES,
            grams,
            substance.grams_per_mole(),
            Within::Percent(0.01),
        );
    }
    // from the handbook of chemistry, from memory: the hydrates whose counting is easiest to get wrong
    for (substance, grams) in [
        (Substance::Borax, 381.37),
        (Substance::BoricAcid, 61.83),
        (Substance::CitricAcid, 192.12),
        (Substance::CalciumAmmoniumNitrate, 1080.7),
        (Substance::Urea, 60.06),
        (Substance::MagnesiumNitrateHexahydrate, 256.41),
        (Substance::ManganeseSulfateMonohydrate, 169.02),
        (Substance::ZincSulfateHeptahydrate, 287.55),
        (Substance::CopperSulfatePentahydrate, 249.69),
        (Substance::SodiumMolybdateDihydrate, 241.95),
        (Substance::CalciumSulfateDihydrate, 172.17),
    ] {
        let what = format!("g/mol of {substance:?}");
        let source = "CRC Handbook, from memory";
        check(
            &what,
            source,
            grams,
            substance.grams_per_mole(),
            Within::Percent(0.02),
        );
    }
    for (substance, nutrient, percent) in [
        (
            Substance::PotassiumNitrate,
            Nutrient::NitrateNitrogen,
            13.854,
        ),
        (Substance::PotassiumNitrate, Nutrient::Potassium, 38.672),
        (
            Substance::CalciumNitrateTetrahydrate,
            Nutrient::NitrateNitrogen,
            11.863,
        ),
        (
            Substance::CalciumNitrateTetrahydrate,
            Nutrient::Calcium,
            16.971,
        ),
        (
            Substance::MagnesiumSulfateHeptahydrate,
            Nutrient::Magnesium,
            9.861,
        ),
        (
            Substance::MagnesiumSulfateHeptahydrate,
            Nutrient::Sulfur,
            13.009,
        ),
        (
            Substance::PotassiumDihydrogenPhosphate,
            Nutrient::Phosphorus,
            22.761,
        ),
        (
            Substance::PotassiumDihydrogenPhosphate,
            Nutrient::Potassium,
            28.731,
        ),
    ] {
        let what = format!("% {} in {substance:?}", nutrient.name());
        let got = pure(substance).nutrients_per_gram().get(nutrient) / 10.0;
        check(&what, MASSES, percent, got, Within::Percent(0.05));
    }
    // a label of greenhouse calcium nitrate reads 15.5-0-0 with 19 % Ca, from memory
    let double = pure(Substance::CalciumAmmoniumNitrate).nutrients_per_gram();
    let source = "trade label, from memory";
    check(
        "% N of the double salt",
        source,
        15.5,
        double.nitrogen() / 10.0,
        Within::Units(0.1),
    );
    let calcium = double.get(Nutrient::Calcium) / 10.0;
    check(
        "% Ca of the double salt",
        source,
        19.0,
        calcium,
        Within::Units(0.5),
    );
}

#[test]
fn oxides() {
    for (item, factor) in [
        (LabelItem::PhosphorusPentoxide, 0.4364),
        (LabelItem::PotassiumOxide, 0.8301),
        (LabelItem::CalciumOxide, 0.7147),
        (LabelItem::MagnesiumOxide, 0.6030),
        (LabelItem::SulfurTrioxide, 0.4004),
    ] {
        check(
            item.name(),
            MASSES,
            factor,
            item.element_fraction(),
            Within::Percent(0.02),
        );
    }
}

#[test]
fn mixing_sheets() {
    let umass = "UMass Extension, Fertilizer Calculations for Greenhouse Crops; unrounded";
    let nitrogen = LabelItem::Element(Nutrient::NitrateNitrogen);
    let ounces = |percent: f64, target: f64| {
        let product = label(&[(nitrogen, percent)]);
        grams_per_litre_for(&product, Nutrient::NitrateNitrogen, target).unwrap() * HUNDRED_GALLONS
            / OUNCE
    };
    check(
        "oz of 20-20-20 for 200 mg/L N",
        umass,
        13.35,
        ounces(20.0, 200.0),
        Within::Percent(0.1),
    );
    check(
        "oz of 15-15-15 for 200 mg/L N",
        umass,
        17.80,
        ounces(15.0, 200.0),
        Within::Percent(0.1),
    );
    // the sheet rounds to the half ounce
    assert!((ounces(20.0, 200.0) * 2.0).round() / 2.0 == 13.5);
    assert!((ounces(15.0, 200.0) * 2.0).round() / 2.0 == 18.0);
    let rule =
        "Texas A&M extension, Nutrition and Fertility: calculations, rule of 75 (0.145 % high)";
    let pure_nutrient = label(&[(nitrogen, 100.0)]).nutrients_per_gram().nitrogen();
    let constant = pure_nutrient * OUNCE / HUNDRED_GALLONS;
    check(
        "mg/L of 1 oz in 100 US gal",
        rule,
        75.0,
        constant,
        Within::Percent(0.15),
    );
    // the page multiplies 0.33 × 75 and prints 29.75: its 5 and 7 oz are a slip for 6.06 and 8.08
    let corrected = "the same page with its slip (0.33 × 75 = 24.75, not 29.75) put right";
    check(
        "oz of 33 % N for 150 mg/L",
        corrected,
        6.06,
        ounces(33.0, 150.0),
        Within::Percent(0.2),
    );
    check(
        "oz of 33 % N for 200 mg/L",
        corrected,
        8.08,
        ounces(33.0, 200.0),
        Within::Percent(0.2),
    );
    let metric = "grams = mg/L × litres ÷ (10 × percent), the metric form of extension sheets";
    let grams = grams_per_litre_for(
        &label(&[(nitrogen, 20.0)]),
        Nutrient::NitrateNitrogen,
        150.0,
    )
    .unwrap()
        * 100.0;
    check(
        "g of 20 % N in 100 L for 150 mg/L",
        metric,
        75.0,
        grams,
        Within::Percent(0.001),
    );
}

#[test]
fn injector_at_one_to_a_hundred() {
    let source = "UMass Extension, Ratios and Concentrations for Water Soluble Fertilizers, 2011";
    let salt = pure(Substance::PotassiumNitrate);
    let stock = dissolve(
        &Solution::WATER,
        &[RecipeLine {
            product: &salt,
            grams_per_litre: 101.1,
        }],
    )
    .unwrap();
    let fed = dilute(&stock, 100.0, &Solution::WATER).unwrap();
    let factor = stock.nutrients().nitrogen() / fed.nutrients().nitrogen();
    check(
        "times a 1:100 feed is weaker",
        source,
        100.0,
        factor,
        Within::Percent(1e-9),
    );
}
