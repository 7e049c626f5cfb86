//! Taking a task, giving it back, saying that it is done.

use chrono::{DateTime, TimeDelta, Utc};
use cotyl_calendar::SiteZone;
use cotyl_domain::sowing::SowingState;
use cotyl_domain::task::{TaskKind, TaskState, may_claim};
use cotyl_domain::{Operation, Refusal};
use cotyl_store::claims::{self, Claim};
use cotyl_store::tasks::{self, Done, Task};
use cotyl_store::{Tx, sowings};
use serde::Serialize;
use serde_json::json;
use uuid::Uuid;

use crate::input::Problems;
use crate::sowing_steps::SowingStep;
use crate::tasks::{TaskForMember, claimable, leads, within_reach};
use crate::{App, Caller, Changed, Error, Result};

/// How long ago work may have been done that is reported now: a phone may have been offline.
const MOST_DAYS_BACK: TimeDelta = TimeDelta::days(7);
/// How far the clock of a phone may be ahead.
const MOST_AHEAD: TimeDelta = TimeDelta::minutes(5);

/// What was done.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Completion {
    /// When, by the clock of the one who did it; now when left out.
    pub done_at: Option<DateTime<Utc>>,
    /// Containers really sown, for sowing.
    pub containers: Option<i32>,
    /// Containers in which seedlings stand, for the check of germination.
    pub sprouted_containers: Option<i32>,
}

impl App {
    /// Takes a place of a task for the member.
    ///
    /// # Errors
    /// [`Refusal::TaskHeld`], [`Refusal::AlreadyYours`], [`Refusal::NeedsQualification`],
    /// [`Refusal::WrongState`].
    pub async fn claim_task(&self, caller: &Caller, id: Uuid) -> Result<Claim> {
        self.write_once(Operation::ClaimTask, caller, async |tx, actor| {
            let task = tasks::lock(tx, id).await?;
            let task = within_reach(actor, Operation::ClaimTask, task)?;
            let place = may_claim(&claimable(&task)?, actor)?;
            let claim = claims::insert(
                tx,
                self.new_id(),
                id,
                actor.member_id,
                place,
                self.clock().now(),
            )
            .await?;
            if task.holders.len() + 1 == usize::try_from(task.people).unwrap_or(usize::MAX) {
                tasks::set_state(tx, id, TaskState::Held).await?;
            }
            self.audit_task(tx, Operation::ClaimTask, caller, id, &claim)
                .await?;
            Ok(claim)
        })
        .await
    }

    /// Gives a task back.
    ///
    /// # Errors
    /// [`Refusal::NotYours`] when the member does not hold it.
    pub async fn release_task(&self, caller: &Caller, id: Uuid) -> Result<()> {
        self.write(Operation::ReleaseTask, caller, async |tx, actor| {
            let task = tasks::lock(tx, id).await?;
            within_reach(actor, Operation::ReleaseTask, task)?;
            let claim = claims::release(tx, id, actor.member_id, self.clock().now())
                .await?
                .ok_or(Refusal::NotYours)?;
            tasks::set_state(tx, id, TaskState::Open).await?;
            self.audit_task(tx, Operation::ReleaseTask, caller, id, &claim)
                .await
        })
        .await
    }

    /// Says that a task is done; its sowing goes one step on.
    ///
    /// # Errors
    /// [`Refusal::NotYours`] for members who neither hold it nor lead the site,
    /// [`Refusal::WrongState`] when it is no longer to be done or, for a cut, not weighed yet.
    pub async fn finish_task(
        &self,
        caller: &Caller,
        id: Uuid,
        completion: &Completion,
    ) -> Result<TaskForMember> {
        self.write_once(Operation::FinishTask, caller, async |tx, actor| {
            let seen = tasks::get(tx, id).await?;
            let seen = within_reach(actor, Operation::FinishTask, seen)?;
            // the sowing first: every writer of both takes them in this order
            if let Some(sowing_id) = seen.sowing_id {
                sowings::lock(tx, sowing_id).await?;
            }
            let task = tasks::lock(tx, id).await?.ok_or(Error::NotFound("task"))?;
            let held = task.holders.iter().any(|h| h.member_id == actor.member_id);
            require_to_do(&task)?;
            if !held && !leads(actor, task.site_id) {
                return Err(Refusal::NotYours.into());
            }
            let done_at = self.check_completion(&task, completion)?;
            self.record_work(tx, caller, &task, completion, done_at)
                .await?;
            self.audit_task(tx, Operation::FinishTask, caller, id, completion)
                .await?;
            let task = tasks::get(tx, id).await?.ok_or(Error::NotFound("task"))?;
            self.task_for(actor, task)
        })
        .await
    }

