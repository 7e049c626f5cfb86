//! The lease loop, heartbeat and schedule that run queued work.
