//! What all crops at a station have in common: learned from all, told apart from the crops', held and
//! forgotten by a coordinator.

use cotyl_growth::learning::{
    Assumptions, Choices, Frozen, Learned, LearningError, Level, Measured, Place, Quantity, Reset,
    Scope, SowingRecord, learn,
};

use crate::world::{CROPS, place};

const SLOW: usize = 1;

/// Two sowings of some crops at every station, as the profiles expect but for the slow station, where
/// all take as many times their days and give as much less, and half of a dozen stands.
fn records(crops: &[usize], slower: f64, day: i64) -> Vec<SowingRecord> {
    let mut records = Vec::new();
    for &crop in crops {
        for station in [0, SLOW, 2, 3] {
            for sowing in 0..2 {
                let is_slow = station == SLOW;
                let noise = 1.0 + 0.02 * f64::from(sowing);
                let times = if is_slow { slower * noise } else { noise };
                let sown = if sowing == 0 { 12 } else { 10 };
                let stood = if is_slow { sown / 2 } else { sown - 1 };
                let share = f64::from(stood) / f64::from(sown);
                records.push(SowingRecord {
                    place: place(crop, station),
                    day,
                    days_to_first_cut: Some(Measured {
                        observed: 35.0 * times,
                        expected: 35.0,
                    }),
                    grams: Some(Measured {
                        observed: 600.0 * share / times,
                        expected: 600.0 * CROPS[crop].2,
                    }),
                    containers_sown: sown,
                    containers_stood: Some(stood),
                    lost: false,
                    expected_survival: CROPS[crop].2,
                });
            }
        }
    }
    records
}

fn taught(records: &[SowingRecord], choices: &Choices) -> Learned {
    learn(records, choices, &Assumptions::default()).unwrap()
}

fn days(learned: &Learned, place: &Place) -> f64 {
    learned.days(place, Level::CropStation).multiplier()
}

fn slow_station() -> Scope {
    Scope::Station {
        station: place(0, SLOW).station,
    }
}

#[test]
fn what_a_station_does_to_some_crops_it_is_expected_to_do_to_others() {
    let learned = taught(&records(&[0, 1, 3, 4], 1.5, 0), &Choices::default());
    // Mint was never sown there, nor anywhere.
    let (there, elsewhere) = (place(5, SLOW), place(5, 3));
    assert_eq!(there.method, elsewhere.method);
    let level = Level::CropStation;
    let grams = |place| learned.grams(place, level).multiplier();
    let survival = |place| learned.survival(place, level, 0.9).unwrap().share();
    println!(
        "days {:.3} and {:.3}, grams {:.3} and {:.3}, survival {:.3} and {:.3}",
        days(&learned, &there),
        days(&learned, &elsewhere),
        grams(&there),
        grams(&elsewhere),
        survival(&there),
        survival(&elsewhere)
    );
    assert!(days(&learned, &there) > 1.2 * days(&learned, &elsewhere));
    assert!(grams(&there) < 0.9 * grams(&elsewhere));
    assert!(survival(&there) < survival(&elsewhere) - 0.05);
}

#[test]
fn the_part_of_a_station_is_told_apart_from_that_of_a_crop() {
    let mut records = records(&[0, 1, 3, 4], 1.4, 0);
    // Lettuce is slow wherever it grows.
    for record in &mut records {
        if record.place.crop == CROPS[0].0 {
            record.days_to_first_cut = record.days_to_first_cut.map(|days| Measured {
                observed: 1.4 * days.observed,
                ..days
            });
        }
    }
    let learned = taught(&records, &Choices::default());
    let crop = |of| learned.days(&place(of, 3), Level::Crop).multiplier();
    let station = |of| learned.days_of_station(&place(5, of)).multiplier();
    println!(
        "crops {:.3} and {:.3}, stations {:.3} and {:.3}",
        crop(0),
        crop(1),
        station(SLOW),
        station(3)
    );
    assert!(crop(0) > 1.15 * crop(1));
    assert!(station(SLOW) > 1.15 * station(3));
    assert_eq!(learned.days_of_station(&place(5, SLOW)).sowings(), 8);
    assert_eq!(learned.days_of_station(&place(0, 4)).sowings(), 0);
    assert_eq!(learned.days_of_station(&place(0, 4)).multiplier(), 1.0);
    let survival = |of| learned.survival_of_station(&place(5, of), 0.9).unwrap();
    assert!(survival(SLOW).share() < survival(3).share() - 0.05);
    assert!(survival(SLOW).interval(0.8).unwrap().high < survival(3).share());
    assert_eq!(survival(4).share(), 0.9);
}

#[test]
fn a_station_can_be_held() {
    let choices = Choices {
        frozen: vec![Frozen {
            scope: slow_station(),
            quantity: Quantity::Days,
            value: 1.2,
        }],
        resets: Vec::new(),
    };
    for records in [&records(&[0, 1, 3], 1.5, 0)[..], &[]] {
        let learned = taught(records, &choices);
        let part = learned.days_of_station(&place(5, SLOW));
        assert!(part.is_frozen());
        assert!((part.multiplier() - 1.2).abs() < 1e-12);
        let interval = part.interval(0.8).unwrap();
        assert!((interval.high - interval.low).abs() < 1e-12);
        assert!(!learned.grams_of_station(&place(5, SLOW)).is_frozen());
    }
    // Without records a crop there is where the station is.
    let learned = taught(&[], &choices);
    assert!((days(&learned, &place(5, SLOW)) - 1.2).abs() < 1e-12);
    assert!(learned.days(&place(5, SLOW), Level::CropStation).is_moved());
    assert_eq!(days(&learned, &place(5, 3)), 1.0);
    let faulty = Choices {
        frozen: vec![Frozen {
            scope: slow_station(),
            quantity: Quantity::Survival,
            value: 0.9,
        }],
        resets: Vec::new(),
    };
    assert_eq!(
        learn(&[], &faulty, &Assumptions::default()).unwrap_err(),
        LearningError::FrozenTooWide { choice: 0 }
    );
}

#[test]
fn new_lamps_let_a_station_begin_anew() {
    let (old, new) = (records(&[0, 1, 3], 1.5, 0), records(&[0, 1, 3], 1.0, 100));
    let all: Vec<SowingRecord> = old.into_iter().chain(new).collect();
    let forgotten = Choices {
        frozen: Vec::new(),
        resets: vec![Reset {
            scope: slow_station(),
            quantity: None,
            before_day: 100,
        }],
    };
    let (with, without) = (taught(&all, &Choices::default()), taught(&all, &forgotten));
    let station = |learned: &Learned| learned.days_of_station(&place(0, SLOW)).multiplier();
    println!("{:.3}, {:.3}", station(&with), station(&without));
    assert!(station(&with) > 1.1);
    assert!((station(&without) - 1.0).abs() < 0.02);
    // Other stations keep what is on record of them.
    assert_eq!(without.days_of_station(&place(0, 3)).sowings(), 12);
}
