//! Looks over all co-operatives go on past one that cannot be read or written. That is said once, and said again when
//! the cause is another, or when it has lasted for an hour more; and it is said when the co-operative is left out no
//! longer. What was said is kept in the memory of this process.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

use crate::{Error, Result};

/// How long a cause that lasts is not said again.
const QUIET: TimeDelta = TimeDelta::hours(1);

/// A kind of look, and a co-operative.
type Place = (&'static str, Uuid);

/// What was said of the co-operatives that are left out.
#[derive(Debug, Clone, Default)]
pub(crate) struct LeftOut(Arc<Mutex<HashMap<Place, Failing>>>);

/// A co-operative that is left out of a kind of look.
#[derive(Debug)]
struct Failing {
    since: DateTime<Utc>,
    /// The causes of the last look, each with when it was said last.
    said: BTreeMap<String, DateTime<Utc>>,
}

/// One look over all co-operatives.
pub(crate) struct Look<'a> {
    kind: &'static str,
    now: DateTime<Utc>,
    left_out: &'a LeftOut,
    went_well: BTreeSet<Uuid>,
    failed: BTreeMap<Uuid, BTreeSet<String>>,
}

impl LeftOut {
    /// Begins a look of a kind.
    pub fn look(&self, kind: &'static str, now: DateTime<Utc>) -> Look<'_> {
        Look {
            kind,
            now,
            left_out: self,
            went_well: BTreeSet::new(),
            failed: BTreeMap::new(),
        }
    }

    fn kept<R>(&self, with: impl FnOnce(&mut HashMap<Place, Failing>) -> R) -> R {
        with(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Keeps that a co-operative fails for a cause; since when it does, where that is to be said.
    fn fails(&self, place: Place, cause: &str, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        self.kept(|all| {
            let failing = all.entry(place).or_insert_with(|| Failing {
                since: now,
                said: BTreeMap::new(),
            });
            let quiet = failing
                .said
                .get(cause)
                .is_some_and(|said| now - *said < QUIET);
            if quiet {
                return None;
            }
            failing.said.insert(cause.to_owned(), now);
            Some(failing.since)
        })
    }

    /// Forgets the causes that the last look did not meet: should one come back, that is a change.
    fn forget_other_causes(&self, place: Place, met: &BTreeSet<String>) {
        self.kept(|all| {
            if let Some(failing) = all.get_mut(&place) {
                failing.said.retain(|cause, _| met.contains(cause));
            }
        });
    }

    /// Keeps that a co-operative fails no longer; since when it did, if it did.
    fn mended(&self, place: Place) -> Option<DateTime<Utc>> {
        self.kept(|all| all.remove(&place).map(|failing| failing.since))
    }
}

impl Look<'_> {
    /// What the look at one co-operative brought; nothing where it cannot be read or written, which is tried again at
    /// the next look.
    ///
    /// # Errors
    /// [`Error::Unavailable`], which is no fault of the co-operative.
    pub fn brought<T: Default>(&mut self, cooperative_id: Uuid, brought: Result<T>) -> Result<T> {
        match brought {
            Err(error @ Error::Unavailable(_)) => Err(error),
            Err(error) => {
                self.leave_out(cooperative_id, &error);
                Ok(T::default())
            }
            Ok(brought) => {
                self.went_well.insert(cooperative_id);
                Ok(brought)
            }
        }
    }

    fn leave_out(&mut self, cooperative_id: Uuid, error: &Error) {
        let (look, cause) = (self.kind, format!("{error:?}"));
        if let Some(since) = self
            .left_out
            .fails((look, cooperative_id), &cause, self.now)
        {
            tracing::error!(
                %cooperative_id, %since, cause,
                "{look}: a co-operative is left out of each look until this is mended; the same cause is said again after {} minutes",
                QUIET.num_minutes()
            );
        }
        self.failed.entry(cooperative_id).or_default().insert(cause);
    }

    /// Ends the look, and says which co-operatives are left out no longer: those of which all went well.
    pub fn end(self) {
        let look = self.kind;
        for (cooperative_id, met) in &self.failed {
            self.left_out
                .forget_other_causes((look, *cooperative_id), met);
        }
        for cooperative_id in self.went_well {
            if self.failed.contains_key(&cooperative_id) {
                continue;
            }
            if let Some(since) = self.left_out.mended((look, cooperative_id)) {
                tracing::info!(%cooperative_id, %since, "{look}: a co-operative that was left out is looked at again");
            }
        }
    }
}

#[cfg(test)]
mod tests;
