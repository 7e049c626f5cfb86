//! What recalls hold back, from the start of each until it is released.
//!
//! It is found at the moment of asking, from a tray back to all that it came from: a tray that was cut after the start
//! is held back, too, and it costs no more when what is suspect went into very much else.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, Utc};
use cotyl_store::traces::{self, Point};
use cotyl_store::{Tx, recalls};
use uuid::Uuid;

use crate::Result;
use crate::traces::Suspect;

/// The records that recalls find suspect themselves, each with the start of the earliest of these recalls.
pub(crate) struct Withheld(BTreeMap<Point, DateTime<Utc>>);

impl Withheld {
    pub async fn load(tx: &mut Tx) -> Result<Self> {
        let mut suspect: BTreeMap<Point, DateTime<Utc>> = BTreeMap::new();
        for recall in recalls::withholding(tx).await? {
            let Some(since) = recall.started_at else {
                continue;
            };
            let everything = traces::Within::everywhere(i64::MAX);
            let of = Suspect::of_recall(&recall)?;
            for point in of.points(tx, recall.suspect_id, everything).await? {
                let earliest = suspect.entry(point).or_insert(since);
                *earliest = since.min(*earliest);
            }
        }
        Ok(Self(suspect))
    }

    /// Without the recalls that began at an instant which does not count.
    pub fn counting(mut self, counts: impl Fn(DateTime<Utc>) -> bool) -> Self {
        self.0.retain(|_, since| counts(*since));
        self
    }

    /// Since when a delivery is held back as a whole.
    pub fn of_delivery(&self, id: Uuid) -> Option<DateTime<Utc>> {
        let kind = "delivery".to_owned();
        self.0.get(&Point { kind, id }).copied()
    }

    /// Those of some cuts that are held back, and since when.
    pub async fn of_cuts(
        &self,
        tx: &mut Tx,
        cuts: &[Uuid],
    ) -> Result<HashMap<Uuid, DateTime<Utc>>> {
        let mut withheld = HashMap::new();
        if self.0.is_empty() || cuts.is_empty() {
            return Ok(withheld);
        }
        for (cut_id, origin) in traces::origins(tx, cuts).await? {
            if let Some(since) = self.0.get(&origin) {
                let earliest = withheld.entry(cut_id).or_insert(*since);
                *earliest = (*since).min(*earliest);
            }
        }
        Ok(withheld)
    }
}
