//! Bad input is refused with the field it belongs to.
#![allow(clippy::unwrap_used)]

use cotyl_domain::quantity::{Mass, Volume};
use cotyl_solution::{
    Air, Alkalinity, Basis, Compatibility, Component, Conditions, Form, LabelItem, Measure,
    Nutrient, Nutrients, Product, RecipeLine, Scale, Solution, SolutionError, SourceWater,
    Substance, batch_amounts, compatibility, conductivity, dilute, dissolve, dose_to_ph,
    equilibrium, equilibrium_at_ph, expectation, from_25_celsius, grams_per_litre_for, mix,
    to_25_celsius,
};

#[track_caller]
fn field<T: std::fmt::Debug>(result: Result<T, SolutionError>, expected: &str) {
    let error = result.unwrap_err();
    assert_eq!(error.field(), Some(expected), "{error}");
    assert!(error.to_string().starts_with(expected), "{error}");
}

fn acid() -> Product {
    let form = Form::Liquid {
        grams_per_millilitre: 1.685,
    };
    Product::of_substances("acid", form, &[(Substance::PhosphoricAcid, 85.0)]).unwrap()
}

fn salt() -> Product {
    Product::of_substances("salt", Form::Solid, &[(Substance::PotassiumNitrate, 100.0)]).unwrap()
}

const BAD: [f64; 3] = [-1.0, f64::NAN, f64::INFINITY];

#[test]
fn readings_and_conditions() {
    let water = Solution::WATER;
    let at = |celsius, air| equilibrium(&water, Conditions { celsius, air });
    for bad in [5000.0, -20.0, f64::NAN] {
        field(at(bad, Air::Closed), "celsius");
        field(to_25_celsius(1000.0, bad), "temperature_celsius");
        field(compatibility(&water, bad), "celsius");
    }
    for bad in [f64::NAN, 3.0, -80.0] {
        let air = Air::Open {
            log_carbon_dioxide_atmospheres: bad,
        };
        field(at(25.0, air), "log_carbon_dioxide_atmospheres");
    }
    for bad in [41.0, -0.1, f64::NAN] {
        field(equilibrium_at_ph(&water, Conditions::STANDARD, bad), "ph");
        let dose = dose_to_ph(&water, &acid(), Conditions::STANDARD, bad, 1.0);
        field(dose, "target_ph");
    }
    for bad in BAD {
        field(from_25_celsius(bad, 20.0), "microsiemens_per_cm");
        field(
            Scale::Ppm500.to_microsiemens_per_cm(bad),
            "microsiemens_per_cm",
        );
        let dose = dose_to_ph(&water, &acid(), Conditions::STANDARD, 5.8, bad);
        field(dose, "most_grams_per_litre");
    }
    field(
        dose_to_ph(&water, &salt(), Conditions::STANDARD, 5.8, 1.0),
        "product",
    );
}

#[test]
fn waters() {
    let report = |ph, alkalinity| {
        SourceWater {
            nutrients: Nutrients::default(),
            ph,
            alkalinity,
        }
        .solution()
    };
    for bad in [41.0, 1.0, f64::NAN] {
        field(report(bad, Alkalinity::Milliequivalents(2.0)), "ph");
    }
    for bad in [-1.0, 1e6, f64::NAN] {
        field(
            report(7.0, Alkalinity::AsCalciumCarbonate(bad)),
            "alkalinity",
        );
    }
    // a pH of 10.5 needs more hydroxide than this alkalinity allows, and pH 4 has next to none
    field(
        report(10.5, Alkalinity::Milliequivalents(0.1)),
        "alkalinity",
    );
    field(report(4.0, Alkalinity::Milliequivalents(3.0)), "alkalinity");
    // demineralised water reads anything and holds nothing
    for ph in [5.5, 6.5, 7.5] {
        let water = report(ph, Alkalinity::Milliequivalents(0.0)).unwrap();
        assert!(water.moles_per_litre(Component::Carbonate) < 1e-4);
    }
    for bad in BAD {
        field(Nutrients::new([(Nutrient::Calcium, bad)]), "calcium");
        field(
            Solution::of_moles_per_litre([(Component::Nitrate, bad)]),
            "nitrate",
        );
    }
}

