//! Levels that people read off the containers of a sowing.

use chrono::{DateTime, TimeDelta, Utc};
use cotyl_domain::{Operation, Refusal};
use cotyl_store::Page;
use cotyl_store::levels::{self, LevelReading};
use cotyl_store::{container_kinds, sowings, stations};
use serde::Serialize;
use uuid::Uuid;

use crate::growing::Ground;
use crate::input::Problems;
use crate::{App, Caller, Changed, Error, Result};

/// How far the clock of a device may be ahead.
const MOST_AHEAD: TimeDelta = TimeDelta::minutes(5);

/// A reading as it comes in.
#[derive(Debug, Clone, Serialize)]
pub struct NewLevelReading {
    /// In one container, the average of those looked at.
    pub microlitres: i64,
    /// Depth of the liquid, where it was measured.
    pub depth_millimetres: Option<i32>,
    /// Whether roots hang in the air above the liquid, where somebody looked.
    pub air_roots: Option<bool>,
    /// When it was read; now when left out.
    pub read_at: Option<DateTime<Utc>>,
    /// Anything worth knowing.
    pub note: String,
}

impl App {
    /// Writes down the level in the containers of a sowing; of several readings on one day the last
    /// counts.
    ///
    /// # Errors
    /// [`Error::Invalid`], also for more than a container holds; [`Refusal::WrongState`] for a sowing
    /// that does not stand in liquid.
    pub async fn record_level_reading(
        &self,
        caller: &Caller,
        sowing_id: Uuid,
        new: &NewLevelReading,
    ) -> Result<LevelReading> {
        let operation = Operation::RecordLevelReading;
        let now = self.clock().now();
        check(new, now)?;
        self.write_once(operation, caller, async |tx, actor| {
            let sowing = crate::sowings::lock(tx, actor, operation, sowing_id).await?;
            if sowing.state.0.is_over() || sowing.sown_on.is_none() {
                return Err(Refusal::WrongState {
                    what: "the sowing".into(),
                    state: sowing.state.0.as_str().into(),
                    step: "read for its level".into(),
                }
                .into());
            }
            let read_at = new.read_at.unwrap_or(now);
            let ground = Ground::load(tx, sowing.station_id, sowing.crop_id).await?;
            let station = stations::get(tx, sowing.station_id).await?;
            let station = station.ok_or(Error::NotFound("station"))?;
            let kind = container_kinds::get(tx, station.fields.container_kind_id).await?;
            let kind = kind.ok_or(Error::NotFound("container kind"))?;
            let mut problems = Problems::new();
            problems.require(
                new.microlitres <= kind.fields.volume_microlitres,
                "/level",
                "range",
                "must not be more than the container holds",
            );
            problems.require(
                sowing
                    .sown_on
                    .is_none_or(|day| day <= ground.day_of(read_at)),
                "/read_at",
                "range",
                "must not be before the day of sowing",
            );
            problems.finish()?;
            let reading = LevelReading {
                id: self.new_id(),
                sowing_id,
                microlitres: new.microlitres,
                depth_millimetres: new.depth_millimetres,
                air_roots: new.air_roots,
                read_at,
                recorded_at: now,
                member_id: actor.member_id,
                note: new.note.trim().to_owned(),
            };
            levels::insert(tx, &reading).await?;
            let changed = Changed {
                noun: "level reading",
                id: reading.id,
            };
            self.audit(tx, operation, caller, changed, &reading).await?;
            Ok(reading)
        })
        .await
    }

    /// Readings of a sowing in the order in which they were written down.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is no such sowing within the reach of the member.
    pub async fn list_level_readings(
        &self,
        caller: &Caller,
        sowing_id: Uuid,
        page: Page,
    ) -> Result<Vec<LevelReading>> {
        let operation = Operation::ListLevelReadings;
        self.read(operation, caller, async |tx, actor| {
            sowings::get(tx, sowing_id)
                .await?
                .filter(|view| operation.reach(actor).covers_site(view.sowing.site_id))
                .ok_or(Error::NotFound("sowing"))?;
            Ok(levels::list(tx, sowing_id, page).await?)
        })
        .await
    }
}

fn check(new: &NewLevelReading, now: DateTime<Utc>) -> Result<()> {
    let mut problems = Problems::new();
    problems.require(
        new.microlitres >= 0,
        "/level",
        "range",
        "must not be less than nothing",
    );
    if let Some(depth) = new.depth_millimetres {
        problems.within("/depth_millimetres", depth.into(), 1, 2000);
    }
    problems.require(
        new.read_at
            .is_none_or(|read_at| read_at <= now + MOST_AHEAD),
        "/read_at",
        "range",
        "must not be in the future",
    );
    problems.text("/note", &new.note, 0, 300);
    problems.finish()
}
