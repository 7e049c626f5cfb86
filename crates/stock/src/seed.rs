//! How much seed gives the plants that are wanted, and whether a lot still does.

use chrono::NaiveDate;
use statrs::distribution::{Binomial, DiscreteCDF};

/// Most seeds that are ever reckoned with.
const MOST_SEEDS: u64 = 1_000_000_000;

/// Days in a mean year.
const DAYS_IN_YEAR: f64 = 365.25;

/// The probability that at least `plants` of `seeds` come up, each by itself with a probability of
/// `germination_permille` thousandths.
#[must_use]
pub fn chance_of_plants(seeds: u64, plants: u64, germination_permille: u32) -> f64 {
    if plants == 0 {
        return 1.0;
    }
    let germination = f64::from(germination_permille.min(1000)) / 1000.0;
    Binomial::new(germination, seeds).map_or(0.0, |count| count.sf(plants - 1))
}

/// The fewest seeds of which at least `plants` come up with a probability of `chance_permille`
/// thousandths; `None` when no number of seeds does.
#[must_use]
pub fn seeds_for_plants(
    plants: u64,
    germination_permille: u32,
    chance_permille: u32,
) -> Option<u64> {
    let wanted = f64::from(chance_permille) / 1000.0;
    let enough = |seeds: u64| chance_of_plants(seeds, plants, germination_permille) >= wanted;
    let (mut too_few, mut seeds) = (plants.saturating_sub(1), plants.max(1));
    while !enough(seeds) {
        too_few = seeds;
        seeds = seeds.checked_mul(2).filter(|seeds| *seeds <= MOST_SEEDS)?;
    }
    while seeds - too_few > 1 {
        let middle = too_few + (seeds - too_few) / 2;
        if enough(middle) {
            seeds = middle;
        } else {
            too_few = middle;
        }
    }
    Some(if enough(plants) { plants } else { seeds })
}

/// Seeds for each plant with which as large a share of the places holds a plant as with
/// `planned_seeds` of `planned_permille` germination, when the seed only has `germination_permille`:
/// the least k with `1 - (1 - g)^k` no smaller. `None` when no more than [`MOST_SEEDS_A_PLANT`] do.
#[must_use]
pub fn seeds_a_plant(
    planned_seeds: u32,
    planned_permille: u32,
    germination_permille: u32,
) -> Option<u32> {
    let empty = |germination: u32, seeds: u32| {
        (1.0 - f64::from(germination.min(1000)) / 1000.0).powf(f64::from(seeds))
    };
    let most_empty = empty(planned_permille, planned_seeds);
    (1..=MOST_SEEDS_A_PLANT)
        .find(|seeds| empty(germination_permille, *seeds) <= most_empty + f64::EPSILON)
}

/// Most seeds that are sown for one plant before a lot is given up. Common practice, no source.
pub const MOST_SEEDS_A_PLANT: u32 = 20;

/// What is published of the seed of a kind of vegetable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SeedKind {
    /// Word by which the name of a crop is known to be of it.
    pub word: &'static str,
    /// Germination, in thousandths, below which a packet must say so: 7 CFR 201.31 in the text of 1994
    /// (59 FR 64491); amended in 2020 (85 FR 40571), so look it up before relying on it. `None` where
    /// the list has no such kind.
    pub least_permille: Option<u32>,
    /// Shortest and longest seed life in years, cool and dry, over lists of extension services that
    /// disagree. `None` where none was at hand.
    pub life_years: Option<(u32, u32)>,
}

/// The source of [`SeedKind::least_permille`].
pub const LEAST_GERMINATION_SOURCE: &str =
    "7 CFR 201.31 (1994 text; amended 2020, look up the current table)";

/// The source of [`SeedKind::life_years`] and of the decline that is made of it.
pub const SEED_LIFE_SOURCE: &str = "extension seed-life lists, which disagree, as retold by others; \
    the decline after that life is common practice, no source";

const fn kind(
    word: &'static str,
    least_permille: Option<u32>,
    life_years: Option<(u32, u32)>,
) -> SeedKind {
    SeedKind {
        word,
        least_permille,
        life_years,
    }
}

