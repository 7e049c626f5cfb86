#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::*;

fn zone(name: &str) -> SiteZone {
    name.parse().unwrap()
}

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn wall(text: &str) -> NaiveDateTime {
    NaiveDateTime::parse_from_str(text, "%Y-%m-%d %H:%M").unwrap()
}

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// Computed with Python `zoneinfo` (`fold=0`, which PEP 495 defines as the offset before a gap and
/// the first pass of an overlap), tzdata 2026.6. The rule is that of RFC 5545, section 3.3.5.
#[test]
fn wall_times_mean_the_instants_of_an_independent_library() {
    use Passes::{Never, Once, Twice};
    for (name, local, passes, instant) in [
        (
            "America/New_York",
            "2026-03-08 01:59",
            Once,
            "2026-03-08T06:59:00Z",
        ),
        (
            "America/New_York",
            "2026-03-08 02:30",
            Never,
            "2026-03-08T07:30:00Z",
        ),
        (
            "America/New_York",
            "2026-03-08 03:00",
            Once,
            "2026-03-08T07:00:00Z",
        ),
        (
            "America/New_York",
            "2026-11-01 01:30",
            Twice,
            "2026-11-01T05:30:00Z",
        ),
        (
            "Europe/London",
            "2026-03-29 01:30",
            Never,
            "2026-03-29T01:30:00Z",
        ),
        (
            "Europe/London",
            "2026-10-25 01:30",
            Twice,
            "2026-10-25T00:30:00Z",
        ),
        (
            "Australia/Lord_Howe",
            "2026-10-04 02:15",
            Never,
            "2026-10-03T15:45:00Z",
        ),
        (
            "Australia/Lord_Howe",
            "2026-10-04 02:30",
            Once,
            "2026-10-03T15:30:00Z",
        ),
        (
            "Australia/Lord_Howe",
            "2026-04-05 01:45",
            Twice,
            "2026-04-04T14:45:00Z",
        ),
        (
            "Pacific/Apia",
            "2011-12-29 23:59",
            Once,
            "2011-12-30T09:59:00Z",
        ),
        (
            "Pacific/Apia",
            "2011-12-30 12:00",
            Never,
            "2011-12-30T22:00:00Z",
        ),
        (
            "Pacific/Apia",
            "2011-12-31 00:00",
            Once,
            "2011-12-30T10:00:00Z",
        ),
        (
            "America/Sao_Paulo",
            "2018-11-04 00:15",
            Never,
            "2018-11-04T03:15:00Z",
        ),
        (
            "America/Sao_Paulo",
            "2026-11-04 00:15",
            Once,
            "2026-11-04T03:15:00Z",
        ),
        (
            "America/Toronto",
            "1919-03-31 00:00",
            Never,
            "1919-03-31T05:00:00Z",
        ),
        (
            "America/St_Johns",
            "2006-10-29 00:00",
            Twice,
            "2006-10-29T02:30:00Z",
        ),
        (
            "Asia/Kathmandu",
            "2026-05-05 12:00",
            Once,
            "2026-05-05T06:15:00Z",
        ),
    ] {
        let zone = zone(name);
        assert_eq!(zone.passes(wall(local)), passes, "{name} {local}");
        assert_eq!(zone.instant(wall(local)), utc(instant), "{name} {local}");
    }
}

