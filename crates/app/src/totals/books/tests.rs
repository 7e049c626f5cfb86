#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::*;

fn id(number: u128) -> Uuid {
    Uuid::from_u128(number)
}

fn week(text: &str) -> IsoWeek {
    text.parse().unwrap()
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

const PANTRY: u128 = 1;
const KITCHEN: u128 = 2;
const LETTUCE: u128 = 10;
const KALE: u128 = 11;
const BASIL: u128 = 12;
const GREENS: u128 = 20;
const HERBS: u128 = 21;

fn groups() -> HashMap<Uuid, Uuid> {
    [(LETTUCE, GREENS), (KALE, GREENS), (BASIL, HERBS)]
        .map(|(crop, group)| (id(crop), id(group)))
        .into()
}

fn promise(recipient: u128, produce: Produce, weekly_milligrams: i64) -> Promise {
    Promise {
        recipient_id: id(recipient),
        produce,
        weekly_milligrams,
        weeks: (week("2026-W40"), week("2027-W02")),
        weekdays: vec![Weekday::Wed],
        keep_days: 2,
    }
}

fn produced(crop: u128, on: &str, milligrams: i64) -> Produced {
    Produced {
        site_id: id(30),
        crop_id: id(crop),
        group_id: None,
        on: day(on),
        milligrams,
    }
}

fn open(promises: &[Promise]) -> Books {
    Books::open((week("2026-W40"), week("2027-W02")), promises, groups())
}

fn shares(books: &Books) -> Vec<(String, Option<u128>, i64)> {
    books
        .postings()
        .iter()
        .map(|p| {
            let recipient = p.line.recipient_id.map(|id| id.as_u128());
            (p.week.to_string(), recipient, p.produced.milligrams)
        })
        .collect()
}

#[test]
fn expected_produce_is_shared_by_pledge_in_the_week_of_its_delivery() {
    let mut books = open(&[
        promise(PANTRY, Produce::Group(id(GREENS)), 200),
        Promise {
            weekdays: vec![Weekday::Mon],
            keep_days: 6,
            ..promise(KITCHEN, Produce::Crop(id(LETTUCE)), 100)
        },
    ]);
    // Monday 12 October 2026: the kitchen's delivery is the same day, the pantry's on Wednesday
    books.expect(produced(LETTUCE, "2026-10-12", 100));
    assert_eq!(
        shares(&books),
        [
            ("2026-W42".to_owned(), Some(PANTRY), 67),
            ("2026-W42".to_owned(), Some(KITCHEN), 33)
        ]
    );
    // Thursday: it does not keep until the pantry's Wednesday; the kitchen's Monday is next week
    let mut books = open(&[
        promise(PANTRY, Produce::Group(id(GREENS)), 200),
        Promise {
            weekdays: vec![Weekday::Mon],
            keep_days: 6,
            ..promise(KITCHEN, Produce::Crop(id(LETTUCE)), 100)
        },
    ]);
    books.expect(produced(LETTUCE, "2026-10-15", 100));
    // kale was promised to the pantry only, and nothing of basil to anyone
    books.expect(produced(KALE, "2026-10-15", 50));
    books.expect(produced(BASIL, "2026-10-15", 7));
    assert_eq!(
        shares(&books),
        [
            ("2026-W43".to_owned(), Some(KITCHEN), 100),
            ("2026-W42".to_owned(), None, 50),
            ("2026-W42".to_owned(), None, 7)
        ]
    );
}

#[test]
fn delivered_produce_meets_the_crop_first_and_then_the_group() {
    let crop = promise(PANTRY, Produce::Crop(id(LETTUCE)), 100);
    let group = promise(PANTRY, Produce::Group(id(GREENS)), 50);
    let by_line = |books: &Books| {
        let mut sums: BTreeMap<Produce, i64> = BTreeMap::new();
        for posting in books.postings() {
            *sums.entry(posting.line.produce).or_default() += posting.produced.milligrams;
        }
        sums
    };
    let (lettuce, kale) = (Produce::Crop(id(LETTUCE)), Produce::Crop(id(KALE)));
    let greens = Produce::Group(id(GREENS));

    let mut both = open(&[crop.clone(), group.clone()]);
    for milligrams in [60, 70, 10] {
        both.deliver(id(PANTRY), produced(LETTUCE, "2026-10-14", milligrams));
    }
    both.deliver(id(PANTRY), produced(KALE, "2026-10-14", 5));
    assert_eq!(by_line(&both), [(lettuce, 100), (greens, 45)].into());

    let mut crop_only = open(&[crop]);
    crop_only.deliver(id(PANTRY), produced(LETTUCE, "2026-10-14", 140));
    crop_only.deliver(id(PANTRY), produced(KALE, "2026-10-14", 5));
    assert_eq!(by_line(&crop_only), [(lettuce, 140), (kale, 5)].into());

    let mut group_only = open(&[group]);
    group_only.deliver(id(PANTRY), produced(LETTUCE, "2026-10-14", 140));
    // nothing was promised to the kitchen
    group_only.deliver(id(KITCHEN), produced(LETTUCE, "2026-10-14", 3));
    assert_eq!(by_line(&group_only), [(greens, 140), (lettuce, 3)].into());
}

/// 1 January 2027 is the Friday of 2026-W53 (Python `datetime.isocalendar`).
#[test]
fn new_year_lies_in_week_53() {
    let mut books = open(&[promise(PANTRY, Produce::Group(id(GREENS)), 200)]);
    books.cut(produced(LETTUCE, "2027-01-01", 9));
    books.deliver(id(PANTRY), produced(LETTUCE, "2027-01-03", 9));
    books.deliver(id(PANTRY), produced(LETTUCE, "2027-01-04", 9));
    let weeks: Vec<String> = books
        .postings()
        .iter()
        .map(|p| p.week.to_string())
        .collect();
    assert_eq!(weeks, ["2026-W53", "2026-W53", "2027-W01"]);
}

fn some_promise() -> impl Strategy<Value = Promise> {
    let produce = prop_oneof![
        (LETTUCE..=BASIL).prop_map(|crop| Produce::Crop(id(crop))),
        (GREENS..=HERBS).prop_map(|group| Produce::Group(id(group))),
    ];
    (
        PANTRY..=KITCHEN,
        produce,
        1..1_000_000_i64,
        0..15_u32,
        0..7_u8,
        0..10_i64,
    )
        .prop_map(
            |(recipient, produce, weekly, keep_days, weekday, after)| Promise {
                weekdays: vec![Weekday::try_from(weekday).unwrap()],
                keep_days,
                weeks: (
                    week("2026-W40").plus_weeks(after).unwrap(),
                    week("2026-W52"),
                ),
                ..promise(recipient, produce, weekly)
            },
        )
}

proptest! {
    /// Whatever was promised to whom, every milligram stands on exactly one line, under its site.
    #[test]
    fn nothing_is_lost_or_counted_twice(
        promises in prop::collection::vec(some_promise(), 0..8),
        events in prop::collection::vec((0..5_u8, LETTUCE..=BASIL, 30..32_u128, 0..90_u64, 0..5_000_000_i64), 0..40),
    ) {
        let mut books = open(&promises);
        let mut sums: BTreeMap<(Kind, Uuid), i64> = BTreeMap::new();
        for (kind, crop, site, days, milligrams) in events {
            let produced = Produced {
                site_id: id(site),
                crop_id: id(crop),
                group_id: None,
                on: day("2026-10-01") + chrono::Days::new(days),
                milligrams,
            };
            let kind = match kind {
                0 => { books.expect(produced); Kind::Expected }
                1 => { books.cut(produced); Kind::Cut }
                2 => { books.waste(produced); Kind::Waste }
                recipient => { books.deliver(id(u128::from(recipient) - 2), produced); Kind::Delivered }
            };
            *sums.entry((kind, produced.site_id)).or_default() += milligrams;
        }
        let mut posted: BTreeMap<(Kind, Uuid), i64> = BTreeMap::new();
        for posting in books.postings() {
            prop_assert!(posting.produced.milligrams > 0);
            *posted.entry((posting.kind, posting.produced.site_id)).or_default() += posting.produced.milligrams;
        }
        sums.retain(|_, milligrams| *milligrams != 0);
        prop_assert_eq!(posted, sums);
    }
}
