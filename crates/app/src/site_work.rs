//! Work that comes by itself: looking at a site, and making its tasks those that it should have.
//!
//! The steps of a sowing follow in the transaction that changes it; everything else by a look that is
//! queued, once a site, in the transaction of its cause (triggers of the schema see to that), and at
//! the start of each day of the site. A look first has what the record teaches reckoned anew, if it
//! changed. It reads everything from one snapshot, and keeps what it
//! changes only while it is the latest and its job is still its own.

mod facts;

use chrono::{DateTime, TimeDelta, Utc};
use cotyl_domain::QualificationKind;
use cotyl_domain::task::TaskState;
use cotyl_store::site_tasks::{self, PresentTask, TaskAsWanted};
use cotyl_store::sowings::Sowing;
use cotyl_store::{Scope, Tx, jobs, site_work, task_rules};
use cotyl_work::{
    Changes, HORIZON_DAYS, Present, RuleBook, RuleKey, WantedTask, derive, derive_sowing, is_step,
    reconcile,
};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::growing::Ground;
use crate::jobs::{JobEnd, LeasedJob, SITE_WORK_JOB};
use crate::{App, Error, Result};

pub(crate) use facts::load as load_facts_until;

/// How often a look that another overtook is made again.
const MOST_LOOKS: u32 = 5;
/// The longest day that a zone has, and an hour.
const LONGEST_DAY: TimeDelta = TimeDelta::hours(27);
/// How long ended looks are kept in the queue's table.
const LOOKS_KEPT: TimeDelta = TimeDelta::hours(24);

/// What a look is to change.
struct Look {
    looks_before: i64,
    next_look_at: DateTime<Utc>,
    ops: Ops,
}

/// Changes as the store takes them.
#[derive(Default)]
struct Ops {
    insert: Vec<TaskAsWanted>,
    change: Vec<TaskAsWanted>,
    reopen: Vec<TaskAsWanted>,
    drop: Vec<(Uuid, String)>,
    miss: Vec<Uuid>,
}

impl App {
    /// Looks at the site of a job, makes its tasks those that it should have, and ends the job;
    /// `false` when the lease was lost, and nothing was changed.
    ///
    /// # Errors
    /// Those of the database; a fault of this program for stored data that cannot be read.
    pub async fn work_on_site(&self, job: &LeasedJob) -> Result<bool> {
        let site_id: Uuid = job
            .payload
            .get("site_id")
            .and_then(Value::as_str)
            .and_then(|id| id.parse().ok())
            .ok_or_else(|| Error::internal("a look at a site names none"))?;
        let scope = Scope::Cooperative(job.cooperative_id);
        match self.keep_learned_growth(scope).await {
            Err(fault @ (Error::Unavailable(_) | Error::Contended(_))) => return Err(fault),
            // the work of the site goes on by what was learned before
            Err(fault) => tracing::error!(cause = ?fault, "nothing can be learned from the record"),
            Ok(()) => {}
        }
        for _ in 0..MOST_LOOKS {
            let look = self.look(scope, site_id).await?;
            let kept = self
                .store()
                .write(SITE_WORK_JOB, scope, async |tx| {
                    let now = self.clock().now();
                    if let Some(look) = &look {
                        let (before, next) = (look.looks_before, look.next_look_at);
                        if !jobs::is_held(tx, job.id, job.lease_id).await? {
                            return Ok::<_, Error>(Some(false));
                        }
                        if !site_tasks::looked(tx, site_id, before, now, next).await? {
                            return Ok(None);
                        }
                        self.derive_recurring(tx, site_id, now).await?;
                        look.ops.apply(tx, site_id, now).await?;
                        site_tasks::miss_others(tx, site_id, now).await?;
                    }
                    // the queue comes last in the order of locks
                    let mine =
                        jobs::finish(tx, job.id, job.lease_id, JobEnd::Done, None, now).await?;
                    Ok(Some(mine))
                })
                .await?;
            if let Some(mine) = kept {
                return Ok(mine);
            }
        }
        // others look at it all the time; what is queued since comes after
        self.put_back_job(job).await?;
        Ok(false)
    }