/// The changes of 2026 and the last of São Paulo, computed with Python `zoneinfo`, tzdata 2026.6:
/// the second before, the instant, and the local time then.
#[test]
fn clocks_change_at_the_published_instants() {
    for (name, at, before, after) in [
        (
            "America/New_York",
            "2026-03-08T07:00:00Z",
            "2026-03-08T01:59:59-05:00",
            "2026-03-08T03:00:00-04:00",
        ),
        (
            "America/New_York",
            "2026-11-01T06:00:00Z",
            "2026-11-01T01:59:59-04:00",
            "2026-11-01T01:00:00-05:00",
        ),
        (
            "Europe/London",
            "2026-03-29T01:00:00Z",
            "2026-03-29T00:59:59+00:00",
            "2026-03-29T02:00:00+01:00",
        ),
        (
            "Europe/London",
            "2026-10-25T01:00:00Z",
            "2026-10-25T01:59:59+01:00",
            "2026-10-25T01:00:00+00:00",
        ),
        (
            "Australia/Lord_Howe",
            "2026-04-04T15:00:00Z",
            "2026-04-05T01:59:59+11:00",
            "2026-04-05T01:30:00+10:30",
        ),
        (
            "Australia/Lord_Howe",
            "2026-10-03T15:30:00Z",
            "2026-10-04T01:59:59+10:30",
            "2026-10-04T02:30:00+11:00",
        ),
        (
            "America/Sao_Paulo",
            "2019-02-17T02:00:00Z",
            "2019-02-16T23:59:59-02:00",
            "2019-02-16T23:00:00-03:00",
        ),
        (
            "Pacific/Apia",
            "2011-12-30T10:00:00Z",
            "2011-12-29T23:59:59-10:00",
            "2011-12-31T00:00:00+14:00",
        ),
    ] {
        let zone = zone(name);
        assert_eq!(
            zone.local(utc(at) - TimeDelta::seconds(1)).to_rfc3339(),
            before,
            "{name}"
        );
        assert_eq!(zone.local(utc(at)).to_rfc3339(), after, "{name}");
    }
    let sao_paulo = zone("America/Sao_Paulo");
    for day in date("2026-01-01").iter_days().take(730) {
        assert_eq!(sao_paulo.day_length(day), TimeDelta::hours(24), "{day}");
    }
}

/// Zones whose law changed in 2026: an older release of the data puts Vancouver, Edmonton and
/// Winnipeg back an hour in November. Computed with Python `zoneinfo`, tzdata 2026.6 (2026f).
#[test]
fn the_zone_data_know_the_laws_of_2026() {
    for (name, at, local) in [
        (
            "America/Vancouver",
            "2026-12-01T12:00:00Z",
            "2026-12-01T05:00:00-07:00",
        ),
        (
            "America/Edmonton",
            "2026-12-01T12:00:00Z",
            "2026-12-01T06:00:00-06:00",
        ),
        (
            "America/Winnipeg",
            "2026-12-01T12:00:00Z",
            "2026-12-01T07:00:00-05:00",
        ),
        (
            "America/Asuncion",
            "2026-07-01T12:00:00Z",
            "2026-07-01T09:00:00-03:00",
        ),
        (
            "Africa/Casablanca",
            "2026-09-20T00:59:59Z",
            "2026-09-20T01:59:59+01:00",
        ),
        (
            "Africa/Casablanca",
            "2026-09-20T01:00:00Z",
            "2026-09-20T01:00:00+00:00",
        ),
    ] {
        assert_eq!(zone(name).local(utc(at)).to_rfc3339(), local, "{name}");
    }
    let casablanca = zone("Africa/Casablanca");
    for day in date("2026-09-21")
        .iter_days()
        .take_while(|day| *day <= date("2027-12-31"))
    {
        assert_eq!(casablanca.day_length(day), TimeDelta::hours(24), "{day}");
    }
}

/// Computed with Python `zoneinfo`: the first instant of the date and the time to the next date's.
#[test]
fn days_have_their_own_length() {
    for (name, day, start, minutes) in [
        (
            "America/New_York",
            "2026-03-08",
            "2026-03-08T05:00:00Z",
            23 * 60,
        ),
        (
            "America/New_York",
            "2026-11-01",
            "2026-11-01T04:00:00Z",
            25 * 60,
        ),
        (
            "Europe/London",
            "2026-03-29",
            "2026-03-29T00:00:00Z",
            23 * 60,
        ),
        (
            "Australia/Lord_Howe",
            "2026-04-05",
            "2026-04-04T13:00:00Z",
            24 * 60 + 30,
        ),
        (
            "Australia/Lord_Howe",
            "2026-10-04",
            "2026-10-03T13:30:00Z",
            23 * 60 + 30,
        ),
        // Midnight itself is put forward over.
        (
            "America/Sao_Paulo",
            "2018-11-04",
            "2018-11-04T03:00:00Z",
            23 * 60,
        ),
        (
            "America/Sao_Paulo",
            "2018-02-17",
            "2018-02-17T02:00:00Z",
            25 * 60,
        ),
        // From 23:30 to 00:30: the new day begins at its half past midnight.
        (
            "America/Toronto",
            "1919-03-31",
            "1919-03-31T04:30:00Z",
            23 * 60 + 30,
        ),
        // Put back at 00:01 to 23:01: midnight is passed twice, and the first pass begins the day.
        (
            "America/St_Johns",
            "2006-10-28",
            "2006-10-28T02:30:00Z",
            24 * 60,
        ),
        (
            "America/St_Johns",
            "2006-10-29",
            "2006-10-29T02:30:00Z",
            25 * 60,
        ),
        (
            "Pacific/Apia",
            "2011-12-29",
            "2011-12-29T10:00:00Z",
            24 * 60,
        ),
        ("Pacific/Apia", "2011-12-30", "2011-12-30T10:00:00Z", 0),
        (
            "Pacific/Apia",
            "2011-12-31",
            "2011-12-30T10:00:00Z",
            24 * 60,
        ),
    ] {
        let interval = zone(name).day(date(day));
        assert_eq!(interval.start, utc(start), "{name} {day}");
        assert_eq!(
            interval.length(),
            TimeDelta::minutes(minutes),
            "{name} {day}"
        );
        assert_eq!(interval.is_empty(), minutes == 0);
    }
    let apia = zone("Pacific/Apia");
    assert_eq!(apia.today(utc("2011-12-30T09:59:59Z")), date("2011-12-29"));
    assert_eq!(apia.today(utc("2011-12-30T10:00:00Z")), date("2011-12-31"));
}