/// Lettuce lives 6 years in a list after Knott, 3 in one of Ohio State and in an average of four;
/// spinach 3, one season, 3; parsley 1, 2, 2; chard 4, 2, 3; kale 4, 3 to 5, 4.
const KINDS: &[SeedKind] = &[
    kind("lettuce", Some(800), Some((3, 6))),
    kind("spinach", Some(600), Some((1, 3))),
    kind("kale", Some(750), Some((3, 5))),
    kind("chard", Some(650), Some((2, 4))),
    kind("parsley", Some(600), Some((1, 2))),
    kind("cabbage", Some(750), None),
    kind("collard", Some(800), None),
    kind("pak choi", Some(750), None),
    kind("pak-choi", Some(750), None),
    kind("chive", Some(500), None),
];

/// What is published of the seed of a crop, known by a word of its name; `None` for others.
#[must_use]
pub fn seed_kind(crop_name: &str) -> Option<&'static SeedKind> {
    let name = crop_name.to_lowercase();
    KINDS.iter().find(|kind| name.contains(kind.word))
}

/// Where an estimate of germination comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GerminationBasis {
    /// A test, with what age has taken since.
    Test,
    /// The plan's own figure, with what age has taken since the lot came.
    Age,
    /// The plan's own figure: neither a test nor a seed life is known.
    Unknown,
}

/// What a lot may germinate today, in thousandths.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Germination {
    /// If seed lives as long as the shortest list says.
    pub low_permille: u32,
    /// If seed lives as long as the longest list says.
    pub high_permille: u32,
    /// Where it comes from.
    pub basis: GerminationBasis,
}

/// What is known of a lot of seed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SeedLot {
    /// Germination in thousandths and day of the test.
    pub test: Option<(u32, NaiveDate)>,
    /// When it came; the seed is at least that old.
    pub received_on: NaiveDate,
}

/// Whether a lot gives the plan its plants.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LotVerdict {
    /// It does.
    Enough,
    /// It may not: test it.
    Doubtful,
    /// It does not.
    TooFew,
}

/// Germination of a lot on a day. It holds for the seed's life and then falls evenly, to nothing at
/// twice that life; both ends of the published range are followed.
#[must_use]
pub fn germination(
    lot: SeedLot,
    planned_permille: u32,
    life_years: Option<(u32, u32)>,
    today: NaiveDate,
) -> Germination {
    let (start, since, basis) = match (lot.test, life_years) {
        (Some((tested, on)), _) => (tested, on, GerminationBasis::Test),
        (None, Some(_)) => (planned_permille, lot.received_on, GerminationBasis::Age),
        (None, None) => (planned_permille, lot.received_on, GerminationBasis::Unknown),
    };
    let age_years = today.signed_duration_since(since).num_days().max(0) as f64 / DAYS_IN_YEAR;
    let after = |life: u32| {
        let life = f64::from(life.max(1));
        let left = (2.0 - age_years / life).clamp(0.0, 1.0);
        // the cast saturates
        (f64::from(start.min(1000)) * left).round() as u32
    };
    let (low_permille, high_permille) = match life_years {
        Some((shortest, longest)) => (after(shortest), after(longest)),
        None => (start.min(1000), start.min(1000)),
    };
    Germination {
        low_permille,
        high_permille,
        basis,
    }
}

