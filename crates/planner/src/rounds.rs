//! Several searches of a problem, of which the best go on; what follows is about small ones, [`many`] about others.
//!
//! A small problem has many deep valleys: the plans of one search each from eight seeds differ by 2 %, by 10 %
//! where sowings have a least size, and ten times the work helps little. So searches start from several
//! whole plans near the linear programme, and after each round the best go on. Measured on nine problems of one
//! site and one second: 0.7 % lower in the mean than one search from the rounded prices, up to 3 % where places
//! are full; on four of them with least sizes 4 % lower in the mean.
//!
//! What two plans do well in different crops is hard to join by moves, since all share the places and the hours. A
//! linear programme of nothing but the columns of the best plans joins it: dives into it find plans that are as good
//! as these, and others. (Rothberg, An evolutionary algorithm for polishing mixed integer programming solutions,
//! INFORMS Journal on Computing 19, 2007, and Danna, Rothberg and Le Pape, Exploring relaxation induced neighborhoods
//! to improve MIP solutions, Mathematical Programming 102, 2005, both from memory, solve such a part of a problem by
//! branch and bound.)

use std::ops::Range;

use crate::columns::Columns;
use crate::index::Index;
use crate::prices::unit_e4;
use crate::random::{Random, geometric};
use crate::relaxation::{Exact, most_rows};
use crate::replicas::Replicas;
use crate::rounding;
use crate::roundings::Roundings;
use crate::search::{Means, PartWatch, Search, Searched, Settings, Untold, Watch, run};
use crate::state::State;
use crate::threads::each;

mod joining;
mod many;

/// What the searches of a round start from.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Start {
    /// The best plans so far.
    Plans,
    /// The same after dives into the programme of their columns.
    Joined,
    /// Dives into programmes of two plans each, whatever these dives cost.
    Pairs,
    /// The best plans so far, as many searches as plans, which change places at temperatures from the first to the
    /// last.
    Exchanges,
}

/// Some plans are searched on, each with the same number of moves.
#[derive(Clone, Copy)]
struct Round {
    start: Start,
    /// Share of all moves.
    share: f64,
    /// Plans that are searched on, at most.
    plans: usize,
    /// Temperatures at the start and the end, in points at the least priority.
    temperatures: (f64, f64),
    detour_weight: f64,
    /// Share of the price of what batches lack that counts at the start.
    lack_from: f64,
}

const fn round(
    (share, plans): (f64, usize),
    temperatures: (f64, f64),
    detour_weight: f64,
    lack_from: f64,
) -> Round {
    Round {
        start: Start::Plans,
        share,
        plans,
        temperatures,
        detour_weight,
        lack_from,
    }
}

const fn joins((share, plans): (f64, usize), temperatures: (f64, f64)) -> Round {
    Round {
        start: Start::Joined,
        ..round((share, plans), temperatures, 0.0, 0.0)
    }
}

const fn exchanges((share, plans): (f64, usize), temperatures: (f64, f64)) -> Round {
    Round {
        start: Start::Exchanges,
        ..round((share, plans), temperatures, 0.0, 1.0)
    }
}

/// Four plans of two each.
const PAIRS: Round = Round {
    start: Start::Pairs,
    ..round((0.05, 4), (3.0, 0.1), 0.0, 0.0)
};

/// Cool from the start: the plans of dives are good, and a hot search forgets them. A plan that was searched once gains
/// nothing by a second such search, so most rounds start from new ones. Measured in one second on two threads beside
/// rounds of 12, 6, 6, 6 and 1 plans without pairs, 96 seeds: plans of S2 above 2 241.8 points none for four; twelve
/// other problems of one site .02 % higher in the mean (eight seeds; from .2 % lower to .3 % higher); in four seconds
/// S2 .2 % lower with all seeds alike, four others between .8 % lower and .4 % higher. Pairs to the end, without the
/// rounds that join all, end .1 % higher on problems of many containers.
const ROUNDS: [Round; 12] = [
    round((0.2, 12), (3.0, 0.3), 1.0, 0.0),
    PAIRS,
    PAIRS,
    PAIRS,
    PAIRS,
    PAIRS,
    PAIRS,
    PAIRS,
    PAIRS,
    joins((0.1, 6), (3.0, 0.1)),
    joins((0.1, 6), (3.0, 0.1)),
    joins((0.2, 1), (3.0, 0.03)),
];

