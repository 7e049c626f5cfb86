//! Chances, margins and remedies of small seasons.

use cotyl_planner::{Control, Progress, Unhindered};
use serde_json::{Value, json};

use super::super::answer::{Hold, KeptAnswer, Search, work_out};
use super::super::remedies::Change;
use super::{day, search, season, small, solved};

fn profile(document: &mut Value) -> &mut Value {
    &mut document["crops"][0]["profile"]
}

fn wanting(document: &Value, permille: i64) -> KeptAnswer {
    let search = Search {
        wanted_chance_permille: Some(permille),
        ..search(500)
    };
    work_out(&season(document), search, &Unhindered).unwrap()
}

#[test]
fn the_chance_of_a_cut_on_its_day_is_that_of_not_being_late() {
    let mut document = small();
    profile(&mut document)["yield_variation_permille"] = json!(0);
    let answer = solved(&season(&document));
    assert_eq!(answer.seasons, 10_000);
    // Week 12 hangs on the cut of 17 March, the first day on which what is sown on 3 March is ready.
    // One day late it is cut on 21 March, for week 13. With a standard deviation of 2 days it is not
    // late when Z < 0.25: 0.59871 (Abramowitz and Stegun, Handbook of Mathematical Functions, table
    // 26.1). Four standard errors of 10 000 draws are 0.0196.
    let first = answer.weeks[0].chance.unwrap();
    assert!(
        (first.met_permille - 598).abs() <= 20,
        "{} of 1000",
        first.met_permille
    );
    // all of the 200 g or nothing
    assert_eq!((first.low_milligrams, first.high_milligrams), (0, 200_000));
    assert!(
        (first.short_milligrams - 80_258).abs() <= 4_000,
        "{first:?}"
    );
    assert_eq!(first.sowings, 1);
    for week in &answer.weeks {
        let chance = week.chance.unwrap();
        assert!((0..=1000).contains(&chance.met_permille));
        assert!(chance.low_milligrams <= chance.middle_milligrams);
        assert!(chance.middle_milligrams <= chance.high_milligrams);
        assert!(chance.high_milligrams <= week.pledged_milligrams);
    }
}

#[test]
fn what_cannot_be_cut_has_no_chance() {
    let mut document = small();
    document["pledges"][0]["first_week"] = json!("2026-W10");
    let answer = solved(&season(&document));
    let first = answer.weeks[0].chance.unwrap();
    assert_eq!((first.met_permille, first.high_milligrams), (0, 0));
    assert_eq!(first.short_milligrams, 200_000);
}

#[test]
fn a_margin_sows_more_and_says_what_it_reached() {
    let mut document = small();
    document["weeks"] = json!(12);
    document["stations"][0]["places"] = json!(60);
    document["sites"][0]["weekly_minutes"] = json!(600);
    document["closures"] = json!([]);
    document["pledges"][0]["first_week"] = json!("2026-W14");
    document["pledges"][0]["last_week"] = json!("2026-W20");
    profile(&mut document)["yield_variation_permille"] = json!(300);
    profile(&mut document)["hold_days"] = json!(7);
    let plain = solved(&season(&document));
    let wide = wanting(&document, 900);
    let margin = wide.margin.clone().unwrap();
    assert_eq!((margin.wanted_permille, margin.asked), (900, 7));
    assert!(margin.reached > margin.reached_before, "{margin:?}");
    assert!(margin.reached >= 5, "{margin:?}");
    assert_eq!(
        margin.more_containers,
        wide.totals.containers - plain.totals.containers
    );
    assert_eq!(
        margin.more_minutes_tenths,
        wide.totals.minutes_tenths - plain.totals.minutes_tenths
    );
    assert!(margin.more_containers > 0 && margin.rounds > 0);
    // the chances kept are those of other draws of the same plan
    let likely = |answer: &KeptAnswer| {
        let chances = answer.weeks.iter().map(|week| week.chance.unwrap());
        chances.filter(|chance| chance.met_permille >= 880).count()
    };
    assert!(likely(&wide) >= margin.reached, "{margin:?}");
    assert!(likely(&plain) <= margin.reached_before, "{margin:?}");
    assert_eq!(plain.margin, None);
}

/// Solving the changed season anew does no worse than the remedy says.
fn proven(document: &Value, change: impl FnOnce(&mut Value), less_short: i64) {
    let before = solved(&season(document));
    let mut changed = document.clone();
    change(&mut changed);
    let after = solved(&season(&changed));
    assert!(
        after.totals.short_milligrams <= before.totals.short_milligrams - less_short,
        "{} to {}, {less_short} promised",
        before.totals.short_milligrams,
        after.totals.short_milligrams
    );
}

