#![allow(clippy::unwrap_used)]

use chrono::{Days, NaiveDate};

use super::*;
use crate::profile::test_profile;

fn steady(celsius: f64, mol: f64, weeks: usize) -> Climate {
    Climate {
        temperature_celsius: vec![celsius; weeks],
        daily_light_mol: vec![mol; weeks],
    }
}

/// Emergence of a crop against the days of a published table.
struct Emergence {
    crop: &'static str,
    base_celsius: f64,
    optimum_low_celsius: f64,
    days_at_optimum: f64,
}

impl Emergence {
    fn days(&self, celsius: f64) -> Option<i64> {
        let profile = CropProfile {
            emergence_base_celsius: self.base_celsius,
            emergence_optimum_low_celsius: self.optimum_low_celsius,
            emergence_optimum_high_celsius: 28.0,
            emergence_maximum_celsius: 35.0,
            emergence_days_at_reference: self.days_at_optimum,
            ..test_profile()
        };
        emergence_check_day(&profile, &steady(celsius, 0.0, 20), 0)
    }

    /// The model gives `modelled` days, at most one from the published figure.
    fn check(&self, celsius: f64, published: Option<i64>, modelled: Option<i64>) {
        let near = match (published, modelled) {
            (Some(published), Some(modelled)) => (published - modelled).abs() <= 1,
            (published, modelled) => published == modelled,
        };
        assert!(
            near,
            "{} at {celsius} °C: declare the disagreement",
            self.crop
        );
        self.check_model(celsius, modelled);
    }

    /// The model gives `modelled` days, more than one from the published figure.
    fn disagrees(&self, celsius: f64, published: i64, modelled: Option<i64>) {
        let near = modelled.is_some_and(|modelled| (published - modelled).abs() <= 1);
        assert!(!near, "{} at {celsius} °C: it agrees", self.crop);
        self.check_model(celsius, modelled);
    }

    fn check_model(&self, celsius: f64, modelled: Option<i64>) {
        assert_eq!(
            self.days(celsius),
            modelled,
            "{} at {celsius} °C",
            self.crop
        );
    }
}

/// Harrington & Minges, Vegetable Seed Germination, Calif. Agric. Ext., 1954: seed-to-emergence
/// days by temperature. Lettuce by the line through that table (base 2.8 °C, 47 °C·d, so 2.1 days
/// at 25 °C).
#[test]
fn lettuce_emergence_by_the_line_through_the_published_table() {
    let lettuce = Emergence {
        crop: "lettuce",
        base_celsius: 2.8,
        optimum_low_celsius: 25.0,
        days_at_optimum: 47.0 / (25.0 - 2.8),
    };
    lettuce.check(10.0, Some(7), Some(7));
    lettuce.check(15.0, Some(4), Some(4));
    lettuce.check(20.0, Some(3), Some(3));
    lettuce.check(25.0, Some(2), Some(3));
    lettuce.check(30.0, Some(3), Some(3));
    lettuce.check(35.0, None, None);
    // Disagreements in the cold, left standing: no straight line through a base of 2.8 °C gives
    // 15 days at 5 °C, and the table has seedlings at 0 °C after 49 days.
    lettuce.disagrees(5.0, 15, Some(22));
    lettuce.disagrees(0.0, 49, None);
}

/// Bierhuizen & Wagenvoort, Scientia Hort. 2:213-219, 1974 (from memory): lettuce base 3.5 °C,
/// 71 °C·d. It disagrees with Harrington & Minges 1954 by about half as long again; both recorded.
#[test]
fn lettuce_emergence_by_published_thermal_time_is_slower_than_the_table() {
    let lettuce = Emergence {
        crop: "lettuce",
        base_celsius: 3.5,
        optimum_low_celsius: 25.0,
        days_at_optimum: 71.0 / (25.0 - 3.5),
    };
    lettuce.disagrees(10.0, 7, Some(11));
    lettuce.disagrees(15.0, 4, Some(7));
    lettuce.disagrees(20.0, 3, Some(5));
    lettuce.disagrees(25.0, 2, Some(4));
}

/// The same two publications agree for spinach: base 0.1 °C, 111 °C·d (from memory) against the
/// table of 1954.
#[test]
fn spinach_emergence_by_published_thermal_time_agrees_with_the_table() {
    let spinach = Emergence {
        crop: "spinach",
        base_celsius: 0.1,
        optimum_low_celsius: 25.0,
        days_at_optimum: 111.0 / (25.0 - 0.1),
    };
    spinach.check(5.0, Some(23), Some(23));
    spinach.check(10.0, Some(12), Some(12));
    spinach.check(15.0, Some(7), Some(8));
    spinach.check(20.0, Some(6), Some(6));
    spinach.check(25.0, Some(5), Some(5));
    spinach.check(35.0, None, None);
    spinach.check(30.0, Some(6), Some(7));
}

/// Brewster, Onions and Other Vegetable Alliums (after Harrington 1962): base 2.5 °C, 80 °C·d to
/// half germination, 4 days at 22.5 °C.
#[test]
fn onion_degree_day_example() {
    let onion = Emergence {
        crop: "onion",
        base_celsius: 2.5,
        optimum_low_celsius: 27.5,
        days_at_optimum: 80.0 / 25.0,
    };
    onion.check(22.5, Some(4), Some(4));
}

