//! What must hold of every answer: valid by the checker wherever the engine is stopped, never worse when
//! something is added, the same whatever the order of the lists.
#![allow(clippy::unwrap_used)]

use std::sync::atomic::{AtomicU32, Ordering};

use cotyl_planner::check::check;
use cotyl_planner::problem::{Arc, Problem, Slot, Station};
use cotyl_planner::testing::{brute_force, tiny_instance};
use cotyl_planner::{Answer, Control, Options, Progress, Unhindered, solve};

fn run(problem: &Problem, work: u64) -> Answer {
    let options = Options {
        work,
        ..Options::default()
    };
    solve(problem, &options, &Unhindered).unwrap()
}

/// Does the checker, which shares no code with the engine, agree?
fn assert_valid(problem: &Problem, answer: &Answer) {
    let verdict = check(problem, &answer.plan);
    assert!(verdict.valid, "{}: {:?}", problem.name, verdict.problems);
    assert_eq!(
        verdict.objective_e4, answer.objective_e4,
        "{}",
        problem.name
    );
    assert!(answer.bound_e4 <= answer.objective_e4, "{}", problem.name);
}

/// A problem too large to enumerate: a tiny one with more of everything, and a second site beside it.
fn small_instance(seed: u64) -> Problem {
    let mut problem = tiny_instance(seed);
    let times = 2 + (seed % 5) as i64;
    for station in &mut problem.stations {
        station.places *= times;
    }
    for target in &mut problem.targets {
        target.pledge_dg.iter_mut().for_each(|dg| *dg *= times);
    }
    for good in &mut problem.consumables {
        good.stock *= times;
        good.most_per_week *= times;
    }
    for site in &mut problem.sites {
        for list in [&mut site.minutes, &mut site.mixing_dl] {
            list.iter_mut()
                .flatten()
                .flatten()
                .for_each(|limit| *limit *= times);
        }
    }
    twice(&problem, seed.is_multiple_of(2))
}

/// The same site, stations and crops a second time under other names; the targets are `shared` or doubled,
/// the consumables doubled.
fn twice(problem: &Problem, shared: bool) -> Problem {
    let mut both = problem.clone();
    let other = |id: &str| format!("{id}-2");
    both.sites.extend(problem.sites.iter().cloned());
    both.classes.extend(problem.classes.iter().cloned());
    both.stations.extend(problem.stations.iter().cloned());
    both.committed.extend(problem.committed.iter().cloned());
    both.committed_work
        .extend(problem.committed_work.iter().cloned());
    both.consumables.extend(problem.consumables.iter().cloned());
    for site in &mut both.sites[problem.sites.len()..] {
        site.id = other(&site.id);
    }
    for class in &mut both.classes[problem.classes.len()..] {
        (class.id, class.site) = (other(&class.id), other(&class.site));
        for entry in &mut class.crops {
            let uses = std::mem::take(&mut entry.uses);
            entry.uses = uses.iter().map(|(id, &units)| (other(id), units)).collect();
        }
    }
    for station in &mut both.stations[problem.stations.len()..] {
        station.id = other(&station.id);
        (station.site, station.class) = (other(&station.site), other(&station.class));
    }
    for harvest in &mut both.committed[problem.committed.len()..] {
        harvest.site = other(&harvest.site);
    }
    for work in &mut both.committed_work[problem.committed_work.len()..] {
        work.site = other(&work.site);
    }
    for good in &mut both.consumables[problem.consumables.len()..] {
        good.id = other(&good.id);
    }
    if shared {
        for target in &mut both.targets {
            let sites: Vec<String> = target.sites.iter().map(|site| other(site)).collect();
            target.sites.extend(sites);
            target.pledge_dg.iter_mut().for_each(|dg| *dg *= 2);
        }
    } else {
        both.targets.extend(problem.targets.iter().cloned());
        for target in &mut both.targets[problem.targets.len()..] {
            target.id = other(&target.id);
            target.sites.iter_mut().for_each(|site| *site = other(site));
        }
    }
    if let Some(adopted) = &mut both.adopted {
        let mut more = adopted.clone();
        for sowing in &mut more {
            sowing.station = other(&sowing.station);
        }
        adopted.extend(more);
    }
    both
}

#[test]
fn five_hundred_random_problems_are_valid() {
    for seed in 1_000..1_500 {
        let problem = small_instance(seed);
        assert_valid(&problem, &run(&problem, 60));
    }
}

#[test]
fn two_problems_side_by_side_cost_the_sum() {
    for seed in 0..24 {
        let problem = tiny_instance(seed);
        let sum = 2 * brute_force(&problem);
        let mut both = twice(&problem, false);
        let answer = run(&both, 1_500);
        assert_valid(&both, &answer);
        assert_eq!(answer.objective_e4, sum, "seed {seed}");
        both.sites.reverse();
        both.classes.reverse();
        both.stations.reverse();
        both.crops.reverse();
        both.targets.reverse();
        both.consumables.reverse();
        assert_eq!(run(&both, 1_500).objective_e4, sum, "seed {seed}, reversed");
    }
}

