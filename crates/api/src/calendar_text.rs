//! A calendar as text: RFC 5545.
//!
//! Written here, since the libraries at hand put a time stamp and an identifier into every component,
//! which a `VTIMEZONE` may not have, and cannot be given one.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use cotyl_app::calendar_feeds::{CalendarEntry, EntryState, MemberCalendar};
use cotyl_calendar::{OffsetChange, SiteZone};

/// Most octets of a line without its end.
const MOST_OCTETS: usize = 75;

/// Content lines, folded and ended as the standard wants it.
#[derive(Default)]
struct Lines(String);

impl Lines {
    /// A line as it is; longer ones go on in the next after a space, never inside a character.
    fn push(&mut self, line: &str) {
        let mut octets = 0;
        for letter in line.chars() {
            if octets + letter.len_utf8() > MOST_OCTETS {
                self.0.push_str("\r\n ");
                octets = 1;
            }
            self.0.push(letter);
            octets += letter.len_utf8();
        }
        self.0.push_str("\r\n");
    }

    /// A property with a text.
    fn text(&mut self, name: &str, text: &str) {
        self.push(&format!("{name}:{}", escaped(text)));
    }

    /// A property with an instant.
    fn instant(&mut self, name: &str, at: DateTime<Utc>) {
        self.push(&format!("{name}:{}", at.format("%Y%m%dT%H%M%SZ")));
    }
}

/// A text with what has a meaning in it escaped (section 3.3.11), and without other control characters.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.replace("\r\n", "\n").chars() {
        match letter {
            '\\' | ';' | ',' => out.extend(['\\', letter]),
            '\n' => out.push_str("\\n"),
            other if other.is_control() && other != '\t' => {}
            other => out.push(other),
        }
    }
    out
}

/// The calendar of a member.
pub fn written(calendar: &MemberCalendar) -> String {
    let mut lines = Lines::default();
    lines.push("BEGIN:VCALENDAR");
    lines.push("VERSION:2.0");
    lines.push("PRODID:-//Cotyl//Cotyl//EN");
    lines.push("CALSCALE:GREGORIAN");
    lines.text("NAME", &calendar.name);
    lines.text("X-WR-CALNAME", &calendar.name);
    for (zone, (from, to)) in reaches(&calendar.entries) {
        if let Ok(zone) = zone.parse::<SiteZone>() {
            time_zone(&mut lines, zone, from, to);
        }
    }
    for entry in &calendar.entries {
        event(&mut lines, entry);
    }
    lines.push("END:VCALENDAR");
    lines.0
}

/// The zones that entries are in, with the instants between which their offsets matter.
fn reaches(entries: &[CalendarEntry]) -> BTreeMap<&str, (DateTime<Utc>, DateTime<Utc>)> {
    let mut reaches: BTreeMap<&str, (DateTime<Utc>, DateTime<Utc>)> = BTreeMap::new();
    for CalendarEntry { task, .. } in entries {
        let reach = reaches
            .entry(task.zone.as_str())
            .or_insert((task.opens_at, task.due_at));
        *reach = (reach.0.min(task.opens_at), reach.1.max(task.due_at));
    }
    let margin = TimeDelta::days(2);
    for reach in reaches.values_mut() {
        *reach = (reach.0 - margin, reach.1 + margin);
    }
    reaches
}

/// The offset in force at the beginning, and each change up to the end (section 3.6.5).
fn time_zone(lines: &mut Lines, zone: SiteZone, from: DateTime<Utc>, to: DateTime<Utc>) {
    lines.push("BEGIN:VTIMEZONE");
    lines.push(&format!("TZID:{zone}"));
    for OffsetChange {
        at,
        before_seconds,
        after_seconds,
        abbreviation,
        daylight_saving,
    } in zone.changes(from, to)
    {
        let kind = if daylight_saving {
            "DAYLIGHT"
        } else {
            "STANDARD"
        };
        // the beginning of an observance is told by the clock as it was before
        let start = at.naive_utc() + TimeDelta::seconds(before_seconds.into());
        lines.push(&format!("BEGIN:{kind}"));
        lines.push(&format!("DTSTART:{}", wall(start)));
        lines.push(&format!("TZOFFSETFROM:{}", offset(before_seconds)));
        lines.push(&format!("TZOFFSETTO:{}", offset(after_seconds)));
        lines.text("TZNAME", &abbreviation);
        lines.push(&format!("END:{kind}"));
    }
    lines.push("END:VTIMEZONE");
}

