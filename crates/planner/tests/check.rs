//! The independent check: stored plans, spoilt plans, spoilt problems, and the weekly division.
#![allow(clippy::unwrap_used)]

use cotyl_planner::allocation::{Division, Harvest, Pledge, allocate, divide};
use cotyl_planner::check::{Verdict, ViolationKind, check};
use cotyl_planner::faults::{faults, read_plan, read_problem};
use cotyl_planner::problem::Share;
use cotyl_planner::{Plan, Problem, Purchase};
use proptest::prelude::*;

macro_rules! data {
    ($name:literal) => {
        include_bytes!(concat!("data/check_", $name, ".json"))
    };
}

fn tiny() -> (Problem, Plan) {
    (
        read_problem(data!("tiny_problem")).unwrap(),
        read_plan(data!("tiny_plan")).unwrap(),
    )
}

fn day(text: &str) -> chrono::NaiveDate {
    text.parse().unwrap()
}

#[test]
fn tiny_example_has_the_objective_worked_out_by_hand() {
    let (problem, plan) = tiny();
    assert_eq!(faults(&problem), []);
    let verdict = check(&problem, &plan);
    assert_eq!(verdict.problems, []);
    assert!(verdict.valid);
    // By hand: the pantry lacks 10 of 80 g at priority 2: 20 points; the kitchen twice 10 of 20 g:
    // 4 + 6*2 each; 10 of 10 g: 2 + 3*2 + 5*4. Seed: 3*2 + 4*3 units, 8 above stock at 5 cents.
    // Work: 2 committed, leaf 3*2 + 5*1 + 3*1, cress 4*(1.5 + 1 + 0.5) minutes.
    assert_eq!(verdict.parts.shortfall, (20 + 16 + 16 + 28) * 10_000);
    assert_eq!(verdict.parts.surplus, 0);
    assert_eq!(verdict.parts.cost, 8 * 50 * 10);
    assert_eq!(verdict.parts.labour, (20 + 60 + 50 + 30 + 120) * 50);
    assert_eq!(verdict.parts.changes, 0);
    assert_eq!(verdict.objective_e4, 818_000);
    assert_eq!((verdict.pledged_dg, verdict.short_dg), (3300, 400));
    assert_eq!((verdict.containers, verdict.sowings), (7, 5));
    assert_eq!((verdict.minutes10, verdict.price_cents10), (280, 400));
    let short: Vec<_> = verdict
        .short_cells
        .iter()
        .map(|c| (c.target.as_str(), c.week, c.short_dg))
        .collect();
    assert_eq!(
        short,
        [
            ("kitchen", 1, 100),
            ("pantry", 2, 100),
            ("kitchen", 2, 100),
            ("kitchen", 3, 100)
        ]
    );
}

/// Stored problems and plans, with the figures that `check_plan.py`, a separate referee written in
/// Python that divides the harvest with a linear programme, prints for them.
#[test]
fn stored_plans_have_the_objective_of_the_python_referee() {
    let s1 = read_problem(data!("s1_problem")).unwrap();
    let mut batches = s1.clone();
    batches.name = "S1-batches".into();
    batches.rules.smallest_sowing = true;
    batches.rules.most_sowings = true;
    let s2 = read_problem(data!("s2_problem")).unwrap();
    let s1x2 = read_problem(data!("s1x2_problem")).unwrap();
    for (problem, plan, objective_e4, short_dg, surplus_dg) in [
        (s1, &data!("s1_plan")[..], 25_294_390, 6351, 41_148),
        (batches, data!("s1_batches_plan"), 25_694_600, 6372, 45_944),
        (s2, data!("s2_plan"), 22_281_840, 4468, 32_937),
        (s1x2, data!("s1x2_plan"), 21_575_280, 5055, 40_433),
    ] {
        assert_eq!(faults(&problem), [], "{}", problem.name);
        let verdict = check(&problem, &read_plan(plan).unwrap());
        assert_eq!(verdict.problems, [], "{}", problem.name);
        assert_eq!(verdict.objective_e4, objective_e4, "{}", problem.name);
        assert_eq!(
            (verdict.short_dg, verdict.surplus_dg),
            (short_dg, surplus_dg)
        );
    }
}

