//! One batch from the water report to a pH in range.
#![allow(clippy::unwrap_used)]

use cotyl_domain::quantity::Volume;
use cotyl_solution::caution::for_dose;
use cotyl_solution::{
    Advice, Alkalinity, Available, Basis, CAUTIOUS_SHARE, Compatibility, Conditions, Correction,
    DoseReading, Form, Formulation, LabelItem, Measure, Nutrient, Nutrients, Prior, Product,
    RecipeLine, Solution, SourceWater, Substance, Target, TargetItem, advise, batch_amounts,
    compatibility, dissolve, equilibrium, expectation, formulate, usual_maximum_grams_per_litre,
};

fn shelf() -> [Product; 3] {
    let label = [
        (LabelItem::Element(Nutrient::NitrateNitrogen), 5.0),
        (LabelItem::PhosphorusPentoxide, 11.0),
        (LabelItem::PotassiumOxide, 26.0),
        (LabelItem::Element(Nutrient::Magnesium), 3.1),
        (LabelItem::Element(Nutrient::Sulfur), 4.0),
        (LabelItem::Element(Nutrient::Iron), 0.3),
    ];
    let substances = |name: &str, substance| {
        Product::of_substances(name, Form::Solid, &[(substance, 100.0)]).unwrap()
    };
    [
        Product::of_analysis("base fertiliser", Form::Solid, Basis::MassPerMass, &label).unwrap(),
        substances("calcium nitrate", Substance::CalciumAmmoniumNitrate),
        substances("Epsom salt", Substance::MagnesiumSulfateHeptahydrate),
    ]
}

fn hard_water() -> Solution {
    SourceWater {
        nutrients: Nutrients::new([
            (Nutrient::Calcium, 60.0),
            (Nutrient::Magnesium, 12.0),
            (Nutrient::Sodium, 20.0),
            (Nutrient::Chlorine, 25.0),
            (Nutrient::Sulfur, 10.0),
        ])
        .unwrap(),
        ph: 7.6,
        alkalinity: Alkalinity::AsCalciumCarbonate(180.0),
    }
    .solution()
    .unwrap()
}

#[test]
fn from_the_water_report_to_a_ph_in_range() {
    let (water, shelf) = (hard_water(), shelf());
    let products = shelf.each_ref().map(|product| Available {
        product,
        grams_on_hand: 500.0,
        most_grams_per_litre: None,
        scoop_grams: None,
        forbidden: false,
    });
    let wish = |item, milligrams_per_litre| Target {
        item,
        milligrams_per_litre,
        weight: 1.0,
    };
    let targets = [
        wish(TargetItem::TotalNitrogen, 130.0),
        wish(TargetItem::Nutrient(Nutrient::Potassium), 170.0),
        wish(TargetItem::Nutrient(Nutrient::Calcium), 150.0),
    ];
    let chosen = formulate(&Formulation {
        water: &water,
        litres: 20.0,
        products: &products,
        targets: &targets,
        ceilings: &[],
        forbidden_pairs: &[],
    })
    .unwrap();
    let lines: Vec<RecipeLine<'_>> = chosen
        .amounts
        .iter()
        .map(|amount| RecipeLine {
            product: &shelf[amount.product],
            grams_per_litre: amount.grams_per_litre,
        })
        .collect();
    let amounts = batch_amounts(&lines, Volume::of_microlitres(20_000_000)).unwrap();
    assert!(
        amounts
            .iter()
            .all(|amount| matches!(amount, Measure::Mass(_)))
    );
    let mixed = dissolve(&water, &lines).unwrap();
    // this hard a water keeps its pH up until the acid is in, and calcium phosphate would settle
    let uncorrected = compatibility(&mixed, 10.0).unwrap();
    assert!(
        matches!(uncorrected, Compatibility::Settles(_)),
        "{uncorrected:?}"
    );
    let expected = expectation(&mixed, Conditions::STANDARD).unwrap();
    // floriculture and lettuce feeds of this strength read 1 to 2.5 mS/cm; common practice, no source
    let reading = expected.conductivity.microsiemens_per_cm;
    assert!((1000.0..2500.0).contains(&reading), "{expected:?}");
    assert!(
        expected.ph_low > 5.5 && expected.ph_high < 8.5,
        "{expected:?}"
    );

    let acid =
        Product::of_substances_by_volume("nitric acid 5 %", 1.03, &[(Substance::NitricAcid, 5.0)])
            .unwrap();
    // the tap runs a quarter more alkaline than the report says
    let tap = dissolve(
        &mixed,
        &[RecipeLine {
            product: &Product::of_substances(
                "hydrogen carbonate",
                Form::Solid,
                &[(Substance::SodiumHydrogenCarbonate, 100.0)],
            )
            .unwrap(),
            grams_per_litre: 0.075,
        }],
    )
    .unwrap();
    let read = |grams_per_litre| {
        let line = RecipeLine {
            product: &acid,
            grams_per_litre,
        };
        let dosed = dissolve(&tap, &[line]).unwrap();
        equilibrium(&dosed, Conditions::STANDARD).unwrap().ph()
    };
    let mut readings = vec![DoseReading {
        dosed_grams_per_litre: 0.0,
        ph: read(0.0),
    }];
    let most = 1.6 * usual_maximum_grams_per_litre(&acid).unwrap();
    loop {
        let advised = advise(&Correction {
            mixed: &mixed,
            product: &acid,
            celsius: 20.0,
            target_ph: 5.8,
            accepted_ph: (5.5, 6.2),
            readings: &readings,
            prior: Prior::NONE,
            cautious_share: CAUTIOUS_SHARE,
            most_grams_per_litre: most,
            checked_beyond_maximum: false,
            meter_error_ph: 0.05,
        })
        .unwrap();
        match advised.advice {
            Advice::Add(portion) => {
                let cautions = for_dose(&acid, portion.grams_per_litre * 20.0);
                assert!(cautions.needs_concentrates && !cautions.cautions.is_empty());
                let total =
                    readings.last().unwrap().dosed_grams_per_litre + portion.grams_per_litre;
                readings.push(DoseReading {
                    dosed_grams_per_litre: total,
                    ph: read(total),
                });
            }
            Advice::InRange { ph } => {
                assert!((5.5..=6.2).contains(&ph));
                break;
            }
            other => panic!("{other:?} after {readings:?}"),
        }
        assert!(readings.len() < 9, "{readings:?}");
    }
    println!("{readings:?}");
    let last = readings.last().unwrap().dosed_grams_per_litre;
    let line = RecipeLine {
        product: &acid,
        grams_per_litre: last,
    };
    let corrected = dissolve(&tap, &[line]).unwrap();
    assert_eq!(
        compatibility(&corrected, 10.0).unwrap(),
        Compatibility::Dissolved
    );
}
