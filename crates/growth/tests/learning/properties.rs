//! What must hold whatever is on record.

use cotyl_growth::learning::{
    Assumptions, Choices, Factor, Frozen, Learned, LearningError, Level, Measured, Place, Quantity,
    Reset, Scope, SowingRecord, expected_survival, learn,
};
use cotyl_growth::{CropProfile, GrowingMethod, starter_crops};
use proptest::prelude::*;

use crate::world::{AS_ASSUMED, CROPS, Cooperative, STATIONS, UNLIKE, place};

fn taught(records: &[SowingRecord], choices: &Choices) -> Learned {
    learn(records, choices, &Assumptions::default()).unwrap()
}

/// A sowing of 10 containers that all stood, as expected but for these factors.
fn record(place: Place, days: f64, grams: f64) -> SowingRecord {
    SowingRecord {
        place,
        day: 0,
        days_to_first_cut: Some(Measured {
            observed: 35.0 * days,
            expected: 35.0,
        }),
        grams: Some(Measured {
            observed: 600.0 * grams,
            expected: 540.0,
        }),
        containers_sown: 10,
        containers_stood: Some(10),
        lost: false,
        expected_survival: 0.9,
    }
}

fn starter() -> CropProfile {
    starter_crops().unwrap().swap_remove(0).profile
}

fn near(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found} is not {expected} ± {tolerance}"
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn the_order_of_records_does_not_matter(seed in 0_u64..1000, turn in 1_usize..40) {
        let mut records = Cooperative::new(UNLIKE, seed).term();
        let first = taught(&records, &Choices::default());
        records.rotate_left(turn);
        records[5..].reverse();
        prop_assert_eq!(first, taught(&records, &Choices::default()));
    }

    /// One record among sixty, whatever it says, moves a factor by less than 60 % of grams and 25 %
    /// of days, even where it is the only record of its place.
    /// (The most seen in 500 draws: 40 % and 17 %.)
    #[test]
    fn one_odd_record_moves_no_factor_far(
        seed in 0_u64..1000,
        odd in 0_usize..60,
        times in prop_oneof![Just(1e-6), Just(0.2), Just(5.0), Just(1e6)],
    ) {
        let mut records = Cooperative::new(AS_ASSUMED, seed).term();
        records.retain(|record| !record.lost);
        let odd = odd % records.len();
        let removed = records.remove(odd);
        let without = taught(&records, &Choices::default());
        let mut spoilt = removed;
        for measured in [&mut spoilt.days_to_first_cut, &mut spoilt.grams] {
            *measured = measured.map(|m| Measured { observed: m.observed * times, ..m });
        }
        records.push(spoilt);
        let with = taught(&records, &Choices::default());
        let moved = |of: fn(&Learned, &Place, Level) -> Factor, place: &Place| {
            let factor = |learned: &Learned| of(learned, place, Level::CropStation).multiplier();
            (factor(&with) / factor(&without)).ln().abs().exp()
        };
        for crop in 0..CROPS.len() {
            for station in 0..STATIONS {
                let place = place(crop, station);
                let (days, grams) = (moved(Learned::days, &place), moved(Learned::grams, &place));
                prop_assert!(days < 1.25 && grams < 1.6, "{days}, {grams}");
            }
        }
    }
}

/// However odd the first record of all is, it moves the factor of its place by less than 16 % of
/// grams and 8 % of days.
#[test]
fn one_lucky_jar_does_not_move_the_plan() {
    for times in [1e-9, 0.1, 3.0, 10.0, 1e9] {
        let learned = taught(&[record(place(0, 0), times, times)], &Choices::default());
        let days = learned.days(&place(0, 0), Level::CropStation).multiplier();
        let grams = learned.grams(&place(0, 0), Level::CropStation).multiplier();
        println!("a first record of {times}: days {days:.3}, grams {grams:.3}");
        assert!(days.ln().abs() < 1.08_f64.ln(), "{times}: {days}");
        assert!(grams.ln().abs() < 1.16_f64.ln(), "{times}: {grams}");
    }
}

#[test]
fn without_records_nothing_changes() {
    let learned = taught(&[], &Choices::default());
    let profile = starter();
    for level in Level::ALL {
        for factor in [
            learned.days(&place(0, 0), level),
            learned.grams(&place(0, 0), level),
        ] {
            assert_eq!(factor.multiplier(), 1.0);
            assert_eq!(
                (factor.sowings(), factor.basis(), factor.is_frozen()),
                (0, None, false)
            );
            let interval = factor.interval(0.8).unwrap();
            assert!(interval.low < 1.0 && 1.0 < interval.high);
        }
        let survival = learned.survival(&place(0, 0), level, 0.85).unwrap();
        near(survival.share(), 0.85, 1e-12);
    }
    assert_eq!(learned.applied(&profile, &place(0, 0)).unwrap(), profile);
}

