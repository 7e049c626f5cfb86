//! Checks of the input that exact arithmetic relies on.
//!
//! Everything the engine adds up stays within `i64`: the greatest conceivable objective, harvest,
//! work and use are bounded here, and a problem beyond that is refused.

use chrono::Days;

use crate::problem::{ClassCrop, Problem};
use crate::solve::SolveError;

/// No sum may exceed this.
const MOST: f64 = 1.0e18;

fn bad(text: String) -> SolveError {
    SolveError::BadProblem(text)
}

/// Refuse a problem whose indexes do not fit or whose sums could overflow.
pub(crate) fn check(problem: &Problem) -> Result<(), SolveError> {
    sites(problem)?;
    let slots_of = |site: &str| {
        problem
            .sites
            .iter()
            .find(|s| s.id == site)
            .map_or(0, |s| s.slots.len())
    };
    for class in &problem.classes {
        let slots = slots_of(&class.site);
        for entry in &class.crops {
            entry_fits(entry, slots)
                .map_err(|text| bad(format!("class {}, {}: {text}", class.id, entry.crop)))?;
        }
    }
    for station in &problem.stations {
        let slots = slots_of(&station.site);
        if station.places < 0
            || station
                .taken
                .iter()
                .any(|&(a, b, places)| a > b || b > slots || places < 0)
        {
            return Err(bad(format!(
                "station {}: places or taken out of range",
                station.id
            )));
        }
    }
    amounts(problem)?;
    sums(problem)
}

fn sites(problem: &Problem) -> Result<(), SolveError> {
    let weeks = problem.weeks.len();
    for site in &problem.sites {
        let ascending = site
            .slots
            .windows(2)
            .all(|pair| pair[0].day < pair[1].day && pair[0].week <= pair[1].week);
        let inside = site
            .slots
            .iter()
            .all(|slot| slot.week < weeks && slot.harvest_week.is_none_or(|week| week < weeks));
        if !ascending || !inside {
            return Err(bad(format!(
                "site {}: slots not ascending or out of range",
                site.id
            )));
        }
        let last = site.slots.last().map_or(0, |slot| u64::from(slot.day));
        if problem
            .start_date
            .checked_add_days(Days::new(last))
            .is_none()
        {
            return Err(bad(format!("site {}: day beyond the calendar", site.id)));
        }
        for list in [&site.minutes, &site.mixing_dl, &site.most_sowings]
            .into_iter()
            .flatten()
        {
            if list.len() != weeks || list.iter().flatten().any(|&limit| limit < 0) {
                return Err(bad(format!("site {}: weekly limits", site.id)));
            }
            if list
                .iter()
                .flatten()
                .any(|&limit| limit as f64 * 10.0 > MOST)
            {
                return Err(SolveError::TooLarge(format!("limits of site {}", site.id)));
            }
        }
    }
    Ok(())
}

fn entry_fits(entry: &ClassCrop, slots: usize) -> Result<(), &'static str> {
    let arcs = || entry.first.iter().chain(&entry.again);
    if arcs().any(|arc| arc.from >= arc.to || arc.to >= slots || arc.permille < 0) {
        return Err("arc out of range");
    }
    for list in [&entry.first, &entry.again] {
        let mut pairs: Vec<_> = list.iter().map(|arc| (arc.from, arc.to)).collect();
        pairs.sort_unstable();
        if pairs.windows(2).any(|pair| pair[0] == pair[1]) {
            return Err("repeated arc");
        }
    }
    if entry.free_at.len() != slots
        || entry
            .free_at
            .iter()
            .enumerate()
            .any(|(b, &free)| free < b || free > slots)
    {
        return Err("free_at out of range");
    }
    let work = entry.minutes10;
    let amounts = [
        work.sow,
        work.cut,
        work.clean,
        entry.mix_dl.sow,
        entry.mix_dl.cut,
        entry.smallest_sowing,
    ];
    if entry.cut_dg.is_empty()
        || amounts
            .iter()
            .chain(&entry.cut_dg)
            .chain(entry.uses.values())
            .any(|&v| v < 0)
    {
        return Err("amounts");
    }
    Ok(())
}

