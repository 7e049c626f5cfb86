//! Sites of all kinds for the tests, and a table of tasks that changes are applied to.
#![allow(clippy::unwrap_used, dead_code)]

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc, Weekday};
use cotyl_calendar::{Closure, OpeningHours, PeriodText, SiteCalendar, TaskWindow};
use cotyl_domain::task::TaskState;
use cotyl_work::{
    BatchFacts, Changes, CropMinutes, CropRange, CutFacts, LiquidFacts, PledgeFacts, Present,
    ReadingFacts, RecipientFacts, RuleBook, SiteFacts, SolutionFacts, SowingFacts, SowingStage,
    StationFacts, StockFacts, WantedTask, derive_sowing,
};
use proptest::prelude::*;
use uuid::Uuid;

const WEEKDAYS: [&str; 7] = [
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
];

/// Monday.
pub fn start() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 9, 7).unwrap()
}

pub fn day(offset: i64) -> NaiveDate {
    start() + TimeDelta::days(offset)
}

pub fn calendar(open: &[usize], closed: &[(i64, i64)]) -> SiteCalendar {
    let periods: Vec<PeriodText> = open
        .iter()
        .map(|weekday| PeriodText {
            weekday: WEEKDAYS[*weekday].to_owned(),
            opens: "08:00".to_owned(),
            closes: "16:00".to_owned(),
        })
        .collect();
    let closures = closed
        .iter()
        .map(|(first, days)| Closure::new(day(*first), day(first + days), "holidays").unwrap())
        .collect();
    SiteCalendar::new(
        "America/New_York".parse().unwrap(),
        OpeningHours::parse(&periods).unwrap(),
        closures,
    )
}

pub fn always_open() -> SiteCalendar {
    calendar(&[0, 1, 2, 3, 4, 5, 6], &[])
}

pub fn crop_range() -> CropRange {
    CropRange {
        ph_low: 5500,
        ph_high: 6500,
        ec_low: 800,
        ec_high: 2000,
    }
}

pub fn id(number: u128) -> Uuid {
    Uuid::from_u128(number)
}

/// A sowing of a day with two cuts.
pub fn sowing(number: u128, stage: SowingStage, sow_on: NaiveDate) -> SowingFacts {
    let cut = |number, after| CutFacts {
        number,
        day: sow_on + Days::new(after),
        ready_on: Some(sow_on + Days::new(after - 4)),
        holds_until: Some(sow_on + Days::new(after + 6)),
        taken: stage == SowingStage::Cutting && number == 1,
    };
    SowingFacts {
        id: id(number),
        station_id: id(900 + number % 3),
        crop_id: id(800),
        containers: 10,
        stage,
        sow_on,
        emergence_on: sow_on + Days::new(5),
        looks: None,
        cuts: vec![cut(1, 35), cut(2, 49)],
        free_on: sow_on + Days::new(51),
        liquid: None,
        range: crop_range(),
        minutes: CropMinutes {
            sow_tenths: 20,
            cut_tenths: 15,
            clean_tenths: 10,
        },
    }
}

pub fn empty_site(calendar: SiteCalendar) -> SiteFacts {
    SiteFacts {
        site_id: id(1000),
        calendar,
        today: start(),
        sowings: Vec::new(),
        stations: (0..3)
            .map(|station| StationFacts {
                id: id(900 + station),
                aerated: station == 2,
                measured_on: None,
            })
            .collect(),
        readings: Vec::new(),
        batches: Vec::new(),
        solution: SolutionFacts::default(),
        stock: None,
        recipients: Vec::new(),
        finished: Default::default(),
    }
}

fn sowings() -> impl Strategy<Value = Vec<SowingFacts>> {
    let one = (
        0_u8..4,
        -30_i64..40,
        1_u32..60,
        prop::option::of((0_i64..30, 1_i64..5)),
        prop::option::of((1_u32..3, -6_i64..1)),
    );
    prop::collection::vec(one, 0..12).prop_map(|all| {
        all.into_iter()
            .zip(1..)
            .map(|((stage, sow, containers, liquid, looks), number)| {
                let stage = [
                    SowingStage::Planned,
                    SowingStage::Sown,
                    SowingStage::Sprouted,
                    SowingStage::Cutting,
                ][usize::from(stage)];
                let sow = if stage == SowingStage::Planned {
                    sow
                } else {
                    -sow.abs()
                };
                let mut made = sowing(number, stage, day(sow));
                made.containers = containers;
                if stage > SowingStage::Planned && number % 3 != 2 {
                    made.liquid = liquid.map(|(low, litres)| LiquidFacts {
                        filled_on: made.sow_on,
                        low_on: Some(day(low)),
                        containers: made.containers,
                        microlitres: litres * 1_000_000,
                    });
                }
                if stage == SowingStage::Sown {
                    made.looks = looks.map(|(count, last)| (count, day(last)));
                }
                made
            })
            .collect()
    })
}

