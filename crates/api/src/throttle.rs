//! Limits on sign-in and token paths, by address tried and by where the request comes from.

use std::num::NonZeroU32;
use std::time::Duration;

use actix_web::HttpRequest;
use governor::clock::{Clock, DefaultClock};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};

use crate::problem::Problem;

/// Counts attempts.
pub struct Throttle {
    by_key: DefaultKeyedRateLimiter<String>,
    clock: DefaultClock,
}

impl Throttle {
    /// Allows `burst` attempts at once and one more every `refill`.
    pub fn new(burst: NonZeroU32, refill: Duration) -> Self {
        let quota = Quota::with_period(refill)
            .unwrap_or(Quota::per_minute(burst))
            .allow_burst(burst);
        Self {
            by_key: RateLimiter::keyed(quota),
            clock: DefaultClock::default(),
        }
    }

    /// Counts an attempt on something (an address, a token's beginning) from somewhere.
    ///
    /// # Errors
    /// 429 with the seconds to wait.
    pub fn attempt(&self, request: &HttpRequest, on: &str) -> Result<(), Problem> {
        // forget those who have long been quiet, so that memory stays bounded
        if self.by_key.len() > 10_000 {
            self.by_key.retain_recent();
        }
        let from = request
            .peer_addr()
            .map(|address| address.ip().to_string())
            .unwrap_or_default();
        for key in [format!("from {from}"), format!("on {}", on.to_lowercase())] {
            if let Err(not_before) = self.by_key.check_key(&key) {
                let seconds = not_before.wait_time_from(self.clock.now()).as_secs() + 1;
                return Err(cotyl_app::Error::Throttled { seconds }.into());
            }
        }
        Ok(())
    }
}
