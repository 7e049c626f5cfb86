//! The thread that owns the server process.
//!
//! The kernel's signal on a parent's death comes when the *thread* that started the process ends,
//! so the process is started, watched and stopped by one thread that lasts as long as it does.

use std::path::Path;
use std::process::{Child, Command, ExitStatus};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::error::PrivateError;

/// How often the thread looks whether the server has ended by itself.
const WATCH: Duration = Duration::from_millis(100);

/// How many times [`WATCH`] a fast shutdown may take (one minute) before an immediate one, from
/// which the next start recovers.
const PATIENCE: u32 = 600;

/// A server process and the thread that owns it. Dropping it stops the server.
#[derive(Debug)]
pub(super) struct Supervisor {
    pid: u32,
    stop: Sender<()>,
    thread: Option<JoinHandle<()>>,
    outcome: Arc<Mutex<Option<Outcome>>>,
}

/// How the process ended.
#[derive(Debug, Clone, Copy)]
struct Outcome {
    status: Option<ExitStatus>,
    asked: bool,
}

impl Supervisor {
    /// Starts `command` on a new thread.
    pub(super) fn start(mut command: Command) -> std::io::Result<Self> {
        let (stop, orders) = channel();
        let (report, started) = channel();
        let outcome = Arc::new(Mutex::new(None));
        let result = Arc::clone(&outcome);
        let thread = std::thread::Builder::new()
            .name("cotyl-postgresql".to_owned())
            .spawn(move || {
                match command.spawn() {
                    Ok(mut child) => {
                        // The caller waits for this; if it has gone, so has its sender of orders.
                        let _ = report.send(Ok(child.id()));
                        let end = watch(&mut child, &orders);
                        *result.lock().unwrap_or_else(PoisonError::into_inner) = Some(end);
                    }
                    Err(error) => {
                        let _ = report.send(Err(error));
                    }
                }
            })?;
        let pid = started.recv().map_err(std::io::Error::other)??;
        Ok(Self {
            pid,
            stop,
            thread: Some(thread),
            outcome,
        })
    }

    /// Process id of the server.
    pub(super) fn pid(&self) -> u32 {
        self.pid
    }

    fn outcome(&self) -> Option<Outcome> {
        *self.outcome.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether the process still runs.
    pub(super) fn is_running(&self) -> bool {
        self.outcome().is_none()
    }

    /// How the process ended, in words.
    pub(super) fn ending(&self) -> String {
        match self.outcome() {
            None => "still running".to_owned(),
            Some(Outcome {
                status: Some(status),
                ..
            }) => status.to_string(),
            Some(Outcome { status: None, .. }) => "status unknown".to_owned(),
        }
    }

    fn end(&mut self) {
        // Fails when the thread has already ended, which is what is wanted.
        let _ = self.stop.send(());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }

    /// Stops the process and waits for its end.
    pub(super) fn stop(mut self, data_dir: &Path) -> Result<(), PrivateError> {
        self.end();
        match self.outcome() {
            Some(Outcome {
                status: Some(status),
                asked: true,
            }) if status.success() => Ok(()),
            _ => Err(PrivateError::Ended {
                status: self.ending(),
                data_dir: data_dir.to_owned(),
                output: "it did not end by a clean shutdown".to_owned(),
            }),
        }
    }
}

impl Drop for Supervisor {
    fn drop(&mut self) {
        self.end();
    }
}

/// Waits for the end of `child`, asking it to end when an order comes or nobody can give one.
fn watch(child: &mut Child, orders: &Receiver<()>) -> Outcome {
    loop {
        match child.try_wait() {
            Ok(None) => {}
            Ok(Some(status)) => {
                return Outcome {
                    status: Some(status),
                    asked: false,
                };
            }
            Err(_) => {
                return Outcome {
                    status: None,
                    asked: false,
                };
            }
        }
        match orders.recv_timeout(WATCH) {
            Err(RecvTimeoutError::Timeout) => {}
            Ok(()) | Err(RecvTimeoutError::Disconnected) => break,
        }
    }
    // A fast shutdown: connections are ended, data is written out.
    signal(child, Signal::SIGINT);
    let step = Duration::from_millis(5);
    let steps = PATIENCE * (WATCH.as_millis() / step.as_millis()) as u32;
    for _ in 0..steps {
        match child.try_wait() {
            Ok(None) => std::thread::sleep(step),
            Ok(status) => {
                return Outcome {
                    status,
                    asked: true,
                };
            }
            Err(_) => {
                return Outcome {
                    status: None,
                    asked: true,
                };
            }
        }
    }
    tracing::warn!("the private PostgreSQL server did not stop within a minute; it is made to");
    signal(child, Signal::SIGQUIT);
    Outcome {
        status: child.wait().ok(),
        asked: true,
    }
}

/// Sends a signal to a child that has not been waited for, so the process id is still its own.
fn signal(child: &Child, signal: Signal) {
    if let Ok(pid) = i32::try_from(child.id())
        && let Err(error) = kill(Pid::from_raw(pid), signal)
    {
        tracing::warn!(%error, "could not signal the private PostgreSQL server");
    }
}
