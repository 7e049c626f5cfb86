//! Rules by example. Days were counted on a calendar of 2026: 7 September is a Monday.
#![allow(clippy::unwrap_used, missing_docs)]

mod common;

use std::collections::BTreeMap;

use chrono::{NaiveDate, Weekday};
use common::{always_open, at_noon, calendar, day, empty_site, id, recipient, sowing};
use cotyl_calendar::SiteCalendar;
use cotyl_domain::QualificationKind;
use cotyl_domain::task::TaskState;
use cotyl_work::{
    BatchFacts, Closing, LiquidFacts, Present, ReadingFacts, Rule, RuleBook, RuleChange, RuleKey,
    SiteFacts, SolutionFacts, SowingStage, SpareDays, StockFacts, WantedTask, Wish,
    closure_warnings, derive, reconcile,
};

const SCHOOL_DAYS: [usize; 5] = [0, 1, 2, 3, 4];

fn with(calendar: SiteCalendar, change: impl FnOnce(&mut SiteFacts)) -> SiteFacts {
    let mut facts = empty_site(calendar);
    change(&mut facts);
    facts
}

fn of(facts: &SiteFacts, key: RuleKey) -> Vec<WantedTask> {
    of_rules(&RuleBook::default(), facts, key)
}

fn of_rules(rules: &RuleBook, facts: &SiteFacts, key: RuleKey) -> Vec<WantedTask> {
    let mut wanted = derive(rules, facts);
    wanted.retain(|task| task.rule == key);
    wanted.sort_by_key(|task| (task.window.day, task.occasion.clone()));
    wanted
}

fn days(tasks: &[WantedTask]) -> Vec<String> {
    tasks
        .iter()
        .map(|task| task.window.day.to_string())
        .collect()
}

fn changed(key: RuleKey, change: RuleChange) -> RuleBook {
    assert_eq!(change.faults(key), []);
    RuleBook::with(&BTreeMap::from([(key, change)]))
}

#[test]
fn seeds_are_misted_daily_until_they_sprout_and_looked_for_when_they_should() {
    let mut facts = with(always_open(), |facts| {
        facts.sowings = vec![sowing(1, SowingStage::Planned, day(0))];
    });
    // sown on Monday, up on Saturday
    let mists = of(&facts, RuleKey::Mist);
    let week = [
        "2026-09-08",
        "2026-09-09",
        "2026-09-10",
        "2026-09-11",
        "2026-09-12",
    ];
    assert_eq!(days(&mists), week);
    assert_eq!(
        mists[0].occasion,
        format!("sowing:{}:mist:2026-09-08", id(1))
    );
    // ten containers, two tenths of a minute each
    assert_eq!(mists[0].minutes, 2);
    let looks = of(&facts, RuleKey::CheckGermination);
    assert_eq!(days(&looks), ["2026-09-12"]);
    assert_eq!(
        looks[0].occasion,
        format!("sowing:{}:check_germination", id(1))
    );

    // two days late: nothing seen on Saturday, so it is looked for again on Tuesday, and misted on
    facts.sowings[0].stage = SowingStage::Sown;
    facts.today = day(7);
    facts.sowings[0].looks = Some((1, day(5)));
    let looks = of(&facts, RuleKey::CheckGermination);
    assert_eq!(days(&looks), ["2026-09-15"]);
    assert_eq!(
        looks[0].occasion,
        format!("sowing:{}:check_germination:2", id(1))
    );
    let mists = of(&facts, RuleKey::Mist);
    let wanted: Vec<_> = mists
        .iter()
        .filter(|task| task.wish == Wish::Have)
        .collect();
    assert_eq!(wanted.len(), 1);
    assert_eq!(wanted[0].window.day, day(7));

    facts.sowings[0].stage = SowingStage::Sprouted;
    assert!(of(&facts, RuleKey::Mist).is_empty());
    assert!(of(&facts, RuleKey::CheckGermination).is_empty());
    // three weeks after they were due, seeds are given up
    facts.sowings[0].stage = SowingStage::Sown;
    facts.today = day(5 + 22);
    assert!(
        of(&facts, RuleKey::Mist)
            .iter()
            .all(|task| task.wish == Wish::Keep)
    );
}

