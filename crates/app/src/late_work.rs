//! A lead settles a report that something stood against. Accepted, what it tells is entered as it would have
//! been in time: dated when the work was done, as the work of whoever reported it. The lead may have its
//! minutes count alone, or set it aside.

use cotyl_domain::task::{TaskKind, TaskState};
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::tasks::{self, Done, Task};
use cotyl_store::work_reports::{self, Settled, WorkReport};
use cotyl_store::{Tx, deliveries, holds, qualifications, sowings};
use uuid::Uuid;

use crate::completion::{self, Completion};
use crate::input::{Problems, require_version};
use crate::sowings::stood_at;
use crate::work_effects::{not_weighed, require_batch, require_count, require_delivery};
use crate::work_reports::within_reach;
use crate::{App, Caller, Changed, Error, Result};

/// What is to become of a report.
#[derive(Debug, Clone, Default)]
pub struct Settlement {
    /// Whether the work counts; otherwise the report is set aside.
    pub accept: bool,
    /// Whether its minutes count alone, and nothing of what it tells is entered.
    pub minutes_only: bool,
    /// What was poured past the limit of refilling is entered all the same; the reason says why.
    pub past_limit_accepted: bool,
    /// Why.
    pub reason: String,
}

impl Settlement {
    fn check(&self) -> Result<()> {
        let mut problems = Problems::new();
        let needs_reason = !self.accept || self.past_limit_accepted;
        problems.text("/reason", &self.reason, usize::from(needs_reason), 300);
        problems.require(
            self.accept || !self.minutes_only,
            "/minutes_only",
            "unexpected",
            "belongs to a report that is accepted",
        );
        problems.require(
            !self.past_limit_accepted || (self.accept && !self.minutes_only),
            "/past_limit_accepted",
            "unexpected",
            "belongs to a report whose work is entered",
        );
        problems.finish()
    }
}

impl App {
    /// Settles a report that waits, once: its work is entered, its minutes alone count, or it is set aside
    /// with a reason. All of it or nothing.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] for one that does not wait; [`Refusal::NotEntered`] for work that can no
    /// longer be entered; [`Error::Invalid`]; [`Error::Stale`].
    pub async fn settle_work_report(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        settlement: &Settlement,
    ) -> Result<WorkReport> {
        settlement.check()?;
        let operation = Operation::SettleWorkReport;
        self.write_once(operation, caller, async |tx, actor| {
            let seen = work_reports::get(tx, id).await?;
            let seen = within_reach(actor, operation, seen)?;
            let (mut task, report) = lock(tx, &seen).await?;
            require_version(expected, report.version)?;
            if report.state != "waiting" {
                return Err(Refusal::WrongState {
                    what: "the report".into(),
                    state: report.state.replace('_', " "),
                    step: "settled".into(),
                }
                .into());
            }
            if settlement.past_limit_accepted && task.kind()? != TaskKind::TopUp {
                let detail = "belongs to a report of topping up";
                return Err(Error::field("/past_limit_accepted", "unexpected", detail));
            }
            let entered = if settlement.accept && !settlement.minutes_only {
                let attempt = self.enter_late(tx, caller, actor, &report, &mut task, settlement);
                Some(attempt.await.map_err(not_entered)?)
            } else {
                None
            };
            let reason = settlement.reason.trim();
            let settled = Settled {
                state: if settlement.accept {
                    "accepted"
                } else {
                    "set_aside"
                },
                by: actor.member_id,
                at: self.clock().now(),
                reason: Some(reason).filter(|reason| !reason.is_empty()),
                entered: entered.as_ref(),
            };
            work_reports::settle(tx, id, &settled).await?;
            let settled = work_reports::get(tx, id)
                .await?
                .ok_or(Error::NotFound("report"))?;
            for (noun, id) in [("work report", id), ("task", task.id)] {
                let changed = Changed { noun, id };
                self.audit(tx, operation, caller, changed, &settled).await?;
            }
            Ok(settled)
        })
        .await
    }

