//! Saying of several tasks of one errand at once that they are done: each is reported by itself, at the same
//! instant, all or none.

use cotyl_domain::apportion::by_largest_remainder;
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::tasks::{self, Task};
use cotyl_store::work_reports::WorkReport;
use cotyl_store::{Tx, sowings};
use cotyl_work::Finishing;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::completion::{Completion, check_minutes};
use crate::input::Problems;
use crate::task_work::{Finished, reported};
use crate::tasks::TaskForMember;
use crate::together::{Asked, MOST_TOGETHER, Together};
use crate::{App, Caller, Error, Result};

/// A task that was done along with another.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct DoneAlong {
    /// The task.
    pub task_id: Uuid,
    /// The report about it, made by whoever sends it.
    pub id: Option<Uuid>,
    /// Containers in which seedlings stand, for the check of germination.
    pub sprouted_containers: Option<i32>,
}

/// What came of a report about several tasks, the one that the others were done along with first.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub enum FinishedTogether {
    /// All of it counts: the tasks as they are now.
    Counted(Vec<TaskForMember>),
    /// Something stands against a part of it: all of it is kept, and a lead sees and settles it.
    Kept(Vec<WorkReport>),
}

/// A report about several tasks.
struct Told<'a> {
    own: Uuid,
    completion: &'a Completion,
    along: &'a [DoneAlong],
}

impl Told<'_> {
    fn check(&self) -> Result<()> {
        let mut problems = Problems::new();
        problems.require(
            self.along.len() < MOST_TOGETHER,
            "/alongside",
            "length",
            "must be fewer than 50 tasks",
        );
        problems.require(
            !self.completion.partial,
            "/partial",
            "unexpected",
            "a part is told of each task by itself",
        );
        problems.require(
            self.completion.containers.is_none(),
            "/containers",
            "unexpected",
            "where another number of containers was done than was to be, finish each task by itself",
        );
        check_minutes(&mut problems, self.completion);
        for (index, each) in self.along.iter().enumerate().take(MOST_TOGETHER) {
            let before = self.along[..index].iter().map(|other| other.task_id);
            if before.chain([self.own]).any(|id| id == each.task_id) {
                let pointer = format!("/alongside/{index}/task_id");
                problems.add(pointer, "twice", "this task is told of already");
            }
            let before = self.along[..index].iter().map(|other| other.id);
            if each.id.is_some() && before.chain([self.completion.id]).any(|id| id == each.id) {
                let pointer = format!("/alongside/{index}/id");
                problems.add(pointer, "twice", "each report has an id of its own");
            }
        }
        problems.finish()
    }

    /// Every task in the order of the ids, with where it is told of.
    fn asked(&self) -> Vec<Asked> {
        let own = Asked {
            id: self.own,
            pointer: "task_id".into(),
        };
        let others = self.along.iter().enumerate().map(|(index, each)| Asked {
            id: each.task_id,
            pointer: format!("/alongside/{index}/task_id"),
        });
        let mut all: Vec<Asked> = others.chain([own]).collect();
        all.sort_by_key(|each| each.id);
        all
    }

    /// What is told of each task: its own figures, and its part of the minutes.
    fn of_each(&self, tasks: &[(Asked, Task)]) -> Vec<Completion> {
        let expected: Vec<i64> = tasks.iter().map(|(_, task)| task.minutes.into()).collect();
        let minutes = self.completion.minutes.map(|all| shares(all, &expected));
        let mut minutes = minutes.into_iter().flatten();
        tasks
            .iter()
            .map(|(asked, _)| {
                let along = self.along.iter().find(|each| each.task_id == asked.id);
                let own = self.completion;
                Completion {
                    id: along.map_or(own.id, |each| each.id),
                    sprouted_containers: along
                        .map_or(own.sprouted_containers, |each| each.sprouted_containers),
                    minutes: minutes.next(),
                    ..own.clone()
                }
            })
            .collect()
    }

    fn comes_late(&self) -> bool {
        self.completion.comes_late() || self.along.iter().any(|each| each.id.is_some())
    }

    /// The one that the others were done along with first.
    fn own_first<T>(&self, tasks: &[(Asked, Task)], mut all: Vec<T>) -> Vec<T> {
        let own = tasks.iter().position(|(asked, _)| asked.id == self.own);
        if let Some(own) = own {
            all[..=own].rotate_right(1);
        }
        all
    }
}

