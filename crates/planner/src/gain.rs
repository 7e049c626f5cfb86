//! The value of grams: how much the objective falls when more produce of a signature arrives in a week.
//!
//! Model section "ruin and recreate", value of grams: a piecewise-linear table per signature and week,
//! found by augmenting the weekly division and undoing it; renewed only when a signature nearby changed.

use std::collections::BTreeSet;

use crate::columns::Columns;
use crate::index::Index;
use crate::state::{Moved, State};

/// Pieces kept per table; what lies beyond counts as surplus.
const PIECES: usize = 7;

/// One table: pieces of (decigrams, worth of each), and the targets it depends on as bits.
#[derive(Debug, Clone, Copy, Default)]
struct Table {
    pieces: [(i64, i64); PIECES],
    targets: u64,
    count: u8,
    /// The division has moved since the table was made.
    stale: bool,
}

/// What a table was before the present move touched it.
#[derive(Debug, Clone, Copy)]
struct Before {
    cell: u32,
    /// Position of the old table among the saved ones; `NONE` when it still stands.
    saved: u32,
    stale: bool,
}

const NONE: u32 = u32::MAX;

/// Tables of all signatures and weeks, with what it takes to undo a move.
#[derive(Debug, Clone)]
pub(crate) struct Gains {
    weeks: usize,
    surplus_e4: i64,
    tables: Vec<Table>,
    near: Vec<Vec<u32>>,
    /// Decigrams a table of each signature looks ahead.
    ahead_dg: Vec<i64>,
    /// By table: position in `touched`, when the present move touched it.
    touch: Vec<u32>,
    touched: Vec<Before>,
    saved: Vec<Table>,
    pieces: Vec<(i64, i64)>,
}

impl Gains {
    /// Empty tables that look ahead as far as `containers` of the heaviest cut.
    pub(crate) fn new(index: &Index, columns: &Columns, containers: i64) -> Self {
        let mut heaviest = vec![0_i64; index.signatures.len()];
        for column in &columns.list {
            let heaviest = &mut heaviest[column.signature as usize];
            for cut in columns.cuts(column) {
                *heaviest = (*heaviest).max(cut.dg);
            }
        }
        let cells = index.signatures.len() * index.weeks;
        let stale = Table {
            stale: true,
            ..Table::default()
        };
        Self {
            weeks: index.weeks,
            surplus_e4: index.surplus_e4,
            tables: vec![stale; cells],
            near: near(index),
            ahead_dg: heaviest
                .iter()
                .map(|&dg| dg.saturating_mul(containers))
                .collect(),
            touch: vec![NONE; cells],
            touched: Vec::new(),
            saved: Vec::new(),
            pieces: Vec::new(),
        }
    }

    /// The division has moved: tables that depend on the targets concerned no longer hold.
    pub(crate) fn touch(&mut self, moved: &[Moved]) {
        for &(week, signature, targets) in moved {
            for &other in &self.near[signature as usize] {
                let cell = other as usize * self.weeks + week as usize;
                let table = &mut self.tables[cell];
                if table.targets & targets != 0 || table.stale {
                    if self.touch[cell] == NONE {
                        self.touch[cell] = self.touched.len() as u32;
                        self.touched.push(Before {
                            cell: cell as u32,
                            saved: NONE,
                            stale: table.stale,
                        });
                    }
                    table.stale = true;
                }
            }
        }
    }

    /// The move stands.
    pub(crate) fn keep(&mut self) {
        for before in self.touched.drain(..) {
            self.touch[before.cell as usize] = NONE;
        }
        self.saved.clear();
    }

    /// The move is undone: tables are again what they were.
    pub(crate) fn restore(&mut self) {
        for before in self.touched.drain(..) {
            let cell = before.cell as usize;
            self.touch[cell] = NONE;
            if before.saved != NONE {
                self.tables[cell] = self.saved[before.saved as usize];
            }
            self.tables[cell].stale = before.stale;
        }
        self.saved.clear();
    }

    /// How much the cost falls when `dg` more of a signature arrive in a week; `cell` is
    /// signature x weeks + week.
    pub(crate) fn of(&mut self, state: &mut State<'_>, cell: usize, dg: i64) -> i64 {
        if self.tables[cell].stale {
            self.renew(state, cell);
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

    fn renew(&mut self, state: &mut State<'_>, cell: usize) {
        let (signature, week) = (cell / self.weeks, cell % self.weeks);
        let seen =
            state.worth_of_supply(signature, week, self.ahead_dg[signature], &mut self.pieces);
        if self.touch[cell] != NONE {
            let before = &mut self.touched[self.touch[cell] as usize];
            if before.saved == NONE && !before.stale {
                before.saved = self.saved.len() as u32;
                self.saved.push(self.tables[cell]);
            }
        }
        let table = &mut self.tables[cell];
        table.count = self.pieces.len().min(PIECES) as u8;
        for (slot, piece) in table.pieces.iter_mut().zip(&self.pieces) {
            *slot = *piece;
        }
        table.targets = seen;
        table.stale = false;
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
