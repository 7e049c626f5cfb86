//! What an earlier plan sows.

use std::collections::BTreeMap;

use crate::columns::{Paths, Rank};
use crate::index::Index;
use crate::plan::Plan;
use crate::problem::{Problem, Sowing};

/// A sowing of an earlier plan, by indexes.
#[derive(Debug, Clone)]
pub(crate) struct Earlier {
    pub(crate) station: usize,
    pub(crate) row: usize,
    pub(crate) sow: usize,
    /// Slots of the cuts; `None` when one of the days is no working day any more.
    pub(crate) cuts: Option<Vec<usize>>,
    pub(crate) containers: i64,
}

/// Sowings of a given plan, else of the adopted one; `None` when there is neither. Those of a station, a crop or
/// a day that is gone are left out.
pub(crate) fn earlier(
    problem: &Problem,
    index: &Index,
    plan: Option<&Plan>,
) -> Option<Vec<Earlier>> {
    let sowings = plan
        .map(|plan| &plan.sowings)
        .or(problem.adopted.as_ref())
        .filter(|list| !list.is_empty())?;
    let stations: BTreeMap<&str, (usize, usize)> = index
        .classes
        .iter()
        .enumerate()
        .flat_map(|(class, entry)| entry.stations.iter().map(move |&i| (i, class)))
        .map(|(i, class)| (problem.stations[i].id.as_str(), (i, class)))
        .collect();
    let found = sowings.iter().filter_map(|sowing| {
        let &(station, class) = stations.get(sowing.station.as_str())?;
        resolve(problem, index, (station, class), sowing)
    });
    Some(found.collect())
}

fn resolve(
    problem: &Problem,
    index: &Index,
    (station, class): (usize, usize),
    sowing: &Sowing,
) -> Option<Earlier> {
    let class = &index.classes[class];
    let slots = &problem.sites[class.site].slots;
    let slot = |date: chrono::NaiveDate| {
        let day = date.signed_duration_since(problem.start_date).num_days();
        slots
            .binary_search_by_key(&day, |slot| i64::from(slot.day))
            .ok()
    };
    let crop = problem.crops.iter().position(|crop| *crop == sowing.crop)?;
    let mut rows = class.rows.clone();
    Some(Earlier {
        station,
        row: rows.find(|&row| index.rows[row].crop == crop)?,
        sow: slot(sowing.sow)?,
        cuts: sowing.cuts.iter().map(|&date| slot(date)).collect(),
        containers: sowing.containers.max(0),
    })
}

/// Counts by path; sowings that are not possible any more are left out.
pub(crate) fn counts(earlier: &[Earlier], index: &Index, paths: &Paths) -> BTreeMap<Rank, i64> {
    let mut counts = BTreeMap::new();
    for sowing in earlier {
        let cuts = sowing.cuts.as_deref();
        let rank = cuts.and_then(|cuts| paths.find(index, sowing.row, sowing.sow, cuts));
        if let Some(rank) = rank {
            let count = counts.entry(rank).or_insert(0_i64);
            *count = count.saturating_add(sowing.containers);
        }
    }
    counts
}
