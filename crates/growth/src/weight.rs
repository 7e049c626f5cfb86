//! Weight of a cut: the reference weight scaled by light, heat, container and emergence, and what
//! waiting costs.

use serde::{Deserialize, Serialize};

use crate::climate::Climate;
use crate::light::light_weight_response;
use crate::profile::CropProfile;

/// A kind of container as far as yield goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ContainerYield {
    /// Weight it gives, in thousandths of the reference container.
    pub yield_permille: i64,
    /// Millilitres of solution it holds when filled at sowing.
    pub liquid_millilitres: i64,
    /// Area of light it takes up, its share of the gaps included, in square centimetres.
    pub area_square_centimetres: i64,
}

impl ContainerYield {
    /// The reference container: a one-gallon jar filled to 3.5 L (the fill line of home kits is
    /// about 1.5 inches below the rim), set 20 cm apart.
    pub const REFERENCE: Self = Self {
        yield_permille: 1000,
        liquid_millilitres: 3500,
        area_square_centimetres: 400,
    };
}

/// Thousandths of the plants wanted that stand after emergence when `seeds_per_plant` seeds are
/// sown for each: `1 - (1 - germination)^seeds`, the seeds failing independently.
#[must_use]
pub fn emergence_share_permille(germination_permille: i64, seeds_per_plant: u32) -> i64 {
    let fails = 1.0 - germination_permille.clamp(0, 1000) as f64 / 1000.0;
    let stands = 1.0 - fails.powf(f64::from(seeds_per_plant));
    permille(stands)
}

/// Milligrams per container of cut 1, 2, ... at reference conditions, after emergence losses and
/// for this kind of container, rounded down.
#[must_use]
pub fn cut_milligrams_after_emergence(
    profile: &CropProfile,
    container: &ContainerYield,
) -> Vec<i64> {
    let share = emergence_share_permille(profile.germination_permille, profile.seeds_per_plant);
    profile
        .cut_milligrams
        .iter()
        .map(|&weight| scale(scale(weight, share), container.yield_permille))
        .collect()
}

/// Thousandths of the reference weight that growth in this mean temperature and daily light gives:
/// the light response of weight times the heat response.
#[must_use]
pub fn weight_permille(
    profile: &CropProfile,
    temperature_celsius: f64,
    daily_light_mol: f64,
) -> i64 {
    permille(
        light_weight_response(profile, daily_light_mol)
            * profile
                .growth_temperatures()
                .heat_response(temperature_celsius),
    )
}

/// Thousandths of a ready cut that are left after `waited_days`.
#[must_use]
pub fn hold_permille(profile: &CropProfile, waited_days: i64) -> i64 {
    let lost = profile
        .hold_loss_permille_per_day
        .saturating_mul(waited_days.max(0));
    1000_i64.saturating_sub(lost).clamp(0, 1000)
}

/// `value x permille / 1000`, rounded down.
pub(crate) fn scale(value: i64, permille: i64) -> i64 {
    let scaled = i128::from(value) * i128::from(permille) / 1000;
    i64::try_from(scaled).unwrap_or(if scaled < 0 { i64::MIN } else { i64::MAX })
}

fn permille(share: f64) -> i64 {
    // The cast saturates and takes a missing number as nothing.
    (share * 1000.0).round() as i64
}

/// Mean weight factor over any run of days, from sums by day.
pub(crate) struct WeightFactors(Vec<i64>);

impl WeightFactors {
    pub(crate) fn new(profile: &CropProfile, climate: &Climate) -> Self {
        let mut sums = vec![0];
        let mut total = 0;
        for (&celsius, &mol) in climate
            .temperature_celsius
            .iter()
            .zip(&climate.daily_light_mol)
        {
            let factor = weight_permille(profile, celsius, mol);
            for _ in 0..7 {
                total += factor;
                sums.push(total);
            }
        }
        Self(sums)
    }

    /// Mean thousandths over the days from `from_day` to the day before `to_day`, rounded down.
    /// Days before the climate count like its first, days after it are left out.
    pub(crate) fn mean(&self, from_day: i64, to_day: i64) -> i64 {
        let first = self.0.get(1).copied().unwrap_or(0);
        let last = i64::try_from(self.0.len() - 1).unwrap_or(i64::MAX);
        let sum_before = |day: i64| match usize::try_from(day) {
            Ok(index) => self.0.get(index).copied().unwrap_or(0),
            Err(_) => day.saturating_mul(first),
        };
        let (from, to) = (from_day.min(last), to_day.min(last));
        if to <= from {
            return 0;
        }
        sum_before(to).saturating_sub(sum_before(from)) / to.saturating_sub(from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::test_profile;

    /// Binomial arithmetic: two seeds at 0.80 give 0.96, three give 0.992.
    #[test]
    fn emergence_share_of_several_seeds() {
        let check = |(germination, seeds): (i64, u32), expect: i64| {
            assert_eq!(
                emergence_share_permille(germination, seeds),
                expect,
                "{seeds} seeds at {germination} permille"
            );
        };
        check((800, 1), 800);
        check((800, 2), 960);
        check((800, 3), 992);
        check((1000, 1), 1000);
        check((0, 4), 0);
    }

    #[test]
    fn weights_by_light_and_heat() {
        let profile = CropProfile {
            light_exponent: 0.5,
            ..test_profile()
        };
        let check = |(celsius, mol): (f64, f64), expect: i64| {
            assert_eq!(
                weight_permille(&profile, celsius, mol),
                expect,
                "{celsius} °C, {mol} mol"
            );
        };
        check((20.0, 16.0), 1000);
        check((20.0, 30.0), 1000);
        check((8.0, 16.0), 1000);
        check((20.0, 4.0), 500);
        check((28.0, 16.0), 500);
        check((28.0, 4.0), 250);
        check((33.0, 16.0), 0);
        check((f64::NAN, 16.0), 0);
    }

    #[test]
    fn waiting_costs_its_share() {
        let profile = test_profile();
        let check = |waited: i64, expect: i64| {
            assert_eq!(hold_permille(&profile, waited), expect, "{waited} days");
        };
        check(-3, 1000);
        check(0, 1000);
        check(5, 900);
        check(49, 20);
        check(60, 0);
        check(i64::MAX, 0);
    }

    #[test]
    fn weights_by_container_and_emergence() {
        let tote = ContainerYield {
            yield_permille: 1200,
            ..ContainerYield::REFERENCE
        };
        assert_eq!(
            cut_milligrams_after_emergence(&test_profile(), &tote),
            [69_120, 51_840, 34_560]
        );
    }

    #[test]
    fn mean_factor_over_days() {
        let profile = test_profile();
        let climate = Climate {
            temperature_celsius: vec![20.0, 28.0],
            daily_light_mol: vec![16.0; 2],
        };
        let factors = WeightFactors::new(&profile, &climate);
        let check = |(from, to): (i64, i64), expect: i64| {
            assert_eq!(factors.mean(from, to), expect, "days {from} to {to}");
        };
        check((0, 7), 1000);
        check((7, 14), 500);
        check((0, 14), 750);
        check((-7, 14), 833);
        check((7, 99), 500);
        check((5, 5), 0);
        check((20, 30), 0);
    }
}
