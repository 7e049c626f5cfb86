//! Wall time at a site and the instants it means.

use std::fmt;
use std::str::FromStr;

use chrono::{
    DateTime, FixedOffset, LocalResult, NaiveDate, NaiveDateTime, NaiveTime, Offset, TimeDelta,
    TimeZone, Utc,
};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

/// The release of the IANA time zone data compiled in.
pub const ZONE_DATA_VERSION: &str = chrono_tz::IANA_TZDB_VERSION;

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

/// The IANA time zone of a site.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct SiteZone(Tz);

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

/// A stretch of wall time over which the clock is put forward.
struct Gap {
    /// The instant at which the clock is put forward.
    at: DateTime<Utc>,
    /// The offset until then.
    offset_before: FixedOffset,
}

impl SiteZone {
    /// The zone's IANA name.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.0.name()
    }

    /// Every name that is read.
    pub fn names() -> impl Iterator<Item = &'static str> {
        chrono_tz::TZ_VARIANTS.iter().map(|zone| zone.name())
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
        instant.with_timezone(&self.offset_at(instant))
    }

    /// The date at the site at that instant.
    #[must_use]
    pub fn today(self, instant: DateTime<Utc>) -> NaiveDate {
        self.local(instant).date_naive()
    }

    /// How often the site's clock shows that wall time.
    #[must_use]
    pub fn passes(self, wall: NaiveDateTime) -> Passes {
        match self.0.offset_from_local_datetime(&wall) {
            LocalResult::Single(_) => Passes::Once,
            LocalResult::None => Passes::Never,
            LocalResult::Ambiguous(..) => Passes::Twice,
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
        let offset = match self.0.offset_from_local_datetime(&wall) {
            LocalResult::Single(offset) => offset.fix(),
            // The pass with the greater offset comes first.
            LocalResult::Ambiguous(one, other) => {
                let (one, other) = (one.fix(), other.fix());
                if one.local_minus_utc() >= other.local_minus_utc() {
                    one
                } else {
                    other
                }
            }
            LocalResult::None => match self.gap(wall) {
                Some(gap) => gap.offset_before,
                None => return saturated(wall),
            },
        };
        with_offset(wall, offset)
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
        match self.passes(midnight) {
            Passes::Never => self
                .gap(midnight)
                .map_or_else(|| saturated(midnight), |gap| gap.at),
            Passes::Once | Passes::Twice => self.instant(midnight),
        }
    }

    fn offset_at(self, instant: DateTime<Utc>) -> FixedOffset {
        self.0.offset_from_utc_datetime(&instant.naive_utc()).fix()
    }

    /// The gap that swallows the wall time. Found from the last wall time before it that exists, in
    /// steps shorter than any time between two changes; the longest gap is a whole day.
    fn gap(self, wall: NaiveDateTime) -> Option<Gap> {
        const STEP: TimeDelta = TimeDelta::minutes(15);
        let before = (1..=200)
            .map_while(|steps| wall.checked_sub_signed(STEP * steps))
            .find(|earlier| self.passes(*earlier) != Passes::Never)?;
        let offset_before = match self.0.offset_from_local_datetime(&before) {
            LocalResult::Single(offset) => offset.fix(),
            LocalResult::Ambiguous(one, other) => {
                let (one, other) = (one.fix(), other.fix());
                if one.local_minus_utc() <= other.local_minus_utc() {
                    one
                } else {
                    other
                }
            }
            LocalResult::None => return None,
        };
        let (mut last_before, mut first_after) = (
            with_offset(before, offset_before),
            with_offset(wall, offset_before),
        );
        while first_after - last_before > TimeDelta::seconds(1) {
            let middle =
                last_before + TimeDelta::seconds((first_after - last_before).num_seconds() / 2);
            if self.offset_at(middle) == offset_before {
                last_before = middle;
            } else {
                first_after = middle;
            }
        }
        Some(Gap {
            at: first_after,
            offset_before,
        })
    }
}

fn with_offset(wall: NaiveDateTime, offset: FixedOffset) -> DateTime<Utc> {
    wall.checked_sub_offset(offset)
        .map_or_else(|| saturated(wall), |utc| utc.and_utc())
}

fn saturated(wall: NaiveDateTime) -> DateTime<Utc> {
    if wall.and_utc() < DateTime::UNIX_EPOCH {
        DateTime::<Utc>::MIN_UTC
    } else {
        DateTime::<Utc>::MAX_UTC
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
        name.parse().map(Self).map_err(|_| ZoneError {
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
