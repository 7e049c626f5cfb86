//! Holding queued work: leases, heartbeats, and what is tidied now and then. The loop that drives
//! these is not here.

use chrono::TimeDelta;
use cotyl_store::jobs::Lane;
use cotyl_store::{Scope, idempotency, jobs, plans};
use serde_json::Value;

pub use cotyl_store::jobs::{JobEnd, LeasedJob, SITE_WORK_JOB};

use crate::{App, Result};

/// How long a lease lasts without a heartbeat.
pub const LEASE: TimeDelta = TimeDelta::seconds(30);
/// How long answers are kept under their idempotency keys.
pub const ANSWERS_KEPT: TimeDelta = TimeDelta::hours(48);

const GIVEN_UP: &str = "the work was begun several times and never came to its end";

impl App {
    /// Takes the next job but a look at a site, if there is one; jobs that were begun too often are
    /// given up on the way.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn lease_job(&self) -> Result<Option<LeasedJob>> {
        self.lease_of(Lane::Plans).await
    }

    /// Takes the next look at a site, if there is one.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn lease_site_work(&self) -> Result<Option<LeasedJob>> {
        self.lease_of(Lane::SiteWork).await
    }

    async fn lease_of(&self, lane: Lane) -> Result<Option<LeasedJob>> {
        self.store()
            .write("lease_job", Scope::System, async |tx| {
                let now = self.clock().now();
                let given_up = jobs::give_up(tx, GIVEN_UP, now).await?;
                plans::fail_of_jobs(tx, &given_up, GIVEN_UP).await?;
                Ok(jobs::lease(tx, lane, self.new_id(), now, now + LEASE).await?)
            })
            .await
    }

    /// Extends the lease and keeps the progress; `None` when the lease is lost, otherwise whether
    /// someone wants the job stopped.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn beat_job(
        &self,
        job: &LeasedJob,
        progress: Option<&Value>,
    ) -> Result<Option<bool>> {
        self.store()
            .write("beat_job", Scope::System, async |tx| {
                let until = self.clock().now() + LEASE;
                Ok(jobs::beat(tx, job.id, job.lease_id, until, progress).await?)
            })
            .await
    }

    /// Puts a job back into the queue for another worker.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn put_back_job(&self, job: &LeasedJob) -> Result<bool> {
        self.store()
            .write("put_back_job", Scope::System, async |tx| {
                Ok(jobs::put_back(tx, job.id, job.lease_id).await?)
            })
            .await
    }

    /// Ends a job of a kind that this version does not know.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn fail_job(&self, job: &LeasedJob, failure: &str) -> Result<bool> {
        self.store()
            .write("fail_job", Scope::System, async |tx| {
                let now = self.clock().now();
                let mine =
                    jobs::finish(tx, job.id, job.lease_id, JobEnd::Failed, Some(failure), now)
                        .await?;
                if mine {
                    plans::fail_of_jobs(tx, &[job.id], failure).await?;
                }
                Ok(mine)
            })
            .await
    }

    /// Forgets the answers of requests whose idempotency keys have run out; how many.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn forget_old_answers(&self) -> Result<u64> {
        self.store()
            .write("forget_old_answers", Scope::System, async |tx| {
                let oldest = self.clock().now() - ANSWERS_KEPT;
                Ok(idempotency::forget_before(tx, oldest).await?)
            })
            .await
    }
}
