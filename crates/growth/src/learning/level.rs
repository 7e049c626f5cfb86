//! The levels at which something is learned, and the tree of places that have records.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::nested::{Node, Posterior, Ratios, Tree};
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
    /// What all crops at a station have in common, beside what they have anywhere.
    Station {
        /// Id of the station.
        station: String,
    },
}

impl Scope {
    /// Its level; `None` for a station, which lies across the levels.
    #[must_use]
    pub fn level(&self) -> Option<Level> {
        match self {
            Self::Cooperative => Some(Level::Cooperative),
            Self::Group { .. } => Some(Level::Group),
            Self::Crop { .. } => Some(Level::Crop),
            Self::CropMethod { .. } => Some(Level::CropMethod),
            Self::CropStation { .. } => Some(Level::CropStation),
            Self::Station { .. } => None,
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
            Self::Station { station } => *station == place.station,
        }
    }
}

/// The tree of the places that have records, widest level first.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hierarchy {
    pub tree: Tree,
    /// The stations that have records.
    stations: BTreeMap<String, usize>,
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
            tree: Tree::default(),
            stations: BTreeMap::new(),
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
                path[depth] = hierarchy.tree.nodes.len();
                let is_cell = depth + 1 == LEVELS;
                let node = Node {
                    parent: depth.checked_sub(1).map(|above| path[above]),
                    depth,
                    station: is_cell.then(|| hierarchy.add_station(place)),
                    fixed: hierarchy.frozen_at(place, depth),
                };
                hierarchy.tree.nodes.push(node);
            }
            last = Some((place, path));
            hierarchy.paths.insert(place.clone(), path);
        }
        hierarchy
    }

    /// The number of the station of a place with records.
    fn add_station(&mut self, place: &Place) -> usize {
        if let Some(station) = self.stations.get(&place.station) {
            return *station;
        }
        let station = self.tree.stations.len();
        self.tree.stations.push(self.frozen_station(place));
        self.stations.insert(place.station.clone(), station);
        station
    }

    /// The value a place is held at by a choice at exactly this level.
    pub(super) fn frozen_at(&self, place: &Place, depth: usize) -> Option<f64> {
        self.frozen_in(place, |level| {
            level.is_some_and(|level| level.depth() == depth)
        })
    }

    /// The value at which a choice holds the part of a place's station.
    pub(super) fn frozen_station(&self, place: &Place) -> Option<f64> {
        self.frozen_in(place, |level| level.is_none())
    }

    fn frozen_in(&self, place: &Place, level: impl Fn(Option<Level>) -> bool) -> Option<f64> {
        self.frozen
            .iter()
            .rev()
            .find(|(scope, _)| level(scope.level()) && scope.holds(place))
            .map(|(_, value)| *value)
    }

    /// The station of a place, if any crop has records there.
    pub(super) fn station(&self, place: &Place) -> Option<usize> {
        self.stations.get(&place.station).copied()
    }

    /// Numbers of records below each node and at each station, from the cell of each.
    pub(super) fn counts(&self, cells: impl Iterator<Item = usize>) -> Counts {
        let mut counts = Counts {
            nodes: vec![0; self.tree.nodes.len()],
            stations: vec![0; self.tree.stations.len()],
        };
        for cell in cells {
            counts.nodes[cell] += 1;
            if let Some(station) = self.tree.nodes[cell].station {
                counts.stations[station] += 1;
            }
        }
        for index in (0..counts.nodes.len()).rev() {
            if let Some(parent) = self.tree.nodes[index].parent {
                counts.nodes[parent] += counts.nodes[index];
            }
        }
        counts
    }

    /// What is known of a place at a level: mean and variance, as a ratio.
    pub(super) fn known(
        &self,
        place: &Place,
        level: Level,
        (posterior, ratios): (&Posterior, &Ratios),
        held_at: impl Fn(usize) -> Option<f64>,
    ) -> (f64, f64) {
        let path = self.path(place);
        let (mut mean, mut variance) = (0.0, 0.0);
        let mut with_stations: &[f64] = &[];
        for depth in 0..=level.depth() {
            if let Some(value) = held_at(depth) {
                (mean, variance) = (value, 0.0);
                with_stations = &[];
            } else if let Some(&node) = path.get(depth) {
                (mean, variance) = posterior.nodes[node];
                with_stations = &posterior.with_stations[node];
            } else {
                variance += ratios.levels[depth];
                if depth + 1 == LEVELS {
                    let (of_station, spread) = self.known_station(place, posterior, ratios);
                    let both = self
                        .station(place)
                        .and_then(|station| with_stations.get(station));
                    mean += of_station;
                    variance += spread + 2.0 * both.copied().unwrap_or_default();
                }
            }
        }
        (mean, variance.max(0.0))
    }

    /// What is known of the part of a place's station.
    pub(super) fn known_station(
        &self,
        place: &Place,
        posterior: &Posterior,
        ratios: &Ratios,
    ) -> (f64, f64) {
        match (self.frozen_station(place), self.station(place)) {
            (Some(value), _) => (value, 0.0),
            (None, Some(station)) => posterior.stations[station],
            (None, None) => (0.0, ratios.station),
        }
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

/// Numbers of records.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Counts {
    /// Below each node.
    pub nodes: Vec<usize>,
    /// At each station.
    pub stations: Vec<usize>,
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
