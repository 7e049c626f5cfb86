//! Time as an argument: the only place in the cores that may name the system clock.

use chrono::{DateTime, SubsecRound, Utc};

/// Tells the time; tests pass a fixed one.
pub trait Clock: Send + Sync {
    /// The present instant, cut to the microseconds that PostgreSQL keeps.
    fn now(&self) -> DateTime<Utc>;
}

/// The machine's clock.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    #[allow(clippy::disallowed_methods)] // the one reading of the system clock
    fn now(&self) -> DateTime<Utc> {
        Utc::now().trunc_subsecs(6)
    }
}
