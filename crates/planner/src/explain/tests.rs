#![allow(clippy::unwrap_used)]

use chrono::Datelike;

use super::*;
use crate::Purchase;
use crate::check::{Violation, ViolationKind, check, share_runs};
use crate::faults::{read_plan, read_problem};
use crate::problem::{Share, Sowing};

/// One shelf with one place for leaf, three weeks with one working day each. Sown on slot 0 or 1,
/// cut on the next slot and, sown on slot 0, once more on slot 2.
fn shelf() -> (Problem, Plan) {
    let problem = r#"{"format": "planning-problem/1", "name": "shelf", "start_date": "2026-03-02",
      "weeks": ["2026-W10", "2026-W11", "2026-W12"], "crops": ["leaf", "cress"],
      "sites": [{"id": "hall", "slots": [{"day": 1, "week": 0, "harvest_week": 0},
        {"day": 8, "week": 1, "harvest_week": 1}, {"day": 15, "week": 2, "harvest_week": 2}],
        "minutes": [2, 2, 2], "mixing_dl": [10, 10, 10], "most_sowings": [1, 1, 1]}],
      "classes": [{"id": "light", "site": "hall", "crops": [{"crop": "leaf", "smallest_sowing": 1,
        "first": [[0, 1, 1000], [1, 2, 1000]], "again": [[1, 2, 1000]], "cut_dg": [100, 50],
        "free_at": [0, 1, 2], "minutes10": {"sow": 10, "cut": 5, "clean": 5},
        "mix_dl": {"sow": 8, "cut": 4}, "uses": {"seed": 3}}]}],
      "stations": [{"id": "shelf-1", "site": "hall", "class": "light", "places": 1, "taken": []}],
      "targets": [{"id": "pantry", "crops": ["leaf"], "sites": ["hall"], "priority": 1,
        "pledge_dg": [0, 100, 0]}],
      "committed": [], "committed_work": [],
      "consumables": [{"id": "seed", "stock": 3, "price_cents10": 1, "lead_weeks": 1,
        "most_per_week": 3, "unit": "seed"}],
      "objective": {"shortfall_bands": [[1000, 1000]], "surplus_per_g": 0, "cost_per_cent": 0,
        "labour_per_minute": 0, "change_per_container": 0},
      "rules": {"minutes": true, "mixing": true, "stock": true, "smallest_sowing": true,
        "most_sowings": true},
      "adopted": null}"#;
    let plan = br#"{"format": "planning-plan/1", "problem": "shelf", "sowings": []}"#;
    (
        read_problem(problem.as_bytes()).unwrap(),
        read_plan(plan).unwrap(),
    )
}

/// The one reason for the one short pledge of the shelf after a change.
fn reason(change: impl FnOnce(&mut Problem, &mut Plan)) -> ShortReason {
    let (mut problem, mut plan) = shelf();
    change(&mut problem, &mut plan);
    let verdict = check(&problem, &plan);
    assert_eq!(verdict.problems, []);
    let mut reasons = binding(&problem, &plan, &verdict);
    assert_eq!(reasons.len(), 1);
    assert!(reasons[0].complete);
    reasons.remove(0)
}

/// The pledge of week 1 is served by the chains 0-1 and 0-1-2; returns the only cause of both.
fn only_cause(change: impl FnOnce(&mut Problem, &mut Plan)) -> (Limit, String) {
    let reason = reason(change);
    assert_eq!(
        (reason.columns, reason.open, reason.causes.len()),
        (2, 0, 1),
        "{reason:?}"
    );
    assert_eq!((reason.causes[0].columns, reason.causes[0].alone), (2, 2));
    assert_eq!(reason.causes[0].example.sow, "2026-03-03".parse().unwrap());
    let summary = reason.summary();
    assert!(
        summary.starts_with("pantry in 2026-W11: 10 of 10 g are missing. 2 ways"),
        "{summary}"
    );
    (reason.causes[0].limit.clone(), summary)
}

