//! Moves of whole batches within a window of slots, by chains that are best for the gaps.

use crate::insert::{Gap, Scatter};
use crate::search::Search;

impl Search<'_> {
    /// Whole batches: one or two are taken out, others put in, then single containers added.
    pub(super) fn move_batches(&mut self) -> bool {
        let first = self.classes[self.random.below(self.classes.len())];
        let (from, end) = self.window(first);
        let mut gaps = Vec::new();
        for place in 0..1 + self.random.below(3) {
            let class = if place == 0 {
                first
            } else {
                self.pick_class(first)
            };
            let end = end.min(self.state.index.classes[class].places.len());
            let Some(freed) = self.clear_batch(class, from, end) else {
                return false;
            };
            gaps.push((class, from, end, freed));
        }
        let scatter = self.scatter();
        for (class, from, end, freed) in gaps {
            let sizes = self.sizes(class);
            for _ in 0..2 {
                let containers = match self.random.below(3) {
                    0 if freed > 0 => freed,
                    1 if freed > 0 => 1 + self.random.below(freed as usize) as i64,
                    _ => sizes[self.random.below(sizes.len())],
                };
                self.insert(
                    Gap {
                        class,
                        from,
                        end,
                        containers,
                    },
                    scatter,
                );
            }
            for _ in 0..self.random.below(4) {
                self.insert(
                    Gap {
                        class,
                        from,
                        end,
                        containers: 1,
                    },
                    scatter,
                );
            }
        }
        self.complete_batches(scatter);
        true
    }

    /// Add containers to batches that were put in below their least size, in any column of each.
    pub(super) fn complete_batches(&mut self, scatter: Scatter) {
        let mut n = 0;
        while n < self.put.len() {
            let column = &self.state.columns.list[self.put[n].0];
            let (batch, sow) = (column.batch, column.sow as usize);
            let class = self.state.index.rows[column.row as usize].class;
            n += 1;
            let lacking =
                self.state.index.batches[batch as usize].least - self.state.batch(batch as usize);
            for _ in 0..lacking.clamp(0, 64) {
                let gap = Gap {
                    class,
                    from: sow,
                    end: sow + 1,
                    containers: 1,
                };
                let only = Scatter {
                    batch,
                    loose: true,
                    ..scatter
                };
                if !self.insert(gap, only) {
                    break;
                }
            }
        }
    }

    /// Take a column out of a window, all of it or some containers, mostly with the rest of its batch when
    /// that would become too small; the containers freed.
    fn clear_batch(&mut self, class: usize, from: usize, end: usize) -> Option<i64> {
        let count = self.active[class].len();
        let mut freed = 0;
        let wanted = self.random.below(3);
        let mut current = from;
        for _ in 0..if count == 0 { 0 } else { 12 * wanted } {
            let p = self.active[class][self.random.below(count)].column;
            let column = &self.state.columns.list[p];
            let (sow, stop, batch) = (column.sow as usize, column.end as usize, column.batch);
            let present = self.state.count(p);
            if sow < current || stop > end || present <= 0 {
                continue;
            }
            let some = if self.random.below(2) == 0 {
                present
            } else {
                1 + self.random.below(present as usize) as i64
            };
            if !self.take_out(p, some) {
                return None;
            }
            freed += some;
            current = stop;
            let least = self.state.index.batches[batch as usize].least;
            if self.random.below(3) > 0 && self.state.batch(batch as usize) < least {
                for i in 0..count {
                    let other = self.active[class][i].column;
                    let left = self.state.count(other);
                    if self.state.columns.list[other].batch == batch && left > 0 {
                        if !self.take_out(other, left) {
                            return None;
                        }
                        freed += left;
                    }
                }
            }
        }
        Some(freed)
    }
}
