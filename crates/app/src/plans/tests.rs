//! Small seasons worked by hand.

#![allow(clippy::unwrap_used)]

use chrono::NaiveDate;
use cotyl_growth::Relaxed;
use cotyl_planner::Unhindered;
use cotyl_planner::faults::faults;
use cotyl_planner::problem::Problem;
use serde_json::{Value, json};

use super::answer::{KeptAnswer, Search, work_out};
use super::compare::compare;
use super::compile::{LeftOut, compile};
use super::explain::{Rule, explain};
use super::scenario::Scenario;
use super::season::{Season, SeasonSowing};

mod documents;
mod due;
mod goods;
mod outlook;

const EXAMPLE: &str = include_str!("../../data/example_scenario.json");

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// One site open on Tuesday and Saturday, one bench of ten places at the best temperature and light:
/// a crop that takes 14 days to the first cut and 7 to the next, 100 g and 50 g, every seed of which
/// comes up. Delivered on Wednesday, kept four days. Six weeks from Monday 2 March 2026.
fn small() -> Value {
    let example: Value = serde_json::from_str(EXAMPLE).unwrap();
    let mut crop = example["crops"][0].clone();
    crop["id"] = json!("leaf");
    let profile = &mut crop["profile"];
    for (field, value) in [
        (
            "cut_weights",
            json!([{"value": "100", "unit": "g"}, {"value": "50", "unit": "g"}]),
        ),
        ("days_to_first_cut", json!(14)),
        ("days_to_regrow", json!(7)),
        ("hold_days", json!(3)),
        ("hold_loss_permille_per_day", json!(0)),
        ("germination_permille", json!(1000)),
        ("cleaning_days", json!(1)),
        ("smallest_sowing", json!(1)),
        ("sow_minutes_tenths", json!(20)),
        ("cut_minutes_tenths", json!(10)),
        ("clean_minutes_tenths", json!(10)),
    ] {
        profile[field] = value;
    }
    json!({
        "name": "small", "first_week": "2026-W10", "weeks": 6, "today": "2026-03-01",
        "sites": [{"id": "hall", "name": "Hall", "zone": "Europe/Berlin", "weekly_minutes": 100, "weekly_mixing": null,
            "opening_hours": [{"weekday": "tuesday", "opens": "09:00", "closes": "12:00"}, {"weekday": "saturday", "opens": "09:00", "closes": "12:00"}],
            "most_sowings_per_week": null}],
        "closures": [{"site_id": "hall", "first_day": "2026-03-23", "last_day": "2026-03-29", "reason": "Holiday"}],
        "container_kinds": [{"id": "jar", "name": "Jar", "fill": {"value": "3.5", "unit": "L"}}],
        "stations": [{"id": "bench", "site_id": "Hall", "container_kind_id": "jar", "name": "Bench", "method": "passive", "places": 10,
            "environment": [{"first_week": 1, "last_week": 53, "temperature_celsius": 22.0, "daily_light_mol": 17.0}]}],
        "crop_groups": [{"name": "salad greens"}],
        "crops": [crop],
        "recipients": [{"id": "pantry", "name": "Pantry", "kind": "pantry", "delivery_weekdays": ["wednesday"], "keep_days": 4}],
        "pledges": [{"id": "salad", "recipient_id": "pantry", "crop_group_id": "salad greens", "weekly": {"value": "200", "unit": "g"},
            "first_week": "2026-W12", "last_week": "2026-W15"}]
    })
}

fn season(document: &Value) -> Season {
    Scenario::read(document.to_string().as_bytes())
        .unwrap()
        .season()
        .unwrap()
}

fn stated(season: &Season) -> Problem {
    let problem = compile(season, LeftOut::default()).unwrap().problem;
    assert_eq!(faults(&problem), []);
    problem
}

fn search(work: u64) -> Search {
    Search {
        seed: 1,
        work,
        wanted_chance_permille: None,
    }
}

fn solved(season: &Season) -> KeptAnswer {
    work_out(season, search(500), &Unhindered).unwrap()
}

