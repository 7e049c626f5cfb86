//! The job of solving a plan, as a worker does it: read, work out, record.

use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::atomic::{AtomicBool, Ordering};

use chrono::Days;
use cotyl_planner::{Control, Progress};
use cotyl_store::plans::{self, Solved};
use cotyl_store::{Scope, jobs, season};
use serde::Deserialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::answer::{Hold, KeptAnswer, Search, WorkError, work_out};
use super::goods;
use super::season::Season;
use crate::jobs::{JobEnd, LeasedJob};
use crate::{App, Error, Result};

/// What a worker needs to solve a plan; it holds no connection.
#[derive(Debug, Clone)]
pub struct PlanWork {
    /// The plan.
    pub plan_id: Uuid,
    /// What it is made from.
    pub season: Season,
    /// How far everything had come then.
    pub inputs: Value,
    /// How it is to be worked out.
    pub search: Search,
    /// Longest solving.
    pub time_limit_seconds: u64,
}

impl PlanWork {
    /// Works the plan out; long.
    ///
    /// # Errors
    /// [`WorkError`].
    pub fn work_out(&self, reins: &Reins) -> std::result::Result<KeptAnswer, WorkError> {
        work_out(&self.season, self.search, reins)
    }
}

/// What holds a running solve: flags to stop it or its widening, and the progress it last told.
#[derive(Debug, Default)]
pub struct Reins {
    stop: AtomicBool,
    stop_widening: AtomicBool,
    progress: Mutex<Option<Progress>>,
}

impl Reins {
    /// Ends the solve soon, with the best plan so far.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Ends the widening by a margin soon, or before it begins.
    pub fn stop_widening(&self) {
        self.stop_widening.store(true, Ordering::Relaxed);
    }

    /// The last progress, in the form in which it is kept.
    pub fn progress(&self) -> Option<Value> {
        let last = *self.progress.lock().unwrap_or_else(PoisonError::into_inner);
        last.map(|progress| {
            let objective = progress.objective.is_finite().then_some(progress.objective);
            json!({
                "objective": objective, "bound": progress.bound.max(0.0), "work_done": progress.work_done,
                "work": progress.work, "pledged_grams": progress.pledged_grams,
            })
        })
    }
}

impl Control for Reins {
    fn should_stop(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    fn progress(&self, progress: &Progress) {
        *self.progress.lock().unwrap_or_else(PoisonError::into_inner) = Some(*progress);
    }
}

impl Hold for Reins {
    fn should_stop_widening(&self) -> bool {
        self.should_stop() || self.stop_widening.load(Ordering::Relaxed)
    }
}

#[derive(Deserialize)]
struct PlanPayload {
    plan_id: Uuid,
}

impl App {
    /// Reads what a plan is made from, in one snapshot, and notes that work has begun.
    ///
    /// # Errors
    /// Those of the database, and data that this version cannot read.
    pub async fn begin_plan_work(&self, job: &LeasedJob) -> Result<PlanWork> {
        let payload: PlanPayload =
            serde_json::from_value(job.payload.clone()).map_err(Error::internal)?;
        let scope = Scope::Cooperative(job.cooperative_id);
        let (mut work, doses) = self
            .store()
            .read(scope, async |tx| {
                let plan = super::request::get(tx, payload.plan_id).await?;
                let fields = &plan.fields;
                let weeks = u32::try_from(fields.weeks).unwrap_or(1);
                let now = self.clock().now();
                let mut season = super::load(tx, fields.first_monday, weeks, now).await?;
                let until = season.end() - Days::new(1);
                let (goods, doses) = goods::read(tx, until, fields.count_stock, now)
                    .await?
                    .unzip();
                season.goods = goods;
                let inputs = season::inputs(tx).await?;
                let work = PlanWork {
                    plan_id: plan.id,
                    season,
                    inputs: json!(inputs),
                    search: Search {
                        seed: u64::try_from(fields.seed).unwrap_or_default(),
                        work: u64::try_from(fields.work_limit).unwrap_or_default(),
                        wanted_chance_permille: fields.wanted_chance_permille.map(i64::from),
                    },
                    time_limit_seconds: u64::try_from(fields.time_limit_seconds).unwrap_or(1),
                };
                Ok::<_, Error>((work, doses.unwrap_or_default()))
            })
            .await?;
        if let Some(mut goods) = work.season.goods.take() {
            let dosed = tokio::task::spawn_blocking(move || {
                goods.dose(&doses);
                goods
            });
            work.season.goods = Some(dosed.await.map_err(Error::internal)?);
        }
        self.store()
            .write("begin_plan_work", scope, async |tx| {
                Ok::<_, Error>(plans::set_solving(tx, work.plan_id).await?)
            })
            .await?;
        Ok(work)
    }

    /// Records how the work on a plan ended, if the lease is still the worker's; otherwise nothing
    /// happens and `false` comes back. `None` stands for a plan that someone cancelled.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn record_plan_work(
        &self,
        job: &LeasedJob,
        work: &PlanWork,
        outcome: Option<&std::result::Result<KeptAnswer, WorkError>>,
    ) -> Result<bool> {
        let failure = match outcome {
            Some(Err(error)) => Some(error.to_string()),
            _ => None,
        };
        let solved = match outcome {
            Some(Ok(answer)) => Some(Solved {
                inputs: work.inputs.clone(),
                season: serde_json::to_value(&work.season).map_err(Error::internal)?,
                answer: serde_json::to_value(answer).map_err(Error::internal)?,
                objective_e4: answer.objective_e4,
                bound_e4: answer.bound_e4,
            }),
            _ => None,
        };
        let end = match outcome {
            None => JobEnd::Cancelled,
            Some(Ok(_)) => JobEnd::Done,
            Some(Err(_)) => JobEnd::Failed,
        };
        let scope = Scope::Cooperative(job.cooperative_id);
        self.store()
            .write("record_plan_work", scope, async |tx| {
                let now = self.clock().now();
                // the plan first, then the job: the order of locks
                super::request::lock(tx, work.plan_id).await?;
                let mine =
                    jobs::finish(tx, job.id, job.lease_id, end, failure.as_deref(), now).await?;
                if !mine {
                    return Ok(false);
                }
                match (&solved, end) {
                    (Some(solved), _) => plans::set_solved(tx, work.plan_id, solved, now).await?,
                    (None, JobEnd::Cancelled) => {
                        plans::set_ended(tx, work.plan_id, "cancelled", None).await?;
                    }
                    (None, _) => {
                        plans::set_ended(tx, work.plan_id, "failed", failure.as_deref()).await?;
                    }
                }
                Ok(true)
            })
            .await
    }
}