fn sowing(sow: &str, cuts: &[&str]) -> Sowing {
    Sowing {
        station: "shelf-1".into(),
        crop: "leaf".into(),
        sow: sow.parse().unwrap(),
        containers: 1,
        cuts: cuts.iter().map(|day| day.parse().unwrap()).collect(),
    }
}

#[test]
fn open_when_no_limit_is_met() {
    let reason = reason(|_, _| {});
    assert_eq!((reason.columns, reason.open), (2, 2));
    assert_eq!((reason.nothing_delivers, reason.causes.len()), (None, 0));
    assert_eq!(
        reason.open_example.as_ref().unwrap().cuts,
        ["2026-03-10".parse().unwrap()]
    );
    assert!(
        reason
            .summary()
            .contains("the plan could still be improved"),
        "{}",
        reason.summary()
    );
}

#[test]
fn places_are_the_cause() {
    let (limit, summary) = only_cause(|problem, _| problem.stations[0].taken.push((0, 1, 1)));
    let full = FullStation {
        station: "shelf-1".into(),
        day: "2026-03-03".parse().unwrap(),
        containers: 1,
        places: 1,
    };
    assert_eq!(
        limit,
        Limit::Places {
            stations: 1,
            fullest: vec![full],
            added: 1
        }
    );
    assert!(
        summary.contains("shelf-1 holds 1 of 1 on 2026-03-03"),
        "{summary}"
    );
    // A place that is taken from the first cut on only stops the second.
    let reason = reason(|problem, _| problem.stations[0].taken.push((1, 2, 1)));
    assert_eq!((reason.columns, reason.open), (2, 1));
    assert_eq!(reason.causes[0].example.cuts.len(), 2);
}

#[test]
fn minutes_are_the_cause() {
    // A cut takes 0.5 minutes, and 0.5 more when it is the last.
    let (limit, _) = only_cause(|problem, _| {
        problem.sites[0].minutes = Some(vec![None, Some(0), None]);
    });
    let expected = |needed_minutes10| Limit::Minutes {
        site: "hall".into(),
        week: 1,
        week_label: "2026-W11".into(),
        used_minutes10: 0,
        limit_minutes10: 0,
        needed_minutes10,
        added: 1,
    };
    assert_eq!(limit, expected(10));
    // Half a minute is left: only the chain that goes on fits.
    let reason = reason(|problem, _| {
        problem.sites[0].minutes = Some(vec![None, Some(1), None]);
        problem.committed_work.push(crate::problem::CommittedWork {
            site: "hall".into(),
            week: 1,
            minutes10: 5,
            mixing_dl: 0,
        });
    });
    assert_eq!((reason.open, reason.causes[0].columns), (1, 1));
    assert!(
        reason
            .summary()
            .contains("hall has 0.5 of 1 minutes booked in 2026-W11")
    );
}

#[test]
fn mixing_is_the_cause() {
    let (limit, _) = only_cause(|problem, _| {
        problem.sites[0].mixing_dl = Some(vec![Some(7), None, None]);
    });
    let Limit::Mixing {
        week,
        limit_dl,
        needed_dl,
        ..
    } = limit
    else {
        panic!("{limit:?}")
    };
    assert_eq!((week, limit_dl, needed_dl), (0, 7, 8));
}

#[test]
fn stock_is_the_cause() {
    let (limit, summary) = only_cause(|problem, _| problem.consumables[0].stock = 2);
    let Limit::Stock {
        week,
        spare,
        needed,
        ..
    } = limit
    else {
        panic!("{limit:?}")
    };
    assert_eq!((week, spare, needed), (0, 2, 3));
    assert!(summary.contains("seed runs out"), "{summary}");
    // Units can be bought in time once they arrive in the first week.
    let bought = reason(|problem, _| {
        problem.consumables[0].stock = 2;
        problem.consumables[0].lead_weeks = 0;
    });
    assert_eq!(bought.open, 2);
    // What a later sowing needs and no purchase replaces cannot be spared.
    only_cause(|problem, plan| {
        problem.consumables[0].lead_weeks = 3;
        problem.stations[0].places = 2;
        problem.sites[0].mixing_dl = None;
        plan.sowings.push(sowing("2026-03-10", &["2026-03-17"]));
    });
}

