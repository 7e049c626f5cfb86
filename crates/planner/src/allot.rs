//! Batches to stations.
//!
//! Model section "stations into classes": sowings in order of their sow slot take free places of any
//! station of the class; interval graphs need no more colours than their largest overlap. So whichever
//! station each takes, the next finds its places.
//!
//! What an earlier plan sows as well stays at the station it has there, and room is left for it: nobody is
//! told to carry a batch from one bench to its like. For the rest the fullest station that holds the whole
//! batch is taken, else the emptiest gives what it has.

use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::ops::Range;

use crate::columns::{Column, Columns};
use crate::index::Index;
use crate::problem::Problem;
use crate::start::Earlier;

/// Containers of a column at a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Allotment {
    pub(crate) station: usize,
    pub(crate) column: usize,
    pub(crate) containers: i64,
}

/// Allot all containers of all columns.
pub(crate) fn allot(
    (problem, index): (&Problem, &Index),
    columns: &Columns,
    counts: &[i64],
    earlier: &[Earlier],
) -> Vec<Allotment> {
    let mut before: BTreeMap<(usize, usize), Vec<Earlier>> = BTreeMap::new();
    for sowing in earlier {
        let batch = before.entry((sowing.row, sowing.sow)).or_default();
        batch.push(sowing.clone());
    }
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
        let mut rooms = Rooms::new(problem, &entry.stations, entry.places.len());
        let kept = keep(columns, counts, &jobs, &mut before);
        for (&(column, station), &containers) in &kept {
            rooms.reserve(station, slots(&columns.list[column]), containers);
        }
        for column in jobs {
            let slots = slots(&columns.list[column]);
            let mut left = counts[column];
            let mut put = |station: usize, containers: i64| {
                out.push(Allotment {
                    station,
                    column,
                    containers,
                });
            };
            for (&(_, station), &containers) in kept.range((column, 0)..=(column, usize::MAX)) {
                rooms.reserve(station, slots.clone(), -containers);
                let here = containers.min(rooms.free(station, &slots));
                if here > 0 {
                    rooms.fill(station, slots.clone(), here);
                    put(station, here);
                    left -= here;
                }
            }
            for (station, containers) in rooms.divide(&slots, left) {
                rooms.fill(station, slots.clone(), containers);
                put(station, containers);
            }
        }
    }
    out.sort_unstable();
    out
}

fn slots(column: &Column) -> Range<usize> {
    column.sow as usize..column.end as usize
}

/// By column and station the containers that an earlier plan has there as well: of the same cuts first, then of
/// the same crop sown on the same day.
fn keep(
    columns: &Columns,
    counts: &[i64],
    jobs: &[usize],
    before: &mut BTreeMap<(usize, usize), Vec<Earlier>>,
) -> BTreeMap<(usize, usize), i64> {
    let mut kept = BTreeMap::new();
    let mut left: BTreeMap<usize, i64> = jobs.iter().map(|&p| (p, counts[p])).collect();
    for same_cuts in [true, false] {
        for (&p, left) in &mut left {
            let column = &columns.list[p];
            let batch = before.get_mut(&(column.row as usize, column.sow as usize));
            for sowing in batch.into_iter().flatten() {
                let cuts = columns.cuts(column).iter().map(|cut| cut.slot as usize);
                if same_cuts
                    && !sowing
                        .cuts
                        .as_ref()
                        .is_some_and(|own| own.iter().copied().eq(cuts))
                {
                    continue;
                }
                let here = sowing.containers.min(*left);
                if here > 0 {
                    sowing.containers -= here;
                    *left -= here;
                    *kept.entry((p, sowing.station)).or_insert(0) += here;
                }
            }
        }
    }
    kept
}

/// Free places of the stations of a class by slot, and those kept for what comes later.
struct Rooms {
    stations: Vec<usize>,
    slots: usize,
    /// By place in `stations` and slot.
    free: Vec<i64>,
    reserved: Vec<i64>,
}

impl Rooms {
    fn new(problem: &Problem, stations: &[usize], slots: usize) -> Self {
        let mut free = Vec::with_capacity(stations.len() * slots);
        for &i in stations {
            let station = &problem.stations[i];
            free.extend((0..slots).map(|slot| {
                let taken = station
                    .taken
                    .iter()
                    .filter(|(from, end, _)| (*from..*end).contains(&slot));
                station.places - taken.map(|&(_, _, places)| places).sum::<i64>()
            }));
        }
        Self {
            stations: stations.to_vec(),
            slots,
            reserved: vec![0; free.len()],
            free,
        }
    }

    fn cells(&self, local: usize, slots: &Range<usize>) -> Range<usize> {
        let base = local * self.slots;
        base + slots.start..base + slots.end.min(self.slots)
    }

    fn local(&self, station: usize) -> Option<usize> {
        self.stations.iter().position(|&own| own == station)
    }

    fn reserve(&mut self, station: usize, slots: Range<usize>, containers: i64) {
        if let Some(local) = self.local(station) {
            let cells = self.cells(local, &slots);
            self.reserved[cells]
                .iter_mut()
                .for_each(|own| *own += containers);
        }
    }

    fn fill(&mut self, station: usize, slots: Range<usize>, containers: i64) {
        if let Some(local) = self.local(station) {
            let cells = self.cells(local, &slots);
            self.free[cells]
                .iter_mut()
                .for_each(|own| *own -= containers);
        }
    }

    /// Places free in all of some slots.
    fn free(&self, station: usize, slots: &Range<usize>) -> i64 {
        let local = self.local(station);
        local.map_or(0, |local| self.room_and_spare(local, slots).0)
    }

    /// Containers by station, for a number of them in some slots: where nothing is kept, then where the least is.
    fn divide(&self, slots: &Range<usize>, mut left: i64) -> Vec<(usize, i64)> {
        let mut out = Vec::new();
        let locals = 0..self.stations.len();
        let (mut room, mut spare): (Vec<i64>, Vec<i64>) = locals
            .clone()
            .map(|local| self.room_and_spare(local, slots))
            .unzip();
        while left > 0 {
            let open = || locals.clone().filter(|&o| room[o] > 0);
            let fitting = open()
                .filter(|&o| spare[o] >= left)
                .min_by_key(|&o| (spare[o], o));
            let most = || open().max_by_key(|&o| (spare[o], Reverse(o)));
            let Some(local) = fitting.or_else(most) else {
                break;
            };
            let here = if spare[local] > 0 {
                left.min(spare[local])
            } else {
                left.min(room[local])
            };
            room[local] -= here;
            spare[local] -= here;
            left -= here;
            out.push((self.stations[local], here));
        }
        out
    }

    /// Places free in all of some slots, and those less what is kept; the second may be below 0.
    fn room_and_spare(&self, local: usize, slots: &Range<usize>) -> (i64, i64) {
        let cells = self.cells(local, slots);
        let free = &self.free[cells.clone()];
        let spare = free
            .iter()
            .zip(&self.reserved[cells])
            .map(|(free, kept)| free - kept);
        (
            free.iter().copied().min().unwrap_or(0),
            spare.min().unwrap_or(0),
        )
    }
}
