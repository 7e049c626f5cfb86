//! How often the intervals of what is learned hold the truth, and by how much plans are off, on
//! synthetic co-operatives of many kinds.
//!
//! `cargo run --release --example learning_figures -p cotyl-growth -- FIRST_SEED RUNS [KIND]...`; every kind
//! where none is named, 500 runs where no number is given: fewer cannot tell a fault of three points from chance. A
//! `*` at the end of a name stands for anything.
#![allow(clippy::unwrap_used, dead_code)]

#[path = "../tests/learning/best.rs"]
mod best;
#[path = "../tests/learning/measure.rs"]
mod measure;
#[path = "../tests/learning/world.rs"]
mod world;

use measure::{cover, mean_errors};
use world::{ALIKE, AS_ASSUMED, UNLIKE, World};

const ALL: [usize; 6] = [0, 1, 2, 3, 4, 5];

fn fixed(world: World, sowings: usize) -> Box<dyn Fn(u64) -> World> {
    Box::new(move |_| World { sowings, ..world })
}

fn drawn(sowings: usize, with: fn(World, u64) -> World) -> Box<dyn Fn(u64) -> World> {
    Box::new(move |seed| World {
        sowings,
        ..with(World::drawn(seed), seed)
    })
}

/// Name, what co-operatives of the kind are like, and the crops and stations of the plans, if
/// errors are looked at.
type Kind = (&'static str, Box<dyn Fn(u64) -> World>);

fn kinds() -> Vec<Kind> {
    let any_share = |world: World, seed: u64| world.with_stations((seed % 5) as f64 / 4.0);
    vec![
        ("as the prior", Box::new(World::from_prior)),
        ("all kinds", drawn(60, |world, _| world)),
        ("a dozen", drawn(12, |world, _| world)),
        ("much", drawn(300, |world, _| world)),
        ("ordinary", fixed(AS_ASSUMED, 60)),
        ("unlike", fixed(UNLIKE, 60)),
        ("unlike, much", fixed(UNLIKE, 300)),
        ("alike", fixed(ALIKE, 60)),
        ("alike, much", fixed(ALIKE, 300)),
        ("stations of all kinds", drawn(60, any_share)),
        ("stations, a dozen", drawn(12, any_share)),
        ("stations, much", drawn(300, any_share)),
        (
            "stations ordinary",
            fixed(AS_ASSUMED.with_stations(0.5), 60),
        ),
        ("stations unlike", fixed(UNLIKE.with_stations(0.5), 60)),
        (
            "stations strong",
            fixed(UNLIKE.with_strong_stations(0.12, 0.3, 0.8), 60),
        ),
        (
            "disasters 5 %",
            drawn(60, |world, _| World {
                disasters: 0.05,
                ..world
            }),
        ),
        (
            "disasters 10 %",
            drawn(60, |world, _| World {
                disasters: 0.1,
                ..world
            }),
        ),
    ]
}

/// Crops and stations of plans, and sowings on record.
const PLANS: [(&str, &[usize], usize, usize); 3] = [
    ("12 cells, 60 sowings", &[0, 1, 3], 4, 60),
    ("30 cells, 60 sowings", &ALL, 5, 60),
    ("30 cells, 120 sowings", &ALL, 5, 120),
];

fn main() {
    let mut given = std::env::args().skip(1);
    let first: u64 = given.next().map_or(0, |text| text.parse().unwrap());
    let runs: u64 = given.next().map_or(500, |text| text.parse().unwrap());
    let wanted: Vec<String> = given.collect();
    let is_wanted = |name: &str| {
        let fits = |by: &String| match by.strip_suffix('*') {
            Some(start) => name.starts_with(start),
            None => by == name,
        };
        wanted.is_empty() || wanted.iter().any(fits)
    };
    for (name, world) in kinds() {
        if is_wanted(name) {
            for ((quantity, part), hits) in cover(first..first + runs, &world) {
                if part == "all" || wanted.len() == 1 {
                    let [(at_80, error_80, _), (at_95, error_95, _)] = hits.shares();
                    println!(
                        "{name:22} {quantity:9} {part:22} {at_80:.3} ± {error_80:.3}  {at_95:.3} ± {error_95:.3} of {}",
                        hits.of()
                    );
                }
            }
        }
        let plan = format!("plan: {name}");
        if is_wanted(&plan) {
            for (what, crops, stations, sowings) in PLANS {
                let of = |seed| World {
                    sowings,
                    ..world(seed)
                };
                mean_errors(
                    &format!("{plan}, {what}"),
                    first..first + runs,
                    of,
                    crops,
                    stations,
                );
            }
        }
    }
}
