#![allow(clippy::unwrap_used)]

mod independent;
mod published;

use super::nested::{Cell, Node, Ratios, Tree};
use super::survival::Shares;

/// A tree of one top and its children, all other levels left out by ratios of 0: nodes, and cells
/// of a weight and a mean each.
fn one_level(cells: &[(f64, f64)]) -> (Tree, Vec<Cell>) {
    let node = |parent, depth| Node {
        parent,
        depth,
        station: None,
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
    let tree = Tree {
        nodes,
        stations: Vec::new(),
    };
    (tree, sums)
}

/// Ratios of a top about which nothing is assumed and its children.
fn one_ratio(of_children: f64) -> Ratios {
    Ratios {
        levels: [FLAT, of_children, 0.0, 0.0, 0.0],
        station: 0.0,
    }
}

/// A top about which nothing is assumed.
const FLAT: f64 = 1e12;

/// Sowings of more containers than are tabled are valued by gamma functions: the same sums.
#[test]
fn large_sowings_are_valued_as_small_ones_are() {
    let (share, concentration) = (0.9, 9.0);
    let sum = |start: f64, count: u32| -> f64 {
        (0..count)
            .map(|below| (start + f64::from(below)).ln())
            .sum()
    };
    for (sown, stood) in [(200, 190), (300, 290), (5000, 4400)] {
        let expected = sum(concentration * share, stood)
            + sum(concentration * (1.0 - share), sown - stood)
            - sum(concentration, sown);
        let found = Shares::new(&[share], 0.1, sown).log_likelihood(&[(sown, stood)])[0];
        assert!((found - expected).abs() < 1e-6, "{found} {expected}");
    }
}
