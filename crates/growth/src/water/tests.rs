//! Water: published figures, and balances that hold whatever is put in.
#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::*;
use crate::climate::WorkingDay;
use crate::ground::expected_cuts;
use crate::profile::test_profile;

/// 231 cubic inches of 16 387.064 microlitres.
const US_GALLON: i64 = 3_785_412;

const JAR: Vessel = Vessel {
    volume_microlitres: 4_000_000,
    fill_microlitres: 3_500_000,
    refill_limit_microlitres: 2_500_000,
};

fn climate(celsius: f64, mol: f64) -> Climate {
    Climate {
        temperature_celsius: vec![celsius; 40],
        daily_light_mol: vec![mol; 40],
    }
}

fn growing<'a>(profile: &'a CropProfile, climate: &'a Climate) -> Growing<'a> {
    Growing {
        profile,
        climate,
        container: &ContainerYield::REFERENCE,
        known: KnownDays::default(),
    }
}

/// One US gallon at 12, 15 and 20 L/kg carries 315, 252 and 189 g of lettuce, more than a head of
/// 142 g; with a tenth left at the end (Kratky 2004) 3.41 L of it can be used.
#[test]
fn what_a_gallon_carries() {
    for (water, grams) in [
        (WaterUse::LEAST, 315),
        (WaterUse::USUAL, 252),
        (WaterUse::MOST, 189),
    ] {
        assert_eq!(water.supported_milligrams(US_GALLON) / 1000, grams);
        assert!(grams > 142);
    }
    let usable = US_GALLON - scale(US_GALLON, END_OF_CROP_PERMILLE);
    assert_eq!(usable / 10_000, 340);
    // 75 g a litre, Pennisi et al. 2019, lies between the least and the usual
    let best = 1_000_000 / 75 * 1000 / 1000;
    let range = WaterUse::LEAST.microlitres_per_gram..WaterUse::USUAL.microlitres_per_gram;
    assert!(range.contains(&best));
}

/// The gallon lasts one leaf or semi-head lettuce of 5 to 6 weeks without more water (University of
/// Hawaii, simple growing kit): a head of 142 g in 35 days (Cornell pond system) uses 1.7 to 2.9 L.
#[test]
fn a_gallon_lasts_a_head_of_lettuce() {
    let profile = CropProfile {
        cut_milligrams: vec![142_000],
        germination_permille: 1000,
        days_to_first_cut: 35,
        ..test_profile()
    };
    let climate = climate(21.0, 17.0);
    let use_of = |water| -> i64 {
        growing(&profile, &climate)
            .daily_use_microlitres(water, 0, &[35], 0..60)
            .iter()
            .sum()
    };
    assert_eq!(use_of(WaterUse::LEAST), 1_704_000);
    assert_eq!(use_of(WaterUse::MOST), 2_840_000);
    assert!(use_of(WaterUse::MOST) < US_GALLON - US_GALLON / 10);
}

#[test]
fn use_of_each_stage_is_litres_per_kilogram_of_its_cut() {
    let profile = test_profile();
    let climate = climate(21.0, 16.0);
    let every_day: Vec<WorkingDay> = (0..280)
        .map(|day| WorkingDay {
            day,
            week: day as usize / 7,
        })
        .collect();
    let cuts = expected_cuts(
        &profile,
        &climate,
        0,
        &[],
        &every_day,
        &ContainerYield::REFERENCE,
        KnownDays::default(),
    );
    let days: Vec<i64> = cuts
        .iter()
        .map(|cut| i64::from(every_day[cut.slot].day))
        .collect();
    assert_eq!(days, [35, 47, 59]);
    let uses = growing(&profile, &climate).daily_use_microlitres(WaterUse::USUAL, 0, &days, 0..100);
    let mut from = 0;
    for (cut, &day) in cuts.iter().zip(&days) {
        let used: i64 = uses[from..day as usize].iter().sum();
        assert_eq!(used, cut.milligrams_per_container * 15);
        from = day as usize;
    }
    assert_eq!(uses[59..].iter().sum::<i64>(), 0);
}

#[test]
fn a_ready_crop_that_waits_uses_as_before() {
    let profile = test_profile();
    let climate = climate(21.0, 16.0);
    let uses = growing(&profile, &climate).daily_use_microlitres(WaterUse::USUAL, 5, &[], 0..60);
    assert_eq!(uses[..5], [0; 5]);
    assert!(uses[5] < uses[20] && uses[20] < uses[39]);
    assert_eq!(uses[39], uses[40]);
    assert_eq!(uses[39], uses[59]);
    let leaking = WaterUse {
        evaporation_microlitres: 4_000,
        ..WaterUse::USUAL
    };
    let more = growing(&profile, &climate).daily_use_microlitres(leaking, 5, &[], 0..60);
    assert!((5..60).all(|day| more[day] == uses[day] + 4_000));
    let known = Growing {
        known: KnownDays {
            to_first_cut: Some(20),
            to_regrow: None,
        },
        ..growing(&profile, &climate)
    };
    let sooner = known.daily_use_microlitres(WaterUse::USUAL, 5, &[25], 0..25);
    assert_eq!(sooner.iter().sum::<i64>(), uses[5..40].iter().sum::<i64>());
}