fn amounts(problem: &Problem) -> Result<(), SolveError> {
    let weeks = problem.weeks.len();
    for target in &problem.targets {
        if target.pledge_dg.len() != weeks
            || target.pledge_dg.iter().any(|&dg| dg < 0)
            || target.priority < 1
        {
            return Err(bad(format!("target {}", target.id)));
        }
    }
    if problem
        .committed
        .iter()
        .any(|harvest| harvest.week >= weeks || harvest.dg < 0)
    {
        return Err(bad("committed: out of range".into()));
    }
    if problem
        .committed_work
        .iter()
        .any(|work| work.week >= weeks || work.minutes10 < 0 || work.mixing_dl < 0)
    {
        return Err(bad("committed_work: out of range".into()));
    }
    for good in &problem.consumables {
        if good.stock < 0 || good.price_cents10 < 0 || good.most_per_week < 0 {
            return Err(bad(format!("consumable {}", good.id)));
        }
    }
    let objective = &problem.objective;
    let bands = &objective.shortfall_bands;
    let shares: i128 = bands.iter().map(|band| i128::from(band.0)).sum();
    let rising = bands.windows(2).all(|pair| pair[0].1 <= pair[1].1);
    let weights = [
        objective.surplus_per_g,
        objective.cost_per_cent,
        objective.labour_per_minute,
        objective.change_per_container,
    ];
    if shares != 1000
        || !rising
        || bands.iter().any(|band| band.0 < 0 || band.1 < 0)
        || weights.iter().any(|&v| v < 0)
    {
        return Err(bad(
            "objective: bands must add up to 1000 with slopes not descending, weights not negative"
                .into(),
        ));
    }
    if problem
        .adopted
        .iter()
        .flatten()
        .any(|sowing| sowing.containers < 0)
    {
        return Err(bad("adopted: containers".into()));
    }
    for share in &problem.shares {
        let limits = [share.min_permille, share.max_permille];
        if limits
            .iter()
            .flatten()
            .any(|&limit| !(0..=1_000_000).contains(&limit))
        {
            return Err(bad("shares: limits out of range".into()));
        }
    }
    Ok(())
}

/// Greatest conceivable sums.
fn sums(problem: &Problem) -> Result<(), SolveError> {
    let wide = |v: i64| v as f64;
    let objective = &problem.objective;
    let mut harvest: f64 = problem.committed.iter().map(|h| wide(h.dg)).sum();
    let mut minutes: f64 = problem
        .committed_work
        .iter()
        .map(|w| wide(w.minutes10))
        .sum();
    let mut mixing: f64 = problem
        .committed_work
        .iter()
        .map(|w| wide(w.mixing_dl))
        .sum();
    let mut containers: f64 = problem
        .adopted
        .iter()
        .flatten()
        .map(|s| wide(s.containers))
        .sum();
    let mut units: f64 = 0.0;
    for class in &problem.classes {
        let slots = problem
            .sites
            .iter()
            .find(|s| s.id == class.site)
            .map_or(0, |s| s.slots.len()) as f64;
        let stations = problem
            .stations
            .iter()
            .filter(|station| station.class == class.id);
        let turns = slots * stations.map(|station| wide(station.places)).sum::<f64>();
        let most =
            |value: &dyn Fn(&ClassCrop) -> f64| class.crops.iter().map(value).fold(0.0, f64::max);
        containers += turns;
        let permille = most(&|e| {
            e.first
                .iter()
                .chain(&e.again)
                .map(|arc| wide(arc.permille))
                .fold(0.0, f64::max)
        });
        harvest += turns
            * most(&|e| e.cut_dg.iter().map(|&v| wide(v)).fold(0.0, f64::max))
            * permille.max(1000.0)
            / 1000.0;
        minutes += turns
            * most(&|e| wide(e.minutes10.sow) + wide(e.minutes10.cut) + wide(e.minutes10.clean));
        mixing += turns * most(&|e| wide(e.mix_dl.sow) + wide(e.mix_dl.cut));
        units += turns * most(&|e| e.uses.values().map(|&v| wide(v)).fold(0.0, f64::max));
    }
    let slope = objective
        .shortfall_bands
        .iter()
        .map(|band| wide(band.1))
        .fold(0.0, f64::max);
    let pledges: f64 = problem
        .targets
        .iter()
        .map(|t| {
            t.pledge_dg.iter().map(|&v| wide(v)).sum::<f64>() * wide(t.priority) * slope.max(1.0)
        })
        .sum();
    let price: f64 = problem
        .consumables
        .iter()
        .map(|good| wide(good.price_cents10))
        .sum();
    let supply = problem
        .consumables
        .iter()
        .map(|good| wide(good.stock) + wide(good.most_per_week) * problem.weeks.len() as f64);
    let priority = problem
        .targets
        .iter()
        .map(|t| wide(t.priority))
        .fold(1.0, f64::max);
    let share_cost = if problem.shares.is_empty() {
        0.0
    } else {
        harvest * 4000.0_f64.max(4.0 * slope * priority) * 1000.0
    };
    let total = pledges
        + harvest * wide(objective.surplus_per_g)
        + minutes * wide(objective.labour_per_minute)
        + units * price * wide(objective.cost_per_cent)
        + containers * 10.0 * wide(objective.change_per_container)
        + share_cost;
    for (what, sum) in [
        ("the objective", total),
        ("harvest", harvest * 1000.0),
        ("work", minutes),
        ("mixing", mixing),
        ("use of consumables", units),
        ("supply of consumables", supply.fold(0.0, f64::max)),
        ("containers", containers),
    ] {
        if sum > MOST {
            return Err(SolveError::TooLarge(what.into()));
        }
    }
    Ok(())
}
