//! Synthetic co-operatives. Everything here is drawn without the estimating code.

use std::collections::BTreeMap;

use cotyl_growth::GrowingMethod;
use cotyl_growth::learning::{Assumptions, FactorAssumptions, Measured, Place, SowingRecord};
use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Beta, Binomial, Distribution as _, StandardNormal};

/// What co-operatives of a kind are like: standard deviations of logarithms, levels from the widest.
#[derive(Debug, Clone, Copy)]
pub struct World {
    pub days_levels: [f64; 5],
    pub days_record: f64,
    pub grams_levels: [f64; 5],
    pub grams_record: f64,
    /// Standard deviation of the log odds of a level's survival about the level above.
    pub survival_level: f64,
    /// Correlation between the containers of a sowing.
    pub correlation: f64,
    pub sowings: usize,
}

/// As assumed before there are records.
pub const AS_ASSUMED: World = World {
    days_levels: [0.045, 0.03, 0.045, 0.03, 0.045],
    days_record: 0.12,
    grams_levels: [0.12, 0.07, 0.09, 0.06, 0.1],
    grams_record: 0.4,
    survival_level: 0.35,
    correlation: 0.1,
    sowings: 60,
};

/// Further from the profiles and more unlike each other than assumed.
pub const UNLIKE: World = World {
    days_levels: [0.1, 0.05, 0.08, 0.04, 0.1],
    days_record: 0.1,
    grams_levels: [0.25, 0.12, 0.15, 0.08, 0.2],
    grams_record: 0.3,
    survival_level: 0.55,
    correlation: 0.2,
    sowings: 60,
};

/// Nearer to the profiles and to each other, with more scatter of records.
pub const ALIKE: World = World {
    days_levels: [0.03, 0.02, 0.02, 0.015, 0.02],
    days_record: 0.15,
    grams_levels: [0.08, 0.04, 0.05, 0.03, 0.05],
    grams_record: 0.5,
    survival_level: 0.2,
    correlation: 0.05,
    sowings: 60,
};

impl World {
    /// What learning would assume that knows how unlike the parts of the co-operative are.
    pub fn known(&self) -> Assumptions {
        Assumptions {
            days: FactorAssumptions {
                record: self.days_record,
                levels: self.days_levels,
            },
            grams: FactorAssumptions {
                record: self.grams_record,
                levels: self.grams_levels,
            },
            correlation_within_sowing: self.correlation,
            survival_level: self.survival_level,
        }
    }

    /// A kind of its own: each quantity's levels up to twice as unlike as assumed or half as much,
    /// its records up to half again as scattered or by as much less, evenly on a log scale.
    pub fn drawn(seed: u64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
        let mut times = |most: f64| random.random_range(-most.ln()..=most.ln()).exp();
        let (days, grams) = (times(2.0), times(2.0));
        Self {
            days_levels: AS_ASSUMED.days_levels.map(|level| level * days),
            days_record: AS_ASSUMED.days_record * times(1.5),
            grams_levels: AS_ASSUMED.grams_levels.map(|level| level * grams),
            grams_record: AS_ASSUMED.grams_record * times(1.5),
            survival_level: AS_ASSUMED.survival_level * times(2.0),
            correlation: AS_ASSUMED.correlation * times(2.0),
            sowings: AS_ASSUMED.sowings,
        }
    }
}

pub const CROPS: [(&str, &str, f64); 6] = [
    ("lettuce", "salad", 0.96),
    ("rocket", "salad", 0.96),
    ("mizuna", "salad", 0.92),
    ("basil", "herbs", 0.85),
    ("mint", "herbs", 0.8),
    ("chives", "herbs", 0.9),
];
pub const STATIONS: usize = 5;

/// The truth of one co-operative.
pub struct Cooperative {
    world: World,
    random: ChaCha8Rng,
    days: BTreeMap<String, f64>,
    grams: BTreeMap<String, f64>,
    survival: BTreeMap<String, f64>,
}

pub fn place(crop: usize, station: usize) -> Place {
    Place {
        group: CROPS[crop].1.into(),
        crop: CROPS[crop].0.into(),
        method: if station.is_multiple_of(2) {
            GrowingMethod::Passive
        } else {
            GrowingMethod::Aerated
        },
        station: format!("station {station}"),
    }
}

