//! What meters show at stations and in sowings: pH, conductivity, temperature.

use chrono::{DateTime, Utc};
use cotyl_domain::{Actor, Operation};
use cotyl_store::readings::{self, Reading, ReadingFilter};
use cotyl_store::{Page, Tx, sowings, stations};
use serde::Serialize;
use uuid::Uuid;

use crate::batches::entry_input::{EntryFields, ShownConductivity, check};
use crate::{App, Caller, Changed, Error, Result};

/// A reading as it comes in.
#[derive(Debug, Clone, Default, Serialize)]
pub struct NewReading {
    /// The reading, made by whoever sends it; sent again it is kept once.
    pub id: Option<Uuid>,
    /// At this station; that of the sowing where one is named.
    pub station_id: Option<Uuid>,
    /// In the containers of this sowing.
    pub sowing_id: Option<Uuid>,
    /// When; now when left out.
    pub measured_at: Option<DateTime<Utc>>,
    /// pH.
    pub ph: Option<f64>,
    /// Conductivity.
    pub conductivity: Option<ShownConductivity>,
    /// Tenths of a degree Celsius.
    pub temperature_decicelsius: Option<i32>,
    /// Anything worth knowing.
    pub note: String,
    /// The reading that this one puts right.
    pub corrects: Option<Uuid>,
}

/// The figures of a reading, checked.
pub(crate) struct Figures {
    ph_hundredths: Option<i32>,
    microsiemens_per_centimetre: Option<i32>,
    temperature_decicelsius: Option<i32>,
}

/// Reads the figures as those of a batch are read: a pH of 0 to 14, at most 20 mS/cm, 0 to 60 °C.
///
/// # Errors
/// [`Error::Invalid`] for what no meter shows in a solution that anything grows in.
pub(crate) fn figures(
    ph: Option<f64>,
    conductivity: Option<&ShownConductivity>,
    temperature_decicelsius: Option<i32>,
    note: &str,
) -> Result<Figures> {
    let read = check(&EntryFields {
        kind: "reading".into(),
        ph,
        conductivity: conductivity.cloned(),
        temperature_decicelsius,
        note: note.to_owned(),
        ..EntryFields::default()
    })?;
    Ok(Figures {
        ph_hundredths: read.ph_thousandths.map(|ph| (ph + 5) / 10),
        microsiemens_per_centimetre: read.conductivity_microsiemens_per_centimetre,
        temperature_decicelsius,
    })
}

/// Where something was measured.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Spot {
    /// The site.
    pub site_id: Uuid,
    /// The station.
    pub station_id: Uuid,
    /// The sowing.
    pub sowing_id: Option<Uuid>,
}

impl App {
    /// Writes down a reading at a station or in a sowing.
    ///
    /// # Errors
    /// [`Error::Invalid`] for figures that cannot be, a time outside the last seven days, or a place that
    /// is not theirs; [`cotyl_domain::Refusal::Taken`] where the other reading is put right already.
    pub async fn record_reading(&self, caller: &Caller, new: &NewReading) -> Result<Reading> {
        let operation = Operation::RecordReading;
        let figures = figures(
            new.ph,
            new.conductivity.as_ref(),
            new.temperature_decicelsius,
            &new.note,
        )?;
        let measured_at = self.happened_at("/measured_at", new.measured_at)?;
        if new.id.is_some_and(|id| id.get_version_num() != 7) {
            return Err(Error::field("/id", "format", "must be a UUID of version 7"));
        }
        self.write_once(operation, caller, async |tx, actor| {
            if let Some(id) = new.id
                && let Some(before) = readings::get(tx, id).await?
            {
                return same_reading(before, actor);
            }
            let spot = spot(tx, actor, operation, new).await?;
            if let Some(corrects) = new.corrects {
                let wrong = readings::get(tx, corrects).await?;
                if wrong.is_none_or(|wrong| wrong.station_id != spot.station_id) {
                    let detail = "there is no such reading of this station";
                    return Err(Error::field("/corrects", "unknown", detail));
                }
            }
            let reading = self.reading(actor, spot, &figures, measured_at, new);
            readings::insert(tx, &reading).await?;
            let changed = Changed {
                noun: "reading",
                id: reading.id,
            };
            self.audit(tx, operation, caller, changed, &reading).await?;
            Ok(reading)
        })
        .await
    }

