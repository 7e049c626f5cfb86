//! What may be told about a batch, checked as far as it can be without the batch; pure.

use chrono::{DateTime, Utc};
use cotyl_solution::{Scale, to_25_celsius};
use cotyl_store::batches::BatchEntry;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::chemistry::Measured;
use crate::input::Problems;
use crate::{Error, Result};

/// The highest conductivity of a solution that anything grows in, in µS/cm, as in the database.
const MOST_MICROSIEMENS: f64 = 20_000.0;
/// The hottest that a batch may be, in hundredths of a degree Celsius, as in the database.
const MOST_CENTICELSIUS: i32 = 6000;
/// The largest dose, in milligrams or microlitres, as in the database.
const MOST_DOSE: i64 = 1_000_000_000_000;

/// What is told about a batch.
#[derive(Debug, Clone, Default, Serialize)]
pub struct EntryFields {
    /// `reading`, `dose`, `ready`, `use`, `left`, `discard`, `withdrawn` or `note`.
    pub kind: String,
    /// When it happened; now when left out.
    pub happened_at: Option<DateTime<Utc>>,
    /// Of a reading.
    pub ph: Option<f64>,
    /// Of a reading.
    pub conductivity: Option<ShownConductivity>,
    /// Of a reading, in tenths of a degree Celsius.
    pub temperature_decicelsius: Option<i32>,
    /// Of a dose.
    pub product_id: Option<Uuid>,
    /// Of a dose.
    pub amount: Option<Measured>,
    /// Of a dose: from this lot; the one that expires first when left out.
    pub lot_id: Option<Uuid>,
    /// Of a use, and of what is left.
    pub microlitres: Option<i64>,
    /// Of a use.
    pub station_id: Option<Uuid>,
    /// Of a use.
    pub sowing_id: Option<Uuid>,
    /// Of a use: into so many of the containers of the sowing; into all that wait for it when left out.
    pub containers: Option<i32>,
    /// Of a use: what was poured past the limit of refilling is recorded all the same; the note says why.
    pub past_limit_accepted: bool,
    /// When the program first heard of it, where that was before now: how late something may be reported
    /// is judged by that.
    #[serde(skip)]
    pub heard_at: Option<DateTime<Utc>>,
    /// The entry that is withdrawn.
    pub withdraws_id: Option<Uuid>,
    /// Free words; of a withdrawal the reason.
    pub note: String,
}

/// A conductivity as a meter shows it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct ShownConductivity {
    /// The figure.
    pub value: f64,
    /// `mS/cm`, `uS/cm`, `ppm_500`, `ppm_640` or `ppm_700`.
    pub scale: String,
    /// Whether the meter brings it to 25 °C by itself.
    pub is_compensated: bool,
}

/// Fields that an entry of a kind may have, beside time and note.
fn fields_of(kind: &str) -> Option<&'static [&'static str]> {
    Some(match kind {
        "reading" => &["ph", "conductivity", "temperature"],
        "dose" => &["product_id", "amount", "lot_id"],
        "use" => &["volume", "station_id", "sowing_id"],
        "left" => &["volume"],
        "withdrawn" => &["withdraws_id"],
        "ready" | "discard" | "note" => &[],
        _ => return None,
    })
}

/// Checks what can be told without the batch, and reads the figures of a reading.
pub(crate) fn check(fields: &EntryFields) -> Result<BatchEntry> {
    let Some(allowed) = fields_of(&fields.kind) else {
        let detail = "must be reading, dose, ready, use, left, discard, withdrawn or note";
        return Err(Error::field("/kind", "unknown", detail));
    };
    let mut problems = Problems::new();
    for (name, given) in [
        ("ph", fields.ph.is_some()),
        ("conductivity", fields.conductivity.is_some()),
        ("temperature", fields.temperature_decicelsius.is_some()),
        ("product_id", fields.product_id.is_some()),
        ("amount", fields.amount.is_some()),
        ("lot_id", fields.lot_id.is_some()),
        ("volume", fields.microlitres.is_some()),
        ("station_id", fields.station_id.is_some()),
        ("sowing_id", fields.sowing_id.is_some()),
        ("withdraws_id", fields.withdraws_id.is_some()),
    ] {
        let pointer = format!("/{name}");
        let may_be_left_out = matches!(
            name,
            "lot_id" | "ph" | "conductivity" | "temperature" | "station_id" | "sowing_id"
        );
        if given && !allowed.contains(&name) {
            problems.add(
                pointer,
                "unexpected",
                format!("does not belong to {}", fields.kind),
            );
        } else if !given && allowed.contains(&name) && !may_be_left_out {
            problems.add(pointer, "missing", format!("belongs to {}", fields.kind));
        }
    }
    let least = usize::from(matches!(fields.kind.as_str(), "withdrawn" | "note"));
    problems.text("/note", &fields.note, least, 300);
    check_amounts(&mut problems, fields);
    let read = check_reading(&mut problems, fields);
    problems.finish()?;
    Ok(read)
}

