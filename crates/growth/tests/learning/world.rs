//! Synthetic co-operatives. Everything here is drawn without the estimating code.

use std::collections::BTreeMap;

use cotyl_growth::GrowingMethod;
use cotyl_growth::learning::{Assumptions, FactorAssumptions, Measured, Place, SowingRecord};
use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Beta, Binomial, Distribution as _, StandardNormal};

/// How a factor scatters in a kind of co-operatives: standard deviations of logarithms.
#[derive(Debug, Clone, Copy)]
pub struct Scatter {
    /// Each level about the one above, from the widest.
    pub levels: [f64; 5],
    /// What all crops at a station have in common.
    pub station: f64,
    /// Single sowings about their place.
    pub record: f64,
}

/// What is left of a sowing that goes wrong: evenly from the one share to the other.
const LEFT: (f64, f64) = (0.05, 0.5);

/// What co-operatives of a kind are like.
#[derive(Debug, Clone, Copy)]
pub struct World {
    pub days: Scatter,
    pub grams: Scatter,
    /// Standard deviation of the log odds of a level's survival about the level above.
    pub survival_level: f64,
    /// The same of what all crops at a station have in common.
    pub survival_station: f64,
    /// Correlation between the containers of a sowing.
    pub correlation: f64,
    /// Share of sowings that give far less than they should, for no cause that is on record.
    pub disasters: f64,
    /// Sowings on record.
    pub sowings: usize,
}

/// As assumed before there are records, with nothing that all crops at a station have in common.
pub const AS_ASSUMED: World = World {
    days: Scatter {
        levels: [0.045, 0.03, 0.045, 0.03, 0.045],
        station: 0.0,
        record: 0.12,
    },
    grams: Scatter {
        levels: [0.12, 0.07, 0.09, 0.06, 0.1],
        station: 0.0,
        record: 0.4,
    },
    survival_level: 0.35,
    survival_station: 0.0,
    correlation: 0.1,
    disasters: 0.0,
    sowings: 60,
};

/// Further from the profiles and more unlike each other than assumed.
pub const UNLIKE: World = World {
    days: Scatter {
        levels: [0.1, 0.05, 0.08, 0.04, 0.1],
        station: 0.0,
        record: 0.1,
    },
    grams: Scatter {
        levels: [0.25, 0.12, 0.15, 0.08, 0.2],
        station: 0.0,
        record: 0.3,
    },
    survival_level: 0.55,
    survival_station: 0.0,
    correlation: 0.2,
    disasters: 0.0,
    sowings: 60,
};

/// Nearer to the profiles and to each other, with more scatter of records.
pub const ALIKE: World = World {
    days: Scatter {
        levels: [0.03, 0.02, 0.02, 0.015, 0.02],
        station: 0.0,
        record: 0.15,
    },
    grams: Scatter {
        levels: [0.08, 0.04, 0.05, 0.03, 0.05],
        station: 0.0,
        record: 0.5,
    },
    survival_level: 0.2,
    survival_station: 0.0,
    correlation: 0.05,
    disasters: 0.0,
    sowings: 60,
};

impl World {
    /// A kind of its own: each quantity's levels up to twice as unlike as assumed or half as much,
    /// its records up to half again as scattered or by as much less, evenly on a log scale.
    pub fn drawn(seed: u64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
        let mut times = |most: f64| random.random_range(-most.ln()..=most.ln()).exp();
        let (days, grams) = (times(2.0), times(2.0));
        let scatter = |of: Scatter, levels: f64, record: f64| Scatter {
            levels: of.levels.map(|level| level * levels),
            record: of.record * record,
            ..of
        };
        Self {
            days: scatter(AS_ASSUMED.days, days, times(1.5)),
            grams: scatter(AS_ASSUMED.grams, grams, times(1.5)),
            survival_level: AS_ASSUMED.survival_level * times(2.0),
            correlation: AS_ASSUMED.correlation * times(2.0),
            ..AS_ASSUMED
        }
    }