#[test]
fn slots_are_open_days_after_today_and_cuts_go_to_the_next_delivery() {
    let problem = stated(&season(&small()));
    let slots: Vec<(u32, usize, Option<usize>)> = problem.sites[0]
        .slots
        .iter()
        .map(|slot| (slot.day, slot.week, slot.harvest_week))
        .collect();
    // Tuesday is delivered on Wednesday, Saturday on the Wednesday after; the fourth week is closed;
    // nothing is delivered after the last week. The clocks go forward on 29 March.
    assert_eq!(
        slots,
        [
            (1, 0, Some(0)),
            (5, 0, Some(1)),
            (8, 1, Some(1)),
            (12, 1, Some(2)),
            (15, 2, Some(2)),
            (19, 2, Some(3)),
            (29, 4, Some(4)),
            (33, 4, Some(5)),
            (36, 5, Some(5)),
            (40, 5, None),
        ]
    );
    assert_eq!(problem.weeks[0], "2026-W10");
    // 100 minutes for two days; none in the closed week
    let hundred = Some(100);
    assert_eq!(
        problem.sites[0].minutes.as_deref().unwrap(),
        [hundred, hundred, hundred, Some(0), hundred, hundred]
    );
    assert_eq!(
        (
            problem.sites[0].mixing_dl.as_ref(),
            problem.sites[0].most_sowings.as_ref()
        ),
        (None, None)
    );
}

#[test]
fn the_week_of_today_has_what_is_left_of_it() {
    let mut document = small();
    document["today"] = json!("2026-03-03");
    let problem = stated(&season(&document));
    assert_eq!(problem.sites[0].slots[0].day, 5);
    assert_eq!(problem.sites[0].minutes.as_ref().unwrap()[0], Some(50));
    document["today"] = json!("2026-04-30");
    let problem = stated(&season(&document));
    assert_eq!(problem.sites[0].slots.len(), 0);
    assert!(
        problem.sites[0]
            .minutes
            .as_ref()
            .unwrap()
            .iter()
            .all(|limit| *limit == Some(0))
    );
}

#[test]
fn a_cut_counts_for_the_earliest_week_of_any_recipient() {
    let mut document = small();
    // not kept until Wednesday: a Saturday's cut reaches nobody
    document["recipients"][0]["keep_days"] = json!(3);
    let weeks = |document: &Value| -> Vec<Option<usize>> {
        stated(&season(document)).sites[0]
            .slots
            .iter()
            .map(|slot| slot.harvest_week)
            .take(4)
            .collect()
    };
    assert_eq!(weeks(&document), [Some(0), None, Some(1), None]);
    // another receives on Sundays
    document["recipients"]
        .as_array_mut()
        .unwrap()
        .push(json!({"name": "Kitchen", "delivery_weekdays": ["sunday"], "keep_days": 1}));
    assert_eq!(
        weeks(&document),
        [Some(0), None, Some(1), None],
        "without a pledge it does not count"
    );
    document["pledges"].as_array_mut().unwrap().push(json!({"recipient_id": "Kitchen", "crop_id": "leaf",
        "weekly": {"value": "50", "unit": "g"}, "first_week": "2026-W12", "last_week": "2026-W12"}));
    assert_eq!(weeks(&document), [Some(0), Some(0), Some(1), Some(1)]);
}

#[test]
fn growth_and_pledges_are_in_the_planners_units() {
    let problem = stated(&season(&small()));
    let grown = &problem.classes[0].crops[0];
    assert_eq!(grown.cut_dg, [1000, 500]);
    // sown on day 1: ready on day 15, may wait three days; day 19 is too late
    let first: Vec<(usize, usize)> = grown.first.iter().map(|arc| (arc.from, arc.to)).collect();
    assert_eq!(first[0], (0, 4));
    assert!(!first.contains(&(0, 5)));
    // sown on day 5 is ready on day 19; sown on day 8, ready on day 22, meets the closed week
    assert!(first.contains(&(1, 5)));
    assert!(!first.iter().any(|arc| arc.0 == 2));
    assert_eq!(grown.free_at[4], 5);
    assert_eq!(problem.targets[0].pledge_dg, [0, 0, 2000, 2000, 2000, 2000]);
    assert_eq!((grown.minutes10.sow, grown.mix_dl.sow), (20, 35));
    let open = compile(
        &season(&small()),
        LeftOut {
            closures: true,
            ..LeftOut::default()
        },
    )
    .unwrap()
    .problem;
    assert_eq!(open.sites[0].slots.len(), 12);
    let start = LeftOut {
        growth: Relaxed {
            start: true,
            ..Relaxed::default()
        },
        ..LeftOut::default()
    };
    let early = compile(&season(&small()), start).unwrap().problem;
    assert!(
        early.classes[0].crops[0]
            .first
            .iter()
            .any(|arc| (arc.from, arc.to) == (0, 1))
    );
}