/// Cornell controlled-environment pond system: 35 days from seed to harvest.
#[test]
fn reference_conditions_give_the_reference_days() {
    let profile = test_profile();
    let check = |(sown, celsius, mol): (i64, f64, f64), expect: Option<i64>| {
        let climate = steady(celsius, mol, 12);
        assert_eq!(
            first_cut_day(&profile, &climate, sown, KnownDays::default()),
            expect,
            "sown {sown} at {celsius} °C and {mol} mol"
        );
    };
    check((0, 22.0, 17.0), Some(35));
    check((10, 22.0, 17.0), Some(45));
    check((-20, 22.0, 17.0), Some(15));
    check((-60, 22.0, 17.0), Some(-25));
    check((0, 12.0, 17.0), Some(70));
    check((0, 22.0, 4.0), None);
    check((60, 22.0, 17.0), None);
    check((0, 3.0, 17.0), None);
    check((500, 22.0, 17.0), None);
    // Three quarters of the speed: 35 / 0.75 = 46.67 days.
    check((0, 22.0, 9.0), Some(47));
}

#[test]
fn a_number_known_for_the_bench_wins() {
    let profile = test_profile();
    let climate = steady(12.0, 17.0, 12);
    let known = KnownDays {
        to_first_cut: Some(40),
        to_regrow: Some(9),
    };
    assert_eq!(first_cut_day(&profile, &climate, 3, known), Some(43));
    assert_eq!(next_cut_day(&profile, &climate, 43, known), Some(52));
    assert_eq!(latest_sow_day(&profile, &climate, 43, known), Some(3));
    assert_eq!(
        next_cut_day(&profile, &climate, 43, KnownDays::default()),
        Some(67)
    );
}

/// A farm's planning note of 2014 counts 45 days back from 10 June 2014. It prints 27 April; the
/// right date is 26 April.
#[test]
fn counting_back_from_a_harvest_date() {
    let profile = CropProfile {
        days_to_first_cut: 45,
        ..test_profile()
    };
    let first_monday = NaiveDate::from_ymd_opt(2014, 3, 31).unwrap();
    let wanted = NaiveDate::from_ymd_opt(2014, 6, 10).unwrap();
    let climate = steady(22.0, 17.0, 20);
    let wanted_day = (wanted - first_monday).num_days();
    let sow = latest_sow_day(&profile, &climate, wanted_day, KnownDays::default()).unwrap();
    let date = first_monday + Days::new(u64::try_from(sow).unwrap());
    assert_eq!(date, NaiveDate::from_ymd_opt(2014, 4, 26).unwrap());
}

#[test]
fn counting_back_is_the_inverse_of_counting_forward() {
    let profile = test_profile();
    let climate = Climate {
        temperature_celsius: vec![9.0, 14.0, 3.0, 18.0, 22.0, 25.0, 22.0, 15.0, 16.0, 12.0],
        daily_light_mol: vec![7.0, 9.0, 12.0, 14.0, 20.0, 5.0, 18.0, 15.0, 11.0, 8.0],
    };
    for wanted in 0..climate.days() {
        let sow = latest_sow_day(&profile, &climate, wanted, KnownDays::default()).unwrap();
        let ready = |day| first_cut_day(&profile, &climate, day, KnownDays::default());
        assert!(ready(sow).unwrap() <= wanted, "sown {sow} for {wanted}");
        assert!(
            ready(sow + 1).is_none_or(|day| day > wanted),
            "later than {sow} for {wanted}"
        );
    }
}

#[test]
fn development_is_rounded_once_a_day() {
    let profile = test_profile();
    let check = |(celsius, mol): (f64, f64), expect: i64| {
        assert_eq!(
            daily_development_micro_days(&profile, celsius, mol),
            expect,
            "{celsius} °C, {mol} mol"
        );
    };
    check((22.0, 16.0), 1_000_000);
    check((12.0, 16.0), 500_000);
    check((12.0, 9.0), 375_000);
    // (7 - 4) / 16 x sqrt(7 / 16) = 0.12402...
    check((7.0, 7.0), 124_020);
    check((f64::NAN, 16.0), 0);
    check((22.0, f64::NAN), 0);
    check((22.0, f64::INFINITY), 1_000_000);
}

#[test]
fn absurd_days_are_answered_without_overflow() {
    let profile = test_profile();
    let climate = steady(12.0, 17.0, 4);
    let known = KnownDays::default();
    for day in [i64::MIN, i64::MIN + 1, -1_000_000_000, i64::MAX] {
        let ready = first_cut_day(&profile, &climate, day, known);
        assert!(
            ready.is_none_or(|ready| ready >= day),
            "sown {day}: {ready:?}"
        );
        let sow = latest_sow_day(&profile, &climate, day, known);
        assert!(sow.is_none_or(|sow| sow < day), "wanted {day}: {sow:?}");
        let risk = crate::temperature::bolting_risk_day(&profile, &climate, day, day);
        assert_eq!(risk, None);
    }
}
