//! A lead gives tasks to members, one or many at once, and takes them from one for another.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use cotyl_domain::task::{may_claim, works_at};
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::claims::{self, Claim};
use cotyl_store::tasks::Task;
use cotyl_store::{Tx, holds, rota, tasks};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::claim_rules::{Whose, require_room};
use crate::input::Problems;
use crate::task_holds::settle_state;
use crate::tasks::claimable;
use crate::{App, Caller, Changed, Error, Result};

/// The most assignments of one request.
const MOST: usize = 300;

/// A member for a place of a task.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Assignment {
    /// The task.
    pub task_id: Uuid,
    /// Who is to do it.
    pub member_id: Uuid,
    /// Whose place it is to be.
    pub instead_of: Option<Uuid>,
}

/// An assignment that was not made.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct LeftOut {
    /// The task.
    pub task_id: Uuid,
    /// The member.
    pub member_id: Uuid,
    /// Stable word of the refusal.
    pub code: String,
    /// In words.
    pub detail: String,
}

/// What was assigned.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Assigned {
    /// The claims that were made.
    pub claims: Vec<Claim>,
    /// What was not possible.
    pub left_out: Vec<LeftOut>,
}

impl App {
    /// Gives tasks of a site to members: all or none, or those that are possible.
    ///
    /// # Errors
    /// [`Error::NotFound`] for a site that is not theirs; [`Error::Invalid`] naming a task or member that
    /// is not of the site; [`Refusal::NotAssignable`] with everything that stands against it.
    pub async fn assign_tasks(
        &self,
        caller: &Caller,
        site_id: Uuid,
        wanted: &[Assignment],
        only_possible: bool,
    ) -> Result<Assigned> {
        check(wanted)?;
        let operation = Operation::AssignTasks;
        self.write_once(operation, caller, async |tx, actor| {
            let reach = operation.reach(actor);
            let sites = rota::site_hours(tx, &[site_id]).await?;
            if sites.is_empty() || !reach.covers_site(site_id) {
                return Err(Error::NotFound("site"));
            }
            let (members, mut found) = hold(tx, wanted).await?;
            require_of_site(site_id, wanted, &members, &found)?;
            let now = self.clock().now();
            let mut assigned = Assigned::default();
            for each in wanted {
                let (Some(member), Some(task)) =
                    (members.get(&each.member_id), found.get(&each.task_id))
                else {
                    continue;
                };
                match self.assign_one(tx, actor, member, task, each, now).await {
                    Ok(claim) => {
                        let id = claim.task_id;
                        let changed = Changed { noun: "task", id };
                        self.audit(tx, operation, caller, changed, &claim).await?;
                        assigned.claims.push(claim);
                    }
                    Err(Error::Refused(refusal)) => {
                        assigned
                            .left_out
                            .push(left_out(each, member, task, &refusal));
                    }
                    Err(other) => return Err(other),
                }
                if let Some(task) = tasks::get(tx, each.task_id).await? {
                    found.insert(task.id, task);
                }
            }
            if !only_possible && !assigned.left_out.is_empty() {
                let why = assigned.left_out.into_iter().map(|each| each.detail);
                return Err(Refusal::NotAssignable { why: why.collect() }.into());
            }
            Ok(assigned)
        })
        .await
    }

