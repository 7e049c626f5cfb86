//! One long search, and rounds beside it.

use crate::changes::ChangeWeights;
use crate::columns::Columns;
use crate::index::Index;
use crate::prices::unit_e4;
use crate::random::{Random, geometric};
use crate::rounding;
use crate::rounds::Rounds;
use crate::search::{Means, PartWatch, Search, Searched, Settings, Untold, Watch, run};
use crate::state::State;

/// A small problem with more columns is wide: rounds come to rest early there, and one long search goes on to find
/// better plans. Measured in place of more rounds on a second thread, two seeds each: eleven problems of two or three
/// working days a week .04 % lower in the mean after five seconds; after twenty S1 with two and three days .15 % lower,
/// five others .05 % higher in the mean, less than they differ by seed. With one day a week .04 % higher after five
/// seconds.
const WIDE: usize = 2_000;

/// Share of its bound by which a plan of the first round of a wide problem may exceed it for a long search to follow in
/// place of the other rounds.
const NEAR_BOUND: f64 = 0.015;

/// First temperature, in points at the least priority, and detour weight of that search: so near the bound prices say
/// more of what belongs in a plan. Measured with S1 of two working days a week, one thread, twenty seconds and eight
/// seeds: 2 157.5 in the mean with 15 and 12 as elsewhere, 2 154.4 with 8 and 24, 2 152.8 with 8 and 48, 2 153.0 with 8
/// and 100. Two other such problems end .1 % lower after three seconds on two threads, a third alike.
const FIRST_NEAR_BOUND: f64 = 8.0;
const DETOUR_WEIGHT_NEAR_BOUND: f64 = 48.0;

/// One long search from some counts of containers by column.
#[derive(Clone, Copy)]
pub(crate) struct Long<'a> {
    pub(crate) index: &'a Index,
    pub(crate) columns: &'a Columns,
    pub(crate) counts: &'a [i64],
    pub(crate) settings: &'a Settings,
    pub(crate) means: Means,
}

impl Long<'_> {
    /// Search with all moves.
    pub(crate) fn run(&self, watch: &dyn Watch) -> Searched {
        self.run_without(0, watch)
    }

    /// Search with the moves that are left after some.
    fn run_without(&self, made: u64, watch: &dyn Watch) -> Searched {
        let mut state = start_state(self.index, self.columns, self.counts);
        state.change_weights = ChangeWeights::new(self.index);
        let mut search = Search::new(state, Random::new(self.means.seed));
        let moves = if search.fill(watch) {
            self.settings.moves.saturating_sub(made)
        } else {
            0
        };
        let settings = Settings {
            moves,
            ..self.settings.clone()
        };
        run(search, &settings, self.means, watch)
    }

    fn is_wide(&self) -> bool {
        self.columns.list.len() > WIDE
    }
}

/// Several searches of a problem of few rows; the best plan, or `None` when there is none.
pub(crate) fn several(rounds: Rounds<'_>, long: &Long<'_>, watch: &dyn Watch) -> Option<Searched> {
    if rounds.index.keep_batches {
        // with a long search beside them four problems of least sizes end 2 % higher
        rounds.run(long.counts.to_vec(), watch)
    } else if rounds.means.repeatable || rounds.means.threads < 2 {
        alone(rounds, long, watch)
    } else {
        beside(&rounds, long, watch)
    }
}

/// What suits the width of a problem.
fn alone(rounds: Rounds<'_>, long: &Long<'_>, watch: &dyn Watch) -> Option<Searched> {
    if long.is_wide() {
        rounds_or_long(rounds, long, watch)
    } else {
        rounds.run(long.counts.to_vec(), watch)
    }
}

