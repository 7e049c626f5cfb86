//! The cheapest division of each week's harvest among the pledges.
//!
//! A transport problem with convex shortfall costs. Sending a source's greens to one pledge or
//! another costs nothing in itself, so the cheapest augmenting path always ends at the dearest
//! shortfall band that can still be reached: taking the bands from dear to cheap is the method of
//! successive shortest paths, without the bookkeeping of potentials. A band once out of reach stays
//! out of reach, because a pledge that has been served never loses what it was sent. All data are
//! integers, so the result is exact.

use std::collections::{BTreeMap, VecDeque};

use crate::problem::Problem;

/// Harvest in decigrams by site index, crop index and week of delivery (`None`: no pledge week
/// receives it).
pub type Harvest = BTreeMap<(usize, usize, Option<usize>), i64>;

/// What one target asks for in one week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pledge {
    /// Decigrams pledged.
    pub dg: i64,
    /// Priority of the target, at least 1.
    pub priority: i64,
    /// Indexes of the sources that may serve it.
    pub sources: Vec<usize>,
}

/// The cheapest division of one week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Division {
    /// Decigrams sent to each pledge, at most the pledge.
    pub sent_dg: Vec<i64>,
    /// Decigrams sent to each pledge from each of its sources, in the order of its list of sources.
    pub sent_from_dg: Vec<Vec<i64>>,
    /// Decigrams left over at each source.
    pub surplus_dg: Vec<i64>,
    /// Cost of the shortfall, in ten-thousandths of a point.
    pub shortfall_e4: i128,
    /// Cost of the surplus, in ten-thousandths of a point.
    pub surplus_e4: i128,
}

/// Divides `supply_dg` among `pledges` at least cost.
///
/// `bands` are the shortfall bands of the objective: shares in permille that add up to 1000, with
/// slopes that do not descend. Among divisions of equal cost, earlier pledges are served first.
pub fn divide(
    supply_dg: &[i64],
    pledges: &[Pledge],
    bands: &[(i64, i64)],
    surplus_per_g: i64,
) -> Division {
    struct Piece {
        pledge: usize,
        dg: i64,
        cost_per_dg: i128,
    }
    let mut pieces = Vec::with_capacity(pledges.len() * bands.len());
    for (pledge, wanted) in pledges.iter().enumerate() {
        let (mut shares, mut below) = (0, 0);
        for &(share, slope) in bands {
            shares += i128::from(share);
            // At most the pledge itself, so it fits.
            let upper = i64::try_from(i128::from(wanted.dg) * shares / 1000).unwrap_or(i64::MAX);
            pieces.push(Piece {
                pledge,
                dg: upper - below,
                cost_per_dg: i128::from(slope) * i128::from(wanted.priority),
            });
            below = upper;
        }
    }
    pieces.sort_by_key(|piece| (-piece.cost_per_dg, piece.pledge));

    let mut flow = Flow::new(supply_dg, pledges);
    let mut sent_dg = vec![0; pledges.len()];
    let mut shortfall_e4 = 0;
    for piece in &pieces {
        let mut missing = piece.dg;
        while missing > 0 {
            let got = flow.augment(piece.pledge, missing);
            if got == 0 {
                break;
            }
            missing -= got;
        }
        sent_dg[piece.pledge] += piece.dg - missing;
        shortfall_e4 += piece.cost_per_dg * i128::from(missing);
    }
    let surplus_dg = flow.left;
    let surplus: i128 = surplus_dg.iter().copied().map(i128::from).sum();
    Division {
        sent_dg,
        sent_from_dg: flow.sent,
        surplus_dg,
        shortfall_e4,
        surplus_e4: surplus * i128::from(surplus_per_g),
    }
}

/// The division so far: what is left at each source and what each pledge takes from which source.
struct Flow<'a> {
    pledges: &'a [Pledge],
    left: Vec<i64>,
    /// Decigrams by pledge, in the order of its sources.
    sent: Vec<Vec<i64>>,
    /// For each source, the pledges it may serve and its place in their lists.
    users: Vec<Vec<(usize, usize)>>,
    /// Pledges that no path reaches any more.
    closed: Vec<bool>,
}

impl<'a> Flow<'a> {
    fn new(supply_dg: &[i64], pledges: &'a [Pledge]) -> Self {
        let mut users = vec![Vec::new(); supply_dg.len()];
        for (pledge, wanted) in pledges.iter().enumerate() {
            for (place, &source) in wanted.sources.iter().enumerate() {
                users[source].push((pledge, place));
            }
        }
        Self {
            pledges,
            left: supply_dg.to_vec(),
            sent: pledges.iter().map(|p| vec![0; p.sources.len()]).collect(),
            users,
            closed: vec![false; pledges.len()],
        }
    }