/// The tiny example without its stated figures, spoilt by `change`, must break just this rule.
fn breaks(kind: ViolationKind, change: impl FnOnce(&mut Problem, &mut Plan)) -> Verdict {
    let (mut problem, mut plan) = tiny();
    (plan.objective, plan.bound) = (None, None);
    change(&mut problem, &mut plan);
    let verdict = check(&problem, &plan);
    assert!(!verdict.valid);
    let kinds: Vec<_> = verdict
        .problems
        .iter()
        .map(|problem| problem.kind)
        .collect();
    assert!(
        kinds.contains(&kind),
        "expected {kind:?}, found {:?}",
        verdict.problems
    );
    verdict
}

/// Like [`breaks`], and no other rule is broken.
fn breaks_only(kind: ViolationKind, change: impl FnOnce(&mut Problem, &mut Plan)) -> String {
    let verdict = breaks(kind, change);
    assert!(
        verdict.problems.iter().all(|p| p.kind == kind),
        "{:?}",
        verdict.problems
    );
    verdict.problems[0].message.clone()
}

#[test]
fn spoilt_sowings_are_rejected() {
    use ViolationKind as Kind;
    breaks(Kind::Station, |_, plan| {
        plan.sowings[0].station = "nowhere".into()
    });
    breaks(Kind::Crop, |_, plan| plan.sowings[0].crop = "weed".into());
    breaks(Kind::Containers, |_, plan| plan.sowings[0].containers = 0);
    breaks(Kind::Containers, |_, plan| plan.sowings[0].containers = -1);
    breaks(Kind::Containers, |_, plan| {
        plan.sowings[0].containers = i64::MAX
    });
    // Not a working day, in a closed week, before the start and after the end.
    breaks(Kind::Day, |_, plan| plan.sowings[0].sow = day("2026-03-18"));
    breaks(Kind::Day, |_, plan| {
        plan.sowings[0].cuts[0] = day("2026-03-24")
    });
    breaks(Kind::Day, |_, plan| plan.sowings[0].sow = day("2026-02-24"));
    breaks(Kind::Day, |_, plan| {
        plan.sowings[0].cuts[1] = day("2026-06-02")
    });
    breaks(Kind::Cuts, |_, plan| plan.sowings[0].cuts.clear());
    breaks(Kind::Cuts, |_, plan| {
        plan.sowings[0].cuts.push(day("2026-04-11"))
    });
    // Too early, on the sow day, in the wrong order, twice the same.
    breaks(Kind::Arc, |_, plan| {
        plan.sowings[0].cuts = vec![day("2026-03-21")]
    });
    breaks(Kind::Arc, |_, plan| {
        plan.sowings[0].cuts = vec![day("2026-03-17")]
    });
    breaks(Kind::Arc, |_, plan| plan.sowings[0].cuts.reverse());
    breaks(Kind::Arc, |_, plan| {
        plan.sowings[0].cuts[1] = day("2026-03-31")
    });
}

#[test]
fn broken_limits_are_rejected() {
    use ViolationKind as Kind;
    let message = breaks_only(Kind::Places, |problem, _| {
        problem.stations[1].taken.push((0, 1, 1))
    });
    assert_eq!(message, "shelf-2 on 2026-03-03: 2 containers in 1 places");
    // Between its two cuts, leaf holds both places of the first shelf.
    let message = breaks_only(Kind::Places, |problem, _| {
        problem.stations[0].taken.push((7, 8, 1))
    });
    assert_eq!(message, "shelf-1 on 2026-04-04: 3 containers in 2 places");
    let message = breaks_only(Kind::Minutes, |problem, _| {
        problem.sites[0].minutes.as_mut().unwrap()[2] = Some(7);
    });
    assert_eq!(message, "hall in 2026-W12: 9 minutes of work, 7 at hand");
    let message = breaks_only(Kind::Minutes, |problem, _| {
        // Just enough, but for a tenth of a minute.
        problem.sites[0].minutes.as_mut().unwrap()[2] = Some(9);
        problem.committed_work[0].week = 2;
        problem.committed_work[0].minutes10 = 1;
    });
    assert_eq!(message, "hall in 2026-W12: 9.1 minutes of work, 9 at hand");
    let message = breaks_only(Kind::Mixing, |problem, _| {
        problem.sites[0].mixing_dl.as_mut().unwrap()[2] = Some(19);
    });
    assert_eq!(message, "hall in 2026-W12: 2 litres to mix, 1.9 can be");
    let message = breaks_only(Kind::Stock, |_, plan| {
        plan.purchases.remove(2);
    });
    assert_eq!(message, "seed in 2026-W14: 3 units are lacking");
    breaks_only(Kind::SmallestSowing, |problem, _| {
        problem.rules.smallest_sowing = true;
        problem.classes[0].crops[1].smallest_sowing = 2;
    });
    breaks_only(Kind::MostSowings, |problem, _| {
        problem.rules.most_sowings = true;
        problem.sites[0].most_sowings = Some(vec![Some(1), None, None, None, None, None]);
    });
    let share = |min_permille, max_permille| Share {
        crops: vec!["leaf".into(), "cress".into()],
        sites: vec!["hall".into()],
        crop: "cress".into(),
        min_permille,
        max_permille,
        weeks: 3,
        from_week: 1,
    };
    breaks_only(Kind::Share, |problem, _| {
        problem.shares = vec![share(None, Some(100))]
    });
    breaks_only(Kind::Share, |problem, _| {
        problem.shares = vec![share(Some(900), None)]
    });
}