#[test]
fn an_unknown_zone_is_refused_with_a_hint() {
    for (name, suggestion) in [
        ("europe/london", Some("Europe/London")),
        ("London", Some("Europe/London")),
        ("new york", Some("America/New_York")),
        ("Mars/Olympus", None),
        ("", None),
        ("\0", None),
        ("+02:00", None),
    ] {
        assert_eq!(
            name.parse::<SiteZone>().unwrap_err().suggestion,
            suggestion,
            "{name}"
        );
    }
    let error = "Nowhere".repeat(10_000).parse::<SiteZone>().unwrap_err();
    assert!(error.to_string().len() < 300);
    assert!(
        "London"
            .parse::<SiteZone>()
            .unwrap_err()
            .to_string()
            .ends_with("did you mean \"Europe/London\"?")
    );
    let london: SiteZone = serde_json::from_str("\"Europe/London\"").unwrap();
    assert_eq!(serde_json::to_string(&london).unwrap(), "\"Europe/London\"");
    assert!(serde_json::from_str::<SiteZone>("\"BST\"").is_err());
}

#[test]
fn the_ends_of_time_do_not_panic() {
    for name in SiteZone::names() {
        let zone = zone(name);
        for day in [NaiveDate::MIN, NaiveDate::MAX] {
            let _ = zone.day(day);
            let _ = zone.instant(day.and_hms_opt(23, 59, 59).unwrap());
        }
        let _ = zone.today(DateTime::<Utc>::MIN_UTC);
        let _ = zone.local(DateTime::<Utc>::MAX_UTC);
    }
}

fn any_zone() -> impl Strategy<Value = SiteZone> {
    prop::sample::select(SiteZone::names().collect::<Vec<_>>()).prop_map(zone)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Every minute of a day: an instant and back, but for a gap, which moves it forward.
    #[test]
    fn wall_minutes_and_instants_agree(zone in any_zone(), days in 0_u64..25_000) {
        let day = date("1970-01-02") + chrono::Days::new(days);
        for minute in 0..24 * 60 {
            let local = day.and_time(NaiveTime::MIN) + TimeDelta::minutes(minute);
            let shown = zone.local(zone.instant(local)).naive_local();
            match zone.passes(local) {
                Passes::Once | Passes::Twice => prop_assert_eq!(shown, local),
                Passes::Never => prop_assert!(shown > local),
            }
        }
    }

    /// Successive days meet, and none is longer than two days or shorter than nothing.
    #[test]
    fn days_follow_one_another(zone in any_zone(), days in 0_u64..25_000) {
        let day = date("1970-01-02") + chrono::Days::new(days);
        for day in day.iter_days().take(120) {
            let (today, tomorrow) = (zone.day(day), zone.day(day + chrono::Days::new(1)));
            prop_assert_eq!(today.end, tomorrow.start);
            prop_assert!(today.start <= today.end);
            prop_assert!(today.length() <= TimeDelta::hours(48));
            if !today.is_empty() {
                prop_assert_eq!(zone.today(today.start), day);
                prop_assert!(zone.today(today.start - TimeDelta::seconds(1)) < day);
                prop_assert!(today.contains(today.start) && !today.contains(today.end));
            }
        }
    }
}
