//! The loop that takes jobs and tidies up.

use std::future::Future;
use std::time::Duration;

use cotyl_app::jobs::{LeasedJob, SITE_WORK_JOB};
use cotyl_app::{App, Error, Result};
use futures::StreamExt;
use futures::future::join;
use futures::stream::FuturesUnordered;
use tokio::sync::watch;
use tokio::time::{MissedTickBehavior, interval, sleep};

use crate::solving::{Ended, work_on};

/// How a worker goes about it.
#[derive(Debug, Clone)]
pub struct WorkerSettings {
    /// Jobs worked at the same time; each takes a processor core.
    pub at_once: usize,
    /// Pause after a look into an empty queue.
    pub poll: Duration,
    /// Pause between heartbeats, much shorter than a lease; a wish to stop is seen, and progress is
    /// told, this often.
    pub beat: Duration,
    /// Pause between tidyings.
    pub tidy: Duration,
    /// Pause between looks for sites whose day has begun.
    pub schedule: Duration,
    /// Pause between looks for claims that were not begun in time.
    pub lapse: Duration,
}

impl Default for WorkerSettings {
    fn default() -> Self {
        Self {
            at_once: 1,
            poll: Duration::from_millis(300),
            beat: Duration::from_secs(2),
            tidy: Duration::from_secs(3600),
            schedule: Duration::from_secs(60),
            lapse: Duration::from_secs(60),
        }
    }
}

/// Takes jobs until it is told to stop.
pub struct Worker {
    app: App,
    settings: WorkerSettings,
}

impl Worker {
    /// A worker over an application.
    pub fn new(app: App, settings: WorkerSettings) -> Self {
        Self { app, settings }
    }

    /// Takes jobs until `shutdown` comes; jobs under way then go back into the queue. Plans are
    /// solved on threads of their own, so this holds up nothing on the thread it runs on. Looks at
    /// sites go beside them, and never wait for a plan.
    pub async fn run(&self, shutdown: impl Future<Output = ()>) {
        let (go_home, going_home) = watch::channel(false);
        let plans = async {
            self.run_plans(shutdown).await;
            // a closed channel tells the same, should nobody be listening any more
            let _ = go_home.send(true);
        };
        join(plans, self.run_site_work(going_home)).await;
    }

    /// Looks at sites, one after another, and queues those whose day has begun.
    async fn run_site_work(&self, mut going_home: watch::Receiver<bool>) {
        let mut schedule = interval(self.settings.schedule);
        schedule.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut pause = Duration::ZERO;
        loop {
            tokio::select! {
                biased;
                _ = going_home.wait_for(|home| *home) => return,
                _ = schedule.tick() => self.queue_due_looks().await,
                () = sleep(pause) => pause = self.look_at_next_site().await,
            }
        }
    }

    async fn queue_due_looks(&self) {
        match self.app.queue_due_looks().await {
            Ok(0) => {}
            Ok(sites) => tracing::info!(sites, "the work of sites is to be looked at"),
            Err(error) => tracing::warn!(cause = ?error, "no site is queued for its day"),
        }
    }

    /// Looks at the site that waits longest; the pause before the next.
    async fn look_at_next_site(&self) -> Duration {
        match self.app.lease_site_work().await {
            Ok(Some(job)) => {
                let ended = look_at_site(&self.app, &job).await;
                tell(&job.id.to_string(), &job.kind, ended);
                Duration::ZERO
            }
            Ok(None) => self.settings.poll,
            Err(error) => {
                tracing::warn!(cause = ?error, "no look into the queue");
                self.settings.poll * 10
            }
        }
    }

    async fn run_plans(&self, shutdown: impl Future<Output = ()>) {
        let (go_home, going_home) = watch::channel(false);
        let mut under_way = FuturesUnordered::new();
        let mut tidying = interval(self.settings.tidy);
        let mut lapsing = interval(self.settings.lapse);
        let mut look = Box::pin(self.look(Duration::ZERO));
        tokio::pin!(shutdown);
        loop {
            tokio::select! {
                () = &mut shutdown => break,
                _ = tidying.tick() => self.tidy().await,
                _ = lapsing.tick() => {
                    self.free_lapsed_claims().await;
                    self.follow_keys().await;
                }
                Some(()) = under_way.next(), if !under_way.is_empty() => {}
                job = &mut look, if under_way.len() < self.settings.at_once.max(1) => {
                    let pause = if let Some(job) = job {
                        under_way.push(self.work(job, going_home.clone()));
                        Duration::ZERO
                    } else {
                        self.settings.poll
                    };
                    look = Box::pin(self.look(pause));
                }
            }
        }
        // a closed channel tells the same, should nobody be listening any more
        let _ = go_home.send(true);
        while under_way.next().await.is_some() {}
    }

