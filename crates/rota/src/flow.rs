//! Greatest flows in small networks with whole capacities, one shortest path after the other.

use std::collections::VecDeque;

/// A network; nodes are numbers from 0.
#[derive(Debug, Default)]
pub(crate) struct Network {
    /// Arcs that leave each node, by their place in `arcs`; every arc is followed by its reverse.
    leaving: Vec<Vec<usize>>,
    arcs: Vec<Arc>,
    /// Arcs looked at so far.
    pub work: u64,
}

#[derive(Debug)]
struct Arc {
    to: usize,
    left: i64,
}

impl Network {
    /// A network of so many nodes without arcs.
    pub fn new(nodes: usize) -> Self {
        Self {
            leaving: vec![Vec::new(); nodes],
            ..Self::default()
        }
    }

    /// Adds an arc; its number.
    pub fn arc(&mut self, from: usize, to: usize, capacity: i64) -> usize {
        let number = self.arcs.len();
        self.leaving[from].push(number);
        self.leaving[to].push(number + 1);
        self.arcs.push(Arc { to, left: capacity });
        self.arcs.push(Arc { to: from, left: 0 });
        number
    }

    /// Raises the capacity of an arc.
    pub fn widen(&mut self, arc: usize, by: i64) {
        self.arcs[arc].left += by;
    }

    /// Sends as much as possible, at most `most`, from one node to another; what was sent.
    pub fn send(&mut self, from: usize, to: usize, most: i64) -> i64 {
        let mut sent = 0;
        while sent < most {
            let Some(path) = self.path(from, to) else {
                break;
            };
            let narrowest = path.iter().map(|arc| self.arcs[*arc].left).min();
            let amount = narrowest.unwrap_or(0).min(most - sent);
            for arc in path {
                self.arcs[arc].left -= amount;
                self.arcs[arc ^ 1].left += amount;
            }
            sent += amount;
        }
        sent
    }

    /// A shortest path with room, as arcs from its end to its start.
    fn path(&mut self, from: usize, to: usize) -> Option<Vec<usize>> {
        let mut came_by = vec![usize::MAX; self.leaving.len()];
        let mut seen = vec![false; self.leaving.len()];
        let mut waiting = VecDeque::from([from]);
        seen[from] = true;
        while let Some(node) = waiting.pop_front() {
            for arc in &self.leaving[node] {
                self.work += 1;
                let Arc { to: next, left } = self.arcs[*arc];
                if left <= 0 || seen[next] {
                    continue;
                }
                seen[next] = true;
                came_by[next] = *arc;
                if next == to {
                    return Some(self.trace(&came_by, from, to));
                }
                waiting.push_back(next);
            }
        }
        None
    }

    fn trace(&self, came_by: &[usize], from: usize, to: usize) -> Vec<usize> {
        let mut path = Vec::new();
        let mut node = to;
        while node != from {
            let arc = came_by[node];
            path.push(arc);
            node = self.arcs[arc ^ 1].to;
        }
        path
    }
}
