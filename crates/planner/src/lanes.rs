//! Lanes: searches side by side, each over sites of its own, that tell each other what they changed.
//!
//! Work limits belong to a site; only stock and pledges are common to all. So for a number of moves each
//! lane changes its own sites on its own copy of the plan; then the changes of all lanes are joined, and the
//! sites are dealt out afresh. How many lanes there are depends on the problem alone, and each has random
//! numbers of its own: the plan is the same whatever the number of threads that run them.

use std::collections::{BTreeMap, BTreeSet};

use crate::random::Random;
use crate::search::{Accepted, Changes, Search, Settings, Stretch, Watch};
use crate::threads::each;

/// Most lanes: what one accepts, every other repeats. With four, a problem of twelve sites makes a sixth fewer
/// moves on one thread than with one.
const MOST_LANES: usize = 2;

/// Fewest sites of a lane: moves over two sites at once stay possible, and a problem of four sites, whose
/// lanes cost one thread a seventh of its moves, keeps to one.
const SITES: usize = 3;

/// Moves of a lane between two exchanges. Measured on two problems of four sites and 36 weeks, 100 000 moves,
/// six seeds: 32 ends as one lane does, 128 ends 0.3 % higher and 2048 ends 1 % higher.
const STRETCH: u64 = 32;

/// A lane: its search, the moves of the present stretch, and those made.
struct Lane<'a> {
    search: Search<'a>,
    stretch: Stretch,
    made: u64,
    accepted: Vec<Accepted>,
}

/// Deal sites out to lanes, in random order, each to the lane with the fewest classes so far.
fn deal(classes: &[(usize, usize)], lanes: usize, random: &mut Random) -> Vec<Vec<usize>> {
    let sites: BTreeSet<usize> = classes.iter().map(|&(_, site)| site).collect();
    let mut sites: Vec<usize> = sites.into_iter().collect();
    random.shuffle(&mut sites);
    let mut dealt = vec![Vec::new(); lanes];
    for site in sites {
        let own = classes.iter().filter(|&&(_, other)| other == site);
        if let Some(fewest) = dealt
            .iter_mut()
            .min_by_key(|list: &&mut Vec<usize>| list.len())
        {
            fewest.extend(own.map(|&(class, _)| class));
        }
    }
    dealt.iter_mut().for_each(|list| list.sort_unstable());
    dealt
}

/// Sum of some moves by column.
fn net(moves: &[Accepted]) -> BTreeMap<u32, i64> {
    let mut sums = BTreeMap::new();
    for &(column, containers) in moves.iter().flat_map(|accepted| &accepted.changes) {
        *sums.entry(column).or_insert(0) += containers;
    }
    sums
}

/// Join what the lanes changed: the first lane repeats the moves of the others on its plan, and the others
/// follow.
fn exchange(lanes: &mut [Lane<'_>], threads: usize) {
    let Some((first, others)) = lanes.split_first_mut() else {
        return;
    };
    for lane in others.iter_mut() {
        lane.accepted = lane.search.take_journal();
        first.search.repeat(&lane.accepted);
    }
    let joined = net(&first.search.take_journal());
    let first = &first.search;
    each(threads, others, |lane| {
        let mut sums = joined.clone();
        for (column, containers) in net(&lane.accepted) {
            *sums.entry(column).or_insert(0) -= containers;
        }
        let mut changes: Changes = sums.into_iter().filter(|&(_, q)| q != 0).collect();
        changes.sort_by_key(|&(column, containers)| (containers > 0, column));
        if !lane.search.join(&changes) {
            lane.search.follow(first);
        }
    });
}

/// Search in as many lanes as a problem has sites for, and return the best counts of containers, their cost
/// and the moves made.
pub(crate) fn run<'a>(
    search: Search<'a>,
    settings: &Settings,
    (seed, threads): (u64, usize),
    watch: &dyn Watch,
) -> (Vec<i64>, i64, u64) {
    let classes = search.sites_of_classes();
    let sites: BTreeSet<usize> = classes.iter().map(|&(_, site)| site).collect();
    let count = (sites.len() / SITES).clamp(1, MOST_LANES);
    let stretch = Stretch {
        before: 0,
        moves: 0,
        lanes: count as u64,
        tells: false,
    };
    let mut lanes: Vec<Lane<'a>> = (1..count)
        .map(|lane| {
            let mut search = search.clone();
            search.reseed(Random::stream(seed, lane as u64));
            Lane {
                search,
                stretch,
                made: 0,
                accepted: Vec::new(),
            }
        })
        .collect();
    let tells = Stretch {
        tells: true,
        ..stretch
    };
    lanes.insert(
        0,
        Lane {
            search,
            stretch: tells,
            made: 0,
            accepted: Vec::new(),
        },
    );
    let done = run_lanes(&mut lanes, settings, &classes, (seed, threads), watch);
    let best = lanes.into_iter().min_by_key(|lane| lane.search.best_cost());
    let (counts, cost_e4) = best.map_or((Vec::new(), 0), |lane| {
        let (_, cost_e4) = lane.search.best_cost();
        (lane.search.into_best(), cost_e4)
    });
    (counts, cost_e4, done)
}

/// Stretches and exchanges until the moves are made; the number made.
fn run_lanes(
    lanes: &mut [Lane<'_>],
    settings: &Settings,
    classes: &[(usize, usize)],
    (seed, threads): (u64, usize),
    watch: &dyn Watch,
) -> u64 {
    let count = lanes.len() as u64;
    let longest = if count == 1 { u64::MAX } else { STRETCH };
    let mut random = Random::stream(seed, count);
    let mut done = 0;
    while done < settings.moves {
        let left = settings.moves - done;
        let dealt = deal(classes, lanes.len(), &mut random);
        for (n, (lane, own)) in lanes.iter_mut().zip(dealt).enumerate() {
            lane.stretch.before = done;
            lane.stretch.moves = (left / count + u64::from((n as u64) < left % count)).min(longest);
            if count > 1 {
                lane.search.keep_to(own);
            }
        }
        each(threads, lanes, |lane| {
            lane.made = lane.search.run(settings, lane.stretch, watch);
        });
        done += lanes.iter().map(|lane| lane.made).sum::<u64>();
        if lanes.iter().any(|lane| lane.made < lane.stretch.moves) {
            break;
        }
        if count > 1 {
            exchange(lanes, threads);
        }
    }
    done
}