fn check_amounts(problems: &mut Problems, fields: &EntryFields) {
    if let Some(amount) = fields.amount {
        problems.require(
            (1..=MOST_DOSE).contains(&amount.count()),
            "/amount",
            "range",
            "must be more than nothing and no more than a batch takes, in g or mL",
        );
    }
    if let Some(microlitres) = fields.microlitres {
        let least = i64::from(fields.kind == "use");
        problems.require(
            (least..=100_000_000_000).contains(&microlitres),
            "/volume",
            "range",
            "must be more than nothing for a use, not negative otherwise, and at most 100000 L",
        );
    }
    if fields.kind == "use" && fields.station_id.is_none() && fields.sowing_id.is_none() {
        problems.add(
            "/station_id",
            "missing",
            "name the station or the sowing it went to",
        );
    }
}

fn check_reading(problems: &mut Problems, fields: &EntryFields) -> BatchEntry {
    let mut entry = nothing_read();
    if fields.kind != "reading" {
        return entry;
    }
    if fields.ph.is_none()
        && fields.conductivity.is_none()
        && fields.temperature_decicelsius.is_none()
    {
        problems.add(
            "/ph",
            "missing",
            "give a pH, a conductivity or a temperature",
        );
    }
    if let Some(ph) = fields.ph {
        if (0.0..=14.0).contains(&ph) {
            entry.ph_thousandths = Some((ph * 1000.0).round() as i32);
        } else {
            problems.add(
                "/ph",
                "range",
                format!("must be a pH between 0 and 14; it is {ph}"),
            );
        }
    }
    if let Some(tenths) = fields.temperature_decicelsius {
        let hundredths = tenths.saturating_mul(10);
        if (0..=MOST_CENTICELSIUS).contains(&hundredths) {
            entry.temperature_centicelsius = Some(hundredths);
        } else {
            let shown = f64::from(tenths) / 10.0;
            let detail = format!("must be between 0 and 60 °C; it is {shown} °C");
            problems.add("/temperature", "range", detail);
        }
    }
    if let Some(shown) = &fields.conductivity {
        match microsiemens(shown, fields.temperature_decicelsius) {
            Ok(microsiemens) => {
                entry.conductivity_microsiemens_per_centimetre = Some(microsiemens.round() as i32);
            }
            Err((pointer, code, detail)) => problems.add(pointer, code, detail),
        }
    }
    entry
}

/// An entry with nothing in it.
fn nothing_read() -> BatchEntry {
    BatchEntry {
        id: Uuid::nil(),
        batch_id: Uuid::nil(),
        kind: String::new(),
        happened_at: DateTime::UNIX_EPOCH,
        recorded_at: DateTime::UNIX_EPOCH,
        member_id: Uuid::nil(),
        ph_thousandths: None,
        conductivity_microsiemens_per_centimetre: None,
        temperature_centicelsius: None,
        product_id: None,
        quantity: None,
        microlitres: None,
        station_id: None,
        sowing_id: None,
        withdraws_id: None,
        movement_ids: Vec::new(),
        note: String::new(),
    }
}

type FieldFault = (&'static str, &'static str, String);

