//! The growth profile of a crop as it crosses the edge.

use cotyl_app::records::{CropProfile, GrowingMethod};
use cotyl_domain::quantity::{Mass, Volume};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::stations::Method;

/// How a crop grows. Reference conditions are the optimum temperatures, the reference light and the
/// reference container: a jar filled to 3.5 L, 20 cm apart.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Profile {
    /// Methods it is grown by.
    pub methods: Vec<Method>,
    /// Fresh weight per container of cut 1, 2, ... at reference conditions and with every plant standing; 1 to
    /// 20 cuts.
    pub cut_weights: Vec<Mass>,
    /// Growth stops at or below this daily mean temperature.
    #[schema(example = 4.0)]
    pub base_celsius: f64,
    /// Full speed from here.
    #[schema(example = 20.0)]
    pub optimum_low_celsius: f64,
    /// Full speed up to here; above it the crop slows and stays lighter.
    #[schema(example = 24.0)]
    pub optimum_high_celsius: f64,
    /// Growth stops at or above this daily mean temperature.
    #[schema(example = 32.0)]
    pub maximum_celsius: f64,
    /// Weeks colder than this do not suit the crop.
    #[schema(example = 8.0)]
    pub suitable_minimum_celsius: f64,
    /// Weeks warmer than this do not suit the crop.
    #[schema(example = 27.0)]
    pub suitable_maximum_celsius: f64,
    /// Days above this daily mean temperature count toward bolting.
    #[schema(example = 24.0)]
    pub heat_limit_celsius: f64,
    /// Days above the heat limit that the crop stands without risk.
    #[schema(example = 5)]
    pub heat_days_tolerated: u32,
    /// Weeks with less light (mol per square metre and day) do not suit the crop.
    #[schema(example = 6.0)]
    pub light_minimum_mol: f64,
    /// Daily light integral from which more light no longer helps.
    #[schema(example = 17.0)]
    pub light_reference_mol: f64,
    /// Power (0 to 1) by which light speeds development.
    #[schema(example = 0.5)]
    pub light_exponent: f64,
    /// Days from sowing to the first cut at reference conditions.
    #[schema(example = 35)]
    pub days_to_first_cut: u32,
    /// Days from a cut to the next at reference conditions; without meaning for a single cut.
    #[schema(example = 12)]
    pub days_to_regrow: u32,
    /// Days a ready cut may wait.
    #[schema(example = 7)]
    pub hold_days: u32,
    /// Thousandths of the weight lost for each day it waits.
    #[schema(example = 15)]
    pub hold_loss_permille_per_day: i64,
    /// Thousandths of the seeds that come up.
    #[schema(example = 800)]
    pub germination_permille: i64,
    /// Seeds sown for each plant wanted; one of them coming up is enough.
    #[schema(example = 2)]
    pub seeds_per_plant: u32,
    /// Seeds do not move at or below this temperature.
    #[schema(example = 2.8)]
    pub emergence_base_celsius: f64,
    /// Seeds come up fastest from here.
    #[schema(example = 25.0)]
    pub emergence_optimum_low_celsius: f64,
    /// Seeds come up fastest up to here.
    #[schema(example = 28.0)]
    pub emergence_optimum_high_celsius: f64,
    /// No seed comes up at or above this temperature.
    #[schema(example = 35.0)]
    pub emergence_maximum_celsius: f64,
    /// Days from sowing to emergence at the optimum.
    #[schema(example = 2.1)]
    pub emergence_days_at_reference: f64,
    /// Coefficient of variation of the yield of a sowing, in thousandths.
    #[schema(example = 300)]
    pub yield_variation_permille: i64,
    /// Seed for one reference container.
    pub seed_per_container: Mass,
    /// Days from the last cut until a place can be sown again.
    #[schema(example = 1)]
    pub cleaning_days: u32,
    /// Least containers worth sowing at once.
    #[schema(example = 4)]
    pub smallest_sowing: i64,
    /// Tenths of a minute of work to sow one container.
    #[schema(example = 25)]
    pub sow_minutes_tenths: i64,
    /// Tenths of a minute of work to cut one container once.
    #[schema(example = 15)]
    pub cut_minutes_tenths: i64,
    /// Tenths of a minute of work to clear and clean one container.
    #[schema(example = 20)]
    pub clean_minutes_tenths: i64,
    /// Solution to fill one reference container at sowing, kept in whole millilitres.
    pub mix_at_sowing: Volume,
    /// Solution to refill it after each cut but the last, kept in whole millilitres.
    pub mix_at_cut: Volume,
    /// Lowest pH of the solution the crop likes.
    #[schema(example = 5.6)]
    pub ph_low: f64,
    /// Highest pH of the solution the crop likes.
    #[schema(example = 6.0)]
    pub ph_high: f64,
    /// Lowest electrical conductivity at 25 °C, in microsiemens per centimetre.
    #[schema(example = 1200)]
    pub ec_low_microsiemens_per_cm: i64,
    /// Highest electrical conductivity at 25 °C, in microsiemens per centimetre.
    #[schema(example = 1800)]
    pub ec_high_microsiemens_per_cm: i64,
}

