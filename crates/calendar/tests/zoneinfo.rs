//! The same questions put to Python's `zoneinfo` and `datetime`, with the `tzdata` package.
//!
//! Zone data are politics. Where both sides carry the same release, the questions reach from 1975
//! to 2060; otherwise they stop at the end of 2024, which every release since knows as the past,
//! and leave out the zones whose past was corrected between the releases of 2025 and 2026.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeSet;
use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Stdio};

use chrono::{DateTime, NaiveDate, NaiveDateTime, TimeDelta, Utc};
use cotyl_calendar::{IsoWeek, Passes, SiteZone, ZONE_DATA_VERSION};

/// Reads zone names; writes one question with its answer a line. Half of the times are drawn from
/// days about a change of offset, where the rules matter.
const SCRIPT: &str = r#"
import random, sys
from datetime import date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo, available_timezones, reset_tzpath

import tzdata

reset_tzpath(to=[])  # the tzdata package alone, whatever the system holds
names = sorted(set(sys.stdin.read().split()) & available_timezones())
draw = random.Random(20240229)
first, last = date(1975, 1, 2), date(2060, 12, 30)
if tzdata.IANA_VERSION != sys.argv[1]:
    last = date(2024, 12, 30)
    # Every day of every zone compared, 2025b with 2026f: changes of 1975 in Baja California, 1979
    # in Iran and 1992 in Colombia, and the hour of change in Moldova from 2022.
    names = sorted(set(names) - {
        "America/Tijuana", "America/Ensenada", "America/Santa_Isabel", "Mexico/BajaNorte",
        "Asia/Tehran", "Iran", "America/Bogota", "Europe/Chisinau", "Europe/Tiraspol",
    })
span = (last - first).days

def noon(zone, day):
    return datetime.combine(day, time(12), zone).utcoffset()

def day_of_change(zone):
    start = first + timedelta(draw.randrange(span - 400))
    low, high = start, None
    for step in range(7, 400, 7):
        if noon(zone, start + timedelta(step)) != noon(zone, low):
            high = start + timedelta(step)
            break
        low = start + timedelta(step)
    if high is None:
        return None
    while (high - low).days > 1:
        middle = low + (high - low) // 2
        if noon(zone, middle) == noon(zone, low):
            low = middle
        else:
            high = middle
    return high

def utc(wall, zone):
    return wall.replace(tzinfo=zone).astimezone(timezone.utc)

def passes(wall, zone):
    back = utc(wall, zone).astimezone(zone).replace(tzinfo=None, fold=0)
    if back != wall:
        return "never"
    twice = utc(wall, zone) != utc(wall.replace(fold=1), zone)
    return "twice" if twice else "once"

print("version", tzdata.IANA_VERSION)
for number in range(2000):
    day = None
    for _ in range(5 * (number % 2) or 1):
        name = draw.choice(names)
        zone = ZoneInfo(name)
        day = day_of_change(zone) if number % 2 else None
        if day is not None:
            break
    if day is None:
        wall = datetime.combine(first + timedelta(draw.randrange(span)), time()) + timedelta(minutes=draw.randrange(1440))
    else:
        wall = datetime.combine(day, time()) + timedelta(minutes=draw.randrange(-30, 240))
    midnight = datetime.combine(wall.date(), time())
    start = "-" if passes(midnight, zone) == "never" else utc(midnight, zone).isoformat()
    print("wall", name, wall.isoformat(), utc(wall, zone).isoformat(), passes(wall, zone), start)
for _ in range(2000):
    day = date.fromordinal(draw.randrange(date(1, 1, 8).toordinal(), date(9999, 12, 26).toordinal()))
    year, week, weekday = day.isocalendar()
    print("week", day.isoformat(), f"{year:04}-W{week:02}", weekday)
"#;

/// What Python answers, line by line.
fn answers() -> String {
    let interpreter = std::env::var_os("COTYL_CHECK_PYTHON").map_or_else(
        || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../target/check-venv/bin/python"),
        PathBuf::from,
    );
    let mut child = Command::new(&interpreter)
        .args(["-c", SCRIPT, ZONE_DATA_VERSION])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| {
            panic!("{}: {error}; run cargo xtask setup", interpreter.display())
        });
    let names = SiteZone::names().collect::<Vec<_>>().join("\n");
    child
        .stdin
        .take()
        .expect("a pipe")
        .write_all(names.as_bytes())
        .unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(
        output.status.success(),
        "Python with tzdata is needed; run cargo xtask setup\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).unwrap()
}

#[derive(Default)]
struct Tally {
    once: usize,
    never: usize,
    twice: usize,
    day_starts: usize,
    weeks: usize,
    zones: BTreeSet<String>,
    differences: Vec<String>,
}

impl Tally {
    fn wall(&mut self, line: &str, fields: &[&str]) {
        let [name, wall, instant, passes, day_start] = fields else {
            panic!("{line}")
        };
        let zone: SiteZone = name.parse().unwrap();
        let wall: NaiveDateTime = wall.parse().unwrap();
        let found = match zone.passes(wall) {
            Passes::Once => "once",
            Passes::Never => "never",
            Passes::Twice => "twice",
        };
        match *passes {
            "once" => self.once += 1,
            "never" => self.never += 1,
            _ => self.twice += 1,
        }
        self.zones.insert((*name).to_owned());
        if found != *passes || zone.instant(wall) != instant.parse::<DateTime<Utc>>().unwrap() {
            self.differences
                .push(format!("{line}: we say {found} {}", zone.instant(wall)));
        }
        if *day_start != "-" {
            self.day_starts += 1;
            let start = zone.day(wall.date()).start;
            if start != day_start.parse::<DateTime<Utc>>().unwrap() {
                self.differences
                    .push(format!("{line}: we start the day at {start}"));
            }
        }
    }

    fn week(&mut self, line: &str, fields: &[&str]) {
        let [day, week, weekday] = fields else {
            panic!("{line}")
        };
        self.weeks += 1;
        let day: NaiveDate = day.parse().unwrap();
        let found = IsoWeek::of(day).unwrap();
        let weekday: i64 = weekday.parse().unwrap();
        if found.to_string() != *week || found.monday() + TimeDelta::days(weekday - 1) != day {
            self.differences.push(format!("{line}: we say {found}"));
        }
    }
}

#[test]
fn python_gives_the_same_instants_and_weeks() {
    let mut tally = Tally::default();
    let mut version = String::new();
    for line in answers().lines() {
        let fields: Vec<_> = line.split(' ').collect();
        match fields[0] {
            "version" => version = fields[1].to_owned(),
            "wall" => tally.wall(line, &fields[1..]),
            "week" => tally.week(line, &fields[1..]),
            _ => panic!("{line}"),
        }
    }
    assert!(
        tally.differences.is_empty(),
        "{} differences (zone data {ZONE_DATA_VERSION} here, tzdata {version} there):\n{}",
        tally.differences.len(),
        tally.differences.join("\n")
    );
    // Both halves of the question were really put.
    assert_eq!(
        (tally.once + tally.never + tally.twice, tally.weeks),
        (2_000, 2_000)
    );
    assert!(
        tally.never >= 50 && tally.twice >= 50,
        "{} gaps, {} overlaps",
        tally.never,
        tally.twice
    );
    assert!(tally.zones.len() > 300 && tally.day_starts > 1_800);
}