#[test]
fn a_sowing_that_was_not_sown_on_its_day_stays_to_be_sown_and_has_nothing_to_mist() {
    let facts = with(always_open(), |facts| {
        facts.sowings = vec![sowing(1, SowingStage::Planned, day(-2))];
    });
    assert_eq!(days(&of(&facts, RuleKey::Sow)), ["2026-09-05"]);
    assert!(of(&facts, RuleKey::Mist).is_empty());
}

#[test]
fn a_cut_in_a_closure_waits_while_it_may_and_is_brought_forward_when_it_may_not() {
    // the first cut falls on Monday 12 October, 35 days after sowing; ready on the 8th, waits until
    // the 18th
    let closed = |days: i64| {
        with(calendar(&SCHOOL_DAYS, &[(35, days)]), |facts| {
            facts.sowings = vec![sowing(1, SowingStage::Sown, day(0))];
        })
    };
    let first = |facts: &SiteFacts| of(facts, RuleKey::Cut)[0].clone();
    // closed until Wednesday: cut on Thursday
    assert_eq!(first(&closed(2)).window.day, day(38));
    // closed for two weeks: the Friday before
    let brought_forward = first(&closed(13));
    assert_eq!(brought_forward.window.day, day(32));
    assert_eq!(
        brought_forward.qualification,
        Some(QualificationKind::FoodHandling)
    );
    // closed from a week before it is ready: late, and said so before
    let mut facts = with(calendar(&SCHOOL_DAYS, &[(25, 26)]), |facts| {
        facts.sowings = vec![sowing(1, SowingStage::Sprouted, day(0))];
    });
    facts.today = day(20);
    assert_eq!(first(&facts).window.day, day(52));
    let warnings = warned(&facts, 25, 51);
    let cut = warnings
        .iter()
        .find(|(rule, ..)| *rule == RuleKey::Cut)
        .unwrap();
    assert_eq!((&cut.1, cut.2), (&vec![day(35)], Some(day(52))));
}

type Warned = (RuleKey, Vec<NaiveDate>, Option<NaiveDate>);

fn warned(facts: &SiteFacts, first: i64, last: i64) -> Vec<Warned> {
    let closing = Closing {
        first_day: day(first),
        last_day: day(last),
    };
    // a filling lasts eight days
    let lasts = |_, filled_on: NaiveDate| Some(filled_on + chrono::Days::new(8));
    closure_warnings(&RuleBook::default(), facts, closing, lasts)
        .into_iter()
        .map(|warning| (warning.rule, warning.days, warning.put_off_to))
        .collect()
}

#[test]
fn a_closure_that_comes_says_what_will_suffer() {
    let standing = |closed: (i64, i64)| {
        with(calendar(&SCHOOL_DAYS, &[closed]), |facts| {
            let mut unsprouted = sowing(1, SowingStage::Sown, day(-1));
            unsprouted.liquid = None;
            let mut thirsty = sowing(2, SowingStage::Sprouted, day(-20));
            thirsty.cuts.clear();
            thirsty.liquid = Some(LiquidFacts {
                filled_on: day(-20),
                low_on: Some(day(3)),
                containers: thirsty.containers,
                microlitres: 8_000_000,
            });
            facts.sowings = vec![unsprouted, thirsty];
        })
    };
    // closed from Wednesday to Friday, then the weekend
    let warnings = warned(&standing((2, 2)), 2, 4);
    let mist = warnings
        .iter()
        .find(|(rule, ..)| *rule == RuleKey::Mist)
        .unwrap();
    assert_eq!((&mist.1, mist.2), (&vec![day(2), day(3), day(4)], None));
    // topped up on Tuesday it lasts until the Wednesday after: no warning, but brought forward
    assert!(warnings.iter().all(|(rule, ..)| *rule != RuleKey::TopUp));
    let top_ups = of(&standing((2, 2)), RuleKey::TopUp);
    assert_eq!(days(&top_ups), ["2026-09-08"]);
    assert_eq!(top_ups[0].microlitres, Some(8_000_000));
    // closed for two weeks, it does not last
    let warnings = warned(&standing((2, 13)), 2, 15);
    let dry = warnings
        .iter()
        .find(|(rule, ..)| *rule == RuleKey::TopUp)
        .unwrap();
    assert_eq!((dry.1[0], dry.1.len(), dry.2), (day(9), 7, Some(day(16))));
}

