//! What a holder does with a hold: begins the work, or offers it to somebody else, who has it once they
//! say yes. Until then the one who offers it holds it, so that a task never waits for somebody who does
//! not know of it.

use chrono::{DateTime, Utc};
use cotyl_domain::task::{TaskState, may_claim, works_at};
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::claims::Claim;
use cotyl_store::tasks::Task;
use cotyl_store::{Scope, Tx, holds, rota, tasks};
use serde::Serialize;
use uuid::Uuid;

use crate::claim_rules::{Whose, require_room};
use crate::tasks::{TaskForMember, claimable, within_reach};
use crate::together::{Together, asked};
use crate::{App, Caller, Changed, Error, Result};

/// Tasks whose lapsed holds are ended in one go.
const MOST_AT_ONCE: i64 = 500;

/// Whom a hold is offered to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub enum OfferTo {
    /// The member of this id.
    Member(Uuid),
    /// The member of this address.
    Email(String),
    /// Nobody any more.
    Nobody,
}

impl App {
    /// Says that the member is at it, and at those that go with it, all or none: the holds stay theirs past
    /// the due time.
    ///
    /// # Errors
    /// [`Refusal::NotYours`] when the member does not hold it, or no longer; of several as
    /// [`Refusal::OneOfSeveral`].
    pub async fn begin_task(
        &self,
        caller: &Caller,
        id: Uuid,
        with: &[Uuid],
    ) -> Result<TaskForMember> {
        let operation = Operation::BeginTask;
        let asked = asked(id, with)?;
        self.write_once(operation, caller, async |tx, actor| {
            let together = Together::lock(tx, actor, operation, id, asked.clone()).await?;
            let now = self.clock().now();
            for (asked, task) in together.tasks() {
                let begun = self.begin(tx, actor, caller, task.clone(), now).await;
                begun.map_err(|error| together.in_the_way(asked, task, error))?;
            }
            self.seen_by(tx, actor, id).await
        })
        .await
    }

    /// Marks the hold of a task, which must be held against other writers, as begun.
    async fn begin(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        caller: &Caller,
        mut task: Task,
        now: DateTime<Utc>,
    ) -> Result<()> {
        require_to_do(&task, "begun")?;
        self.free_lapsed(tx, &mut task).await?;
        let claim = holds::begin(tx, task.id, actor.member_id, now)
            .await?
            .ok_or(Refusal::NotYours)?;
        self.audit_hold(tx, Operation::BeginTask, caller, task.id, &claim)
            .await
    }

    /// Offers a hold to another member of the site, or takes the offer back.
    ///
    /// # Errors
    /// [`Refusal::NotYours`]; [`Error::Invalid`] for a member who does not work there;
    /// [`Refusal::NeedsQualification`] and [`Refusal::AlreadyYours`] for one who could not hold it.
    pub async fn offer_task(
        &self,
        caller: &Caller,
        id: Uuid,
        to: &OfferTo,
    ) -> Result<TaskForMember> {
        let operation = Operation::OfferTask;
        self.write_once(operation, caller, async |tx, actor| {
            let task = self.lock_to_do(tx, actor, operation, id, "offered").await?;
            let now = self.clock().now();
            if !task.holders.iter().any(|h| h.member_id == actor.member_id) {
                return Err(Refusal::NotYours.into());
            }
            let to = match to {
                OfferTo::Nobody => None,
                OfferTo::Member(member_id) => {
                    Some(possible_holder(tx, actor, &task, Some(*member_id), "/member_id").await?)
                }
                OfferTo::Email(email) => {
                    let found = rota::member_of_email(tx, email).await?;
                    Some(possible_holder(tx, actor, &task, found, "/email").await?)
                }
            };
            let claim = holds::offer(tx, id, actor.member_id, to, now)
                .await?
                .ok_or(Refusal::NotYours)?;
            self.audit_hold(tx, operation, caller, id, &claim).await?;
            self.seen_by(tx, actor, id).await
        })
        .await
    }

    /// Takes over a hold that was offered to the member, or says no.
    ///
    /// # Errors
    /// [`Refusal::NotOffered`]; those of a claim.
    pub async fn answer_task_offer(
        &self,
        caller: &Caller,
        id: Uuid,
        accept: bool,
    ) -> Result<TaskForMember> {
        let operation = Operation::AnswerTaskOffer;
        self.write_once(operation, caller, async |tx, actor| {
            rota::hold_members(tx, &[actor.member_id]).await?;
            let task = self
                .lock_to_do(tx, actor, operation, id, "taken over")
                .await?;
            let now = self.clock().now();
            let offered = holds::offered(tx, id, actor.member_id, now)
                .await?
                .ok_or(Refusal::NotOffered)?;
            let claim = if accept {
                self.take_over(tx, actor, &task, &offered, now).await?
            } else {
                holds::offer(tx, id, offered.member_id, None, now)
                    .await?
                    .ok_or(Refusal::NotOffered)?
            };
            self.audit_hold(tx, operation, caller, id, &claim).await?;
            self.seen_by(tx, actor, id).await
        })
        .await
    }

