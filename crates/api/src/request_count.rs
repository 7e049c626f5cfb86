//! How many requests came, by method, path pattern and status.

use std::cell::RefCell;
use std::collections::HashMap;

use actix_web::dev::ServiceResponse;
use metrics::Counter;

/// Most counters kept at hand by a thread; there are about as many as operations and statuses.
const MOST_KEPT: usize = 2000;

thread_local! {
    /// Counters by status, method and path with its ids left out. To find the pattern of a path, the
    /// web library tries the expressions of all operations in turn.
    static KEPT: RefCell<HashMap<String, Counter>> = RefCell::default();
}

/// Counts an answered request.
pub fn count<B>(method: &str, response: &ServiceResponse<B>) {
    let status = response.status().as_u16();
    let mut key = format!("{status} {method}");
    for segment in response.request().path().split('/') {
        key.push('/');
        let is_id = segment.bytes().any(|byte| byte.is_ascii_digit());
        key.push_str(if is_id { "0" } else { segment });
    }
    KEPT.with_borrow_mut(|kept| {
        if let Some(counter) = kept.get(&key) {
            counter.increment(1);
            return;
        }
        let pattern = response.request().match_pattern();
        let known = pattern.is_some();
        let counter = metrics::counter!(
            "cotyl_requests_total",
            "method" => method.to_owned(),
            "path" => pattern.unwrap_or_else(|| "unknown".to_owned()),
            "status" => status.to_string()
        );
        counter.increment(1);
        if known && kept.len() < MOST_KEPT {
            kept.insert(key, counter);
        }
    });
}
