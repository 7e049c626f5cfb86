#![allow(clippy::unwrap_used)]

use std::collections::HashMap;

use chrono::Weekday;
use proptest::prelude::*;

use super::*;
use crate::totals::books::{Produced, Promise};

const RECIPIENTS: std::ops::Range<u128> = 1..4;
const CROPS: std::ops::Range<u128> = 10..14;
const GROUPS: [u128; 2] = [20, 21];
const SITES: std::ops::Range<u128> = 30..33;
const CLASSES: std::ops::Range<u128> = 40..43;

fn id(number: u128) -> Uuid {
    Uuid::from_u128(number)
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn week(text: &str) -> IsoWeek {
    text.parse().unwrap()
}

fn crop_groups() -> HashMap<Uuid, Uuid> {
    CROPS
        .map(|crop| (id(crop), id(GROUPS[usize::from(crop % 2 == 1)])))
        .collect()
}

fn group_of(produce: Produce) -> Option<Uuid> {
    match produce {
        Produce::Group(group) => Some(group),
        Produce::Crop(crop) => crop_groups().get(&crop).copied(),
    }
}

fn some_promise() -> impl Strategy<Value = Promise> {
    let produce = prop_oneof![
        CROPS.prop_map(|crop| Produce::Crop(id(crop))),
        (0..2_usize).prop_map(|group| Produce::Group(id(GROUPS[group]))),
    ];
    (RECIPIENTS, produce, 1..1_000_000_i64, 0..8_u32, 0..7_u8).prop_map(
        |(recipient, produce, weekly_milligrams, keep_days, weekday)| Promise {
            recipient_id: id(recipient),
            produce,
            weekly_milligrams,
            weeks: (week("2026-W38"), week("2027-W05")),
            weekdays: vec![Weekday::try_from(weekday).unwrap()],
            keep_days,
        },
    )
}

/// What happened: kind, recipient, crop, site, group of people, day after 1 September, weight.
type Event = (u8, u128, u128, u128, Option<u128>, u64, i64);

fn some_event() -> impl Strategy<Value = Event> {
    (
        0..4_u8,
        RECIPIENTS,
        CROPS,
        SITES,
        prop::option::of(CLASSES),
        0..150_u64,
        0..5_000_000_i64,
    )
}

fn books(promises: &[Promise], events: &[Event]) -> Books {
    let span = (week("2026-W35"), week("2027-W06"));
    let mut books = Books::open(span, promises, crop_groups());
    for (kind, recipient, crop, site, class, after, milligrams) in events {
        let produced = Produced {
            site_id: id(*site),
            crop_id: id(*crop),
            group_id: class.map(id),
            on: day("2026-09-01") + chrono::Days::new(*after),
            milligrams: *milligrams,
        };
        match kind {
            0 => books.expect(Produced {
                group_id: None,
                ..produced
            }),
            1 => books.cut(produced),
            2 => books.waste(produced),
            _ => books.deliver(id(*recipient), produced),
        }
    }
    books
}

fn gathered(books: &Books, span: &Span, recipients: Option<&[Uuid]>) -> BTreeMap<Part, Figures> {
    let counted = Counted {
        span,
        today: day("2026-11-15"),
        recipients,
        site_id: None,
    };
    gather(books, &counted, group_of)
}

/// Sum of the parts of a kind.
fn sum(parts: &BTreeMap<Part, Figures>, kind: impl Fn(&Part) -> bool) -> Figures {
    let mut sum = Figures::default();
    for (_, figures) in parts.iter().filter(|(part, _)| kind(part)) {
        sum.add(*figures);
    }
    sum
}

/// 28 September 2026 is the Monday of 2026-W40, whose Thursday is 1 October (Python
/// `datetime.isocalendar`): its pledge is October's, its Monday's cut September's.
#[test]
fn a_week_across_two_months_is_shared_out() {
    let promise = Promise {
        recipient_id: id(1),
        produce: Produce::Crop(id(10)),
        weekly_milligrams: 1000,
        weeks: (week("2026-W40"), week("2026-W40")),
        weekdays: vec![Weekday::Wed],
        keep_days: 2,
    };
    let books = books(
        &[promise],
        &[
            (1, 1, 10, 30, None, 27, 500),
            (3, 1, 10, 30, None, 29, 300),
            (3, 1, 10, 30, Some(40), 30, 200),
            (2, 1, 10, 30, None, 30, 7),
        ],
    );
    let of = |month: &str| {
        let parts = gathered(&books, &Span::of_month(month).unwrap(), None);
        parts[&Part::Whole]
    };
    let september = Figures {
        cut: 500,
        delivered: 300,
        ..Figures::default()
    };
    assert_eq!(of("2026-09"), september);
    let october = Figures {
        pledged: 1000,
        delivered: 200,
        waste: 7,
        // of the whole week 500 were handed over
        short: 500,
        ..Figures::default()
    };
    assert_eq!(of("2026-10"), october);
}

proptest! {
    /// Whatever was promised and happened, the parts of every kind add up to the whole.
    #[test]
    fn every_partition_adds_up(
        promises in prop::collection::vec(some_promise(), 0..8),
        events in prop::collection::vec(some_event(), 0..40),
        month in 9..13_u32,
    ) {
        let books = books(&promises, &events);
        let span = Span::of_month(&format!("2026-{month:02}")).unwrap();
        let parts = gathered(&books, &span, None);
        let whole = parts[&Part::Whole];
        for kind in [
            |part: &Part| matches!(part, Part::Week(_)),
            |part: &Part| matches!(part, Part::Recipient(_)),
            |part: &Part| matches!(part, Part::Produce(_)),
            |part: &Part| matches!(part, Part::CropGroup(_)),
        ] {
            prop_assert_eq!(sum(&parts, kind), whole);
        }
        let by_site = sum(&parts, |part| matches!(part, Part::Site(_)));
        prop_assert_eq!(by_site, Figures { pledged: 0, short: 0, ..whole });
        let by_group = sum(&parts, |part| matches!(part, Part::Group(_)));
        prop_assert_eq!(by_group, Figures { pledged: 0, short: 0, expected: 0, ..whole });
        // one recipient's report is that recipient's part
        for recipient in RECIPIENTS {
            let own = gathered(&books, &span, Some(&[id(recipient)]));
            let part = parts.get(&Part::Recipient(Some(id(recipient))));
            prop_assert_eq!(own[&Part::Whole], part.copied().unwrap_or_default());
        }
    }

    /// Months side by side add up to the year, and so does a year parted at any day.
    #[test]
    fn spans_side_by_side_add_up(
        promises in prop::collection::vec(some_promise(), 0..8),
        events in prop::collection::vec(some_event(), 0..40),
        parted in 1..180_u64,
    ) {
        let books = books(&promises, &events);
        let whole = |span: &Span| gathered(&books, span, None)[&Part::Whole];
        let (first, last) = (day("2026-08-01"), day("2027-01-31"));
        let all = whole(&Span::of_term("all", first, last));
        let mut months = Figures::default();
        for month in ["2026-08", "2026-09", "2026-10", "2026-11", "2026-12", "2027-01"] {
            months.add(whole(&Span::of_month(month).unwrap()));
        }
        prop_assert_eq!(months, all);
        let cut = first + chrono::Days::new(parted);
        let mut halves = whole(&Span::of_term("a", first, cut.pred_opt().unwrap()));
        halves.add(whole(&Span::of_term("b", cut, last)));
        prop_assert_eq!(halves, all);
    }
}