#[test]
fn rounds_are_on_the_same_days_at_every_station_on_which_something_stands() {
    let mut facts = with(calendar(&SCHOOL_DAYS, &[]), |facts| {
        facts.sowings = vec![
            sowing(1, SowingStage::Sprouted, day(-20)),
            sowing(2, SowingStage::Sprouted, day(-9)),
        ];
    });
    let by_station = |facts: &SiteFacts, key| -> BTreeMap<_, Vec<String>> {
        let mut by_station: BTreeMap<_, Vec<String>> = BTreeMap::new();
        for task in of(facts, key) {
            assert_eq!(task.containers, 10);
            if task.wish == Wish::Keep {
                continue;
            }
            let station = task.subject.station_id.unwrap();
            by_station
                .entry(station)
                .or_default()
                .push(task.window.day.to_string());
        }
        by_station
    };
    let rounds = by_station(&facts, RuleKey::Measure);
    let stations: Vec<_> = rounds.keys().copied().collect();
    assert_eq!(stations, [id(901), id(902)]);
    assert_eq!(rounds[&id(901)], rounds[&id(902)]);
    // the station whose solution is aerated is not turned; Mondays otherwise
    let turned = by_station(&facts, RuleKey::Turn);
    assert_eq!(turned.keys().copied().collect::<Vec<_>>(), [id(901)]);
    assert_eq!(
        turned[&id(901)],
        ["2026-09-07", "2026-09-14", "2026-09-21", "2026-09-28"]
    );
    // measured today: today's round is not needed
    let today = rounds[&id(901)].iter().position(|day| day == "2026-09-07");
    facts.stations[1].measured_on = Some(day(0));
    let after = by_station(&facts, RuleKey::Measure);
    assert_eq!(
        after[&id(901)].len(),
        rounds[&id(901)].len() - usize::from(today.is_some())
    );
}

#[test]
fn a_reading_out_of_range_is_answered_once_until_one_is_within() {
    let reading = |number, on, ph| ReadingFacts {
        id: id(number),
        station_id: id(901),
        sowing_id: None,
        read_on: day(on),
        ph: Some(ph),
        ec: None,
    };
    let mut facts = with(always_open(), |facts| {
        facts.sowings = vec![sowing(1, SowingStage::Sprouted, day(-20))];
        facts.readings = vec![
            reading(70, -4, 7000),
            reading(71, -3, 6000),
            reading(72, -1, 6510),
        ];
    });
    let adjust = of(&facts, RuleKey::Adjust);
    assert_eq!(adjust.len(), 1);
    assert_eq!(
        adjust[0].occasion,
        format!("station:{}:adjust:{}", id(901), id(72))
    );
    assert_eq!(
        adjust[0].qualification,
        Some(QualificationKind::Concentrates)
    );
    assert_eq!(adjust[0].missed_after, None);
    // a second reading of the same trouble is the same task
    facts.readings.push(reading(73, 0, 6800));
    assert_eq!(of(&facts, RuleKey::Adjust)[0].reading_id, Some(id(72)));
    // answered, and still out: again
    facts
        .finished
        .insert(format!("station:{}:adjust:{}", id(901), id(72)));
    assert_eq!(of(&facts, RuleKey::Adjust)[0].reading_id, Some(id(73)));
    facts.readings.push(reading(74, 0, 5500));
    assert!(of(&facts, RuleKey::Adjust).is_empty());
    // conductivity counts as well, and a reading of one sowing is about that sowing
    facts.readings.push(ReadingFacts {
        sowing_id: Some(id(1)),
        ph: None,
        ec: Some(2001),
        ..reading(75, 0, 0)
    });
    let adjust = of(&facts, RuleKey::Adjust);
    assert_eq!(
        adjust[0].occasion,
        format!("sowing:{}:adjust:{}", id(1), id(75))
    );
}