fn wall(time: NaiveDateTime) -> String {
    time.format("%Y%m%dT%H%M%S").to_string()
}

fn offset(seconds: i32) -> String {
    let sign = if seconds < 0 { '-' } else { '+' };
    let (hours, minutes, rest) = (
        seconds.abs() / 3600,
        seconds.abs() / 60 % 60,
        seconds.abs() % 60,
    );
    if rest == 0 {
        format!("{sign}{hours:02}{minutes:02}")
    } else {
        format!("{sign}{hours:02}{minutes:02}{rest:02}")
    }
}

fn event(lines: &mut Lines, entry: &CalendarEntry) {
    let task = &entry.task;
    let Ok(zone) = task.zone.parse::<SiteZone>() else {
        return;
    };
    lines.push("BEGIN:VEVENT");
    lines.push(&format!("UID:{}", task.id));
    lines.instant("DTSTAMP", task.changed_at);
    lines.instant("LAST-MODIFIED", task.changed_at);
    lines.push(&format!("SEQUENCE:{}", task.sequence));
    for (name, at) in [("DTSTART", task.opens_at), ("DTEND", task.due_at)] {
        match by_the_wall(zone, at) {
            Some(time) => lines.push(&format!("{name};TZID={zone}:{}", wall(time))),
            None => lines.instant(name, at),
        }
    }
    lines.text("SUMMARY", &summary(entry));
    let place = match &task.station_name {
        Some(station) => format!("{}, {station}", task.site_name),
        None => task.site_name.clone(),
    };
    lines.text("LOCATION", &place);
    if !task.note.is_empty() {
        lines.text("DESCRIPTION", &task.note);
    }
    let (status, transparent) = match entry.state {
        EntryState::Mine => ("CONFIRMED", false),
        EntryState::Open => ("TENTATIVE", true),
        EntryState::Cancelled => ("CANCELLED", true),
    };
    lines.push(&format!("STATUS:{status}"));
    lines.push(if transparent {
        "TRANSP:TRANSPARENT"
    } else {
        "TRANSP:OPAQUE"
    });
    lines.push("END:VEVENT");
}

/// The local time of an instant; none where a reader of it would take another, as in the second pass of
/// an hour that the clock is put back over.
fn by_the_wall(zone: SiteZone, at: DateTime<Utc>) -> Option<NaiveDateTime> {
    let wall = zone.local(at).naive_local();
    (zone.instant(wall) == at).then_some(wall)
}

fn summary(entry: &CalendarEntry) -> String {
    let task = &entry.task;
    let what = cotyl_app::notices::called(&task.kind, task.title.as_deref());
    let what = match &task.crop_name {
        Some(crop) => format!("{what}: {crop}"),
        None => what,
    };
    match entry.state {
        EntryState::Open => format!("{what} (somebody is needed)"),
        EntryState::Mine | EntryState::Cancelled => what,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 5545, section 3.1: no line is longer than 75 octets, and a character is never split.
    #[test]
    fn long_lines_are_folded_between_characters() {
        let mut lines = Lines::default();
        let text = "Gießkannen, Töpfe und 🌱 spülen; ".repeat(12);
        lines.text("SUMMARY", &text);
        assert!(lines.0.ends_with("\r\n"));
        let folded: Vec<&str> = lines.0.trim_end().split("\r\n").collect();
        assert!(folded.len() > 4);
        assert!(folded.iter().all(|line| line.len() <= MOST_OCTETS));
        assert!(folded[1..].iter().all(|line| line.starts_with(' ')));
        let whole = lines.0.trim_end_matches("\r\n").replace("\r\n ", "");
        assert_eq!(whole, format!("SUMMARY:{}", escaped(&text)));
    }

    /// RFC 5545, section 3.3.11.
    #[test]
    fn what_has_a_meaning_is_escaped() {
        assert_eq!(escaped("a;b,c\\d\r\ne\nf\u{7}"), "a\\;b\\,c\\\\d\\ne\\nf");
        assert_eq!(escaped("END:VEVENT\nBEGIN:X"), "END:VEVENT\\nBEGIN:X");
    }

    #[test]
    fn offsets_have_their_sign() {
        for (seconds, text) in [
            (0, "+0000"),
            (-18_000, "-0500"),
            (37_800, "+1030"),
            (-1_521, "-002521"),
        ] {
            assert_eq!(offset(seconds), text);
        }
    }
}