    /// What a look at a site would change; `None` for a site that is no longer in use.
    async fn look(&self, scope: Scope, site_id: Uuid) -> Result<Option<Look>> {
        let now = self.clock().now();
        self.store()
            .read(scope, async |tx| {
                let looks_before = site_tasks::looks(tx, site_id).await?;
                let rules = rule_book(tx).await?;
                let Some((facts, _)) =
                    load_facts_until(tx, site_id, &rules, now, HORIZON_DAYS.into()).await?
                else {
                    return Ok(None);
                };
                let wanted = derive(&rules, &facts);
                let occasions: Vec<&str> =
                    wanted.iter().map(|task| task.occasion.as_str()).collect();
                let there = site_tasks::present_at_site(tx, site_id, &occasions).await?;
                let there = there.into_iter().map(present).collect::<Result<Vec<_>>>()?;
                let today = facts.today;
                let open = facts.calendar.is_open_on(today);
                let changes = reconcile(&rules, &there, &wanted, today, open, now);
                let tomorrow = today.succ_opt().unwrap_or(today);
                Ok(Some(Look {
                    looks_before,
                    next_look_at: facts.calendar.zone().day(tomorrow).start,
                    ops: self.ops(&changes),
                }))
            })
            .await
    }

    /// Queues a look at every site whose day has begun since the last; how many sites that are.
    ///
    /// It goes by what was kept, never by how often it is called: called late, twice at once, or by a
    /// clock that jumped, it loses no day and looks at none twice for nothing.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn queue_due_looks(&self) -> Result<i64> {
        self.store()
            .write("queue_due_looks", Scope::System, async |tx| {
                let now = self.clock().now();
                Ok(site_tasks::wake_due(tx, now, now + LONGEST_DAY).await?)
            })
            .await
    }

    /// Forgets looks that ended a day ago; how many.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn forget_old_looks(&self) -> Result<u64> {
        self.store()
            .write("forget_old_looks", Scope::System, async |tx| {
                let before = self.clock().now() - LOOKS_KEPT;
                Ok(site_tasks::forget_looks(tx, before).await?)
            })
            .await
    }

    /// Writes down the steps of a sowing that was just made. What comes day by day is left to the look
    /// at its site, so that the adoption of a plan stays quick.
    pub(crate) async fn add_sowing_work(
        &self,
        tx: &mut Tx,
        sowing: &Sowing,
        ground: &Ground,
        rules: &RuleBook,
    ) -> Result<()> {
        let today = ground.day_of(self.clock().now());
        let facts = facts::of_new(sowing, ground)?;
        let rows: Vec<TaskAsWanted> = derive_sowing(rules, &ground.calendar, &facts, today)
            .iter()
            .filter(|task| !comes_daily(task))
            .map(|task| self.new_row(task))
            .collect();
        site_tasks::insert(tx, sowing.site_id, &rows).await?;
        Ok(())
    }

    /// Makes the steps of a sowing those that it should have as things stand, and ends what came day
    /// by day and is no longer wanted.
    pub(crate) async fn follow_sowing(
        &self,
        tx: &mut Tx,
        sowing: &Sowing,
        ground: &Ground,
    ) -> Result<()> {
        let rules = rule_book(tx).await?;
        let now = self.clock().now();
        let today = ground.day_of(now);
        let rows = site_work::sowings(tx, sowing.site_id, Some(sowing.id), now).await?;
        let mut wanted = Vec::new();
        for row in &rows {
            let facts = facts::of_sowing(row, ground)?;
            wanted.extend(derive_sowing(&rules, &ground.calendar, &facts, today));
        }
        let occasions: Vec<&str> = wanted.iter().map(|task| task.occasion.as_str()).collect();
        let there = site_tasks::present_of_sowing(tx, sowing.id, &occasions).await?;
        let there = there
            .into_iter()
            .filter(|task| is_step(&task.occasion))
            .map(present)
            .collect::<Result<Vec<_>>>()?;
        let open = ground.calendar.is_open_on(today);
        let mut changes = reconcile(&rules, &there, &wanted, today, open, now);
        changes.insert.retain(|task| !comes_daily(task));
        self.ops(&changes).apply(tx, sowing.site_id, now).await
    }

    fn ops(&self, changes: &Changes<'_>) -> Ops {
        let rows =
            |tasks: &[(Uuid, &WantedTask)]| tasks.iter().map(|(id, task)| row(*id, task)).collect();
        Ops {
            insert: changes
                .insert
                .iter()
                .map(|task| self.new_row(task))
                .collect(),
            change: rows(&changes.change),
            reopen: rows(&changes.reopen),
            drop: changes.drop.clone(),
            miss: changes.miss.clone(),
        }
    }

    fn new_row(&self, task: &WantedTask) -> TaskAsWanted {
        row(self.new_id(), task)
    }
}