#[test]
fn stations_alike_are_one_class_and_one_that_loses_places_its_own() {
    let mut document = small();
    let mut second = document["stations"][0].clone();
    second["id"] = json!("bench-2");
    let mut third = second.clone();
    third["id"] = json!("bench-3");
    let mut warm = second.clone();
    warm["id"] = json!("warm");
    warm["environment"][0]["temperature_celsius"] = json!(25.0);
    for (station, name) in [(second, "B2"), (third, "B3"), (warm, "Warm")] {
        let mut station = station;
        station["name"] = json!(name);
        document["stations"].as_array_mut().unwrap().push(station);
    }
    document["outages"] = json!([
        {"station_id": "bench-2", "first_day": "2026-03-01", "last_day": "2026-03-10", "places": 4},
        {"station_id": "bench-3", "first_day": "2026-03-11", "last_day": "2026-03-13", "places": 3},
    ]);
    let problem = stated(&season(&document));
    let classes: Vec<(&str, &str)> = problem
        .stations
        .iter()
        .map(|s| (s.id.as_str(), s.class.as_str()))
        .collect();
    assert_eq!(
        classes,
        [
            ("bench", "bench"),
            ("bench-2", "bench"),
            ("bench-3", "bench-3"),
            ("warm", "warm")
        ]
    );
    assert_eq!(problem.stations[1].taken, [(0, 3, 4)]);
    // between two slots: a container that stands on the slot before stands through it
    assert_eq!(problem.stations[2].taken, [(2, 3, 3)]);
    // what is known of a bench sets it apart
    document["crops"][0]["station_days"] =
        json!([{"station_id": "B2", "days_to_first_cut": 11, "days_to_regrow": null}]);
    let problem = stated(&season(&document));
    assert_eq!(problem.stations[1].class, "bench-2");
    // day 1 and 11 days is day 12, a Saturday
    assert!(
        problem.classes[1].crops[0]
            .first
            .iter()
            .any(|arc| (arc.from, arc.to) == (0, 3))
    );
}

fn sowing(state: &str, sow_on: &str, from_plan: bool) -> SeasonSowing {
    SeasonSowing {
        id: "standing".into(),
        site_id: "hall".into(),
        station_id: "bench".into(),
        crop_id: "leaf".into(),
        from_plan,
        containers: 4,
        sow_on: day(sow_on),
        free_on: day("2026-03-25"),
        planned_cuts: vec![],
        expected_milligrams: vec![],
        state: state.into(),
        sown_on: (state != "planned").then(|| day(sow_on)),
        cuts: vec![],
    }
}

#[test]
fn what_stands_gives_works_and_holds_places() {
    let mut season = season(&small());
    // sown 14 days before the first Tuesday: its first cut is due then, its second a week later
    season.sowings = vec![sowing("sprouted", "2026-02-17", false)];
    let problem = stated(&season);
    let committed: Vec<(usize, i64)> = problem.committed.iter().map(|c| (c.week, c.dg)).collect();
    assert_eq!(committed, [(0, 4 * 1000), (1, 4 * 500)]);
    // 4 × 1 minute to cut; 4 × (1 + 1) to cut and clean; 4 × 3.5 dl, rounded up, after the first cut
    let work: Vec<(usize, i64, i64)> = problem
        .committed_work
        .iter()
        .map(|w| (w.week, w.minutes10, w.mixing_dl))
        .collect();
    assert_eq!(work, [(0, 40, 16), (1, 80, 0)]);
    // until 25 March, a closed day: the last slot before is the sixth
    assert_eq!(problem.stations[0].taken, [(0, 6, 4)]);
    assert_eq!(problem.adopted, None);
    // cut on the Saturday before: the second cut is due on the next Saturday, for the week after
    season.sowings[0].cuts = vec![day("2026-02-28")];
    let committed: Vec<(usize, i64)> = stated(&season)
        .committed
        .iter()
        .map(|c| (c.week, c.dg))
        .collect();
    assert_eq!(committed, [(1, 4 * 500)]);
    // a plan that cuts once only, later than the crop is ready
    season.sowings[0].cuts = vec![];
    season.sowings[0].planned_cuts = vec![day("2026-03-07")];
    season.sowings[0].expected_milligrams = vec![390_000];
    let committed: Vec<(usize, i64)> = stated(&season)
        .committed
        .iter()
        .map(|c| (c.week, c.dg))
        .collect();
    assert_eq!(committed, [(1, 3900)]);
}

