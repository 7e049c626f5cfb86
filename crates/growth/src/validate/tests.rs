use super::*;
use crate::profile::test_profile;

fn messages(change: impl FnOnce(&mut CropProfile)) -> Vec<String> {
    let mut profile = test_profile();
    change(&mut profile);
    profile.validate().iter().map(ToString::to_string).collect()
}

#[test]
fn a_sound_profile_has_no_faults() {
    assert_eq!(messages(|_| ()), [""; 0]);
    assert_eq!(
        messages(|profile| {
            profile.cut_milligrams.truncate(1);
            profile.days_to_regrow = 0;
        }),
        [""; 0]
    );
}

#[test]
fn faults_name_the_field_and_the_figures() {
    let check = |change: fn(&mut CropProfile), expect: &[&str]| {
        assert_eq!(messages(change), expect);
    };
    check(
        |profile| profile.methods.clear(),
        &["methods: name at least one of passive and aerated"],
    );
    check(
        |profile| profile.cut_milligrams.clear(),
        &["cut_milligrams: give the weight of 1 to 20 cuts, not 0"],
    );
    check(
        |profile| profile.cut_milligrams[1] = -5,
        &["cut_milligrams: cut 2 weighs -5 mg; it must be 1 to 100000000"],
    );
    check(
        |profile| profile.days_to_regrow = 0,
        &["days_to_regrow: 0 is not between 1 and 730"],
    );
    check(
        |profile| profile.hold_loss_permille_per_day = 200,
        &["hold_loss_permille_per_day: 7 days at 200 permille leave nothing"],
    );
    check(
        |profile| profile.optimum_low_celsius = 4.0,
        &["optimum_low_celsius: 4 °C is not above base_celsius 4 °C"],
    );
    check(
        |profile| profile.optimum_high_celsius = 19.0,
        &["optimum_high_celsius: 19 °C is below optimum_low_celsius 20 °C"],
    );
    check(
        |profile| profile.suitable_maximum_celsius = 33.0,
        &["maximum_celsius: 32 °C is below suitable_maximum_celsius 33 °C"],
    );
    check(
        |profile| profile.heat_limit_celsius = 300.0,
        &["heat_limit_celsius: 300 °C is not between -20 and 60"],
    );
    check(
        |profile| profile.light_reference_mol = 5.0,
        &["light_reference_mol: 5 mol is below the light minimum 6"],
    );
    check(
        |profile| profile.light_exponent = 1.5,
        &["light_exponent: 1.5 is not between 0 and 1"],
    );
    check(
        |profile| profile.germination_permille = 1001,
        &["germination_permille: 1001 is not between 1 and 1000"],
    );
    check(
        |profile| profile.emergence_days_at_reference = 0.0,
        &["emergence_days_at_reference: 0 days are not above 0 and at most 60"],
    );
    check(
        |profile| profile.ph_high = 5.0,
        &["ph_high: pH 5 is below ph_low 5.6"],
    );
    check(
        |profile| profile.ec_low_microsiemens_per_cm = 2000,
        &["ec_high_microsiemens_per_cm: 1800 is below ec_low_microsiemens_per_cm 2000"],
    );
}

#[test]
fn figures_that_are_no_numbers_are_faults() {
    let faults = messages(|profile| {
        profile.base_celsius = f64::NAN;
        profile.light_minimum_mol = f64::NAN;
        profile.ph_low = f64::INFINITY;
    });
    for field in ["base_celsius", "light_minimum_mol", "ph_low"] {
        assert!(
            faults.iter().any(|fault| fault.starts_with(field)),
            "{field} in {faults:?}"
        );
    }
}

#[test]
fn an_unknown_field_is_refused() {
    let mut value = serde_json::to_value(test_profile()).unwrap_or_default();
    value["colour"] = "green".into();
    let error = serde_json::from_value::<CropProfile>(value)
        .err()
        .map(|error| error.to_string());
    assert!(error.is_some_and(|text| text.contains("unknown field `colour`")));
}
