//! Taking a task, giving it back, saying that it is done.

use chrono::{DateTime, Utc};
use cotyl_domain::task::{TaskState, may_claim};
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::claims::{self, Claim};
use cotyl_store::tasks::{self, Task};
use cotyl_store::work_reports::{self, WorkReport};
use cotyl_store::{Tx, holds, rota, sowings};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::claim_rules::{Whose, require_room};
use crate::completion::{self, Completion};
use crate::task_holds::{lapse, require_to_do, settle_state};
use crate::tasks::{TaskForMember, claimable, leads, within_reach};
use crate::together::{Together, asked};
use crate::{App, Caller, Changed, Error, Result};

/// Claims that were made.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Claimed {
    /// That of the task asked for.
    #[serde(flatten)]
    pub claim: Claim,
    /// Those of the tasks that were to go with it, in the order of their ids.
    #[serde(default)]
    pub along: Vec<Claim>,
}

/// What came of a report that work was done.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub enum Finished {
    /// It counts: the task as it is now.
    Counted(Box<TaskForMember>),
    /// Something stands against it: it is kept, and a lead sees and settles it.
    Kept(Box<WorkReport>),
}

impl App {
    /// Takes a place of a task for the member, and of each of those that are to go with it: all or none. Each
    /// counts as one towards what the member may hold, as it does when they are taken one after the other.
    ///
    /// # Errors
    /// [`Refusal::TaskHeld`], [`Refusal::AlreadyYours`], [`Refusal::NeedsQualification`],
    /// [`Refusal::WrongState`], [`Refusal::ClaimLimit`], [`Refusal::ClaimsOverlap`]; of several as
    /// [`Refusal::OneOfSeveral`]. [`Error::Invalid`] for tasks that do not go alongside it.
    pub async fn claim_task(&self, caller: &Caller, id: Uuid, with: &[Uuid]) -> Result<Claimed> {
        let operation = Operation::ClaimTask;
        let asked = asked(id, with)?;
        self.write_once(operation, caller, async |tx, actor| {
            // the member first: what they hold is counted while nobody adds to it
            rota::hold_members(tx, &[actor.member_id]).await?;
            let together = Together::lock(tx, actor, operation, id, asked.clone()).await?;
            let now = self.clock().now();
            let mut own = None;
            let mut along = Vec::new();
            for (asked, task) in together.tasks() {
                let taken = self.take(tx, actor, caller, task.clone(), now).await;
                let claim = taken.map_err(|error| together.in_the_way(asked, task, error))?;
                if claim.task_id == id {
                    own = Some(claim);
                } else {
                    along.push(claim);
                }
            }
            let claim = own.ok_or(Error::NotFound("task"))?;
            Ok(Claimed { claim, along })
        })
        .await
    }

    /// Takes a place of a task, which must be held against other writers.
    async fn take(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        caller: &Caller,
        mut task: Task,
        now: DateTime<Utc>,
    ) -> Result<Claim> {
        let id = task.id;
        // who takes the place next is here already: nobody need be told that it is free
        lapse(tx, &mut task, now).await?;
        let place = may_claim(&claimable(&task)?, actor)
            .map_err(|refusal| with_names(refusal, actor, &task))?;
        require_room(tx, &Whose::own(actor.member_id), &task, now).await?;
        let claim = claims::insert(tx, self.new_id(), id, actor.member_id, place, now).await?;
        settle_state(tx, id).await?;
        self.audit_task(tx, Operation::ClaimTask, caller, id, &claim)
            .await?;
        Ok(claim)
    }

    /// Gives a task back, and those that are to go with it: all or none.
    ///
    /// # Errors
    /// [`Refusal::NotYours`] when the member does not hold it; of several as [`Refusal::OneOfSeveral`].
    pub async fn release_task(&self, caller: &Caller, id: Uuid, with: &[Uuid]) -> Result<()> {
        let operation = Operation::ReleaseTask;
        let asked = asked(id, with)?;
        self.write(operation, caller, async |tx, actor| {
            let together = Together::lock(tx, actor, operation, id, asked.clone()).await?;
            let now = self.clock().now();
            let mut is_told = false;
            for (asked, task) in together.tasks() {
                let released = self.give_back(tx, actor, caller, task.clone(), now).await;
                let (task, claim) =
                    released.map_err(|error| together.in_the_way(asked, task, error))?;
                // of one errand that is free again the others hear once
                if !is_told {
                    self.tell_task_free(tx, &task, claim.id).await?;
                }
                is_told = true;
            }
            Ok(())
        })
        .await
    }