/// µS/cm at 25 °C of what a meter shows.
fn microsiemens(
    shown: &ShownConductivity,
    temperature_decicelsius: Option<i32>,
) -> std::result::Result<f64, FieldFault> {
    let scale = match shown.scale.as_str() {
        "mS/cm" => Scale::MillisiemensPerCm,
        "uS/cm" => Scale::MicrosiemensPerCm,
        "ppm_500" => Scale::Ppm500,
        "ppm_640" => Scale::Ppm640,
        "ppm_700" => Scale::Ppm700,
        other => {
            let detail = format!(
                "{other:?} is no scale: use mS/cm or uS/cm, or the scale of the meter's ppm, which is one of ppm_500, ppm_640 and ppm_700"
            );
            return Err(("/conductivity/scale", "unit", detail));
        }
    };
    let range = |detail: String| ("/conductivity/value", "range", detail);
    let at_once = scale
        .to_microsiemens_per_cm(shown.value)
        .map_err(|error| range(error.to_string()))?;
    let brought = if shown.is_compensated {
        at_once
    } else {
        let tenths = temperature_decicelsius.ok_or_else(|| {
            let detail =
                "a meter that does not bring its reading to 25 °C needs the temperature with it";
            ("/temperature", "missing", detail.to_owned())
        })?;
        to_25_celsius(at_once, f64::from(tenths) / 10.0)
            .map_err(|error| range(error.to_string()))?
    };
    if (0.0..=MOST_MICROSIEMENS).contains(&brought) {
        Ok(brought)
    } else {
        Err(range(format!(
            "must come to between 0 and 20 mS/cm; it comes to {:.1} mS/cm",
            brought / 1000.0
        )))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    fn shown(value: f64, scale: &str, is_compensated: bool) -> ShownConductivity {
        ShownConductivity {
            value,
            scale: scale.into(),
            is_compensated,
        }
    }

    #[test]
    fn a_scale_is_named_or_refused() {
        // 500, 640 and 700 ppm per mS/cm are what makers of meters print; common practice, no source
        for (value, scale) in [
            (1.5, "mS/cm"),
            (1500.0, "uS/cm"),
            (750.0, "ppm_500"),
            (960.0, "ppm_640"),
            (1050.0, "ppm_700"),
        ] {
            let got = microsiemens(&shown(value, scale, true), None).unwrap();
            assert!((got - 1500.0).abs() < 1e-9, "{scale}: {got}");
        }
        for (value, scale, pointer) in [
            (1050.0, "ppm", "/conductivity/scale"),
            (1.5, "EC", "/conductivity/scale"),
            (-1.0, "mS/cm", "/conductivity/value"),
            (1500.0, "mS/cm", "/conductivity/value"),
        ] {
            assert_eq!(
                microsiemens(&shown(value, scale, true), None)
                    .unwrap_err()
                    .0,
                pointer
            );
        }
    }

    #[test]
    fn a_meter_without_compensation_needs_the_temperature() {
        let bare = shown(1273.03, "uS/cm", false);
        assert_eq!(microsiemens(&bare, None).unwrap_err().0, "/temperature");
        // 0.01 mol/kg potassium chloride: 1273.03 µS/cm at 20 °C, 1408.23 at 25 °C (CRC Handbook after
        // Pratt et al., Pure Appl. Chem. 73:1783, 2001); the linear law is 0.06 % off
        let at_25 = microsiemens(&bare, Some(200)).unwrap();
        assert!((at_25 / 1408.23 - 1.0).abs() < 0.001, "{at_25}");
    }

    #[test]
    fn an_entry_has_what_belongs_to_its_kind() {
        let pointers = |fields: EntryFields| match check(&fields) {
            Err(Error::Invalid(problems)) => problems.into_iter().map(|p| p.pointer).collect(),
            Ok(_) => vec![],
            Err(other) => panic!("{other}"),
        };
        let of = |kind: &str| EntryFields {
            kind: kind.into(),
            ..EntryFields::default()
        };
        assert_eq!(pointers(of("boil")), ["/kind"]);
        assert_eq!(pointers(of("reading")), ["/ph"]);
        assert_eq!(pointers(of("dose")), ["/product_id", "/amount"]);
        assert_eq!(pointers(of("use")), ["/volume", "/station_id"]);
        assert_eq!(pointers(of("withdrawn")), ["/withdraws_id", "/note"]);
        assert_eq!(
            pointers(EntryFields {
                ph: Some(6.0),
                ..of("ready")
            }),
            ["/ph"]
        );
        assert_eq!(
            pointers(EntryFields {
                ph: Some(41.0),
                ..of("reading")
            }),
            ["/ph"]
        );
        let boiling = EntryFields {
            temperature_decicelsius: Some(50_000),
            ..of("reading")
        };
        assert_eq!(pointers(boiling), ["/temperature"]);
    }
}