#[test]
fn products() {
    let nitrogen = LabelItem::Element(Nutrient::NitrateNitrogen);
    let label = |form, basis, percent: f64| {
        Product::of_analysis("bag", form, basis, &[(nitrogen, percent)])
    };
    for bad in BAD {
        field(
            label(Form::Solid, Basis::MassPerMass, bad),
            "nitrate_nitrogen",
        );
    }
    field(label(Form::Solid, Basis::MassPerMass, 150.0), "percent");
    field(label(Form::Solid, Basis::MassPerVolume, 10.0), "basis");
    for bad in [0.0, -1.0, 20.0, f64::NAN] {
        let form = Form::Liquid {
            grams_per_millilitre: bad,
        };
        field(
            label(form, Basis::MassPerVolume, 10.0),
            "grams_per_millilitre",
        );
    }
    field(
        Product::of_analysis(" ", Form::Solid, Basis::MassPerMass, &[(nitrogen, 1.0)]),
        "name",
    );
    field(
        Product::of_analysis("bag", Form::Solid, Basis::MassPerMass, &[]),
        "percent",
    );
    let half = [
        (Substance::PotassiumNitrate, 60.0),
        (Substance::PotassiumSulfate, 60.0),
    ];
    field(
        Product::of_substances("bag", Form::Solid, &half),
        "mass_percent",
    );
    field(
        Product::of_substances("bag", Form::Solid, &[]),
        "mass_percent",
    );
    field(
        salt().grams(Measure::Volume(Volume::of_microlitres(5000))),
        "measure",
    );
    field(
        salt().grams(Measure::Mass(Mass::of_milligrams(-1))),
        "measure",
    );
    field(
        grams_per_litre_for(&salt(), Nutrient::Calcium, 100.0),
        "nutrient",
    );
    for bad in BAD {
        field(salt().measure(bad), "grams");
        let grams = grams_per_litre_for(&salt(), Nutrient::Potassium, bad);
        field(grams, "milligrams_per_litre");
    }
    let volume = |density, grams| {
        let base = [(Substance::PotassiumHydroxide, grams)];
        Product::of_substances_by_volume("base", density, &base)
    };
    field(volume(0.0, 10.0), "grams_per_millilitre");
    field(volume(1.1, 150.0), "mass_percent");
    let by_volume = volume(1.25, 30.0).unwrap();
    assert_eq!(
        by_volume.substances(),
        [(Substance::PotassiumHydroxide, 24.0)]
    );
    // grams in 100 mL of a liquid of 1.25 g/mL are fewer in 100 g
    let form = Form::Liquid {
        grams_per_millilitre: 1.25,
    };
    let by_volume = label(form, Basis::MassPerVolume, 10.0).unwrap();
    assert!((by_volume.nutrients_per_gram().nitrogen() - 80.0).abs() < 1e-9);
}

#[test]
fn recipes_and_mixing() {
    let salt = salt();
    for bad in [-1.0, f64::NAN, 5000.0] {
        let lines = [RecipeLine {
            product: &salt,
            grams_per_litre: bad,
        }];
        field(
            dissolve(&Solution::WATER, &lines),
            "grams_per_litre of salt",
        );
        let batch = Volume::of_microlitres(1_000_000);
        field(batch_amounts(&lines, batch), "grams_per_litre of salt");
    }
    field(batch_amounts(&[], Volume::ZERO), "batch");
    field(batch_amounts(&[], Volume::of_microlitres(-5)), "batch");
    field(mix(&[]), "parts");
    for bad in [0.0, -2.0, f64::NAN] {
        field(mix(&[(Solution::WATER, bad)]), "litres");
        field(dilute(&Solution::WATER, bad, &Solution::WATER), "volumes");
    }
}

#[test]
fn says_where_no_figure_can_be_trusted() {
    let line = |product, grams_per_litre| RecipeLine {
        product,
        grams_per_litre,
    };
    let salt = salt();
    let strong = dissolve(&Solution::WATER, &[line(&salt, 100.0)]).unwrap();
    let error = conductivity(&strong).unwrap_err();
    assert!(matches!(error, SolutionError::NoAnswer(_)), "{error}");
    let brine = dissolve(&Solution::WATER, &[line(&salt, 900.0)]).unwrap();
    let error = equilibrium(&brine, Conditions::STANDARD).unwrap_err();
    assert!(matches!(error, SolutionError::NoAnswer(_)), "{error}");
    // and a brine with calcium and sulfate is refused, not passed
    let gypsum = [
        (Component::Calcium, 3.0),
        (Component::Nitrate, 5.9),
        (Component::Sulfate, 0.05),
    ];
    let brine = Solution::of_moles_per_litre(gypsum).unwrap();
    let verdict = compatibility(&brine, 25.0).unwrap();
    assert!(!matches!(verdict, Compatibility::Dissolved), "{verdict:?}");
}

#[test]
fn an_expectation_is_as_wide_as_the_analysis_is_open() {
    let bag = Product::of_analysis(
        "bag",
        Form::Solid,
        Basis::MassPerMass,
        &[
            (LabelItem::Element(Nutrient::NitrateNitrogen), 10.0),
            (LabelItem::PhosphorusPentoxide, 10.0),
            (LabelItem::PotassiumOxide, 30.0),
        ],
    )
    .unwrap();
    let lines = [RecipeLine {
        product: &bag,
        grams_per_litre: 1.0,
    }];
    let labelled = dissolve(&Solution::WATER, &lines).unwrap();
    let known = Solution::of_moles_per_litre([
        (Component::Potassium, 0.01),
        (Component::Phosphate, 0.0075),
    ])
    .unwrap();
    let width = |solution: &Solution| {
        let expected = expectation(solution, Conditions::STANDARD).unwrap();
        assert!(expected.ph_low < expected.ph && expected.ph < expected.ph_high);
        assert!(expected.conductivity.uncertainty_microsiemens_per_cm > 0.0);
        expected.ph_high - expected.ph_low
    };
    // a buffered solution of known salts is foreseen to a few tenths, a rounded label far less well
    assert!(width(&known) < 0.4, "{}", width(&known));
    assert!(width(&labelled) > 0.5, "{}", width(&labelled));
}
