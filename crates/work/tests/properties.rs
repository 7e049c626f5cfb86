//! What holds of derived work whatever stands at a site.
#![allow(clippy::unwrap_used, missing_docs)]

mod common;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, Utc};
use common::{apply, at_noon, in_order, present_after, site, steps_of};
use cotyl_calendar::SiteCalendar;
use cotyl_domain::task::TaskState;
use cotyl_work::{
    Present, RuleBook, SiteFacts, SowingStage, WantedTask, Wish, derive, derive_sowing, reconcile,
};
use proptest::prelude::*;

fn reconciled(rules: &RuleBook, facts: &SiteFacts, present: &mut Vec<Present>) {
    let wanted = derive(rules, facts);
    let now = at_noon(facts, facts.today);
    let open = facts.calendar.is_open_on(facts.today);
    let changes = reconcile(rules, present, &wanted, facts.today, open, now);
    let changes = apply(&changes, usize::MAX);
    present_after(present, changes);
}

fn open_occasions(present: &[Present]) -> BTreeSet<&str> {
    present
        .iter()
        .filter(|task| matches!(task.state, TaskState::Open | TaskState::Held))
        .map(|task| task.occasion.as_str())
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 128, ..ProptestConfig::default() })]

    #[test]
    fn no_task_falls_on_a_day_on_which_the_site_is_closed(facts in site()) {
        for task in derive(&RuleBook::default(), &facts) {
            prop_assert!(facts.calendar.is_open_on(task.window.day), "{task:?}");
            prop_assert!(facts.calendar.closure_on(task.window.day).is_none());
            prop_assert!(task.window.closes > task.window.opens);
            prop_assert!(task.missed_after.is_none_or(|after| after >= task.window.closes));
        }
    }

    #[test]
    fn every_occasion_comes_once(facts in site()) {
        let wanted = derive(&RuleBook::default(), &facts);
        let occasions: BTreeSet<&str> = wanted.iter().map(|task| task.occasion.as_str()).collect();
        prop_assert_eq!(occasions.len(), wanted.len());
        for occasion in occasions {
            prop_assert!(cotyl_work::is_derived(occasion), "{occasion}");
        }
    }

    #[test]
    fn the_order_of_what_stands_does_not_matter(facts in site(), turn in 0_usize..12) {
        let rules = RuleBook::default();
        let mut other = facts.clone();
        other.sowings.reverse();
        if !other.sowings.is_empty() {
            let turn = turn % other.sowings.len();
            other.sowings.rotate_left(turn);
        }
        other.stations.reverse();
        other.recipients.reverse();
        other.batches.reverse();
        prop_assert_eq!(in_order(derive(&rules, &facts)), in_order(derive(&rules, &other)));
    }

    #[test]
    fn a_second_look_changes_nothing(facts in site()) {
        let rules = RuleBook::default();
        let mut present = Vec::new();
        reconciled(&rules, &facts, &mut present);
        let before = present.clone();
        reconciled(&rules, &facts, &mut present);
        prop_assert_eq!(before, present);
    }

    /// A worker that dies after any number of changes leaves nothing that the next does not finish.
    #[test]
    fn work_broken_off_anywhere_is_finished_by_the_next(
        before in site(), after in site(), done in 0_usize..60,
    ) {
        let rules = RuleBook::default();
        // what stands later at the same site, with the same calendar and day
        let after = SiteFacts { site_id: before.site_id, today: before.today, ..after };
        let mut whole = Vec::new();
        reconciled(&rules, &before, &mut whole);
        let mut broken = whole.clone();
        let wanted = derive(&rules, &after);
        let now = at_noon(&after, after.today);
        let open = after.calendar.is_open_on(after.today);
        let changes = reconcile(&rules, &broken, &wanted, after.today, open, now);
        let some = apply(&changes, done);
        present_after(&mut broken, some);
        reconciled(&rules, &after, &mut broken);
        reconciled(&rules, &after, &mut whole);
        broken.sort_by(|a, b| a.occasion.cmp(&b.occasion));
        whole.sort_by(|a, b| a.occasion.cmp(&b.occasion));
        let bare = |tasks: &[Present]| -> Vec<(String, TaskState, NaiveDate)> {
            tasks.iter().map(|task| (task.occasion.clone(), task.state, task.day)).collect()
        };
        prop_assert_eq!(bare(&broken), bare(&whole));
    }

    /// What should be there is there afterwards and still to be done, unless its time was over
    /// before it came.
    #[test]
    fn nothing_that_is_wanted_is_lost(facts in site()) {
        let rules = RuleBook::default();
        let mut present = Vec::new();
        reconciled(&rules, &facts, &mut present);
        let now = at_noon(&facts, facts.today);
        let there = open_occasions(&present);
        for task in derive(&rules, &facts) {
            let over = task.missed_after.is_some_and(|after| after <= now);
            if task.wish == Wish::Have && !over {
                prop_assert!(there.contains(task.occasion.as_str()), "{task:?}");
            }
        }
        for sowing in &facts.sowings {
            let steps = steps_of(&facts, &rules, sowing);
            let count = |kind: &str| steps.iter().filter(|task| task.rule.as_str() == kind).count();
            prop_assert_eq!(count("sow"), usize::from(sowing.stage == SowingStage::Planned));
            prop_assert_eq!(count("cut"), sowing.cuts.len());
            prop_assert_eq!(count("clear_and_clean"), usize::from(!sowing.cuts.is_empty()));
            prop_assert_eq!(count("check_germination"), usize::from(sowing.stage <= SowingStage::Sown));
        }
    }

    /// On every open day until they come up, sown seeds are kept moist.
    #[test]
    fn seeds_are_kept_moist_on_every_open_day(facts in site()) {
        let horizon = facts.today + Days::new(21);
        for sowing in facts.sowings.iter().filter(|sowing| sowing.stage == SowingStage::Sown) {
            let steps = steps_of(&facts, &RuleBook::default(), sowing);
            let misted: BTreeSet<NaiveDate> = steps
                .iter()
                .filter(|task| task.rule.as_str() == "mist")
                .map(|task| task.window.day)
                .collect();
            let last = sowing.emergence_on.min(horizon);
            for day in facts.today.iter_days().take_while(|day| *day <= last) {
                if day > sowing.sow_on && facts.calendar.is_open_on(day) {
                    prop_assert!(misted.contains(&day), "{day} of {sowing:?}");
                }
            }
        }
    }

    /// Where no day is closed, work moves with what it is for.
    #[test]
    fn shifting_a_sowing_shifts_its_tasks(facts in site(), days in 1_u64..100) {
        let open = common::always_open();
        let rules = RuleBook::default();
        for sowing in &facts.sowings {
            let later = common::later(sowing, days);
            let here = derive_sowing(&rules, &open, sowing, facts.today);
            let there = derive_sowing(&rules, &open, &later, facts.today + Days::new(days));
            let days_of = |wanted: Vec<WantedTask>, back: u64| -> Vec<(String, NaiveDate)> {
                let mut days: Vec<_> = wanted
                    .into_iter()
                    .map(|task| (task.rule.as_str().to_owned(), task.window.day - Days::new(back)))
                    .collect();
                days.sort();
                days
            };
            prop_assert_eq!(days_of(here, 0), days_of(there, days));
        }
    }

    /// A clock that runs ahead and is put right again costs no task and makes none twice.
    #[test]
    fn a_clock_put_forward_and_back_leaves_the_work_as_it_was(facts in site(), days in 1_u64..80) {
        let rules = RuleBook::default();
        let mut present = Vec::new();
        reconciled(&rules, &facts, &mut present);
        let before: BTreeMap<String, (TaskState, NaiveDate)> = states(&present);
        let ahead = SiteFacts { today: facts.today + Days::new(days), ..facts.clone() };
        reconciled(&rules, &ahead, &mut present);
        reconciled(&rules, &facts, &mut present);
        let after = states(&present);
        for (occasion, state) in &before {
            prop_assert_eq!(after.get(occasion), Some(state), "{}", occasion);
        }
        // what only the wrong day asked for is not to be done any more
        for (occasion, (state, _)) in &after {
            if !before.contains_key(occasion) {
                prop_assert!(!matches!(state, TaskState::Open | TaskState::Held), "{occasion}");
            }
        }
        let count = present.len();
        let occasions: BTreeSet<&str> = present.iter().map(|task| task.occasion.as_str()).collect();
        prop_assert_eq!(count, occasions.len());
    }

    /// Work of others is never touched.
    #[test]
    fn work_of_others_is_left_alone(facts in site()) {
        let rules = RuleBook::default();
        let calendar: &SiteCalendar = &facts.calendar;
        let window = calendar
            .task_window(facts.today, cotyl_calendar::Flexibility::OrBefore)
            .unwrap();
        let others: Vec<Present> = ["recurring:7:2026-09-07", "by_hand:8", "recurring:mist:2026-09-07"]
            .map(|occasion| Present {
                occasion: occasion.to_owned(),
                missed_after: Some(DateTime::<Utc>::MIN_UTC),
                ..common::present(window)
            })
            .into();
        let now = at_noon(&facts, facts.today);
        let wanted = derive(&rules, &facts);
        let changes = reconcile(&rules, &others, &wanted, facts.today, true, now);
        prop_assert!(changes.drop.is_empty() && changes.miss.is_empty());
        prop_assert!(changes.change.is_empty() && changes.reopen.is_empty());
    }
}

fn states(present: &[Present]) -> BTreeMap<String, (TaskState, NaiveDate)> {
    present
        .iter()
        .map(|task| (task.occasion.clone(), (task.state, task.day)))
        .collect()
}
