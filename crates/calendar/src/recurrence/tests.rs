#![allow(clippy::unwrap_used)]

use super::*;

fn at(text: &str) -> NaiveDateTime {
    text.parse().unwrap()
}

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn recurrence(zone: &str, start: &str, rule: &str) -> Result<Recurrence, RecurrenceFault> {
    Recurrence::new(zone.parse().unwrap(), at(start), rule, &[], &[])
}

/// The first local times by the rule, as dates when they are all at the time of the start.
fn first(zone: &str, start: &str, rule: &str, how_many: usize) -> Vec<String> {
    let recurrence = recurrence(zone, start, rule).unwrap();
    let from = recurrence.zone.instant(at(start));
    recurrence
        .between(from, from + TimeDelta::days(365 * 15))
        .unwrap()
        .iter()
        .take(how_many)
        .map(|occurrence| {
            assert_eq!(occurrence.wall.time(), at(start).time());
            occurrence.wall.date().to_string()
        })
        .collect()
}

/// RFC 5545, section 3.8.5.3: each example with its dates as printed there, all at 09:00 in New York.
#[test]
fn examples_of_rfc_5545() {
    let nine = |day: &str| format!("{day}T09:00:00");
    for (day, rule, dates) in [
        (
            "1997-09-02",
            "FREQ=DAILY;COUNT=10",
            "09-02 09-03 09-04 09-05 09-06 09-07 09-08 09-09 09-10 09-11",
        ),
        (
            "1997-09-02",
            "FREQ=DAILY;INTERVAL=10;COUNT=5",
            "09-02 09-12 09-22 10-02 10-12",
        ),
        (
            "1997-09-02",
            "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH",
            "09-02 09-04 09-09 09-11 09-16 09-18 09-23 09-25 09-30 10-02",
        ),
        (
            "1997-09-02",
            "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH",
            "09-02 09-04 09-16 09-18 09-30 10-02 10-14 10-16",
        ),
        (
            "1997-09-05",
            "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
            "09-05 10-03 11-07 12-05",
        ),
        (
            "1997-09-07",
            "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU",
            "09-07 09-28 11-02 11-30",
        ),
        (
            "1997-09-28",
            "FREQ=MONTHLY;BYMONTHDAY=-3",
            "09-28 10-29 11-28 12-29",
        ),
        (
            "1997-09-04",
            "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3",
            "09-04 10-07 11-06",
        ),
        (
            "1997-09-29",
            "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2",
            "09-29 10-30 11-27 12-30",
        ),
        // the example of week starts, 2 weeks apart
        (
            "1997-08-05",
            "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO",
            "08-05 08-10 08-19 08-24",
        ),
        (
            "1997-08-05",
            "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU",
            "08-05 08-17 08-19 08-31",
        ),
    ] {
        let expected: Vec<String> = dates
            .split(' ')
            .map(|date| format!("1997-{date}"))
            .collect();
        let found = first("America/New_York", &nine(day), rule, expected.len());
        assert_eq!(found, expected, "{rule}");
    }
    // over several years
    for (day, rule, dates) in [
        (
            "1997-05-12",
            "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO",
            "1997-05-12 1998-05-11 1999-05-17",
        ),
        (
            "1997-01-01",
            "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200",
            "1997-01-01 1997-04-10 1997-07-19 2000-01-01 2000-04-09 2000-07-18 2003-01-01 2003-04-10 2003-07-19 2006-01-01",
        ),
        (
            "1997-05-19",
            "FREQ=YEARLY;BYDAY=20MO",
            "1997-05-19 1998-05-18 1999-05-17",
        ),
        (
            "1996-11-05",
            "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8",
            "1996-11-05 2000-11-07 2004-11-02",
        ),
        (
            "2007-01-15",
            "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5",
            "2007-01-15 2007-01-30 2007-02-15 2007-03-15 2007-03-30",
        ),
    ] {
        let expected: Vec<&str> = dates.split(' ').collect();
        let found = first("America/New_York", &nine(day), rule, expected.len());
        assert_eq!(found, expected, "{rule}");
    }
}

/// RFC 5545, section 3.8.5.3, "Daily until December 24, 1997": the end is midnight UTC, so that the
/// last of the 113 times is on 23 December. (An erratum that asked for the 24th was rejected: RFC
/// errata 6212.)
#[test]
fn an_end_in_utc_is_an_instant() {
    let days = first(
        "America/New_York",
        "1997-09-02T09:00:00",
        "FREQ=DAILY;UNTIL=19971224T000000Z",
        200,
    );
    assert_eq!((days.len(), days[112].as_str()), (113, "1997-12-23"));
    // by the clock on the wall, the end itself included
    let days = first(
        "America/New_York",
        "1997-09-02T09:00:00",
        "FREQ=DAILY;UNTIL=19971224T090000",
        200,
    );
    assert_eq!(days.last().unwrap(), "1997-12-24");
}

