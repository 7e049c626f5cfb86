#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::*;
use crate::development::{daily_development_micro_days, first_cut_day};
use crate::profile::test_profile;
use crate::weight::weight_permille;

const JAR: ContainerYield = ContainerYield::REFERENCE;

fn short_crop() -> CropProfile {
    CropProfile {
        days_to_first_cut: 10,
        days_to_regrow: 4,
        ..test_profile()
    }
}

/// Working days on these days of every week that is not closed.
fn site(weeks: usize, days: &[u32], closed: &[usize]) -> Vec<WorkingDay> {
    (0..weeks)
        .filter(|week| !closed.contains(week))
        .flat_map(|week| {
            days.iter().map(move |day| WorkingDay {
                day: u32::try_from(week).unwrap() * 7 + day,
                week,
            })
        })
        .collect()
}

fn plain_arcs(profile: &CropProfile, climate: &Climate, days: &[WorkingDay]) -> GrowingArcs {
    let (known, relaxed) = (KnownDays::default(), Relaxed::default());
    growing_arcs(profile, climate, days, &JAR, known, relaxed)
}

/// Worked by the generator of planning problems, a separate program in another language, from
/// the same weekly temperatures, one closed week and one week too cold. Light and heat are such
/// that weights stay at the reference, so that only timing, hold and suitability count.
#[test]
fn arcs_agree_with_the_problem_generator() {
    let climate = Climate {
        temperature_celsius: vec![
            9.0, 11.0, 13.0, 15.0, 7.5, 17.0, 19.0, 22.0, 21.0, 16.0, 12.0, 10.0,
        ],
        daily_light_mol: vec![16.0; 12],
    };
    let arcs = plain_arcs(&short_crop(), &climate, &site(12, &[1, 4], &[7]));
    assert_eq!(
        arcs.first,
        [
            (0, 7, 960),
            (1, 7, 980),
            (11, 14, 860),
            (12, 14, 940),
            (12, 15, 880),
            (13, 14, 1000),
            (13, 15, 940),
            (13, 16, 860),
            (14, 18, 960),
            (14, 19, 900),
            (15, 19, 1000),
            (15, 20, 920),
            (15, 21, 860),
        ]
    );
    assert_eq!(
        arcs.again,
        [
            (0, 4, 940),
            (0, 5, 880),
            (1, 4, 980),
            (1, 5, 920),
            (2, 5, 980),
            (2, 6, 900),
            (3, 6, 940),
            (3, 7, 880),
            (4, 6, 1000),
            (4, 7, 940),
            (5, 7, 1000),
            (10, 12, 960),
            (10, 13, 900),
            (11, 13, 960),
            (13, 14, 880),
            (14, 16, 940),
            (14, 17, 880),
            (15, 17, 960),
            (15, 18, 880),
            (16, 18, 980),
            (16, 19, 920),
            (17, 19, 1000),
            (17, 20, 920),
            (17, 21, 860),
            (18, 21, 980),
        ]
    );
    assert_eq!(arcs.cut_decigrams, [576, 432, 288]);
    assert_eq!(arcs.free_at, (1..=22).collect::<Vec<_>>());
}

#[test]
fn places_are_free_after_cleaning() {
    let days = site(4, &[1, 4], &[2]);
    let check = |cleaning_days: u32, expect: &[usize]| {
        let profile = CropProfile {
            cleaning_days,
            ..short_crop()
        };
        let climate = Climate {
            temperature_celsius: vec![20.0; 4],
            daily_light_mol: vec![16.0; 4],
        };
        assert_eq!(
            plain_arcs(&profile, &climate, &days).free_at,
            expect,
            "{cleaning_days} days"
        );
    };
    check(0, &[0, 1, 2, 3, 4, 5]);
    check(3, &[1, 2, 3, 4, 5, 6]);
    check(7, &[2, 3, 4, 4, 6, 6]);
    check(30, &[6, 6, 6, 6, 6, 6]);
}

#[test]
fn a_single_cut_has_no_arcs_for_another() {
    let profile = CropProfile {
        cut_milligrams: vec![140_000],
        ..short_crop()
    };
    let climate = Climate {
        temperature_celsius: vec![20.0; 6],
        daily_light_mol: vec![16.0; 6],
    };
    let arcs = plain_arcs(&profile, &climate, &site(6, &[0], &[]));
    assert_eq!(arcs.again, []);
    assert_eq!(
        arcs.first,
        [(0, 2, 920), (1, 3, 920), (2, 4, 920), (3, 5, 920)]
    );
}