    fn check_completion(&self, task: &Task, completion: &Completion) -> Result<DateTime<Utc>> {
        let now = self.clock().now();
        let done_at = completion.done_at.unwrap_or(now);
        let kind = task.kind()?;
        let mut problems = Problems::new();
        problems.require(
            done_at >= now - MOST_DAYS_BACK && done_at <= now + MOST_AHEAD,
            "/done_at",
            "range",
            "must be within the last 7 days and not in the future",
        );
        match completion.containers {
            Some(_) if kind != TaskKind::Sow => {
                problems.add("/containers", "unexpected", "belongs to sowing only");
            }
            Some(containers) => problems.within("/containers", containers.into(), 1, 10_000),
            None => {}
        }
        match completion.sprouted_containers {
            Some(_) if kind != TaskKind::CheckGermination => {
                let detail = "belongs to the check of germination only";
                problems.add("/sprouted_containers", "unexpected", detail);
            }
            Some(count) => {
                let most = task.containers.unwrap_or(0).into();
                problems.within("/sprouted_containers", count.into(), 0, most);
            }
            None if kind == TaskKind::CheckGermination => {
                let detail = "count the containers in which seedlings stand";
                problems.add("/sprouted_containers", "missing", detail);
            }
            None => {}
        }
        problems.finish()?;
        Ok(done_at)
    }

    /// Takes the sowing on by what was done, which marks the task done with it.
    async fn record_work(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        task: &Task,
        completion: &Completion,
        done_at: DateTime<Utc>,
    ) -> Result<()> {
        let now = self.clock().now();
        let zone: SiteZone = task.zone.parse().map_err(Error::internal)?;
        let on = zone.today(done_at.min(now));
        let done = Done {
            kind: task.kind()?,
            cut_number: task.cut_number,
            done_at,
            recorded_at: now,
            member_id: caller.member_id,
        };
        let Some(sowing_id) = task.sowing_id else {
            return Ok(tasks::finish(tx, task.id, done).await?);
        };
        let sowing = sowings::lock(tx, sowing_id)
            .await?
            .ok_or(Error::NotFound("sowing"))?;
        let step = match done.kind {
            TaskKind::Sow => {
                if let Some(containers) = completion.containers {
                    self.set_containers(tx, &sowing, containers).await?;
                }
                Some(SowingStep::Sown { on })
            }
            TaskKind::CheckGermination if completion.sprouted_containers == Some(0) => {
                let detail = json!({"sprouted_containers": 0});
                self.note_sowing_event(tx, caller, &sowing, "noted", on, detail)
                    .await?;
                None
            }
            TaskKind::CheckGermination => Some(SowingStep::Sprouted {
                on,
                count: completion.sprouted_containers,
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
            self.step_sowing(tx, caller, sowing_id, &step, done_at)
                .await?;
        }
        Ok(tasks::finish(tx, task.id, done).await?)
    }

    async fn audit_task(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
        became: &impl Serialize,
    ) -> Result<()> {
        let changed = Changed { noun: "task", id };
        self.audit(tx, operation, caller, changed, became).await
    }
}

fn require_to_do(task: &Task) -> Result<()> {
    if matches!(task.state()?, TaskState::Open | TaskState::Held) {
        return Ok(());
    }
    Err(Refusal::WrongState {
        what: "the task".into(),
        state: task.state.clone(),
        step: "finished".into(),
    }
    .into())
}

fn not_weighed() -> Error {
    Refusal::WrongState {
        what: "the cut".into(),
        state: "not weighed yet (record its weight first)".into(),
        step: "finished".into(),
    }
    .into()
}