impl Germination {
    /// Whether it is what the plan reckons with.
    #[must_use]
    pub fn verdict(&self, planned_permille: u32) -> LotVerdict {
        if self.low_permille >= planned_permille {
            LotVerdict::Enough
        } else if self.high_permille >= planned_permille {
            LotVerdict::Doubtful
        } else {
            LotVerdict::TooFew
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use proptest::prelude::*;

    /// Binomial arithmetic: 24 / 0.80 = 30 seeds give 24 plants only 61 times in 100; 35 do 96.6
    /// times. Two seeds at 0.80 stand with 0.96, three with 0.992.
    #[test]
    fn plants_of_seeds() {
        let check = |(seeds, plants): (u64, u64), expect: f64| {
            let got = chance_of_plants(seeds, plants, 800);
            assert!((got - expect).abs() < 0.0005, "{seeds}: {got}");
        };
        check((30, 24), 0.607);
        check((35, 24), 0.966);
        check((2, 1), 0.96);
        check((3, 1), 0.992);
        check((23, 24), 0.0);
        assert_eq!(seeds_for_plants(24, 800, 950), Some(35));
        assert_eq!(seeds_for_plants(0, 800, 950), Some(0));
        assert_eq!(seeds_for_plants(24, 1000, 950), Some(24));
        assert_eq!(seeds_for_plants(24, 0, 950), None);
    }

    /// Against the sum of the probabilities themselves, term by term.
    #[test]
    fn chances_are_sums_of_binomial_terms() {
        for (seeds, plants, permille) in [(30_u64, 24_u64, 800_u32), (12, 9, 650), (50, 20, 350)] {
            let p = f64::from(permille) / 1000.0;
            let mut term = (1.0 - p).powf(seeds as f64);
            let mut below = 0.0;
            for count in 0..plants {
                below += term;
                term *= (seeds - count) as f64 / (count + 1) as f64 * p / (1.0 - p);
            }
            let got = chance_of_plants(seeds, plants, permille);
            assert!((got - (1.0 - below)).abs() < 1e-9, "{got} {below}");
        }
    }

    proptest! {
        #[test]
        fn one_seed_less_is_too_few(
            plants in 1_u64..200, germination in 300_u32..=1000, chance in 500_u32..=990,
        ) {
            let seeds = seeds_for_plants(plants, germination, chance).unwrap();
            let wanted = f64::from(chance) / 1000.0;
            prop_assert!(seeds >= plants);
            prop_assert!(chance_of_plants(seeds, plants, germination) >= wanted);
            prop_assert!(chance_of_plants(seeds - 1, plants, germination) < wanted);
        }

        #[test]
        fn weaker_seed_never_takes_fewer_seeds(
            seeds in 1_u32..4, planned in 500_u32..950, weaker in 50_u32..950,
        ) {
            match seeds_a_plant(seeds, planned, weaker.min(planned)) {
                Some(needed) => {
                    prop_assert!(needed >= seeds);
                    let empty = |g: u32, k: u32| (1.0 - f64::from(g) / 1000.0).powf(f64::from(k));
                    prop_assert!(empty(weaker.min(planned), needed) <= empty(planned, seeds) + 1e-12);
                }
                None => prop_assert!(weaker < 500),
            }
        }
    }

    /// 0.96 of the places at two seeds of 0.80; at 0.60 that takes four: 1 - 0.4^4 = 0.974.
    #[test]
    fn weaker_seed_takes_more_seeds_a_plant() {
        assert_eq!(seeds_a_plant(2, 800, 800), Some(2));
        assert_eq!(seeds_a_plant(2, 800, 600), Some(4));
        assert_eq!(seeds_a_plant(2, 800, 990), Some(1));
        assert_eq!(seeds_a_plant(2, 800, 0), None);
    }

    #[test]
    fn a_lot_holds_for_its_life_and_then_declines() {
        let today: NaiveDate = "2026-09-07".parse().unwrap();
        let check = |test: Option<(u32, &str)>, received: &str, crop: &str, expect: (u32, u32)| {
            let lot = SeedLot {
                test: test.map(|(permille, on)| (permille, on.parse().unwrap())),
                received_on: received.parse().unwrap(),
            };
            let life = seed_kind(crop).and_then(|kind| kind.life_years);
            let found = germination(lot, 800, life, today);
            assert_eq!(
                (found.low_permille, found.high_permille),
                expect,
                "{received} {crop}"
            );
            found
        };
        let fresh = check(None, "2026-03-01", "Leaf lettuce", (800, 800));
        assert_eq!(fresh.verdict(800), LotVerdict::Enough);
        let older = check(None, "2022-03-08", "Leaf lettuce", (400, 800));
        assert_eq!(
            (older.verdict(800), older.basis),
            (LotVerdict::Doubtful, GerminationBasis::Age)
        );
        let old = check(None, "2016-09-07", "Leaf lettuce", (0, 267));
        assert_eq!(old.verdict(800), LotVerdict::TooFew);
        let tested = check(
            Some((720, "2026-08-01")),
            "2016-09-07",
            "Leaf lettuce",
            (720, 720),
        );
        assert_eq!(
            (tested.verdict(800), tested.basis),
            (LotVerdict::TooFew, GerminationBasis::Test)
        );
        let unknown = check(None, "2016-09-07", "Dill", (800, 800));
        assert_eq!(unknown.basis, GerminationBasis::Unknown);
    }

    /// 7 CFR 201.31, text of 1994 (59 FR 64491).
    #[test]
    fn least_germination_by_law() {
        for (crop, expect) in [
            ("Romaine lettuce", Some(800)),
            ("spinach", Some(600)),
            ("Red kale", Some(750)),
            ("Swiss chard", Some(650)),
            ("parsley", Some(600)),
            ("collards", Some(800)),
            ("pak choi", Some(750)),
            ("chives", Some(500)),
            ("basil", None),
            ("coriander", None),
        ] {
            let found = seed_kind(crop).and_then(|kind| kind.least_permille);
            assert_eq!(found, expect, "{crop}");
        }
    }
}