#[test]
fn a_known_number_of_days_replaces_the_model() {
    let climate = Climate {
        temperature_celsius: vec![12.0; 6],
        daily_light_mol: vec![16.0; 6],
    };
    let days = site(6, &[0], &[]);
    let known = KnownDays {
        to_first_cut: Some(14),
        to_regrow: None,
    };
    let arcs = growing_arcs(
        &short_crop(),
        &climate,
        &days,
        &JAR,
        known,
        Relaxed::default(),
    );
    assert_eq!(
        arcs.first,
        [
            (0, 2, 1000),
            (0, 3, 860),
            (1, 3, 1000),
            (1, 4, 860),
            (2, 4, 1000),
            (2, 5, 860),
            (3, 5, 1000)
        ]
    );
}

#[test]
fn each_rule_can_be_left_out() {
    let climate = Climate {
        temperature_celsius: vec![20.0, 7.0, 20.0, 20.0, 20.0, 20.0, 20.0, 20.0],
        daily_light_mol: vec![16.0, 16.0, 16.0, 16.0, 16.0, 5.0, 16.0, 16.0],
    };
    let profile = CropProfile {
        hold_days: 5,
        ..short_crop()
    };
    let days = site(8, &[0], &[]);
    let first = |relaxed| {
        growing_arcs(
            &profile,
            &climate,
            &days,
            &JAR,
            KnownDays::default(),
            relaxed,
        )
        .first
    };
    let none = Relaxed::default();
    let added = |relaxed: Relaxed| -> Vec<(usize, usize)> {
        let plain = first(none);
        first(relaxed)
            .into_iter()
            .filter(|arc| !plain.contains(arc))
            .map(|(a, b, _)| (a, b))
            .collect()
    };
    assert_eq!(first(none), [(2, 4, 920)]);
    let temperature = Relaxed {
        temperature: true,
        ..none
    };
    assert_eq!(added(temperature), [(0, 3), (1, 4)]);
    let light = Relaxed {
        light: true,
        ..none
    };
    assert_eq!(added(light), [(3, 5), (4, 6), (5, 7)]);
    let hold = Relaxed { hold: true, ..none };
    assert_eq!(added(hold), []);
    let start = Relaxed {
        start: true,
        ..none
    };
    assert_eq!(added(start), []);
    let start_in_the_cold = Relaxed {
        start: true,
        temperature: true,
        ..none
    };
    assert_eq!(added(start_in_the_cold), [(0, 1), (0, 2), (0, 3), (1, 4)]);
}

#[test]
fn a_hold_or_a_head_start_left_out_adds_arcs() {
    let climate = Climate {
        temperature_celsius: vec![20.0; 5],
        daily_light_mol: vec![16.0; 5],
    };
    let profile = CropProfile {
        days_to_first_cut: 21,
        hold_days: 0,
        ..short_crop()
    };
    let days = site(5, &[0], &[]);
    let first = |relaxed| {
        growing_arcs(
            &profile,
            &climate,
            &days,
            &JAR,
            KnownDays::default(),
            relaxed,
        )
        .first
    };
    let none = Relaxed::default();
    assert_eq!(first(none), [(0, 3, 1000), (1, 4, 1000)]);
    let hold = Relaxed { hold: true, ..none };
    assert_eq!(first(hold), [(0, 3, 1000), (0, 4, 860), (1, 4, 1000)]);
    let start = Relaxed {
        start: true,
        ..none
    };
    assert_eq!(
        first(start),
        [(0, 1, 1000), (0, 2, 1000), (0, 3, 1000), (1, 4, 1000)]
    );
}

/// The rules as the format states them, day by day and pair by pair.
fn arcs_by_hand(
    profile: &CropProfile,
    climate: &Climate,
    days: &[WorkingDay],
    need_days: u32,
) -> Vec<(usize, usize, i64)> {
    let suits = |week: usize| {
        climate.in_week(week).is_some_and(|(celsius, mol)| {
            celsius >= profile.suitable_minimum_celsius
                && celsius <= profile.suitable_maximum_celsius
                && mol >= profile.light_minimum_mol
        })
    };
    let mut arcs = Vec::new();
    for a in 0..days.len() {
        for b in a + 1..days.len() {
            let (mut gained, mut factors, mut grown) = (0, 0, 0);
            let mut day = day_of(&days[a]);
            while gained < i64::from(need_days) * 1_000_000 && day < day_of(&days[b]) {
                let (celsius, mol) = climate.on_day(day).unwrap();
                gained += daily_development_micro_days(profile, celsius, mol);
                factors += weight_permille(profile, celsius, mol);
                grown += 1;
                day += 1;
            }
            let waited = day_of(&days[b]) - day;
            let ready = gained >= i64::from(need_days) * 1_000_000;
            if ready
                && waited <= i64::from(profile.hold_days)
                && (days[a].week..=days[b].week).all(suits)
            {
                let permille =
                    factors / grown * (1000 - profile.hold_loss_permille_per_day * waited) / 1000;
                arcs.push((a, b, permille));
            }
        }
    }
    arcs
}

