//! What learning is for: the grams a plan promises for each week come nearer to what they will be.
//!
//! The seeds are of these tests alone, as those of coverage are.

use std::ops::Range;

use crate::measure::{Errors, mean_errors};
use crate::world::{AS_ASSUMED, UNLIKE, World};

const SEEDS: Range<u64> = 91_000_000..91_000_100;

const ALL: [usize; 6] = [0, 1, 2, 3, 4, 5];

/// Thirty pairs of a crop and a station.
fn of_thirty_cells(what: &str, world: World, sowings: usize) -> Errors {
    let world = World { sowings, ..world };
    let what = format!("{what}, {sowings} sowings");
    mean_errors(&what, SEEDS, |_| world, &ALL, 5)
}

/// Stations that differ by as much as a window sill and a lit shelf may.
fn strong_stations() -> World {
    UNLIKE.with_strong_stations(0.12, 0.3, 0.8)
}

/// Truth deviates as in `UNLIKE`: standard deviations of the logarithm at a place 0.38 for grams and
/// 0.17 for days, of the log odds of survival 1.2; scatter of records 0.3 and 0.1. Sixty sowings
/// are of three crops at four stations.
#[test]
fn one_term_halves_the_error_of_grams_per_week() {
    let of = mean_errors("unlike, 60 sowings", SEEDS, |_| UNLIKE, &[0, 1, 3], 4);
    assert!(of.taught <= 0.5 * of.untouched);
}

/// Thirty pairs of a crop and a station, with as many sowings in the term on record as in the one that
/// is planned: ten a week for twelve weeks.
#[test]
fn a_full_term_of_thirty_cells_halves_it_too() {
    let of = of_thirty_cells("unlike", UNLIKE, 120);
    assert!(of.taught <= 0.5 * of.untouched);
}

/// With half as many sowings, two for each pair, the error is not halved, and not by any rule: what
/// knows how unlike the parts of the co-operative are cannot do it either, as the scatter of two
/// sowings is too great. What was learned comes within a tenth of that.
#[test]
fn half_a_term_spread_thin_comes_near_to_the_best_there_is() {
    let of = of_thirty_cells("unlike", UNLIKE, 60);
    assert!(of.best > 0.5 * of.untouched, "it can be halved after all");
    assert!(of.taught <= 1.1 * of.best);
    assert!(of.taught <= 0.65 * of.untouched);
}

/// Where stations differ, what each crop shows of a station helps all others there: two sowings a cell come
/// as near to the best there is.
#[test]
fn half_a_term_tells_what_stations_are_like() {
    let of = of_thirty_cells("strong stations", strong_stations(), 60);
    assert!(of.taught <= 1.05 * of.best);
}

/// Where the profiles are nearly right, little can be gained and little is: truth deviates by half as
/// much, and single sowings scatter by more.
#[test]
fn where_profiles_are_nearly_right_the_best_gains_little_and_so_do_we() {
    let of = of_thirty_cells("ordinary", AS_ASSUMED, 120);
    assert!(of.best > 0.5 * of.untouched, "it can be halved after all");
    assert!(of.taught <= 1.1 * of.best);
}