/// The minutes of all divided by what was expected of each: they add up to what was said.
fn shares(minutes: i32, expected: &[i64]) -> Vec<i32> {
    let alike = vec![1; expected.len()];
    let parts = by_largest_remainder(minutes.into(), expected)
        .or_else(|| by_largest_remainder(minutes.into(), &alike));
    parts
        .into_iter()
        .flatten()
        .filter_map(|part| i32::try_from(part).ok())
        .collect()
}

impl App {
    /// Says that several tasks of one errand are done: each goes on by itself, all or none.
    ///
    /// As of one task, a report with its own ids or time may come late: where something stands against a
    /// part of it, all of it is kept for a lead to settle. Sent again, it has one effect.
    ///
    /// # Errors
    /// Those of [`App::finish_task`], as [`Refusal::OneOfSeveral`]; [`Error::Invalid`] for tasks that do not
    /// go alongside each other, and for work that is finished singly.
    pub async fn finish_tasks(
        &self,
        caller: &Caller,
        id: Uuid,
        completion: &Completion,
        along: &[DoneAlong],
    ) -> Result<FinishedTogether> {
        let told = Told {
            own: id,
            completion,
            along,
        };
        told.check()?;
        let operation = Operation::FinishTask;
        let counted = self
            .write_once(operation, caller, async |tx, actor| {
                self.count_together(tx, actor, caller, &told).await
            })
            .await;
        match counted {
            Err(Error::Refused(refusal)) if told.comes_late() && refusal != Refusal::KeyReused => {
                self.write_once(operation, caller, async |tx, actor| {
                    self.keep_together(tx, actor, caller, &told, &refusal).await
                })
                .await
            }
            other => other,
        }
    }

    async fn count_together(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        caller: &Caller,
        told: &Told<'_>,
    ) -> Result<FinishedTogether> {
        let together = self.lock_with_sowings(tx, actor, told).await?;
        let mut each = told.of_each(together.tasks());
        if let Some(before) = self.told_before(tx, actor, told, &together, &each).await? {
            return Ok(before);
        }
        together.require_one_errand()?;
        require_at_once(&together)?;
        // all at one instant, also where none was told
        let now = self.clock().now();
        for completion in &mut each {
            completion.done_at.get_or_insert(now);
        }
        let mut seen = Vec::with_capacity(each.len());
        for ((asked, task), completion) in together.tasks().iter().zip(&each) {
            let counted = self.count_held(tx, actor, caller, task.clone(), completion);
            let counted = counted.await.map_err(|error| {
                together.in_the_way(asked, task, pointed(asked, told.own, error))
            })?;
            if let Finished::Counted(task) = counted {
                seen.push(*task);
            }
        }
        // as they are now that all of them are done
        let mut now = Vec::with_capacity(seen.len());
        for task in seen {
            let task = tasks::get(tx, task.task.id)
                .await?
                .ok_or(Error::NotFound("task"))?;
            now.push(self.task_with_parts(tx, actor, task).await?);
        }
        Ok(FinishedTogether::Counted(
            told.own_first(together.tasks(), now),
        ))
    }

    /// The sowings first, then whatever is to be done for them, then the tasks: everything in the order of
    /// the ids, as every writer of several takes them.
    async fn lock_with_sowings(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        told: &Told<'_>,
    ) -> Result<Together> {
        let operation = Operation::FinishTask;
        let mut seen = Vec::new();
        for asked in told.asked() {
            let task = tasks::get(tx, asked.id).await?;
            seen.push((asked, task));
        }
        let seen = Together::within_reach(actor, operation, told.own, seen)?;
        let of_task = |(_, task): &(Asked, Task)| task.sowing_id;
        let mut sowing_ids: Vec<Uuid> = seen.tasks().iter().filter_map(of_task).collect();
        sowing_ids.sort_unstable();
        sowing_ids.dedup();
        for sowing_id in &sowing_ids {
            sowings::lock(tx, *sowing_id).await?;
        }
        tasks::lock_of_sowings(tx, &sowing_ids).await?;
        let mut held = Vec::new();
        for (asked, _) in seen.tasks() {
            let task = tasks::lock(tx, asked.id).await?;
            held.push((asked.clone(), task));
        }
        Together::within_reach(actor, operation, told.own, held)
    }