    /// Enters what a report tells; what was done, with the ids of the entries that were made of it.
    async fn enter_late(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        lead: &Actor,
        report: &WorkReport,
        task: &mut Task,
        settlement: &Settlement,
    ) -> Result<serde_json::Value> {
        let mut told = told_by(report)?;
        let done_at = completion::check(task, &told, report.recorded_at)?;
        self.free_lapsed(tx, task).await?;
        require_trained(tx, task, report).await?;
        if let Some(delivery_id) = told.delivery_id
            && let Some(delivery) = deliveries::get(tx, delivery_id).await?
            && delivery.is_disputed
        {
            return Err(Refusal::DisputeOpen.into());
        }
        let reporter = Actor {
            member_id: report.member_id,
            ..lead.clone()
        };
        let caller = Caller {
            on_behalf_of: Some(report.member_id),
            ..caller.clone()
        };
        let wordless = told.note.trim().is_empty();
        if settlement.past_limit_accepted {
            told.past_limit_accepted = true;
            if wordless {
                told.note.clone_from(&settlement.reason);
            }
        }
        if task.state()? == TaskState::Missed {
            work_reports::reopen_missed(tx, task.id).await?;
            *task = tasks::get(tx, task.id)
                .await?
                .ok_or(Error::NotFound("task"))?;
        }
        let to_do = matches!(task.state()?, TaskState::Open | TaskState::Held);
        if !to_do {
            self.enter_beside(tx, &caller, &reporter, task, &mut told)
                .await?;
        } else if told.partial {
            self.record_part(tx, &caller, &reporter, task, &mut told, done_at)
                .await?;
        } else {
            self.free_of_others(tx, task, report.member_id).await?;
            self.record_work(tx, &caller, &reporter, task, &mut told, done_at)
                .await?;
        }
        if wordless {
            told.note.clear();
        }
        let outcome = serde_json::to_value(&told).map_err(Error::internal)?;
        if to_do && !told.partial {
            work_reports::set_outcome(tx, task.id, &outcome).await?;
        }
        Ok(outcome)
    }

    /// Whoever holds the task while somebody else turns out to have done it has nothing left to do.
    async fn free_of_others(&self, tx: &mut Tx, task: &Task, reporter: Uuid) -> Result<()> {
        let holders: Vec<Uuid> = task.holders.iter().map(|h| h.member_id).collect();
        if !holders.contains(&reporter) {
            for holder in holders {
                holds::end(tx, task.id, holder, "dropped", self.clock().now()).await?;
            }
        }
        Ok(())
    }

    /// Enters work on a task that is done or dropped and stays so: what was poured and measured besides.
    async fn enter_beside(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        reporter: &Actor,
        task: &Task,
        told: &mut Completion,
    ) -> Result<()> {
        let now = self.clock().now();
        let done_at = told.done_at.unwrap_or(now);
        let kind = task.kind()?;
        match kind {
            TaskKind::TopUp => {
                require_standing(tx, task, told, done_at).await?;
                self.pour(tx, caller, reporter, task, told, done_at).await?;
            }
            TaskKind::Measure => {
                require_standing(tx, task, told, done_at).await?;
                self.keep_measured(tx, caller, reporter, task, told, done_at.min(now))
                    .await?;
            }
            TaskKind::Mix | TaskKind::Adjust => require_batch(tx, task, told).await?,
            TaskKind::Count => require_count(tx, task, told).await?,
            TaskKind::Pack | TaskKind::Deliver => require_delivery(tx, task, told).await?,
            TaskKind::Sow | TaskKind::CheckGermination | TaskKind::ClearAndClean => {
                // a second pair of hands tells nothing new of work that is done
                let tells = told.containers.filter(|_| kind == TaskKind::Sow);
                let tells = tells.or(told.sprouted_containers).is_some();
                if tells || task.state()? != TaskState::Done {
                    self.step_beside(tx, caller, task, told).await?;
                }
            }
            TaskKind::Cut => {
                if let Some(sowing_id) = task.sowing_id {
                    let weighed = tasks::weighed_on(tx, sowing_id, task.cut_number).await?;
                    weighed.ok_or_else(not_weighed)?;
                }
            }
            TaskKind::Mist | TaskKind::Turn | TaskKind::Other => {}
        }
        Ok(())
    }

    /// Takes the sowing on by work whose task is done or dropped, where that can still be.
    async fn step_beside(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        task: &Task,
        told: &mut Completion,
    ) -> Result<()> {
        let now = self.clock().now();
        let Some(sowing_id) = task.sowing_id else {
            return Ok(());
        };
        if told.partial {
            return Err(Refusal::WrongState {
                what: "the task".into(),
                state: task.state.clone(),
                step: "done in part".into(),
            }
            .into());
        }
        let done = Done {
            kind: task.kind()?,
            cut_number: task.cut_number,
            done_at: told.done_at.unwrap_or(now),
            recorded_at: now,
            member_id: caller.doer(),
        };
        // before its containers are changed, so that the refusal names the state
        let sowing = sowings::get(tx, sowing_id)
            .await?
            .ok_or(Error::NotFound("sowing"))?;
        let state = sowing.sowing.state.0;
        if done.kind == TaskKind::Sow && state != cotyl_domain::sowing::SowingState::Planned {
            return Err(Refusal::WrongState {
                what: "the sowing".into(),
                state: state.as_str().into(),
                step: "sown".into(),
            }
            .into());
        }
        self.advance_by_work(tx, caller, task, sowing_id, told, done)
            .await
    }
}