/// To exchange whole batches takes more heat. Without the round in which temperatures change places fourteen
/// problems of one site end 0.8 % higher in the mean after ten seconds (standard error 0.4; three of them by 2 to
/// 3 %), fourteen others 0.5 % after eight (0.3).
const ROUNDS_OF_BATCHES: [Round; 5] = [
    round((0.4, 8), (100.0, 0.3), 3.0, 0.0),
    round((0.15, 3), (15.0, 0.3), 0.0, 0.25),
    exchanges((0.25, 8), (300.0, 15.0)),
    round((0.1, 3), (15.0, 0.3), 0.0, 0.25),
    round((0.1, 1), (2.0, 0.03), 0.0, 0.25),
];

/// Temperature at which batches become whole, in points at the least priority; at most a quarter of the first.
const WHOLE_BATCHES: f64 = 5.0;

/// Fewest moves of a search of the first round: with less work in all there are fewer searches.
const LEAST_MOVES: f64 = 3_000.0;

/// Share of the caller's time that dives may take before the first round.
const DIVE_TIME: f64 = 0.3;

/// Greatest detours of the columns of the programmes that are dived into by turns, in points at the least priority.
/// Dives into the second take half the time, and where its value is that of the first they end lower (S2 by 2 % in
/// the mean, and the plans searched from them by 0.5 %); where places are full it leaves out what a good plan needs,
/// and its dives end 1 to 2 % higher. With prices of half the steps S2 gains nothing by it.
const DETOURS: [f64; 2] = [5.0, 0.4];

/// Most columns of such a programme, those of the smallest detours; with least sizes more, since the prices know
/// nothing of these. Thirteen problems of one site with two or three working days a week, which have up to 5 000
/// columns near the prices, end 0.6 % lower in the mean after three seconds than in one search (from 2.8 % lower to
/// 1.0 % higher), five of them with least sizes 9 % after four (19 % lower to 1 % higher).
const MOST_COLUMNS: usize = 600;
const MOST_COLUMNS_OF_BATCHES: usize = 1_500;

/// A problem whose programme has more rows is searched once: a dive into 1 200 rows takes half a second. Two of two
/// sites (1 230 and 1 310 rows) end 0.1 and 1.6 % higher in rounds than in one search of five seconds, two years of
/// one site (1 020 and 1 080) 0.1 and 3.3 %; problems of one site and 20 weeks (430 to 570) lower in rounds. With
/// least sizes those years end 0.6 and 0.2 % lower, less than they differ by seed, one of the two sites 3 % higher.
const MOST_ROWS: usize = 700;
const MOST_ROWS_OF_BATCHES: usize = 1_100;

/// Dives of which none knows what the others found, so that they can be made at once.
const LOT: usize = 4;

/// Random numbers of the dives and of the searches, apart from those of lanes.
const DIVE_STREAM: u64 = 1 << 32;
const JOIN_STREAM: u64 = 1 << 35;
const SEARCH_STREAM: u64 = 1 << 33;
const REPLICA_STREAM: u64 = 1 << 34;

/// A problem to search in rounds.
#[derive(Clone, Copy)]
pub(crate) struct Rounds<'a> {
    pub(crate) index: &'a Index,
    pub(crate) columns: &'a Columns,
    pub(crate) roundings: &'a Roundings,
    /// Moves, the bound, and what batches lack; the rest belongs to each round.
    pub(crate) settings: &'a Settings,
    pub(crate) means: Means,
    /// A plan of the first round that costs no more ends the rounds.
    pub(crate) enough_e4: i64,
}

