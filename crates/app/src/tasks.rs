//! Tasks as a member sees them: the work, its window at the site, and whether they may take it.

use chrono::{DateTime, FixedOffset};
use cotyl_calendar::SiteZone;
use cotyl_domain::task::{Claimable, TaskState, may_claim};
use cotyl_domain::{Actor, Operation, Refusal, Role};
use cotyl_store::Tx;
use cotyl_store::tasks::{self, Task, TaskFilter, TaskPage};
use cotyl_store::work_reports::{self, WorkReport};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::alongside::Beside;
use crate::claim_rules::{Room, Whose};
use crate::{App, Caller, Error, Result};

/// A task for one member.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct TaskForMember {
    /// The task. Holders whose names the member may not see stay in it; the view decides.
    pub task: Task,
    /// The opening of the day by the clock of the site.
    pub local_opens_at: DateTime<FixedOffset>,
    /// The closing of the day by the clock of the site.
    pub local_due_at: DateTime<FixedOffset>,
    /// Still to be done though its window has passed.
    pub overdue: bool,
    /// Why the member cannot claim it now; `None` when they can.
    pub hindrance: Option<Hindrance>,
    /// Whether the member may see who holds it.
    pub names_shown: bool,
    /// The member for whom it is.
    pub member_id: Uuid,
    /// Parts of it that were done already; only where one task is read.
    #[serde(default)]
    pub parts: Vec<WorkReport>,
    /// The tasks that go alongside it, in the order of their ids.
    #[serde(default)]
    pub alongside: Vec<Beside>,
}

/// Why a task cannot be claimed by the member who asks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hindrance {
    /// Stable word, the last part of the problem type that a claim would get.
    pub code: String,
    /// In words.
    pub detail: String,
}

impl From<Refusal> for Hindrance {
    fn from(refusal: Refusal) -> Self {
        Self {
            code: refusal.code().to_owned(),
            detail: refusal.to_string(),
        }
    }
}

impl App {
    /// A page of tasks within the reach of the member; open and held ones when no state is asked for.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_tasks(
        &self,
        caller: &Caller,
        filter: &TaskFilter,
        mine: bool,
        offered: bool,
        page: TaskPage,
    ) -> Result<Vec<TaskForMember>> {
        self.read(Operation::ListTasks, caller, async |tx, actor| {
            let filter = TaskFilter {
                sites: within(
                    Operation::ListTasks.reach(actor).site_filter(),
                    filter.sites.as_deref(),
                ),
                states: filter
                    .states
                    .clone()
                    .or(Some(vec![TaskState::Open, TaskState::Held])),
                held_by: mine.then_some(actor.member_id),
                offered_to: offered.then_some(actor.member_id),
                seen_at: Some(self.clock().now()),
                ..filter.clone()
            };
            let tasks = tasks::list(tx, &filter, page).await?;
            let mut seen: Vec<TaskForMember> = tasks
                .into_iter()
                .map(|task| self.task_for(actor, task))
                .collect::<Result<_>>()?;
            self.tell_room(tx, actor, &mut seen).await?;
            self.tell_alongside(tx, &mut seen).await?;
            Ok(seen)
        })
        .await
    }

    /// One task.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none of this id within the reach of the member.
    pub async fn read_task(&self, caller: &Caller, id: Uuid) -> Result<TaskForMember> {
        self.read(Operation::ReadTask, caller, async |tx, actor| {
            let task = tasks::get(tx, id).await?;
            let task = within_reach(actor, Operation::ReadTask, task)?;
            self.task_with_parts(tx, actor, task).await
        })
        .await
    }

    /// The task as the member sees it, what they hold beside it not looked at.
    pub(crate) fn task_for(&self, actor: &Actor, mut task: Task) -> Result<TaskForMember> {
        task.see_at(self.clock().now());
        let zone: SiteZone = task.zone.parse().map_err(Error::internal)?;
        let to_do = matches!(task.state()?, TaskState::Open | TaskState::Held);
        let hindrance = may_claim(&claimable(&task)?, actor)
            .err()
            .map(Hindrance::from);
        Ok(TaskForMember {
            local_opens_at: zone.local(task.opens_at),
            local_due_at: zone.local(task.due_at),
            overdue: to_do && self.clock().now() > task.due_at,
            hindrance,
            names_shown: leads(actor, task.site_id),
            member_id: actor.member_id,
            parts: Vec::new(),
            alongside: Vec::new(),
            task,
        })
    }

    /// Says of tasks that the member could claim otherwise what a claim would say: that they hold as many
    /// as they may, or that the work does not fit beside what they hold.
    pub(crate) async fn tell_room(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        seen: &mut [TaskForMember],
    ) -> Result<()> {
        let free = || seen.iter().filter(|each| each.hindrance.is_none());
        if free().next().is_none() {
            return Ok(());
        }
        let sites = free().map(|each| each.task.site_id).collect::<Vec<_>>();
        let whose = Whose::own(actor.member_id);
        let room = Room::look(tx, whose, sites.into_iter(), self.clock().now()).await?;
        for each in seen.iter_mut().filter(|each| each.hindrance.is_none()) {
            each.hindrance = room.refusal(&each.task)?.map(Hindrance::from);
        }
        Ok(())
    }

    /// One task as the member sees it, with everything that stands against a claim.
    pub(crate) async fn one_for(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        task: Task,
    ) -> Result<TaskForMember> {
        let mut seen = self.task_for(actor, task)?;
        let one = std::slice::from_mut(&mut seen);
        self.tell_room(tx, actor, one).await?;
        self.tell_alongside(tx, one).await?;
        Ok(seen)
    }

    /// The task as the member sees it, with the parts of it that were done already.
    pub(crate) async fn task_with_parts(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        task: Task,
    ) -> Result<TaskForMember> {
        let parts = work_reports::parts(tx, task.id).await?;
        Ok(TaskForMember {
            parts,
            ..self.one_for(tx, actor, task).await?
        })
    }
}

/// The sites that are both reached and asked for; `None` on either side is every site.
fn within(reached: Option<&[Uuid]>, asked: Option<&[Uuid]>) -> Option<Vec<Uuid>> {
    match (reached, asked) {
        (Some(reached), Some(asked)) => Some(
            asked
                .iter()
                .filter(|site_id| reached.contains(site_id))
                .copied()
                .collect(),
        ),
        (sites, None) | (None, sites) => sites.map(<[Uuid]>::to_vec),
    }
}

/// What the claim rule needs to know of a task.
pub(crate) fn claimable(task: &Task) -> Result<Claimable> {
    Ok(Claimable {
        site_id: task.site_id,
        state: task.state()?,
        day: task.day,
        people: task.people,
        qualification: task.qualification()?,
        held: task
            .holders
            .iter()
            .map(|holder| (holder.place, holder.member_id))
            .collect(),
    })
}

/// Whether the member answers for the work at a site.
pub(crate) fn leads(actor: &Actor, site_id: Uuid) -> bool {
    actor.is_coordinator() || actor.has_at(Role::Lead, site_id)
}

/// The task, when it is of a site that the member reaches; they may not know of others.
pub(crate) fn within_reach(
    actor: &Actor,
    operation: Operation,
    task: Option<Task>,
) -> Result<Task> {
    task.filter(|task| operation.reach(actor).covers_site(task.site_id))
        .ok_or(Error::NotFound("task"))
}