impl From<Profile> for CropProfile {
    fn from(profile: Profile) -> Self {
        Self {
            methods: profile
                .methods
                .into_iter()
                .map(GrowingMethod::from)
                .collect(),
            cut_milligrams: profile
                .cut_weights
                .into_iter()
                .map(Mass::milligrams)
                .collect(),
            base_celsius: profile.base_celsius,
            optimum_low_celsius: profile.optimum_low_celsius,
            optimum_high_celsius: profile.optimum_high_celsius,
            maximum_celsius: profile.maximum_celsius,
            suitable_minimum_celsius: profile.suitable_minimum_celsius,
            suitable_maximum_celsius: profile.suitable_maximum_celsius,
            heat_limit_celsius: profile.heat_limit_celsius,
            heat_days_tolerated: profile.heat_days_tolerated,
            light_minimum_mol: profile.light_minimum_mol,
            light_reference_mol: profile.light_reference_mol,
            light_exponent: profile.light_exponent,
            days_to_first_cut: profile.days_to_first_cut,
            days_to_regrow: profile.days_to_regrow,
            hold_days: profile.hold_days,
            hold_loss_permille_per_day: profile.hold_loss_permille_per_day,
            germination_permille: profile.germination_permille,
            seeds_per_plant: profile.seeds_per_plant,
            emergence_base_celsius: profile.emergence_base_celsius,
            emergence_optimum_low_celsius: profile.emergence_optimum_low_celsius,
            emergence_optimum_high_celsius: profile.emergence_optimum_high_celsius,
            emergence_maximum_celsius: profile.emergence_maximum_celsius,
            emergence_days_at_reference: profile.emergence_days_at_reference,
            yield_variation_permille: profile.yield_variation_permille,
            seed_milligrams_per_container: profile.seed_per_container.milligrams(),
            cleaning_days: profile.cleaning_days,
            smallest_sowing: profile.smallest_sowing,
            sow_minutes_tenths: profile.sow_minutes_tenths,
            cut_minutes_tenths: profile.cut_minutes_tenths,
            clean_minutes_tenths: profile.clean_minutes_tenths,
            mix_at_sowing_millilitres: whole_millilitres(profile.mix_at_sowing),
            mix_at_cut_millilitres: whole_millilitres(profile.mix_at_cut),
            ph_low: profile.ph_low,
            ph_high: profile.ph_high,
            ec_low_microsiemens_per_cm: profile.ec_low_microsiemens_per_cm,
            ec_high_microsiemens_per_cm: profile.ec_high_microsiemens_per_cm,
        }
    }
}

