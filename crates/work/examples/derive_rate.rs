//! How fast the tasks of a site are derived and compared, and how that grows with its sowings.
//!
//! `cargo run --release -p cotyl-work --example derive_rate`
#![allow(clippy::unwrap_used, clippy::print_stdout, clippy::disallowed_methods)]

#[path = "../tests/common/mod.rs"]
mod common;

use std::time::Instant;

use chrono::{Days, Weekday};
use cotyl_work::{LiquidFacts, RuleBook, SiteFacts, SowingStage, StationFacts, derive, reconcile};

/// A site with so many sowings, ten at each station, sown through the last nine weeks and the next.
fn site(sowings: u64) -> SiteFacts {
    let mut facts = common::empty_site(common::calendar(&[0, 1, 2, 3, 4], &[(30, 9)]));
    let stations = sowings.div_ceil(10);
    facts.stations = (0..stations)
        .map(|number| StationFacts {
            id: common::id(1_000_000 + u128::from(number)),
            aerated: number % 4 == 3,
            measured_on: None,
        })
        .collect();
    facts.sowings = (0..sowings)
        .map(|number| {
            let sow_on = facts.today - Days::new(63) + Days::new(number % 70);
            let age = (facts.today - sow_on).num_days();
            let stage = match age {
                ..=0 => SowingStage::Planned,
                1..=6 => SowingStage::Sown,
                7..=40 => SowingStage::Sprouted,
                _ => SowingStage::Cutting,
            };
            let mut sowing = common::sowing(2_000_000 + u128::from(number), stage, sow_on);
            sowing.station_id = facts.stations[usize::try_from(number % stations).unwrap()].id;
            sowing.liquid = (stage > SowingStage::Planned).then(|| LiquidFacts {
                filled_on: sow_on,
                low_on: Some(facts.today + Days::new(number % 30)),
                containers: sowing.containers,
                microlitres: 5_000_000,
            });
            sowing
        })
        .collect();
    facts.recipients = vec![common::recipient(Weekday::Wed)];
    facts
}

fn main() {
    let rules = RuleBook::default();
    println!(
        "{:>8} {:>8} {:>12} {:>12} {:>12}",
        "sowings", "tasks", "derived a s", "derive ms", "compare ms"
    );
    for sowings in [10, 100, 1000, 10_000] {
        let facts = site(sowings);
        let rounds = (200_000 / sowings).clamp(3, 2000);
        let mut derived = Vec::new();
        let begun = Instant::now();
        for _ in 0..rounds {
            derived = derive(&rules, &facts);
        }
        let deriving = begun.elapsed().as_secs_f64() / rounds as f64;
        let mut present = Vec::new();
        let now = common::at_noon(&facts, facts.today);
        let changes = reconcile(&rules, &[], &derived, facts.today, true, now);
        common::present_after(&mut present, common::apply_all(&changes));
        let begun = Instant::now();
        for _ in 0..rounds {
            let again = reconcile(&rules, &present, &derived, facts.today, true, now);
            assert!(again.insert.is_empty() && again.change.is_empty());
        }
        let comparing = begun.elapsed().as_secs_f64() / rounds as f64;
        println!(
            "{sowings:>8} {:>8} {:>12.0} {:>12.3} {:>12.3}",
            derived.len(),
            derived.len() as f64 / deriving,
            deriving * 1e3,
            comparing * 1e3
        );
    }
}
