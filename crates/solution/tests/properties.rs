//! What must hold of every water, recipe and dose.
#![allow(clippy::unwrap_used)]

use cotyl_domain::quantity::Volume;
use cotyl_solution::{
    Air, Alkalinity, Basis, Component, Conditions, DoseAnswer, Form, LabelItem, Measure, Nutrient,
    Nutrients, Product, RecipeLine, Scale, Solution, SourceWater, Substance, anchored_at_ph,
    batch_amounts, conductivity, dilute, dissolve, dose_to_ph, equilibrium, equilibrium_at_ph,
    from_25_celsius, mix, to_25_celsius,
};
use proptest::prelude::*;

const SALTS: [Substance; 20] = [
    Substance::PotassiumNitrate,
    Substance::CalciumNitrateTetrahydrate,
    Substance::CalciumAmmoniumNitrate,
    Substance::MagnesiumNitrateHexahydrate,
    Substance::MagnesiumSulfateHeptahydrate,
    Substance::PotassiumSulfate,
    Substance::PotassiumDihydrogenPhosphate,
    Substance::DipotassiumHydrogenPhosphate,
    Substance::AmmoniumDihydrogenPhosphate,
    Substance::AmmoniumNitrate,
    Substance::AmmoniumSulfate,
    Substance::Urea,
    Substance::CalciumChlorideDihydrate,
    Substance::SodiumHydrogenCarbonate,
    Substance::PotassiumHydrogenCarbonate,
    Substance::BoricAcid,
    Substance::PhosphoricAcid,
    Substance::CitricAcid,
    Substance::NitricAcid,
    Substance::PotassiumHydroxide,
];

const ACIDS: [Substance; 5] = [
    Substance::PhosphoricAcid,
    Substance::NitricAcid,
    Substance::SulfuricAcid,
    Substance::CitricAcid,
    Substance::AceticAcid,
];

const BASES: [Substance; 3] = [
    Substance::PotassiumHydroxide,
    Substance::PotassiumCarbonate,
    Substance::PotassiumHydrogenCarbonate,
];

fn pure(substance: Substance) -> Product {
    Product::of_substances(format!("{substance:?}"), Form::Solid, &[(substance, 100.0)]).unwrap()
}

fn with(solution: &Solution, substance: Substance, grams_per_litre: f64) -> Solution {
    let product = pure(substance);
    let line = RecipeLine {
        product: &product,
        grams_per_litre,
    };
    dissolve(solution, &[line]).unwrap()
}

/// Up to six salts, acids and bases, from none to 1.5 g/L of each.
fn recipes() -> impl Strategy<Value = Vec<(Substance, f64)>> {
    prop::collection::vec((prop::sample::select(&SALTS[..]), 0.0..1.5_f64), 0..6)
}

/// Any water that a report may describe.
fn waters() -> impl Strategy<Value = Solution> {
    (
        6.3..8.6_f64,
        0.1..7.0_f64,
        0.0..150.0_f64,
        0.0..50.0_f64,
        0.0..100.0_f64,
    )
        .prop_map(|(ph, milliequivalents, calcium, magnesium, sodium)| {
            SourceWater {
                nutrients: Nutrients::new([
                    (Nutrient::Calcium, calcium),
                    (Nutrient::Magnesium, magnesium),
                    (Nutrient::Sodium, sodium),
                ])
                .unwrap(),
                ph,
                alkalinity: Alkalinity::Milliequivalents(milliequivalents),
            }
            .solution()
            .unwrap()
        })
}

fn mixed(water: &Solution, recipe: &[(Substance, f64)]) -> Solution {
    recipe.iter().fold(*water, |solution, (substance, grams)| {
        with(&solution, *substance, *grams)
    })
}

fn ph(solution: &Solution) -> f64 {
    equilibrium(solution, Conditions::STANDARD).unwrap().ph()
}

fn cases(cases: u32) -> ProptestConfig {
    ProptestConfig {
        failure_persistence: None,
        ..ProptestConfig::with_cases(cases)
    }
}