#[test]
fn sowing_rules_are_the_cause() {
    let (limit, _) =
        only_cause(|problem, _| problem.sites[0].most_sowings = Some(vec![Some(0); 3]));
    let Limit::MostSowings { week, most, .. } = limit else {
        panic!("{limit:?}")
    };
    assert_eq!((week, most), (0, 0));
    // A batch that is sown anyway can grow, whatever the number of batches.
    let grows = reason(|problem, plan| {
        problem.targets[0].pledge_dg[1] = 200;
        problem.sites[0].mixing_dl = None;
        problem.stations[0].places = 2;
        problem.consumables[0].stock = 9;
        plan.sowings.push(sowing("2026-03-03", &["2026-03-10"]));
    });
    assert_eq!((grows.columns, grows.open), (2, 2));
}

#[test]
fn a_whole_batch_must_find_room() {
    let two_together = |problem: &mut Problem| {
        problem.classes[0].crops[0].smallest_sowing = 2;
        problem.consumables[0].stock = 6;
    };
    let (limit, summary) = only_cause(|problem, _| {
        two_together(problem);
        problem.sites[0].mixing_dl = None;
    });
    let Limit::Places { added: 2, .. } = limit else {
        panic!("{limit:?}")
    };
    assert!(summary.contains("no room for 2 containers more"));
    // Two stations with a place each are room enough; then 1 litre cannot be mixed to 1.6.
    let (limit, _) = only_cause(|problem, _| {
        two_together(problem);
        let mut second = problem.stations[0].clone();
        second.id = "shelf-2".into();
        problem.stations.push(second);
    });
    let Limit::Mixing {
        needed_dl: 16,
        added: 2,
        ..
    } = limit
    else {
        panic!("{limit:?}")
    };
    // Of a batch that is planned already one more is looked at.
    let grows = reason(|problem, plan| {
        two_together(problem);
        problem.targets[0].pledge_dg[1] = 300;
        problem.sites[0].mixing_dl = None;
        problem.sites[0].minutes = None;
        problem.stations[0].places = 3;
        problem.consumables[0].stock = 9;
        plan.sowings.push(Sowing {
            containers: 2,
            ..sowing("2026-03-03", &["2026-03-10"])
        });
    });
    assert_eq!((grows.columns, grows.open), (2, 2));
}

#[test]
fn shares_are_the_cause() {
    let (limit, _) = only_cause(|problem, _| {
        problem.shares.push(Share {
            crops: vec!["leaf".into(), "cress".into()],
            sites: vec!["hall".into()],
            crop: "leaf".into(),
            min_permille: None,
            max_permille: Some(900),
            weeks: 2,
            from_week: 0,
        });
    });
    let Limit::Share {
        crop,
        from_week,
        weeks,
        ..
    } = limit
    else {
        panic!("{limit:?}")
    };
    assert_eq!((crop.as_str(), from_week, weeks), ("leaf", 0, 2));
}

#[test]
fn causes_are_counted_together_and_alone() {
    // No place from slot 1 on stops the second cut, no mixing in week 0 stops both.
    let reason = reason(|problem, _| {
        problem.stations[0].taken.push((1, 2, 1));
        problem.sites[0].mixing_dl = Some(vec![Some(0); 3]);
    });
    let counts: Vec<_> = reason
        .causes
        .iter()
        .map(|c| (c.kind, c.columns, c.alone))
        .collect();
    assert_eq!(
        counts,
        [(CauseKind::Mixing, 2, 1), (CauseKind::Places, 1, 0)]
    );
    assert_eq!(reason.causes[0].example.cuts.len(), 1);
}