    /// The next job, if there is one after a pause.
    async fn look(&self, pause: Duration) -> Option<LeasedJob> {
        sleep(pause).await;
        match self.app.lease_job().await {
            Ok(job) => job,
            Err(error) => {
                tracing::warn!(cause = ?error, "no look into the queue");
                sleep(self.settings.poll * 10).await;
                None
            }
        }
    }

    async fn work(&self, job: LeasedJob, going_home: watch::Receiver<bool>) {
        let ended = work_on(&self.app, &job, self.settings.beat, going_home).await;
        tell(&job.id.to_string(), &job.kind, ended);
    }

    async fn free_lapsed_claims(&self) {
        match self.app.free_lapsed_claims().await {
            Ok(0) => {}
            Ok(tasks) => tracing::info!(tasks, "claims that were not begun in time came free"),
            Err(error) => tracing::warn!(cause = ?error, "lapsed claims are not ended"),
        }
    }

    async fn follow_keys(&self) {
        match self.app.follow_keys().await {
            Ok(false) => {}
            Ok(true) => tracing::info!("signing with a new key from now on"),
            Err(error) => tracing::warn!(cause = ?error, "no look for new keys"),
        }
    }

    async fn tidy(&self) {
        match self.app.forget_old_answers().await {
            Ok(0) => {}
            Ok(forgotten) => tracing::info!(forgotten, "old answers are forgotten"),
            Err(error) => tracing::warn!(cause = ?error, "old answers are not forgotten"),
        }
        if let Err(error) = self.app.forget_old_looks().await {
            tracing::warn!(cause = ?error, "old looks at sites are not forgotten");
        }
    }
}

fn tell(job: &str, kind: &str, ended: Result<Ended>) {
    let word = match &ended {
        Ok(Ended::Recorded) => "recorded",
        Ok(Ended::LeaseLost) => "lease_lost",
        Ok(Ended::PutBack) => "put_back",
        Err(_) => "error",
    };
    metrics::counter!("cotyl_jobs_total", "kind" => kind.to_owned(), "ended" => word).increment(1);
    match ended {
        // there is one for nearly every change at a site
        Ok(_) if kind == SITE_WORK_JOB => tracing::debug!(job, kind, ended = word, "a job ended"),
        Ok(_) => tracing::info!(job, kind, ended = word, "a job ended"),
        Err(error) => {
            tracing::warn!(job, kind, cause = ?error, "a job broke off; it is taken again")
        }
    }
}

/// Takes one job, if there is one, and works it to its end.
///
/// # Errors
/// Those of the database.
pub async fn run_once(app: &App) -> Result<Option<Ended>> {
    let Some(job) = app.lease_job().await? else {
        return Ok(None);
    };
    let (_stay, going_home) = watch::channel(false);
    let beat = WorkerSettings::default().beat;
    work_on(app, &job, beat, going_home).await.map(Some)
}

/// Looks at one site that waits for it, if there is one.
///
/// # Errors
/// Those of the database.
pub async fn look_once(app: &App) -> Result<Option<Ended>> {
    let Some(job) = app.lease_site_work().await? else {
        return Ok(None);
    };
    look_at_site(app, &job).await.map(Some)
}

async fn look_at_site(app: &App, job: &LeasedJob) -> Result<Ended> {
    let mine = match app.work_on_site(job).await {
        Ok(mine) => mine,
        // the database may come back: the lease runs out and the job is taken again
        Err(error @ (Error::Unavailable(_) | Error::Contended(_))) => return Err(error),
        Err(error) => {
            tracing::error!(job = %job.id, cause = ?error, "the work of a site cannot be told");
            let failure = "what the work of the site follows from cannot be read";
            app.fail_job(job, failure).await?
        }
    };
    Ok(if mine {
        Ended::Recorded
    } else {
        Ended::LeaseLost
    })
}