proptest! {
    #![proptest_config(cases(2000))]

    /// A pH between 0 and 14 always comes out, its charges balance to 1e-9, every amount is a number
    /// and not negative, and what went in is found in the forms.
    #[test]
    fn charges_balance_and_nothing_is_lost(
        water in waters(),
        recipe in recipes(),
        celsius in 5.0..40.0_f64,
        open in any::<bool>(),
    ) {
        let solution = mixed(&water, &recipe);
        let air = if open { Air::OUTDOOR } else { Air::Closed };
        let at = equilibrium(&solution, Conditions { celsius, air }).unwrap();
        prop_assert!(at.charge_residual().abs() < 1e-9, "{}", at.charge_residual());
        prop_assert!(at.ph() > 0.0 && at.ph() < 14.0);
        prop_assert!(at.ionic_strength().is_finite() && at.ionic_strength() >= 0.0);
        prop_assert!(at.alkalinity_equivalents_per_litre().is_finite());
        for component in Component::ALL {
            let found = at.total(component);
            prop_assert!(found.is_finite() && found >= 0.0);
            if component != Component::Carbonate || !open {
                let put_in = solution.moles_per_litre(component) / at.water_kilograms_per_litre();
                prop_assert!((found - put_in).abs() <= 1e-12 + 1e-9 * put_in, "{component:?}");
            }
        }
    }

    /// More acid, lower pH; more base, higher pH: at every step.
    #[test]
    fn ph_is_monotone_in_the_dose(
        water in waters(),
        recipe in recipes(),
        acid in prop::sample::select(&ACIDS[..]),
        base in prop::sample::select(&BASES[..2]),
        grams in 0.001..0.5_f64,
    ) {
        let solution = mixed(&water, &recipe);
        let start = ph(&solution);
        prop_assert!(ph(&with(&solution, acid, grams)) < start);
        prop_assert!(ph(&with(&solution, base, grams)) > start || start > 11.0);
        prop_assert!(ph(&with(&solution, acid, 2.0 * grams)) < ph(&with(&solution, acid, grams)));
    }

    /// A computed dose, put in, gives the target; half of it stays on the near side; what cannot be
    /// reached is said with a pH that is indeed short of the target.
    #[test]
    fn a_dose_gives_the_target(
        water in waters(),
        recipe in recipes(),
        acid in prop::sample::select(&ACIDS[..]),
        base in prop::sample::select(&BASES[..]),
        up in any::<bool>(),
        target in 4.5..7.5_f64,
    ) {
        let solution = mixed(&water, &recipe);
        let start = ph(&solution);
        let substance = if up { base } else { acid };
        let short_of = |ph: f64| if up { ph < target } else { ph > target };
        match dose_to_ph(&solution, &pure(substance), Conditions::STANDARD, target, 20.0).unwrap() {
            DoseAnswer::Reaches(dose) => {
                prop_assert!(dose.grams_per_litre > 0.0 && dose.grams_per_litre <= 20.0);
                let after = ph(&with(&solution, substance, dose.grams_per_litre));
                prop_assert!((after - target).abs() < 1e-6, "{after}");
                prop_assert!(short_of(ph(&with(&solution, substance, dose.grams_per_litre / 2.0))));
                let brought = dose.after.nutrients().nitrogen() - solution.nutrients().nitrogen();
                prop_assert!((brought - dose.nutrients.nitrogen()).abs() < 1e-9);
            }
            DoseAnswer::There => prop_assert!((start - target).abs() < 1e-5),
            DoseAnswer::OtherWay { ph } => prop_assert!(!short_of(ph)),
            DoseAnswer::OutOfReach { ph_with_most } => prop_assert!(short_of(ph_with_most)),
        }
    }
}