fn some_climate() -> impl Strategy<Value = Climate> {
    prop::collection::vec((6.0..29.0_f64, 4.5..22.0_f64), 4..16).prop_map(|weeks| {
        let (temperature_celsius, daily_light_mol) = weeks.into_iter().unzip();
        Climate {
            temperature_celsius,
            daily_light_mol,
        }
    })
}

fn some_profile() -> impl Strategy<Value = CropProfile> {
    (5_u32..30, 3_u32..14, 0_u32..15, 0_i64..40, 0.0..=1.0_f64).prop_map(
        |(first, regrow, hold, loss, exponent)| CropProfile {
            days_to_first_cut: first,
            days_to_regrow: regrow,
            hold_days: hold,
            hold_loss_permille_per_day: loss,
            light_exponent: exponent,
            ..test_profile()
        },
    )
}

fn some_days() -> impl Strategy<Value = Vec<WorkingDay>> {
    prop::collection::btree_set(0_u32..16 * 7, 2..30).prop_map(|days| {
        days.into_iter()
            .map(|day| WorkingDay {
                day,
                week: usize::try_from(day / 7).unwrap(),
            })
            .collect()
    })
}

fn some_relaxed() -> impl Strategy<Value = Relaxed> {
    (any::<bool>(), any::<bool>(), any::<bool>(), any::<bool>()).prop_map(
        |(temperature, light, hold, start)| Relaxed {
            temperature,
            light,
            hold,
            start,
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn arcs_are_those_of_the_rules(
        profile in some_profile(), climate in some_climate(), days in some_days()
    ) {
        let days: Vec<_> = days.into_iter().filter(|day| day.week < climate.weeks()).collect();
        let arcs = plain_arcs(&profile, &climate, &days);
        prop_assert_eq!(
            arcs.first,
            arcs_by_hand(&profile, &climate, &days, profile.days_to_first_cut)
        );
        prop_assert_eq!(
            arcs.again,
            arcs_by_hand(&profile, &climate, &days, profile.days_to_regrow)
        );
    }

    #[test]
    fn arcs_are_well_formed(
        profile in some_profile(), climate in some_climate(), days in some_days(),
        relaxed in some_relaxed()
    ) {
        let arcs =
            growing_arcs(&profile, &climate, &days, &JAR, KnownDays::default(), relaxed);
        for list in [&arcs.first, &arcs.again] {
            prop_assert!(list.is_sorted());
            for &(a, b, permille) in list {
                prop_assert!(a < b && b < days.len() && (1..=1000).contains(&permille));
            }
        }
        prop_assert_eq!(arcs.free_at.len(), days.len());
        prop_assert!(arcs.free_at.iter().enumerate().all(|(b, &e)| e >= b && e <= days.len()));
        prop_assert_eq!(arcs.cut_decigrams.len(), profile.cut_milligrams.len());
    }

    #[test]
    fn leaving_a_rule_out_only_adds_arcs(
        profile in some_profile(), climate in some_climate(), days in some_days(),
        relaxed in some_relaxed()
    ) {
        let plain = plain_arcs(&profile, &climate, &days);
        let more = growing_arcs(&profile, &climate, &days, &JAR, KnownDays::default(), relaxed);
        prop_assert!(plain.first.iter().all(|arc| more.first.contains(arc)));
        prop_assert!(plain.again.iter().all(|arc| more.again.contains(arc)));
    }

    #[test]
    fn sowing_earlier_is_never_ready_later(
        profile in some_profile(), climate in some_climate(), sown in -30_i64..100
    ) {
        let ready = |day| first_cut_day(&profile, &climate, day, KnownDays::default());
        if let Some(later) = ready(sown + 1) {
            prop_assert!(ready(sown).is_some_and(|day| day <= later));
        }
    }

    #[test]
    fn more_light_is_never_ready_later(
        profile in some_profile(), climate in some_climate(), sown in -30_i64..100,
        extra in 0.0..10.0_f64
    ) {
        let mut brighter = climate.clone();
        brighter.daily_light_mol.iter_mut().for_each(|mol| *mol += extra);
        let ready = |climate| first_cut_day(&profile, climate, sown, KnownDays::default());
        if let Some(darker) = ready(&climate) {
            prop_assert!(ready(&brighter).is_some_and(|day| day <= darker));
        }
    }
}

#[test]
fn nothing_is_cut_on_the_day_it_is_sown() {
    let climate = Climate {
        temperature_celsius: vec![20.0; 3],
        daily_light_mol: vec![16.0; 3],
    };
    let known = KnownDays {
        to_first_cut: Some(0),
        to_regrow: Some(0),
    };
    let days = site(3, &[0], &[]);
    let arcs = growing_arcs(
        &short_crop(),
        &climate,
        &days,
        &JAR,
        known,
        Relaxed::default(),
    );
    assert_eq!(arcs.first, [(0, 1, 880), (1, 2, 880)]);
}
