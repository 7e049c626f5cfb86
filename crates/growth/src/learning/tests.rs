#![allow(clippy::unwrap_used)]

mod independent;
mod published;

use super::nested::{Cell, Node};

/// A tree of one top and its children, all other levels left out by ratios of 0: nodes, and cells
/// of a weight and a mean each.
fn one_level(cells: &[(f64, f64)]) -> (Vec<Node>, Vec<Cell>) {
    let node = |parent, depth| Node {
        parent,
        depth,
        fixed: None,
    };
    let mut nodes = vec![node(None, 0)];
    let mut sums = vec![Cell::default()];
    for &(weight, mean) in cells {
        nodes.push(node(Some(0), 1));
        sums.push(Cell {
            weight,
            mean,
            within: 0.0,
        });
    }
    (nodes, sums)
}

/// A top about which nothing is assumed.
const FLAT: f64 = 1e12;
