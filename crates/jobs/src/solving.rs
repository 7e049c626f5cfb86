//! One job, from its lease to its end.

use std::sync::Arc;
use std::time::Duration;

use cotyl_app::jobs::LeasedJob;
use cotyl_app::plans::PLAN_JOB;
use cotyl_app::plans::answer::{KeptAnswer, WorkError};
use cotyl_app::plans::work::{PlanWork, Reins};
use cotyl_app::{App, Error, Result};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::{MissedTickBehavior, interval, sleep};

/// How the work on a job ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// Its end was recorded.
    Recorded,
    /// The lease was lost to another worker, and the result refused.
    LeaseLost,
    /// It went back into the queue.
    PutBack,
}

/// Why a solve was told to stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Halt {
    Cancelled,
    LeaseLost,
    GoingHome,
}

/// Share of a plan's time after which it is not widened any more, so that what would help is found in the rest.
const WIDENING_SHARE: f64 = 0.6;

type Solve = JoinHandle<std::result::Result<KeptAnswer, WorkError>>;

/// Works a job to its end.
pub(crate) async fn work_on(
    app: &App,
    job: &LeasedJob,
    beat: Duration,
    going_home: watch::Receiver<bool>,
) -> Result<Ended> {
    if job.kind != PLAN_JOB {
        let failure = format!("this version knows no work called {}", job.kind);
        return Ok(recorded(app.fail_job(job, &failure).await?));
    }
    let work = match app.begin_plan_work(job).await {
        Ok(work) => work,
        // the database may come back: the lease runs out and the job is taken again
        Err(error @ (Error::Unavailable(_) | Error::Contended(_))) => return Err(error),
        Err(error) => {
            tracing::error!(job = %job.id, cause = ?error, "a plan cannot be begun");
            let failure = "what the plan would be made from cannot be read";
            return Ok(recorded(app.fail_job(job, failure).await?));
        }
    };
    if job.cancel_requested {
        return Ok(recorded(app.record_plan_work(job, &work, None).await?));
    }
    solve_plan(app, job, work, beat, going_home).await
}

/// Ends the widening, and then the solve, when their time is over.
async fn keep_time(reins: &Reins, time: Duration) {
    let widening = time.mul_f64(WIDENING_SHARE);
    sleep(widening).await;
    reins.stop_widening();
    sleep(time.saturating_sub(widening)).await;
    reins.stop();
}

async fn solve_plan(
    app: &App,
    job: &LeasedJob,
    work: PlanWork,
    beat: Duration,
    mut going_home: watch::Receiver<bool>,
) -> Result<Ended> {
    let (work, reins) = (Arc::new(work), Arc::new(Reins::default()));
    let mut solve: Solve = tokio::task::spawn_blocking({
        let (work, reins) = (Arc::clone(&work), Arc::clone(&reins));
        move || work.work_out(&reins)
    });
    let time = keep_time(&reins, Duration::from_secs(work.time_limit_seconds));
    tokio::pin!(time);
    let mut in_time = true;
    let mut beats = interval(beat);
    beats.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut halt = None;
    let outcome = loop {
        tokio::select! {
            outcome = &mut solve => break outcome,
            () = &mut time, if in_time => in_time = false,
            _ = beats.tick(), if halt != Some(Halt::LeaseLost) => {
                match app.beat_job(job, reins.progress().as_ref()).await {
                    Ok(Some(false)) => {}
                    Ok(Some(true)) => halt = Some(Halt::Cancelled),
                    Ok(None) => halt = Some(Halt::LeaseLost),
                    Err(error) => tracing::warn!(job = %job.id, cause = ?error, "no heartbeat"),
                }
            }
            changed = going_home.changed(), if halt.is_none() => {
                if changed.is_err() || *going_home.borrow() {
                    halt = Some(Halt::GoingHome);
                }
            }
        }
        if halt.is_some() {
            reins.stop();
        }
    };
    let outcome = match outcome {
        Ok(outcome) => outcome,
        Err(broken) => {
            tracing::error!(job = %job.id, cause = %broken, "the planner broke off");
            return Ok(recorded(app.fail_job(job, "the planner broke off").await?));
        }
    };
    let halt = match halt {
        Some(halt) => Some(halt),
        None => last_beat(app, job, &reins).await?,
    };
    match halt {
        Some(Halt::LeaseLost) => Ok(Ended::LeaseLost),
        Some(Halt::GoingHome) => Ok(if app.put_back_job(job).await? {
            Ended::PutBack
        } else {
            Ended::LeaseLost
        }),
        Some(Halt::Cancelled) => Ok(recorded(app.record_plan_work(job, &work, None).await?)),
        None => Ok(recorded(
            app.record_plan_work(job, &work, Some(&outcome)).await?,
        )),
    }
}

/// Tells the last progress, and hears a wish to stop that came after the heartbeat before.
async fn last_beat(app: &App, job: &LeasedJob, reins: &Reins) -> Result<Option<Halt>> {
    Ok(match app.beat_job(job, reins.progress().as_ref()).await? {
        None => Some(Halt::LeaseLost),
        Some(true) => Some(Halt::Cancelled),
        Some(false) => None,
    })
}

fn recorded(mine: bool) -> Ended {
    if mine {
        Ended::Recorded
    } else {
        Ended::LeaseLost
    }
}