#[test]
fn many_records_teach_what_they_say() {
    let records: Vec<SowingRecord> = (0..400)
        .map(|index| {
            let mut record = record(place(0, 0), 1.2, if index % 2 == 0 { 0.5 } else { 0.9 });
            record.containers_stood = Some(if index % 5 == 0 { 5 } else { 8 });
            record
        })
        .collect();
    let learned = taught(&records, &Choices::default());
    let at = place(0, 0);
    near(
        learned.days(&at, Level::CropStation).multiplier(),
        1.2,
        0.005,
    );
    // 7.4 of 10 stood on average, each jar's factor being as much higher.
    let mean = (4.0 / 5.0 * 10.0 / 8.0 + 1.0 / 5.0 * 10.0 / 5.0) * (0.5 + 0.9) / 2.0;
    near(
        learned.grams(&at, Level::CropStation).multiplier(),
        mean,
        0.03,
    );
    near(
        learned
            .survival(&at, Level::CropStation, 0.9)
            .unwrap()
            .share(),
        0.74,
        0.01,
    );
    assert_eq!(learned.days(&at, Level::CropStation).sowings(), 400);
    let profile = learned.applied(
        &CropProfile {
            days_to_first_cut: 30,
            ..starter()
        },
        &at,
    );
    assert_eq!(profile.unwrap().days_to_first_cut, 36);
}

#[test]
fn what_is_learned_of_one_place_helps_others_the_more_alike_they_are() {
    let records: Vec<SowingRecord> = (0..12).map(|_| record(place(0, 0), 1.3, 0.6)).collect();
    let learned = taught(&records, &Choices::default());
    // The same cell, another station by the method, another method, crop, and group.
    let places = [
        place(0, 0),
        place(0, 2),
        place(0, 1),
        place(1, 0),
        place(3, 0),
    ];
    let bases = [
        Level::CropStation,
        Level::CropMethod,
        Level::Crop,
        Level::Group,
        Level::Cooperative,
    ];
    let mut last = f64::INFINITY;
    for (place, basis) in places.iter().zip(bases) {
        let factor = learned.days(place, Level::CropStation);
        assert_eq!(factor.basis(), Some(basis));
        assert!(factor.multiplier() < last && factor.multiplier() > 1.0);
        last = factor.multiplier();
    }
}

#[test]
fn frozen_stays_frozen() {
    let records = Cooperative::new(UNLIKE, 3).term();
    let at = place(0, 1);
    let freeze = |scope: Scope, quantity, value| Frozen {
        scope,
        quantity,
        value,
    };
    let station = Scope::CropStation {
        crop: at.crop.clone(),
        station: at.station.clone(),
    };
    let crop = Scope::Crop {
        crop: at.crop.clone(),
    };
    let choices = Choices {
        frozen: vec![
            freeze(station.clone(), Quantity::Days, 9.0),
            freeze(station, Quantity::Days, 1.25),
            freeze(crop.clone(), Quantity::Grams, 0.7),
            freeze(crop, Quantity::Survival, 0.6),
        ],
        resets: Vec::new(),
    };
    for records in [&records[..], &[]] {
        let learned = taught(records, &choices);
        let days = learned.days(&at, Level::CropStation);
        near(days.multiplier(), 1.25, 1e-12);
        assert!(days.is_frozen());
        let interval = days.interval(0.95).unwrap();
        near(interval.low, 1.25, 1e-12);
        near(interval.high, 1.25, 1e-12);
        near(learned.grams(&at, Level::Crop).multiplier(), 0.7, 1e-12);
        let survival = learned.survival(&at, Level::Crop, 0.96).unwrap();
        near(survival.share(), 0.6, 1e-9);
        assert!(survival.is_frozen());
    }
    // What lies below is drawn to it; without records it is there.
    let learned = taught(&[], &choices);
    near(
        learned.grams(&at, Level::CropStation).multiplier(),
        0.7,
        1e-12,
    );
    near(
        learned
            .survival(&at, Level::CropStation, 0.96)
            .unwrap()
            .share(),
        0.6,
        1e-9,
    );
}

#[test]
fn a_reset_forgets_what_was_before() {
    let mut cooperative = Cooperative::new(UNLIKE, 8);
    let (old, new) = (cooperative.term(), cooperative.term());
    let new: Vec<SowingRecord> = new
        .into_iter()
        .map(|record| SowingRecord {
            day: record.day + 100,
            ..record
        })
        .collect();
    let both: Vec<SowingRecord> = old.iter().chain(&new).cloned().collect();
    let reset = |scope, quantity| Choices {
        frozen: Vec::new(),
        resets: vec![Reset {
            scope,
            quantity,
            before_day: 100,
        }],
    };
    assert_eq!(
        taught(&both, &reset(Scope::Cooperative, None)),
        taught(&new, &Choices::default())
    );
    let of_grams = taught(&both, &reset(Scope::Cooperative, Some(Quantity::Grams)));
    let at = place(2, 2);
    let level = Level::CropStation;
    let of_all = taught(&both, &Choices::default());
    assert_eq!(of_grams.days(&at, level), of_all.days(&at, level));
    assert_ne!(of_grams.grams(&at, level), of_all.grams(&at, level));
}

