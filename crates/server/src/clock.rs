//! The one reading of the system's clock.

use chrono::{DateTime, SubsecRound, Utc};
use cotyl_domain::Clock;

/// The machine's clock.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    #[allow(clippy::disallowed_methods)] // everywhere else time is an argument
    fn now(&self) -> DateTime<Utc> {
        Utc::now().trunc_subsecs(6)
    }
}
