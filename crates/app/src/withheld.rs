//! What recalls hold back, from the start of each until it is released.
//!
//! It is found at the moment of asking, from a tray back to all that it came from: a tray that was cut after the start
//! is held back, too, and it costs no more when what is suspect went into very much else. Trays of one sowing are
//! followed back together.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, Utc};
use cotyl_store::traces::{self, Point};
use cotyl_store::{Tx, recalls};
use uuid::Uuid;

use crate::Result;
use crate::traces::Suspect;

/// The recalls that hold something back, each with its start; at least one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct HeldBack(BTreeMap<Uuid, DateTime<Utc>>);

impl HeldBack {
    /// The start of the earliest of them.
    pub fn since(&self) -> DateTime<Utc> {
        self.0
            .values()
            .min()
            .copied()
            .unwrap_or(DateTime::<Utc>::MAX_UTC)
    }

    /// The recalls, in the order of their drafting.
    pub fn by(&self) -> impl Iterator<Item = Uuid> {
        self.0.keys().copied()
    }
}

/// The records that recalls find suspect themselves.
pub(crate) struct Withheld(BTreeMap<Point, HeldBack>);

impl Withheld {
    pub async fn load(tx: &mut Tx) -> Result<Self> {
        let mut suspect: BTreeMap<Point, HeldBack> = BTreeMap::new();
        for recall in recalls::withholding(tx).await? {
            let Some(since) = recall.started_at else {
                continue;
            };
            let everything = traces::Within::everywhere(i64::MAX);
            let of = Suspect::of_recall(&recall)?;
            for point in of.points(tx, recall.suspect_id, everything).await? {
                let held = suspect.entry(point).or_insert(HeldBack(BTreeMap::new()));
                held.0.insert(recall.id, since);
            }
        }
        Ok(Self(suspect))
    }

    /// Whether nothing is held back.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Without the recalls that began at an instant which does not count.
    pub fn counting(mut self, counts: impl Fn(DateTime<Utc>) -> bool) -> Self {
        self.0.retain(|_, held| {
            held.0.retain(|_, since| counts(*since));
            !held.0.is_empty()
        });
        self
    }

    /// How a delivery is held back as a whole.
    pub fn of_delivery(&self, id: Uuid) -> Option<&HeldBack> {
        let kind = "delivery".to_owned();
        self.0.get(&Point { kind, id })
    }

    /// Those of some cuts that are held back, and how.
    pub async fn of_cuts(&self, tx: &mut Tx, cuts: &[Uuid]) -> Result<HashMap<Uuid, HeldBack>> {
        let mut withheld: HashMap<Uuid, HeldBack> = HashMap::new();
        if self.0.is_empty() || cuts.is_empty() {
            return Ok(withheld);
        }
        let suspect: Vec<&Point> = self.0.keys().collect();
        for (cut_id, origin) in traces::suspect_origins(tx, cuts, &suspect).await? {
            if let Some(held) = self.0.get(&origin) {
                let all = withheld.entry(cut_id).or_insert(HeldBack(BTreeMap::new()));
                all.0.extend(&held.0);
            }
        }
        Ok(withheld)
    }
}