/// Invalid dates are skipped, not moved: RFC 5545, section 3.3.10.
#[test]
fn dates_that_do_not_exist_are_left_out() {
    assert_eq!(
        first("Europe/London", "2026-01-31T09:00:00", "FREQ=MONTHLY", 6),
        [
            "2026-01-31",
            "2026-03-31",
            "2026-05-31",
            "2026-07-31",
            "2026-08-31",
            "2026-10-31"
        ]
    );
    assert_eq!(
        first("Europe/London", "2028-02-29T09:00:00", "FREQ=YEARLY", 3),
        ["2028-02-29", "2032-02-29", "2036-02-29"]
    );
}

/// ISO 8601: 2026 and 2032 have a week 53, its Friday being 1 January of the next year in the first
/// and 31 December in the second; 31 December 2026 is a Thursday.
#[test]
fn week_53_and_the_turn_of_the_year() {
    assert_eq!(
        first(
            "Europe/London",
            "2026-12-28T09:00:00",
            "FREQ=YEARLY;BYWEEKNO=53;BYDAY=MO,FR",
            4
        ),
        ["2026-12-28", "2027-01-01", "2032-12-27", "2032-12-31"]
    );
    assert_eq!(
        first(
            "Europe/London",
            "2026-12-17T09:00:00",
            "FREQ=WEEKLY;INTERVAL=2",
            3
        ),
        ["2026-12-17", "2026-12-31", "2027-01-14"]
    );
}

fn instants(zone: &str, start: &str, rule: &str, from: &str, to: &str) -> Vec<String> {
    recurrence(zone, start, rule)
        .unwrap()
        .between(utc(from), utc(to))
        .unwrap()
        .iter()
        .map(|o| o.instant.format("%dT%H:%MZ").to_string())
        .collect()
}

/// Instants of the changes: tzdata 2026f.
#[test]
fn changes_of_the_clock() {
    // New York, 8 March and 1 November 2026: 02:30 does not exist and 01:30 is passed twice
    assert_eq!(
        instants(
            "America/New_York",
            "2026-03-07T02:30:00",
            "FREQ=DAILY",
            "2026-03-07T00:00:00Z",
            "2026-03-10T00:00:00Z"
        ),
        ["07T07:30Z", "08T07:30Z", "09T06:30Z"]
    );
    assert_eq!(
        instants(
            "America/New_York",
            "2026-10-31T01:30:00",
            "FREQ=DAILY",
            "2026-10-31T00:00:00Z",
            "2026-11-03T00:00:00Z"
        ),
        ["31T05:30Z", "01T05:30Z", "02T06:30Z"]
    );
    // Lord Howe, 30 minutes: back at 2026-04-04T15:00Z, forward at 2026-10-03T15:30Z
    assert_eq!(
        instants(
            "Australia/Lord_Howe",
            "2026-04-04T01:45:00",
            "FREQ=DAILY",
            "2026-04-03T00:00:00Z",
            "2026-04-06T00:00:00Z"
        ),
        ["03T14:45Z", "04T14:45Z", "05T15:15Z"]
    );
    assert_eq!(
        instants(
            "Australia/Lord_Howe",
            "2026-10-03T02:15:00",
            "FREQ=DAILY",
            "2026-10-02T00:00:00Z",
            "2026-10-05T00:00:00Z"
        ),
        ["02T15:45Z", "03T15:45Z", "04T15:15Z"]
    );
    // Apia had no 30 December 2011; what falls on it moves to the 31st, and is there only once
    assert_eq!(
        instants(
            "Pacific/Apia",
            "2011-12-28T09:00:00",
            "FREQ=DAILY",
            "2011-12-28T00:00:00Z",
            "2012-01-01T00:00:00Z"
        ),
        ["28T19:00Z", "29T19:00Z", "30T19:00Z", "31T19:00Z"]
    );
    let apia = recurrence("Pacific/Apia", "2011-12-28T09:00:00", "FREQ=DAILY").unwrap();
    let walls: Vec<u32> = apia
        .between(utc("2011-12-28T00:00:00Z"), utc("2012-01-01T00:00:00Z"))
        .unwrap()
        .iter()
        .map(|o| o.wall.day())
        .collect();
    assert_eq!(walls, [28, 29, 31, 1]);
}

#[test]
fn dates_are_added_and_left_out() {
    let zone = "Europe/London".parse().unwrap();
    let recurrence = Recurrence::new(
        zone,
        at("2026-09-07T09:00:00"),
        "FREQ=WEEKLY;COUNT=3",
        &[at("2026-09-09T10:00:00"), at("2026-09-21T09:00:00")],
        &[at("2026-09-14T09:00:00")],
    )
    .unwrap();
    let walls: Vec<String> = recurrence
        .between(utc("2026-09-01T00:00:00Z"), utc("2027-01-01T00:00:00Z"))
        .unwrap()
        .iter()
        .map(|o| o.wall.to_string())
        .collect();
    assert_eq!(
        walls,
        [
            "2026-09-07 09:00:00",
            "2026-09-09 10:00:00",
            "2026-09-21 09:00:00"
        ]
    );
}