proptest! {
    #![proptest_config(cases(1000))]

    /// Thinning never adds, and mixing keeps every mole.
    #[test]
    fn dilution_and_mixing_keep_the_moles(
        water in waters(),
        recipe in recipes(),
        litres in 0.1..50.0_f64,
        more in 0.1..50.0_f64,
        volumes in 1.0..500.0_f64,
    ) {
        let solution = mixed(&water, &recipe);
        let both = mix(&[(solution, litres), (water, more)]).unwrap();
        let thin = dilute(&solution, volumes, &Solution::WATER).unwrap();
        for component in Component::ALL {
            let sum = solution.moles_per_litre(component) * litres + water.moles_per_litre(component) * more;
            let got = both.moles_per_litre(component) * (litres + more);
            prop_assert!((got - sum).abs() <= 1e-12 + 1e-12 * sum);
            let whole = thin.moles_per_litre(component) * volumes;
            prop_assert!((whole - solution.moles_per_litre(component)).abs() < 1e-12);
        }
        let strong = conductivity(&solution).unwrap().microsiemens_per_cm;
        let weak = conductivity(&dilute(&solution, 2.0, &Solution::WATER).unwrap()).unwrap();
        prop_assert!(weak.microsiemens_per_cm <= strong + 0.1);
        prop_assert!(weak.microsiemens_per_cm.is_finite() && weak.microsiemens_per_cm >= 0.0);
    }

    /// A water gives back the pH and the alkalinity of its report; a reading can be imposed.
    #[test]
    fn water_and_readings_round_trip(
        reported in 5.0..9.5_f64,
        milliequivalents in 0.2..8.0_f64,
        read in 4.0..9.0_f64,
    ) {
        let alkalinity = Alkalinity::Milliequivalents(milliequivalents);
        let water = SourceWater { nutrients: Nutrients::default(), ph: reported, alkalinity }
            .solution()
            .unwrap();
        let at = equilibrium(&water, Conditions::STANDARD).unwrap();
        prop_assert!((at.ph() - reported).abs() < 1e-6);
        let got = at.alkalinity_equivalents_per_litre() * 1000.0;
        prop_assert!((got - milliequivalents).abs() < 1e-6);
        let anchored = anchored_at_ph(&water, Conditions::STANDARD, read).unwrap();
        prop_assert!((ph(&anchored) - read).abs() < 1e-6);
        let held = equilibrium_at_ph(&water, Conditions::STANDARD, read).unwrap();
        prop_assert!((held.ph() - read).abs() < 1e-12);
    }

    /// Units and scales there and back; an amount measured is the amount weighed.
    #[test]
    fn units_round_trip(value in 0.0..20_000.0_f64, celsius in 0.0..50.0_f64, density in 0.8..1.9_f64) {
        for scale in [
            Scale::MicrosiemensPerCm, Scale::MillisiemensPerCm, Scale::Ppm500, Scale::Ppm640, Scale::Ppm700,
        ] {
            let back = scale
                .to_microsiemens_per_cm(scale.of_microsiemens_per_cm(value).unwrap())
                .unwrap();
            prop_assert!((back - value).abs() < 1e-9 * value.max(1.0));
        }
        let back = to_25_celsius(from_25_celsius(value, celsius).unwrap(), celsius).unwrap();
        prop_assert!((back - value).abs() < 1e-9 * value.max(1.0));
        let liquid = Product::of_substances(
            "liquid",
            Form::Liquid { grams_per_millilitre: density },
            &[(Substance::PhosphoricAcid, 50.0)],
        ).unwrap();
        let measured = liquid.measure(value).unwrap();
        prop_assert!(matches!(measured, Measure::Volume(_)));
        prop_assert!((liquid.grams(measured).unwrap() - value).abs() <= 0.0005 * density + 1e-9);
    }

    /// The nutrients of a recipe are the sum of what each product brings, whichever way the label
    /// puts them, and a batch holds them all.
    #[test]
    fn nutrients_add_up(
        nitrate in 0.5..12.0_f64,
        ammonium in 0.0..5.0_f64,
        urea in 0.0..10.0_f64,
        oxide in 0.5..20.0_f64,
        grams in 0.05..2.0_f64,
        millilitres in 1_000..1_000_000_i64,
    ) {
        use Nutrient::{AmmoniumNitrogen, NitrateNitrogen, Phosphorus, UreaNitrogen};
        let items = [
            (LabelItem::Element(NitrateNitrogen), nitrate),
            (LabelItem::Element(AmmoniumNitrogen), ammonium),
            (LabelItem::Element(UreaNitrogen), urea),
            (LabelItem::PhosphorusPentoxide, oxide),
        ];
        let bag = Product::of_analysis("bag", Form::Solid, Basis::MassPerMass, &items).unwrap();
        let lines = [RecipeLine { product: &bag, grams_per_litre: grams }];
        let solution = dissolve(&Solution::WATER, &lines).unwrap();
        let nutrients = solution.nutrients();
        for (nutrient, percent) in [
            (NitrateNitrogen, nitrate), (AmmoniumNitrogen, ammonium), (UreaNitrogen, urea),
            (Phosphorus, oxide * 0.436_43),
        ] {
            let expected = percent * 10.0 * grams;
            prop_assert!((nutrients.get(nutrient) - expected).abs() < 1e-5 * expected.max(1e-3));
        }
        let batch = Volume::of_microlitres(millilitres * 1000);
        let amounts = batch_amounts(&lines, batch).unwrap();
        let Measure::Mass(mass) = amounts[0] else { panic!("a solid is weighed") };
        let expected = grams * millilitres as f64;
        prop_assert!((mass.milligrams() as f64 - expected).abs() <= 0.5 + 1e-6 * expected);
    }
}
