//! The levels at which something is learned, and the tree of places that have records.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::nested::Node;
use crate::profile::GrowingMethod;

/// Number of levels.
pub(super) const LEVELS: usize = 5;

/// A level at which something is learned, from the widest to the narrowest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    /// Everything the co-operative grows.
    Cooperative,
    /// A crop group.
    Group,
    /// A crop wherever it grows.
    Crop,
    /// A crop grown by one method.
    CropMethod,
    /// A crop at one station.
    CropStation,
}

impl Level {
    /// All levels, from the widest to the narrowest.
    pub const ALL: [Self; LEVELS] = [
        Self::Cooperative,
        Self::Group,
        Self::Crop,
        Self::CropMethod,
        Self::CropStation,
    ];

    pub(super) fn depth(self) -> usize {
        self as usize
    }
}

/// What is sown where. A crop is meant to have one group and a station one method at a time; after
/// a change of either, give all records the present one, or the narrow levels start afresh.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Place {
    /// Id of the crop group.
    pub group: String,
    /// Id of the crop.
    pub crop: String,
    /// Method of the station.
    pub method: GrowingMethod,
    /// Id of the station.
    pub station: String,
}

/// What a coordinator's choice holds for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "level", rename_all = "snake_case", deny_unknown_fields)]
pub enum Scope {
    /// Everything the co-operative grows.
    Cooperative,
    /// A crop group.
    Group {
        /// Its id.
        group: String,
    },
    /// A crop wherever it grows.
    Crop {
        /// Its id.
        crop: String,
    },
    /// A crop grown by one method.
    CropMethod {
        /// Id of the crop.
        crop: String,
        /// The method.
        method: GrowingMethod,
    },
    /// A crop at one station.
    CropStation {
        /// Id of the crop.
        crop: String,
        /// Id of the station.
        station: String,
    },
}

impl Scope {
    /// Its level.
    #[must_use]
    pub fn level(&self) -> Level {
        match self {
            Self::Cooperative => Level::Cooperative,
            Self::Group { .. } => Level::Group,
            Self::Crop { .. } => Level::Crop,
            Self::CropMethod { .. } => Level::CropMethod,
            Self::CropStation { .. } => Level::CropStation,
        }
    }

    /// Whether a place lies within it.
    #[must_use]
    pub fn holds(&self, place: &Place) -> bool {
        match self {
            Self::Cooperative => true,
            Self::Group { group } => *group == place.group,
            Self::Crop { crop } => *crop == place.crop,
            Self::CropMethod { crop, method } => *crop == place.crop && *method == place.method,
            Self::CropStation { crop, station } => *crop == place.crop && *station == place.station,
        }
    }
}

/// The tree of the places that have records, widest level first.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hierarchy {
    /// Nodes, parents before children.
    pub nodes: Vec<Node>,
    /// The path of nodes of each place, from the top.
    paths: BTreeMap<Place, [usize; LEVELS]>,
    /// The value that a coordinator's choice holds a place at, by level.
    frozen: Vec<(Scope, f64)>,
}

impl Hierarchy {
    /// The tree of some places, in an order of its own. Of several frozen values for the same
    /// scope the last holds.
    pub(super) fn new<'a>(
        places: impl Iterator<Item = &'a Place>,
        frozen: Vec<(Scope, f64)>,
    ) -> Self {
        let mut hierarchy = Self {
            nodes: Vec::new(),
            paths: BTreeMap::new(),
            frozen,
        };
        let mut sorted: Vec<&Place> = places.collect();
        sorted.sort_unstable();
        sorted.dedup();
        let mut last: Option<(&Place, [usize; LEVELS])> = None;
        for place in sorted {
            let mut path = [0; LEVELS];
            let shared = last.as_ref().map_or(0, |(other, of_other)| {
                let shared = shared_levels(place, other);
                path[..shared].copy_from_slice(&of_other[..shared]);
                shared
            });
            for depth in shared..LEVELS {
                path[depth] = hierarchy.nodes.len();
                hierarchy.nodes.push(Node {
                    parent: depth.checked_sub(1).map(|above| path[above]),
                    depth,
                    fixed: hierarchy.frozen_at(place, depth),
                });
            }
            last = Some((place, path));
            hierarchy.paths.insert(place.clone(), path);
        }
        hierarchy
    }

    /// The value a place is held at by a choice at exactly this level.
    pub(super) fn frozen_at(&self, place: &Place, depth: usize) -> Option<f64> {
        self.frozen
            .iter()
            .rev()
            .find(|(scope, _)| scope.level().depth() == depth && scope.holds(place))
            .map(|(_, value)| *value)
    }

    /// The node of a place that has records.
    pub(super) fn cell(&self, place: &Place) -> Option<usize> {
        self.paths.get(place).map(|path| path[LEVELS - 1])
    }

    /// The nodes of a place from the top, as far as there are records.
    pub(super) fn path(&self, place: &Place) -> &[usize] {
        // Places that share the most levels are neighbours in the order of places.
        let after = self.paths.range(place..).next();
        let before = self.paths.range(..place).next_back();
        after
            .into_iter()
            .chain(before)
            .map(|(other, path)| &path[..shared_levels(place, other)])
            .max_by_key(|path| path.len())
            .unwrap_or_default()
    }
}

/// How many levels, from the top, two places have in common.
fn shared_levels(one: &Place, other: &Place) -> usize {
    if one.group != other.group {
        1
    } else if one.crop != other.crop {
        2
    } else if one.method != other.method {
        3
    } else if one.station != other.station {
        4
    } else {
        LEVELS
    }
}
