//! What finished work changes: the sowing goes on, solution leaves its batch, readings are kept.

use chrono::{DateTime, Utc};
use cotyl_calendar::SiteZone;
use cotyl_domain::sowing::SowingState;
use cotyl_domain::task::TaskKind;
use cotyl_domain::{Actor, DeliveryState, Refusal};
use cotyl_store::tasks::{self, Done, Task};
use cotyl_store::{Tx, batches, deliveries, holds, sowings, stock_counts, work_reports};
use serde_json::json;
use uuid::Uuid;

use crate::batches::entry_input::{self, EntryFields};
use crate::completion::{Completion, left_after_part};
use crate::readings::{Spot, figures};
use crate::sowing_steps::SowingStep;
use crate::task_holds::settle_state;
use crate::{App, Caller, Error, Result};

impl App {
    /// Does what the work of a task brings, and marks it done.
    pub(crate) async fn record_work(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        actor: &Actor,
        task: &Task,
        told: &mut Completion,
        done_at: DateTime<Utc>,
    ) -> Result<()> {
        let now = self.clock().now();
        let done = Done {
            kind: task.kind()?,
            cut_number: task.cut_number,
            done_at,
            recorded_at: now,
            member_id: caller.doer(),
        };
        match done.kind {
            TaskKind::TopUp => self.pour(tx, caller, actor, task, told, done_at).await?,
            TaskKind::Measure => {
                self.keep_measured(tx, caller, actor, task, told, done_at.min(now))
                    .await?;
            }
            TaskKind::Mix | TaskKind::Adjust => require_batch(tx, task, told).await?,
            TaskKind::Count => require_count(tx, task, told).await?,
            TaskKind::Pack | TaskKind::Deliver => require_delivery(tx, task, told).await?,
            _ => {}
        }
        if let Some(sowing_id) = task.sowing_id {
            self.advance_by_work(tx, caller, task, sowing_id, told, done)
                .await?;
        }
        Ok(tasks::finish(tx, task.id, done).await?)
    }

    /// Keeps a part of the work: the rest stays to be done, and the hold of the member comes free.
    pub(crate) async fn record_part(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        actor: &Actor,
        task: &Task,
        told: &mut Completion,
        done_at: DateTime<Utc>,
    ) -> Result<()> {
        let before = containers_done(tx, task.id).await?;
        left_after_part(task, before, told.containers)?;
        told.of_containers = told.containers.and(task.containers);
        if told.volume.is_some() {
            self.pour(tx, caller, actor, task, told, done_at).await?;
        }
        let now = self.clock().now();
        holds::end(tx, task.id, actor.member_id, "released", now).await?;
        settle_state(tx, task.id).await
    }

    /// Takes the sowing of a task on.
    pub(crate) async fn advance_by_work(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        task: &Task,
        sowing_id: Uuid,
        told: &mut Completion,
        done: Done,
    ) -> Result<()> {
        let zone: SiteZone = task.zone.parse().map_err(Error::internal)?;
        let on = zone.today(done.done_at.min(done.recorded_at));
        let sowing = sowings::lock(tx, sowing_id)
            .await?
            .ok_or(Error::NotFound("sowing"))?;
        let step = match done.kind {
            TaskKind::Sow => {
                if let Some(containers) = told.containers {
                    // with those of the parts that were sown before
                    let all = containers + containers_done(tx, task.id).await?;
                    self.set_containers(tx, caller, &sowing, all, on).await?;
                }
                Some(SowingStep::Sown { on })
            }
            TaskKind::CheckGermination if told.sprouted_containers == Some(0) => {
                let detail = json!({"sprouted_containers": 0});
                self.note_sowing_event(tx, caller, &sowing, "noted", on, detail)
                    .await?;
                None
            }
            TaskKind::CheckGermination => Some(SowingStep::Sprouted {
                on,
                count: told.sprouted_containers,
            }),
            TaskKind::Cut => {
                let number = task.cut_number;
                let weighed = tasks::weighed_on(tx, sowing_id, number).await?;
                let on = weighed.ok_or_else(not_weighed)?;
                if sowing.state.0 != SowingState::Cutting {
                    let step = SowingStep::Cut { on, number };
                    self.advance_sowing(tx, caller, sowing.id, step).await?;
                }
                None
            }
            TaskKind::ClearAndClean => Some(SowingStep::Cleared { on }),
            _ => None,
        };
        if let Some(step) = step {
            self.step_sowing(tx, caller, sowing_id, &step, done.done_at)
                .await?;
        }
        Ok(())
    }

