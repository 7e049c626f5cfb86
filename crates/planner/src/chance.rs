//! Honest probability: how often a plan meets its pledges when germination, yield and days scatter.
//!
//! The model of one season; Z are independent standard normal variates.
//! - **Sowing**: containers of one station, crop and sow day. Of its q containers
//!   n ~ Binomial(q, g) stand, g the germination share. Entries with the same three and other cuts share
//!   the yield factor and the lateness; each draws its own n.
//! - **Yield**: with coefficient of variation v, s² = ln(1 + v²). Shares a (station), c (container) and
//!   1 - a - c (sowing) divide s². The factor of a container is
//!   exp(√a·s·Z(station) + √(1-a-c)·s·Z(sowing) + √c·s·Z(container) - s²/2): log-normal, mean 1,
//!   coefficient of variation v. It holds for all cuts of the season. Z(station) is common to all crops.
//! - **Weight** of cut j: the sum of the factors of the n standing containers, times
//!   `cut_dg[j] * permille div 1000`, divided by g, because `cut_dg` is net of germination.
//! - **Lateness**: d = max(0, round(t·Z)) days per sowing, half away from 0, t the standard deviation of
//!   days to ready. The first cut is ready on the day of the earliest first-cut slot of its sow slot, plus
//!   d; it is taken on the first working day that is neither before it is ready nor before it was planned.
//!   A later cut is ready as many days after the cut before as the earliest arc from the planned cut
//!   before says. With no working day left it is lost. The weight stays as planned.
//! - **Committed** harvest: each entry has its own factor exp(s·Z - s²/2), no germination, no lateness.
//!
//! Not modelled: greens ready early, weight lost or won by waiting, the place a late sowing still holds,
//! work that moves with it, scatter of the same sowing from cut to cut, weather common to sites.
//! A slot list with one day a week knows readiness only by the week, so lateness is overstated there.
//!
//! **Who gets what**, week by week (see [`simulate`]): first every site's crop goes out in the proportions
//! of the cheapest division of the *expected* harvest, no target above its pledge; then what is left, in
//! order of site and crop, goes to targets that accept it and still lack: higher priority first, among
//! equals in proportion to what each lacks. With these proportions fixed, more harvest never leaves any
//! target with less.

mod draw;
mod handing;
mod margin;
mod season;
mod spread;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::Problem;

pub use margin::{Margin, MarginError, MarginOptions, MarginRequest, margin, raised};
pub use season::{CellChance, ChanceError, Chances, simulate};
pub use spread::COST_PER_KILOGRAM;

/// Scatter of one crop, in places that know no better.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Scatter {
    /// Share of containers that stand after germination, above 0 to 1.
    pub germination: f64,
    /// Coefficient of variation of a container's yield, 0 to 10.
    pub cv: f64,
    /// Standard deviation of days to ready, 0 to 366.
    pub days_sd: f64,
    /// Share of the variance of the logarithm common to a station, 0 to 1.
    pub station_share: f64,
    /// Share of that variance of each container alone; with the station's at most 1.
    pub container_share: f64,
}

impl Scatter {
    /// No scatter: the season is as planned.
    pub const NONE: Self = Self {
        germination: 1.0,
        cv: 0.0,
        days_sd: 0.0,
        station_share: 0.0,
        container_share: 0.0,
    };

    fn is_sound(&self) -> bool {
        self.germination > 0.0
            && self.germination <= 1.0
            && (0.0..=10.0).contains(&self.cv)
            && (0.0..=366.0).contains(&self.days_sd)
            && self.station_share >= 0.0
            && self.container_share >= 0.0
            && self.station_share + self.container_share <= 1.0 + 1e-12
    }
}

/// What a co-op knows of its scatter; the most particular entry wins: station, site, crop.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Uncertainty {
    /// By crop id; a crop without an entry has none.
    pub crops: BTreeMap<String, Scatter>,
    /// By site id and then crop id.
    #[serde(default)]
    pub sites: BTreeMap<String, BTreeMap<String, Scatter>>,
    /// By station id and then crop id.
    #[serde(default)]
    pub stations: BTreeMap<String, BTreeMap<String, Scatter>>,
}

impl Uncertainty {
    /// The scatter the problem states by crop, all of it common to a sowing and no lateness.
    pub fn of_problem(problem: &Problem) -> Self {
        let crops = problem.spread.iter().map(|(crop, spread)| {
            let scatter = Scatter {
                germination: spread.germination_permille as f64 / 1000.0,
                cv: spread.cv_permille as f64 / 1000.0,
                ..Scatter::NONE
            };
            (crop.clone(), scatter)
        });
        Self {
            crops: crops.collect(),
            ..Self::default()
        }
    }

    /// The scatter of a crop at a station (`None`: unknown) of a site.
    pub fn of(&self, site: &str, station: Option<&str>, crop: &str) -> Scatter {
        let at_station = station.and_then(|station| self.stations.get(station)?.get(crop));
        let at_site = || self.sites.get(site)?.get(crop);
        at_station
            .or_else(at_site)
            .or_else(|| self.crops.get(crop))
            .copied()
            .unwrap_or(Scatter::NONE)
    }

    fn is_sound(&self) -> bool {
        let particular = self.sites.values().chain(self.stations.values());
        self.crops
            .values()
            .chain(particular.flat_map(BTreeMap::values))
            .all(Scatter::is_sound)
    }
}