/// The report with its task and sowing, held against other writers in the order of locks.
async fn lock(tx: &mut Tx, seen: &WorkReport) -> Result<(Task, WorkReport)> {
    let task = tasks::get(tx, seen.task_id)
        .await?
        .ok_or(Error::NotFound("task"))?;
    if let Some(sowing_id) = task.sowing_id {
        sowings::lock(tx, sowing_id).await?;
    }
    let task = tasks::lock(tx, seen.task_id)
        .await?
        .ok_or(Error::NotFound("task"))?;
    let report = work_reports::lock(tx, seen.id)
        .await?
        .ok_or(Error::NotFound("report"))?;
    Ok((task, report))
}

/// What a report tells, in the fields in which it was told.
fn told_by(report: &WorkReport) -> Result<Completion> {
    let told: Completion =
        serde_json::from_value(report.outcome.clone()).map_err(Error::internal)?;
    Ok(Completion {
        id: Some(report.id),
        done_at: Some(report.done_at),
        heard_at: Some(report.recorded_at),
        partial: !report.whole,
        ..told
    })
}

/// Whoever never held the task had the training that it needs on its day, as whoever holds it must.
async fn require_trained(tx: &mut Tx, task: &Task, report: &WorkReport) -> Result<()> {
    let Some(kind) = task.qualification()? else {
        return Ok(());
    };
    if work_reports::ever_held(tx, task.id, report.member_id).await? {
        return Ok(());
    }
    if qualifications::held_on(tx, report.member_id, kind, task.day).await? {
        return Ok(());
    }
    Err(Refusal::NeedsQualification { kind }.into())
}

/// What was poured into a sowing or measured in it found it standing.
async fn require_standing(
    tx: &mut Tx,
    task: &Task,
    told: &Completion,
    done_at: chrono::DateTime<chrono::Utc>,
) -> Result<()> {
    let Some(sowing_id) = task.sowing_id else {
        return Ok(());
    };
    let poured_nothing = told.volume.is_none_or(|volume| volume.microlitres() == 0);
    if task.kind()? == TaskKind::TopUp && poured_nothing {
        return Ok(());
    }
    let view = sowings::get(tx, sowing_id)
        .await?
        .ok_or(Error::NotFound("sowing"))?;
    let zone = view.zone.parse().map_err(Error::internal)?;
    if stood_at(tx, &view.sowing, zone, done_at).await? {
        return Ok(());
    }
    let sowing = &view.sowing;
    let since = sowing.cleared_on.or(sowing.lost_on);
    let since = since.map_or_else(String::new, |day| format!(" since {day}"));
    Err(Refusal::WrongState {
        what: "the sowing".into(),
        state: format!("{}{since}", sowing.state.0.as_str()),
        step: "worked on then".into(),
    }
    .into())
}

/// What stands against entering a report, with what the lead can do.
fn not_entered(error: Error) -> Error {
    let (cause, why, remedy) = match error {
        Error::Refused(refusal) => (refusal.code(), refusal.to_string(), remedy(&refusal)),
        Error::Invalid(problems) => {
            let details: Vec<String> = problems
                .iter()
                .map(|problem| format!("{} {}", problem.pointer, problem.detail))
                .collect();
            ("invalid", details.join("; "), "")
        }
        other => return other,
    };
    Refusal::NotEntered { cause, why, remedy }.into()
}

fn remedy(refusal: &Refusal) -> &'static str {
    match refusal {
        Refusal::PastRefillLimit { .. } => {
            "If it was poured all the same, accept it with past_limit_accepted and the reason. "
        }
        Refusal::MoreThanLeft { .. } => {
            "If the batch held more, write down what is left of it or withdraw the entry that is wrong, and try again. "
        }
        Refusal::StationFull { .. } => {
            "Once the sowings at the station are put right, it can be tried again. "
        }
        Refusal::NeedsQualification { .. } => {
            "If the member had it on that day, record it, and try again. "
        }
        Refusal::DisputeOpen => "Answer the dispute, and try again. ",
        _ => "",
    }
}