#[test]
fn the_example_is_one_that_nothing_else_holds_up() {
    // Sown on slot 1 there is neither place nor mixing, sown on slot 0 only no place later.
    let reason = reason(|problem, _| {
        problem.targets[0].pledge_dg = vec![0, 0, 100];
        problem.stations[0].taken.push((1, 2, 1));
        problem.sites[0].mixing_dl = Some(vec![None, Some(4), None]);
    });
    let places = &reason.causes[0];
    assert_eq!(
        (places.kind, places.columns, places.alone),
        (CauseKind::Places, 2, 1)
    );
    assert_eq!(places.example.sow, "2026-03-03".parse().unwrap());
    let Limit::Places { fullest, .. } = &places.limit else {
        panic!("{places:?}")
    };
    assert_eq!(fullest[0].day, "2026-03-10".parse().unwrap());
}

#[test]
fn nothing_delivers() {
    let early = reason(|problem, _| problem.targets[0].pledge_dg = vec![100, 0, 0]);
    assert_eq!(early.nothing_delivers, Some(NothingDelivers::NoCut));
    assert_eq!((early.columns, early.causes.len()), (0, 0));
    let closed = reason(|problem, _| problem.sites[0].slots[1].harvest_week = None);
    assert_eq!(
        closed.nothing_delivers,
        Some(NothingDelivers::NoDeliveryDay)
    );
    let unknown = reason(|problem, _| problem.targets[0].crops = vec!["cress".into()]);
    assert_eq!(
        unknown.nothing_delivers,
        Some(NothingDelivers::NothingGrown)
    );
    // A cut that weighs nothing delivers nothing.
    let empty = reason(|problem, _| problem.classes[0].crops[0].cut_dg = vec![0, 50]);
    assert_eq!(empty.nothing_delivers, Some(NothingDelivers::NoCut));
}

#[test]
fn chains_are_all_listed_or_said_not_to_be() {
    // 30 slots, every later slot possible: 30 over 2, 3, 4 and 5 chains of 1, 2, 3 and 4 cuts.
    let mut growth = shelf().0.classes[0].crops[0].clone();
    let arcs: Vec<_> = (0..30)
        .flat_map(|a| (a + 1..30).map(move |b| (a, b, 1000).into()))
        .collect();
    (growth.first, growth.again) = (arcs.clone(), arcs);
    growth.free_at = (0..30).collect();
    growth.cut_dg = vec![100, 50];
    let (found, complete) = chains(&growth, 0, 0);
    assert_eq!((found.len(), complete), (435 + 4060, true));
    growth.cut_dg = vec![100, 50, 50];
    let (found, complete) = chains(&growth, 0, 0);
    assert_eq!((found.len(), complete), (435 + 4060, false));
}

/// Whether the check accepts a number of containers more of a chain at the stations of its class,
/// with everything bought that can be.
fn accepted(problem: &Problem, plan: &Plan, column: &Column, added: i128) -> bool {
    let mut more = Plan {
        objective: None,
        bound: None,
        ..plan.clone()
    };
    more.purchases = Vec::new();
    for item in problem
        .consumables
        .iter()
        .filter(|item| item.most_per_week > 0)
    {
        for week in item.lead_weeks..problem.weeks.len() {
            let (consumable, units) = (item.id.clone(), item.most_per_week);
            more.purchases.push(Purchase {
                consumable,
                week,
                units,
            });
        }
    }
    let stations: Vec<_> = problem
        .stations
        .iter()
        .filter(|station| station.class == column.class)
        .collect();
    // one by one to the first station that has room
    let mut verdict = None;
    for _ in 0..added {
        verdict = stations.iter().find_map(|station| {
            let mut trial = more.clone();
            trial.sowings.push(Sowing {
                station: station.id.clone(),
                crop: column.crop.clone(),
                sow: column.sow,
                containers: 1,
                cuts: column.cuts.clone(),
            });
            let verdict = check(problem, &trial);
            let full = |fault: &Violation| fault.kind == ViolationKind::Places;
            (!verdict.problems.iter().any(full)).then(|| {
                more = trial;
                verdict
            })
        });
        if verdict.is_none() {
            return false;
        }
    }
    verdict.is_some_and(|verdict| verdict.valid)
}