    /// Gives a task back, which must be held against other writers.
    async fn give_back(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        caller: &Caller,
        mut task: Task,
        now: DateTime<Utc>,
    ) -> Result<(Task, Claim)> {
        let id = task.id;
        self.free_lapsed(tx, &mut task).await?;
        let claim = claims::release(tx, id, actor.member_id, now)
            .await?
            .ok_or(Refusal::NotYours)?;
        tasks::set_state(tx, id, TaskState::Open).await?;
        self.audit_task(tx, Operation::ReleaseTask, caller, id, &claim)
            .await?;
        Ok((task, claim))
    }

    /// Says that a task is done, or a part of it; its sowing goes one step on.
    ///
    /// A report with its own id or time may come late, from a phone that was offline: what stands against
    /// it then does not lose it. It is kept for a lead to settle, and the answer says so. Sent again, it
    /// has one effect.
    ///
    /// # Errors
    /// [`Refusal::NotYours`] for members who neither hold it nor lead the site,
    /// [`Refusal::WrongState`] when it is no longer to be done or, for a cut, not weighed yet; neither for
    /// a report that is kept. [`Error::Invalid`] for what does not belong to the work.
    pub async fn finish_task(
        &self,
        caller: &Caller,
        id: Uuid,
        completion: &Completion,
    ) -> Result<Finished> {
        let operation = Operation::FinishTask;
        let counted = self
            .write_once(operation, caller, async |tx, actor| {
                self.count_work(tx, actor, caller, id, completion).await
            })
            .await;
        match counted {
            Err(Error::Refused(refusal))
                if completion.comes_late() && refusal != Refusal::KeyReused =>
            {
                self.write_once(operation, caller, async |tx, actor| {
                    self.keep_work(tx, actor, caller, id, completion, &refusal)
                        .await
                })
                .await
            }
            other => other,
        }
    }

    /// Does what the report says, all or nothing.
    async fn count_work(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        caller: &Caller,
        id: Uuid,
        completion: &Completion,
    ) -> Result<Finished> {
        let seen = tasks::get(tx, id).await?;
        let seen = within_reach(actor, Operation::FinishTask, seen)?;
        // the sowing first: every writer of both takes them in this order
        if let Some(sowing_id) = seen.sowing_id {
            sowings::lock(tx, sowing_id).await?;
        }
        let task = tasks::lock(tx, id).await?.ok_or(Error::NotFound("task"))?;
        if let Some(before) = reported(tx, actor, &task, completion).await? {
            return self.as_before(tx, actor, before).await;
        }
        self.count_held(tx, actor, caller, task, completion).await
    }

    /// Does what the report says of a task, which must be held with its sowing and not have been reported so
    /// before.
    pub(crate) async fn count_held(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        caller: &Caller,
        mut task: Task,
        completion: &Completion,
    ) -> Result<Finished> {
        let (id, operation) = (task.id, Operation::FinishTask);
        let now = self.clock().now();
        let done_at = completion::check(&task, completion, now)?;
        self.free_lapsed(tx, &mut task).await?;
        self.require_may_finish(tx, actor, &mut task, done_at)
            .await?;
        let mut told = completion.clone();
        if completion.partial {
            self.record_part(tx, caller, actor, &task, &mut told, done_at)
                .await?;
        } else {
            self.record_work(tx, caller, actor, &task, &mut told, done_at)
                .await?;
        }
        let report = self.report(&task, actor, completion, done_at, &told)?;
        work_reports::insert(tx, &report).await?;
        if !completion.partial {
            work_reports::set_outcome(tx, id, &report.outcome).await?;
        }
        self.audit_task(tx, operation, caller, id, &report).await?;
        let task = tasks::get(tx, id).await?.ok_or(Error::NotFound("task"))?;
        let seen = self.task_with_parts(tx, actor, task).await?;
        Ok(Finished::Counted(Box::new(seen)))
    }

    /// The task is to be done, or was missed though the work was done in its window; and the member holds
    /// it, held it until it came free unbegun, or leads the site.
    async fn require_may_finish(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        task: &mut Task,
        done_at: DateTime<Utc>,
    ) -> Result<()> {
        let missed = task.state()? == TaskState::Missed;
        if missed {
            let last = task.missed_after.unwrap_or(task.due_at).max(task.due_at);
            if done_at < task.opens_at || done_at > last {
                return require_to_do(task, "finished");
            }
        } else {
            require_to_do(task, "finished")?;
        }
        let holds = task.holders.iter().any(|h| h.member_id == actor.member_id);
        let held = if missed {
            work_reports::ever_held(tx, task.id, actor.member_id).await?
        } else {
            holds || holds::lapsed_last(tx, task.id, actor.member_id).await?
        };
        if !holds && !held && !leads(actor, task.site_id) {
            return Err(Refusal::NotYours.into());
        }
        if missed {
            work_reports::reopen_missed(tx, task.id).await?;
            *task = tasks::get(tx, task.id)
                .await?
                .ok_or(Error::NotFound("task"))?;
        }
        Ok(())
    }

