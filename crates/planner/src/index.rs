//! The problem in numbers: stations merged into classes, crops into produce signatures, arcs by slot.
//!
//! Model sections "sets and time" and "two merges that lose nothing". Stations of a class whose
//! taken places all start at slot 0 are merged; any other station is a class of its own. Crops of a
//! site that may serve the same targets share one signature.

use std::ops::Range;

use crate::problem::Arc;
use crate::programme::Programme;

/// A limit that never binds; sums of it stay within `i64`.
pub(crate) const UNLIMITED: i64 = i64::MAX / 4;

/// Arcs grouped by the slot they start on.
#[derive(Debug, Default)]
pub(crate) struct Arcs {
    start: Vec<u32>,
    /// Slot each arc ends on.
    pub(crate) to: Vec<u32>,
    pub(crate) permille: Vec<i64>,
}

impl Arcs {
    /// Group arcs of a site with a number of slots.
    pub(crate) fn new(slots: usize, arcs: &[Arc]) -> Self {
        let mut sorted: Vec<&Arc> = arcs.iter().collect();
        sorted.sort_by_key(|arc| (arc.from, arc.to));
        let mut start = vec![0_u32; slots + 1];
        for arc in &sorted {
            start[arc.from + 1] += 1;
        }
        for j in 0..slots {
            start[j + 1] += start[j];
        }
        Self {
            start,
            to: sorted.iter().map(|arc| arc.to as u32).collect(),
            permille: sorted.iter().map(|arc| arc.permille).collect(),
        }
    }

    /// Indexes of the arcs that start on a slot.
    pub(crate) fn from(&self, slot: usize) -> Range<usize> {
        self.start[slot] as usize..self.start[slot + 1] as usize
    }

    /// The arc between two slots.
    pub(crate) fn find(&self, from: usize, to: usize) -> Option<usize> {
        if from + 1 >= self.start.len() {
            return None;
        }
        self.from(from).find(|&arc| self.to[arc] as usize == to)
    }
}

/// A crop as it grows in a merged class.
#[derive(Debug)]
pub(crate) struct Row {
    pub(crate) class: usize,
    pub(crate) crop: usize,
    pub(crate) site: usize,
    pub(crate) signature: usize,
    /// Batch of slot s is `batch_base + s`.
    pub(crate) batch_base: usize,
    pub(crate) first: Arcs,
    pub(crate) again: Arcs,
    /// Decigrams a container of each `first` arc.
    pub(crate) first_dg: Vec<i64>,
    /// Decigrams of cut 2, 3, ... by `again` arc.
    pub(crate) again_dg: Vec<Vec<i64>>,
    pub(crate) free_at: Vec<u32>,
    pub(crate) sow_minutes10: i64,
    pub(crate) cut_minutes10: i64,
    pub(crate) clean_minutes10: i64,
    pub(crate) sow_mix_dl: i64,
    pub(crate) cut_mix_dl: i64,
    /// Units of a good per container.
    pub(crate) uses: Vec<(usize, i64)>,
    /// Shares this harvest counts in: (share, in the part, in the whole).
    pub(crate) shares: Vec<(usize, bool, bool)>,
}

impl Row {
    /// Most cuts of a sowing.
    pub(crate) fn most_cuts(&self) -> usize {
        self.again_dg.len() + 1
    }
}

/// A site.
#[derive(Debug)]
pub(crate) struct SiteIndex {
    pub(crate) week: Vec<usize>,
    pub(crate) harvest_week: Vec<Option<usize>>,
    /// Tenths of a minute left by committed work, per week.
    pub(crate) minutes10: Vec<Option<i64>>,
    pub(crate) mixing_dl: Vec<Option<i64>>,
    pub(crate) most_sowings: Vec<Option<i64>>,
}

/// Stations alike, merged.
#[derive(Debug)]
pub(crate) struct ClassIndex {
    pub(crate) site: usize,
    /// Index in the problem's stations.
    pub(crate) stations: Vec<usize>,
    /// Places free per slot.
    pub(crate) places: Vec<i64>,
    /// Rows of this class.
    pub(crate) rows: Range<usize>,
    /// Most work and mixing that one job on one day takes per container.
    pub(crate) most_minutes10: i64,
    pub(crate) most_mix_dl: i64,
    /// Slots of all classes before this one.
    pub(crate) slot_base: usize,
}

/// A target.
#[derive(Debug)]
pub(crate) struct TargetIndex {
    pub(crate) pledge_dg: Vec<i64>,
    /// Upper ends of the shortfall bands, in decigrams, by week and band.
    pub(crate) tops: Vec<i64>,
    /// Ten-thousandths of a point per decigram short, by band.
    pub(crate) worth: Vec<i64>,
    pub(crate) signatures: Vec<usize>,
}

impl TargetIndex {
    /// Upper ends of the shortfall bands of a week, in decigrams.
    pub(crate) fn band_tops(&self, week: usize) -> impl Iterator<Item = i64> {
        let bands = self.worth.len();
        self.tops[week * bands..(week + 1) * bands].iter().copied()
    }
}

/// A consumable that can run out.
#[derive(Debug)]
pub(crate) struct Good {
    /// Index in the problem's consumables.
    pub(crate) consumable: usize,
    pub(crate) stock: i64,
    /// Ten-thousandths of a point per unit bought.
    pub(crate) price_e4: i64,
    pub(crate) lead_weeks: usize,
    pub(crate) most_per_week: i64,
}

/// A batch: class, crop and sow slot.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Batch {
    pub(crate) least: i64,
    pub(crate) adopted: i64,
}

/// A share over rolling runs of weeks.
#[derive(Debug)]
pub(crate) struct ShareIndex {
    pub(crate) least: i64,
    pub(crate) most: i64,
    pub(crate) weeks: usize,
    pub(crate) from_week: usize,
    /// Committed decigrams of the part and of the whole, per week.
    pub(crate) part_dg: Vec<i64>,
    pub(crate) whole_dg: Vec<i64>,
}

/// The whole problem in numbers.
#[derive(Debug)]
pub(crate) struct Index {
    pub(crate) weeks: usize,
    pub(crate) sites: Vec<SiteIndex>,
    pub(crate) classes: Vec<ClassIndex>,
    pub(crate) rows: Vec<Row>,
    /// What the pricing of each class runs over.
    pub(crate) programmes: Vec<Programme>,
    /// Targets each signature may serve.
    pub(crate) signatures: Vec<Vec<usize>>,
    pub(crate) targets: Vec<TargetIndex>,
    /// Committed decigrams by signature and week.
    pub(crate) committed_dg: Vec<i64>,
    /// Committed decigrams that serve no target, per week.
    pub(crate) unwanted_dg: Vec<i64>,
    /// Cumulative shares of the bands.
    pub(crate) band_permille: Vec<i64>,
    pub(crate) goods: Vec<Good>,
    pub(crate) batches: Vec<Batch>,
    pub(crate) shares: Vec<ShareIndex>,
    /// Cost no plan can change.
    pub(crate) base_e4: i64,
    /// Per decigram of surplus.
    pub(crate) surplus_e4: i64,
    /// Per tenth of a minute.
    pub(crate) labour_e4: i64,
    /// Per container by which a batch differs; 0 without an adopted plan.
    pub(crate) change_e4: i64,
    pub(crate) keep_batches: bool,
    pub(crate) limit_kinds: bool,
    /// Slots of all classes.
    pub(crate) class_slots: usize,
    /// Rules that committed work breaks whatever is planned.
    pub(crate) broken: Vec<String>,
}