/// RFC 5545 chooses among the whole week: with weeks from Wednesday, the first of Monday, Tuesday and
/// Wednesday is the Wednesday, also in the week in which the rule starts.
#[test]
fn positions_count_from_the_first_day_of_the_week() {
    assert_eq!(
        recurrence(
            "Europe/London",
            "2024-11-11T09:00:00",
            "FREQ=WEEKLY;WKST=WE;BYDAY=MO,TU,WE;BYSETPOS=1"
        )
        .unwrap_err(),
        RecurrenceFault::StartNotMet {
            first: at("2024-11-13T09:00:00")
        }
    );
    assert_eq!(
        first(
            "Europe/London",
            "2024-11-12T09:00:00",
            "FREQ=WEEKLY;WKST=WE;BYDAY=MO,TU,WE;BYSETPOS=-1;INTERVAL=2",
            3
        ),
        ["2024-11-12", "2024-11-26", "2024-12-10"]
    );
}

#[test]
fn absurd_rules_are_refused_with_what_would_do() {
    use RecurrenceFault as F;
    for (rule, fault) in [
        (
            "FREQ=SECONDLY",
            F::TooOften {
                frequency: "SECONDLY",
            },
        ),
        (
            "FREQ=MINUTELY",
            F::TooOften {
                frequency: "MINUTELY",
            },
        ),
        ("INTERVAL=2", F::NoFrequency),
        (
            "",
            F::Malformed {
                part: String::new(),
            },
        ),
        (
            "FREQ=DAILY;;COUNT=2",
            F::Malformed {
                part: String::new(),
            },
        ),
        ("FREQ=DAILY;FREQ=DAILY", F::Twice { name: "FREQ" }),
        (
            "FREQ=DAILY;BYEASTER=1",
            F::UnknownPart {
                name: "BYEASTER".into(),
            },
        ),
        ("FREQ=DAILY;INTERVAL=0", F::Interval),
        ("FREQ=DAILY;INTERVAL=1001", F::Interval),
        ("FREQ=DAILY;COUNT=0", F::Count),
        ("FREQ=DAILY;COUNT=10001", F::Count),
        ("FREQ=DAILY;COUNT=99999999999999999999", F::Count),
        ("FREQ=DAILY;COUNT=2;UNTIL=20270101T000000", F::CountAndUntil),
        (
            "FREQ=DAILY;UNTIL=20270101",
            F::UntilIsDate {
                date: "20270101".into(),
            },
        ),
        ("FREQ=DAILY;UNTIL=20260101T000000", F::EndsBeforeStart),
        ("FREQ=DAILY;UNTIL=20990101T000000", F::EndsTooLate),
        ("FREQ=DAILY;BYSECOND=30", F::Seconds),
        ("FREQ=DAILY;BYSETPOS=1", F::PositionOfNothing),
        (
            "FREQ=DAILY;BYDAY=2MO",
            F::NotTogether {
                name: "BYDAY with a number",
                with: "FREQ=DAILY",
            },
        ),
        (
            "FREQ=MONTHLY;BYWEEKNO=20",
            F::NotTogether {
                name: "BYWEEKNO",
                with: "FREQ=MONTHLY",
            },
        ),
        (
            "FREQ=WEEKLY;BYMONTHDAY=1",
            F::NotTogether {
                name: "BYMONTHDAY",
                with: "FREQ=WEEKLY",
            },
        ),
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", F::Never),
        ("FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30", F::Never),
        ("FREQ=HOURLY;BYMONTH=2;BYMONTHDAY=30", F::Never),
        ("FREQ=HOURLY;BYMINUTE=0,30", F::TooMany),
        (
            "FREQ=WEEKLY;BYDAY=TU",
            F::StartNotMet {
                first: at("2026-09-08T09:00:00"),
            },
        ),
    ] {
        let found = recurrence("Europe/London", "2026-09-07T09:00:00", rule).unwrap_err();
        assert_eq!(found, fault, "{rule}");
        assert!(!found.to_string().is_empty());
    }
    let hourly = recurrence("Europe/London", "2026-09-07T09:00:00", "FREQ=HOURLY").unwrap();
    let far = hourly.between(utc("2040-01-01T00:00:00Z"), utc("2040-01-02T00:00:00Z"));
    assert_eq!(far, Err(F::TooFar));
    let many = hourly.between(utc("2026-01-01T00:00:00Z"), utc("2027-01-01T00:00:00Z"));
    assert_eq!(many, Err(F::TooManyAtOnce));
    let odd = [
        "FREQ=DAILY;BYHOUR=24",
        "FREQ=MONTHLY;BYMONTHDAY=0",
        "FREQ=YEARLY;BYMONTH=-1",
        "FREQ=WEEKLY;BYDAY=XX",
        "FREQ=WEEKLY;WKST=1",
        "FREQ=DAILY;UNTIL=2026-12-24",
        "FREQ=YEARLY;BYDAY=54MO",
        "FREQ=NEVER",
    ];
    for rule in odd {
        let found = recurrence("Europe/London", "2026-09-07T09:00:00", rule).unwrap_err();
        assert!(matches!(found, F::Value { .. }), "{rule}: {found:?}");
    }
}