#[test]
fn planned_sowings_of_a_plan_are_planned_anew_and_others_stay() {
    let mut season = season(&small());
    season.sowings = vec![sowing("planned", "2026-03-07", true)];
    let problem = stated(&season);
    let adopted = problem.adopted.as_deref().unwrap();
    assert_eq!(
        (
            adopted[0].station.as_str(),
            adopted[0].sow,
            adopted[0].containers
        ),
        ("bench", day("2026-03-07"), 4)
    );
    assert_eq!(
        (problem.stations[0].taken.len(), problem.committed.len()),
        (0, 0)
    );
    for fixed in [
        sowing("planned", "2026-03-07", false),
        sowing("planned", "2026-02-28", true),
    ] {
        season.sowings = vec![fixed];
        let problem = stated(&season);
        assert_eq!(problem.adopted, None);
        assert_eq!(problem.stations[0].taken.len(), 1);
        assert!(!problem.committed.is_empty());
    }
    // sown by hand on Saturday: 4 × 2 minutes and 4 × 35 dl then, one batch less in that week
    season.sites[0].most_sowings_per_week = Some(2);
    season.sowings = vec![sowing("planned", "2026-03-07", false)];
    let problem = stated(&season);
    let first = &problem.committed_work[0];
    assert_eq!((first.week, first.minutes10, first.mixing_dl), (0, 80, 140));
    assert_eq!(
        problem.sites[0].most_sowings.as_ref().unwrap()[..2],
        [Some(1), Some(2)]
    );
}

#[test]
fn work_that_must_be_done_raises_the_limit_with_a_note() {
    let mut season = season(&small());
    season.sites[0].weekly_minutes = Some(3);
    season.sowings = vec![sowing("sprouted", "2026-02-17", false)];
    let compiled = compile(&season, LeftOut::default()).unwrap();
    assert_eq!(
        compiled.problem.sites[0].minutes.as_ref().unwrap()[..3],
        [Some(4), Some(8), Some(3)]
    );
    assert_eq!(compiled.notes.len(), 2);
    assert!(
        compiled.notes[0].contains("2026-W10"),
        "{:?}",
        compiled.notes
    );
    // the answer is valid all the same
    let _ = solved(&season);
}

#[test]
fn a_small_season_is_worked_out() {
    let season = season(&small());
    let answer = solved(&season);
    // By hand: two containers sown on 3 March and cut on 17 March for week 12, two of 7 March cut on
    // 21 March for week 13, one of 17 March and the second cut of those two on 31 March for week 14
    // (28 March is closed, and a ready cut may wait three days), two of 21 March cut on 4 April for
    // week 15. Seven containers are sown and cleaned (3 minutes) and cut nine times: 30 minutes at
    // 0.05 points. To pick week 15 instead of week 14 for second cuts costs the same.
    let expected: Vec<i64> = answer
        .weeks
        .iter()
        .map(|week| week.expected_milligrams)
        .collect();
    assert_eq!(expected, [200_000; 4]);
    assert_eq!(
        (
            answer.totals.pledged_milligrams,
            answer.totals.short_milligrams
        ),
        (800_000, 0)
    );
    assert_eq!(
        (answer.totals.minutes_tenths, answer.objective_e4),
        (300, 15_000)
    );
    assert_eq!(
        (answer.totals.containers, answer.totals.surplus_milligrams),
        (7, 0)
    );
    for sowing in &answer.sowings {
        let last = sowing.cuts.last().unwrap();
        assert_eq!(sowing.free_on, last.day.succ_opt().unwrap());
        assert_eq!(sowing.cuts[0].milligrams, sowing.containers * 100_000);
    }
    assert_eq!(
        answer,
        solved(&season),
        "the same season, seed and work give the same answer"
    );
    let nothing = compare((&season, &answer), (&season, &answer)).unwrap();
    assert!(
        nothing.only_first.is_empty() && nothing.changed.is_empty() && nothing.weeks.is_empty()
    );
    let kept: KeptAnswer = serde_json::from_value(serde_json::to_value(&answer).unwrap()).unwrap();
    assert_eq!(kept.sowings, answer.sowings);
    let season_again: Season =
        serde_json::from_value(serde_json::to_value(&season).unwrap()).unwrap();
    assert_eq!(season_again, season);
}

