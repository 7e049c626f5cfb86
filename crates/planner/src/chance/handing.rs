//! Who gets what of a week's real harvest.

use crate::Problem;
use crate::allocation::{Pledge, divide};

/// One week's pledges and the greens that may serve them.
#[derive(Debug, Clone)]
pub(super) struct Week {
    /// Week index.
    pub(super) week: usize,
    /// Target index, pledge in decigrams.
    pub(super) cells: Vec<(usize, f64)>,
    pub(super) sources: Vec<Source>,
}

/// One site's crop in one week.
#[derive(Debug, Clone)]
pub(super) struct Source {
    /// Place in the table of harvests.
    pub(super) harvest: usize,
    expected: f64,
    /// Cell and decigrams of the cheapest division of the expected harvest.
    pub(super) planned: Vec<(usize, f64)>,
    /// Cells that accept the greens, by priority, the highest first.
    accepting: Vec<Vec<usize>>,
}

/// The weeks with pledges; `expected_dg` by (site * crops + crop) * weeks + week.
pub(super) fn weeks(problem: &Problem, expected_dg: &[i64]) -> Vec<Week> {
    let (crops, weeks) = (problem.crops.len(), problem.weeks.len());
    (0..weeks)
        .map(|week| {
            let asking: Vec<_> = (0..problem.targets.len())
                .filter(|&target| problem.targets[target].pledge_dg[week] > 0)
                .collect();
            let mut pledges: Vec<Pledge> = asking
                .iter()
                .map(|&target| Pledge {
                    dg: problem.targets[target].pledge_dg[week],
                    priority: problem.targets[target].priority,
                    sources: Vec::new(),
                })
                .collect();
            let (mut places, mut supply) = (Vec::new(), Vec::new());
            for (site, of_site) in problem.sites.iter().enumerate() {
                for (crop, id) in problem.crops.iter().enumerate() {
                    let place = (site * crops + crop) * weeks + week;
                    for (pledge, &target) in pledges.iter_mut().zip(&asking) {
                        let target = &problem.targets[target];
                        if target.sites.contains(&of_site.id) && target.crops.contains(id) {
                            pledge.sources.push(places.len());
                        }
                    }
                    places.push(place);
                    supply.push(expected_dg[place]);
                }
            }
            let objective = &problem.objective;
            let division = divide(
                &supply,
                &pledges,
                &objective.shortfall_bands,
                objective.surplus_per_g,
            );
            Week {
                week,
                cells: asking
                    .iter()
                    .zip(&pledges)
                    .map(|(&target, pledge)| (target, pledge.dg as f64))
                    .collect(),
                sources: sources(&places, &supply, &pledges, &division.sent_from_dg),
            }
        })
        .filter(|week| !week.cells.is_empty())
        .collect()
}

fn sources(
    places: &[usize],
    supply: &[i64],
    pledges: &[Pledge],
    sent_from: &[Vec<i64>],
) -> Vec<Source> {
    let mut order: Vec<usize> = (0..pledges.len()).collect();
    order.sort_by_key(|&cell| std::cmp::Reverse(pledges[cell].priority));
    let build = |(source, &harvest): (usize, &usize)| {
        let mut planned = Vec::new();
        let mut accepting: Vec<Vec<usize>> = Vec::new();
        let mut priority = None;
        for &cell in &order {
            let Some(at) = pledges[cell].sources.iter().position(|&s| s == source) else {
                continue;
            };
            if priority != Some(pledges[cell].priority) {
                priority = Some(pledges[cell].priority);
                accepting.push(Vec::new());
            }
            if let Some(group) = accepting.last_mut() {
                group.push(cell);
            }
            if sent_from[cell][at] > 0 {
                planned.push((cell, sent_from[cell][at] as f64));
            }
        }
        Source {
            harvest,
            expected: supply[source] as f64,
            planned,
            accepting,
        }
    };
    places
        .iter()
        .enumerate()
        .map(build)
        .filter(|source| !source.accepting.is_empty())
        .collect()
}

impl Week {
    /// What each cell still lacks once the harvest is handed out, into `lack`.
    pub(super) fn hand_out(&self, harvest: &[f64], lack: &mut Vec<f64>, left: &mut Vec<f64>) {
        lack.clear();
        lack.extend(self.cells.iter().map(|&(_, pledge)| pledge));
        left.clear();
        for source in &self.sources {
            let got = harvest[source.harvest];
            let mut rest = got;
            if got > 0.0 && source.expected > 0.0 {
                let ratio = got / source.expected;
                for &(cell, planned) in &source.planned {
                    let sent = (planned * ratio).min(lack[cell]);
                    lack[cell] -= sent;
                    rest -= sent;
                }
            }
            left.push(rest.max(0.0));
        }
        for (source, rest) in self.sources.iter().zip(left) {
            for group in &source.accepting {
                if *rest <= 0.0 {
                    break;
                }
                let missing: f64 = group.iter().map(|&cell| lack[cell]).sum();
                if missing <= 0.0 {
                    continue;
                }
                let share = (*rest / missing).min(1.0);
                for &cell in group {
                    lack[cell] -= lack[cell] * share;
                }
                *rest -= missing * share;
            }
        }
    }
}
