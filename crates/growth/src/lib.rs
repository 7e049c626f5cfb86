//! When a sowing can be cut and what it gives; no I/O.
//!
//! Everything here is a pure function of a [`CropProfile`], a [`Climate`] by week and the working
//! days of a site. Days are whole numbers counted from the Monday of the first week of the
//! climate. Development is summed in whole micro-days, so that every machine finds the same day.
//!
//! Models are plain: a trapezoid of temperature, a power of the daily light integral, and a
//! reference weight scaled by both. They set expectations; what a bench really does is learned
//! from its own record.

mod arcs;
mod ceilings;
mod climate;
mod development;
mod environment;
mod ground;
pub mod learning;
mod light;
mod profile;
mod starter;
mod temperature;
mod validate;
pub mod water;
mod weight;

pub use arcs::{GrowingArcs, HEAD_START_DAYS, LONGER_HOLD_DAYS, Relaxed, growing_arcs};
pub use ceilings::{
    BrokenCeiling, LEAST_LITRES_PER_KILOGRAM, PUBLISHED_UPPER_YIELD_MILLIGRAMS, broken_ceilings,
};
pub use climate::{Climate, WorkingDay};
pub use development::{
    KnownDays, MICRO_DAYS_PER_DAY, daily_development_micro_days, daily_emergence_micro_days,
    emergence_check_day, first_cut_day, latest_sow_day, next_cut_day,
};
pub use environment::{EnvironmentFault, EnvironmentPeriod, environment_faults};
pub use ground::{ExpectedCut, expected_cuts};
pub use light::{daily_light_integral, light_response, light_weight_response};
pub use profile::{CropProfile, GrowingMethod};
pub use starter::{COMMON_PRACTICE, FROM_MEMORY, StarterCrop, StarterError, starter_crops};
pub use temperature::{CardinalTemperatures, bolting_risk_day};
pub use validate::ProfileFault;
pub use weight::{
    ContainerYield, cut_milligrams_after_emergence, emergence_share_permille, hold_permille,
    weight_permille,
};