    /// Takes what was poured out of its batch, within the limit to which containers may be filled, and
    /// has the report name the entry.
    pub(crate) async fn pour(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        actor: &Actor,
        task: &Task,
        told: &mut Completion,
        done_at: DateTime<Utc>,
    ) -> Result<()> {
        let Some(volume) = told.volume.filter(|volume| volume.microlitres() > 0) else {
            return Ok(());
        };
        if told.plain_water {
            return self.check_plain_water(tx, task, told, done_at).await;
        }
        let Some(batch_id) = told.batch_id else {
            return Ok(());
        };
        let fields = EntryFields {
            kind: "use".into(),
            happened_at: Some(done_at),
            microlitres: Some(volume.microlitres()),
            station_id: task.station_id,
            sowing_id: task.sowing_id,
            containers: told.containers,
            past_limit_accepted: told.past_limit_accepted,
            heard_at: told.heard_at,
            note: told.note.clone(),
            ..EntryFields::default()
        };
        let read = entry_input::check(&fields)?;
        let entry_id = self
            .add_entry(tx, caller, actor, batch_id, (&fields, &read), None)
            .await
            .map_err(|error| match error {
                Error::NotFound("batch") => unknown("/batch_id", "batch"),
                other => other,
            })?;
        told.batch_entry_id = Some(entry_id);
        Ok(())
    }

    /// Plain water is kept with the report, from which the levels are reckoned; it is held to the same
    /// limit.
    async fn check_plain_water(
        &self,
        tx: &mut Tx,
        task: &Task,
        told: &Completion,
        done_at: DateTime<Utc>,
    ) -> Result<()> {
        if told.past_limit_accepted {
            if told.note.trim().is_empty() {
                let detail = "say why it was filled past the limit";
                return Err(Error::field("/note", "missing", detail));
            }
            return Ok(());
        }
        if let (Some(sowing_id), Some(volume)) = (task.sowing_id, told.volume) {
            let microlitres = volume.microlitres();
            let poured = (microlitres, told.containers);
            self.require_within_refill_limit(tx, sowing_id, poured, done_at)
                .await?;
        }
        Ok(())
    }

    pub(crate) async fn keep_measured(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        actor: &Actor,
        task: &Task,
        told: &mut Completion,
        measured_at: DateTime<Utc>,
    ) -> Result<()> {
        let temperature = told.temperature.map(|read| read.decicelsius());
        if let Some(batch_id) = task.batch_id {
            // a batch keeps its own readings
            let fields = EntryFields {
                kind: "reading".into(),
                happened_at: Some(measured_at),
                heard_at: told.heard_at,
                ph: told.ph,
                conductivity: told.conductivity.clone(),
                temperature_decicelsius: temperature,
                note: told.note.clone(),
                ..EntryFields::default()
            };
            let read = entry_input::check(&fields)?;
            self.enter_batch(tx, caller, actor, batch_id, (&fields, &read), None)
                .await?;
            return Ok(());
        }
        let figures = figures(told.ph, told.conductivity.as_ref(), temperature, &told.note)?;
        let Some(station_id) = task.station_id else {
            return Ok(());
        };
        let spot = Spot {
            site_id: task.site_id,
            station_id,
            sowing_id: task.sowing_id,
        };
        let reading_id = self
            .keep_task_reading(tx, actor, spot, &figures, measured_at, task.id)
            .await?;
        told.reading_id = Some(reading_id);
        Ok(())
    }
}