#[test]
fn more_places_are_the_remedy_for_a_full_bench() {
    let mut document = small();
    document["stations"][0]["places"] = json!(3);
    let answer = solved(&season(&document));
    let best = &answer.remedies[0];
    let Change::Places { station_id, more } = &best.change else {
        panic!("{best:?}")
    };
    assert_eq!((station_id.as_str(), *more), ("bench", 1));
    assert!(
        best.words.starts_with("1 more place at Bench: "),
        "{}",
        best.words
    );
    // Three places give 700 g by hand: a place more gives no more than its 100 g cuts and one of 50 g.
    assert!((50_000..=250_000).contains(&best.less_short_milligrams));
    let places = |changed: &mut Value| changed["stations"][0]["places"] = json!(4);
    proven(&document, places, best.less_short_milligrams);
    assert_eq!(answer.remedies.len(), 1, "{:?}", answer.remedies);
}

/// Time for all but a margin.
struct NoWidening;

impl Control for NoWidening {
    fn should_stop(&self) -> bool {
        false
    }
    fn progress(&self, _progress: &Progress) {}
}

impl Hold for NoWidening {
    fn should_stop_widening(&self) -> bool {
        true
    }
}

#[test]
fn what_would_help_is_found_where_no_time_is_left_for_a_margin() {
    let mut document = small();
    document["stations"][0]["places"] = json!(3);
    let search = Search {
        wanted_chance_permille: Some(800),
        ..search(500)
    };
    let answer = work_out(&season(&document), search, &NoWidening).unwrap();
    assert_eq!(answer.margin.unwrap().rounds, 0);
    assert!(!answer.complete);
    let best = &answer.remedies[0].change;
    assert!(matches!(best, Change::Places { .. }), "{best:?}");
}

#[test]
fn more_hands_are_the_remedy_where_time_is_short() {
    let mut document = small();
    document["sites"][0]["weekly_minutes"] = json!(5);
    let answer = solved(&season(&document));
    let best = &answer.remedies[0];
    assert_eq!(
        best.change,
        Change::Minutes {
            site_id: "hall".into(),
            more: 60
        }
    );
    let hands = |changed: &mut Value| changed["sites"][0]["weekly_minutes"] = json!(65);
    proven(&document, hands, best.less_short_milligrams);
}

#[test]
fn opening_is_the_remedy_for_a_closed_week() {
    let mut document = small();
    document["pledges"][0]["first_week"] = json!("2026-W13");
    document["pledges"][0]["last_week"] = json!("2026-W13");
    document["recipients"][0]["keep_days"] = json!(1);
    let answer = solved(&season(&document));
    let best = &answer.remedies[0];
    assert_eq!(
        best.change,
        Change::Open {
            site_id: "hall".into(),
            first_day: day("2026-03-24"),
            last_day: day("2026-03-24")
        }
    );
    // the Saturday of the closure brings nothing for that week, so opening on both days is not told
    assert_eq!(answer.remedies.len(), 1, "{:?}", answer.remedies);
    assert_eq!(best.less_short_milligrams, 200_000);
    // two containers are sown, cut and cleaned: 2 × (2 + 1 + 1) minutes at 0.05 points
    let cost = best.cost().unwrap();
    assert_eq!((cost.provide, cost.amount), (Some("days"), Some(1.0)));
    assert_eq!((cost.more_containers, cost.more_minutes_tenths), (2, 80));
    assert_eq!(cost.points_e4, 4_000);
    assert_eq!(cost.less_short_milligrams_per_unit, Some(200_000));
    assert_eq!(
        best.words,
        "opening Hall on Tuesday of 2026-W13 (2026-03-24): 0.20 kg less short over these weeks; \
         takes 1 day of opening, 2 containers more and 8 minutes of work more; 200 g for each day"
    );
    let open = |changed: &mut Value| {
        changed["closures"] = json!([
            {"site_id": "hall", "first_day": "2026-03-23", "last_day": "2026-03-23", "reason": "Holiday"},
            {"site_id": "hall", "first_day": "2026-03-25", "last_day": "2026-03-29", "reason": "Holiday"},
        ]);
    };
    proven(&document, open, best.less_short_milligrams);
}

#[test]
fn no_remedy_is_told_where_nothing_is_short_or_nothing_helps() {
    assert!(solved(&season(&small())).remedies.is_empty());
    let mut early = small();
    early["pledges"][0]["first_week"] = json!("2026-W10");
    early["pledges"][0]["last_week"] = json!("2026-W10");
    let answer = solved(&season(&early));
    assert_eq!(answer.totals.short_milligrams, 200_000);
    assert!(answer.remedies.is_empty(), "{:?}", answer.remedies);
}
