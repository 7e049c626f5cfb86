//! Ruin and recreate.
//!
//! Model section "ruin and recreate": take some sowings out of a few places within a window of slots,
//! fill each place again with the best chain, keep the result when the cost does not rise by more than
//! a falling temperature allows.

use std::collections::BTreeSet;

use crate::gain::Gains;
use crate::insert::{Gap, Inserter, Scatter};
use crate::random::Random;
use crate::state::{Mark, State};

mod exchange;
mod part;
mod short_batches;
mod single_batches;
mod whole_batches;
pub(crate) use exchange::{Accepted, Changes};
pub(crate) use part::{PartWatch, Untold};
pub(crate) use short_batches::run;

/// How a search is to run.
#[derive(Debug, Clone)]
pub(crate) struct Settings {
    /// Moves of all lanes.
    pub(crate) moves: u64,
    /// Temperatures from the start to the end in 1024 steps, in ten-thousandths of a point.
    pub(crate) temperatures: Vec<f64>,
    /// How much of a column's detour counts at the start; it falls to nothing.
    pub(crate) detour_weight: f64,
    /// No plan can be better than this.
    pub(crate) bound_e4: i64,
    /// What a container that a batch lacks of its least size counts at the start and at the end, while batches
    /// may lack some.
    pub(crate) lack_prices_e4: (f64, f64),
    /// Temperature from which on they may not; at most a quarter of the first.
    pub(crate) whole_batches_e4: f64,
    /// Are most moves of one batch?
    pub(crate) single_batches: bool,
}

/// With what a search is made.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Means {
    pub(crate) seed: u64,
    pub(crate) threads: usize,
    /// Is the plan to be the same on any number of threads?
    pub(crate) repeatable: bool,
}

/// What a search found.
#[derive(Debug)]
pub(crate) struct Searched {
    /// Containers by column of the best plan.
    pub(crate) counts: Vec<i64>,
    /// Its cost.
    pub(crate) cost_e4: i64,
    /// Moves made.
    pub(crate) moves: u64,
}

/// The outside of a search: told the best cost and moves so far, says how far along the schedule it is.
pub(crate) trait Watch: Sync {
    /// Share of the schedule that has gone, 0 to 1; `None` to stop.
    fn look(&self, best_e4: i64, moves: u64) -> Option<f64>;
    /// The same, without telling anything.
    fn glance(&self) -> Option<f64>;
}

/// A number of moves of one lane.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stretch {
    /// Moves that all lanes have made before.
    pub(crate) before: u64,
    /// Moves to make.
    pub(crate) moves: u64,
    /// Lanes that move meanwhile.
    pub(crate) lanes: u64,
    /// Does this lane tell how far it is?
    pub(crate) tells: bool,
}

/// Chains entered one container each before more are entered together.
const TOGETHER: u32 = 64;

/// Moves between two looks at the outside.
const LOOK: u64 = 16;

/// A column in use, with its slots at hand: most that are drawn do not fit a window.
#[derive(Debug, Clone, Copy)]
struct Active {
    column: usize,
    sow: u32,
    end: u32,
}

/// A running search.
#[derive(Debug, Clone)]
pub(crate) struct Search<'a> {
    state: State<'a>,
    gains: Gains,
    inserter: Inserter,
    random: Random,
    /// Classes that may change.
    classes: Vec<usize>,
    /// Those at the same site, by class.
    at_site: Vec<Vec<usize>>,
    /// Fewest slots that a column takes, by class.
    shortest_stay: Vec<usize>,
    /// Columns in use, by class.
    active: Vec<Vec<Active>>,
    out: Vec<(usize, i64)>,
    put: Vec<(usize, i64)>,
    best: Vec<i64>,
    best_e4: i64,
    best_violation: i64,
    detour_weight: f64,
    temperature: f64,
    /// How much the cost may rise by the present move.
    allowed: f64,
    /// Are accepted moves kept for other lanes?
    records: bool,
    /// Moves accepted since the last exchange.
    journal: Vec<Accepted>,
}

