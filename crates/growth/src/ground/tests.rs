#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::*;
use crate::arcs::growing_arcs;
use crate::profile::test_profile;

const JAR: ContainerYield = ContainerYield::REFERENCE;

fn steady(weeks: usize) -> Climate {
    Climate {
        temperature_celsius: vec![20.0; weeks],
        daily_light_mol: vec![16.0; weeks],
    }
}

fn mondays(weeks: u32) -> Vec<WorkingDay> {
    (0..weeks)
        .map(|week| WorkingDay {
            day: week * 7,
            week: usize::try_from(week).unwrap(),
        })
        .collect()
}

fn cuts(climate: &Climate, sown_day: i64, cuts_done: &[i64]) -> Vec<(usize, i64)> {
    let days = mondays(20);
    let known = KnownDays::default();
    expected_cuts(
        &test_profile(),
        climate,
        sown_day,
        cuts_done,
        &days,
        &JAR,
        known,
    )
    .into_iter()
    .map(|cut| (cut.slot, cut.milligrams_per_container))
    .collect()
}

/// 35 days to the first cut, 12 to regrow, 20 permille lost a day, 960 permille of plants stand:
/// reference weights after emergence are 57.6, 43.2 and 28.8 g.
#[test]
fn cuts_come_on_the_earliest_working_day() {
    let climate = steady(20);
    let check = |(sown, done): (i64, &[i64]), expect: &[(usize, i64)]| {
        assert_eq!(
            cuts(&climate, sown, done),
            expect,
            "sown {sown}, cut {done:?}"
        );
    };
    check((0, &[]), &[(5, 57_600), (7, 41_472), (9, 27_648)]);
    check((-10, &[]), &[(4, 54_144), (6, 41_472), (8, 27_648)]);
    check((-40, &[-2]), &[(2, 39_744), (4, 27_648)]);
    check((-40, &[-20, -5]), &[(1, 28_800)]);
    check((-60, &[-40, -25, -10]), &[]);
    // Ready ten days ago and still standing: cut on the first day, with ten days' loss.
    check((-45, &[]), &[(0, 46_080), (2, 41_472), (4, 27_648)]);
    // Nothing would be left of it.
    check((-100, &[]), &[]);
    // Cut too late for the plan.
    check((120, &[]), &[]);
}

#[test]
fn an_unsuitable_week_ends_the_expectation() {
    let mut climate = steady(20);
    climate.temperature_celsius[6] = 7.0;
    assert_eq!(cuts(&climate, 0, &[]), [(5, 57_600)]);
    climate.temperature_celsius[5] = 7.0;
    assert_eq!(cuts(&climate, 0, &[]), []);
}

#[test]
fn a_closure_longer_than_the_hold_ends_the_expectation() {
    let mut days = mondays(20);
    days.retain(|day| day.week != 7 && day.week != 8);
    let known = KnownDays::default();
    let slots: Vec<usize> = expected_cuts(&test_profile(), &steady(20), 0, &[], &days, &JAR, known)
        .into_iter()
        .map(|cut| cut.slot)
        .collect();
    assert_eq!(slots, [5]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// What is expected of a sowing made on a working day is a path of the planner's arcs.
    #[test]
    fn expected_cuts_follow_the_arcs(
        weeks in prop::collection::vec((10.0..28.0_f64, 5.0..20.0_f64), 6..18),
        sown_slot in 0_usize..6
    ) {
        let (temperature_celsius, daily_light_mol) = weeks.into_iter().unzip();
        let climate = Climate { temperature_celsius, daily_light_mol };
        let days = mondays(18);
        let profile = test_profile();
        let known = KnownDays { to_first_cut: Some(20), to_regrow: None };
        let arcs = growing_arcs(&profile, &climate, &days, &JAR, known, Relaxed::default());
        let sown = day_of(&days[sown_slot]);
        let expected = expected_cuts(&profile, &climate, sown, &[], &days, &JAR, known);
        let weights = cut_milligrams_after_emergence(&profile, &JAR);
        let mut from = sown_slot;
        for (cut, weight) in expected.iter().zip(&weights) {
            let list = if from == sown_slot { &arcs.first } else { &arcs.again };
            let earliest = list.iter().find(|arc| arc.0 == from);
            let (_, to, permille) = *earliest.unwrap();
            prop_assert_eq!((cut.slot, cut.milligrams_per_container), (to, weight * permille / 1000));
            from = to;
        }
        if expected.is_empty() {
            prop_assert!(arcs.first.iter().all(|arc| arc.0 != sown_slot));
        }
    }
}
