#![allow(clippy::unwrap_used)]

use super::*;

fn entry(weekday: &str, opens: &str, closes: &str) -> PeriodText {
    PeriodText {
        weekday: weekday.into(),
        opens: opens.into(),
        closes: closes.into(),
    }
}

#[test]
fn a_good_list_is_sorted_and_written_back() {
    let hours = OpeningHours::parse(&[
        entry("saturday", "13:00", "24:00"),
        entry("monday", "00:00", "24:00"),
        entry("saturday", "09:30", "13:00"),
    ])
    .unwrap();
    assert_eq!(
        hours.to_text(),
        [
            entry("monday", "00:00", "24:00"),
            entry("saturday", "09:30", "13:00"),
            entry("saturday", "13:00", "24:00")
        ]
    );
    assert_eq!(hours.on(Weekday::Sat).count(), 2);
    assert_eq!(hours.on(Weekday::Sun).count(), 0);
    assert_eq!(OpeningHours::parse(&hours.to_text()).unwrap(), hours);
    assert_eq!(OpeningHours::parse(&[]).unwrap().periods(), []);
}

#[test]
fn every_fault_names_its_field() {
    let faults = OpeningHours::parse(&[
        entry("Monday", "9:00", "25:00"),
        entry("tuesday", "24:00", "24:00"),
        entry("tuesday", "10:00", "10:00"),
        entry("friday", "09:00", "17:00"),
        entry("friday", "10:00", "11:00"),
        entry("friday", "12:00", "18:00"),
        entry("friday", "17:30", "19:00"),
        entry("sunday", "22:00", "02:00"),
        entry("sunday", "12:60", "١٢:٠٠"),
    ])
    .unwrap_err();
    let pointers: Vec<_> = faults.iter().map(|fault| fault.pointer.as_str()).collect();
    assert_eq!(
        pointers,
        [
            "/0/weekday",
            "/0/opens",
            "/0/closes",
            "/1/opens",
            "/2/closes",
            "/7/closes",
            "/8/opens",
            "/8/closes",
            "/4/opens",
            "/5/opens",
            "/6/opens"
        ]
    );
    assert_eq!(faults[3].fault, HoursFault::OpensAtEnd);
    assert!(
        faults[5].to_string().contains("two periods"),
        "{}",
        faults[5]
    );
    assert!(
        faults[10].to_string().contains("from 12:00 to 18:00"),
        "{}",
        faults[10]
    );
}

#[test]
fn a_day_has_a_bounded_number_of_periods() {
    let many: Vec<_> = (0..=MOST_PERIODS_A_DAY)
        .map(|hour| entry("monday", &format!("{hour:02}:00"), &format!("{hour:02}:30")))
        .collect();
    assert!(OpeningHours::parse(&many[1..]).is_ok());
    assert_eq!(
        OpeningHours::parse(&many).unwrap_err(),
        [FieldFault {
            pointer: "/10".into(),
            fault: HoursFault::TooManyPeriods
        }]
    );
}
