//! Several searches of a small problem, of which the best go on.
//!
//! A small problem has many deep valleys: the plans of one search each from eight seeds differ by 2 %, by 10 %
//! where sowings have a least size, and ten times the work helps little. So searches start from several
//! whole plans near the linear programme, and after each round the best go on. Measured on nine problems of one
//! site and one second: 0.7 % lower in the mean than one search from the rounded prices, up to 3 % where places
//! are full; on four of them with least sizes 4 % lower in the mean.

use crate::columns::Columns;
use crate::index::Index;
use crate::prices::unit_e4;
use crate::random::{Random, geometric};
use crate::relaxation::Relaxation;
use crate::replicas::Replicas;
use crate::rounding;
use crate::roundings::Roundings;
use crate::search::{PartWatch, Search, Settings, Watch, run};
use crate::state::State;

/// The best plans so far are searched on, each with the same number of moves.
struct Round {
    /// Share of all moves.
    share: f64,
    /// Plans that are searched on, at most.
    plans: usize,
    /// Temperatures at the start and the end, in points at the least priority.
    temperatures: (f64, f64),
    detour_weight: f64,
    /// Share of the price of what batches lack that counts at the start.
    lack_from: f64,
    /// Are there as many searches as plans, which change places at temperatures from the first to the last?
    exchanges: bool,
}

const fn round(
    (share, plans): (f64, usize),
    temperatures: (f64, f64),
    detour_weight: f64,
    lack_from: f64,
) -> Round {
    Round {
        share,
        plans,
        temperatures,
        detour_weight,
        lack_from,
        exchanges: false,
    }
}

const fn exchanges((share, plans): (f64, usize), temperatures: (f64, f64)) -> Round {
    Round {
        exchanges: true,
        ..round((share, plans), temperatures, 0.0, 1.0)
    }
}

/// Cool from the start: the plans of dives are good, and a hot search forgets them. Other numbers of plans (8 to
/// 16), shares and temperatures (1 to 10 at the start) end within 0.3 % of these.
const ROUNDS: [Round; 3] = [
    round((0.4, 12), (3.0, 0.3), 1.0, 0.0),
    round((0.3, 4), (1.0, 0.05), 0.0, 0.0),
    round((0.3, 1), (1.0, 0.03), 0.0, 0.0),
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

/// Share of the caller's time that dives may take.
const DIVE_TIME: f64 = 0.25;

/// Random numbers of the dives and of the searches, apart from those of lanes.
const DIVE_STREAM: u64 = 1 << 32;
const SEARCH_STREAM: u64 = 1 << 33;
const REPLICA_STREAM: u64 = 1 << 34;

/// A small problem to search in rounds.
pub(crate) struct Rounds<'a> {
    pub(crate) index: &'a Index,
    pub(crate) columns: &'a Columns,
    pub(crate) roundings: &'a Roundings,
    /// Moves, the bound, and what batches lack; the rest belongs to each round.
    pub(crate) settings: &'a Settings,
    pub(crate) seed: u64,
    pub(crate) threads: usize,
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

    /// Search from some counts of containers by column and from plans of dives: the best counts, their cost and
    /// the moves made. `None`, and nothing is done, when there is too little work for several searches or no
    /// linear programme.
    pub(crate) fn run(&self, counts: Vec<i64>, watch: &dyn Watch) -> Option<(Vec<i64>, i64, u64)> {
        let most = self.most_plans();
        if most < 2 || !self.index.shares.is_empty() {
            return None;
        }
        let relaxation = Relaxation::new(self.index, self.columns, self.roundings)?;
        let mut plans = Vec::new();
        self.fill(counts, &mut plans, watch);
        for n in 0..most as u64 / 2 {
            if watch.glance().is_none_or(|share| share > DIVE_TIME) {
                break;
            }
            let mut random = Random::stream(self.seed, DIVE_STREAM + n);
            if let Some(counts) = relaxation.dive(&mut random) {
                // twice: two searches from one plan end as far apart as from two
                self.fill(counts.clone(), &mut plans, watch);
                self.fill(counts, &mut plans, watch);
            }
        }
        let mut from = watch.glance().unwrap_or(1.0);
        let left = 1.0 - from;
        let (mut made, mut searches) = (0, 0);
        for round in self.rounds() {
            plans.sort_by_key(|plan| plan.cost_e4);
            if searches > 0 {
                plans.dedup_by_key(|plan| plan.cost_e4);
            }
            plans.truncate(round.plans.min(most));
            let parts = if round.exchanges { 1 } else { plans.len() };
            let share = round.share / parts as f64;
            for n in 0..parts {
                let part = PartWatch {
                    watch,
                    from,
                    end: from + left * share,
                    before: made,
                    best_e4: best_e4(&plans),
                };
                from = part.end;
                searches += 1;
                made += if round.exchanges {
                    self.exchange(round, &mut plans, searches, &part)
                } else {
                    self.search(round, share, &mut plans[n], searches, &part)
                };
            }
        }
        let best = plans.into_iter().min_by_key(|plan| plan.cost_e4)?;
        Some((best.counts, best.cost_e4, made))
    }

    /// Add the plan of some counts, whole batches only, with more where that gains.
    fn fill(&self, counts: Vec<i64>, plans: &mut Vec<Whole>, watch: &dyn Watch) {
        let mut search = self.start(&counts, Random::new(self.seed));
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
            single_batches: round.exchanges,
            ..self.settings.clone()
        }
    }

    /// Search on from a plan and keep what is found; the moves made.
    fn search(
        &self,
        round: &Round,
        share: f64,
        plan: &mut Whole,
        number: u64,
        watch: &dyn Watch,
    ) -> u64 {
        let unit = 10.0 * unit_e4(self.index);
        let (first, last) = round.temperatures;
        let settings = self.settings(round, share, geometric(first * unit, last * unit));
        let stream = SEARCH_STREAM + number;
        let search = self.start(&plan.counts, Random::stream(self.seed, stream));
        let (counts, cost_e4, made) = run(search, &settings, (self.seed, self.threads), watch);
        if cost_e4 < plan.cost_e4 {
            *plan = Whole { cost_e4, counts };
        }
        made
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
            let search = self.start(&start.counts, Random::stream(self.seed, stream));
            let rung = ladder[1024 * n / (round.plans - 1)];
            (search, self.settings(round, round.share, vec![rung; 1025]))
        });
        let random = Random::stream(self.seed, SEARCH_STREAM + number);
        let mut replicas = Replicas::new(searches, random);
        let moves = (self.settings.moves as f64 * round.share) as u64;
        let made = replicas.run(moves, self.threads, watch);
        plans.extend(
            replicas
                .into_best()
                .map(|(counts, cost_e4)| Whole { cost_e4, counts }),
        );
        made
    }
}
