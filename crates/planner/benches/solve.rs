//! Time of a solve with a fixed number of moves: a generated problem of about 150 places.

use std::collections::BTreeMap;

use criterion::{Criterion, criterion_group, criterion_main};

use cotyl_planner::problem::{
    Arc, Class, ClassCrop, MixLitres, Objective, PROBLEM_FORMAT, Problem, Rules, Site, Slot,
    Station, Target, WorkMinutes,
};
use cotyl_planner::{Options, Unhindered, solve};

const WEEKS: usize = 26;
const CROPS: usize = 8;

fn entry(crop: usize) -> ClassCrop {
    let arcs = |weeks: usize| {
        let to = move |from: usize| (from + weeks..=from + weeks + 1).filter(|&to| to < WEEKS);
        let arc = move |from: usize, to: usize| Arc {
            from,
            to,
            permille: if to - from == weeks { 1000 } else { 930 },
        };
        (0..WEEKS)
            .flat_map(move |from| to(from).map(move |to| arc(from, to)))
            .collect()
    };
    ClassCrop {
        crop: format!("crop-{crop}"),
        smallest_sowing: 1,
        first: arcs(3 + crop % 3),
        again: arcs(2 + crop % 2),
        cut_dg: (0..1 + crop % 3)
            .map(|cut| 450 - 60 * cut as i64 - 10 * crop as i64)
            .collect(),
        free_at: (0..WEEKS).map(|slot| slot + 1).collect(),
        minutes10: WorkMinutes {
            sow: 20,
            cut: 12,
            clean: 15,
        },
        mix_dl: MixLitres { sow: 30, cut: 10 },
        uses: BTreeMap::new(),
    }
}

fn problem() -> Option<Problem> {
    let sites: Vec<String> = (0..2).map(|site| format!("site-{site}")).collect();
    let crops: Vec<String> = (0..CROPS).map(|crop| format!("crop-{crop}")).collect();
    let slot = |week: usize| Slot {
        day: 7 * week as u32 + 1,
        week,
        harvest_week: Some(week),
    };
    Some(Problem {
        format: PROBLEM_FORMAT.into(),
        name: "bench".into(),
        start_date: chrono::NaiveDate::from_ymd_opt(2026, 3, 2)?,
        weeks: (10..10 + WEEKS)
            .map(|week| format!("2026-W{week:02}"))
            .collect(),
        sites: sites
            .iter()
            .map(|id| Site {
                id: id.clone(),
                slots: (0..WEEKS).map(slot).collect(),
                minutes: Some(vec![Some(110); WEEKS]),
                mixing_dl: None,
                most_sowings: None,
            })
            .collect(),
        classes: sites
            .iter()
            .map(|id| Class {
                id: format!("{id}-shelf"),
                site: id.clone(),
                crops: (0..CROPS).map(entry).collect(),
            })
            .collect(),
        stations: sites
            .iter()
            .flat_map(|id| (0..3).map(move |n| (id, n)))
            .map(|(id, n)| Station {
                id: format!("{id}-{n}"),
                site: id.clone(),
                class: format!("{id}-shelf"),
                places: 25,
                taken: Vec::new(),
            })
            .collect(),
        targets: (0..CROPS)
            .map(|t| Target {
                id: format!("target-{t}"),
                crops: vec![crops[t].clone(), crops[(t + 3) % CROPS].clone()],
                sites: sites.clone(),
                priority: 1 + t as i64 % 3,
                pledge_dg: (0..WEEKS)
                    .map(|week| {
                        if week < 6 {
                            0
                        } else {
                            1500 + 100 * ((week * (t + 2)) % 5) as i64
                        }
                    })
                    .collect(),
            })
            .collect(),
        crops,
        committed: Vec::new(),
        committed_work: Vec::new(),
        consumables: Vec::new(),
        objective: Objective {
            shortfall_bands: vec![(200, 1000), (300, 2000), (500, 4000)],
            surplus_per_g: 50,
            cost_per_cent: 10,
            labour_per_minute: 50,
            change_per_container: 200,
        },
        rules: Rules {
            minutes: true,
            mixing: true,
            stock: true,
            smallest_sowing: false,
            most_sowings: false,
        },
        adopted: None,
        spread: BTreeMap::new(),
        shares: Vec::new(),
    })
}

fn bench(criterion: &mut Criterion) {
    let Some(problem) = problem() else { return };
    let options = Options {
        work: 2_000,
        ..Options::default()
    };
    criterion.bench_function("solve, 150 places, 2000 moves", |bencher| {
        bencher.iter(|| solve(&problem, &options, &Unhindered));
    });
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(10);
    targets = bench
}
criterion_main!(benches);