/// Sets one kind of limit to about what the plan uses.
fn tighten(problem: &mut Problem, plan: &mut Plan, round: u32) {
    let before = problem.clone();
    let index = Index::new(&before);
    let ledger = Ledger::of(&index, plan, &mut Findings::default());
    // The limit holds in every other week.
    let narrow = |counts: &[i128]| {
        let limit = counts
            .iter()
            .enumerate()
            .map(|(week, &count)| (week % 2 == 0).then(|| i64::try_from(count).unwrap()));
        Some(limit.collect())
    };
    match round {
        0 => {
            plan.purchases.clear();
            for (item, used) in problem.consumables.iter_mut().zip(&ledger.used) {
                item.most_per_week = i64::from(item.id == "seed");
                item.stock = i64::try_from(used.iter().sum::<i128>()).unwrap();
            }
        }
        1 => {
            problem.sites[0].mixing_dl = narrow(&ledger.mixing_dl[0]);
        }
        _ => {
            problem.sites[0].most_sowings = narrow(&ledger.batches_by_week(&index)[0]);
            let share = Share {
                crops: before.crops.clone(),
                sites: vec![before.sites[0].id.clone()],
                crop: before.crops[0].clone(),
                min_permille: None,
                max_permille: None,
                weeks: 4,
                from_week: 1,
            };
            problem.shares.push(share);
            let greatest = share_runs(&Index::new(problem), &ledger, 0)
                .iter()
                .map(|&(_, one, all)| 1 + 1000 * one / all.max(1))
                .max();
            problem.shares[0].max_permille = i64::try_from(greatest.unwrap()).ok();
        }
    }
}

#[test]
fn a_column_is_open_exactly_when_the_check_accepts_one_more() {
    let tiny: [&[u8]; 2] = [
        include_bytes!("../../tests/data/check_tiny_problem.json"),
        include_bytes!("../../tests/data/check_tiny_plan.json"),
    ];
    let s1: [&[u8]; 2] = [
        include_bytes!("../../tests/data/check_s1_problem.json"),
        include_bytes!("../../tests/data/check_s1_batches_plan.json"),
    ];
    let mut kinds = BTreeSet::new();
    for ([problem, plan], every) in [(tiny, 1), (s1, 40)] {
        let mut problem = read_problem(problem).unwrap();
        let mut plan = read_plan(plan).unwrap();
        plan.problem.clone_from(&problem.name);
        let (mut open, mut looked_at) = (0, 0);
        for round in 0..3 {
            // Loosen by dropping every batch sown in some weeks, so that all kinds of limits are met.
            plan.sowings
                .retain(|sowing| round == 0 || sowing.sow.iso_week().week() % 4 != round);
            (plan.objective, plan.bound) = (None, None);
            problem.rules.smallest_sowing = every > 1 && round == 0;
            problem.rules.most_sowings = round == 2;
            tighten(&mut problem, &mut plan, round);
            assert_eq!(check(&problem, &plan).problems, []);
            let index = Index::new(&problem);
            let ledger = Ledger::of(&index, &plan, &mut Findings::default());
            let room = Room::new(&index, &ledger);
            for (class, grown) in problem.classes.iter().enumerate() {
                for (entry, growth) in grown.crops.iter().enumerate() {
                    for chain in chains(growth, class, entry)
                        .0
                        .iter()
                        .skip(round as usize)
                        .step_by(every)
                    {
                        let blocked = room.blocked(chain);
                        let column = room.column(chain);
                        let added = room.added(chain);
                        let accepted = accepted(&problem, &plan, &column, added);
                        assert_eq!(blocked.is_empty(), accepted, "{column:?} {blocked:?}");
                        kinds.extend(blocked.iter().map(Blocked::kind));
                        looked_at += 1;
                        open += usize::from(accepted);
                    }
                }
            }
        }
        assert!(
            looked_at > 60 && 0 < open && open < looked_at,
            "{open} of {looked_at}"
        );
    }
    assert_eq!(kinds.len(), 6, "every kind is met: {kinds:?}");
}
