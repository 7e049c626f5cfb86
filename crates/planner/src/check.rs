//! The independent check of a plan: every rule of the problem, and the objective worked out afresh.
//!
//! Shares nothing with the search but the types of problem and plan. All sums are exact integers.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::allocation::{Harvest, allocate};
use crate::faults::faults;
use crate::plan::{PLAN_FORMAT, Plan};
use crate::problem::Problem;

mod ledger;
mod rules;

pub(crate) use ledger::{Index, Ledger};
pub(crate) use rules::{share_holds, share_runs, tenths};

/// A stated objective or bound may be off by this many points.
const TOLERANCE_POINTS: f64 = 1e-3;

/// Which rule a plan breaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ViolationKind {
    /// The problem itself is faulty, so no plan can be checked against it.
    FaultyProblem,
    /// The plan's format is another.
    Format,
    /// The plan is for another problem.
    OtherProblem,
    /// The station does not exist.
    Station,
    /// The number of containers is not above 0, or beyond reason.
    Containers,
    /// The crop does not grow at the station.
    Crop,
    /// Sown or cut on a day that is not a working day.
    Day,
    /// No cut, or more cuts than the crop gives.
    Cuts,
    /// The crop cannot be cut on that day.
    Arc,
    /// More containers than places.
    Places,
    /// More work in a week than there are minutes.
    Minutes,
    /// More solution in a week than can be mixed.
    Mixing,
    /// More batches sown in a week than allowed.
    MostSowings,
    /// A batch is too small.
    SmallestSowing,
    /// A purchase of an unknown consumable, in no week of the plan, or of no units.
    Purchase,
    /// A purchase arrives before it can.
    PurchaseTooEarly,
    /// More of a consumable is received in a week than allowed.
    PurchaseTooLarge,
    /// A consumable runs out.
    Stock,
    /// A crop's share of the harvest is outside its limits.
    Share,
    /// The plan states another objective.
    Objective,
    /// The plan states a bound above its objective.
    Bound,
    /// Amounts too great to be counted.
    TooLarge,
}

/// One rule broken in one place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Violation {
    /// Which rule.
    pub kind: ViolationKind,
    /// Where and by how much, in words.
    pub message: String,
}

/// Parts of the objective, in ten-thousandths of a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Parts {
    /// Pledges not met.
    pub shortfall: i64,
    /// Harvest that serves no pledge.
    pub surplus: i64,
    /// Purchases.
    pub cost: i64,
    /// Work, committed work included.
    pub labour: i64,
    /// Differences from the adopted plan.
    pub changes: i64,
}

/// A pledge that is not met in full.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ShortCell {
    /// Target id.
    pub target: String,
    /// Week index.
    pub week: usize,
    /// Decigrams that are missing.
    pub short_dg: i64,
    /// Decigrams pledged.
    pub pledge_dg: i64,
}

/// What a target is sent in a week in which it has a pledge.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TargetWeek {
    /// Target id.
    pub target: String,
    /// Week index.
    pub week: usize,
    /// Decigrams pledged.
    pub pledge_dg: i64,
    /// Decigrams sent.
    pub sent_dg: i64,
    /// Decigrams that are missing.
    pub short_dg: i64,
}

/// What the check found. Of an invalid plan only the sowings that make sense are counted.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Verdict {
    /// Whether the plan keeps every rule.
    pub valid: bool,
    /// Every rule broken.
    pub problems: Vec<Violation>,
    /// The objective in ten-thousandths of a point; smaller is better.
    pub objective_e4: i64,
    /// What it is made up of.
    pub parts: Parts,
    /// Decigrams pledged in all.
    pub pledged_dg: i64,
    /// Decigrams harvested, committed harvest included.
    pub harvested_dg: i64,
    /// Decigrams missing in all.
    pub short_dg: i64,
    /// Decigrams that serve no pledge.
    pub surplus_dg: i64,
    /// Pledges not met in full, by week and then by target.
    pub short_cells: Vec<ShortCell>,
    /// Containers sown.
    pub containers: i64,
    /// Sowings in the plan.
    pub sowings: usize,
    /// Tenths of a minute of work, committed work included.
    pub minutes10: i64,
    /// Tenths of a cent spent.
    pub price_cents10: i64,
    /// Containers by which batches differ from the adopted plan.
    pub containers_changed: i64,
    /// Every target and week with a pledge, by week and then by target.
    pub weeks: Vec<TargetWeek>,
}

/// Checks a plan against a problem and works out its objective.
pub fn check(problem: &Problem, plan: &Plan) -> Verdict {
    let mut findings = Findings::default();
    for fault in faults(problem) {
        let message = format!("the problem itself: {}: {}", fault.path, fault.message);
        findings.add(ViolationKind::FaultyProblem, message);
    }
    if !findings.0.is_empty() {
        return Verdict {
            problems: findings.0,
            ..Verdict::default()
        };
    }
    if plan.format != PLAN_FORMAT {
        let message = format!(
            "the plan's format is {:?}, expected {PLAN_FORMAT:?}",
            plan.format
        );
        findings.add(ViolationKind::Format, message);
    }
    if plan.problem != problem.name {
        let message = format!(
            "the plan is for {:?}, not for {:?}",
            plan.problem, problem.name
        );
        findings.add(ViolationKind::OtherProblem, message);
    }
    let index = Index::new(problem);
    let ledger = Ledger::of(&index, plan, &mut findings);
    rules::places(&index, &ledger, &mut findings);
    rules::weeks(&index, &ledger, &mut findings);
    rules::batches(&index, &ledger, &mut findings);
    rules::supplies(&index, &ledger, &mut findings);
    rules::shares(&index, &ledger, &mut findings);
    let mut verdict = value(&index, &ledger, plan, &mut findings);
    check_stated(plan, verdict.objective_e4, &mut findings);
    verdict.valid = findings.0.is_empty();
    verdict.problems = findings.0;
    verdict
}