    /// A kind drawn from what learning assumes before there are records, distribution by distribution.
    /// Over such worlds intervals must be at their level exactly, however few the records.
    pub fn from_prior(seed: u64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x9e37_79b9);
        let given = Assumptions::default();
        let mut factor = |of: &FactorAssumptions| {
            let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
            // 6 over a chi-square of 6 degrees of freedom times the variance of a record.
            let chi_square: f64 = (0..6).map(|_| normal().powi(2)).sum();
            let record = of.record * (6.0 / chi_square).sqrt();
            let levels = of.levels.map(|level| level * (0.4 * normal()).exp());
            let station = of.station * (0.6 * normal()).exp();
            // Ratios to a record's variance are what is assumed.
            let times = random.random_range(0.15..2.5) * record / of.record;
            Scatter {
                levels: levels.map(|level| level * times),
                station: station * times,
                record,
            }
        };
        let (days, grams) = (factor(&given.days), factor(&given.grams));
        let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
        let odds = 1.0 / given.correlation_within_sowing - 1.0;
        let correlation = 1.0 / (1.0 + odds * normal().exp());
        let station = (0.5 * normal()).exp() * given.survival_station;
        let times = random.random_range(0.15..1.9);
        Self {
            days,
            grams,
            survival_level: times * given.survival_level,
            survival_station: times * station,
            correlation,
            disasters: 0.0,
            sowings: 60,
        }
    }

    /// The share that is left on average of what sowings would give if none went wrong.
    pub fn kept(&self) -> f64 {
        1.0 - self.disasters * (1.0 - 0.5 * (LEFT.0 + LEFT.1))
    }

    /// The same with stations that differ: of what a place had to itself this share of the
    /// variance is what all crops at its station have in common. Of survival, whose levels are all
    /// alike, the station has as much as a level.
    pub fn with_stations(self, share: f64) -> Self {
        let of = |scatter: Scatter| {
            let mut levels = scatter.levels;
            levels[4] *= (1.0 - share).sqrt();
            Scatter {
                levels,
                station: scatter.levels[4] * share.sqrt(),
                ..scatter
            }
        };
        Self {
            days: of(self.days),
            grams: of(self.grams),
            survival_station: self.survival_level,
            ..self
        }
    }

    /// The same with stations that differ by so much beside all else.
    pub fn with_strong_stations(self, days: f64, grams: f64, survival: f64) -> Self {
        let of = |scatter: Scatter, station| Scatter { station, ..scatter };
        Self {
            days: of(self.days, days),
            grams: of(self.grams, grams),
            survival_station: survival,
            ..self
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
    spoilt: Vec<i64>,
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
pub fn names(place: &Place) -> [String; 5] {
    let crop = format!("{}/{}", place.group, place.crop);
    let method = format!("{crop}/{:?}", place.method);
    let station = format!("{method}/{}", place.station);
    [String::new(), place.group.clone(), crop, method, station]
}

impl Scatter {
    /// Variance of the logarithm of the factor of a place.
    pub fn variance(&self) -> f64 {
        let levels = self.levels.iter().map(|level| level * level);
        levels.sum::<f64>() + self.station * self.station
    }
}

/// Logarithm of the true factor of a place; what is not yet known of its parts is drawn.
fn log_factor(
    random: &mut ChaCha8Rng,
    known: &mut BTreeMap<String, f64>,
    scatter: &Scatter,
    place: &Place,
) -> f64 {
    let station = format!("at {}", place.station);
    let parts = names(place).into_iter().zip(scatter.levels);
    let parts = parts.chain([(station, scatter.station)]);
    let mut log = 0.0;
    for (name, spread) in parts {
        let part = known
            .entry(name)
            .or_insert_with(|| StandardNormal.sample(random));
        log += *part * spread;
    }
    log
}

impl Cooperative {
    pub fn new(world: World, seed: u64) -> Self {
        Self {
            world,
            random: ChaCha8Rng::seed_from_u64(seed),
            days: BTreeMap::new(),
            grams: BTreeMap::new(),
            survival: BTreeMap::new(),
            spoilt: Vec::new(),
        }
    }

    /// Days of the sowings that gave far less than they should.
    pub fn spoilt(&self) -> &[i64] {
        &self.spoilt
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
        let scatter = self.world.days;
        log_factor(&mut self.random, &mut self.days, &scatter, place).exp()
    }

    /// True factor of the grams of a place: of what its sowings give on average, those that go wrong
    /// among them.
    pub fn grams(&mut self, place: &Place) -> f64 {
        self.world.kept() * self.grams_unspoilt(place)
    }

    /// The same of sowings with which nothing goes wrong.
    fn grams_unspoilt(&mut self, place: &Place) -> f64 {
        let scatter = self.world.grams;
        log_factor(&mut self.random, &mut self.grams, &scatter, place).exp()
    }

    /// True survival of a place, where the profile expects this share: what stands on average in
    /// all co-operatives. The centre of the log odds is moved so that this is their mean, by the
    /// usual approximation of a logistic-normal mean (constant 16√3/15π squared).
    pub fn survival(&mut self, place: &Place, expected: f64) -> f64 {
        let scatter = Scatter {
            levels: [self.world.survival_level; 5],
            station: self.world.survival_station,
            record: 0.0,
        };
        let moved = log_factor(&mut self.random, &mut self.survival, &scatter, place);
        let centre = (expected / (1.0 - expected)).ln();
        let stretch = (1.0 + 0.345_8 * scatter.variance()).sqrt();
        1.0 / (1.0 + (-stretch * centre - moved).exp())
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
        let days = self.days(&place) * (self.world.days.record * self.normal()).exp();
        let scatter = self.world.grams.record;
        let grams =
            self.grams_unspoilt(&place) * (scatter * self.normal() - 0.5 * scatter * scatter).exp();
        let left = if self.random.random_bool(self.world.disasters) {
            self.spoilt.push(day);
            self.random.random_range(LEFT.0..LEFT.1)
        } else {
            1.0
        };
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
                observed: left * grams * 60.0 * f64::from(stood),
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