#[test]
fn readings_and_top_ups_correct_the_level() {
    let uses = vec![50_000; 20];
    let check = |entries: &[(usize, LevelEntry)], expect: (i64, i64)| {
        let level = level_after(&JAR, &uses, entries);
        assert_eq!(
            (level.microlitres, level.use_permille),
            expect,
            "{entries:?}"
        );
    };
    use LevelEntry::{Added, Read};
    check(&[], (2_500_000, 1000));
    check(&[(10, Added(400_000))], (2_900_000, 1000));
    // poured past the brim, it runs over
    check(&[(1, Added(2_000_000))], (3_050_000, 1000));
    // half a litre is expected to be gone and one is: with half a litre of the model that is 1.5
    check(&[(10, Read(2_500_000))], (1_750_000, 1500));
    check(&[(20, Read(2_500_000))], (2_500_000, 1000));
    check(
        &[(10, Added(300_000)), (20, Read(2_300_000))],
        (2_300_000, 1333),
    );
    // it rose by itself: a top-up that nobody wrote down
    check(&[(10, Read(3_700_000))], (3_200_000, 1000));
}

#[test]
fn low_days() {
    let level = Level {
        microlitres: 1_000_000,
        use_permille: 1000,
    };
    let uses = [100_000; 20];
    assert_eq!(level.low_day(1_000_001, &uses), Some(0));
    assert_eq!(level.low_day(1_000_000, &uses), Some(0));
    assert_eq!(level.low_day(900_000, &uses), Some(1));
    assert_eq!(level.low_day(350_000, &uses), Some(6));
    assert_eq!(level.low_day(350_000, &uses[..6]), None);
    assert_eq!(level.course(&uses)[10..], [0; 11]);
}

/// Once air roots have formed the level may be raised by 2 cm at most (Kratky 2004), and not past the
/// limit of the container kind.
#[test]
fn refill_limits() {
    use GrowingMethod::{Aerated, Passive};
    let check = |method, air_roots, level, slice, expect: (i64, RefillRule)| {
        let limit = refill_limit(&JAR, method, air_roots, level, slice);
        assert_eq!((limit.highest_microlitres, limit.rule), expect);
    };
    check(
        Aerated,
        true,
        1_000_000,
        Some(17_500),
        (3_500_000, RefillRule::FillLine),
    );
    check(
        Passive,
        false,
        1_000_000,
        None,
        (3_500_000, RefillRule::FillLine),
    );
    check(
        Passive,
        true,
        1_000_000,
        None,
        (2_500_000, RefillRule::KindLimit),
    );
    // 17.5 mL a millimetre: 20 mm are 350 mL
    check(
        Passive,
        true,
        1_000_000,
        Some(17_500),
        (1_350_000, RefillRule::Rise),
    );
    check(
        Passive,
        true,
        2_400_000,
        Some(17_500),
        (2_500_000, RefillRule::KindLimit),
    );
}

proptest! {
    #[test]
    fn use_is_shared_out_over_the_days_and_never_lost(
        celsius in 8.0_f64..30.0, mol in 6.0_f64..30.0, litres in 12_i64..=24, sown in 0_i64..20,
        split in 1_i64..60,
    ) {
        let profile = test_profile();
        let climate = climate(celsius, mol);
        let growing = growing(&profile, &climate);
        let water = WaterUse::of_litres_per_kilogram(litres);
        let Some(ready) = crate::development::first_cut_day(&profile, &climate, sown, KnownDays::default()) else {
            return Ok(());
        };
        let cuts = [ready];
        let whole = growing.daily_use_microlitres(water, sown, &cuts, 0..ready);
        prop_assert!(whole.iter().all(|used| *used >= 0));
        let middle = split.min(ready);
        let mut parts = growing.daily_use_microlitres(water, sown, &cuts, 0..middle);
        parts.extend(growing.daily_use_microlitres(water, sown, &cuts, middle..ready));
        prop_assert_eq!(&whole, &parts);
        // what the first cut gives by the weight rules, times litres per kilogram
        let weights = cut_milligrams_after_emergence(&profile, &ContainerYield::REFERENCE);
        let factor = crate::weight::weight_permille(&profile, celsius, mol);
        prop_assert_eq!(whole.iter().sum::<i64>(), scale(weights[0], factor) * litres);
    }

    #[test]
    fn what_is_in_a_container_is_what_went_in_less_what_was_used(
        fill in 1_000_000_i64..4_000_000, uses in prop::collection::vec(0_i64..100_000, 1..80),
        mark in 100_000_i64..600_000,
    ) {
        let highest = fill * 3 / 4;
        let refills = planned_refills(fill, mark, highest, &uses);
        let mut level = fill;
        let mut poured = 0;
        for (day, used) in uses.iter().enumerate() {
            for (_, microlitres) in refills.iter().filter(|refill| refill.0 == day) {
                prop_assert!(*microlitres > 0 && level - used < mark);
                level += microlitres;
                poured += microlitres;
                prop_assert_eq!(level, highest);
            }
            level -= used;
            prop_assert!(level >= mark);
        }
        prop_assert_eq!(level, fill + poured - uses.iter().sum::<i64>());
        let entries: Vec<(usize, LevelEntry)> =
            refills.iter().map(|(day, added)| (*day, LevelEntry::Added(*added))).collect();
        let vessel = Vessel { volume_microlitres: fill, fill_microlitres: fill, refill_limit_microlitres: highest };
        prop_assert_eq!(level_after(&vessel, &uses, &entries).microlitres, level);
    }

    #[test]
    fn a_reading_on_the_day_is_believed(
        uses in prop::collection::vec(0_i64..200_000, 1..60), read in 0_i64..4_000_000,
    ) {
        let level = level_after(&JAR, &uses, &[(uses.len(), LevelEntry::Read(read))]);
        prop_assert_eq!(level.microlitres, read);
        prop_assert!(level.use_permille > 0);
    }
}
