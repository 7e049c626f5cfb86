//! Tasks that people make by hand, change and drop.

use chrono::{NaiveDateTime, TimeDelta};
use cotyl_domain::task::TaskKind;
use cotyl_domain::{Actor, Operation, QualificationKind, Refusal};
use cotyl_store::tasks::{self, Task, TaskFields, TaskSubject};
use cotyl_store::{Tx, recurring_tasks as store};
use serde::{Deserialize, Serialize};
use serde_json::json;
use uuid::Uuid;

use crate::input::{Problems, require_version};
use crate::recurring_tasks::{
    STILL_DONE_LATE, calendar_of, check_place, check_qualification, check_work, require_site,
    whole_window,
};
use crate::task_holds::require_to_do;
use crate::tasks::{TaskForMember, within_reach};
use crate::{App, Caller, Changed, Error, Result};

/// Longest window of a task made by hand.
const LONGEST_WINDOW: TimeDelta = TimeDelta::days(31);

/// What a task made by hand is described by.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HandMadeTask {
    /// The site.
    pub site_id: Uuid,
    /// The station, where it is at one.
    pub station_id: Option<Uuid>,
    /// What is to be done.
    pub title: String,
    /// How, and what else is to be known.
    pub note: String,
    /// From when it can be done, by the clock of the site.
    pub starts_at: NaiveDateTime,
    /// Until when, by the clock of the site.
    pub ends_at: NaiveDateTime,
    /// People needed.
    pub people: i32,
    /// Expected minutes of work, of all people together.
    pub minutes: i32,
    /// Training needed.
    pub qualification: Option<String>,
}

impl App {
    /// Makes a task by hand.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, or that name what is not there.
    pub async fn create_task(&self, caller: &Caller, new: &HandMadeTask) -> Result<TaskForMember> {
        let operation = Operation::CreateTask;
        check(new)?;
        self.write_once(operation, caller, async |tx, actor| {
            check_place(tx, new.site_id, new.station_id).await?;
            require_site(actor, operation, new.site_id)?;
            let id = self.new_id();
            let fields = self.fields_of(tx, actor, id, new).await?;
            tasks::insert(tx, id, &fields).await?;
            self.audit_made(tx, operation, caller, id, new).await?;
            let task = tasks::get(tx, id).await?.ok_or(Error::NotFound("task"))?;
            self.one_for(tx, actor, task).await
        })
        .await
    }

    /// Replaces the description of a task made by hand; claims on it stay.
    ///
    /// # Errors
    /// [`Error::Stale`], [`Error::Invalid`]; [`Refusal::WrongState`] for a task that was not made by
    /// hand, that is over, or whose needed training changes while somebody holds it.
    pub async fn change_task(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        new: &HandMadeTask,
    ) -> Result<TaskForMember> {
        let operation = Operation::ChangeTask;
        check(new)?;
        self.write(operation, caller, async |tx, actor| {
            let task = lock(tx, actor, operation, id).await?;
            require_version(expected, task.version)?;
            require_by_hand(&task, &["by_hand:"], "changed")?;
            require_to_do(&task, "changed")?;
            let mut problems = Problems::new();
            problems.fixed("/site_id", "task", new.site_id, task.site_id);
            let highest = task.holders.iter().map(|h| h.place).max().unwrap_or(0);
            problems.require(
                new.people >= highest,
                "/people",
                "range",
                "must leave the places that are held",
            );
            problems.finish()?;
            if new.qualification != task.qualification && !task.holders.is_empty() {
                return Err(wrong_state("held", "given another qualification"));
            }
            check_place(tx, new.site_id, new.station_id).await?;
            let fields = self.fields_of(tx, actor, id, new).await?;
            store::describe_task(tx, id, &fields, &task.holders).await?;
            self.audit_made(tx, operation, caller, id, new).await?;
            let task = tasks::get(tx, id).await?.ok_or(Error::NotFound("task"))?;
            self.one_for(tx, actor, task).await
        })
        .await
    }

