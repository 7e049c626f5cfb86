#![allow(clippy::unwrap_used)]

use chrono::Weekday;
use proptest::prelude::*;

use super::*;
use crate::PeriodText;

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn hours(entries: &[(&str, &str, &str)]) -> OpeningHours {
    let entries: Vec<_> = entries
        .iter()
        .map(|(weekday, opens, closes)| PeriodText {
            weekday: (*weekday).to_owned(),
            opens: (*opens).to_owned(),
            closes: (*closes).to_owned(),
        })
        .collect();
    OpeningHours::parse(&entries).unwrap()
}

fn site(zone: &str, entries: &[(&str, &str, &str)], closed: &[(&str, &str)]) -> SiteCalendar {
    let closures = closed
        .iter()
        .map(|(first, last)| Closure::new(date(first), date(last), "works").unwrap())
        .collect();
    SiteCalendar::new(zone.parse().unwrap(), hours(entries), closures)
}

fn open(site: &SiteCalendar, day: &str) -> Vec<(DateTime<Utc>, DateTime<Utc>)> {
    site.open_intervals(date(day))
        .into_iter()
        .map(|interval| (interval.start, interval.end))
        .collect()
}

/// Instants from the changes of 2026-03-08T07:00Z and 2026-11-01T06:00Z in New York, computed with
/// Python `zoneinfo`.
#[test]
fn open_time_follows_daylight_saving() {
    let new_york = site("America/New_York", &[("sunday", "00:00", "24:00")], &[]);
    assert_eq!(
        open(&new_york, "2026-03-08"),
        [(utc("2026-03-08T05:00:00Z"), utc("2026-03-09T04:00:00Z"))]
    );
    assert_eq!(
        open(&new_york, "2026-11-01"),
        [(utc("2026-11-01T04:00:00Z"), utc("2026-11-02T05:00:00Z"))]
    );
    assert_eq!(open(&new_york, "2026-11-02"), []);

    let early = site(
        "America/New_York",
        &[("sunday", "01:30", "02:30"), ("sunday", "09:00", "12:30")],
        &[],
    );
    assert_eq!(
        open(&early, "2026-03-08"),
        [
            // 02:30 does not exist and means 03:30 EDT, an hour after 01:30 EST.
            (utc("2026-03-08T06:30:00Z"), utc("2026-03-08T07:30:00Z")),
            (utc("2026-03-08T13:00:00Z"), utc("2026-03-08T16:30:00Z")),
        ]
    );
    assert_eq!(
        open(&early, "2026-11-01")[0],
        // The first 01:30 (EDT) to 02:30 EST: two hours.
        (utc("2026-11-01T05:30:00Z"), utc("2026-11-01T07:30:00Z"))
    );
}

#[test]
fn a_window_in_a_gap_moves_forward_whole_and_never_overlaps_the_next() {
    let split = site(
        "America/New_York",
        &[("sunday", "02:45", "03:00"), ("sunday", "03:15", "04:00")],
        &[],
    );
    // 02:45 to 03:00 becomes 03:45 EDT to 04:00 EDT, inside 03:15 to 04:00.
    assert_eq!(
        open(&split, "2026-03-08"),
        [(utc("2026-03-08T07:15:00Z"), utc("2026-03-08T08:00:00Z"))]
    );
    let past = site("America/New_York", &[("sunday", "02:45", "03:15")], &[]);
    assert_eq!(
        open(&past, "2026-03-08"),
        [(utc("2026-03-08T07:45:00Z"), utc("2026-03-08T08:15:00Z"))]
    );
}

#[test]
fn touching_periods_are_one_stretch() {
    let day = site(
        "Europe/London",
        &[("monday", "09:00", "12:00"), ("monday", "12:00", "15:00")],
        &[],
    );
    assert_eq!(
        open(&day, "2026-01-05"),
        [(utc("2026-01-05T09:00:00Z"), utc("2026-01-05T15:00:00Z"))]
    );
}

/// Pacific/Apia had no 2011-12-30 (a Friday): the 31st began at 2011-12-30T10:00Z, computed with
/// Python `zoneinfo`.
#[test]
fn a_day_that_never_was_is_never_open() {
    let every = [
        "monday",
        "tuesday",
        "wednesday",
        "thursday",
        "friday",
        "saturday",
        "sunday",
    ]
    .map(|weekday| (weekday, "09:00", "24:00"));
    let apia = site("Pacific/Apia", &every, &[]);
    assert_eq!(open(&apia, "2011-12-30"), []);
    assert!(!apia.is_open_on(date("2011-12-30")));
    assert_eq!(
        apia.working_days(date("2011-12-28"), date("2012-01-01")),
        ["2011-12-28", "2011-12-29", "2011-12-31", "2012-01-01"].map(date)
    );
    assert_eq!(open(&apia, "2011-12-29")[0].1, utc("2011-12-30T10:00:00Z"));
    assert_eq!(open(&apia, "2011-12-31")[0].0, utc("2011-12-30T19:00:00Z"));
    assert_eq!(
        apia.next_open_day(date("2011-12-30")),
        Some(date("2011-12-31"))
    );
    assert_eq!(
        apia.previous_open_day(date("2011-12-30")),
        Some(date("2011-12-29"))
    );
    assert_eq!(
        apia.task_window(date("2011-12-30"), Flexibility::ThatDay),
        None
    );
}