/// A site open on some weekdays, with some closures and anything standing at it.
pub fn site() -> impl Strategy<Value = SiteFacts> {
    let weekdays = prop::sample::subsequence(vec![0, 1, 2, 3, 4, 5, 6], 1..=7);
    let closures = prop::collection::vec((-10_i64..60, 0_i64..20), 0..4);
    let readings = prop::collection::vec((0_u128..3, -9_i64..1, 4800_i32..7200), 0..8);
    let needs = prop::collection::vec((0_i64..30, 1_i64..40), 0..8);
    let rest = (
        prop::option::of(-60_i64..0),
        prop::collection::vec(-5_i64..1, 0..3),
        0_i64..50,
        prop::option::of(0_u8..7),
    );
    (weekdays, closures, sowings(), readings, needs, rest).prop_map(
        |(open, closed, sowings, mut readings, mut needs, (counted, batches, left, weekday))| {
            readings.sort_by_key(|(_, day, _)| *day);
            needs.sort_unstable();
            let mut facts = empty_site(calendar(&open, &closed));
            facts.sowings = sowings;
            facts.readings = (7000..)
                .zip(readings)
                .map(|(number, (station, read_on, ph))| ReadingFacts {
                    id: id(number),
                    station_id: id(900 + station),
                    sowing_id: None,
                    read_on: day(read_on),
                    ph: Some(ph),
                    ec: None,
                })
                .collect();
            facts.batches = (6000..)
                .zip(batches)
                .map(|(number, begun)| BatchFacts {
                    id: id(number),
                    begun_on: day(begun),
                })
                .collect();
            facts.solution = SolutionFacts {
                left_microlitres: left * 1_000_000,
                needs: needs
                    .into_iter()
                    .map(|(on, litres)| (day(on), litres * 1_000_000))
                    .collect(),
            };
            facts.stock = counted.map(|on| StockFacts {
                counted_on: day(on),
            });
            facts.recipients = weekday
                .map(|weekday| recipient(Weekday::try_from(weekday).unwrap()))
                .into_iter()
                .collect();
            facts
        },
    )
}

pub fn recipient(weekday: Weekday) -> RecipientFacts {
    RecipientFacts {
        id: id(500),
        weekdays: vec![weekday],
        keep_days: 6,
        pledges: vec![PledgeFacts {
            first_monday: day(-70),
            last_monday: day(140),
            crop_ids: vec![id(800)],
        }],
        delivered_on: Vec::new(),
        packed_on: Vec::new(),
    }
}

pub fn at_noon(facts: &SiteFacts, day: NaiveDate) -> DateTime<Utc> {
    facts.calendar.zone().day(day).start + TimeDelta::hours(12)
}

pub fn in_order(mut wanted: Vec<WantedTask>) -> Vec<WantedTask> {
    wanted.sort_by(|a, b| a.occasion.cmp(&b.occasion));
    wanted
}

pub fn steps_of(facts: &SiteFacts, rules: &RuleBook, sowing: &SowingFacts) -> Vec<WantedTask> {
    derive_sowing(rules, &facts.calendar, sowing, facts.today)
}

/// The same sowing some days later.
pub fn later(sowing: &SowingFacts, days: u64) -> SowingFacts {
    let days = Days::new(days);
    let mut moved = sowing.clone();
    moved.sow_on = moved.sow_on + days;
    moved.emergence_on = moved.emergence_on + days;
    moved.free_on = moved.free_on + days;
    moved.looks = moved.looks.map(|(count, on)| (count, on + days));
    for cut in &mut moved.cuts {
        cut.day = cut.day + days;
        cut.ready_on = cut.ready_on.map(|on| on + days);
        cut.holds_until = cut.holds_until.map(|on| on + days);
    }
    moved
}

pub fn present(window: TaskWindow) -> Present {
    Present {
        id: Uuid::nil(),
        occasion: String::new(),
        state: TaskState::Open,
        claimed: false,
        begun: false,
        dropped_by_rules: false,
        day: window.day,
        opens_at: window.opens,
        due_at: window.closes,
        minutes: 1,
        people: 1,
        qualification: None,
        missed_after: None,
        containers: 0,
        microlitres: None,
    }
}

/// One change.
pub enum Change {
    Insert(Present),
    Write(Present),
    Drop(Uuid),
    Miss(Uuid),
}

fn row(row_id: Uuid, task: &WantedTask) -> Present {
    Present {
        id: row_id,
        occasion: task.occasion.clone(),
        minutes: task.minutes,
        people: task.people,
        qualification: task.qualification,
        missed_after: task.missed_after,
        containers: task.containers,
        microlitres: task.microlitres,
        ..present(task.window)
    }
}

/// At most so many of the changes, in the order in which they are made.
pub fn apply(changes: &Changes<'_>, most: usize) -> Vec<Change> {
    let name = |task: &WantedTask| {
        Uuid::from_u128(task.occasion.bytes().fold(7, |sum: u128, byte| {
            sum.wrapping_mul(1_000_003).wrapping_add(byte.into())
        }))
    };
    let inserts = changes
        .insert
        .iter()
        .map(|task| Change::Insert(row(name(task), task)));
    let others = changes
        .change
        .iter()
        .chain(&changes.reopen)
        .map(|(row_id, task)| Change::Write(row(*row_id, task)));
    let drops = changes.drop.iter().map(|(row_id, _)| Change::Drop(*row_id));
    let missed = changes.miss.iter().map(|row_id| Change::Miss(*row_id));
    inserts
        .chain(others)
        .chain(drops)
        .chain(missed)
        .take(most)
        .collect()
}

/// All of the changes.
pub fn apply_all(changes: &Changes<'_>) -> Vec<Change> {
    apply(changes, usize::MAX)
}

pub fn present_after(table: &mut Vec<Present>, changes: Vec<Change>) {
    for change in changes {
        match change {
            Change::Insert(new) => table.push(new),
            Change::Write(new) => {
                let task = table.iter_mut().find(|task| task.id == new.id).unwrap();
                *task = new;
            }
            Change::Drop(row_id) => {
                let task = table.iter_mut().find(|task| task.id == row_id).unwrap();
                task.state = TaskState::Dropped;
                task.dropped_by_rules = true;
            }
            Change::Miss(row_id) => {
                let task = table.iter_mut().find(|task| task.id == row_id).unwrap();
                task.state = TaskState::Missed;
            }
        }
    }
}
