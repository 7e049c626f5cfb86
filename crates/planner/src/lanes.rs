//! Lanes: searches side by side, each over sites of its own, that tell each other what they changed.
//!
//! Work limits belong to a site; only stock and pledges are common to all. So for a number of moves each
//! lane changes its own sites on its own copy of the plan; then the changes of all lanes are joined, and the
//! sites are dealt out afresh. Each has random numbers of its own, and how many there are depends on the problem
//! alone where the plan must be the same whatever the number of threads that run them.

use std::collections::{BTreeMap, BTreeSet};

use crate::random::Random;
use crate::search::{Accepted, Changes, Means, Search, Searched, Settings, Stretch, Watch};
use crate::threads::{Crew, crew};

/// Most lanes: what one accepts, every other repeats. With four, a problem of twelve sites makes a sixth fewer
/// moves on one thread than with one.
const MOST_LANES: usize = 2;

/// Fewest sites of a lane: moves over two sites at once stay possible, and a problem of four sites, whose
/// lanes cost one thread a twelfth of its moves, keeps to one.
const SITES: usize = 3;

/// The same where every lane has a thread of its own and the plan depends on the clock in any case.
const SITES_OF_A_THREAD: usize = 2;

/// Moves of a lane between two exchanges. Measured on two problems of four sites and 36 weeks, 100 000 moves,
/// six seeds: 32 ends as one lane does, 128 ends 0.3 % higher and 2048 ends 1 % higher.
const STRETCH: u64 = 32;

/// A lane: its search, the moves of the present stretch, and those made.
struct Lane<'a> {
    search: Search<'a>,
    stretch: Stretch,
    /// What the others have changed and this lane does not know yet.
    news: Changes,
    made: u64,
    accepted: Vec<Accepted>,
}

impl<'a> Lane<'a> {
    fn new(search: Search<'a>, stretch: Stretch) -> Self {
        Self {
            search,
            stretch,
            news: Vec::new(),
            made: 0,
            accepted: Vec::new(),
        }
    }

    /// Take the news over and make the moves of the stretch.
    fn go(&mut self, settings: &Settings, watch: &dyn Watch) {
        self.search.join(&std::mem::take(&mut self.news));
        self.made = self.search.run(settings, self.stretch, watch);
    }

    fn stopped(&self) -> bool {
        self.made < self.stretch.moves
    }
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

/// Join what the lanes changed: the first lane repeats the moves of the others on its plan, and the others are
/// told what is new to them.
fn exchange(lanes: &mut Crew<'_, Lane<'_>>) {
    let mut lanes = lanes.items();
    let Some(first) = lanes.next() else {
        return;
    };
    let mut others: Vec<&mut Lane<'_>> = lanes.collect();
    for lane in &mut others {
        lane.accepted = lane.search.take_journal();
        first.search.repeat(&lane.accepted);
    }
    let joined = net(&first.search.take_journal());
    for lane in others {
        let mut sums = joined.clone();
        for (column, containers) in net(&lane.accepted) {
            *sums.entry(column).or_insert(0) -= containers;
        }
        lane.news = sums.into_iter().filter(|&(_, q)| q != 0).collect();
        lane.news
            .sort_by_key(|&(column, containers)| (containers > 0, column));
    }
}

/// How many lanes search a number of sites.
fn lanes_for(sites: usize, means: Means) -> usize {
    let own_threads = means.threads >= MOST_LANES && !means.repeatable;
    let least = if own_threads {
        SITES_OF_A_THREAD
    } else {
        SITES
    };
    (sites / least).clamp(1, MOST_LANES)
}

/// Search in as many lanes as a problem has sites for.
pub(crate) fn run(
    search: Search<'_>,
    settings: &Settings,
    means: Means,
    watch: &dyn Watch,
) -> Searched {
    let classes = search.sites_of_classes();
    let sites: BTreeSet<usize> = classes.iter().map(|&(_, site)| site).collect();
    let count = lanes_for(sites.len(), means);
    let stretch = Stretch {
        before: 0,
        moves: 0,
        lanes: count as u64,
        tells: false,
    };
    let others = (1..count).map(|lane| {
        let mut search = search.clone();
        search.reseed(Random::stream(means.seed, lane as u64));
        Lane::new(search, stretch)
    });
    let mut lanes: Vec<Lane<'_>> = others.collect();
    let tells = Stretch {
        tells: true,
        ..stretch
    };
    lanes.insert(0, Lane::new(search, tells));
    let go = |lane: &mut Lane<'_>| lane.go(settings, watch);
    crew(means.threads, lanes, &go, |mut lanes| {
        let moves = run_lanes(&mut lanes, settings, &classes, (means.seed, count));
        let searches = lanes.into_items().map(|lane| lane.search);
        let best = searches.min_by_key(Search::best_cost);
        Searched {
            cost_e4: best.as_ref().map_or(0, |search| search.best_cost().1),
            counts: best.map_or_else(Vec::new, Search::into_best),
            moves,
        }
    })
}

/// Stretches and exchanges until the moves are made; the number made.
fn run_lanes(
    lanes: &mut Crew<'_, Lane<'_>>,
    settings: &Settings,
    classes: &[(usize, usize)],
    (seed, count): (u64, usize),
) -> u64 {
    let lanes_count = count as u64;
    let longest = if count == 1 { u64::MAX } else { STRETCH };
    let mut random = Random::stream(seed, lanes_count);
    let mut done = 0;
    while done < settings.moves {
        let left = settings.moves - done;
        let dealt = deal(classes, count, &mut random);
        for (n, (lane, own)) in lanes.items().zip(dealt).enumerate() {
            let more = u64::from((n as u64) < left % lanes_count);
            lane.stretch.before = done;
            lane.stretch.moves = (left / lanes_count + more).min(longest);
            if count > 1 {
                lane.search.keep_to(own);
            }
        }
        lanes.work();
        done += lanes.items().map(|lane| lane.made).sum::<u64>();
        if lanes.items().any(|lane| lane.stopped()) {
            break;
        }
        if count > 1 {
            exchange(lanes);
        }
    }
    done
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_number_of_lanes_depends_on_threads_only_by_the_clock() {
        for (sites, by_work, by_clock) in [
            (0, 1, 1),
            (1, 1, 1),
            (3, 1, 1),
            (4, 1, 2),
            (5, 1, 2),
            (6, 2, 2),
            (60, 2, 2),
        ] {
            let lanes = |threads, repeatable| {
                let means = Means {
                    seed: 1,
                    threads,
                    repeatable,
                };
                lanes_for(sites, means)
            };
            assert_eq!(
                [lanes(1, true), lanes(2, true), lanes(9, true)],
                [by_work; 3]
            );
            assert_eq!([lanes(1, false), lanes(2, false)], [by_work, by_clock]);
        }
    }
}
