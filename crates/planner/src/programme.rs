//! What the pricing of a class runs over, laid out in the order in which it is visited.
//!
//! Model section "prices and a proven bound without an LP solver", pricing over arcs. A class has some
//! thousands of arcs in as many small lists; one after the other in one list they are read as fast as
//! memory gives them, several times faster than list by list.

use std::ops::Range;

use crate::index::Row;

/// An arc as the pricing sees it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Step {
    /// Where the cost onward from its end is: (row x levels + level) x slots + slot.
    pub(crate) ahead: u32,
    /// Where the worth of a gram at its end is: row x slots + slot.
    pub(crate) gram: u32,
    /// Decigrams cut at its end.
    pub(crate) dg: i64,
}

/// A sow slot of a row.
#[derive(Debug, Clone)]
pub(crate) struct Sow {
    pub(crate) row: u32,
    pub(crate) steps: Range<u32>,
}

/// A slot on which a row can be cut.
#[derive(Debug, Clone)]
pub(crate) struct CutPoint {
    pub(crate) row: u32,
    pub(crate) free_at: u32,
    /// Cuts that are possible.
    pub(crate) levels: u32,
    /// First step, and steps of each level but the last.
    pub(crate) first_step: u32,
    pub(crate) step_count: u32,
}

impl CutPoint {
    /// Steps to the cut after a level; none after the last.
    pub(crate) fn steps(&self, level: u32) -> Range<usize> {
        let count = if level + 1 < self.levels {
            self.step_count as usize
        } else {
            0
        };
        let from = self.first_step as usize + level as usize * self.step_count as usize;
        from..from + count
    }
}

/// What a row costs, apart from prices.
#[derive(Debug, Clone)]
pub(crate) struct Costs {
    pub(crate) sow_minutes10: i64,
    pub(crate) cut_minutes10: i64,
    pub(crate) clean_minutes10: i64,
    pub(crate) sow_mix_dl: i64,
    pub(crate) cut_mix_dl: i64,
    /// Its first cell among signatures x weeks.
    pub(crate) signature_base: u32,
    /// Its first batch.
    pub(crate) batch_base: u32,
    uses: Range<u32>,
}

/// The programme of a class.
#[derive(Debug, Default)]
pub(crate) struct Programme {
    pub(crate) slots: usize,
    /// Most cuts of any row.
    pub(crate) levels: usize,
    pub(crate) costs: Vec<Costs>,
    uses: Vec<(u32, i64)>,
    pub(crate) steps: Vec<Step>,
    pub(crate) sows: Vec<Sow>,
    pub(crate) cuts: Vec<CutPoint>,
    /// By slot: its part of `sows` and of `cuts`.
    pub(crate) at_slot: Vec<(Range<u32>, Range<u32>)>,
}

impl Programme {
    /// Lay out the rows of a class with a number of slots.
    pub(crate) fn new(rows: &[Row], slots: usize, weeks: usize) -> Self {
        let mut programme = Self {
            slots,
            levels: rows.iter().map(Row::most_cuts).max().unwrap_or(0),
            at_slot: vec![(0..0, 0..0); slots],
            ..Self::default()
        };
        for row in rows {
            programme.add_costs(row, weeks);
        }
        let reached: Vec<Vec<bool>> = rows.iter().map(|row| reached(row, slots)).collect();
        for slot in (0..slots).rev() {
            let (sows, cuts) = (programme.sows.len() as u32, programme.cuts.len() as u32);
            for (local, row) in rows.iter().enumerate() {
                programme.add_sow(local, row, slot);
            }
            for (local, row) in rows.iter().enumerate() {
                if reached[local][slot] {
                    programme.add_cut(local, row, slot);
                }
            }
            programme.at_slot[slot] = (
                sows..programme.sows.len() as u32,
                cuts..programme.cuts.len() as u32,
            );
        }
        programme
    }

    fn add_costs(&mut self, row: &Row, weeks: usize) {
        let from = self.uses.len() as u32;
        let uses = row.uses.iter().filter(|&&(_, units)| units != 0);
        self.uses
            .extend(uses.map(|&(good, units)| ((good * weeks) as u32, units)));
        self.costs.push(Costs {
            sow_minutes10: row.sow_minutes10,
            cut_minutes10: row.cut_minutes10,
            clean_minutes10: row.clean_minutes10,
            sow_mix_dl: row.sow_mix_dl,
            cut_mix_dl: row.cut_mix_dl,
            signature_base: (row.signature * weeks) as u32,
            batch_base: row.batch_base as u32,
            uses: from..self.uses.len() as u32,
        });
    }

    /// Units of goods that a row takes: first cell of the good among goods x weeks, units.
    pub(crate) fn uses(&self, costs: &Costs) -> &[(u32, i64)] {
        &self.uses[costs.uses.start as usize..costs.uses.end as usize]
    }

    /// The cut points of a slot.
    pub(crate) fn cuts_at(&self, slot: usize) -> Range<usize> {
        let range = &self.at_slot[slot].1;
        range.start as usize..range.end as usize
    }

    /// Steps to the first cut of a sowing, in the order of its arcs.
    pub(crate) fn first_steps(&self, local: usize, slot: usize) -> Range<usize> {
        let own = self.at_slot[slot].0.clone();
        let sow = self.sows[own.start as usize..own.end as usize]
            .iter()
            .find(|sow| sow.row as usize == local);
        sow.map_or(0..0, |sow| sow.steps.start as usize..sow.steps.end as usize)
    }

    /// Steps to the cut after a level, in the order of the arcs.
    pub(crate) fn again_steps(&self, local: usize, level: usize, slot: usize) -> Range<usize> {
        let point = self.cuts[self.cuts_at(slot)]
            .iter()
            .find(|point| point.row as usize == local);
        point.map_or(0..0, |point| point.steps(level as u32))
    }

    fn add_steps(&mut self, local: usize, level: usize, to: &[u32], dg: &[i64]) {
        let ahead = ((local * self.levels + level) * self.slots) as u32;
        let gram = (local * self.slots) as u32;
        self.steps.extend(to.iter().zip(dg).map(|(&to, &dg)| Step {
            ahead: ahead + to,
            gram: gram + to,
            dg,
        }));
    }

    fn add_sow(&mut self, local: usize, row: &Row, slot: usize) {
        let arcs = row.first.from(slot);
        if arcs.is_empty() {
            return;
        }
        let from = self.steps.len() as u32;
        self.add_steps(local, 0, &row.first.to[arcs.clone()], &row.first_dg[arcs]);
        self.sows.push(Sow {
            row: local as u32,
            steps: from..self.steps.len() as u32,
        });
    }

    fn add_cut(&mut self, local: usize, row: &Row, slot: usize) {
        let arcs = row.again.from(slot);
        let first_step = self.steps.len() as u32;
        for (level, dg) in row.again_dg.iter().enumerate() {
            let to = &row.again.to[arcs.clone()];
            self.add_steps(local, level + 1, to, &dg[arcs.clone()]);
        }
        self.cuts.push(CutPoint {
            row: local as u32,
            free_at: row.free_at[slot],
            levels: row.most_cuts() as u32,
            first_step,
            step_count: arcs.len() as u32,
        });
    }
}

/// Slots on which some sowing of a row can be cut.
fn reached(row: &Row, slots: usize) -> Vec<bool> {
    let mut reached = vec![false; slots];
    let again = if row.again_dg.is_empty() {
        &[][..]
    } else {
        &row.again.to[..]
    };
    for &to in row.first.to.iter().chain(again) {
        reached[to as usize] = true;
    }
    reached
}
