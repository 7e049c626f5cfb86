//! Moves of one batch: a new one where others give way, more or fewer containers, other cuts, another day.
//!
//! The best chain for a gap hides most batches behind one. Here a batch is drawn, what stands in its way is taken
//! out until there is room, and each of its containers is cut as is best for it. Such a move costs a third of
//! one that fills gaps.

use crate::insert::{Scatter, value, work_fits};
use crate::search::Search;

/// Moves of one batch in the time of two others.
const MOVES: usize = 6;

/// Batches, or parts of them, that one move takes out at most to make room.
const MOST_TAKEN: usize = 5;

/// Width of the factor on what a container is worth, around 1, in every other move.
const NOISE: f64 = 1.0;

/// What containers of a column lack.
#[derive(Debug, Clone, Copy)]
enum Lack {
    Places { slot: u32, containers: i64 },
    Kinds,
    Work { week: u32 },
    Stock { good: usize, week: usize },
}

impl Search<'_> {
    /// A few moves, each of one batch, or of two.
    pub(super) fn move_single_batches(&mut self) {
        for _ in 0..MOVES {
            let batches = if self.random.below(10) < 3 { 2 } else { 1 };
            self.attempt(|search, _| (0..batches).all(|_| search.move_single_batch()));
        }
    }

    fn move_single_batch(&mut self) -> bool {
        let class = self.classes[self.random.below(self.classes.len())];
        let scatter = Scatter {
            detour_weight: if self.random.coin() {
                0.0
            } else {
                self.random.unit()
            },
            noise: if self.random.coin() { 0.0 } else { NOISE },
            ..Scatter::default()
        };
        let kind = self.random.below(20);
        let used = self.active[class].len();
        if kind < 7 || used == 0 {
            return self.put_batch_anywhere(class, scatter);
        }
        let p = self.active[class][self.random.below(used)].column;
        if self.state.count(p) == 0 {
            return false;
        }
        match kind {
            7..12 => self.resize_batch(p, scatter),
            12..16 => self.cut_otherwise(p),
            _ => self.sow_otherwise(p, scatter),
        }
    }

    fn put_batch_anywhere(&mut self, class: usize, scatter: Scatter) -> bool {
        let own = self.state.columns.of_class(class);
        let p = own.start + self.random.below(own.len());
        let mut containers = self.fewest(p);
        while self.random.below(3) == 0 {
            containers += 1;
        }
        self.put_batch(p, containers, scatter)
    }

    /// A container more or less; a batch that would become too small is taken out.
    fn resize_batch(&mut self, p: usize, scatter: Scatter) -> bool {
        if self.random.coin() {
            self.put_batch(p, 1, scatter)
        } else {
            self.take_out_some(p, 1)
        }
    }

    /// Some containers of a batch are cut on other days.
    fn cut_otherwise(&mut self, p: usize) -> bool {
        let batch = self.batch_of(p);
        let own = self.state.columns.of_batch(batch);
        let to = own.start + self.random.below(own.len());
        let present = self.state.count(p);
        let containers = if self.random.coin() {
            present
        } else {
            1 + self.random.below(present as usize) as i64
        };
        to != p
            && self.change(p, -containers)
            && self.make_room(to, containers, Some(batch))
            && self.change(to, containers)
    }

    /// A batch gives way to another of the class, mostly one sown within two slots of it.
    fn sow_otherwise(&mut self, p: usize, scatter: Scatter) -> bool {
        let (columns, class) = (self.state.columns, self.class_of(p));
        let entry = &self.state.index.classes[class];
        let mut choice = columns.of_class(class);
        if self.random.below(3) > 0 {
            let slot = columns.list[p].sow as usize + self.random.below(5);
            let slot = slot.saturating_sub(2).min(entry.places.len() - 1);
            choice = columns.sown_on(entry.slot_base, slot);
        }
        let containers = self.state.batch(self.batch_of(p));
        if !self.take_out_batch(self.batch_of(p)) {
            return false;
        }
        if choice.is_empty() {
            return true;
        }
        let to = choice.start + self.random.below(choice.len());
        self.put_batch(to, containers.max(self.fewest(to)), scatter)
    }

    /// Room for containers of a column, then as many of its batch, each cut as is best.
    fn put_batch(&mut self, p: usize, containers: i64, scatter: Scatter) -> bool {
        let batch = self.batch_of(p);
        let own = (self.state.batch(batch) > 0).then_some(batch);
        self.make_room(p, containers, own)
            && (0..containers).all(|_| {
                self.best_of_batch(batch, scatter)
                    .is_some_and(|best| self.change(best, 1))
            })
    }

    /// The column of a batch in which one more container is worth most.
    fn best_of_batch(&mut self, batch: usize, scatter: Scatter) -> Option<usize> {
        let columns = self.state.columns;
        let mut best: Option<(f64, usize)> = None;
        for p in columns.of_batch(batch) {
            let column = &columns.list[p];
            let free = self.state.free(self.class_of(p));
            let stays = column.sow as usize..column.end as usize;
            if free[stays].contains(&0) || !work_fits(&self.state, column, 1) {
                continue;
            }
            let Some(fall_e4) = value(&mut self.state, &mut self.gains, column, 1, true) else {
                continue;
            };
            let mut worth = fall_e4 as f64;
            if scatter.noise > 0.0 {
                worth *= 1.0 + scatter.noise * (self.random.unit() - 0.5);
            }
            worth -= scatter.detour_weight * column.detour_e4;
            if best.is_none_or(|(most, _)| worth > most) {
                best = Some((worth, p));
            }
        }
        best.map(|(_, p)| p)
    }

    /// Take others out until containers of a column fit, none of its own batch.
    fn make_room(&mut self, p: usize, containers: i64, own: Option<usize>) -> bool {
        for taken in 0.. {
            let Some(lack) = self.lack(p, containers) else {
                break;
            };
            let holder = if taken < MOST_TAKEN {
                self.draw_holder(p, lack, own)
            } else {
                None
            };
            let Some(holder) = holder else {
                return false;
            };
            let done = match lack {
                Lack::Kinds => self.take_out_batch(self.batch_of(holder)),
                Lack::Places { containers, .. } => self.take_out_some(holder, containers),
                _ => {
                    let some = 1 + self.random.below(containers as usize) as i64;
                    self.take_out_some(holder, some)
                }
            };
            if !done {
                return false;
            }
        }
        true
    }

    /// What stands in the way of containers of a column.
    fn lack(&self, p: usize, containers: i64) -> Option<Lack> {
        let (state, columns) = (&self.state, self.state.columns);
        let column = &columns.list[p];
        let free = state.free(self.class_of(p));
        for slot in column.sow..column.end {
            let missing = containers - free[slot as usize];
            if missing > 0 {
                let containers = missing;
                return Some(Lack::Places { slot, containers });
            }
        }
        let (site, week) = (column.site as usize, column.week as usize);
        if state.index.limit_kinds
            && state.batch(column.batch as usize) == 0
            && state.kinds_left(site, week) <= 0
        {
            return Some(Lack::Kinds);
        }
        let (minutes, mixing) = (state.minutes(site), state.mixing(site));
        let sowing = (column.week, column.sow_minutes10, column.sow_mix_dl);
        let cutting = columns
            .cuts(column)
            .iter()
            .map(|cut| (cut.week, cut.minutes10, cut.mixing_dl));
        for (week, minutes10, mixing_dl) in std::iter::once(sowing).chain(cutting) {
            if minutes[week as usize] < containers * minutes10
                || mixing[week as usize] < containers * mixing_dl
            {
                return Some(Lack::Work { week });
            }
        }
        for &(good, units) in columns.uses(column) {
            let stock = state.stock(good);
            let short = (week..stock.len()).rfind(|&week| stock[week] < containers * units);
            if let Some(week) = short {
                return Some(Lack::Stock { good, week });
            }
        }
        None
    }

    /// A random column in use that holds what another lacks.
    fn draw_holder(&mut self, p: usize, lack: Lack, own: Option<usize>) -> Option<usize> {
        let (columns, class) = (self.state.columns, self.class_of(p));
        let column = &columns.list[p];
        let holds = |q: usize| {
            let other = &columns.list[q];
            let at_site = other.site == column.site;
            match lack {
                Lack::Places { slot, .. } => other.sow <= slot && slot < other.end,
                Lack::Kinds => at_site && other.week == column.week,
                Lack::Work { week } => at_site && other.work_weeks >> (week % 64) & 1 == 1,
                Lack::Stock { good, week } => {
                    other.week as usize <= week
                        && columns.uses(other).iter().any(|&(used, _)| used == good)
                }
            }
        };
        let only_here = matches!(lack, Lack::Places { .. });
        let (mut seen, mut drawn) = (0, None);
        for n in 0..self.classes.len() {
            let at = self.classes[n];
            if only_here && at != class {
                continue;
            }
            for active in &self.active[at] {
                let q = active.column;
                if self.state.count(q) > 0 && Some(self.batch_of(q)) != own && holds(q) {
                    seen += 1;
                    if self.random.below(seen) == 0 {
                        drawn = Some(q);
                    }
                }
            }
        }
        drawn
    }

    /// Take containers of a column out; all of the batch when it would become too small, and now and then anyway.
    fn take_out_some(&mut self, p: usize, containers: i64) -> bool {
        let batch = self.batch_of(p);
        let some = containers.min(self.state.count(p));
        if self.state.batch(batch) - some >= self.least_of(p) && self.random.below(4) > 0 {
            self.change(p, -some)
        } else {
            self.take_out_batch(batch)
        }
    }

    fn take_out_batch(&mut self, batch: usize) -> bool {
        self.state.columns.of_batch(batch).all(|p| {
            let present = self.state.count(p);
            present == 0 || self.change(p, -present)
        })
    }

    /// Fewest containers that may be put into the batch of a column.
    fn fewest(&self, p: usize) -> i64 {
        if self.state.batch(self.batch_of(p)) > 0 {
            1
        } else {
            self.least_of(p)
        }
    }

    fn batch_of(&self, p: usize) -> usize {
        self.state.columns.list[p].batch as usize
    }

    fn least_of(&self, p: usize) -> i64 {
        self.state.index.batches[self.batch_of(p)].least.max(1)
    }
}