/// Rounds on half of the threads and, on the others, a long search of a wide problem or rounds with another seed of a
/// narrow one; the better plan, or `None` when there is none. The second chance matters more than twice the moves: in
/// one second, before there were rounds of pairs, 3 of 32 seeds of S2 ended above 2 241.8, of rounds on both threads 8;
/// nine other problems of one site ended .07 % higher in the mean then (four seeds each), after four seconds .01 %
/// lower.
fn beside(rounds: &Rounds<'_>, long: &Long<'_>, watch: &dyn Watch) -> Option<Searched> {
    let half = rounds.means.threads / 2;
    let seed = rounds.means.seed;
    let (own, other) = (
        Means {
            threads: rounds.means.threads - half,
            ..rounds.means
        },
        Means {
            threads: half,
            ..rounds.means
        },
    );
    let again = Means {
        seed: !seed,
        ..other
    };
    let untold = Untold(watch);
    let (first, second) = std::thread::scope(|scope| {
        let second = scope.spawn(|| {
            if long.is_wide() {
                let means = other;
                Some(Long { means, ..*long }.run(&untold))
            } else {
                let means = again;
                Rounds { means, ..*rounds }.run(long.counts.to_vec(), &untold)
            }
        });
        let rounds = Rounds {
            means: own,
            ..*rounds
        };
        let first = alone(rounds, long, watch);
        (first, second.join())
    });
    let second = second.unwrap_or_else(|fault| std::panic::resume_unwind(fault));
    better(first, second)
}

/// Rounds, or only the first of them and a long search, where that round comes near to the bound. Measured with S1 of
/// two working days a week and twenty seconds: 2 151.9 to 2 153.7 on one thread, with all rounds 2 159.0 to 2 162.2
/// (four seeds each); on two threads, beside the first long search, 2 152.0 to 2 155.7, with all rounds 2 153.5 to
/// 2 158.0. Where places are full and plans lie far from the bound, rounds are better: with a long search in their
/// place four such problems end .3 to 1.2 % higher.
fn rounds_or_long(rounds: Rounds<'_>, long: &Long<'_>, watch: &dyn Watch) -> Option<Searched> {
    let bound_e4 = rounds.settings.bound_e4;
    let enough_e4 = bound_e4.saturating_add((NEAR_BOUND * bound_e4.max(0) as f64) as i64);
    let rounds = Rounds {
        enough_e4,
        ..rounds
    };
    let found = rounds.run(long.counts.to_vec(), watch)?;
    let more = watch.glance().filter(|_| found.cost_e4 <= enough_e4);
    let more = more.map(|from| {
        let left = PartWatch {
            watch,
            from,
            end: 1.0,
            before: found.moves,
            best_e4: found.cost_e4,
        };
        let means = Means {
            seed: !rounds.means.seed,
            ..rounds.means
        };
        let settings = near_bound(long.settings, rounds.index);
        let long = Long {
            means,
            settings: &settings,
            ..*long
        };
        long.run_without(found.moves, &left)
    });
    better(Some(found), more)
}

/// Settings of a search near the bound.
fn near_bound(settings: &Settings, index: &Index) -> Settings {
    let first_e4 = FIRST_NEAR_BOUND * 10.0 * unit_e4(index);
    let last_e4 = settings.temperatures.last().map_or(first_e4, |&last| last);
    Settings {
        temperatures: geometric(first_e4, last_e4.min(first_e4)),
        detour_weight: DETOUR_WEIGHT_NEAR_BOUND,
        ..settings.clone()
    }
}

/// The better of two plans that may have been found, with the moves of both.
fn better(first: Option<Searched>, second: Option<Searched>) -> Option<Searched> {
    let found = [first, second].into_iter().flatten();
    found.reduce(|a, b| {
        let moves = a.moves + b.moves;
        let best = if b.cost_e4 < a.cost_e4 { b } else { a };
        Searched { moves, ..best }
    })
}

/// Some counts entered, unless they break a share.
fn start_state<'a>(index: &'a Index, columns: &'a Columns, counts: &[i64]) -> State<'a> {
    let mut state = State::new(index, columns);
    let nothing = (state.violation(), state.cost_e4);
    rounding::enter(&mut state, counts);
    if (state.violation(), state.cost_e4) > nothing && state.violation() > nothing.0 {
        state = State::new(index, columns);
    }
    state
}
