//! Work that comes again by a rule: its tasks are made ahead of time, and follow the rule as it changes.

mod times;

use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use cotyl_domain::{Actor, Operation, QualificationKind, Refusal};
use cotyl_store::recurring_tasks::{
    self as store, Exception, RecurringTask, RecurringTaskFields, RecurringTaskFilter,
};
use cotyl_store::references::Reference;
use cotyl_store::{Page, Tx, stations};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

pub use times::{ClosedDay, PlannedTime, TimeState};
use times::{Rule, planned};
pub(crate) use times::{STILL_DONE_LATE, calendar_of, whole_window};

/// How far ahead tasks are made.
pub const HORIZON: TimeDelta = TimeDelta::days(21);

/// What is said of a single time of a rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ExceptionFields {
    /// The time by the rule, by the clock of the site.
    pub occurs_at: NaiveDateTime,
    /// What becomes of it.
    pub what: ExceptionKind,
    /// Why.
    pub cause: String,
}

/// What becomes of a single time of a rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum ExceptionKind {
    /// It is at another time, by the clock of the site.
    Moved(NaiveDateTime),
    /// It is left out.
    LeftOut,
    /// It is as the rule says again.
    Restored,
}

impl App {
    /// Describes work that comes again, and makes its tasks of the next days.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, or that name what is not there.
    pub async fn create_recurring_task(
        &self,
        caller: &Caller,
        fields: &RecurringTaskFields,
    ) -> Result<RecurringTask> {
        let operation = Operation::CreateRecurringTask;
        check(fields)?;
        self.write_once(operation, caller, async |tx, actor| {
            check_references(tx, fields).await?;
            require_site(actor, operation, fields.site_id)?;
            let fields = normal(tx, fields).await?;
            let made = store::insert(tx, self.new_id(), &fields).await?;
            self.follow(tx, &made, self.clock().now()).await?;
            self.audit_recurring(tx, operation, caller, made.id, &made.fields)
                .await?;
            Ok(made)
        })
        .await
    }

    /// Work that comes again.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none of this id within the reach of the member.
    pub async fn read_recurring_task(&self, caller: &Caller, id: Uuid) -> Result<RecurringTask> {
        let operation = Operation::ReadRecurringTask;
        self.read(operation, caller, async |tx, actor| {
            let found = store::get(tx, id).await?;
            reached(actor, operation, found)
        })
        .await
    }

    /// A page of work that comes again, within the reach of the member.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_recurring_tasks(
        &self,
        caller: &Caller,
        site_id: Option<Uuid>,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<RecurringTask>> {
        let operation = Operation::ListRecurringTasks;
        self.read(operation, caller, async |tx, actor| {
            let reach = operation.reach(actor);
            let sites = match (reach.site_filter(), site_id) {
                (None, asked) => asked.map(|site_id| vec![site_id]),
                (Some(reached), None) => Some(reached.to_vec()),
                (Some(_), Some(asked)) if reach.covers_site(asked) => Some(vec![asked]),
                (Some(_), Some(_)) => Some(Vec::new()),
            };
            let filter = RecurringTaskFilter {
                sites,
                with_retired,
            };
            Ok(store::list(tx, &filter, page).await?)
        })
        .await
    }

    /// Replaces the description; tasks that are still to come move, come or go with it.
    ///
    /// # Errors
    /// [`Error::Stale`], [`Error::Invalid`].
    pub async fn change_recurring_task(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &RecurringTaskFields,
    ) -> Result<RecurringTask> {
        let operation = Operation::ChangeRecurringTask;
        check(fields)?;
        self.write(operation, caller, async |tx, actor| {
            let kept = lock(tx, actor, operation, id).await?;
            require_version(expected, kept.version)?;
            require_not_retired("the recurring task", &kept.retired_at)?;
            let mut problems = Problems::new();
            let noun = "recurring task";
            problems.fixed("/site_id", noun, fields.site_id, kept.fields.site_id);
            problems.finish()?;
            check_references(tx, fields).await?;
            let fields = normal(tx, fields).await?;
            let changed = store::update(tx, id, &fields).await?;
            self.follow(tx, &changed, self.clock().now()).await?;
            self.audit_recurring(tx, operation, caller, id, &changed.fields)
                .await?;
            Ok(changed)
        })
        .await
    }