impl<'a> Search<'a> {
    /// Search from a state.
    pub(crate) fn new(state: State<'a>, random: Random) -> Self {
        let index = state.index;
        let columns = state.columns;
        let classes: Vec<usize> = (0..index.classes.len())
            .filter(|&class| !columns.of_class(class).is_empty())
            .collect();
        let at_site = (0..index.classes.len())
            .map(|class| {
                let same = |other: &usize| index.classes[*other].site == index.classes[class].site;
                classes.iter().copied().filter(same).collect()
            })
            .collect();
        let shortest_stay = (0..index.classes.len())
            .map(|class| {
                let own = columns.of_class(class).map(|p| &columns.list[p]);
                let stays = own.map(|column| (column.end - column.sow) as usize);
                stays.min().unwrap_or(1)
            })
            .collect();
        let least = if index.keep_batches {
            index.batches.iter().map(|batch| batch.least).max()
        } else {
            None
        };
        let mut search = Self {
            gains: Gains::new(
                index,
                columns,
                least.map_or(1, |least| 4 * least.clamp(1, 1000)),
            ),
            inserter: Inserter::default(),
            random,
            active: vec![Vec::new(); index.classes.len()],
            classes,
            at_site,
            shortest_stay,
            out: Vec::new(),
            put: Vec::new(),
            best: state.counts().to_vec(),
            best_e4: state.cost_e4,
            best_violation: state.violation(),
            detour_weight: 0.0,
            temperature: 0.0,
            allowed: 0.0,
            records: false,
            journal: Vec::new(),
            state,
        };
        for class in 0..search.active.len() {
            search.list_active(class);
        }
        search
    }

    /// How much shares are broken in the best state found, and its cost.
    pub(crate) fn best_cost(&self) -> (i64, i64) {
        (self.best_violation, self.best_e4)
    }

    /// The present cost, with what lacking containers count.
    pub(crate) fn weighed_e4(&self) -> i64 {
        self.state.weighed_e4()
    }

    /// Container counts of the best state found.
    pub(crate) fn into_best(self) -> Vec<i64> {
        self.best
    }

    fn list_active(&mut self, class: usize) {
        let (counts, columns) = (self.state.counts(), self.state.columns);
        let used = columns.of_class(class).filter(|&p| counts[p] > 0);
        self.active[class].clear();
        self.active[class].extend(used.map(|column| Active {
            column,
            sow: columns.list[column].sow,
            end: columns.list[column].end,
        }));
    }

    fn keep_best(&mut self) {
        if self.state.lacking() > 0 && self.state.lack_price_e4.is_some() {
            return;
        }
        let violation = self.state.violation();
        if violation < self.best_violation
            || (violation == self.best_violation && self.state.cost_e4 < self.best_e4)
        {
            self.best_violation = violation;
            self.best_e4 = self.state.cost_e4;
            self.best.clear();
            self.best.extend_from_slice(self.state.counts());
        }
    }

    /// Fill places while that gains; `false` when told to stop.
    pub(crate) fn fill(&mut self, watch: &dyn Watch) -> bool {
        let mut more = true;
        let mut entered = vec![0_u32; self.state.index.classes.len()];
        while more {
            more = false;
            let mut order = self.classes.clone();
            self.random.shuffle(&mut order);
            for class in order {
                if watch.look(self.best_e4, 0).is_none() {
                    return false;
                }
                // many places: more and more containers together, one at a time again when that fails
                let together = 1_i64 << (entered[class] / TOGETHER).min(20);
                let mut sizes = self.sizes(class);
                if together > 1 {
                    sizes.insert(0, together);
                }
                entered[class] += 1;
                for containers in sizes {
                    self.put.clear();
                    let slots = self.state.index.classes[class].places.len();
                    let gap = Gap {
                        class,
                        from: 0,
                        end: slots,
                        containers,
                    };
                    let any = self.insert(gap, Scatter::default());
                    self.state.commit();
                    self.gains.keep();
                    self.keep_best();
                    if any {
                        more = true;
                        if containers < together {
                            entered[class] = 0;
                        }
                        break;
                    }
                }
            }
        }
        for class in 0..self.active.len() {
            self.list_active(class);
        }
        true
    }

