//! Cautions and the order of mixing.
#![allow(clippy::unwrap_used)]

use cotyl_domain::QualificationKind;
use cotyl_solution::caution::{for_concentrates, for_dose, for_product, hazards};
use cotyl_solution::{Form, MixingStep, Product, Substance, mixing_order};

fn product(substance: Substance, percent: f64, density: Option<f64>) -> Product {
    let form = density.map_or(Form::Solid, |grams_per_millilitre| Form::Liquid {
        grams_per_millilitre,
    });
    Product::of_substances(format!("{substance:?}"), form, &[(substance, percent)]).unwrap()
}

fn codes(product: &Product) -> Vec<&'static str> {
    hazards(product).iter().map(|hazard| hazard.code).collect()
}

/// EU index 015-011-00-6 (CAS 7664-38-2): corrosive from 25 %, irritant from 10 to 25 %. Potassium
/// hydroxide H290, H302, H314 and potassium carbonate H315, H319, H335 on safety data sheets, from
/// memory. H314 makes H318 redundant: UN GHS rev. 9, 2021, p. 286.
#[test]
fn hazards_by_strength() {
    let acid = |percent| codes(&product(Substance::PhosphoricAcid, percent, Some(1.3)));
    assert_eq!(acid(85.0), ["H290", "H314"]);
    assert_eq!(acid(25.0), ["H290", "H314"]);
    assert_eq!(acid(24.9), ["H315", "H319"]);
    assert_eq!(acid(10.0), ["H315", "H319"]);
    assert!(acid(9.9).is_empty());
    let base = product(Substance::PotassiumHydroxide, 90.0, None);
    assert_eq!(codes(&base), ["H290", "H302", "H314"]);
    let carbonate = product(Substance::PotassiumCarbonate, 100.0, None);
    assert_eq!(codes(&carbonate), ["H315", "H319", "H335"]);
    let mixed = Product::of_substances(
        "trace elements in acid",
        Form::Solid,
        &[
            (Substance::PhosphoricAcid, 40.0),
            (Substance::ZincSulfateHeptahydrate, 30.0),
        ],
    )
    .unwrap();
    assert_eq!(codes(&mixed), ["H290", "H302", "H314", "H410"]);
}

#[test]
fn every_acid_base_and_concentrate_carries_its_cautions() {
    for (substance, percent) in [
        (Substance::PhosphoricAcid, 5.0),
        (Substance::PhosphoricAcid, 85.0),
        (Substance::NitricAcid, 60.0),
        (Substance::SulfuricAcid, 93.0),
        (Substance::CitricAcid, 100.0),
        (Substance::AceticAcid, 5.0),
        (Substance::PotassiumHydroxide, 50.0),
        (Substance::PotassiumCarbonate, 100.0),
        (Substance::PotassiumHydrogenCarbonate, 100.0),
    ] {
        let cautions = for_dose(&product(substance, percent, None), 100.0);
        assert!(cautions.needs_concentrates);
        let has = |code: &str| cautions.cautions.iter().any(|caution| caution.code == code);
        for code in [
            "trained-adults-only",
            "concentrate-into-water",
            "never-acid-with-base",
            "eye-protection-and-gloves",
            "store-locked-and-apart",
            "spills-and-disposal-by-local-rules",
            "not-for-drinking",
            "stir-wait-read-again",
        ] {
            assert!(has(code), "{substance:?} lacks {code}");
        }
        let last = cautions.cautions.last().unwrap();
        assert_eq!(last.code, "follow-label-and-local-rules");
        assert!(!has("dose-by-dilute-stock"));
        let needed = cautions
            .cautions
            .iter()
            .filter_map(|caution| caution.qualification);
        assert!(needed.clone().count() > 0);
        assert!(
            needed
                .clone()
                .all(|kind| kind == QualificationKind::Concentrates)
        );
        for caution in &cautions.cautions {
            assert!(!caution.text.is_empty() && !caution.source.is_empty());
        }
    }
    assert!(
        for_concentrates()
            .iter()
            .any(|caution| caution.code == "never-parts-undiluted")
    );
}

#[test]
fn a_tiny_dose_is_made_from_a_dilute_stock() {
    let base = product(Substance::PotassiumHydroxide, 90.0, None);
    // 3.6 mg/L lifts half-strength solution by half a unit: 72 mg in 20 L
    let cautions = for_dose(&base, 0.072).cautions;
    assert!(
        cautions
            .iter()
            .any(|caution| caution.code == "dose-by-dilute-stock")
    );
}

#[test]
fn dry_fertiliser_is_for_everybody() {
    let salt = for_product(&product(
        Substance::MagnesiumSulfateHeptahydrate,
        100.0,
        None,
    ));
    assert!(!salt.needs_concentrates && salt.hazards.is_empty());
    assert!(
        salt.cautions
            .iter()
            .all(|caution| caution.qualification.is_none())
    );
    assert!(
        salt.cautions
            .iter()
            .any(|caution| caution.code == "no-dust")
    );
    let liquid = for_product(&product(Substance::PotassiumNitrate, 10.0, Some(1.06)));
    assert!(liquid.needs_concentrates);
}

#[test]
fn calcium_comes_last_and_the_ph_after_it() {
    let shelf = [
        product(Substance::CalciumNitrateTetrahydrate, 100.0, None),
        product(Substance::PhosphoricAcid, 85.0, Some(1.685)),
        product(Substance::PotassiumDihydrogenPhosphate, 100.0, None),
        product(Substance::PotassiumNitrate, 100.0, None),
        product(Substance::MagnesiumSulfateHeptahydrate, 100.0, None),
    ];
    let products: Vec<&Product> = shelf.iter().collect();
    let add = |line| MixingStep::Add { line };
    assert_eq!(
        mixing_order(&products, false),
        [
            MixingStep::Water { percent: 80 },
            add(4),
            add(2),
            add(3),
            add(0),
            add(1),
            MixingStep::FillUp,
            MixingStep::ReadAndCorrect,
        ]
    );
    let corrected = mixing_order(&products, true);
    assert_eq!(corrected[4..6], [MixingStep::ReadAndCorrect, add(0)]);
    assert_eq!(corrected.last(), Some(&MixingStep::ReadAndCorrect));
}
