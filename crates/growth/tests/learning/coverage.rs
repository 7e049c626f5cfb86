//! Credible intervals hold the truth as often as they say.

use cotyl_growth::learning::{Assumptions, Choices, Interval, Level, learn};

use crate::world::{ALIKE, AS_ASSUMED, CROPS, Cooperative, STATIONS, UNLIKE, World, place};

const COOPERATIVES: u64 = 500;

/// Places looked at in each.
const PLACES: usize = 6;

#[derive(Debug, Default)]
struct Hits {
    at_80: u32,
    at_95: u32,
    of: u32,
}

impl Hits {
    fn count(&mut self, truth: f64, interval: impl Fn(f64) -> Interval) {
        let holds = |probability: f64| {
            let interval = interval(probability);
            u32::from(interval.low <= truth && truth <= interval.high)
        };
        self.at_80 += holds(0.8);
        self.at_95 += holds(0.95);
        self.of += 1;
    }

    fn check(&self, what: &str) {
        let (at_80, at_95) = (
            f64::from(self.at_80) / f64::from(self.of),
            f64::from(self.at_95) / f64::from(self.of),
        );
        println!("{what}: {at_80:.4} at 0.80, {at_95:.4} at 0.95 of {}", self.of);
        if std::env::var_os("EXPLORE").is_some() { return; }
        assert!((at_80 - 0.8).abs() <= 0.03, "{what} at 0.80: {at_80}");
        assert!((at_95 - 0.95).abs() <= 0.03, "{what} at 0.95: {at_95}");
    }
}

fn check(name: &str, world: World) {
    let (mut days, mut grams, mut survival) = (Hits::default(), Hits::default(), Hits::default());
    for seed in 0..COOPERATIVES {
        let mut cooperative = Cooperative::new(world, seed);
        let records = cooperative.term();
        let learned = learn(&records, &Choices::default(), &Assumptions::default()).unwrap();
        for number in 0..PLACES {
            let crop = (seed as usize + number) % CROPS.len();
            let station = (seed as usize / CROPS.len() + number) % STATIONS;
            let place = place(crop, station);
            let level = Level::CropStation;
            days.count(cooperative.days(&place), |probability| {
                learned.days(&place, level).interval(probability).unwrap()
            });
            grams.count(cooperative.grams(&place), |probability| {
                learned.grams(&place, level).interval(probability).unwrap()
            });
            let expected = CROPS[crop].2;
            let belief = learned.survival(&place, level, expected).unwrap();
            survival.count(cooperative.survival(&place, expected), |probability| {
                belief.interval(probability).unwrap()
            });
        }
    }
    for (what, hits) in [("days", days), ("grams", grams), ("survival", survival)] {
        hits.check(&format!("{name}, {what}"));
    }
}

#[test]
fn intervals_cover_where_all_is_as_assumed() {
    check("as assumed", AS_ASSUMED);
}

#[test]
fn intervals_cover_where_stations_are_unlike() {
    check("unlike", UNLIKE);
}

#[test]
fn intervals_cover_where_stations_are_alike() {
    check("alike", ALIKE);
}