    fn reading(
        &self,
        actor: &Actor,
        spot: Spot,
        figures: &Figures,
        measured_at: DateTime<Utc>,
        new: &NewReading,
    ) -> Reading {
        let now = self.clock().now();
        Reading {
            id: new.id.unwrap_or_else(|| self.new_id()),
            site_id: spot.site_id,
            station_id: spot.station_id,
            sowing_id: spot.sowing_id,
            measured_at: measured_at.min(now),
            recorded_at: now,
            member_id: actor.member_id,
            ph_hundredths: figures.ph_hundredths,
            microsiemens_per_centimetre: figures.microsiemens_per_centimetre,
            temperature_decicelsius: figures.temperature_decicelsius,
            note: new.note.trim().to_owned(),
            corrects: new.corrects,
            task_id: None,
        }
    }

    /// Keeps the reading of a task inside its transaction.
    pub(crate) async fn keep_task_reading(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        spot: Spot,
        figures: &Figures,
        measured_at: DateTime<Utc>,
        task_id: Uuid,
    ) -> Result<Uuid> {
        let new = NewReading::default();
        let reading = Reading {
            task_id: Some(task_id),
            ..self.reading(actor, spot, figures, measured_at, &new)
        };
        readings::insert(tx, &reading).await?;
        Ok(reading.id)
    }

    /// Readings of a station or a sowing, or of all within the reach of the member.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_readings(
        &self,
        caller: &Caller,
        filter: &ReadingFilter,
        page: Page,
    ) -> Result<Vec<Reading>> {
        let operation = Operation::ListReadings;
        self.read(operation, caller, async |tx, actor| {
            let filter = ReadingFilter {
                sites: operation.reach(actor).site_filter().map(<[Uuid]>::to_vec),
                ..filter.clone()
            };
            Ok(readings::list(tx, &filter, page).await?)
        })
        .await
    }
}

fn same_reading(before: Reading, actor: &Actor) -> Result<Reading> {
    if before.member_id == actor.member_id {
        return Ok(before);
    }
    Err(Error::field("/id", "taken", "another reading has this id"))
}

/// The station, and the sowing that stands there.
async fn spot(tx: &mut Tx, actor: &Actor, operation: Operation, new: &NewReading) -> Result<Spot> {
    let reach = operation.reach(actor);
    let unknown = |pointer: &str, what: &str| {
        let detail = format!("there is no such {what} in this co-operative or in your reach");
        Error::field(pointer, "unknown", detail)
    };
    let spot = match (new.sowing_id, new.station_id) {
        (Some(sowing_id), station_id) => {
            let view = sowings::get(tx, sowing_id).await?;
            let view = view.ok_or_else(|| unknown("/sowing_id", "sowing"))?;
            if station_id.is_some_and(|id| id != view.sowing.station_id) {
                let detail = "must be the station at which the sowing stands";
                return Err(Error::field("/station_id", "other", detail));
            }
            Spot {
                site_id: view.sowing.site_id,
                station_id: view.sowing.station_id,
                sowing_id: Some(sowing_id),
            }
        }
        (None, Some(station_id)) => {
            let station = stations::get(tx, station_id).await?;
            let station = station.ok_or_else(|| unknown("/station_id", "station"))?;
            Spot {
                site_id: station.fields.site_id,
                station_id,
                sowing_id: None,
            }
        }
        (None, None) => {
            let detail = "name the station or the sowing";
            return Err(Error::field("/station_id", "missing", detail));
        }
    };
    if reach.covers_site(spot.site_id) {
        return Ok(spot);
    }
    Err(match spot.sowing_id {
        Some(_) => unknown("/sowing_id", "sowing"),
        None => unknown("/station_id", "station"),
    })
}
