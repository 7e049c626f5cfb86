//! Time to work out a term of twenty weeks: the plan, its chances and its remedies.
#![allow(clippy::unwrap_used, missing_docs)]

use criterion::{Criterion, criterion_group, criterion_main};

use cotyl_app::plans::answer::{Search, work_out};
use cotyl_app::plans::scenario::Scenario;
use cotyl_planner::Unhindered;

const SCENARIO: &[u8] = include_bytes!("../../../crates/app/data/example_scenario.json");

fn term(criterion: &mut Criterion) {
    let season = Scenario::read(SCENARIO).unwrap().season().unwrap();
    let mut group = criterion.benchmark_group("term");
    group.sample_size(10);
    for (name, wanted_chance_permille) in [("in the mean", None), ("with a margin", Some(800))] {
        let search = Search {
            seed: 1,
            work: 0,
            wanted_chance_permille,
        };
        group.bench_function(name, |bencher| {
            bencher.iter(|| work_out(&season, search, &Unhindered).unwrap());
        });
    }
}

criterion_group!(benches, term);
criterion_main!(benches);