#[test]
fn solution_is_mixed_once_a_week_before_it_is_lacking() {
    let mut facts = with(calendar(&SCHOOL_DAYS, &[]), |facts| {
        facts.solution = SolutionFacts {
            left_microlitres: 10_000_000,
            // Wednesday, Thursday, the Tuesday after
            needs: vec![
                (day(2), 6_000_000),
                (day(3), 6_000_000),
                (day(8), 5_000_000),
            ],
        };
    });
    let mixes = of(&facts, RuleKey::Mix);
    // two litres lack on Thursday, five on the Tuesday after
    assert_eq!(days(&mixes), ["2026-09-09", "2026-09-14"]);
    let litres: Vec<_> = mixes.iter().map(|task| task.microlitres.unwrap()).collect();
    assert_eq!(litres, [2_000_000, 5_000_000]);
    assert_eq!(
        mixes[0].occasion,
        format!("batch:{}:mix:2026-W37", id(1000))
    );
    assert!(
        mixes
            .iter()
            .all(|task| task.qualification == Some(QualificationKind::Concentrates))
    );
    // done, and still lacking: a second mixing in that week
    facts.finished.insert(mixes[0].occasion.clone());
    assert_eq!(
        of(&facts, RuleKey::Mix)[0].occasion,
        format!("{}:2", mixes[0].occasion)
    );
    facts.solution.left_microlitres = 17_000_000;
    assert!(of(&facts, RuleKey::Mix).is_empty());
    facts.batches = vec![BatchFacts {
        id: id(60),
        begun_on: day(-1),
    }];
    // begun on Sunday, read on Monday
    let read = of(&facts, RuleKey::ReadBatch);
    assert_eq!(days(&read), ["2026-09-07"]);
    assert_eq!(read[0].occasion, format!("batch:{}:measure", id(60)));
}

#[test]
fn the_store_is_counted_four_weeks_after_the_last_time() {
    let mut facts = with(always_open(), |_| ());
    assert!(of(&facts, RuleKey::Count).is_empty());
    facts.stock = Some(StockFacts {
        counted_on: day(-10),
    });
    // 28 August, and 28 days
    assert_eq!(days(&of(&facts, RuleKey::Count)), ["2026-09-25"]);
    facts.stock = Some(StockFacts {
        counted_on: day(-100),
    });
    // long overdue: it stays where it was due
    assert_eq!(days(&of(&facts, RuleKey::Count)), ["2026-06-27"]);
}

#[test]
fn what_is_cut_is_packed_and_delivered_on_the_next_delivery_day() {
    let mut facts = with(calendar(&SCHOOL_DAYS, &[]), |facts| {
        // cut on Monday 7 September and on Monday the 21st
        facts.sowings = vec![sowing(1, SowingStage::Sprouted, day(-35))];
        facts.recipients = vec![recipient(Weekday::Sat)];
    });
    // the site is closed on Saturdays: packed on Friday, and no day to deliver
    assert_eq!(
        days(&of(&facts, RuleKey::Pack)),
        ["2026-09-11", "2026-09-25"]
    );
    assert!(of(&facts, RuleKey::Deliver).is_empty());
    facts.recipients = vec![recipient(Weekday::Wed)];
    let out = of(&facts, RuleKey::Deliver);
    assert_eq!(days(&out), ["2026-09-09", "2026-09-23"]);
    let occasion = format!("recipient:{}:deliver:{}:2026-09-09", id(500), id(1000));
    assert_eq!(out[0].occasion, occasion);
    facts.recipients[0].packed_on = vec![day(2)];
    assert_eq!(days(&of(&facts, RuleKey::Pack)), ["2026-09-23"]);
    facts.recipients[0].delivered_on = vec![day(2)];
    assert_eq!(days(&of(&facts, RuleKey::Deliver)), ["2026-09-23"]);
    // nothing is promised of another crop
    facts.recipients[0].pledges[0].crop_ids = vec![id(801)];
    assert!(of(&facts, RuleKey::Deliver).is_empty());
}

#[test]
fn a_changed_rule_changes_the_work_and_an_empty_change_changes_nothing() {
    let facts = with(always_open(), |facts| {
        facts.sowings = vec![sowing(1, SowingStage::Planned, day(0))];
    });
    let twice = changed(
        RuleKey::Mist,
        RuleChange {
            repeat_days: Some(2),
            fixed_minutes: Some(3),
            people: Some(2),
            ..RuleChange::default()
        },
    );
    let mists = of_rules(&twice, &facts, RuleKey::Mist);
    assert_eq!(days(&mists), ["2026-09-08", "2026-09-10", "2026-09-12"]);
    assert_eq!((mists[0].minutes, mists[0].people), (5, 2));
    let off = changed(
        RuleKey::Mist,
        RuleChange {
            enabled: Some(false),
            ..RuleChange::default()
        },
    );
    assert!(of_rules(&off, &facts, RuleKey::Mist).is_empty());
    for key in RuleKey::ALL {
        let rule = Rule::default_of(key);
        assert_eq!(rule.key, key);
        assert_eq!(rule.with(&RuleChange::default()), rule);
        assert_eq!(*RuleBook::default().get(key), rule);
        assert_eq!(RuleKey::parse(key.as_str()), Some(key));
        assert!(!rule.basis.is_empty() && !rule.harm.is_empty());
        // what does not pass with its day is never missed
        assert_eq!(
            rule.event.lasts(),
            rule.missed_after_days.is_none(),
            "{key:?}"
        );
    }
}