#[test]
fn more_of_anything_is_never_worse_than_the_optimum() {
    for seed in 100..120 {
        let problem = tiny_instance(seed);
        let optimum = brute_force(&problem);
        let mut changed: Vec<(&str, Problem)> = Vec::new();
        let mut more = problem.clone();
        more.stations.push(Station {
            id: "more".into(),
            places: 1,
            taken: Vec::new(),
            ..problem.stations[0].clone()
        });
        changed.push(("a place", more));
        let mut more = problem.clone();
        for limit in more.sites[0].minutes.iter_mut().flatten().flatten() {
            *limit += 1;
        }
        changed.push(("a minute", more));
        let mut more = problem.clone();
        more.consumables[0].stock += 1;
        changed.push(("a unit of stock", more));
        let mut more = problem.clone();
        more.stations[0].taken.clear();
        changed.push(("nothing taken", more));
        let mut more = problem.clone();
        let first = &mut more.classes[0].crops[1].first;
        let slots = problem.sites[0].slots.len();
        let missing = (0..slots.saturating_sub(2)).map(|slot| Arc::from((slot, slot + 2, 900)));
        let missing: Vec<Arc> = missing
            .filter(|arc| {
                !first
                    .iter()
                    .any(|old| (old.from, old.to) == (arc.from, arc.to))
            })
            .collect();
        first.extend(missing);
        changed.push(("more cut days", more));
        for (what, problem) in changed {
            let answer = run(&problem, 1_000);
            assert_valid(&problem, &answer);
            assert!(answer.objective_e4 <= optimum, "{what}, seed {seed}");
        }
    }
}

struct StopAfter(AtomicU32);

impl Control for StopAfter {
    fn should_stop(&self) -> bool {
        let left = self.0.load(Ordering::Relaxed);
        self.0.store(left.saturating_sub(1), Ordering::Relaxed);
        left == 0
    }
    fn progress(&self, progress: &Progress) {
        assert!(progress.bound <= progress.objective + 1e-6);
    }
}

#[test]
fn stopped_at_any_moment_the_plan_is_valid() {
    for seed in [3, 246] {
        let problem = small_instance(seed);
        for work in 0..30 {
            assert_valid(&problem, &run(&problem, work));
        }
        // every other look of the prices, of filling and of the moves
        for looks in (0..250).step_by(2) {
            let options = Options {
                work: 2_000,
                ..Options::default()
            };
            let control = StopAfter(AtomicU32::new(looks));
            assert_valid(&problem, &solve(&problem, &options, &control).unwrap());
        }
    }
}

/// A clock that has run down to a share.
struct Hurried(f64);

impl Control for Hurried {
    fn should_stop(&self) -> bool {
        false
    }
    fn progress(&self, _progress: &Progress) {}
    fn time_gone(&self) -> Option<f64> {
        Some(self.0)
    }
}

#[test]
fn a_clock_shortens_the_schedule_and_no_more() {
    let problem = small_instance(4);
    for gone in [0.0, 0.2, 0.5, 0.99, 1.0] {
        let options = Options {
            work: 200,
            ..Options::default()
        };
        assert_valid(
            &problem,
            &solve(&problem, &options, &Hurried(gone)).unwrap(),
        );
    }
}

#[test]
fn odd_shapes_are_valid() {
    let base = small_instance(10);
    let mut shapes: Vec<(&str, Problem)> = Vec::new();
    let mut shape = base.clone();
    shape
        .targets
        .iter_mut()
        .for_each(|target| target.pledge_dg.fill(0));
    shapes.push(("nothing pledged", shape));
    let mut shape = base.clone();
    shape.sites.iter_mut().for_each(|site| site.slots.clear());
    for entry in shape.classes.iter_mut().flat_map(|class| &mut class.crops) {
        (entry.first, entry.again, entry.free_at) = (Vec::new(), Vec::new(), Vec::new());
    }
    for station in &mut shape.stations {
        station.taken.clear();
    }
    shapes.push(("a year of closures", shape));
    let mut shape = base.clone();
    shape.stations.truncate(1);
    shape.stations[0].places = 1;
    shape.stations[0].taken.clear();
    shapes.push(("one place", shape));
    let mut shape = base.clone();
    shape.stations[0].places = 10_000;
    shape.targets[0].pledge_dg.fill(1_000_000);
    shape.rules.stock = false;
    shapes.push(("ten thousand places", shape));
    let mut shape = base.clone();
    shape.targets[0].crops.clear();
    shape.targets[1].sites.clear();
    shapes.push(("pledges that nothing serves", shape));
    let mut shape = base.clone();
    let slots = shape.sites[0].slots.len();
    for station in &mut shape.stations {
        station.taken = vec![(0, slots, station.places)];
    }
    shapes.push(("everything committed", shape));
    let mut shape = base;
    for site in &mut shape.sites {
        site.minutes = Some(vec![Some(0); shape.weeks.len()]);
    }
    shape.committed_work.clear();
    shapes.push(("no hands", shape));
    for (what, mut problem) in shapes {
        problem.name = what.into();
        assert_valid(&problem, &run(&problem, 300));
    }
}

#[test]
fn several_working_days_a_week_are_valid() {
    for seed in [1, 6, 12, 31] {
        let mut problem = tiny_instance(seed);
        let weeks = problem.weeks.len();
        problem.adopted = None;
        let day = |n: usize| Slot {
            day: n as u32,
            week: n / 7,
            harvest_week: Some(n / 7).filter(|&week| week < weeks),
        };
        let site = &mut problem.sites[0];
        site.slots = (0..7 * weeks).filter(|n| n % 7 < 5).map(day).collect();
        let slots = site.slots.len();
        for station in &mut problem.stations {
            (station.places, station.taken) = (4, Vec::new());
        }
        for entry in &mut problem.classes[0].crops {
            let arcs = |least: usize| {
                let ends = move |from: usize| {
                    (from + least..from + least + 4).filter(move |&to| to < slots)
                };
                (0..slots).flat_map(move |from| {
                    ends(from).map(move |to| Arc::from((from, to, 1000 - 20 * (to - from) as i64)))
                })
            };
            (entry.first, entry.again) = (arcs(8).collect(), arcs(5).collect());
            entry.free_at = (0..slots).map(|slot| (slot + 1).min(slots)).collect();
        }
        assert_valid(&problem, &run(&problem, 300));
    }
}