#[test]
fn the_closed_week_is_named_when_it_is_in_the_way() {
    let mut document = small();
    document["pledges"][0]["first_week"] = json!("2026-W13");
    document["pledges"][0]["last_week"] = json!("2026-W13");
    // only what is cut on a Tuesday keeps until Wednesday; the Tuesday of week 13 is closed
    document["recipients"][0]["keep_days"] = json!(1);
    let season = season(&document);
    let short = explain(&season, &solved(&season)).unwrap();
    assert_eq!(short.len(), 1);
    assert_eq!(
        (short[0].ways, short[0].rules.as_slice()),
        (0, [Rule::Closures].as_slice())
    );
    assert!(
        short[0].words.contains("open on their closed days"),
        "{}",
        short[0].words
    );
}

#[test]
fn light_and_temperature_are_told_apart() {
    for (field, value, rule) in [
        ("temperature_celsius", 7.0, Rule::Temperature),
        ("daily_light_mol", 5.5, Rule::Light),
    ] {
        let mut document = small();
        document["stations"][0]["environment"][0][field] = json!(value);
        document["weeks"] = json!(30);
        document["pledges"][0]["first_week"] = json!("2026-W35");
        document["pledges"][0]["last_week"] = json!("2026-W35");
        let season = season(&document);
        let short = explain(&season, &solved(&season)).unwrap();
        assert_eq!(short[0].rules, [rule], "{}", short[0].words);
    }
}

/// Numbers in no order, the same in every run (xorshift).
struct Dice(u64);

impl Dice {
    fn below(&mut self, end: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % end
    }

    fn day(&mut self) -> NaiveDate {
        day("2026-02-01") + chrono::Days::new(self.below(100))
    }
}

/// A season in which anything may be: overfull stations, cuts long past, nothing open.
fn any_season(dice: &mut Dice) -> Season {
    let mut document = small();
    document["weeks"] = json!(1 + dice.below(12));
    document["today"] = json!(day("2026-02-15") + chrono::Days::new(dice.below(30)));
    let weekdays = [
        "monday",
        "tuesday",
        "wednesday",
        "thursday",
        "friday",
        "saturday",
        "sunday",
    ];
    let open: Vec<Value> = weekdays
        .iter()
        .filter(|_| dice.below(3) > 0)
        .map(|weekday| json!({"weekday": weekday, "opens": "08:00", "closes": "10:00"}))
        .collect();
    document["sites"][0]["opening_hours"] = json!(open);
    document["sites"][0]["weekly_minutes"] = json!(dice.below(200));
    document["sites"][0]["weekly_mixing"] =
        json!({"value": dice.below(40).to_string(), "unit": "L"});
    document["sites"][0]["most_sowings_per_week"] = json!(dice.below(4));
    document["recipients"][0]["keep_days"] = json!(dice.below(6));
    document["stations"][0]["environment"][0]["temperature_celsius"] = json!(15 + dice.below(15));
    document["crops"][0]["profile"]["smallest_sowing"] = json!(1 + dice.below(4));
    document["pledges"][0]["first_week"] = json!("2026-W09");
    let mut season = season(&document);
    for number in 0..dice.below(4) {
        let (first, second) = (dice.day(), dice.day());
        season.stations[0]
            .outages
            .push(super::season::SeasonOutage {
                first_day: first,
                last_day: second,
                places: 1 + dice.below(8) as i64,
            });
        let state = ["planned", "sown", "sprouted", "cutting"][dice.below(4) as usize];
        let mut standing = sowing(state, &dice.day().to_string(), dice.below(2) == 0);
        standing.id = format!("standing {number}");
        standing.containers = 1 + dice.below(8) as i32;
        standing.free_on = standing.sow_on + chrono::Days::new(dice.below(60));
        if state == "cutting" {
            standing.cuts = vec![dice.day().max(standing.sow_on)];
        }
        for _ in 0..dice.below(3) {
            standing.planned_cuts.push(dice.day());
            standing
                .expected_milligrams
                .push(1000 * dice.below(900) as i64);
        }
        standing.planned_cuts.sort();
        season.sowings.push(standing);
    }
    season
}

#[test]
fn whatever_stands_an_answer_is_found_and_explained() {
    let mut dice = Dice(20_260_907);
    let (mut sown, mut short) = (0, 0);
    for _ in 0..150 {
        let season = any_season(&mut dice);
        stated(&season);
        let answer = work_out(&season, search(60), &Unhindered).unwrap();
        let reasons = explain(&season, &answer).unwrap();
        let cells = answer
            .weeks
            .iter()
            .filter(|week| week.short_milligrams() > 0);
        assert_eq!(reasons.len(), cells.count());
        sown += answer.sowings.len();
        short += reasons.len();
    }
    assert!(sown > 30 && short > 100, "{sown} sowings, {short} reasons");
}