/// Violations found so far.
#[derive(Default)]
pub(crate) struct Findings(Vec<Violation>);

impl Findings {
    fn add(&mut self, kind: ViolationKind, message: String) {
        self.0.push(Violation { kind, message });
    }

    /// The sum as 64 bits, or a complaint.
    fn narrow(&mut self, what: &str, sum: i128) -> i64 {
        i64::try_from(sum).unwrap_or_else(|_| {
            self.add(
                ViolationKind::TooLarge,
                format!("{what}: {sum} is too great to be counted"),
            );
            0
        })
    }
}

/// Containers by which the batches differ from the adopted plan.
fn changed(index: &Index, ledger: &Ledger) -> i128 {
    let problem = index.problem;
    let Some(adopted) = &problem.adopted else {
        return 0;
    };
    let mut difference: BTreeMap<(usize, &str, i64), i128> = BTreeMap::new();
    for (&(class, entry, slot), &count) in &ledger.batches {
        let day = i64::from(problem.sites[index.site_of_class[class]].slots[slot].day);
        let crop = problem.classes[class].crops[entry].crop.as_str();
        *difference.entry((class, crop, day)).or_default() += count;
    }
    for sowing in adopted {
        let class = index.class_of_station[index.stations[sowing.station.as_str()]];
        let key = (class, sowing.crop.as_str(), index.day_number(sowing.sow));
        *difference.entry(key).or_default() -= i128::from(sowing.containers);
    }
    difference.values().map(|count| count.abs()).sum()
}

/// The objective and the totals of a plan.
fn value(index: &Index, ledger: &Ledger, plan: &Plan, findings: &mut Findings) -> Verdict {
    let (problem, objective) = (index.problem, &index.problem.objective);
    let harvest: Harvest = ledger
        .harvest
        .iter()
        .map(|(&key, &dg)| (key, findings.narrow("harvest", dg)))
        .collect();
    let allocation = allocate(problem, &harvest);
    let prices = problem
        .consumables
        .iter()
        .map(|item| i128::from(item.price_cents10));
    let price: i128 = prices
        .zip(&ledger.bought)
        .map(|(price, units)| price * units.iter().sum::<i128>())
        .sum();
    let labour: i128 = ledger.minutes10.iter().flatten().sum();
    let changed = changed(index, ledger);
    let parts = [
        allocation.shortfall_e4,
        allocation.surplus_e4,
        i128::from(objective.cost_per_cent) * price,
        i128::from(objective.labour_per_minute) * labour,
        10 * i128::from(objective.change_per_container) * changed,
    ];
    let objective_e4 = findings.narrow("objective", parts.iter().sum());
    let [shortfall, surplus, cost, labour_cost, changes] =
        parts.map(|part| findings.narrow("objective", part));
    let weeks: Vec<TargetWeek> = allocation
        .cells
        .iter()
        .map(|cell| TargetWeek {
            target: problem.targets[cell.target].id.clone(),
            week: cell.week,
            pledge_dg: cell.pledge_dg,
            sent_dg: cell.sent_dg,
            short_dg: cell.pledge_dg - cell.sent_dg,
        })
        .collect();
    let short_cells = weeks
        .iter()
        .filter(|cell| cell.short_dg > 0)
        .map(|cell| ShortCell {
            target: cell.target.clone(),
            week: cell.week,
            short_dg: cell.short_dg,
            pledge_dg: cell.pledge_dg,
        });
    let mut sum = |what: &str, amounts: &mut dyn Iterator<Item = i64>| {
        findings.narrow(what, amounts.map(i128::from).sum())
    };
    Verdict {
        valid: false,
        problems: Vec::new(),
        objective_e4,
        parts: Parts {
            shortfall,
            surplus,
            cost,
            labour: labour_cost,
            changes,
        },
        pledged_dg: sum("pledges", &mut weeks.iter().map(|cell| cell.pledge_dg)),
        harvested_dg: sum("harvest", &mut harvest.values().copied()),
        short_dg: sum("shortfall", &mut weeks.iter().map(|cell| cell.short_dg)),
        surplus_dg: sum("surplus", &mut allocation.surplus.values().copied()),
        short_cells: short_cells.collect(),
        containers: findings.narrow("containers", ledger.batches.values().sum()),
        sowings: plan.sowings.len(),
        minutes10: findings.narrow("work", labour),
        price_cents10: findings.narrow("purchases", price),
        containers_changed: findings.narrow("changes", changed),
        weeks,
    }
}

fn check_stated(plan: &Plan, objective_e4: i64, findings: &mut Findings) {
    let objective = objective_e4 as f64 / 1e4;
    if let Some(stated) = plan.objective
        && ((stated - objective).abs() > TOLERANCE_POINTS || stated.is_nan())
    {
        let message = format!("the plan states {stated} points, it has {objective}");
        findings.add(ViolationKind::Objective, message);
    }
    if let Some(bound) = plan.bound
        && (bound - objective > TOLERANCE_POINTS || bound.is_nan())
    {
        let message =
            format!("a bound of {bound} points is stated, above the objective {objective}");
        findings.add(ViolationKind::Bound, message);
    }
}