    /// Numbers of containers worth trying together in a class.
    fn sizes(&mut self, class: usize) -> Vec<i64> {
        let index = self.state.index;
        if !index.keep_batches {
            return vec![1];
        }
        let rows = index.classes[class].rows.clone();
        let mut sizes: Vec<i64> = rows
            .map(|row| index.batches[index.rows[row].batch_base].least.max(1))
            .collect();
        sizes.push(1);
        sizes.sort_unstable();
        sizes.dedup();
        sizes
    }

    fn insert(&mut self, gap: Gap, scatter: Scatter) -> bool {
        self.inserter.insert(
            &mut self.state,
            &mut self.gains,
            gap,
            scatter,
            &mut self.random,
            &mut self.put,
        )
    }

    /// Fill the last gap of a move, unless the move would then be undone: the cost rises too much, or not at
    /// all, as when what was taken out goes back in. To know it before anything is entered lets a problem of four
    /// sites make a quarter more moves. What a sowing does for shares is known only once it is entered.
    fn insert_last(&mut self, gap: Gap, scatter: Scatter, mark: Mark) -> bool {
        let (state, gains) = (&mut self.state, &mut self.gains);
        self.inserter
            .choose(state, gains, gap, scatter, &mut self.random);
        let rise = state.weighed_e4() - mark.weighed_e4() - self.inserter.fall_of_chain(state, gap);
        if state.index.shares.is_empty() && (rise == 0 || rise as f64 > self.allowed) {
            return false;
        }
        self.inserter
            .enter(state, gains, gap, scatter, &mut self.put);
        true
    }

    /// How the next move is scattered; in every other one a sowing that was taken out may not return.
    fn scatter(&mut self) -> Scatter {
        let skips = if self.state.index.keep_batches { 3 } else { 1 };
        let kind = self.random.below(30);
        let without = if !self.out.is_empty() && self.random.coin() {
            self.out[self.random.below(self.out.len())].0 as u32
        } else {
            u32::MAX
        };
        Scatter {
            noise: if kind < 9 { 0.0 } else { 0.15 },
            skip: kind >= 30 - skips,
            batch: u32::MAX,
            without,
            loose: self.state.index.keep_batches && self.random.below(3) == 0,
            detour_weight: self.detour_weight,
        }
    }

    /// Make the moves of a stretch; the number made, fewer when told to stop or when no plan can be better.
    pub(crate) fn run(&mut self, settings: &Settings, stretch: Stretch, watch: &dyn Watch) -> u64 {
        if self.classes.is_empty() {
            return stretch.moves;
        }
        self.temperature = settings.temperatures[0];
        for moves in 0..stretch.moves {
            if moves % LOOK == 0 {
                let made = stretch.before + moves * stretch.lanes;
                let looked = if stretch.tells {
                    watch.look(self.best_e4, made)
                } else {
                    watch.glance()
                };
                let Some(share) = looked else {
                    return moves;
                };
                let along = (made as f64 / settings.moves as f64).max(share);
                let along = along.clamp(0.0, 1.0);
                self.price_lacking(settings, along);
                self.temperature = settings.temperatures[(along * 1024.0) as usize];
                self.detour_weight = settings.detour_weight * (1.0 - along);
                if self.best_e4 <= settings.bound_e4 && self.best_violation == 0 {
                    return moves;
                }
            }
            if settings.single_batches && self.random.below(10) < 7 {
                self.move_single_batches();
            } else if self.moves_batches() {
                self.attempt(|search, _| search.move_batches());
            } else {
                self.attempt(Self::move_places);
            }
        }
        stretch.moves
    }

    /// Make a move; it stands when it could be made and the cost does not rise by more than the temperature allows.
    fn attempt(&mut self, make: impl FnOnce(&mut Self, Mark) -> bool) {
        let mark = self.begin();
        self.allowed = self.temperature * self.random.exponential();
        let made = make(self, mark);
        let rise = self.state.weighed_e4() - mark.weighed_e4();
        if made && rise as f64 <= self.allowed && self.whole_batches() {
            self.accept();
        } else {
            self.reject(mark);
        }
    }

    /// A new move: nothing is taken out or put in.
    fn begin(&mut self) -> Mark {
        self.out.clear();
        self.put.clear();
        self.state.mark()
    }