#[test]
fn limits_that_do_not_hold_are_not_checked() {
    let (mut problem, plan) = tiny();
    problem.rules.minutes = false;
    problem.rules.mixing = false;
    problem.rules.stock = false;
    problem.sites[0].minutes = Some(vec![Some(0); 6]);
    problem.sites[0].mixing_dl = Some(vec![Some(0); 6]);
    problem.sites[0].most_sowings = Some(vec![Some(0); 6]);
    problem.consumables[0].stock = 0;
    problem.classes[0].crops[1].smallest_sowing = 9;
    assert!(check(&problem, &plan).valid);
}

#[test]
fn spoilt_purchases_and_statements_are_rejected() {
    use ViolationKind as Kind;
    let seed = |week, units| Purchase {
        consumable: "seed".into(),
        week,
        units,
    };
    breaks_only(Kind::Purchase, |_, plan| plan.purchases.push(seed(6, 1)));
    breaks_only(Kind::Purchase, |_, plan| plan.purchases.push(seed(2, 0)));
    breaks_only(Kind::Purchase, |_, plan| plan.purchases.push(seed(2, -1)));
    breaks(Kind::Purchase, |_, plan| {
        plan.purchases[0].consumable = "gold".into()
    });
    breaks_only(Kind::PurchaseTooEarly, |_, plan| {
        plan.purchases.push(seed(0, 1))
    });
    breaks_only(Kind::PurchaseTooLarge, |_, plan| {
        plan.purchases.push(seed(2, 2))
    });
    breaks_only(Kind::Format, |_, plan| plan.format = "plan".into());
    breaks_only(Kind::OtherProblem, |_, plan| plan.problem = "other".into());
    breaks_only(Kind::Objective, |_, plan| plan.objective = Some(81.802));
    breaks_only(Kind::Bound, |_, plan| plan.bound = Some(81.802));
    breaks_only(Kind::FaultyProblem, |problem, _| {
        problem.start_date = day("2026-03-03")
    });
    breaks(Kind::TooLarge, |problem, plan| {
        problem.classes[0].crops[0].cut_dg[0] = 1_000_000_000;
        problem.classes[0].crops[0].first[1].permille = 1_000_000_000;
        plan.sowings[3].containers = 1_000_000_000;
        plan.sowings[3].cuts = vec![day("2026-03-21")];
    });
}

#[test]
fn changes_are_charged_by_batch() {
    let (mut problem, mut plan) = tiny();
    problem.adopted = Some(plan.sowings.clone());
    assert_eq!(check(&problem, &plan).parts.changes, 0);
    // The same batch at another station of the class is no change.
    problem.adopted.as_mut().unwrap()[4].station = "shelf-1".into();
    assert_eq!(check(&problem, &plan).parts.changes, 0);
    (plan.objective, plan.bound) = (None, None);
    plan.sowings.remove(0);
    let verdict = check(&problem, &plan);
    assert!(verdict.valid);
    assert_eq!(
        (verdict.containers_changed, verdict.parts.changes),
        (2, 4000)
    );
}

