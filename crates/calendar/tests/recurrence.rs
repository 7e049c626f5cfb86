//! The same rules put to Python's `dateutil` and `recurring-ical-events`, with the `tzdata` package.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Stdio};

use chrono::{DateTime, NaiveDateTime, Utc};
use cotyl_calendar::{Recurrence, SiteZone, ZONE_DATA_VERSION};

/// What Python answers, line by line.
fn answers() -> String {
    let interpreter = std::env::var_os("COTYL_CHECK_PYTHON").map_or_else(
        || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../target/check-venv/bin/python"),
        PathBuf::from,
    );
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/recurrence_oracle.py");
    let mut child = Command::new(&interpreter)
        .args([script, ZONE_DATA_VERSION])
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
        "Python with its packages is needed; run cargo xtask setup\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).unwrap()
}

fn walls(text: &str) -> Vec<NaiveDateTime> {
    text.split(',')
        .filter(|wall| !wall.is_empty())
        .map(|wall| wall.parse().unwrap())
        .collect()
}

fn ours(fields: &[&str]) -> String {
    let [name, start, rule, added, left_out, from, to, ..] = fields else {
        panic!("{fields:?}")
    };
    let zone: SiteZone = name.parse().unwrap();
    let instant = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
    let recurrence = Recurrence::new(
        zone,
        start.parse().unwrap(),
        rule,
        &walls(added),
        &walls(left_out),
    );
    match recurrence.and_then(|found| found.between(instant(from), instant(to))) {
        Ok(times) => times
            .iter()
            .map(|time| time.instant.format("%Y-%m-%dT%H:%M:%SZ").to_string())
            .collect::<Vec<_>>()
            .join(","),
        Err(fault) => fault.to_string(),
    }
}

/// `recurring-ical-events` rests on `dateutil`, and the library that we rest on follows it too; the
/// examples that RFC 5545 prints are beside the module. Where the others are known to be wrong they are
/// not asked, and the script says so there:
///
/// - `dateutil` chooses positions in the first week of a rule among the days from its start on (its
///   issue 1398), where RFC 5545 chooses among all of the week.
/// - `recurring-ical-events` takes a local time of `EXDATE` for a time of UTC too.
#[test]
fn python_gives_the_same_instants() {
    let mut frequencies: BTreeMap<String, usize> = BTreeMap::new();
    let mut zones = BTreeSet::new();
    let (mut with_dateutil, mut with_events, mut times) = (0, 0, 0);
    let mut differences = Vec::new();
    for line in answers().lines() {
        let fields: Vec<&str> = line.split('|').collect();
        let found = ours(&fields);
        let frequency = fields[2].split(';').next().unwrap_or_default().to_owned();
        *frequencies.entry(frequency).or_default() += 1;
        zones.insert(fields[0].to_owned());
        times += found.split(',').count();
        with_dateutil += 1;
        if found != fields[7] {
            differences.push(format!("dateutil {line}\n  we say {found}"));
        }
        if fields[8] != "-" {
            with_events += 1;
            if found != fields[8] {
                differences.push(format!("recurring-ical-events {line}\n  we say {found}"));
            }
        }
    }
    println!(
        "{with_dateutil} rules with dateutil, {with_events} with recurring-ical-events, {times} times, {} zones, {frequencies:?}",
        zones.len()
    );
    assert!(
        differences.is_empty(),
        "{} differences:\n{}",
        differences.len(),
        differences.join("\n")
    );
    assert!(with_dateutil >= 2_000 && with_events >= 1_900 && times > 40_000);
    assert!(zones.len() > 300 && frequencies.len() == 5);
}