    /// Makes one assignment, or leaves everything as it is. The member and the task are held.
    async fn assign_one(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        member: &Actor,
        task: &Task,
        wanted: &Assignment,
        now: DateTime<Utc>,
    ) -> Result<Claim> {
        let mut task = task.clone();
        self.free_lapsed(tx, &mut task).await?;
        let mut rules = claimable(&task)?;
        if let Some(before) = wanted.instead_of {
            if !rules.held.iter().any(|(_, holder)| *holder == before) {
                return Err(Refusal::WrongState {
                    what: "the place".into(),
                    state: "no longer held by the one it was to be taken from".into(),
                    step: "given to another".into(),
                }
                .into());
            }
            rules.held.retain(|(_, holder)| *holder != before);
        }
        let place = may_claim(&rules, member)?;
        let whose = Whose {
            member_id: member.member_id,
            called: member.name.clone(),
        };
        require_room(tx, &whose, &task, now).await?;
        if let Some(before) = wanted.instead_of {
            holds::end(tx, task.id, before, "reassigned", now).await?;
        }
        let new = holds::NewHold {
            id: self.new_id(),
            task_id: task.id,
            member_id: member.member_id,
            place,
            claimed_at: now,
            // whoever takes a task for themselves has claimed it
            assigned_by: Some(actor.member_id).filter(|by| *by != member.member_id),
        };
        let claim = holds::insert(tx, &new).await?;
        settle_state(tx, task.id).await?;
        Ok(claims::get(tx, claim.id).await?.unwrap_or(claim))
    }
}

fn check(wanted: &[Assignment]) -> Result<()> {
    let mut problems = Problems::new();
    problems.require(
        (1..=MOST).contains(&wanted.len()),
        "/assignments",
        "length",
        "must be 1 to 300 assignments",
    );
    for (index, each) in wanted.iter().enumerate().take(MOST) {
        let same =
            |other: &Assignment| (other.task_id, other.member_id) == (each.task_id, each.member_id);
        if wanted[..index].iter().any(same) {
            let pointer = format!("/assignments/{index}");
            problems.add(pointer, "twice", "this assignment is in the list already");
        }
        if each.instead_of == Some(each.member_id) {
            let pointer = format!("/assignments/{index}/instead_of");
            problems.add(pointer, "same", "must be another member");
        }
    }
    problems.finish()
}

/// Holds the members and then the tasks, each in the order of their ids.
async fn hold(
    tx: &mut Tx,
    wanted: &[Assignment],
) -> Result<(BTreeMap<Uuid, Actor>, BTreeMap<Uuid, Task>)> {
    let member_ids: Vec<Uuid> = wanted.iter().map(|each| each.member_id).collect();
    rota::hold_members(tx, &member_ids).await?;
    let members = rota::members(tx, &member_ids).await?;
    let mut task_ids: Vec<Uuid> = wanted.iter().map(|each| each.task_id).collect();
    task_ids.sort_unstable();
    task_ids.dedup();
    let mut found = BTreeMap::new();
    for id in task_ids {
        if let Some(task) = tasks::lock(tx, id).await? {
            found.insert(id, task);
        }
    }
    let members = members.into_iter().map(|member| (member.member_id, member));
    Ok((members.collect(), found))
}

fn require_of_site(
    site_id: Uuid,
    wanted: &[Assignment],
    members: &BTreeMap<Uuid, Actor>,
    found: &BTreeMap<Uuid, Task>,
) -> Result<()> {
    let mut problems = Problems::new();
    for (index, each) in wanted.iter().enumerate() {
        let of_site = found.get(&each.task_id).map(|task| task.site_id);
        if of_site != Some(site_id) {
            let pointer = format!("/assignments/{index}/task_id");
            problems.add(pointer, "unknown", "there is no such task at this site");
        }
        let works = members.get(&each.member_id);
        if !works.is_some_and(|member| works_at(member, site_id)) {
            let pointer = format!("/assignments/{index}/member_id");
            problems.add(pointer, "unknown", "no such member works at this site");
        }
    }
    problems.finish()
}

fn left_out(wanted: &Assignment, member: &Actor, task: &Task, refusal: &Refusal) -> LeftOut {
    let why = match refusal {
        Refusal::TaskHeld => "every place of it is held".to_owned(),
        Refusal::AlreadyYours => "they hold it already".to_owned(),
        other => other.to_string(),
    };
    LeftOut {
        task_id: wanted.task_id,
        member_id: wanted.member_id,
        code: refusal.code().to_owned(),
        detail: format!(
            "{} for {} on {}: {why}",
            member.name,
            task.kind.replace('_', " "),
            task.day
        ),
    }
}
