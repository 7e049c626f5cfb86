//! What learning is measured by: how often its intervals hold the truth, and by how much a plan of
//! what was learned is off.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use cotyl_growth::learning::{
    Assumptions, Choices, FactorAssumptions, Level, Place, SowingRecord, Taught, learn,
};
use cotyl_growth::{
    Climate, ContainerYield, CropProfile, GrowingMethod, KnownDays, WorkingDay, expected_cuts,
    starter_crops,
};

use crate::best::Best;
use crate::world::{CROPS, Cooperative, STATIONS, Scatter, World, place};

/// Places looked at in each co-operative.
const PLACES: usize = 15;

/// How often central intervals held the truth.
#[derive(Debug, Clone, Default)]
pub struct Hits {
    /// Within 80 %, within 95 %, and looked at, by co-operative.
    runs: BTreeMap<u64, [u32; 3]>,
}

impl Hits {
    /// Whether the truth lies in the central intervals, told by the probability below it.
    fn count(&mut self, seed: u64, below: f64) {
        let run = self.runs.entry(seed).or_default();
        run[0] += u32::from((0.1..=0.9).contains(&below));
        run[1] += u32::from((0.025..=0.975).contains(&below));
        run[2] += 1;
    }

    /// Places looked at.
    pub fn of(&self) -> u32 {
        self.runs.values().map(|run| run[2]).sum()
    }

    /// The share of places within each interval, its standard error with co-operatives (not the places
    /// of one) taken to be independent, and the level of the interval.
    pub fn shares(&self) -> [(f64, f64, f64); 2] {
        [(0, 0.8), (1, 0.95)].map(|(index, level)| {
            let of = f64::from(self.of());
            let hits: u32 = self.runs.values().map(|run| run[index]).sum();
            let share = f64::from(hits) / of;
            let squares = self.runs.values().map(|run| {
                let off = f64::from(run[index]) - share * f64::from(run[2]);
                off * off
            });
            (share, squares.sum::<f64>().sqrt() / of, level)
        })
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

/// Hits by quantity and part.
pub type Found = BTreeMap<(&'static str, &'static str), Hits>;

/// Intervals at places of co-operatives of a kind, one for each seed.
pub fn cover(seeds: Range<u64>, world: impl Fn(u64) -> World) -> Found {
    let mut found = Found::new();
    for seed in seeds {
        let world = world(seed);
        let mut cooperative = Cooperative::new(world, seed);
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
                    let hits = found.entry((quantity, part)).or_default();
                    hits.count(seed, below);
                }
            }
        }
    }
    found
}

/// What learning would assume that knows how unlike the parts of a co-operative are.
fn known(world: &World) -> Assumptions {
    let of = |scatter: &Scatter| FactorAssumptions {
        record: scatter.record,
        levels: scatter.levels,
        station: scatter.station.max(1e-3),
    };
    Assumptions {
        days: of(&world.days),
        grams: of(&world.grams),
        correlation_within_sowing: world.correlation,
        survival_level: world.survival_level,
        survival_station: world.survival_station.max(1e-3),
    }
}

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
    profiles: &BTreeMap<Place, CropProfile>,
) -> Vec<f64> {
    let days: Vec<WorkingDay> = (0..7 * WEEKS)
        .map(|day| WorkingDay {
            day: day as u32,
            week: day / 7,
        })
        .collect();
    let mut weeks = vec![0.0; WEEKS];
    for &(crop, station, day) in sowings {
        let profile = &profiles[&place(crop, station)];
        let climate = Climate {
            temperature_celsius: vec![profile.optimum_low_celsius; WEEKS],
            daily_light_mol: vec![profile.light_reference_mol; WEEKS],
        };
        let jar = ContainerYield::REFERENCE;
        let cuts = expected_cuts(
            profile,
            &climate,
            day,
            &[],
            &days,
            &jar,
            KnownDays::default(),
        );
        for cut in cuts {
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

/// What one co-operative's plan of its next term is off by, or many on average.
#[derive(Debug, Clone, Copy, Default)]
pub struct Errors {
    /// By the untouched profile.
    pub untouched: f64,
    /// By what one term taught.
    pub taught: f64,
    /// By the best that anybody can say who knows how unlike the parts of the co-operative are and
    /// how its sowings scatter, but only these records of its true factors.
    pub best: f64,
}

/// A plan of the next term against what its sowings truly give on average.
fn errors(world: World, seed: u64, crops: &[usize], stations: usize) -> Errors {
    let mut cooperative = Cooperative::new(world, seed);
    let records = cooperative.term_of(crops, stations);
    let teach =
        |assumptions: &Assumptions| learn(&records, &Choices::default(), assumptions).unwrap();
    let learned = teach(&Assumptions::default());
    let survival = teach(&known(&world));
    let best = Best::new(&world, &records, cooperative.spoilt());
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
    let mut profiles: [BTreeMap<Place, CropProfile>; 4] = Default::default();
    for &(crop, station, _) in &sowings {
        let (place, given) = (place(crop, station), profile(CROPS[crop].2));
        if profiles[0].contains_key(&place) {
            continue;
        }
        let level = Level::CropStation;
        let truth = Taught {
            days: cooperative.days(&place),
            grams: cooperative.grams(&place),
            survival: cooperative.survival(&place, CROPS[crop].2),
        };
        let best = Taught {
            days: best.days(&place),
            grams: best.grams(&place),
            survival: survival
                .survival(&place, level, CROPS[crop].2)
                .unwrap()
                .share(),
        };
        let taught = learned.taught(&given, &place).unwrap();
        profiles[0].insert(place.clone(), truth.applied(&given));
        profiles[1].insert(place.clone(), taught.applied(&given));
        profiles[2].insert(place.clone(), best.applied(&given));
        profiles[3].insert(place, given);
    }
    let [truth, taught, best, untouched] =
        profiles.map(|profiles| weekly_grams(&sowings, &profiles));
    Errors {
        untouched: error(&untouched, &truth),
        taught: error(&taught, &truth),
        best: error(&best, &truth),
    }
}

/// Mean errors, in grams a week, over co-operatives of a kind; told as well.
pub fn mean_errors(
    what: &str,
    seeds: Range<u64>,
    world: impl Fn(u64) -> World,
    crops: &[usize],
    stations: usize,
) -> Errors {
    let all: Vec<Errors> = seeds
        .map(|seed| errors(world(seed), seed, crops, stations))
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
        "{what}, {} crops at {stations} stations, grams a week off: {:.1} untouched, {:.1} taught ({:.3}), \
         {:.1} best ({:.3}); of each co-operative by quarters {:.2}, {:.2}, {:.2}",
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
