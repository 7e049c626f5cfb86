#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;

use super::*;
use crate::ceilings::broken_ceilings;
use crate::climate::Climate;
use crate::development::{KnownDays, emergence_check_day, first_cut_day};
use crate::profile::GrowingMethod;
use crate::weight::{ContainerYield, weight_permille};

fn crop(name: &str) -> StarterCrop {
    starter_crops()
        .unwrap()
        .into_iter()
        .find(|crop| crop.name == name)
        .unwrap()
}

#[test]
fn profiles_are_sound_and_named_once() {
    let crops = starter_crops().unwrap();
    assert!(crops.len() >= 14, "{} crops", crops.len());
    let names: BTreeSet<_> = crops.iter().map(|crop| &crop.name).collect();
    assert_eq!(names.len(), crops.len());
    for crop in &crops {
        assert_eq!(crop.profile.validate(), [], "{}", crop.name);
        let groups = ["salad greens", "cooking greens", "herbs"];
        assert!(groups.contains(&crop.group.as_str()), "{}", crop.name);
    }
}

/// Every field has a source: one of the two exact marks, or a publication with a figure.
#[test]
fn every_figure_has_its_source() {
    for crop in starter_crops().unwrap() {
        let profile = serde_json::to_value(&crop.profile).unwrap();
        let fields: BTreeSet<_> = profile.as_object().unwrap().keys().cloned().collect();
        let sourced: BTreeSet<_> = crop.sources.keys().cloned().collect();
        assert_eq!(fields, sourced, "{}", crop.name);
        for (field, source) in &crop.sources {
            let mark = source == COMMON_PRACTICE || source == FROM_MEMORY;
            let publication = source.split_once(": ").is_some_and(|(title, figure)| {
                title.len() > 10 && figure.contains(|letter: char| letter.is_ascii_digit())
            });
            assert!(mark || publication, "{} {field}: {source}", crop.name);
        }
    }
}

/// No promise of the set goes beyond the published ceilings in the reference container, in which
/// the reference fill is that of the profile.
#[test]
fn no_crop_breaks_a_ceiling() {
    for crop in starter_crops().unwrap() {
        let jar = ContainerYield::REFERENCE;
        assert_eq!(broken_ceilings(&crop.profile, &jar), [], "{}", crop.name);
        assert_eq!(
            crop.profile.mix_at_sowing_millilitres, jar.liquid_millilitres,
            "{}",
            crop.name
        );
    }
}

/// Acta Hort. 648:83-89, 2004: raising the level by more than 2 cm may injure roots in the air.
/// 2 cm in a jar 15 cm wide is 353 ml.
#[test]
fn a_refill_of_a_still_jar_does_not_drown_roots() {
    for crop in starter_crops().unwrap() {
        if crop.profile.methods.contains(&GrowingMethod::Passive) {
            let refill = crop.profile.mix_at_cut_millilitres;
            assert!(refill <= 353, "{}: {refill} ml", crop.name);
        }
    }
}

fn steady(celsius: f64, mol: f64) -> Climate {
    Climate {
        temperature_celsius: vec![celsius; 30],
        daily_light_mol: vec![mol; 30],
    }
}

/// Days from sowing to the first cut against publications.
#[test]
fn first_cuts_fall_in_published_weeks() {
    let check = |(name, celsius, mol): (&str, f64, f64), published: (i64, i64)| {
        let days = first_cut_day(
            &crop(name).profile,
            &steady(celsius, mol),
            0,
            KnownDays::default(),
        )
        .unwrap();
        assert!(
            (published.0..=published.1).contains(&days),
            "{name} at {celsius} °C and {mol} mol: {days} days, published {published:?}"
        );
    };
    // Cornell pond system, at its light target of 17 mol.
    check(("butterhead lettuce", 22.0, 17.0), (35, 35));
    // Acta Hort. 843:65-72, 2009: 6-7 weeks after seeding in a still bottle; light not stated,
    // 12 mol is the general floor for leafy greens (Plants 2024, 13(5):652, secondary).
    check(("butterhead lettuce", 22.0, 12.0), (42, 49));
    check(("leaf lettuce", 22.0, 12.0), (42, 49));
    // UF/IFAS HS1279: three to four weeks.
    check(("spinach", 20.0, 14.0), (21, 28));
}

/// Harrington & Minges 1954: seed-to-emergence days of lettuce, spinach and cabbage (for kale and
/// collards, the same species), within a day.
#[test]
fn emergence_is_within_a_day_of_the_published_table() {
    let check = |(name, celsius): (&str, f64), published: Option<i64>| {
        let days = emergence_check_day(&crop(name).profile, &steady(celsius, 0.0), 0);
        let near = match (days, published) {
            (Some(days), Some(published)) => (days - published).abs() <= 1,
            (days, published) => days == published,
        };
        assert!(
            near,
            "{name} at {celsius} °C: {days:?} days, published {published:?}"
        );
    };
    for (celsius, days) in [(10.0, 7), (15.0, 4), (20.0, 3), (25.0, 2), (30.0, 3)] {
        check(("romaine lettuce", celsius), Some(days));
    }
    check(("romaine lettuce", 35.0), None);
    let spinach = [
        (5.0, 23),
        (10.0, 12),
        (15.0, 7),
        (20.0, 6),
        (25.0, 5),
        (30.0, 6),
    ];
    for (celsius, days) in spinach {
        check(("spinach", celsius), Some(days));
    }
    check(("spinach", 35.0), None);
    for (celsius, days) in [(10.0, 15), (15.0, 9), (20.0, 6), (25.0, 5), (30.0, 4)] {
        check(("kale", celsius), Some(days));
        check(("collards", celsius), Some(days));
    }
}

/// A reciprocal-transfer trial of lettuce (abstract; journal not recorded) found 46 % more shoot
/// fresh mass at 13 °C than at 25 °C. The model agrees in direction and gives less: 14 %.
#[test]
fn lettuce_is_lighter_in_the_heat_but_less_so_than_published() {
    let profile = crop("leaf lettuce").profile;
    let (cool, warm) = (
        weight_permille(&profile, 13.0, 17.0),
        weight_permille(&profile, 25.0, 17.0),
    );
    assert_eq!((cool, warm), (1000, 875));
    assert!(cool * 100 < warm * 146, "the disagreement has gone");
}