#[test]
fn intervals_agree_with_probabilities() {
    let learned = taught(&Cooperative::new(AS_ASSUMED, 5).term(), &Choices::default());
    let at = place(4, 3);
    let grams = learned.grams(&at, Level::CropStation);
    let interval = grams.interval(0.8).unwrap();
    near(grams.probability_below(interval.low), 0.1, 1e-6);
    near(grams.probability_below(interval.high), 0.9, 1e-6);
    assert!(interval.low < grams.multiplier() && grams.multiplier() < interval.high);
    let survival = learned.survival(&at, Level::CropStation, 0.8).unwrap();
    let interval = survival.interval(0.95).unwrap();
    near(survival.probability_below(interval.low), 0.025, 1e-6);
    near(survival.probability_below(interval.high), 0.975, 1e-6);
}

#[test]
fn scatter_of_a_known_station_is_that_of_its_sowings() {
    let world = crate::world::World {
        sowings: 2000,
        ..AS_ASSUMED
    };
    let learned = taught(&Cooperative::new(world, 1).term(), &Choices::default());
    let scatter = learned.scatter(&place(0, 0), 0.96).unwrap();
    // A log-normal of standard deviation s has a coefficient of variation √(exp s² - 1).
    near(scatter.grams_variation, 0.16_f64.exp_m1().sqrt(), 0.02);
    near(scatter.days_variation, 0.0144_f64.exp_m1().sqrt(), 0.01);
    near(scatter.days_standard_deviation(30.0), 3.6, 0.3);
    assert!(scatter.station_share < 0.05, "{}", scatter.station_share);
    let unknown = taught(&[], &Choices::default())
        .scatter(&place(0, 0), 0.96)
        .unwrap();
    assert!(unknown.station_share > 0.15, "{}", unknown.station_share);
}

#[test]
fn faulty_figures_are_named() {
    let good = || record(place(0, 0), 1.0, 1.0);
    let check = |record: SowingRecord, expect: &str| {
        let error = learn(
            &[good(), record],
            &Choices::default(),
            &Assumptions::default(),
        );
        assert_eq!(error.unwrap_err().to_string(), expect);
    };
    for bad in [0.0, -3.0, f64::NAN, f64::INFINITY] {
        let measured = Some(Measured {
            observed: bad,
            expected: 1.0,
        });
        check(
            SowingRecord {
                grams: measured,
                ..good()
            },
            &format!("record 1: grams.observed must be finite and above 0; it is {bad}"),
        );
        check(
            SowingRecord {
                days_to_first_cut: measured,
                ..good()
            },
            &format!(
                "record 1: days_to_first_cut.observed must be finite and above 0; it is {bad}"
            ),
        );
    }
    check(
        SowingRecord {
            expected_survival: 1.2,
            ..good()
        },
        "record 1: expected_survival must be above 0 and at most 1; it is 1.2",
    );
    check(
        SowingRecord {
            containers_stood: Some(11),
            ..good()
        },
        "record 1: 11 of 10 containers cannot have stood",
    );
    check(
        SowingRecord {
            lost: true,
            ..good()
        },
        "record 1: there are grams, but no container stood",
    );
    let freeze = |scope, quantity, value| Choices {
        frozen: vec![Frozen {
            scope,
            quantity,
            value,
        }],
        resets: Vec::new(),
    };
    let refused = |choices| learn(&[], &choices, &Assumptions::default()).unwrap_err();
    assert_eq!(
        refused(freeze(Scope::Cooperative, Quantity::Days, 0.0)),
        LearningError::FrozenValue {
            choice: 0,
            value: 0.0
        }
    );
    assert_eq!(
        refused(freeze(Scope::Cooperative, Quantity::Survival, 0.9)),
        LearningError::FrozenTooWide { choice: 0 }
    );
    let learned = taught(&[], &Choices::default());
    assert!(
        learned
            .days(&place(0, 0), Level::Crop)
            .interval(1.0)
            .is_err()
    );
    assert!(learned.survival(&place(0, 0), Level::Crop, 0.0).is_err());
}

#[test]
fn survival_is_put_into_germination() {
    let mut records = Vec::new();
    for _ in 0..60 {
        let mut lossy = record(place(0, 0), 1.0, 1.0);
        lossy.containers_stood = Some(6);
        records.push(lossy);
    }
    let learned = taught(&records, &Choices::default());
    let profile = CropProfile {
        germination_permille: 800,
        seeds_per_plant: 2,
        ..starter()
    };
    near(expected_survival(&profile), 0.96, 1e-12);
    let applied = learned.applied(&profile, &place(0, 0)).unwrap();
    let share = learned
        .survival(&place(0, 0), Level::CropStation, 0.96)
        .unwrap()
        .share();
    near(expected_survival(&applied), share, 0.002);
    assert_eq!(applied.seeds_per_plant, 2);
    assert_eq!(GrowingMethod::Passive, place(0, 0).method);
}
