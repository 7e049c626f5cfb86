//! Days and instants on the wire, for lists.
//!
//! The usual way hands each character of them to the JSON writer alone, which looks at each for what must
//! be escaped; in a list of tasks that was the largest part of writing it.

use chrono::{DateTime, NaiveDate, SecondsFormat, TimeZone};
use serde::Serializer;

/// RFC 3339, as everywhere in the API.
pub fn instant<Z: TimeZone<Offset: std::fmt::Display>, S: Serializer>(
    at: &DateTime<Z>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&at.to_rfc3339_opts(SecondsFormat::AutoSi, true))
}

/// `YYYY-MM-DD`.
pub fn day<S: Serializer>(day: &NaiveDate, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&day.to_string())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use chrono::{FixedOffset, Utc};
    use serde::Serialize;

    use super::*;

    #[derive(Serialize)]
    struct Lean {
        #[serde(serialize_with = "day")]
        day: NaiveDate,
        #[serde(serialize_with = "instant")]
        at: DateTime<Utc>,
        #[serde(serialize_with = "instant")]
        local: DateTime<FixedOffset>,
    }

    #[derive(Serialize)]
    struct Usual {
        day: NaiveDate,
        at: DateTime<Utc>,
        local: DateTime<FixedOffset>,
    }

    #[test]
    fn the_same_as_everywhere() {
        for text in [
            "2026-09-07T12:00:00Z",
            "2026-11-01T01:30:00-04:00",
            "2026-04-05T01:45:00.123456+10:30",
            "1999-12-31T23:59:59.999+00:00",
        ] {
            let local: DateTime<FixedOffset> = text.parse().unwrap();
            let at = local.to_utc();
            let day = local.date_naive();
            assert_eq!(
                serde_json::to_string(&Lean { day, at, local }).unwrap(),
                serde_json::to_string(&Usual { day, at, local }).unwrap(),
                "{text}"
            );
        }
    }
}