impl Ops {
    async fn apply(&self, tx: &mut Tx, site_id: Uuid, now: DateTime<Utc>) -> Result<()> {
        site_tasks::change(tx, &self.change, false).await?;
        site_tasks::change(tx, &self.reopen, true).await?;
        site_tasks::drop(tx, &self.drop, now).await?;
        site_tasks::miss(tx, &self.miss, now).await?;
        site_tasks::insert(tx, site_id, &self.insert).await?;
        Ok(())
    }
}

/// The rules of the co-operative.
pub(crate) async fn rule_book(tx: &mut Tx) -> Result<RuleBook> {
    let mut changes = std::collections::BTreeMap::new();
    for kept in task_rules::list(tx).await? {
        // a rule of a newer version changes nothing here
        if let Some(key) = RuleKey::parse(&kept.rule) {
            let change = serde_json::from_value(kept.change).map_err(Error::internal)?;
            changes.insert(key, change);
        }
    }
    Ok(RuleBook::with(&changes))
}

fn row(id: Uuid, task: &WantedTask) -> TaskAsWanted {
    TaskAsWanted {
        id,
        occasion: task.occasion.clone(),
        kind: task.kind.as_str(),
        sowing_id: task.subject.sowing_id,
        // the station of a sowing is told by the sowing
        station_id: task
            .subject
            .station_id
            .filter(|_| task.subject.sowing_id.is_none()),
        batch_id: task.subject.batch_id,
        recipient_id: task.subject.recipient_id,
        cut_number: task.cut_number,
        rule: task.rule.as_str(),
        day: task.window.day,
        opens_at: task.window.opens,
        due_at: task.window.closes,
        minutes: task.minutes,
        people: task.people,
        qualification: task.qualification.map(QualificationKind::as_str),
        missed_after: task.missed_after,
        detail: detail(task),
    }
}

fn comes_daily(task: &WantedTask) -> bool {
    task.rule == RuleKey::Mist
}

fn detail(task: &WantedTask) -> Value {
    json!({
        "containers": task.containers,
        "microlitres": task.microlitres,
        "reading_id": task.reading_id,
    })
}

fn present(task: PresentTask) -> Result<Present> {
    let unknown = |what: &str, name: &str| Error::internal(format!("unknown {what} {name}"));
    let qualification = task
        .qualification
        .as_deref()
        .map(|name| QualificationKind::parse(name).ok_or_else(|| unknown("qualification", name)))
        .transpose()?;
    Ok(Present {
        id: task.id,
        state: TaskState::parse(&task.state).ok_or_else(|| unknown("task state", &task.state))?,
        occasion: task.occasion,
        claimed: task.claimed,
        begun: task.begun,
        dropped_by_rules: task.dropped_by_rules,
        day: task.day,
        opens_at: task.opens_at,
        due_at: task.due_at,
        minutes: task.minutes,
        people: task.people,
        qualification,
        missed_after: task.missed_after,
        containers: task
            .containers
            .and_then(|count| u32::try_from(count).ok())
            .unwrap_or(0),
        microlitres: task.microlitres,
    })
}
