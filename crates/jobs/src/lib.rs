//! The lease loop, heartbeat and schedule that run queued work.
//!
//! A job is leased in one short transaction, worked outside any, and recorded in another. While it is
//! worked, heartbeats extend its lease; when they stop, another worker takes the job, and what the
//! first one brings later is refused.

mod post;
mod solving;
mod worker;

pub use post::{MailServer, Mailer, Post, Security, post_once};
pub use solving::Ended;
pub use worker::{Worker, WorkerSettings, look_once, run_once};