    /// Is the next move one of batches? While they may lack containers, every other one is, by chance: a batch at
    /// its least size among full places can be exchanged, but not container by container.
    fn moves_batches(&mut self) -> bool {
        self.state.index.keep_batches && (self.state.lack_price_e4.is_none() || self.random.coin())
    }

    fn accept(&mut self) {
        self.stand();
        self.record();
    }

    /// What was taken out and put in stands.
    fn stand(&mut self) {
        self.state.commit();
        self.gains.keep();
        let changed = self.out.iter().chain(&self.put);
        let classes: BTreeSet<usize> = changed.map(|&(p, _)| self.class_of(p)).collect();
        for class in classes {
            self.list_active(class);
        }
        self.keep_best();
    }

    fn class_of(&self, p: usize) -> usize {
        self.state.index.rows[self.state.columns.list[p].row as usize].class
    }

    fn reject(&mut self, mark: Mark) {
        self.state.undo(mark);
        self.gains.restore();
    }

    /// Has every batch that was touched none or enough containers?
    fn whole_batches(&self) -> bool {
        let index = self.state.index;
        !index.keep_batches
            || self.state.lack_price_e4.is_some()
            || self.out.iter().chain(&self.put).all(|&(p, _)| {
                let batch = self.state.columns.list[p].batch as usize;
                let containers = self.state.batch(batch);
                containers == 0 || containers >= index.batches[batch].least
            })
    }

    fn take_out(&mut self, p: usize, containers: i64) -> bool {
        self.change(p, -containers)
    }

    /// Add `q` containers of a column (fewer when negative) and note it; `false`, and nothing is done, when a limit
    /// would break.
    fn change(&mut self, p: usize, q: i64) -> bool {
        let done = self.state.change(p, q);
        if done {
            self.gains.touch(&self.state.moved);
            if q > 0 {
                self.put.push((p, q));
            } else {
                self.out.push((p, -q));
            }
        }
        done
    }

    fn window(&mut self, class: usize) -> (usize, usize) {
        let slots = self.state.index.classes[class].places.len();
        let length = 8 + self.random.below(slots);
        let start = self.random.below(slots) as i64 - length as i64 / 2;
        let end = (start + length as i64).clamp(1, slots as i64);
        (start.max(0) as usize, end as usize)
    }

    fn pick_class(&mut self, first: usize) -> usize {
        if self.random.below(3) > 0 {
            let near = self.random.below(self.at_site[first].len());
            self.at_site[first][near]
        } else if self.random.below(3) > 0 {
            self.classes[self.random.below(self.classes.len())]
        } else {
            first
        }
    }

    /// One container at a time, from one to three places.
    fn move_places(&mut self, mark: Mark) -> bool {
        let places = 1 + self.random.below(3);
        let first = self.classes[self.random.below(self.classes.len())];
        let (from, end) = self.window(first);
        let mut gaps = Vec::with_capacity(places);
        for place in 0..places {
            let class = if place == 0 {
                first
            } else {
                self.pick_class(first)
            };
            let end = end.min(self.state.index.classes[class].places.len());
            if !self.clear_place(class, from, end) {
                return false;
            }
            gaps.push(Gap {
                class,
                from,
                end,
                containers: 1,
            });
        }
        self.random.shuffle(&mut gaps);
        let scatter = self.scatter();
        for (place, gap) in gaps.into_iter().enumerate() {
            if place + 1 < places {
                self.insert(gap, scatter);
            } else if !self.insert_last(gap, scatter, mark) {
                return false;
            }
        }
        true
    }

    /// Take random disjoint sowings, one container each, out of a window.
    fn clear_place(&mut self, class: usize, from: usize, end: usize) -> bool {
        let mut current = from;
        let count = self.active[class].len();
        if count == 0 {
            return true;
        }
        for attempt in 0..40 {
            if current + self.shortest_stay[class] > end {
                break;
            }
            let drawn = self.active[class][self.random.below(count)];
            let (sow, stop) = (drawn.sow as usize, drawn.end as usize);
            if sow < current
                || stop > end
                || (sow > current + 4 && attempt < 25)
                || self.state.count(drawn.column) <= 0
            {
                continue;
            }
            if !self.take_out(drawn.column, 1) {
                return false;
            }
            current = stop;
        }
        true
    }
}
