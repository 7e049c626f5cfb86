//! Rounds of a problem with many containers.
//!
//! Its linear programme is solved roughly, and few plans are searched. A warm search goes on from what a dive finds.
//! After a round the columns of the plans found are dived into, and the next one begins with what these dives find,
//! though it is dearer: it joins what the plans do well.

use super::{
    DIVE_STREAM, JOIN_STREAM, PartWatch, Round, Rounds, Start, Whole, best_e4, joins, round,
};
use crate::prices::unit_e4;
use crate::random::Random;
use crate::relaxation::{Guide, Rough, most_rows};
use crate::search::{Searched, Watch};
use crate::threads::each;

/// How a round starts, as shares of what one search from the rounded prices starts with.
#[derive(Clone, Copy)]
struct Warmth {
    heat: f64,
    detours: f64,
}

/// Shares of the moves, plans, and how warm each round is.
///
/// Measured on three problems of four sites and 36 weeks, 300 000 moves on one thread, seeds 1 to 6: one search from
/// one dive ends .9 to 1.4 % lower than one from the rounded prices. Ten seconds on two threads, seeds 1 to 4: plans of
/// these rounds differ by .5 % on each problem, those of one search from one dive by .8 to 1.4 %, and end .1 % higher
/// in the mean.
const ROUNDS: [(f64, usize, Warmth); 3] = [
    (
        0.3,
        2,
        Warmth {
            heat: 0.27,
            detours: 0.3,
        },
    ),
    (
        0.3,
        2,
        Warmth {
            heat: 0.2,
            detours: 0.15,
        },
    ),
    (
        0.4,
        1,
        Warmth {
            heat: 0.13,
            detours: 0.08,
        },
    ),
];

/// One round of a problem that is so large that its moves do not bring a second plan to rest. Measured on one of
/// twelve sites, sixty seconds on two threads, one run each: 81 257 points, without dives 81 670, in three rounds
/// 82 162.
const ONE_ROUND: [(f64, usize, Warmth); 1] = [(
    1.0,
    1,
    Warmth {
        heat: 0.6,
        detours: 0.6,
    },
)];

/// Most rows of the programme of a problem that is searched in several rounds.
const MOST_ROWS_OF_SEVERAL: usize = 8_000;

/// Most rows of one that is dived into: the dives of one of sixty sites know too few of its columns, and its plans
/// end a fifth higher than without them.
const MOST_ROWS: usize = 20_000;

/// Fewest moves with which dives are worth their time. Three problems of four sites end .7 % lower with dives and 32 000
/// moves (1.27 s) than without and 49 000 (1.55 s), .4 % lower with 24 000 (.98 s) than without and 32 000 (.91 s), and
/// .3 % higher with 16 000 (.69 s) than without and 24 000 (.65 s; seeds 1 to 4, one thread).
const LEAST_MOVES: u64 = 20_000;

/// Dives before the first round and between two.
const DIVES: u64 = 2;

/// Greatest detour of the columns that the first dives choose among, in points at the least priority, and most of them.
const DETOUR: f64 = 1.0;
const MOST_COLUMNS: usize = 8_000;

/// Steps after some containers became whole: one for so many moves of the search, so that little work is not all spent
/// on dives, up to a most.
const MOVES_A_STEP: u64 = 2_600;
const STEPS: usize = 150;

/// With fewer than this, for lack of time, a dive is not worth making.
const LEAST_STEPS: usize = 30;

/// Times as many steps before the first containers become whole.
const STEPS_BEFORE: usize = 10;

/// Times that a dive makes some containers whole, about.
const TIMES: f64 = 100.0;

/// Share of the caller's time that dives may take before the first round, and before the others.
const DIVE_TIME: f64 = 0.25;
const JOIN_TIME: f64 = 0.1;

/// The rounds of a search that starts as these settings say.
fn rounds(of: &Rounds<'_>) -> Vec<Round> {
    let unit = 10.0 * unit_e4(of.index);
    let temperatures = &of.settings.temperatures;
    let first = temperatures.first().map_or(0.0, |t| t / unit);
    let last = temperatures.last().map_or(0.0, |t| t / unit);
    let list: &[_] = if most_rows(of.index) <= MOST_ROWS_OF_SEVERAL {
        &ROUNDS
    } else {
        &ONE_ROUND
    };
    let made = list.iter().enumerate();
    made.map(|(n, &(share, plans, warmth))| {
        let heat = (warmth.heat * first, last);
        let own = if n == 0 {
            round((share, plans), heat, 0.0, 0.0)
        } else {
            joins((share, plans), heat)
        };
        Round {
            detour_weight: warmth.detours * of.settings.detour_weight,
            ..own
        }
    })
    .collect()
}

