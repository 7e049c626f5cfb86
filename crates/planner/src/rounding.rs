//! Whole containers from a fractional plan, and entering given counts.
//!
//! Model section "rounding": cumulative rounding by class and crop keeps weekly totals within half a
//! container.

use std::collections::BTreeMap;

use crate::columns::{Paths, Rank};
use crate::index::Index;
use crate::state::State;

/// Whole counts whose running total per class and crop stays within one half of the fractional one.
pub(crate) fn cumulative(
    index: &Index,
    paths: &Paths,
    fractional: &BTreeMap<Rank, f64>,
) -> BTreeMap<Rank, i64> {
    let mut ordered: Vec<(usize, usize, Rank, f64)> = fractional
        .iter()
        .filter(|&(_, &amount)| amount > 1e-4)
        .map(|(&rank, &amount)| {
            let path = paths.path(index, rank);
            (path.row, path.sow, rank, amount)
        })
        .collect();
    ordered.sort_by_key(|&(row, sow, rank, _)| (row, sow, rank));
    let mut counts = BTreeMap::new();
    let mut total = 0.0;
    let mut current = usize::MAX;
    for (row, _, rank, amount) in ordered {
        if row != current {
            current = row;
            total = 0.0;
        }
        total += amount;
        let whole = (total + 0.5).floor().max(0.0);
        total -= whole;
        if whole > 0.0 {
            counts.insert(rank, whole as i64);
        }
    }
    counts
}

/// Enter as much of some counts by column as fits, the largest first; whole batches where batches have a least
/// size.
pub(crate) fn enter(state: &mut State<'_>, counts: &[i64]) {
    let mut items: Vec<(usize, i64)> = counts.iter().copied().enumerate().collect();
    items.retain(|&(_, count)| count > 0);
    items.sort_by_key(|&(column, count)| (std::cmp::Reverse(count), column));
    if state.index.keep_batches {
        enter_batches(state, &items);
        return;
    }
    for (column, count) in items {
        enter_some(state, column, count);
    }
    state.commit();
}

/// Enter up to `count` containers of a column.
fn enter_some(state: &mut State<'_>, column: usize, count: i64) {
    let mut left = count;
    let mut step = count;
    while step > 0 {
        let mark = state.mark();
        if step <= left && state.change(column, step) {
            left -= step;
        } else {
            state.undo(mark);
            step /= 2;
        }
    }
}

fn enter_batches(state: &mut State<'_>, items: &[(usize, i64)]) {
    let mut batches: BTreeMap<u32, Vec<(usize, i64)>> = BTreeMap::new();
    for &(column, count) in items {
        batches
            .entry(state.columns.list[column].batch)
            .or_default()
            .push((column, count));
    }
    let mut order: Vec<(i64, u32)> = batches
        .iter()
        .map(|(&batch, list)| (list.iter().map(|item| item.1).sum(), batch))
        .collect();
    order.sort_by_key(|&(total, batch)| (std::cmp::Reverse(total), batch));
    for (total, batch) in order {
        let least = state.index.batches[batch as usize].least;
        if 2 * total < least {
            continue;
        }
        let mark = state.mark();
        let list = &batches[&batch];
        let mut fits = list
            .iter()
            .all(|&(column, count)| state.change(column, count));
        let lacking = (least - total).max(0);
        if fits && lacking > 0 {
            fits = state.change(list[0].0, lacking);
        }
        if !fits {
            state.undo(mark);
        }
    }
    state.commit();
}