/// A valid plan.
struct Whole {
    cost_e4: i64,
    counts: Vec<i64>,
}

fn best_e4(plans: &[Whole]) -> i64 {
    let best = plans.iter().map(|plan| plan.cost_e4).min();
    best.unwrap_or(i64::MAX)
}

/// What a further plan may cost to be among the best of some number.
fn most_e4(plans: &[Whole], kept: usize) -> i64 {
    let mut costs: Vec<i64> = plans.iter().map(|plan| plan.cost_e4).collect();
    costs.sort_unstable();
    let last = kept.checked_sub(1).and_then(|n| costs.get(n));
    last.copied().unwrap_or(i64::MAX)
}

/// Some dives by lots.
fn lots(dives: usize) -> impl Iterator<Item = Range<usize>> {
    let from = (0..dives).step_by(LOT);
    from.map(move |from| from..dives.min(from + LOT))
}

impl Rounds<'_> {
    fn rounds(&self) -> &'static [Round] {
        if self.index.keep_batches {
            &ROUNDS_OF_BATCHES
        } else {
            &ROUNDS
        }
    }

    /// Plans that the first round has work for.
    fn most_plans(&self) -> usize {
        let first = &self.rounds()[0];
        let affordable = self.settings.moves as f64 * first.share / LEAST_MOVES;
        (affordable as usize).min(first.plans)
    }

    /// Is there enough work for several searches, and is the linear programme small enough?
    pub(crate) fn suit(&self) -> bool {
        let rows = if self.index.keep_batches {
            MOST_ROWS_OF_BATCHES
        } else {
            MOST_ROWS
        };
        self.most_plans() >= 2 && self.index.shares.is_empty() && most_rows(self.index) <= rows
    }

    /// Search from some counts of containers by column and from plans of dives. `None`, and nothing is done, when
    /// the solver of the linear programme fails.
    pub(crate) fn run(&self, counts: Vec<i64>, watch: &dyn Watch) -> Option<Searched> {
        let most = self.most_plans();
        let mut plans = self.first_plans(counts, most, watch)?;
        let (mut made, mut searches) = (0, 0);
        let mut shares_left: f64 = self.rounds().iter().map(|round| round.share).sum();
        for (number, round) in self.rounds().iter().enumerate() {
            if number == 1 && best_e4(&plans) <= self.enough_e4 {
                break;
            }
            plans.sort_by_key(|plan| plan.cost_e4);
            if searches > 0 {
                plans.dedup_by_key(|plan| plan.cost_e4);
            }
            let least_e4 = best_e4(&plans);
            let whole = PartWatch {
                watch,
                from: 0.0,
                end: 1.0,
                before: made,
                best_e4: least_e4,
            };
            let mut rested = Vec::new();
            match round.start {
                Start::Joined => self.join(round, searches, &mut plans, &whole),
                Start::Pairs => {
                    let paired = self.pairs(round.plans.min(most), searches, &mut plans, &whole);
                    if !paired.is_empty() {
                        rested = std::mem::replace(&mut plans, paired);
                    }
                }
                Start::Plans | Start::Exchanges => {}
            }
            plans.truncate(round.plans.min(most));
            let from = watch.glance().unwrap_or(1.0);
            let part = PartWatch {
                from,
                end: from + (1.0 - from) * round.share / shares_left,
                best_e4: least_e4.min(best_e4(&plans)),
                ..whole
            };
            if round.start == Start::Exchanges {
                searches += 1;
                made += self.exchange(round, &mut plans, searches, &part);
            } else {
                made += self.search_all(round, &mut plans, searches, &part);
                searches += plans.len() as u64;
            }
            plans.extend(rested);
            shares_left -= round.share;
        }
        let best = plans.into_iter().min_by_key(|plan| plan.cost_e4)?;
        Some(Searched {
            counts: best.counts,
            cost_e4: best.cost_e4,
            moves: made,
        })
    }

    /// Plans of some counts and of dives; `None` without a linear programme.
    fn first_plans(&self, counts: Vec<i64>, most: usize, watch: &dyn Watch) -> Option<Vec<Whole>> {
        let (detours, dives) = if self.index.keep_batches {
            (&DETOURS[..1], most / 2)
        } else {
            (&DETOURS[..], most * 2 / 3)
        };
        let columns = if self.index.keep_batches {
            MOST_COLUMNS_OF_BATCHES
        } else {
            MOST_COLUMNS
        };
        let near = detours
            .iter()
            .map(|&detour| self.near_prices(detour, columns));
        let mut near: Vec<Vec<usize>> = near.collect();
        near.dedup();
        let near = near.into_iter();
        let relaxations: Option<Vec<_>> = near.map(|chosen| self.programme(chosen)).collect();
        let relaxations = relaxations?;
        let mut plans = Vec::new();
        self.fill(counts, &mut plans, watch);
        for lot in lots(dives) {
            let most_e4 = most_e4(&plans, most);
            let dives = self.dive(lot, DIVE_TIME, watch, |n| {
                relaxations[n % relaxations.len()].dive(&mut self.random(DIVE_STREAM, n), most_e4)
            });
            for counts in dives {
                // twice: two searches from one plan end as far apart as from two
                self.fill(counts.clone(), &mut plans, watch);
                self.fill(counts, &mut plans, watch);
            }
        }
        Some(plans)
    }

    /// The columns up to a detour, at most some number.
    fn near_prices(&self, detour: f64, most: usize) -> Vec<usize> {
        let list = &self.columns.list;
        let most_e4 = detour * 10.0 * unit_e4(self.index);
        let mut near: Vec<usize> = (0..list.len())
            .filter(|&p| list[p].detour_e4 <= most_e4)
            .collect();
        near.sort_by(|&a, &b| list[a].detour_e4.total_cmp(&list[b].detour_e4));
        near.truncate(most);
        near.sort_unstable();
        near
    }

    /// The programme of some columns; `None` when its solver fails.
    fn programme(&self, columns: impl IntoIterator<Item = usize>) -> Option<Exact<'_>> {
        let columns = columns.into_iter();
        Exact::new(self.index, self.columns, self.roundings, columns)
    }

    /// Plans of a lot of dives; none of those that would begin after a share of the time.
    fn dive(
        &self,
        lot: Range<usize>,
        until: f64,
        watch: &dyn Watch,
        make: impl Fn(usize) -> Option<Vec<i64>> + Sync,
    ) -> impl Iterator<Item = Vec<i64>> {
        let mut dives: Vec<(usize, Option<Vec<i64>>)> = lot.map(|n| (n, None)).collect();
        each(self.means.threads, &mut dives, |(n, counts)| {
            if watch.glance().is_some_and(|share| share <= until) {
                *counts = make(*n);
            }
        });
        dives.into_iter().filter_map(|(_, counts)| counts)
    }

    fn random(&self, stream: u64, n: usize) -> Random {
        Random::stream(self.means.seed, stream + n as u64)
    }

    /// Add the plan of some counts, whole batches only, with more where that gains.
    fn fill(&self, counts: Vec<i64>, plans: &mut Vec<Whole>, watch: &dyn Watch) {
        let mut search = self.start(&counts, Random::new(self.means.seed));
        search.fill(&PartWatch {
            watch,
            from: 0.0,
            end: 1.0,
            before: 0,
            best_e4: best_e4(plans),
        });
        let (_, cost_e4) = search.best_cost();
        let counts = search.into_best();
        plans.push(Whole { cost_e4, counts });
    }

    fn start(&self, counts: &[i64], random: Random) -> Search<'_> {
        let mut state = State::new(self.index, self.columns);
        rounding::enter(&mut state, counts);
        Search::new(state, random)
    }

    /// How a round searches with a share of the moves.
    fn settings(&self, round: &Round, share: f64, temperatures: Vec<f64>) -> Settings {
        let (_, lack_to) = self.settings.lack_prices_e4;
        Settings {
            moves: (self.settings.moves as f64 * share) as u64,
            temperatures,
            detour_weight: round.detour_weight,
            lack_prices_e4: (round.lack_from * lack_to, lack_to),
            whole_batches_e4: WHOLE_BATCHES * 10.0 * unit_e4(self.index),
            single_batches: round.start == Start::Exchanges,
            ..self.settings.clone()
        }
    }

    /// Search on from all plans, as many at once as there are threads, each for the same part of the round and
    /// with a number of its own; the moves made.
    fn search_all(
        &self,
        round: &Round,
        plans: &mut [Whole],
        searches: u64,
        watch: &dyn Watch,
    ) -> u64 {
        let count = plans.len() as f64;
        let (mut before, mut made, mut least_e4) = (0, 0, i64::MAX);
        for lot in plans.chunks_mut(self.means.threads.max(1)) {
            let end = before + lot.len();
            let part = PartWatch {
                watch,
                from: before as f64 / count,
                end: end as f64 / count,
                before: made,
                best_e4: least_e4,
            };
            let untold = Untold(&part);
            let threads = if lot.len() > 1 { 1 } else { self.means.threads };
            let means = Means {
                threads,
                ..self.means
            };
            let mut lot: Vec<_> = (before..end)
                .zip(lot)
                .map(|(n, plan)| (n, plan, 0))
                .collect();
            each(self.means.threads, &mut lot, |(n, plan, made)| {
                let watch: &dyn Watch = if *n == before { &part } else { &untold };
                let number = searches + *n as u64 + 1;
                *made = self.search((round, round.share / count), plan, (number, means), watch);
            });
            for (_, plan, more) in lot {
                made += more;
                least_e4 = least_e4.min(plan.cost_e4);
            }
            before = end;
        }
        made
    }

    /// Search on from a plan and keep what is found; the moves made.
    fn search(
        &self,
        (round, share): (&Round, f64),
        plan: &mut Whole,
        (number, means): (u64, Means),
        watch: &dyn Watch,
    ) -> u64 {
        let unit = 10.0 * unit_e4(self.index);
        let (first, last) = round.temperatures;
        let settings = self.settings(round, share, geometric(first * unit, last * unit));
        let stream = SEARCH_STREAM + number;
        let search = self.start(&plan.counts, Random::stream(self.means.seed, stream));
        let found = run(search, &settings, means, watch);
        if found.cost_e4 < plan.cost_e4 {
            *plan = Whole {
                cost_e4: found.cost_e4,
                counts: found.counts,
            };
        }
        found.moves
    }

    /// Search on from all plans by turns, at temperatures that change places, and add what is found; the moves made.
    fn exchange(
        &self,
        round: &Round,
        plans: &mut Vec<Whole>,
        number: u64,
        watch: &dyn Watch,
    ) -> u64 {
        let unit = 10.0 * unit_e4(self.index);
        let (hottest, coldest) = round.temperatures;
        let ladder = geometric(coldest * unit, hottest * unit);
        let searches = (0..round.plans).map(|n| {
            let stream = REPLICA_STREAM + number * round.plans as u64 + n as u64;
            let start = &plans[n % plans.len()];
            let search = self.start(&start.counts, Random::stream(self.means.seed, stream));
            let rung = ladder[1024 * n / (round.plans - 1)];
            (search, self.settings(round, round.share, vec![rung; 1025]))
        });
        let random = Random::stream(self.means.seed, SEARCH_STREAM + number);
        let mut replicas = Replicas::new(searches, random);
        let moves = (self.settings.moves as f64 * round.share) as u64;
        let made = replicas.run(moves, self.means.threads, watch);
        plans.extend(
            replicas
                .into_best()
                .map(|(counts, cost_e4)| Whole { cost_e4, counts }),
        );
        made
    }
}