#[test]
fn faulty_problems_are_refused_where_the_fault_is() {
    type Change = fn(&mut Problem);
    let cases: [(&str, Change); 19] = [
        ("/format", |p| p.format = "planning-problem/2".into()),
        ("/start_date", |p| p.start_date = day("2026-03-03")),
        ("/weeks/0", |p| p.weeks.reverse()),
        ("/stations/1", |p| p.stations[1].id = "shelf-1".into()),
        ("/sites/0/slots/1", |p| p.sites[0].slots[1].day = 1),
        ("/sites/0/slots/3", |p| p.sites[0].slots[2].week = 2),
        ("/sites/0/slots/9", |p| p.sites[0].slots[9].week = 6),
        ("/sites/0/minutes/0", |p| {
            p.sites[0].minutes.as_mut().unwrap()[0] = Some(-1)
        }),
        ("/sites/0/mixing_dl", |p| {
            p.sites[0].mixing_dl = Some(vec![])
        }),
        ("/classes/0/crops/0/first/0", |p| {
            p.classes[0].crops[0].first[0].to = 0
        }),
        ("/classes/0/crops/0/again/1", |p| {
            p.classes[0].crops[0].again[1].from = 4
        }),
        ("/classes/0/crops/0/free_at/3", |p| {
            p.classes[0].crops[0].free_at[3] = 2
        }),
        ("/classes/0/crops/1/cut_dg/0", |p| {
            p.classes[0].crops[1].cut_dg[0] = 1_000_000_001
        }),
        ("/stations/0/taken", |p| p.stations[0].taken.push((0, 2, 2))),
        ("/stations/1/class", |p| {
            p.stations[1].class = "elsewhere".into()
        }),
        ("/targets/0/pledge_dg/0", |p| p.targets[0].pledge_dg[0] = -1),
        ("/targets/1/priority", |p| p.targets[1].priority = 0),
        ("/committed/0/crop", |p| p.committed[0].crop = "weed".into()),
        ("/objective/shortfall_bands", |p| {
            p.objective.shortfall_bands[2].0 = 499
        }),
    ];
    for (path, change) in cases {
        let mut problem = tiny().0;
        change(&mut problem);
        let found = faults(&problem);
        assert!(
            found.iter().any(|fault| fault.path == path),
            "{path}: {found:?}"
        );
    }
}