    /// Sends up to `most` decigrams more to `target` along a shortest path, moving other pledges to
    /// other sources where that frees greens; returns what was sent, 0 when there is no path.
    fn augment(&mut self, target: usize, most: i64) -> i64 {
        if self.closed[target] {
            return 0;
        }
        // How each source was reached: by which pledge, and its place in that pledge's list.
        let mut source_via: Vec<Option<(usize, usize)>> = vec![None; self.left.len()];
        // The source each pledge gives up, as its place in the pledge's list.
        let mut pledge_gives: Vec<Option<usize>> = vec![None; self.pledges.len()];
        let mut queue = VecDeque::from([target]);
        let mut end = None;
        'search: while let Some(pledge) = queue.pop_front() {
            for (place, &source) in self.pledges[pledge].sources.iter().enumerate() {
                if source_via[source].is_some() {
                    continue;
                }
                source_via[source] = Some((pledge, place));
                if self.left[source] > 0 {
                    end = Some(source);
                    break 'search;
                }
                for &(user, user_place) in &self.users[source] {
                    let fresh = user != target && pledge_gives[user].is_none();
                    if fresh && self.sent[user][user_place] > 0 {
                        pledge_gives[user] = Some(user_place);
                        queue.push_back(user);
                    }
                }
            }
        }
        let Some(end) = end else {
            self.closed[target] = true;
            return 0;
        };

        // The path back to the target: each step takes from one source and, but for the target,
        // gives up another.
        let mut steps = Vec::new();
        let mut amount = most.min(self.left[end]);
        let mut source = end;
        while let Some((pledge, takes)) = source_via[source] {
            let gives = pledge_gives[pledge];
            steps.push((pledge, takes, gives));
            let Some(gives) = gives else { break };
            amount = amount.min(self.sent[pledge][gives]);
            source = self.pledges[pledge].sources[gives];
        }
        self.left[end] -= amount;
        for (pledge, takes, gives) in steps {
            self.sent[pledge][takes] += amount;
            if let Some(gives) = gives {
                self.sent[pledge][gives] -= amount;
            }
        }
        amount
    }
}

/// What one target is sent in one week in which it has a pledge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cell {
    /// Target index.
    pub target: usize,
    /// Week index.
    pub week: usize,
    /// Decigrams pledged.
    pub pledge_dg: i64,
    /// Decigrams sent.
    pub sent_dg: i64,
}

/// The cheapest division of all weeks.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Allocation {
    /// Every target and week with a pledge, by week and then by target.
    pub cells: Vec<Cell>,
    /// Harvest that serves no pledge, where there is any.
    pub surplus: Harvest,
    /// Cost of the shortfall, in ten-thousandths of a point.
    pub shortfall_e4: i128,
    /// Cost of the surplus, in ten-thousandths of a point.
    pub surplus_e4: i128,
}

/// Divides a harvest among the targets of a problem, week by week, at least cost.
///
/// The problem must be free of [`faults`](crate::faults::faults).
pub fn allocate(problem: &Problem, harvest: &Harvest) -> Allocation {
    let objective = &problem.objective;
    let mut result = Allocation::default();
    for (&key, &dg) in harvest
        .iter()
        .filter(|(key, dg)| key.2.is_none() && **dg > 0)
    {
        result.surplus.insert(key, dg);
        result.surplus_e4 += i128::from(objective.surplus_per_g) * i128::from(dg);
    }
    let mut sources_by_week = vec![Vec::new(); problem.weeks.len()];
    for (&(site, crop, week), &dg) in harvest.iter().filter(|(_, dg)| **dg > 0) {
        if let Some(week) = week {
            sources_by_week[week].push((site, crop, dg));
        }
    }
    // Which sites and crops may serve each target, by index.
    let serving: Vec<(Vec<bool>, Vec<bool>)> = problem
        .targets
        .iter()
        .map(|target| {
            let sites = problem
                .sites
                .iter()
                .map(|site| target.sites.contains(&site.id));
            let crops = problem.crops.iter().map(|crop| target.crops.contains(crop));
            (sites.collect(), crops.collect())
        })
        .collect();
    for (week, sources) in sources_by_week.iter().enumerate() {
        let supply: Vec<i64> = sources.iter().map(|&(_, _, dg)| dg).collect();
        let asking: Vec<usize> = (0..problem.targets.len())
            .filter(|&target| problem.targets[target].pledge_dg[week] > 0)
            .collect();
        let pledges: Vec<Pledge> = asking
            .iter()
            .map(|&target| {
                let (sites, crops) = &serving[target];
                let serves = |&source: &usize| sites[sources[source].0] && crops[sources[source].1];
                let target = &problem.targets[target];
                Pledge {
                    dg: target.pledge_dg[week],
                    priority: target.priority,
                    sources: (0..sources.len()).filter(serves).collect(),
                }
            })
            .collect();
        let division = divide(
            &supply,
            &pledges,
            &objective.shortfall_bands,
            objective.surplus_per_g,
        );
        result.shortfall_e4 += division.shortfall_e4;
        result.surplus_e4 += division.surplus_e4;
        for ((target, pledge), sent_dg) in asking.into_iter().zip(&pledges).zip(division.sent_dg) {
            result.cells.push(Cell {
                target,
                week,
                pledge_dg: pledge.dg,
                sent_dg,
            });
        }
        for (&(site, crop, _), dg) in sources.iter().zip(division.surplus_dg) {
            if dg > 0 {
                result.surplus.insert((site, crop, Some(week)), dg);
            }
        }
    }
    result
}
