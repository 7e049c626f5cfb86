//! The plan written out: stations, dates, purchases, and what every week brings.

use chrono::{Days, NaiveDate};

use crate::allot::allot;
use crate::columns::{Column, Columns};
use crate::index::Index;
use crate::plan::{PLAN_FORMAT, Plan, Purchase};
use crate::problem::{Problem, Sowing};
use crate::purchases::latest;
use crate::solve::Answer;
use crate::start::Earlier;
use crate::transport::Week;

/// A pledge of one week and what a plan does about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cell {
    /// Index of the target.
    pub target: usize,
    /// Index of the week.
    pub week: usize,
    /// Decigrams pledged.
    pub pledged_dg: i64,
    /// Decigrams expected to be sent.
    pub sent_dg: i64,
    /// Decigrams short.
    pub short_dg: i64,
}

/// What the weeks of a plan bring.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Weeks {
    /// Every target and week with a pledge, by week.
    pub cells: Vec<Cell>,
    /// Decigrams harvested for a week that serve no pledge, by week.
    pub surplus_dg: Vec<i64>,
    /// Decigrams cut on days from which no pledge week is served.
    pub undelivered_dg: i64,
}

/// Write the answer for container counts; every figure is worked out afresh.
pub(crate) fn answer(
    (problem, index): (&Problem, &Index),
    columns: &Columns,
    counts: &[i64],
    earlier: &[Earlier],
    bound_e4: i64,
) -> Answer {
    let chosen: Vec<(&Column, i64)> = columns
        .list
        .iter()
        .zip(counts)
        .filter(|&(_, &count)| count > 0)
        .map(|(column, &count)| (column, count))
        .collect();
    let mut objective_e4 = index.base_e4;
    let mut supply = index.committed_dg.clone();
    let mut batches = vec![0_i64; index.batches.len()];
    let mut uses = vec![vec![0_i64; index.weeks]; index.goods.len()];
    let mut weeks = Weeks {
        surplus_dg: index.unwanted_dg.clone(),
        ..Weeks::default()
    };
    for &(column, count) in &chosen {
        let row = &index.rows[column.row as usize];
        objective_e4 += column.cost_e4 * count;
        batches[column.batch as usize] += count;
        for &(good, units) in &row.uses {
            uses[good][column.week as usize] += units * count;
        }
        for cut in columns.cuts(column) {
            if cut.delivered() {
                supply[row.signature * index.weeks + cut.harvest_week as usize] += cut.dg * count;
            } else {
                weeks.undelivered_dg += cut.dg * count;
            }
        }
    }
    for (batch, &count) in index.batches.iter().zip(&batches) {
        objective_e4 += index.change_e4 * (count - batch.adopted).abs();
    }
    let mut purchases = Vec::new();
    for (good, use_by_week) in index.goods.iter().zip(&uses) {
        for (week, units) in latest(good, use_by_week)
            .into_iter()
            .enumerate()
            .filter(|&(_, units)| units > 0)
        {
            objective_e4 += good.price_e4 * units;
            purchases.push(Purchase {
                consumable: problem.consumables[good.consumable].id.clone(),
                week,
                units,
            });
        }
    }
    for week in 0..index.weeks {
        objective_e4 += divide(index, &supply, week, &mut weeks);
    }
    let mut broken = index.broken.clone();
    broken.extend(broken_shares(problem, index, columns, &chosen));
    let plan = Plan {
        format: PLAN_FORMAT.into(),
        problem: problem.name.clone(),
        sowings: sowings((problem, index), columns, counts, earlier),
        purchases,
        objective: Some(objective_e4 as f64 / 1e4),
        bound: Some(bound_e4 as f64 / 1e4),
        seconds: None,
        seed: None,
    };
    Answer {
        plan,
        objective_e4,
        bound_e4,
        work_done: 0,
        complete: false,
        broken,
        weeks,
    }
}

