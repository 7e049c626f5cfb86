//! Credible intervals hold the truth as often as they say, in all and where it is hard: few records of
//! a place or of all, strong effects, and losses.

use std::collections::BTreeMap;

use cotyl_growth::learning::{Assumptions, Choices, Level, SowingRecord, learn};

use crate::world::{ALIKE, AS_ASSUMED, CROPS, Cooperative, STATIONS, UNLIKE, World, place};

/// Places looked at in each co-operative.
const PLACES: usize = 15;

#[derive(Debug, Clone, Copy, Default)]
struct Hits {
    at_80: u32,
    at_95: u32,
    of: u32,
}

impl Hits {
    /// Whether the truth lies in the central intervals, told by the probability below it.
    fn count(&mut self, below: f64) {
        self.at_80 += u32::from((0.1..=0.9).contains(&below));
        self.at_95 += u32::from((0.025..=0.975).contains(&below));
        self.of += 1;
    }

    fn shares(&self) -> [(f64, f64); 2] {
        [(self.at_80, 0.8), (self.at_95, 0.95)]
            .map(|(hits, level)| (f64::from(hits) / f64::from(self.of), level))
    }
}

/// Names of the parts of what is looked at that a place belongs to, by what is on record of it: truth
/// must not be asked, as intervals do not know it.
fn parts(of_place: &[&SowingRecord], moved: bool) -> Vec<&'static str> {
    let lost_half = |record: &&&SowingRecord| {
        record.containers_stood.unwrap_or_default() * 2 <= record.containers_sown
    };
    let mut parts = vec![match of_place.len() {
        0 => "no record there",
        1 | 2 => "one or two records",
        _ => "three records or more",
    }];
    if moved {
        parts.push("a strong effect");
    }
    if of_place.iter().any(|record| lost_half(&record)) {
        parts.push("half lost or more");
    }
    parts.push("all");
    parts
}

type Found = BTreeMap<(&'static str, &'static str), Hits>;

fn cover(cooperatives: u64, world: impl Fn(u64) -> World) -> Found {
    let mut found = Found::new();
    for seed in 0..cooperatives {
        let mut cooperative = Cooperative::new(world(seed), seed);
        let records = cooperative.term();
        let learned = learn(&records, &Choices::default(), &Assumptions::default()).unwrap();
        for number in 0..PLACES {
            let crop = (seed as usize + number) % CROPS.len();
            let station = (seed as usize / CROPS.len() + number) % STATIONS;
            let (place, expected) = (place(crop, station), CROPS[crop].2);
            let of_place: Vec<&SowingRecord> = records
                .iter()
                .filter(|record| record.place == place)
                .collect();
            let level = Level::CropStation;
            let days = learned.days(&place, level);
            let grams = learned.grams(&place, level);
            let survival = learned.survival(&place, level, expected).unwrap();
            let beliefs = [
                (
                    "days",
                    days.probability_below(cooperative.days(&place)),
                    days.multiplier().ln().abs() > 0.12,
                ),
                (
                    "grams",
                    grams.probability_below(cooperative.grams(&place)),
                    grams.multiplier().ln().abs() > 0.25,
                ),
                (
                    "survival",
                    survival.probability_below(cooperative.survival(&place, expected)),
                    (survival.share() - expected).abs() > 0.1,
                ),
            ];
            for (quantity, below, moved) in beliefs {
                for part in parts(&of_place, moved) {
                    found.entry((quantity, part)).or_default().count(below);
                }
            }
        }
    }
    found
}

/// Fails where a share is further from its level than allowed. A part of the places may be further off by
/// chance, two standard errors of as many; all together may not. Where an effect looks strong, a
/// co-operative looks more unlike than it is, and intervals may be `wider` there.
fn check(name: &str, found: &Found, allowed: f64, wider: f64) {
    let mut faults = Vec::new();
    for ((quantity, part), hits) in found {
        for (share, level) in hits.shares() {
            let chance = if *part == "all" {
                0.0
            } else {
                2.0 * (level * (1.0 - level) / f64::from(hits.of)).sqrt()
            };
            println!(
                "{name}, {quantity}, {part}: {share:.3} at {level} of {}",
                hits.of
            );
            let too_wide = if *part == "all" { 0.0 } else { wider };
            if share < level - allowed - chance || share > level + allowed + chance + too_wide {
                faults.push(format!("{quantity}, {part}: {share:.3} at {level}"));
            }
        }
    }
    assert!(faults.is_empty(), "{name}: {faults:#?}");
}

/// Co-operatives differ in how unlike their parts are: by a factor of 2 either way in each quantity.
#[test]
fn intervals_cover_over_all_kinds_of_cooperatives() {
    check("all kinds", &cover(500, World::drawn), 0.03, 0.0);
}

#[test]
fn intervals_cover_after_a_dozen_sowings() {
    let few = |seed| World {
        sowings: 12,
        ..World::drawn(seed)
    };
    check("a dozen sowings", &cover(500, few), 0.03, 0.03);
}

/// The middle of all kinds again and again.
#[test]
fn intervals_cover_in_an_ordinary_cooperative() {
    check("ordinary", &cover(500, |_| AS_ASSUMED), 0.03, 0.03);
}

fn of(world: World, sowings: usize) -> impl Fn(u64) -> World {
    move |_| World { sowings, ..world }
}

/// The same for all places together.
fn check_all(name: &str, found: &Found, allowed: f64) {
    let all = found.iter().filter(|((_, part), _)| *part == "all");
    check(
        name,
        &all.map(|(key, hits)| (*key, *hits)).collect(),
        allowed,
        0.0,
    );
}

/// How unlike the parts of one co-operative are it cannot quite learn from one term of sixty sowings, so
/// where all quantities are at an edge of the kinds at once, intervals are somewhat narrow or wide.
/// With everything known but the factors they would be at their level.
#[test]
fn intervals_stay_near_their_level_at_the_edges() {
    check_all("unlike", &cover(100, of(UNLIKE, 60)), 0.08);
    check_all("alike", &cover(100, of(ALIKE, 60)), 0.08);
}

/// What one term cannot tell, three hundred sowings do.
#[test]
fn intervals_come_to_their_level_at_the_edges_too_with_more_sowings() {
    check_all("unlike, much", &cover(100, of(UNLIKE, 300)), 0.04);
    check_all("alike, much", &cover(100, of(ALIKE, 300)), 0.04);
}