    /// Drops a task made by hand, or one of a recurring rule, with a cause; claims on it end.
    ///
    /// # Errors
    /// [`Error::Stale`]; [`Refusal::WrongState`] for a task of another origin, or that is over.
    pub async fn drop_task(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        cause: &str,
    ) -> Result<TaskForMember> {
        let operation = Operation::DropTask;
        let mut problems = Problems::new();
        problems.text("/cause", cause, 1, 300);
        problems.finish()?;
        self.write(operation, caller, async |tx, actor| {
            let task = lock(tx, actor, operation, id).await?;
            require_version(expected, task.version)?;
            require_by_hand(&task, &["by_hand:", "recurring:"], "dropped")?;
            require_to_do(&task, "dropped")?;
            store::drop_task(tx, id, cause.trim(), self.clock().now()).await?;
            self.audit_made(tx, operation, caller, id, &json!({ "cause": cause }))
                .await?;
            let task = tasks::get(tx, id).await?.ok_or(Error::NotFound("task"))?;
            self.one_for(tx, actor, task).await
        })
        .await
    }

    async fn fields_of(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        id: Uuid,
        new: &HandMadeTask,
    ) -> Result<TaskFields> {
        let zone = calendar_of(tx, new.site_id).await?.zone();
        let (opens_at, due_at) = (zone.instant(new.starts_at), zone.instant(new.ends_at));
        let mut problems = Problems::new();
        problems.require(
            due_at > self.clock().now() && due_at > opens_at,
            "/ends_at",
            "range",
            "must be later than now and than the start",
        );
        problems.finish()?;
        Ok(TaskFields {
            site_id: new.site_id,
            kind: TaskKind::Other,
            occasion: format!("by_hand:{id}"),
            subject: TaskSubject {
                station_id: new.station_id,
                ..TaskSubject::default()
            },
            rule: None,
            title: Some(new.title.trim().to_owned()),
            note: new.note.clone(),
            detail: json!({}),
            window: whole_window(zone.today(opens_at), opens_at, due_at),
            missed_after: Some(due_at + STILL_DONE_LATE),
            people: new.people,
            minutes: new.minutes,
            qualification: new
                .qualification
                .as_deref()
                .and_then(QualificationKind::parse),
            created_by: Some(actor.member_id),
        })
    }

    async fn audit_made(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
        became: &impl Serialize,
    ) -> Result<()> {
        let noun = "task";
        self.audit(tx, operation, caller, Changed { noun, id }, became)
            .await
    }
}

async fn lock(tx: &mut Tx, actor: &Actor, operation: Operation, id: Uuid) -> Result<Task> {
    let task = tasks::lock(tx, id).await?;
    // volunteers' own rows of the table keep them out; others may not know of it
    within_reach(actor, operation, task)
}

fn wrong_state(state: &str, step: &str) -> Error {
    Refusal::WrongState {
        what: "the task".into(),
        state: state.into(),
        step: step.into(),
    }
    .into()
}

fn require_by_hand(task: &Task, origins: &[&str], step: &str) -> Result<()> {
    if origins
        .iter()
        .any(|origin| task.occasion.starts_with(origin))
    {
        return Ok(());
    }
    let state = if task.occasion.starts_with("recurring:") {
        "one time of a recurring task (move or leave out that time)"
    } else {
        "not made by hand"
    };
    Err(wrong_state(state, step))
}

fn check(new: &HandMadeTask) -> Result<()> {
    let mut problems = Problems::new();
    check_work(
        &mut problems,
        &new.title,
        &new.note,
        new.people,
        new.minutes,
    );
    check_qualification(&mut problems, new.qualification.as_deref());
    problems.day("/starts_at", new.starts_at.date());
    problems.day("/ends_at", new.ends_at.date());
    problems.require(
        new.ends_at > new.starts_at && new.ends_at - new.starts_at <= LONGEST_WINDOW,
        "/ends_at",
        "range",
        "must be after the start and within 31 days of it",
    );
    problems.finish()
}
