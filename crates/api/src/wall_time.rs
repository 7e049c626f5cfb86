//! Times by the clock of a site, without zone and offset.

use chrono::{NaiveDateTime, Timelike};
use serde::{Deserialize, Deserializer, Serializer, de::Error as _};

/// Reads `2026-09-10T15:00`, with or without seconds of zero.
pub fn deserialize<'de, D: Deserializer<'de>>(reader: D) -> Result<NaiveDateTime, D::Error> {
    let text = String::deserialize(reader)?;
    read(&text).ok_or_else(|| D::Error::custom(EXPECTED))
}

const EXPECTED: &str =
    "must be a whole minute by the clock of the site, such as 2026-09-10T15:00, without an offset";

fn read(text: &str) -> Option<NaiveDateTime> {
    let time = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"]
        .into_iter()
        .find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())?;
    (time.second() == 0 && time.nanosecond() == 0).then_some(time)
}

/// Writes `2026-09-10T15:00:00`.
pub fn serialize<S: Serializer>(time: &NaiveDateTime, writer: S) -> Result<S::Ok, S::Error> {
    writer.collect_str(&time.format("%Y-%m-%dT%H:%M:%S"))
}

/// The same where there may be none.
pub mod optional {
    use super::{EXPECTED, NaiveDateTime, read};
    use serde::{Deserialize, Deserializer, Serializer, de::Error as _};

    /// Reads a time or `null`.
    pub fn deserialize<'de, D: Deserializer<'de>>(
        reader: D,
    ) -> Result<Option<NaiveDateTime>, D::Error> {
        Option::<String>::deserialize(reader)?
            .map(|text| read(&text).ok_or_else(|| D::Error::custom(EXPECTED)))
            .transpose()
    }

    /// Writes a time or `null`.
    pub fn serialize<S: Serializer>(
        time: &Option<NaiveDateTime>,
        writer: S,
    ) -> Result<S::Ok, S::Error> {
        match time {
            Some(time) => super::serialize(time, writer),
            None => writer.serialize_none(),
        }
    }
}