    /// Keeps a report that something stands against.
    async fn keep_work(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        caller: &Caller,
        id: Uuid,
        completion: &Completion,
        refusal: &Refusal,
    ) -> Result<Finished> {
        let task = tasks::lock(tx, id).await?;
        let task = within_reach(actor, Operation::FinishTask, task)?;
        let kept = self.keep_report(tx, actor, caller, &task, completion, refusal);
        let kept = kept.await?;
        self.as_before(tx, actor, kept).await
    }

    /// Keeps a report about a task, which must be held, that something stands against; the same report where
    /// it came before.
    pub(crate) async fn keep_report(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        caller: &Caller,
        task: &Task,
        completion: &Completion,
        refusal: &Refusal,
    ) -> Result<WorkReport> {
        if let Some(before) = reported(tx, actor, task, completion).await? {
            return Ok(before);
        }
        let done_at = completion::check(task, completion, self.clock().now())?;
        let mut told = completion.clone();
        if told.partial {
            told.of_containers = told.containers.and(task.containers);
        }
        let report = WorkReport {
            state: "waiting".into(),
            entered: false,
            conflict: Some(refusal.code().into()),
            conflict_detail: Some(in_words(task, refusal)),
            ..self.report(task, actor, completion, done_at, &told)?
        };
        work_reports::insert(tx, &report).await?;
        self.audit_task(tx, Operation::FinishTask, caller, task.id, &report)
            .await?;
        Ok(report)
    }

    /// The answer to a report that came before.
    async fn as_before(&self, tx: &mut Tx, actor: &Actor, before: WorkReport) -> Result<Finished> {
        if before.state != "counted" {
            return Ok(Finished::Kept(Box::new(before)));
        }
        let task = tasks::get(tx, before.task_id)
            .await?
            .ok_or(Error::NotFound("task"))?;
        let seen = self.task_with_parts(tx, actor, task).await?;
        Ok(Finished::Counted(Box::new(seen)))
    }

    fn report(
        &self,
        task: &Task,
        actor: &Actor,
        completion: &Completion,
        done_at: DateTime<Utc>,
        told: &Completion,
    ) -> Result<WorkReport> {
        Ok(WorkReport {
            id: completion.id.unwrap_or_else(|| self.new_id()),
            site_id: task.site_id,
            task_id: task.id,
            member_id: actor.member_id,
            done_at,
            recorded_at: self.clock().now(),
            whole: !completion.partial,
            outcome: serde_json::to_value(told).map_err(Error::internal)?,
            state: "counted".into(),
            conflict: None,
            conflict_detail: None,
            settled_by: None,
            settled_at: None,
            reason: None,
            entered: true,
            version: 1,
        })
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

/// The same report, if it came before: by its id, or by member, task and time.
pub(crate) async fn reported(
    tx: &mut Tx,
    actor: &Actor,
    task: &Task,
    completion: &Completion,
) -> Result<Option<WorkReport>> {
    if let Some(id) = completion.id {
        let before = work_reports::get(tx, id).await?;
        return match before {
            Some(before) if (before.task_id, before.member_id) != (task.id, actor.member_id) => {
                let detail = "another report has this id; make a new one";
                Err(Error::field("/id", "taken", detail))
            }
            before => Ok(before),
        };
    }
    match completion.done_at {
        Some(done_at) => Ok(work_reports::same(tx, task.id, actor.member_id, done_at).await?),
        None => Ok(None),
    }
}

/// What stands against a report, for the one who did the work.
fn in_words(task: &Task, refusal: &Refusal) -> String {
    let happened = match (task.state.as_str(), &task.cause) {
        ("done", _) => "it was reported done already".to_owned(),
        ("dropped", Some(cause)) => format!("it was dropped: {cause}"),
        ("dropped", None) => "it was dropped".to_owned(),
        ("missed", _) => "it counts as missed, and the work was done outside its time".to_owned(),
        _ => refusal.to_string(),
    };
    format!("{happened}. Your report is kept, and a lead of the site decides what becomes of it")
}

/// Who holds a task, where the member may know it.
fn with_names(refusal: Refusal, actor: &Actor, task: &Task) -> Refusal {
    match refusal {
        Refusal::TaskHeld if leads(actor, task.site_id) => Refusal::TaskHeldBy {
            names: task
                .holders
                .iter()
                .map(|holder| holder.name.clone())
                .collect(),
        },
        other => other,
    }
}
