//! Several tasks that one request asks for: held in the order of locks, found to be one errand, all or none.

use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::Tx;
use cotyl_store::tasks::{self, Task};
use uuid::Uuid;

use crate::alongside::{errand_of, named};
use crate::input::Problems;
use crate::tasks::within_reach;
use crate::{Error, Result};

/// Most tasks that can be asked for at once.
pub const MOST_TOGETHER: usize = 50;

/// A task that is asked for, and where the request names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Asked {
    pub id: Uuid,
    pub pointer: String,
}

/// A task and those asked for with it, each once, in the order of their ids: the order of locks.
///
/// # Errors
/// [`Error::Invalid`] for too many.
pub(crate) fn asked(id: Uuid, with: &[Uuid]) -> Result<Vec<Asked>> {
    if with.len() >= MOST_TOGETHER {
        let detail = format!("must be fewer than {MOST_TOGETHER} tasks");
        return Err(Error::field("/alongside", "length", detail));
    }
    let mut all = vec![Asked {
        id,
        pointer: "task_id".into(),
    }];
    for (index, id) in with.iter().enumerate() {
        if !all.iter().any(|each| each.id == *id) {
            let pointer = format!("/alongside/{index}");
            all.push(Asked { id: *id, pointer });
        }
    }
    all.sort_by_key(|each| each.id);
    Ok(all)
}

/// Tasks that are asked for together, held against other writers.
pub(crate) struct Together {
    own: Uuid,
    tasks: Vec<(Asked, Task)>,
}

impl Together {
    /// Holds what is asked for, in the order in which it is given, and finds it within reach and one errand.
    ///
    /// # Errors
    /// [`Error::NotFound`] for the task that the others are to go with; [`Error::Invalid`] naming each other
    /// that there is not, or that does not go alongside it.
    pub async fn lock(
        tx: &mut Tx,
        actor: &Actor,
        operation: Operation,
        own: Uuid,
        asked: Vec<Asked>,
    ) -> Result<Self> {
        let mut found = Vec::with_capacity(asked.len());
        for each in asked {
            let task = tasks::lock(tx, each.id).await?;
            found.push((each, task));
        }
        let together = Self::within_reach(actor, operation, own, found)?;
        together.require_one_errand()?;
        Ok(together)
    }

    /// The tasks that were found, within reach.
    ///
    /// # Errors
    /// As of [`Together::lock`], but for what does not go alongside.
    pub fn within_reach(
        actor: &Actor,
        operation: Operation,
        own: Uuid,
        found: Vec<(Asked, Option<Task>)>,
    ) -> Result<Self> {
        let mut problems = Problems::new();
        let mut tasks = Vec::with_capacity(found.len());
        let mut is_own_missing = false;
        for (asked, task) in found {
            match within_reach(actor, operation, task) {
                Ok(task) => tasks.push((asked, task)),
                Err(Error::NotFound(_)) if asked.id != own => {
                    problems.add(asked.pointer, "unknown", "there is no such task");
                }
                Err(Error::NotFound(_)) => is_own_missing = true,
                Err(other) => return Err(other),
            }
        }
        if is_own_missing {
            return Err(Error::NotFound("task"));
        }
        problems.finish()?;
        Ok(Self { own, tasks })
    }

    /// All of them are one errand; one task is one in any case.
    ///
    /// # Errors
    /// [`Error::Invalid`] naming each that does not go alongside the first.
    pub fn require_one_errand(&self) -> Result<()> {
        if self.tasks.len() < 2 {
            return Ok(());
        }
        let of_own = match self.tasks.iter().find(|(asked, _)| asked.id == self.own) {
            Some((_, task)) => errand_of(task)?,
            None => None,
        };
        let mut problems = Problems::new();
        for (asked, task) in &self.tasks {
            let errand = errand_of(task)?;
            if asked.id != self.own && (errand.is_none() || errand != of_own) {
                let detail = "does not go alongside this task: it must be the same work on sowings of one batch, which is one crop sown at one station on one day, to be done on the same day";
                problems.add(asked.pointer.clone(), "other", detail);
            }
        }
        problems.finish()
    }

    /// Each with where it was asked for.
    pub fn tasks(&self) -> &[(Asked, Task)] {
        &self.tasks
    }

    /// What stands against one of them, as what stands against all.
    pub fn in_the_way(&self, asked: &Asked, task: &Task, error: Error) -> Error {
        match error {
            Error::Refused(why) if self.tasks.len() > 1 => Refusal::OneOfSeveral {
                task: named(task),
                pointer: asked.pointer.clone(),
                why: Box::new(why),
            }
            .into(),
            other => other,
        }
    }
}
