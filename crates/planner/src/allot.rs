//! Batches to stations.
//!
//! Model section "stations into classes": sowings in order of their sow slot take free places of any
//! station of the class; interval graphs need no more colours than their largest overlap. The fullest
//! station that holds the whole batch is taken, else the emptiest gives what it has.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use crate::columns::Columns;
use crate::index::Index;
use crate::problem::Problem;

/// Containers of a column at a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Allotment {
    pub(crate) station: usize,
    pub(crate) column: usize,
    pub(crate) containers: i64,
}

/// Allot all containers of all columns.
pub(crate) fn allot(
    problem: &Problem,
    index: &Index,
    columns: &Columns,
    counts: &[i64],
) -> Vec<Allotment> {
    let mut out = Vec::new();
    for (class, entry) in index.classes.iter().enumerate() {
        let mut jobs: Vec<usize> = columns.of_class(class).filter(|&p| counts[p] > 0).collect();
        jobs.sort_by_key(|&p| (columns.list[p].sow, Reverse(columns.list[p].end), p));
        if let [station] = entry.stations[..] {
            // one station: the counts alone decide
            out.extend(jobs.iter().map(|&column| Allotment {
                station,
                column,
                containers: counts[column],
            }));
            continue;
        }
        let mut room: Vec<i64> = entry
            .stations
            .iter()
            .map(|&i| problem.stations[i].places)
            .collect();
        let mut busy: BinaryHeap<Reverse<(usize, usize, i64)>> = BinaryHeap::new();
        for (local, &i) in entry.stations.iter().enumerate() {
            for &(from, end, places) in &problem.stations[i].taken {
                if end > from {
                    room[local] -= places;
                    busy.push(Reverse((end, local, places)));
                }
            }
        }
        for column in jobs {
            let sow = columns.list[column].sow as usize;
            while let Some(&Reverse((end, local, places))) = busy.peek() {
                if end > sow {
                    break;
                }
                busy.pop();
                room[local] += places;
            }
            let mut left = counts[column];
            while left > 0 {
                let fitting = (0..room.len())
                    .filter(|&o| room[o] >= left)
                    .min_by_key(|&o| (room[o], o));
                let chosen =
                    fitting.or_else(|| (0..room.len()).max_by_key(|&o| (room[o], Reverse(o))));
                let Some(local) = chosen.filter(|&o| room[o] > 0) else {
                    break;
                };
                let containers = left.min(room[local]);
                room[local] -= containers;
                left -= containers;
                busy.push(Reverse((
                    columns.list[column].end as usize,
                    local,
                    containers,
                )));
                out.push(Allotment {
                    station: entry.stations[local],
                    column,
                    containers,
                });
            }
        }
    }
    out.sort_unstable();
    out
}