impl From<CropProfile> for Profile {
    fn from(profile: CropProfile) -> Self {
        Self {
            methods: profile.methods.into_iter().map(Method::from).collect(),
            cut_weights: profile
                .cut_milligrams
                .into_iter()
                .map(Mass::of_milligrams)
                .collect(),
            base_celsius: profile.base_celsius,
            optimum_low_celsius: profile.optimum_low_celsius,
            optimum_high_celsius: profile.optimum_high_celsius,
            maximum_celsius: profile.maximum_celsius,
            suitable_minimum_celsius: profile.suitable_minimum_celsius,
            suitable_maximum_celsius: profile.suitable_maximum_celsius,
            heat_limit_celsius: profile.heat_limit_celsius,
            heat_days_tolerated: profile.heat_days_tolerated,
            light_minimum_mol: profile.light_minimum_mol,
            light_reference_mol: profile.light_reference_mol,
            light_exponent: profile.light_exponent,
            days_to_first_cut: profile.days_to_first_cut,
            days_to_regrow: profile.days_to_regrow,
            hold_days: profile.hold_days,
            hold_loss_permille_per_day: profile.hold_loss_permille_per_day,
            germination_permille: profile.germination_permille,
            seeds_per_plant: profile.seeds_per_plant,
            emergence_base_celsius: profile.emergence_base_celsius,
            emergence_optimum_low_celsius: profile.emergence_optimum_low_celsius,
            emergence_optimum_high_celsius: profile.emergence_optimum_high_celsius,
            emergence_maximum_celsius: profile.emergence_maximum_celsius,
            emergence_days_at_reference: profile.emergence_days_at_reference,
            yield_variation_permille: profile.yield_variation_permille,
            seed_per_container: Mass::of_milligrams(profile.seed_milligrams_per_container),
            cleaning_days: profile.cleaning_days,
            smallest_sowing: profile.smallest_sowing,
            sow_minutes_tenths: profile.sow_minutes_tenths,
            cut_minutes_tenths: profile.cut_minutes_tenths,
            clean_minutes_tenths: profile.clean_minutes_tenths,
            mix_at_sowing: Volume::of_microlitres(
                profile.mix_at_sowing_millilitres.saturating_mul(1000),
            ),
            mix_at_cut: Volume::of_microlitres(profile.mix_at_cut_millilitres.saturating_mul(1000)),
            ph_low: profile.ph_low,
            ph_high: profile.ph_high,
            ec_low_microsiemens_per_cm: profile.ec_low_microsiemens_per_cm,
            ec_high_microsiemens_per_cm: profile.ec_high_microsiemens_per_cm,
        }
    }
}

impl From<Method> for GrowingMethod {
    fn from(method: Method) -> Self {
        match method {
            Method::Passive => Self::Passive,
            Method::Aerated => Self::Aerated,
        }
    }
}

impl From<GrowingMethod> for Method {
    fn from(method: GrowingMethod) -> Self {
        match method {
            GrowingMethod::Passive => Self::Passive,
            GrowingMethod::Aerated => Self::Aerated,
        }
    }
}

/// Half to even, as everywhere at the edge.
fn whole_millilitres(volume: Volume) -> i64 {
    let (whole, rest) = (
        volume.microlitres().div_euclid(1000),
        volume.microlitres().rem_euclid(1000),
    );
    let up = rest > 500 || (rest == 500 && whole % 2 != 0);
    whole + i64::from(up)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn volumes_are_rounded_half_to_even() {
        let check = |microlitres: i64, expect: i64| {
            assert_eq!(
                whole_millilitres(Volume::of_microlitres(microlitres)),
                expect,
                "{microlitres} µL"
            );
        };
        check(0, 0);
        check(499, 0);
        check(500, 0);
        check(501, 1);
        check(1500, 2);
        check(2500, 2);
        // one US gallon, 3.785 411 784 L (NIST Handbook 44, Appendix C)
        check(3_785_412, 3785);
        check(-500, 0);
        check(-1500, -2);
        check(i64::MAX, i64::MAX / 1000 + 1);
    }
}
