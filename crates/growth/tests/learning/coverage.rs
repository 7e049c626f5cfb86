//! Credible intervals hold the truth as often as they say.

use cotyl_growth::learning::{Assumptions, Choices, Level, learn};

use crate::world::{ALIKE, CROPS, Cooperative, STATIONS, UNLIKE, World, place};

/// Places looked at in each co-operative.
const PLACES: usize = 15;

#[derive(Debug, Default)]
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

    fn check(&self, what: &str, allowed: f64) {
        for (hits, level) in [(self.at_80, 0.8), (self.at_95, 0.95)] {
            let share = f64::from(hits) / f64::from(self.of);
            println!("{what}: {share:.4} at {level} of {}", self.of);
            assert!(
                (share - level).abs() <= allowed,
                "{what}: {share} at {level}"
            );
        }
    }
}

fn check(name: &str, cooperatives: u64, allowed: f64, world: impl Fn(u64) -> World) {
    let (mut days, mut grams, mut survival) = (Hits::default(), Hits::default(), Hits::default());
    for seed in 0..cooperatives {
        let mut cooperative = Cooperative::new(world(seed), seed);
        let records = cooperative.term();
        let learned = learn(&records, &Choices::default(), &Assumptions::default()).unwrap();
        for number in 0..PLACES {
            let crop = (seed as usize + number) % CROPS.len();
            let station = (seed as usize / CROPS.len() + number) % STATIONS;
            let (place, expected) = (place(crop, station), CROPS[crop].2);
            let level = Level::CropStation;
            let truth = cooperative.days(&place);
            days.count(learned.days(&place, level).probability_below(truth));
            let truth = cooperative.grams(&place);
            grams.count(learned.grams(&place, level).probability_below(truth));
            let truth = cooperative.survival(&place, expected);
            let belief = learned.survival(&place, level, expected).unwrap();
            survival.count(belief.probability_below(truth));
        }
    }
    for (what, hits) in [("days", days), ("grams", grams), ("survival", survival)] {
        hits.check(&format!("{name}, {what}"), allowed);
    }
}

/// Co-operatives differ in how unlike their parts are: by a factor of 2 either way in each quantity.
#[test]
fn intervals_cover_over_all_kinds_of_cooperatives() {
    check("all kinds", 500, 0.03, World::drawn);
}

/// How unlike the parts of one co-operative are it cannot quite learn from one term, so where all
/// quantities are at an edge of the kinds at once, intervals are somewhat narrow or wide.
#[test]
fn intervals_stay_near_their_level_at_the_edges() {
    check("unlike", 50, 0.12, |_| UNLIKE);
    check("alike", 50, 0.12, |_| ALIKE);
}