    /// The answer to the same report, where all of it came before.
    async fn told_before(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        told: &Told<'_>,
        together: &Together,
        each: &[Completion],
    ) -> Result<Option<FinishedTogether>> {
        let mut before = Vec::with_capacity(each.len());
        for ((asked, task), completion) in together.tasks().iter().zip(each) {
            let report = reported(tx, actor, task, completion)
                .await
                .map_err(|error| pointed(asked, told.own, error))?;
            before.extend(report);
        }
        if before.len() < each.len() {
            return Ok(None);
        }
        let before = told.own_first(together.tasks(), before);
        if before.iter().any(|report| report.state != "counted") {
            return Ok(Some(FinishedTogether::Kept(before)));
        }
        let mut seen = Vec::with_capacity(before.len());
        for report in &before {
            let task = tasks::get(tx, report.task_id)
                .await?
                .ok_or(Error::NotFound("task"))?;
            seen.push(self.task_with_parts(tx, actor, task).await?);
        }
        Ok(Some(FinishedTogether::Counted(seen)))
    }

    /// Keeps a report against a part of which something stands, all of it.
    async fn keep_together(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        caller: &Caller,
        told: &Told<'_>,
        refusal: &Refusal,
    ) -> Result<FinishedTogether> {
        let operation = Operation::FinishTask;
        let mut found = Vec::new();
        for asked in told.asked() {
            let task = tasks::lock(tx, asked.id).await?;
            found.push((asked, task));
        }
        let together = Together::within_reach(actor, operation, told.own, found)?;
        let each = told.of_each(together.tasks());
        let mut kept = Vec::with_capacity(each.len());
        for ((_, task), completion) in together.tasks().iter().zip(&each) {
            let report = self.keep_report(tx, actor, caller, task, completion, refusal);
            kept.push(report.await?);
        }
        Ok(FinishedTogether::Kept(
            told.own_first(together.tasks(), kept),
        ))
    }
}

/// The work is of a kind of which it is enough to say that it was done, or how much of it.
fn require_at_once(together: &Together) -> Result<()> {
    let Some((_, task)) = together.tasks().first() else {
        return Ok(());
    };
    match Finishing::of(task.kind()?) {
        Some(Finishing::Singly(reason)) => {
            let detail = format!("finish each task by itself: {reason}");
            Err(Error::field("/alongside", "singly", detail))
        }
        _ => Ok(()),
    }
}

/// Problems of what is told of one task, at the place where the request tells it. What is told once for all
/// is named where it stands.
fn pointed(asked: &Asked, own: Uuid, error: Error) -> Error {
    match error {
        Error::Invalid(problems) if asked.id != own => {
            let place = asked.pointer.trim_end_matches("/task_id");
            let of_each = ["/id", "/sprouted_containers"];
            let problems = problems.into_iter().map(|problem| {
                if of_each.contains(&problem.pointer.as_str()) {
                    problem.under(place)
                } else {
                    problem
                }
            });
            Error::Invalid(problems.collect())
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn minutes_go_by_what_was_expected_and_evenly_where_nothing_was() {
        assert_eq!(shares(15, &[8, 6]), [9, 6]);
        assert_eq!(shares(15, &[0, 6]), [0, 15]);
        assert_eq!(shares(5, &[0, 0]), [3, 2]);
        assert_eq!(shares(0, &[8, 6]), [0, 0]);
    }

    proptest! {
        #[test]
        fn no_minute_is_lost_or_counted_twice(
            minutes in 0..=1440_i32,
            expected in prop::collection::vec(0..600_i64, 1..50),
        ) {
            let parts = shares(minutes, &expected);
            prop_assert_eq!(parts.len(), expected.len());
            prop_assert_eq!(parts.iter().sum::<i32>(), minutes);
            prop_assert!(parts.iter().all(|part| *part >= 0));
        }
    }
}
