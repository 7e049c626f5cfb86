//! What learning is for: the grams a plan promises for each week come nearer to what they will be.

use std::collections::{BTreeMap, BTreeSet};

use cotyl_growth::learning::{Assumptions, Choices, Learned, Place, learn};
use cotyl_growth::{
    Climate, ContainerYield, CropProfile, GrowingMethod, KnownDays, WorkingDay, expected_cuts,
    starter_crops,
};

use crate::world::{AS_ASSUMED, CROPS, Cooperative, UNLIKE, World, place};

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

/// What one co-operative's plan of its next term is off by.
struct Errors {
    /// By the untouched profile.
    untouched: f64,
    /// By what one term taught.
    taught: f64,
    /// By the best that anybody can say who knows how unlike the parts of the co-operative are and
    /// how its sowings scatter, but only these records of its true factors.
    best: f64,
}

/// A plan of the next term against what its sowings truly give on average.
fn errors(world: World, seed: u64, crops: &[usize], stations: usize) -> Errors {
    let mut cooperative = Cooperative::new(world, seed);
    let records = cooperative.term_of(crops, stations);
    let teach = |assumptions: &Assumptions| -> Learned {
        learn(&records, &Choices::default(), assumptions).unwrap()
    };
    let learned = teach(&Assumptions::default());
    let best = teach(&world.known());
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
    let by = |learned: &Learned| {
        let plan = weekly_grams(&sowings, |crop, place| {
            learned.applied(&profile(CROPS[crop].2), place).unwrap()
        });
        error(&plan, &truth)
    };
    let untouched = weekly_grams(&sowings, |crop, _| profile(CROPS[crop].2));
    Errors {
        untouched: error(&untouched, &truth),
        taught: by(&learned),
        best: by(&best),
    }
}

/// Mean errors, in grams a week, over co-operatives of a kind.
fn mean_errors(what: &str, world: World, crops: &[usize], stations: usize) -> Errors {
    const COOPERATIVES: u64 = 100;
    let all: Vec<Errors> = (0..COOPERATIVES)
        .map(|seed| errors(world, seed, crops, stations))
        .collect();
    let mean = |of: fn(&Errors) -> f64| all.iter().map(of).sum::<f64>() / all.len() as f64;
    let mut ratios: Vec<f64> = all.iter().map(|e| e.taught / e.untouched).collect();
    ratios.sort_by(f64::total_cmp);
    let of = Errors {
        untouched: mean(|e| e.untouched),
        taught: mean(|e| e.taught),
        best: mean(|e| e.best),
    };
    println!(
        "{what}, {} sowings of {} crops at {stations} stations, grams a week off: {:.1} untouched, {:.1} taught ({:.2}), \
         {:.1} best ({:.2}); of each co-operative by quarters {:.2}, {:.2}, {:.2}",
        world.sowings,
        crops.len(),
        of.untouched,
        of.taught,
        of.taught / of.untouched,
        of.best,
        of.best / of.untouched,
        ratios[ratios.len() / 4],
        ratios[ratios.len() / 2],
        ratios[3 * ratios.len() / 4],
    );
    of
}

const ALL: [usize; 6] = [0, 1, 2, 3, 4, 5];

/// Truth deviates as in `UNLIKE`: standard deviations of the logarithm at a place 0.38 for grams and
/// 0.17 for days, of the log odds of survival 1.2; scatter of records 0.3 and 0.1. Sixty sowings
/// are of three crops at four stations.
#[test]
fn one_term_halves_the_error_of_grams_per_week() {
    let of = mean_errors("unlike", UNLIKE, &[0, 1, 3], 4);
    assert!(of.taught <= 0.5 * of.untouched);
}

/// Thirty pairs of a crop and a station, with as many sowings in the term on record as in the one that
/// is planned: ten a week for twelve weeks.
#[test]
fn a_full_term_of_thirty_cells_halves_it_too() {
    let term = World {
        sowings: 120,
        ..UNLIKE
    };
    let of = mean_errors("unlike", term, &ALL, 5);
    assert!(of.taught <= 0.5 * of.untouched);
}

/// With half as many sowings, two for each pair, the error is not halved, and not by any rule: what
/// knows how unlike the parts of the co-operative are cannot do it either, as the scatter of two
/// sowings is too great. What was learned comes within a tenth of that.
#[test]
fn half_a_term_spread_thin_comes_near_to_the_best_there_is() {
    let of = mean_errors("unlike", UNLIKE, &ALL, 5);
    assert!(of.best > 0.5 * of.untouched, "it can be halved after all");
    assert!(of.taught <= 1.1 * of.best);
    assert!(of.taught <= 0.65 * of.untouched);
}

/// Where the profiles are nearly right, little can be gained and little is: truth deviates by half as
/// much, and single sowings scatter by more.
#[test]
fn where_profiles_are_nearly_right_the_best_gains_little_and_so_do_we() {
    let term = World {
        sowings: 120,
        ..AS_ASSUMED
    };
    let of = mean_errors("ordinary", term, &ALL, 5);
    assert!(of.best > 0.5 * of.untouched, "it can be halved after all");
    assert!(of.taught <= 1.1 * of.best);
}