    /// Ends a rule; its tasks that are still to come are dropped.
    ///
    /// # Errors
    /// [`Error::Stale`].
    pub async fn retire_recurring_task(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<RecurringTask> {
        let operation = Operation::RetireRecurringTask;
        self.write(operation, caller, async |tx, actor| {
            let kept = lock(tx, actor, operation, id).await?;
            require_version(expected, kept.version)?;
            require_not_retired("the recurring task", &kept.retired_at)?;
            let now = self.clock().now();
            let retired = store::retire(tx, id, now).await?;
            store::drop_others(tx, id, &[], "its rule was ended", now).await?;
            self.audit_recurring(tx, operation, caller, id, &retired.fields)
                .await?;
            Ok(retired)
        })
        .await
    }

    /// Moves a single time of a rule, leaves it out, or lets it be as the rule says again.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a time that the rule does not have; [`Refusal::WrongState`] for one that
    /// has begun.
    pub async fn except_recurring_task(
        &self,
        caller: &Caller,
        id: Uuid,
        fields: &ExceptionFields,
    ) -> Result<Exception> {
        let operation = Operation::ExceptRecurringTask;
        let mut problems = Problems::new();
        problems.text("/cause", &fields.cause, 1, 300);
        problems.day("/occurs_at", fields.occurs_at.date());
        if let ExceptionKind::Moved(to) = fields.what {
            problems.day("/moved_to", to.date());
        }
        problems.finish()?;
        self.write_once(operation, caller, async |tx, actor| {
            let kept = lock(tx, actor, operation, id).await?;
            require_not_retired("the recurring task", &kept.retired_at)?;
            let now = self.clock().now();
            let calendar = calendar_of(tx, kept.fields.site_id).await?;
            check_exception(&Rule::of(&kept.fields, &calendar)?, fields, now)?;
            let (kind, moved_to) = match fields.what {
                ExceptionKind::Moved(to) => ("moved", Some(to)),
                ExceptionKind::LeftOut => ("left_out", None),
                ExceptionKind::Restored => ("restored", None),
            };
            let exception = Exception {
                id: self.new_id(),
                occurs_at: fields.occurs_at,
                kind: kind.to_owned(),
                moved_to,
                cause: fields.cause.trim().to_owned(),
                member_id: actor.member_id,
                recorded_at: now,
            };
            store::insert_exception(tx, id, &exception).await?;
            self.follow(tx, &kept, now).await?;
            self.audit_recurring(tx, operation, caller, id, &exception)
                .await?;
            Ok(exception)
        })
        .await
    }

    /// The times of a rule in the days for which tasks are made, with what becomes of each.
    ///
    /// # Errors
    /// [`Error::NotFound`].
    pub async fn list_recurring_task_times(
        &self,
        caller: &Caller,
        id: Uuid,
    ) -> Result<Vec<PlannedTime>> {
        let operation = Operation::ListRecurringTaskTimes;
        self.read(operation, caller, async |tx, actor| {
            let kept = reached(actor, operation, store::get(tx, id).await?)?;
            if kept.retired_at.is_some() {
                return Ok(Vec::new());
            }
            let calendar = calendar_of(tx, kept.fields.site_id).await?;
            let exceptions = store::exceptions(tx, id).await?;
            let rule = Rule::of(&kept.fields, &calendar)?;
            planned(&rule, &exceptions, self.clock().now())
        })
        .await
    }

    /// Brings the tasks of every rule of a site to what the rules and closures say now. Doing it again,
    /// or at the same moment elsewhere, changes nothing more.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn derive_recurring(
        &self,
        tx: &mut Tx,
        site_id: Uuid,
        now: DateTime<Utc>,
    ) -> Result<()> {
        for recurring in store::lock_of_site(tx, site_id).await? {
            self.follow(tx, &recurring, now).await?;
        }
        Ok(())
    }

    /// The same for one rule, which is held.
    async fn follow(
        &self,
        tx: &mut Tx,
        recurring: &RecurringTask,
        now: DateTime<Utc>,
    ) -> Result<()> {
        let calendar = calendar_of(tx, recurring.fields.site_id).await?;
        let exceptions = store::exceptions(tx, recurring.id).await?;
        let rule = Rule::of(&recurring.fields, &calendar)?;
        let mut kept = Vec::new();
        for time in planned(&rule, &exceptions, now)? {
            let Some(task) = rule.task(recurring, &time)? else {
                continue;
            };
            if !cotyl_store::tasks::insert(tx, self.new_id(), &task).await? {
                store::renew(tx, &task, now).await?;
            }
            kept.push(task.occasion);
        }
        let cause = "its rule, or a closure of the site, no longer brings it";
        store::drop_others(tx, recurring.id, &kept, cause, now).await?;
        Ok(())
    }

