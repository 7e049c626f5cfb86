//! The value of grams: how much the objective falls when more produce of a signature arrives in a week.
//!
//! Model section "ruin and recreate", value of grams: a piecewise-linear table per signature and week,
//! found by augmenting the weekly division and undoing it; renewed only when a signature nearby changed.

use std::collections::BTreeSet;

use crate::columns::Columns;
use crate::index::Index;
use crate::state::State;

/// Pieces kept per table; what lies beyond counts as surplus.
const PIECES: usize = 12;

/// Pieces of one table: decigrams and worth of each.
#[derive(Debug, Clone, Copy, Default)]
struct Table {
    pieces: [(i64, i64); PIECES],
    count: u8,
}

/// Tables of all signatures and weeks.
#[derive(Debug)]
pub(crate) struct Gains {
    weeks: usize,
    surplus_e4: i64,
    tables: Vec<Table>,
    stale: Vec<bool>,
    near: Vec<Vec<u32>>,
    /// Decigrams a table of each signature looks ahead.
    ahead_dg: Vec<i64>,
}

impl Gains {
    /// Empty tables that look ahead as far as `containers` of the heaviest cut.
    pub(crate) fn new(index: &Index, columns: &Columns, containers: i64) -> Self {
        let mut heaviest = vec![0_i64; index.signatures.len()];
        for column in &columns.list {
            let signature = index.rows[column.row as usize].signature;
            for cut in columns.cuts(column) {
                heaviest[signature] = heaviest[signature].max(cut.dg);
            }
        }
        let cells = index.signatures.len() * index.weeks;
        Self {
            weeks: index.weeks,
            surplus_e4: index.surplus_e4,
            tables: vec![Table::default(); cells],
            stale: vec![true; cells],
            near: near(index),
            ahead_dg: heaviest
                .iter()
                .map(|&dg| dg.saturating_mul(2 * containers))
                .collect(),
        }
    }

    /// A column was changed: tables near its cuts no longer hold.
    pub(crate) fn touch(&mut self, state: &State<'_>, column: usize) {
        let c = &state.columns.list[column];
        let signature = state.index.rows[c.row as usize].signature;
        for cut in state.columns.cuts(c) {
            if cut.delivered() {
                for &other in &self.near[signature] {
                    self.stale[other as usize * self.weeks + cut.harvest_week as usize] = true;
                }
            }
        }
    }

    /// How much the cost falls when `dg` more of a signature arrive in a week.
    pub(crate) fn of(
        &mut self,
        state: &mut State<'_>,
        signature: usize,
        week: usize,
        dg: i64,
    ) -> i64 {
        let cell = signature * self.weeks + week;
        if self.stale[cell] {
            self.renew(state, signature, week, cell);
        }
        let table = &self.tables[cell];
        let (mut left, mut value) = (dg, 0);
        for &(room, worth) in &table.pieces[..table.count as usize] {
            let part = left.min(room);
            value += part * worth;
            left -= part;
            if left == 0 {
                return value;
            }
        }
        value - left * self.surplus_e4
    }

    fn renew(&mut self, state: &mut State<'_>, signature: usize, week: usize, cell: usize) {
        let mark = state.mark();
        state.pieces = Some(Vec::new());
        state.add_supply(signature, week, self.ahead_dg[signature]);
        let pieces = state.pieces.take().unwrap_or_default();
        state.undo(mark);
        let table = &mut self.tables[cell];
        table.count = pieces.len().min(PIECES) as u8;
        for (slot, piece) in table.pieces.iter_mut().zip(pieces) {
            *slot = piece;
        }
        self.stale[cell] = false;
    }
}

/// Signatures whose value a change of each signature can touch within two steps.
fn near(index: &Index) -> Vec<Vec<u32>> {
    let reach: Vec<BTreeSet<usize>> = index
        .signatures
        .iter()
        .map(|targets| {
            let others = targets.iter().flat_map(|&t| &index.targets[t].signatures);
            others
                .flat_map(|&g| &index.signatures[g])
                .copied()
                .collect()
        })
        .collect();
    let mut by_target: Vec<BTreeSet<u32>> = vec![BTreeSet::new(); index.targets.len()];
    for (g, targets) in reach.iter().enumerate() {
        for &t in targets {
            by_target[t].insert(g as u32);
        }
    }
    reach
        .iter()
        .map(|targets| {
            let all: BTreeSet<u32> = targets
                .iter()
                .flat_map(|&t| &by_target[t])
                .copied()
                .collect();
            all.into_iter().collect()
        })
        .collect()
}
