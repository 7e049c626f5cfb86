//! Container counts of an earlier plan.

use std::collections::BTreeMap;

use crate::columns::{Paths, Rank};
use crate::index::Index;
use crate::plan::Plan;
use crate::problem::{Problem, Sowing};

/// Counts by path of a given plan, else of the adopted one; `None` when there is neither. Sowings that
/// are not possible any more are left out.
pub(crate) fn counts(
    problem: &Problem,
    index: &Index,
    paths: &Paths,
    plan: Option<&Plan>,
) -> Option<BTreeMap<Rank, i64>> {
    let sowings = plan
        .map(|plan| &plan.sowings)
        .or(problem.adopted.as_ref())
        .filter(|list| !list.is_empty())?;
    let stations: BTreeMap<&str, usize> = index
        .classes
        .iter()
        .enumerate()
        .flat_map(|(class, entry)| entry.stations.iter().map(move |&i| (i, class)))
        .map(|(i, class)| (problem.stations[i].id.as_str(), class))
        .collect();
    let mut counts = BTreeMap::new();
    for sowing in sowings {
        if let Some(rank) = rank(problem, index, paths, &stations, sowing) {
            let count = counts.entry(rank).or_insert(0_i64);
            *count = count.saturating_add(sowing.containers.max(0));
        }
    }
    Some(counts)
}

fn rank(
    problem: &Problem,
    index: &Index,
    paths: &Paths,
    stations: &BTreeMap<&str, usize>,
    sowing: &Sowing,
) -> Option<Rank> {
    let class = &index.classes[*stations.get(sowing.station.as_str())?];
    let slots = &problem.sites[class.site].slots;
    let slot = |date: chrono::NaiveDate| {
        let day = date.signed_duration_since(problem.start_date).num_days();
        slots
            .binary_search_by_key(&day, |slot| i64::from(slot.day))
            .ok()
    };
    let crop = problem.crops.iter().position(|crop| *crop == sowing.crop)?;
    let row = class
        .rows
        .clone()
        .find(|&row| index.rows[row].crop == crop)?;
    let cuts: Option<Vec<usize>> = sowing.cuts.iter().map(|&date| slot(date)).collect();
    paths.find(index, row, slot(sowing.sow)?, &cuts?)
}
