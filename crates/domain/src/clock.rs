//! Time as an argument: only the server reads the system's clock.

use chrono::{DateTime, Utc};

/// Tells the time; tests pass a fixed one.
pub trait Clock: Send + Sync {
    /// The present instant, cut to the microseconds that PostgreSQL keeps.
    fn now(&self) -> DateTime<Utc>;
}
