//! What the co-operative knows about a crop.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::temperature::CardinalTemperatures;

/// How a station holds its liquid.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GrowingMethod {
    /// Still liquid; roots in the air layer above it take the oxygen.
    Passive,
    /// Liquid kept supplied with oxygen.
    Aerated,
}

/// The profile of a crop. Reference conditions are the optimum temperatures, the reference light
/// and the reference container ([`crate::ContainerYield::REFERENCE`]).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CropProfile {
    /// Methods the crop is grown by.
    pub methods: BTreeSet<GrowingMethod>,
    /// Milligrams of fresh weight per container of cut 1, 2, ... at reference conditions and with
    /// every plant standing.
    pub cut_milligrams: Vec<i64>,

    /// Growth stops at or below this daily mean temperature.
    pub base_celsius: f64,
    /// Full speed from here.
    pub optimum_low_celsius: f64,
    /// Full speed up to here; above it the crop slows and stays lighter.
    pub optimum_high_celsius: f64,
    /// Growth stops at or above this daily mean temperature.
    pub maximum_celsius: f64,
    /// Weeks colder than this do not suit the crop.
    pub suitable_minimum_celsius: f64,
    /// Weeks warmer than this do not suit the crop.
    pub suitable_maximum_celsius: f64,
    /// Days above this daily mean temperature count toward bolting.
    pub heat_limit_celsius: f64,
    /// Days above the heat limit that the crop stands without risk.
    pub heat_days_tolerated: u32,

    /// Weeks with less light (mol per square metre and day) do not suit the crop.
    pub light_minimum_mol: f64,
    /// Daily light integral from which more light no longer helps.
    pub light_reference_mol: f64,
    /// Power (0 to 1) by which light speeds development.
    pub light_exponent: f64,

    /// Days from sowing to the first cut at reference conditions.
    pub days_to_first_cut: u32,
    /// Days from a cut to the next at reference conditions; without meaning for a single cut.
    pub days_to_regrow: u32,
    /// Days a ready cut may wait.
    pub hold_days: u32,
    /// Thousandths of the weight lost for each day it waits.
    pub hold_loss_permille_per_day: i64,

    /// Thousandths of the seeds that come up.
    pub germination_permille: i64,
    /// Seeds sown for each plant wanted; one of them coming up is enough.
    pub seeds_per_plant: u32,
    /// Seeds do not move at or below this temperature.
    pub emergence_base_celsius: f64,
    /// Seeds come up fastest from here.
    pub emergence_optimum_low_celsius: f64,
    /// Seeds come up fastest up to here.
    pub emergence_optimum_high_celsius: f64,
    /// No seed comes up at or above this temperature.
    pub emergence_maximum_celsius: f64,
    /// Days from sowing to emergence at the optimum.
    pub emergence_days_at_reference: f64,

    /// Coefficient of variation of the yield of a sowing, in thousandths.
    pub yield_variation_permille: i64,
    /// Milligrams of seed for one reference container.
    pub seed_milligrams_per_container: i64,
    /// Days from the last cut until a place can be sown again.
    pub cleaning_days: u32,
    /// Least containers worth sowing at once.
    pub smallest_sowing: i64,
    /// Tenths of a minute of work to sow one container.
    pub sow_minutes_tenths: i64,
    /// Tenths of a minute of work to cut one container once.
    pub cut_minutes_tenths: i64,
    /// Tenths of a minute of work to clear and clean one container.
    pub clean_minutes_tenths: i64,
    /// Millilitres of solution to fill one reference container at sowing.
    pub mix_at_sowing_millilitres: i64,
    /// Millilitres of solution to refill it after each cut but the last.
    pub mix_at_cut_millilitres: i64,

    /// Lowest pH of the solution the crop likes.
    pub ph_low: f64,
    /// Highest pH of the solution the crop likes.
    pub ph_high: f64,
    /// Lowest electrical conductivity at 25 °C, in microsiemens per centimetre.
    pub ec_low_microsiemens_per_cm: i64,
    /// Highest electrical conductivity at 25 °C, in microsiemens per centimetre.
    pub ec_high_microsiemens_per_cm: i64,
}

impl CropProfile {
    /// Cardinal temperatures of growth.
    #[must_use]
    pub fn growth_temperatures(&self) -> CardinalTemperatures {
        CardinalTemperatures {
            base_celsius: self.base_celsius,
            optimum_low_celsius: self.optimum_low_celsius,
            optimum_high_celsius: self.optimum_high_celsius,
            maximum_celsius: self.maximum_celsius,
        }
    }

    /// Cardinal temperatures of emergence. They differ from those of growth.
    #[must_use]
    pub fn emergence_temperatures(&self) -> CardinalTemperatures {
        CardinalTemperatures {
            base_celsius: self.emergence_base_celsius,
            optimum_low_celsius: self.emergence_optimum_low_celsius,
            optimum_high_celsius: self.emergence_optimum_high_celsius,
            maximum_celsius: self.emergence_maximum_celsius,
        }
    }
}

/// A valid profile with round figures, for tests to vary.
#[cfg(test)]
pub(crate) fn test_profile() -> CropProfile {
    CropProfile {
        methods: BTreeSet::from([GrowingMethod::Passive, GrowingMethod::Aerated]),
        cut_milligrams: vec![60_000, 45_000, 30_000],
        base_celsius: 4.0,
        optimum_low_celsius: 20.0,
        optimum_high_celsius: 24.0,
        maximum_celsius: 32.0,
        suitable_minimum_celsius: 8.0,
        suitable_maximum_celsius: 27.0,
        heat_limit_celsius: 26.0,
        heat_days_tolerated: 5,
        light_minimum_mol: 6.0,
        light_reference_mol: 16.0,
        light_exponent: 0.5,
        days_to_first_cut: 35,
        days_to_regrow: 12,
        hold_days: 7,
        hold_loss_permille_per_day: 20,
        germination_permille: 800,
        seeds_per_plant: 2,
        emergence_base_celsius: 2.8,
        emergence_optimum_low_celsius: 25.0,
        emergence_optimum_high_celsius: 28.0,
        emergence_maximum_celsius: 35.0,
        emergence_days_at_reference: 2.0,
        yield_variation_permille: 300,
        seed_milligrams_per_container: 3,
        cleaning_days: 2,
        smallest_sowing: 3,
        sow_minutes_tenths: 25,
        cut_minutes_tenths: 15,
        clean_minutes_tenths: 20,
        mix_at_sowing_millilitres: 3500,
        mix_at_cut_millilitres: 500,
        ph_low: 5.6,
        ph_high: 6.0,
        ec_low_microsiemens_per_cm: 1200,
        ec_high_microsiemens_per_cm: 1800,
    }
}