#[test]
fn a_change_cannot_take_training_away_or_lose_what_lasts() {
    let food = RuleChange {
        qualification: Some(QualificationKind::FoodHandling),
        ..RuleChange::default()
    };
    for key in [RuleKey::Adjust, RuleKey::Mix] {
        assert_eq!(food.faults(key)[0].pointer, "/qualification");
        let rule = Rule::default_of(key).with(&food);
        assert_eq!(rule.qualification, Some(QualificationKind::Concentrates));
    }
    assert_eq!(food.faults(RuleKey::Mist), []);
    let missed = RuleChange {
        missed_after_days: Some(1),
        ..RuleChange::default()
    };
    assert_eq!(missed.faults(RuleKey::TopUp)[0].code, "unexpected");
    let wild = RuleChange {
        offset_days: Some(61),
        repeat_days: Some(0),
        people: Some(0),
        mark_permille: Some(99),
        spare_days: Some(SpareDays::Nearest),
        ..RuleChange::default()
    };
    let pointers: Vec<_> = wild
        .faults(RuleKey::Cut)
        .iter()
        .map(|fault| fault.pointer)
        .collect();
    let both = "/repeat_days";
    assert_eq!(
        pointers,
        [
            "/offset_days",
            both,
            "/people",
            "/mark_permille",
            both,
            "/mark_permille"
        ]
    );
}

#[test]
fn what_is_claimed_for_today_stays_while_the_site_is_open() {
    let facts = with(always_open(), |facts| {
        facts.sowings = vec![sowing(1, SowingStage::Planned, day(3))];
    });
    let wanted = derive(&RuleBook::default(), &facts);
    let sow = wanted
        .iter()
        .find(|task| task.rule == RuleKey::Sow)
        .unwrap();
    let today = facts
        .calendar
        .task_window(day(0), cotyl_calendar::Flexibility::ThatDay)
        .unwrap();
    let there = |claimed, state| Present {
        id: id(1),
        occasion: sow.occasion.clone(),
        state,
        claimed,
        ..common::present(today)
    };
    let compare = |present: Present, open| {
        let now = at_noon(&facts, facts.today);
        let wanted = std::slice::from_ref(sow);
        let changes = reconcile(&RuleBook::default(), &[present], wanted, day(0), open, now);
        changes.change.len()
    };
    assert_eq!(compare(there(true, TaskState::Held), true), 0);
    // unclaimed, or the site is shut today after all
    assert_eq!(compare(there(false, TaskState::Open), true), 1);
    assert_eq!(compare(there(true, TaskState::Held), false), 1);
    // its cause gone, it is dropped whoever holds it
    let now = at_noon(&facts, facts.today);
    let held = [there(true, TaskState::Held)];
    let changes = reconcile(&RuleBook::default(), &held, &[], day(0), true, now);
    assert_eq!(changes.drop.len(), 1);
}

#[test]
fn work_that_ends_its_own_cause_stays_with_whoever_is_at_it() {
    let facts = with(always_open(), |_| {});
    let window = |on| {
        facts
            .calendar
            .task_window(day(on), cotyl_calendar::Flexibility::ThatDay)
            .unwrap()
    };
    let dropped = |occasion: &str, on, claimed, begun| {
        let present = Present {
            id: id(1),
            occasion: occasion.to_owned(),
            claimed,
            begun,
            ..common::present(window(on))
        };
        let now = at_noon(&facts, facts.today);
        let changes = reconcile(&RuleBook::default(), &[present], &[], day(0), true, now);
        changes.drop.len()
    };
    let mix = format!("batch:{}:mix:2026-09-07", id(2));
    // a batch was begun, so that the solution suffices: nobody is sent away from it
    assert_eq!(dropped(&mix, 0, true, false), 0);
    assert_eq!(dropped(&mix, 3, true, true), 0);
    // nobody is at it, or only will be on another day
    assert_eq!(dropped(&mix, 0, false, false), 1);
    assert_eq!(dropped(&mix, 3, true, false), 1);
    // a sowing that is lost needs no cutting, whoever is at it
    let cut = format!("sowing:{}:cut:1", id(3));
    assert_eq!(dropped(&cut, 0, true, true), 1);
}
