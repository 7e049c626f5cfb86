//! What was found of single sowings, and which of it is left out of learning.

use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use cotyl_domain::Operation;
use cotyl_store::learning_vetoes::{self, Veto, VetoFields};
use cotyl_store::{Tx, season};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::plans::learned::{Observation, observations, quantity, read};
use crate::plans::season::Season;
use crate::{App, Caller, Changed, Error, Result};

/// What was found of the sowings of a crop.
#[derive(Debug, Clone)]
pub struct CropObservations {
    /// Sowing by sowing, in the order of their making.
    pub observations: Vec<Observation>,
    /// What coordinators left out, with what they took back.
    pub vetoes: Vec<Veto>,
}

impl App {
    /// What was found of each sowing of a crop, beside what was expected.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has no such crop in use.
    pub async fn list_observations(
        &self,
        caller: &Caller,
        crop_id: Uuid,
    ) -> Result<CropObservations> {
        let now = self.clock().now();
        let monday = monday_of(now);
        let (rows, records, vetoes) = self
            .read(Operation::ListObservations, caller, async |tx, _| {
                let rows = season::load(tx, monday, monday).await?;
                let (records, _) = read(tx, now).await?;
                let vetoes = learning_vetoes::of_crop(tx, crop_id).await?;
                Ok((rows, records, vetoes))
            })
            .await?;
        let season = Season::of_rows(rows, monday, 1, now).map_err(Error::internal)?;
        let id = crop_id.to_string();
        if !season.crops.iter().any(|crop| crop.id == id) {
            return Err(Error::NotFound("crop"));
        }
        // what was expected is worked out anew for each: away from the request threads
        let observations =
            tokio::task::spawn_blocking(move || observations(&season, &id, &records))
                .await
                .map_err(Error::internal)?;
        Ok(CropObservations {
            observations,
            vetoes,
        })
    }

    /// Leaves a figure of a sowing out of learning.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`cotyl_domain::Refusal::Taken`] when it is left out already.
    pub async fn veto_observation(
        &self,
        caller: &Caller,
        crop_id: Uuid,
        fields: &VetoFields,
    ) -> Result<Veto> {
        let mut problems = Problems::new();
        problems.require(
            quantity(&fields.quantity).is_some(),
            "/quantity",
            "unknown",
            "must be days, grams or survival",
        );
        problems.text("/reason", &fields.reason, 1, 300);
        problems.finish()?;
        self.write_once(Operation::VetoObservation, caller, async |tx, actor| {
            cotyl_store::crops::get(tx, crop_id)
                .await?
                .ok_or(Error::NotFound("crop"))?;
            if learning_vetoes::crop_of(tx, fields.sowing_id).await? != Some(crop_id) {
                let detail = "there is no such sowing of this crop in this co-operative";
                return Err(Error::field("/sowing_id", "unknown", detail));
            }
            let veto = learning_vetoes::insert(tx, self.new_id(), actor.member_id, fields).await?;
            self.audit_veto(tx, Operation::VetoObservation, caller, &veto)
                .await?;
            Ok(veto)
        })
        .await
    }

    /// Takes a veto back.
    ///
    /// # Errors
    /// [`Error::NotFound`]; [`Error::Stale`] when it was changed since `expected`.
    pub async fn drop_veto(
        &self,
        caller: &Caller,
        crop_id: Uuid,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Veto> {
        self.write(Operation::DropVeto, caller, async |tx, _| {
            let veto = learning_vetoes::lock(tx, id)
                .await?
                .ok_or(Error::NotFound("veto"))?;
            if learning_vetoes::crop_of(tx, veto.fields.sowing_id).await? != Some(crop_id) {
                return Err(Error::NotFound("veto"));
            }
            require_version(expected, veto.version)?;
            require_not_retired("the veto", &veto.retired_at)?;
            let veto = learning_vetoes::retire(tx, id, self.clock().now()).await?;
            self.audit_veto(tx, Operation::DropVeto, caller, &veto)
                .await?;
            Ok(veto)
        })
        .await
    }

    async fn audit_veto(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        veto: &Veto,
    ) -> Result<()> {
        let changed = Changed {
            noun: "learning veto",
            id: veto.id,
        };
        self.audit(tx, operation, caller, changed, &veto.fields)
            .await
    }
}

fn monday_of(now: DateTime<Utc>) -> NaiveDate {
    let today = now.date_naive();
    today - Days::new(u64::from(today.weekday().num_days_from_monday()))
}