impl Rounds<'_> {
    /// Is there enough work for dives into a programme of any size?
    pub(crate) fn suit_many(&self) -> bool {
        !self.index.keep_batches
            && self.index.shares.is_empty()
            && self.settings.moves >= LEAST_MOVES
            && most_rows(self.index) <= MOST_ROWS
    }

    /// Search from plans of dives. `None`, and nothing is done, when there is no time for dives.
    pub(crate) fn run_many(&self, guide: Guide<'_>, watch: &dyn Watch) -> Option<Searched> {
        let near = self.near_prices(DETOUR, MOST_COLUMNS);
        let mut plans = self.rough_plans(near, (DIVE_STREAM, DIVE_TIME), guide, watch)?;
        let (mut made, mut searches, mut shares_left) = (0, 0, 1.0);
        let mut best: Option<Whole> = None;
        for round in rounds(self) {
            let before = best.as_ref().map_or(i64::MAX, |plan| plan.cost_e4);
            if round.start == Start::Joined {
                let so_far = PartWatch {
                    watch,
                    from: 0.0,
                    end: 1.0,
                    before: made,
                    best_e4: before.min(best_e4(&plans)),
                };
                let used = (0..self.columns.list.len())
                    .filter(|&p| plans.iter().any(|plan| plan.counts[p] > 0));
                let until = watch.glance().unwrap_or(1.0) + JOIN_TIME;
                let stream = JOIN_STREAM + searches * DIVES;
                let joined = self.rough_plans(used.collect(), (stream, until), guide, &so_far);
                if let Some(joined) = joined {
                    best = best
                        .into_iter()
                        .chain(plans)
                        .min_by_key(|plan| plan.cost_e4);
                    plans = joined;
                }
            }
            plans.sort_by_key(|plan| plan.cost_e4);
            plans.truncate(round.plans);
            let from = watch.glance().unwrap_or(1.0);
            let before = best.as_ref().map_or(i64::MAX, |plan| plan.cost_e4);
            let part = PartWatch {
                watch,
                from,
                end: from + (1.0 - from) * round.share / shares_left,
                before: made,
                best_e4: before.min(best_e4(&plans)),
            };
            made += self.search_all(&round, &mut plans, searches, &part);
            searches += plans.len() as u64;
            shares_left -= round.share;
        }
        let best = best
            .into_iter()
            .chain(plans)
            .min_by_key(|plan| plan.cost_e4)?;
        Some(Searched {
            counts: best.counts,
            cost_e4: best.cost_e4,
            moves: made,
        })
    }

    /// Plans of dives into the programme of some columns, ready by a share of the time; `None` when that is too short.
    fn rough_plans(
        &self,
        columns: Vec<usize>,
        (stream, until): (u64, f64),
        guide: Guide<'_>,
        watch: &dyn Watch,
    ) -> Option<Vec<Whole>> {
        let most = (self.settings.moves / MOVES_A_STEP).min(STEPS as u64) as usize;
        let begun = watch.glance()?;
        let columns = columns.into_iter();
        let mut rough = Rough::new(self.index, self.columns, self.roundings, guide, columns);
        rough.settle(STEPS_BEFORE * most, || {
            watch.glance().is_some_and(|now| now < until)
        });
        let now = watch.glance()?;
        let each_step = (now - begun) / (STEPS_BEFORE * most).max(1) as f64;
        let affordable = (until - now) / (TIMES * each_step.max(1e-12));
        let steps = (affordable as usize).min(most);
        if steps < LEAST_STEPS.min(most) {
            return None;
        }
        let mut dives: Vec<(u64, Vec<i64>)> = (0..DIVES).map(|n| (n, Vec::new())).collect();
        each(self.means.threads, &mut dives, |(n, counts)| {
            let mut random = Random::stream(self.means.seed, stream + *n);
            *counts = rough
                .clone()
                .dive(&mut random, || watch.glance().map(|_| steps));
        });
        watch.glance()?;
        let mut plans = Vec::new();
        for (_, counts) in dives {
            self.fill(counts, &mut plans, watch);
        }
        Some(plans)
    }
}