#[test]
fn unreadable_files_name_the_field() {
    let text = String::from_utf8(data!("tiny_problem").to_vec()).unwrap();
    let reads = |from: &str, to: &str| {
        assert!(text.contains(from));
        read_problem(text.replacen(from, to, 1).as_bytes()).unwrap_err()
    };
    let error = reads("\"day\": 8,", "\"day\": 8.5,");
    assert_eq!(error.path, "/sites/0/slots/2/day");
    let error = reads("\"day\": 8,", "");
    assert_eq!(error.path, "/sites/0/slots/2");
    assert!(error.message.contains("missing field `day`"), "{error}");
    assert_eq!(
        reads("[4, 6, 860]", "[4, 6, \"all\"]").path,
        "/classes/0/crops/0/again/0/2"
    );
    assert_eq!(
        reads("[4, 6, 860]", "[4, 6]").path,
        "/classes/0/crops/0/again/0"
    );
    assert_eq!(
        reads("\"start_date\": \"2026-03-02\"", "\"start_date\": \"soon\"").path,
        "/start_date"
    );
    let error = reads(
        "\"adopted\": null",
        "\"adopted\": [{\"crop\": \"a}b\", \"x\": 1}]",
    );
    assert_eq!(error.path, "/adopted/0");
    assert_eq!(read_problem(b"{}").unwrap_err().path, "");
    assert!(
        read_problem(b"{}")
            .unwrap_err()
            .to_string()
            .starts_with("the file: missing field")
    );
    let error = read_plan(br#"{"format": "", "problem": "", "sowings": [{"containers": 1.5}]}"#);
    assert_eq!(error.unwrap_err().path, "/sowings/0/containers");
    for end in 0..text.trim_end().len() {
        assert!(read_problem(&text.as_bytes()[..end]).is_err());
    }
}

#[test]
fn a_week_divided_by_hand() {
    // 30 g of leaf and 20 g of cress. The pantry (priority 2) takes both and asks for 40 g, the
    // kitchen (priority 1) takes cress and asks for 20 g. 10 g are short: 4 g of the kitchen's first
    // band at 1 point, then 6 g at 2 points, from the kitchen's second band or the pantry's first.
    let bands = [(200, 1000), (300, 2000), (500, 4000)];
    let pantry = Pledge {
        dg: 400,
        priority: 2,
        sources: vec![0, 1],
    };
    let kitchen = Pledge {
        dg: 200,
        priority: 1,
        sources: vec![1],
    };
    let division = divide(&[300, 200], &[pantry.clone(), kitchen.clone()], &bands, 50);
    assert_eq!(division.shortfall_e4, 40 * 1000 + 60 * 2000);
    assert_eq!(
        (division.surplus_e4, division.sent_dg.iter().sum::<i64>()),
        (0, 500)
    );
    // The kitchen alone is served in full; 15 g of cress more are left over, and all the leaf.
    let division = divide(&[300, 350], &[kitchen], &bands, 50);
    assert_eq!((division.shortfall_e4, division.surplus_e4), (0, 450 * 50));
    assert_eq!(division.surplus_dg, [300, 150]);
}

#[test]
fn a_pledge_moved_to_another_source_has_nothing_left_to_give_up() {
    // The first takes source 0 and moves to source 1 for the second; the third, for which there is
    // only source 0, finds nothing, though source 2 is left over.
    let pledge = |priority, sources: &[usize]| Pledge {
        dg: 2,
        priority,
        sources: sources.into(),
    };
    let pledges = [pledge(3, &[0, 1, 2]), pledge(2, &[0]), pledge(1, &[0])];
    let division = divide(&[2, 2, 2], &pledges, &[(1000, 1000)], 0);
    assert_eq!(division.sent_dg, [2, 2, 0]);
    assert_eq!(division.surplus_dg, [0, 0, 2]);
    assert_eq!(division.shortfall_e4, 2000);
}

/// The cost of a shortfall, decigram by decigram.
fn shortfall_cost(pledge: &Pledge, sent: i64, bands: &[(i64, i64)]) -> i128 {
    (0..pledge.dg - sent)
        .map(|dg| {
            let mut shares = 0;
            let slope = bands.iter().find_map(|&(share, slope)| {
                shares += share;
                (dg < pledge.dg * shares / 1000).then_some(slope)
            });
            i128::from(slope.unwrap() * pledge.priority)
        })
        .sum()
}

/// One week to divide.
#[derive(Debug, Clone)]
struct Week {
    supply: Vec<i64>,
    pledges: Vec<Pledge>,
    bands: Vec<(i64, i64)>,
    surplus_per_g: i64,
}

impl Week {
    fn divide(&self) -> Division {
        divide(&self.supply, &self.pledges, &self.bands, self.surplus_per_g)
    }

    /// The least cost over every way to send whole decigrams: `left` of `source` to the pledges from
    /// `pledge` on, then the sources after it.
    fn least(&self, sent: &mut [i64], source: usize, pledge: usize, left: i64) -> i128 {
        if let Some(wanted) = self.pledges.get(pledge) {
            let open = wanted.sources.contains(&source);
            let most = if open {
                left.min(wanted.dg - sent[pledge])
            } else {
                0
            };
            let costs = (0..=most).map(|dg| {
                sent[pledge] += dg;
                let cost = self.least(sent, source, pledge + 1, left - dg);
                sent[pledge] -= dg;
                cost
            });
            return costs.min().unwrap();
        }
        let rest = match self.supply.get(source + 1) {
            Some(&next) => self.least(sent, source + 1, 0, next),
            None => self.shortfall(sent),
        };
        rest + i128::from(left * self.surplus_per_g)
    }

    fn shortfall(&self, sent: &[i64]) -> i128 {
        let each = self.pledges.iter().zip(sent);
        each.map(|(pledge, &sent)| shortfall_cost(pledge, sent, &self.bands))
            .sum()
    }
}

fn any_week() -> impl Strategy<Value = Week> {
    let pledge = (
        0..9_i64,
        1..4_i64,
        proptest::sample::subsequence(vec![0, 1, 2], 0..=3),
    )
        .prop_map(|(dg, priority, sources)| Pledge {
            dg,
            priority,
            sources,
        });
    let bands = (0..=1000_i64, 0..=1000_i64, [0..5_i64, 0..5_i64, 0..5_i64]).prop_map(
        |(a, b, [x, y, z])| {
            let (a, b) = (a.min(b), a.max(b));
            vec![(a, x), (b - a, x + y), (1000 - b, x + y + z)]
        },
    );
    (
        prop::collection::vec(0..5_i64, 3),
        prop::collection::vec(pledge, 1..4),
        bands,
        0..3_i64,
    )
        .prop_map(|(supply, pledges, bands, surplus_per_g)| Week {
            supply,
            pledges,
            bands,
            surplus_per_g,
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn division_is_the_cheapest_of_all(week in any_week()) {
        let division = week.divide();
        let cheapest = week.least(&mut vec![0; week.pledges.len()], 0, 0, week.supply[0]);
        prop_assert_eq!(division.shortfall_e4 + division.surplus_e4, cheapest);
        prop_assert_eq!(division.shortfall_e4, week.shortfall(&division.sent_dg));
        let total = division.sent_dg.iter().chain(&division.surplus_dg).sum::<i64>();
        prop_assert_eq!(total, week.supply.iter().sum::<i64>());
        let mut left = division.surplus_dg.iter().zip(&week.supply);
        prop_assert!(left.all(|(left, all)| (0..=*all).contains(left)));
    }

    #[test]
    fn more_harvest_never_raises_the_shortfall(
        amounts in prop::collection::vec(0..900_i64, 12), more in 0..500_i64, at in 0..12_usize,
    ) {
        let problem = tiny().0;
        let harvest = |amounts: &[i64]| -> Harvest {
            amounts.iter().enumerate().map(|(n, &dg)| ((0, n % 2, Some(n / 2)), dg)).collect()
        };
        let before = allocate(&problem, &harvest(&amounts));
        let mut amounts = amounts;
        amounts[at] += more;
        let after = allocate(&problem, &harvest(&amounts));
        prop_assert!(after.shortfall_e4 <= before.shortfall_e4);
        prop_assert!(after.shortfall_e4 + after.surplus_e4
            <= before.shortfall_e4 + before.surplus_e4 + i128::from(more) * 50);
        for cell in after.cells.iter().zip(&before.cells) {
            prop_assert!(cell.0.sent_dg <= cell.0.pledge_dg && cell.0.target == cell.1.target);
        }
    }

    #[test]
    fn costs_scale_with_amounts_and_with_weights(week in any_week(), factor in 1..50_i64) {
        // In whole thousands the bands are divided without remainder.
        let grown = |factor: i64| Week {
            supply: week.supply.iter().map(|dg| dg * 1000 * factor).collect(),
            pledges: week.pledges.iter().map(|p| Pledge { dg: p.dg * 1000 * factor, ..p.clone() }).collect(),
            ..week.clone()
        };
        let (once, often) = (grown(1).divide(), grown(factor).divide());
        prop_assert_eq!(often.shortfall_e4, once.shortfall_e4 * i128::from(factor));
        prop_assert_eq!(often.surplus_e4, once.surplus_e4 * i128::from(factor));
        let mut dear = grown(1);
        dear.bands.iter_mut().for_each(|band| band.1 *= factor);
        dear.surplus_per_g *= factor;
        let dear = dear.divide();
        prop_assert_eq!(dear.shortfall_e4, once.shortfall_e4 * i128::from(factor));
        prop_assert_eq!(dear.sent_dg, once.sent_dg);
    }
}

#[test]
fn the_objective_does_not_depend_on_order_or_names_and_scales_with_its_weights() {
    let (mut problem, mut plan) = tiny();
    problem.targets.reverse();
    problem.stations.reverse();
    problem.crops.reverse();
    plan.sowings.reverse();
    assert_eq!(check(&problem, &plan).objective_e4, 818_000);
    let objective = &mut problem.objective;
    objective
        .shortfall_bands
        .iter_mut()
        .for_each(|band| band.1 *= 2);
    objective.surplus_per_g *= 2;
    objective.cost_per_cent *= 2;
    objective.labour_per_minute *= 2;
    objective.change_per_container *= 2;
    (plan.objective, plan.bound) = (None, None);
    assert_eq!(check(&problem, &plan).objective_e4, 2 * 818_000);
}
