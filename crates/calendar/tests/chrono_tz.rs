//! The same questions put to the `chrono-tz` crate, which carries zone data of its own.
//!
//! Where both carry the same release of the zone data, the questions reach to 2037; otherwise to the end
//! of 2024, which every release since knows as the past, and zones whose past was corrected between the
//! releases of 2025 and 2026 are left out.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use chrono::{DateTime, NaiveDate, NaiveDateTime, Offset as _, TimeDelta, TimeZone as _, Utc};
use chrono_tz::Tz;
use cotyl_calendar::{Passes, SiteZone, ZONE_DATA_VERSION};

const CORRECTED: [&str; 9] = [
    "America/Tijuana",
    "America/Ensenada",
    "America/Santa_Isabel",
    "Mexico/BajaNorte",
    "Asia/Tehran",
    "Iran",
    "America/Bogota",
    "Europe/Chisinau",
    "Europe/Tiraspol",
];

/// A small generator of even numbers over a range, the same at each run.
fn draw(state: &mut u64, below: i64) -> i64 {
    *state = state
        .wrapping_mul(6_364_136_223_846_793_005)
        .wrapping_add(1_442_695_040_888_963_407);
    i64::try_from((*state >> 33) % u64::try_from(below).unwrap()).unwrap()
}

fn compare(zone: SiteZone, other: Tz, instant: DateTime<Utc>) -> Option<String> {
    let local = zone.local(instant);
    let theirs = instant.with_timezone(&other);
    if local.naive_local() != theirs.naive_local() {
        return Some(format!("{zone} {instant}: {local} here, {theirs} there"));
    }
    let wall: NaiveDateTime = local.naive_local();
    let (passes, first) = match other.from_local_datetime(&wall) {
        chrono::LocalResult::Single(one) => (Passes::Once, one),
        chrono::LocalResult::Ambiguous(first, _) => (Passes::Twice, first),
        chrono::LocalResult::None => return Some(format!("{zone} {wall}: never there")),
    };
    let agrees = zone.passes(wall) == passes && zone.instant(wall) == first.to_utc();
    (!agrees).then(|| {
        format!(
            "{zone} {wall}: {:?} {} here",
            zone.passes(wall),
            zone.instant(wall)
        )
    })
}

#[test]
fn chrono_tz_gives_the_same_offsets() {
    let same_data = chrono_tz::IANA_TZDB_VERSION == ZONE_DATA_VERSION;
    let first = NaiveDate::from_ymd_opt(1975, 1, 1)
        .unwrap()
        .and_time(chrono::NaiveTime::MIN)
        .and_utc();
    let last_year = if same_data { 2037 } else { 2024 };
    let last = NaiveDate::from_ymd_opt(last_year, 12, 30)
        .unwrap()
        .and_time(chrono::NaiveTime::MIN)
        .and_utc();
    let minutes = (last - first).num_minutes();
    let mut state = 20_240_229;
    let (mut zones, mut instants, mut changes) = (0, 0, 0);
    let mut differences = Vec::new();
    for name in SiteZone::names() {
        let Ok(other) = name.parse::<Tz>() else {
            continue;
        };
        if !same_data && CORRECTED.contains(&name) {
            continue;
        }
        let zone: SiteZone = name.parse().unwrap();
        zones += 1;
        let mut asked: Vec<DateTime<Utc>> = (0..60)
            .map(|_| first + TimeDelta::minutes(draw(&mut state, minutes)))
            .collect();
        // about each change of the offset, on both sides, within the hour and a day after
        for change in zone.changes(first, last).iter().skip(1) {
            changes += 1;
            asked.extend(
                [-1, 0, 1800, 3599, 3600, 86_400].map(|s| change.at + TimeDelta::seconds(s)),
            );
            let before = change.at - TimeDelta::seconds(1);
            let theirs = |at: DateTime<Utc>| {
                other
                    .offset_from_utc_datetime(&at.naive_utc())
                    .fix()
                    .local_minus_utc()
            };
            if theirs(before) != change.before_seconds || theirs(change.at) != change.after_seconds
            {
                differences.push(format!("{zone} changes at {}", change.at));
            }
        }
        for instant in asked.into_iter().filter(|instant| *instant < last) {
            instants += 1;
            differences.extend(compare(zone, other, instant));
        }
    }
    println!(
        "{zones} zones, {instants} instants, {changes} changes; data {ZONE_DATA_VERSION} here, {} there",
        chrono_tz::IANA_TZDB_VERSION
    );
    assert!(
        differences.is_empty(),
        "{} differences:\n{}",
        differences.len(),
        differences.join("\n")
    );
    assert!(zones > 500 && instants > 150_000 && changes > 20_000);
}
