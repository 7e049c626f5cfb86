//! Sowings: from a plan or by hand.

use chrono::NaiveDate;
use cotyl_store::Tx;
use cotyl_store::sowings::{self, Sowing, SowingEvent, SowingFields};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::growing::Ground;
use crate::{App, Caller, Result};

/// A sowing to be written down with all its days.
#[derive(Debug, Clone)]
pub struct NewSowing {
    /// Its site.
    pub site_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Its crop.
    pub crop_id: Uuid,
    /// The plan it comes from; `None` when made by hand.
    pub plan_id: Option<Uuid>,
    /// Containers.
    pub containers: i32,
    /// The day on which it is to be sown.
    pub sow_on: NaiveDate,
    /// The places are free again from this day.
    pub free_on: NaiveDate,
    /// Days on which it is to be cut.
    pub planned_cuts: Vec<NaiveDate>,
    /// Expected fresh weight of the whole sowing, one figure a planned cut.
    pub expected_milligrams: Vec<i64>,
}

impl App {
    /// Writes down a sowing, its `planned` entry and its tasks.
    ///
    /// # Errors
    /// [`cotyl_domain::Refusal::StationFull`] when the station has too few places on some day.
    pub(crate) async fn add_planned_sowing(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        new: &NewSowing,
    ) -> Result<Sowing> {
        let ground = Ground::load(tx, new.station_id, new.crop_id).await?;
        self.add_sowing(tx, caller, new, &ground, "").await
    }

    /// Writes down a sowing whose ground is read already.
    pub(crate) async fn add_sowing(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        new: &NewSowing,
        ground: &Ground,
        note: &str,
    ) -> Result<Sowing> {
        let fields = SowingFields {
            site_id: new.site_id,
            station_id: new.station_id,
            crop_id: new.crop_id,
            plan_id: new.plan_id,
            containers: new.containers,
            sow_on: new.sow_on,
            free_on: new.free_on,
            planned_cuts: &new.planned_cuts,
            expected_milligrams: &new.expected_milligrams,
            note,
        };
        let sowing = sowings::insert(tx, self.new_id(), &fields).await?;
        let detail = json!({
            "containers": sowing.containers, "sow_on": sowing.sow_on, "free_on": sowing.free_on,
            "planned_cuts": sowing.planned_cuts, "expected_milligrams": sowing.expected_milligrams,
        });
        let today = ground.day_of(self.clock().now());
        self.note_sowing_event(tx, caller, &sowing, "planned", today, detail)
            .await?;
        self.add_sowing_tasks(tx, &sowing, ground).await?;
        Ok(sowing)
    }

    /// Adds an entry to the history of a sowing.
    pub(crate) async fn note_sowing_event(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        sowing: &Sowing,
        kind: &str,
        happened_on: NaiveDate,
        detail: Value,
    ) -> Result<SowingEvent> {
        let event = SowingEvent {
            id: self.new_id(),
            sowing_id: sowing.id,
            kind: kind.to_owned(),
            happened_on,
            recorded_at: self.clock().now(),
            member_id: caller.member_id,
            detail,
        };
        sowings::insert_event(tx, &event).await?;
        Ok(event)
    }
}
