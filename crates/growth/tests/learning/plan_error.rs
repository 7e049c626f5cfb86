//! What learning is for: the grams a plan promises for each week come nearer to what they will be.

use std::collections::{BTreeMap, BTreeSet};

use cotyl_growth::learning::{Assumptions, Choices, Learned, Place, learn};
use cotyl_growth::{
    Climate, ContainerYield, CropProfile, GrowingMethod, KnownDays, WorkingDay, expected_cuts,
    starter_crops,
};

use crate::world::{CROPS, Cooperative, UNLIKE, place};

const WEEKS: usize = 26;

/// A profile in round figures at its reference conditions, of which this share stands.
fn profile(expected_survival: f64) -> CropProfile {
    let starter = starter_crops().unwrap().swap_remove(0).profile;
    CropProfile {
        methods: BTreeSet::from([GrowingMethod::Passive, GrowingMethod::Aerated]),
        cut_milligrams: vec![60_000],
        days_to_first_cut: 35,
        germination_permille: (1000.0 * expected_survival).round() as i64,
        seeds_per_plant: 1,
        ..starter
    }
}

/// Grams of each week from one sowing on each of a crop, station and day.
fn weekly_grams(
    sowings: &[(usize, usize, i64)],
    profile_at: impl Fn(usize, &Place) -> CropProfile,
) -> Vec<f64> {
    let days: Vec<WorkingDay> = (0..7 * WEEKS)
        .map(|day| WorkingDay {
            day: day as u32,
            week: day / 7,
        })
        .collect();
    let mut weeks = vec![0.0; WEEKS];
    for &(crop, station, day) in sowings {
        let profile = profile_at(crop, &place(crop, station));
        let climate = Climate {
            temperature_celsius: vec![profile.optimum_low_celsius; WEEKS],
            daily_light_mol: vec![profile.light_reference_mol; WEEKS],
        };
        let jar = ContainerYield::REFERENCE;
        for cut in expected_cuts(
            &profile,
            &climate,
            day,
            &[],
            &days,
            &jar,
            KnownDays::default(),
        ) {
            weeks[days[cut.slot].week] += cut.milligrams_per_container as f64 / 1000.0;
        }
    }
    weeks
}

/// Mean absolute error of the grams of a week.
fn error(plan: &[f64], truth: &[f64]) -> f64 {
    let errors = plan
        .iter()
        .zip(truth)
        .map(|(plan, truth)| (plan - truth).abs());
    errors.sum::<f64>() / plan.len() as f64
}

/// Errors of a plan by the untouched profile and by what one term taught.
fn errors(seed: u64, crops: &[usize], stations: usize) -> (f64, f64) {
    let mut cooperative = Cooperative::new(UNLIKE, seed);
    let records = cooperative.term_of(crops, stations);
    let learned: Learned = learn(&records, &Choices::default(), &Assumptions::default()).unwrap();
    // The next term: ten sowings a week for twelve weeks, all crops and stations in turn.
    let sowings: Vec<(usize, usize, i64)> = (0..120)
        .map(|index| {
            (
                crops[index % crops.len()],
                (index / crops.len()) % stations,
                (index / 10 * 7 + index % 7) as i64,
            )
        })
        .collect();
    let mut true_profiles = BTreeMap::new();
    for &(crop, station, _) in &sowings {
        let place = place(crop, station);
        let given = profile(CROPS[crop].2);
        let true_profile = CropProfile {
            days_to_first_cut: (35.0 * cooperative.days(&place)).round() as u32,
            cut_milligrams: vec![(60_000.0 * cooperative.grams(&place)).round() as i64],
            germination_permille: (1000.0 * cooperative.survival(&place, CROPS[crop].2)).round()
                as i64,
            ..given
        };
        true_profiles.insert(place, true_profile);
    }
    let truth = weekly_grams(&sowings, |_, place| true_profiles[place].clone());
    let untouched = weekly_grams(&sowings, |crop, _| profile(CROPS[crop].2));
    let taught = weekly_grams(&sowings, |crop, place| {
        learned.applied(&profile(CROPS[crop].2), place).unwrap()
    });
    (error(&untouched, &truth), error(&taught, &truth))
}

/// Mean errors, in grams a week, untouched and taught.
fn mean_errors(crops: &[usize], stations: usize) -> (f64, f64) {
    const COOPERATIVES: u64 = 100;
    let (mut untouched, mut taught) = (0.0, 0.0);
    for seed in 0..COOPERATIVES {
        let (before, after) = errors(seed, crops, stations);
        untouched += before / COOPERATIVES as f64;
        taught += after / COOPERATIVES as f64;
    }
    println!(
        "{} crops at {stations} stations, grams a week off: {untouched:.1} untouched, {taught:.1} taught",
        crops.len()
    );
    (untouched, taught)
}

/// Truth deviates as in `UNLIKE`: standard deviations of the logarithm at a place 0.38 for grams and
/// 0.17 for days, of the log odds of survival 1.2; scatter of records 0.3 and 0.1. Sixty sowings
/// are of three crops at four stations.
#[test]
fn one_term_halves_the_error_of_grams_per_week() {
    let (untouched, taught) = mean_errors(&[0, 1, 3], 4);
    assert!(
        taught <= 0.5 * untouched,
        "{taught} g of {untouched} g a week"
    );
}

/// The same sixty sowings over six crops at five stations, two for each pair, cannot quite do it.
#[test]
fn a_term_spread_thin_still_helps() {
    let (untouched, taught) = mean_errors(&[0, 1, 2, 3, 4, 5], 5);
    assert!(
        taught <= 0.65 * untouched,
        "{taught} g of {untouched} g a week"
    );
}