/// Containers that parts of a task did already.
pub(crate) async fn containers_done(tx: &mut Tx, task_id: Uuid) -> Result<i32> {
    let parts = work_reports::parts(tx, task_id).await?;
    Ok(parts.iter().map(containers_of).sum())
}

/// Containers that a report tells of.
pub fn containers_of(report: &work_reports::WorkReport) -> i32 {
    let told = report.outcome.get("containers");
    told.and_then(serde_json::Value::as_i64)
        .and_then(|containers| i32::try_from(containers).ok())
        .unwrap_or(0)
}

fn unknown(pointer: &str, what: &str) -> Error {
    let detail = format!("there is no such {what} at this site");
    Error::field(pointer, "unknown", detail)
}

/// The batch was mixed at the site, and what shows an adjustment is an entry of it.
pub(crate) async fn require_batch(tx: &mut Tx, task: &Task, told: &Completion) -> Result<()> {
    let batch_id = told.batch_id.or(task.batch_id);
    let Some(batch_id) = batch_id else {
        let detail = "name the batch";
        return Err(Error::field("/batch_id", "missing", detail));
    };
    let batch = batches::get(tx, batch_id)
        .await?
        .filter(|batch| batch.site_id == task.site_id)
        .ok_or_else(|| unknown("/batch_id", "batch"))?;
    if task.batch_id.is_some_and(|of_task| of_task != batch.id) {
        let detail = "must be the batch of the task";
        return Err(Error::field("/batch_id", "other", detail));
    }
    match told.batch_entry_id {
        Some(entry_id) => {
            let entries = batches::entries(tx, &[batch.id]).await?;
            let shows = |entry: &batches::BatchEntry| {
                entry.id == entry_id && matches!(entry.kind.as_str(), "dose" | "reading")
            };
            if !entries.iter().any(shows) {
                let detail = "must be a dose or a reading of this batch";
                return Err(Error::field("/batch_entry_id", "unknown", detail));
            }
        }
        None if batch.state == "mixing" => {
            return Err(wrong_state(
                "the batch",
                "still being mixed (make it ready first)",
            ));
        }
        None => {}
    }
    Ok(())
}

pub(crate) async fn require_count(tx: &mut Tx, task: &Task, told: &Completion) -> Result<()> {
    let Some(count_id) = told.stock_count_id else {
        return Ok(());
    };
    let count = stock_counts::get(tx, count_id)
        .await?
        .filter(|count| count.site_id == task.site_id)
        .ok_or_else(|| unknown("/stock_count_id", "stock-taking"))?;
    if count.state == "dropped" {
        return Err(wrong_state("the stock-taking", "dropped"));
    }
    Ok(())
}

pub(crate) async fn require_delivery(tx: &mut Tx, task: &Task, told: &Completion) -> Result<()> {
    let Some(delivery_id) = told.delivery_id else {
        return Ok(());
    };
    // it is not withdrawn meanwhile
    deliveries::share(tx, delivery_id).await?;
    let delivery = deliveries::get(tx, delivery_id)
        .await?
        .filter(|delivery| delivery.site_id == task.site_id)
        .ok_or_else(|| unknown("/delivery_id", "delivery"))?;
    if task
        .recipient_id
        .is_some_and(|of_task| of_task != delivery.recipient_id)
    {
        let detail = "must be a delivery to the recipient of the task";
        return Err(Error::field("/delivery_id", "other", detail));
    }
    if delivery.state == DeliveryState::Withdrawn.as_str() {
        return Err(wrong_state("the delivery", "withdrawn"));
    }
    if task.kind()? == TaskKind::Deliver && delivery.state == DeliveryState::Packed.as_str() {
        return Err(wrong_state(
            "the delivery",
            "not handed over yet (record it first)",
        ));
    }
    Ok(())
}

fn wrong_state(what: &str, state: &str) -> Error {
    Refusal::WrongState {
        what: what.into(),
        state: state.into(),
        step: "finished".into(),
    }
    .into()
}

pub(crate) fn not_weighed() -> Error {
    wrong_state("the cut", "not weighed yet (record its weight first)")
}