/// Divide one week's supply; its cost.
fn divide(index: &Index, supply: &[i64], week: usize, weeks: &mut Weeks) -> i64 {
    let pledged: Vec<usize> = (0..index.targets.len())
        .filter(|&t| index.targets[t].pledge_dg[week] > 0)
        .collect();
    let mut transport = Week::default();
    for (g, targets) in index.signatures.iter().enumerate() {
        let dg = supply[g * index.weeks + week];
        if dg > 0 {
            transport.supply.push(dg);
            transport.serves.push(
                targets
                    .iter()
                    .filter_map(|t| pledged.binary_search(t).ok())
                    .collect(),
            );
        }
    }
    for &t in &pledged {
        let target = &index.targets[t];
        let mut below = 0;
        let bands = target
            .band_tops(week)
            .zip(&target.worth)
            .map(|(top, &worth)| {
                let width = top - below;
                below = top;
                (width, worth)
            });
        transport.bands.push(bands.collect());
    }
    let division = transport.divide();
    for (&t, &sent_dg) in pledged.iter().zip(&division.sent_dg) {
        let pledged_dg = index.targets[t].pledge_dg[week];
        weeks.cells.push(Cell {
            target: t,
            week,
            pledged_dg,
            sent_dg,
            short_dg: pledged_dg - sent_dg,
        });
    }
    weeks.surplus_dg[week] += division.surplus_dg;
    division.shortfall_e4 + index.surplus_e4 * division.surplus_dg
}

fn sowings(
    (problem, index): (&Problem, &Index),
    columns: &Columns,
    counts: &[i64],
    earlier: &[Earlier],
) -> Vec<Sowing> {
    let allotted = allot((problem, index), columns, counts, earlier);
    let mut out: Vec<Sowing> = Vec::with_capacity(allotted.len());
    let mut last = None;
    for item in allotted {
        if last == Some((item.station, item.column)) {
            if let Some(sowing) = out.last_mut() {
                sowing.containers += item.containers;
            }
            continue;
        }
        last = Some((item.station, item.column));
        let column = &columns.list[item.column];
        let row = &index.rows[column.row as usize];
        let slots = &problem.sites[row.site].slots;
        let date = |slot: u32| day(problem.start_date, slots[slot as usize].day);
        out.push(Sowing {
            station: problem.stations[item.station].id.clone(),
            crop: problem.crops[row.crop].clone(),
            sow: date(column.sow),
            containers: item.containers,
            cuts: columns
                .cuts(column)
                .iter()
                .map(|cut| date(cut.slot))
                .collect(),
        });
    }
    out
}

/// A date by day number; day numbers of a problem are checked to stay within the calendar.
fn day(start: NaiveDate, number: u32) -> NaiveDate {
    start
        .checked_add_days(Days::new(u64::from(number)))
        .unwrap_or(NaiveDate::MAX)
}

/// Shares that the plan leaves broken.
fn broken_shares(
    problem: &Problem,
    index: &Index,
    columns: &Columns,
    chosen: &[(&Column, i64)],
) -> Vec<String> {
    let mut part: Vec<Vec<i64>> = index
        .shares
        .iter()
        .map(|share| share.part_dg.clone())
        .collect();
    let mut whole: Vec<Vec<i64>> = index
        .shares
        .iter()
        .map(|share| share.whole_dg.clone())
        .collect();
    for &(column, count) in chosen {
        for &(n, in_part, in_whole) in &index.rows[column.row as usize].shares {
            for cut in columns.cuts(column).iter().filter(|cut| cut.delivered()) {
                let week = cut.harvest_week as usize;
                part[n][week] += if in_part { cut.dg * count } else { 0 };
                whole[n][week] += if in_whole { cut.dg * count } else { 0 };
            }
        }
    }
    let mut broken = Vec::new();
    for (n, share) in index.shares.iter().enumerate() {
        for start in share.from_week..(index.weeks + 1).saturating_sub(share.weeks) {
            let run = start..start + share.weeks;
            let (h, all): (i64, i64) = (
                part[n][run.clone()].iter().sum(),
                whole[n][run].iter().sum(),
            );
            if 1000 * h < share.least * all || 1000 * h > share.most * all {
                broken.push(format!(
                    "share {n}: {} from {}",
                    problem.shares[n].crop,
                    problem.weeks[start.min(index.weeks - 1)]
                ));
            }
        }
    }
    broken
}