    async fn take_over(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        task: &Task,
        offered: &Claim,
        now: DateTime<Utc>,
    ) -> Result<Claim> {
        let mut rules = claimable(task)?;
        rules
            .held
            .retain(|(_, holder)| *holder != offered.member_id);
        may_claim(&rules, actor)?;
        require_room(tx, &Whose::own(actor.member_id), task, now).await?;
        holds::end(tx, task.id, offered.member_id, "handed_over", now).await?;
        let new = holds::NewHold {
            id: self.new_id(),
            task_id: task.id,
            member_id: actor.member_id,
            place: offered.place,
            claimed_at: now,
            assigned_by: None,
        };
        let claim = holds::insert(tx, &new).await?;
        settle_state(tx, task.id).await?;
        Ok(claim)
    }

    /// A task within reach that is still to be done, held, without the holds that came free.
    async fn lock_to_do(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        operation: Operation,
        id: Uuid,
        step: &str,
    ) -> Result<Task> {
        let task = tasks::lock(tx, id).await?;
        let mut task = within_reach(actor, operation, task)?;
        require_to_do(&task, step)?;
        self.free_lapsed(tx, &mut task).await?;
        Ok(task)
    }

    async fn seen_by(&self, tx: &mut Tx, actor: &Actor, id: Uuid) -> Result<TaskForMember> {
        let task = tasks::get(tx, id).await?.ok_or(Error::NotFound("task"))?;
        self.one_for(tx, actor, task).await
    }

    async fn audit_hold(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
        claim: &Claim,
    ) -> Result<()> {
        let changed = Changed { noun: "task", id };
        self.audit(tx, operation, caller, changed, claim).await
    }
}

/// The task is still to be done.
///
/// # Errors
/// [`Refusal::WrongState`] when it is not.
pub(crate) fn require_to_do(task: &Task, step: &str) -> Result<()> {
    if matches!(task.state()?, TaskState::Open | TaskState::Held) {
        return Ok(());
    }
    Err(Refusal::WrongState {
        what: "the task".into(),
        state: task.state.clone(),
        step: step.into(),
    }
    .into())
}

/// Ends the holds of a task, which must be held against other writers, that were not begun in time;
/// which they were.
pub(crate) async fn lapse(tx: &mut Tx, task: &mut Task, now: DateTime<Utc>) -> Result<Vec<Uuid>> {
    let ended = holds::lapse(tx, task.id, now).await?;
    if !ended.is_empty() {
        settle_state(tx, task.id).await?;
        *task = tasks::get(tx, task.id)
            .await?
            .ok_or(Error::NotFound("task"))?;
    }
    Ok(ended)
}

/// Open while a place is free, held while none is.
pub(crate) async fn settle_state(tx: &mut Tx, id: Uuid) -> Result<()> {
    let Some(task) = tasks::get(tx, id).await? else {
        return Ok(());
    };
    let full = task.holders.len() >= usize::try_from(task.people).unwrap_or(usize::MAX);
    let state = if full {
        TaskState::Held
    } else {
        TaskState::Open
    };
    Ok(tasks::set_state(tx, id, state).await?)
}

/// A member whom the holder may offer the task to.
async fn possible_holder(
    tx: &mut Tx,
    actor: &Actor,
    task: &Task,
    member_id: Option<Uuid>,
    pointer: &'static str,
) -> Result<Uuid> {
    let ids: Vec<Uuid> = member_id.into_iter().collect();
    let found = rota::members(tx, &ids).await?;
    let other = found
        .first()
        .filter(|other| works_at(other, task.site_id))
        .ok_or_else(|| Error::field(pointer, "unknown", "no such member works at this site"))?;
    if other.member_id == actor.member_id {
        return Err(Error::field(pointer, "same", "must be somebody else"));
    }
    let mut rules = claimable(task)?;
    rules.held.retain(|(_, holder)| *holder != actor.member_id);
    match may_claim(&rules, other) {
        Ok(_) => Ok(other.member_id),
        Err(Refusal::AlreadyYours) => Err(Error::field(
            pointer,
            "holds-it",
            "holds a place of it already",
        )),
        Err(refusal) => Err(refusal.into()),
    }
}

impl App {
    /// Ends the holds of a task that were not begun in time, and tells that it has come free.
    pub(crate) async fn free_lapsed(&self, tx: &mut Tx, task: &mut Task) -> Result<()> {
        for ended in lapse(tx, task, self.clock().now()).await? {
            self.tell_task_free(tx, task, ended).await?;
        }
        Ok(())
    }

    /// Ends holds that were not begun in time, some tasks at a time: what everybody sees already becomes
    /// an entry of the history. How many tasks. A co-operative that cannot be read holds up no other.
    ///
    /// # Errors
    /// [`Error::Unavailable`].
    pub async fn free_lapsed_claims(&self) -> Result<usize> {
        let now = self.clock().now();
        let found = self
            .store()
            .read(Scope::System, async |tx| {
                Ok::<_, Error>(holds::with_lapsed(tx, now, MOST_AT_ONCE).await?)
            })
            .await?;
        let mut freed = 0;
        let mut look = self.left_out.look("lapsed claims", now);
        for (cooperative_id, task_id) in &found {
            let ended = self
                .store()
                .write(
                    "free_lapsed_claims",
                    Scope::Cooperative(*cooperative_id),
                    async |tx| {
                        if let Some(mut task) = tasks::lock(tx, *task_id).await? {
                            self.free_lapsed(tx, &mut task).await?;
                        }
                        Ok::<_, Error>(true)
                    },
                )
                .await;
            freed += usize::from(look.brought(*cooperative_id, ended)?);
        }
        look.end();
        Ok(freed)
    }
}