    async fn audit_recurring(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
        became: &impl Serialize,
    ) -> Result<()> {
        let noun = "recurring_task";
        self.audit(tx, operation, caller, Changed { noun, id }, became)
            .await
    }
}

fn check_exception(rule: &Rule<'_>, fields: &ExceptionFields, now: DateTime<Utc>) -> Result<()> {
    if !rule.has(fields.occurs_at)? {
        let detail = "is no time of the rule; read its times first";
        return Err(Error::field("/occurs_at", "unknown", detail));
    }
    let wrong = |what: &str, step: &str| Refusal::WrongState {
        what: what.into(),
        state: "in the past".into(),
        step: step.into(),
    };
    if rule.instant(fields.occurs_at) <= now {
        return Err(wrong("this time", "changed").into());
    }
    if let ExceptionKind::Moved(to) = fields.what
        && rule.instant(to) <= now
    {
        return Err(wrong("the new time", "chosen").into());
    }
    Ok(())
}

/// The record, when the member reaches its site; they may not know of others.
fn reached(
    actor: &Actor,
    operation: Operation,
    found: Option<RecurringTask>,
) -> Result<RecurringTask> {
    found
        .filter(|found| operation.reach(actor).covers_site(found.fields.site_id))
        .ok_or(Error::NotFound("recurring task"))
}

async fn lock(tx: &mut Tx, actor: &Actor, operation: Operation, id: Uuid) -> Result<RecurringTask> {
    let found = store::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("recurring task"))?;
    require_site(actor, operation, found.fields.site_id)?;
    Ok(found)
}

pub(crate) fn require_site(actor: &Actor, operation: Operation, site_id: Uuid) -> Result<()> {
    if operation.reach(actor).covers_site(site_id) {
        Ok(())
    } else {
        Err(Error::Forbidden(operation))
    }
}

fn check(fields: &RecurringTaskFields) -> Result<()> {
    let mut problems = Problems::new();
    check_work(
        &mut problems,
        &fields.title,
        &fields.note,
        fields.people,
        fields.minutes,
    );
    check_qualification(&mut problems, fields.qualification.as_deref());
    problems.day("/starts_at", fields.starts_at.date());
    problems.within("/window_minutes", fields.window_minutes.into(), 1, 10_080);
    if ClosedDay::parse(&fields.on_closed_day).is_none() {
        problems.add(
            "/on_closed_day",
            "unknown",
            "must be skip, bring_forward or flag",
        );
    }
    problems.finish()
}

pub(crate) fn check_qualification(problems: &mut Problems, name: Option<&str>) {
    if name.is_some_and(|name| QualificationKind::parse(name).is_none()) {
        problems.add(
            "/qualification",
            "unknown",
            "must be concentrates or food_handling",
        );
    }
}

/// The fields that every task made by people has.
pub(crate) fn check_work(
    problems: &mut Problems,
    title: &str,
    note: &str,
    people: i32,
    minutes: i32,
) {
    problems.name("/title", title);
    problems.text("/note", note, 0, 2000);
    problems.within("/people", people.into(), 1, 100);
    problems.within("/minutes", minutes.into(), 0, 100_000);
}

async fn check_references(tx: &mut Tx, fields: &RecurringTaskFields) -> Result<()> {
    check_place(tx, fields.site_id, fields.station_id).await
}

/// The site is there and in use, and so is the station, at that site.
pub(crate) async fn check_place(
    tx: &mut Tx,
    site_id: Uuid,
    station_id: Option<Uuid>,
) -> Result<()> {
    let mut problems = Problems::new();
    problems
        .refers(tx, "/site_id", Reference::Site, site_id)
        .await?;
    if let Some(station_id) = station_id {
        problems
            .refers(tx, "/station_id", Reference::Station, station_id)
            .await?;
        let elsewhere = stations::get(tx, station_id)
            .await?
            .is_some_and(|station| station.fields.site_id != site_id);
        if elsewhere {
            problems.add("/station_id", "unknown", "is a station of another site");
        }
    }
    problems.finish()
}

/// The fields in the form in which they are kept, once the rule has been read in the zone of the site.
async fn normal(tx: &mut Tx, fields: &RecurringTaskFields) -> Result<RecurringTaskFields> {
    let calendar = calendar_of(tx, fields.site_id).await?;
    let rule = Rule::read(fields, &calendar)
        .map_err(|fault| Error::field("/rule", "rule", fault.to_string()))?;
    Ok(RecurringTaskFields {
        title: fields.title.trim().to_owned(),
        rule: rule.text(),
        ..fields.clone()
    })
}