/// Weekdays of December 2026 computed with Python `datetime`: the 21st is a Monday.
#[test]
fn open_days_keep_clear_of_closures() {
    let garden = site(
        "Europe/Berlin",
        &[
            ("monday", "10:00", "12:00"),
            ("monday", "14:00", "18:00"),
            ("thursday", "16:00", "19:00"),
        ],
        &[("2026-12-24", "2027-01-02"), ("2026-12-28", "2026-12-31")],
    );
    assert_eq!(
        garden.working_days(date("2026-12-14"), date("2027-01-07")),
        [
            "2026-12-14",
            "2026-12-17",
            "2026-12-21",
            "2027-01-04",
            "2027-01-07"
        ]
        .map(date)
    );
    assert_eq!(
        garden.working_days(date("2027-01-07"), date("2026-12-14")),
        []
    );
    assert_eq!(
        garden.next_open_day(date("2026-12-21")),
        Some(date("2026-12-21"))
    );
    assert_eq!(
        garden.next_open_day(date("2026-12-22")),
        Some(date("2027-01-04"))
    );
    assert_eq!(
        garden.previous_open_day(date("2027-01-03")),
        Some(date("2026-12-21"))
    );
    assert_eq!(
        garden.closure_on(date("2026-12-28")).unwrap().first_day(),
        date("2026-12-24")
    );
    assert!(garden.closure_on(date("2027-01-03")).is_none());

    let window = |day, flexibility| garden.task_window(date(day), flexibility);
    let monday = TaskWindow {
        day: date("2026-12-21"),
        opens: utc("2026-12-21T09:00:00Z"),
        closes: utc("2026-12-21T17:00:00Z"),
    };
    assert_eq!(window("2026-12-21", Flexibility::ThatDay), Some(monday));
    assert_eq!(window("2026-12-22", Flexibility::ThatDay), None);
    assert_eq!(window("2026-12-22", Flexibility::OrBefore), Some(monday));
    assert_eq!(window("2026-12-28", Flexibility::Nearest), Some(monday));
    assert_eq!(
        window("2026-12-22", Flexibility::OrAfter).unwrap().day,
        date("2027-01-04")
    );
    assert_eq!(
        window("2026-12-29", Flexibility::Nearest).unwrap().day,
        date("2027-01-04")
    );
}

#[test]
fn a_site_without_hours_has_no_open_day() {
    let shut = site("Europe/London", &[], &[]);
    assert_eq!(shut.next_open_day(date("2026-01-01")), None);
    assert_eq!(shut.previous_open_day(date("2026-01-01")), None);
    assert_eq!(
        shut.task_window(date("2026-01-01"), Flexibility::Nearest),
        None
    );
    let sundays = site("Europe/London", &[("sunday", "09:00", "10:00")], &[]);
    assert_eq!(sundays.next_open_day(NaiveDate::MAX), None);
    assert!(sundays.previous_open_day(NaiveDate::MAX).is_some());
    assert!(sundays.previous_open_day(NaiveDate::MIN).is_none());
}

proptest! {
    #[test]
    fn working_days_are_the_open_days(
        zone in prop::sample::select(vec![
            "America/New_York", "Australia/Lord_Howe", "Pacific/Apia", "America/Sao_Paulo", "Europe/London",
        ]),
        start in 0_u64..7_000,
        length in 0_u64..60,
        open_on in prop::collection::btree_set(0_u8..7, 0..5),
        opens in 0_u16..23,
        closed in prop::collection::vec((0_u64..60, 0_u64..9), 0..3),
    ) {
        let from = date("2005-01-01") + Days::new(start);
        let to = from + Days::new(length);
        let entries: Vec<_> = open_on
            .iter()
            .map(|weekday| PeriodText {
                weekday: ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
                    [usize::from(*weekday)].to_owned(),
                opens: format!("{opens:02}:00"),
                closes: format!("{:02}:30", opens + 1),
            })
            .collect();
        let closures: Vec<_> = closed
            .iter()
            .map(|(after, days)| {
                let first = from + Days::new(*after);
                Closure::new(first, first + Days::new(*days), "works").unwrap()
            })
            .collect();
        let calendar =
            SiteCalendar::new(zone.parse().unwrap(), OpeningHours::parse(&entries).unwrap(), closures.clone());
        let days = calendar.working_days(from, to);
        for day in from.iter_days().take_while(|day| *day <= to) {
            let weekday = u8::try_from(day.weekday().num_days_from_monday()).unwrap();
            let never_was = zone == "Pacific/Apia" && day == date("2011-12-30");
            let wanted = open_on.contains(&weekday) && !closures.iter().any(|closure| closure.covers(day)) && !never_was;
            prop_assert_eq!(days.contains(&day), wanted);
            prop_assert_eq!(calendar.is_open_on(day), wanted);
            let bounds = calendar.zone().day(day);
            let intervals = calendar.open_intervals(day);
            prop_assert!(intervals.iter().all(|open| bounds.start <= open.start && open.end <= bounds.end));
            prop_assert!(intervals.windows(2).all(|pair| pair[0].end < pair[1].start));
        }
        if let Some(first) = days.first() {
            prop_assert_eq!(calendar.next_open_day(from), Some(*first));
            prop_assert_eq!(calendar.previous_open_day(to), days.last().copied());
        }
    }
}

#[test]
fn weekday_names_follow_the_week() {
    let text = hours(&[
        ("sunday", "09:00", "10:00"),
        ("wednesday", "09:00", "10:00"),
    ]);
    assert_eq!(text.periods()[0].weekday, Weekday::Wed);
    assert_eq!(text.to_text()[1].weekday, "sunday");
}
