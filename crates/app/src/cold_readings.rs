//! Temperatures of cut greens where they are held, of one tray or of the store of a site.

use chrono::{DateTime, Utc};
use cotyl_domain::temperature::Temperature;
use cotyl_domain::{Actor, Operation};
use cotyl_store::cold_readings::{self, ColdReading, ColdReadingFilter};
use cotyl_store::references::Reference;
use cotyl_store::{Page, Tx, cuts};
use serde::Serialize;
use uuid::Uuid;

use crate::deliveries::{MEASURABLE_DECICELSIUS, MOST_AHEAD, MOST_LATE};
use crate::input::Problems;
use crate::{App, Caller, Changed, Error, Result};

/// Where a temperature was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ReadOf {
    /// In the tray of a cut.
    Cut(Uuid),
    /// In the store of a site.
    Store(Uuid),
}

/// What is told about a reading.
#[derive(Debug, Clone, Serialize)]
pub struct ColdReadingFields {
    /// Where.
    pub of: ReadOf,
    /// How cold.
    pub temperature: Temperature,
    /// When; now when left out.
    pub read_at: Option<DateTime<Utc>>,
    /// Anything worth saying; why, for a correction.
    pub note: String,
    /// The mistaken reading in whose place it stands.
    pub corrects_id: Option<Uuid>,
}

impl App {
    /// Records the temperature of held greens.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a time more than 7 days back or 5 minutes ahead, or before the greens were
    /// cut; [`cotyl_domain::Refusal::Taken`] for a reading that was corrected already.
    pub async fn record_cold_reading(
        &self,
        caller: &Caller,
        fields: &ColdReadingFields,
    ) -> Result<ColdReading> {
        self.check_cold_reading(fields)?;
        let operation = Operation::RecordColdReading;
        self.write_once(operation, caller, async |tx, actor| {
            let recorded_at = self.clock().now();
            let read_at = fields.read_at.unwrap_or(recorded_at);
            let (site_id, cut_id) = place(tx, actor, fields.of).await?;
            if let Some(id) = fields.corrects_id {
                let known = cold_readings::get(tx, id)
                    .await?
                    .is_some_and(|old| old.site_id == site_id && old.cut_id == cut_id);
                if !known {
                    let detail = "there is no such reading of this tray or store";
                    return Err(Error::field("/corrects_id", "unknown", detail));
                }
            }
            let reading = ColdReading {
                id: self.new_id(),
                site_id,
                cut_id,
                temperature_decicelsius: fields.temperature.decicelsius(),
                read_at,
                recorded_at,
                member_id: actor.member_id,
                note: fields.note.trim().to_owned(),
                corrects_id: fields.corrects_id,
                corrected_by_id: None,
            };
            cold_readings::insert(tx, &reading).await?;
            let changed = Changed {
                noun: "cold reading",
                id: reading.id,
            };
            self.audit(tx, operation, caller, changed, fields).await?;
            Ok(reading)
        })
        .await
    }

    /// A page of readings in the caller's reach.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_cold_readings(
        &self,
        caller: &Caller,
        filter: &ColdReadingFilter,
        page: Page,
    ) -> Result<Vec<ColdReading>> {
        self.read(Operation::ListColdReadings, caller, async |tx, actor| {
            let reach = Operation::ListColdReadings.reach(actor);
            Ok(cold_readings::list(tx, filter, reach.site_filter(), page).await?)
        })
        .await
    }

    fn check_cold_reading(&self, fields: &ColdReadingFields) -> Result<()> {
        let now = self.clock().now();
        let mut problems = Problems::new();
        if let Some(at) = fields.read_at {
            problems.require(
                now - MOST_LATE <= at && at <= now + MOST_AHEAD,
                "/read_at",
                "range",
                "must not be more than 7 days ago or more than 5 minutes ahead",
            );
        }
        problems.require(
            MEASURABLE_DECICELSIUS.contains(&fields.temperature.decicelsius()),
            "/temperature",
            "range",
            "must be between -50 and 60 degrees Celsius (-58 and 140 degrees Fahrenheit)",
        );
        let least = usize::from(fields.corrects_id.is_some());
        problems.text("/note", &fields.note, least, 300);
        problems.finish()
    }
}

/// The site and the tray, when the actor may read there.
async fn place(tx: &mut Tx, actor: &Actor, of: ReadOf) -> Result<(Uuid, Option<Uuid>)> {
    let reach = Operation::RecordColdReading.reach(actor);
    match of {
        ReadOf::Cut(id) => match cuts::get(tx, id).await? {
            Some(cut) if reach.covers_site(cut.site_id) => Ok((cut.site_id, Some(id))),
            _ => Err(Error::field(
                "/cut_id",
                "unknown",
                "there is no such cut in your reach",
            )),
        },
        ReadOf::Store(id) => {
            let mut problems = Problems::new();
            problems.refers(tx, "/site_id", Reference::Site, id).await?;
            problems.finish()?;
            if !reach.covers_site(id) {
                return Err(Error::Forbidden(Operation::RecordColdReading));
            }
            Ok((id, None))
        }
    }
}