/// Names of the levels a place lies in, from the widest.
fn names(place: &Place) -> [String; 5] {
    let crop = format!("{}/{}", place.group, place.crop);
    let method = format!("{crop}/{:?}", place.method);
    let station = format!("{method}/{}", place.station);
    [String::new(), place.group.clone(), crop, method, station]
}

impl Cooperative {
    pub fn new(world: World, seed: u64) -> Self {
        Self {
            world,
            random: ChaCha8Rng::seed_from_u64(seed),
            days: BTreeMap::new(),
            grams: BTreeMap::new(),
            survival: BTreeMap::new(),
        }
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.random)
    }

    fn beta(&mut self, mean: f64, concentration: f64) -> f64 {
        let mean = mean.clamp(1e-4, 1.0 - 1e-4);
        Beta::new(concentration * mean, concentration * (1.0 - mean))
            .unwrap()
            .sample(&mut self.random)
    }

    /// True factor of the days of a place.
    pub fn days(&mut self, place: &Place) -> f64 {
        let mut log = 0.0;
        for (name, spread) in names(place).into_iter().zip(self.world.days_levels) {
            let z = self.normal();
            log += *self.days.entry(name).or_insert(z) * spread;
        }
        log.exp()
    }

    /// True factor of the grams of a place.
    pub fn grams(&mut self, place: &Place) -> f64 {
        let mut log = 0.0;
        for (name, spread) in names(place).into_iter().zip(self.world.grams_levels) {
            let z = self.normal();
            log += *self.grams.entry(name).or_insert(z) * spread;
        }
        log.exp()
    }

    /// True survival of a place, where the profile expects this share: what stands on average in
    /// all co-operatives. The centre of the log odds is moved so that this is their mean, by the
    /// usual approximation of a logistic-normal mean (constant 16√3/15π squared).
    pub fn survival(&mut self, place: &Place, expected: f64) -> f64 {
        let variance = 5.0 * self.world.survival_level.powi(2);
        let mut log_odds = (expected / (1.0 - expected)).ln() * (1.0 + 0.345_8 * variance).sqrt();
        for name in names(place) {
            let z = self.normal();
            log_odds += *self.survival.entry(name).or_insert(z) * self.world.survival_level;
        }
        1.0 / (1.0 + (-log_odds).exp())
    }

    /// The record of one sowing.
    pub fn sow(&mut self, crop: usize, station: usize, day: i64) -> SowingRecord {
        let place = place(crop, station);
        let expected_survival = CROPS[crop].2;
        let sown = self.random.random_range(4..=20);
        let share = self.survival(&place, expected_survival);
        let of_sowing = self.beta(share, 1.0 / self.world.correlation - 1.0);
        let stood = Binomial::new(sown, of_sowing)
            .unwrap()
            .sample(&mut self.random) as u32;
        let sown = sown as u32;
        let days = self.days(&place) * (self.world.days_record * self.normal()).exp();
        let scatter = self.world.grams_record;
        let grams = self.grams(&place) * (scatter * self.normal() - 0.5 * scatter * scatter).exp();
        let lost = stood == 0;
        let expected_days = self.random.random_range(25.0..50.0);
        let expected_grams = 60.0 * f64::from(sown) * expected_survival;
        SowingRecord {
            place,
            day,
            days_to_first_cut: (!lost).then_some(Measured {
                observed: days * expected_days,
                expected: expected_days,
            }),
            grams: (!lost).then_some(Measured {
                observed: grams * 60.0 * f64::from(stood),
                expected: expected_grams,
            }),
            containers_sown: sown,
            containers_stood: Some(stood),
            lost,
            expected_survival,
        }
    }

    /// The records of a term: sowings of any crop anywhere.
    pub fn term(&mut self) -> Vec<SowingRecord> {
        self.term_of(&[0, 1, 2, 3, 4, 5], STATIONS)
    }

    /// The records of a term of some crops at the first stations.
    pub fn term_of(&mut self, crops: &[usize], stations: usize) -> Vec<SowingRecord> {
        (0..self.world.sowings)
            .map(|index| {
                let crop = crops[self.random.random_range(0..crops.len())];
                let station = self.random.random_range(0..stations);
                self.sow(crop, station, index as i64)
            })
            .collect()
    }
}
