//! Faults of a crop profile, each with the field it belongs to and a message for whoever typed it.

use crate::profile::CropProfile;

/// Something wrong with one field of a profile.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{field}: {message}")]
pub struct ProfileFault {
    /// Name of the field in [`CropProfile`].
    pub field: &'static str,
    /// What is wrong, with the figures.
    pub message: String,
}

/// Most cuts of one sowing.
const MOST_CUTS: usize = 20;
/// 100 kg: more than any container can bear.
const MOST_MILLIGRAMS: i64 = 100_000_000;
/// Two years.
const MOST_DAYS: u32 = 730;

impl CropProfile {
    /// Everything wrong with the profile; empty when it can be used.
    #[must_use]
    pub fn validate(&self) -> Vec<ProfileFault> {
        let mut faults = Faults(Vec::new());
        self.check_cuts(&mut faults);
        self.check_temperatures(&mut faults);
        self.check_light(&mut faults);
        self.check_seed(&mut faults);
        self.check_work_and_solution(&mut faults);
        faults.0
    }

    fn check_cuts(&self, faults: &mut Faults) {
        faults.unless(!self.methods.is_empty(), "methods", || {
            "name at least one of passive and aerated".into()
        });
        let cuts = self.cut_milligrams.len();
        faults.unless((1..=MOST_CUTS).contains(&cuts), "cut_milligrams", || {
            format!("give the weight of 1 to {MOST_CUTS} cuts, not {cuts}")
        });
        for (index, &weight) in self.cut_milligrams.iter().enumerate() {
            faults.unless(
                (1..=MOST_MILLIGRAMS).contains(&weight),
                "cut_milligrams",
                || {
                    format!(
                        "cut {} weighs {weight} mg; it must be 1 to {MOST_MILLIGRAMS}",
                        index + 1
                    )
                },
            );
        }
        faults.days("days_to_first_cut", self.days_to_first_cut, 1);
        faults.days("days_to_regrow", self.days_to_regrow, u32::from(cuts > 1));
        faults.days("hold_days", self.hold_days, 0);
        faults.days("cleaning_days", self.cleaning_days, 0);
        faults.days("heat_days_tolerated", self.heat_days_tolerated, 0);
        let loss = self.hold_loss_permille_per_day;
        faults.within("hold_loss_permille_per_day", loss, 0, 1000);
        let lost = i64::from(self.hold_days).saturating_mul(loss);
        faults.unless(lost < 1000, "hold_loss_permille_per_day", || {
            format!("{} days at {loss} permille leave nothing", self.hold_days)
        });
        faults.within(
            "yield_variation_permille",
            self.yield_variation_permille,
            0,
            2000,
        );
    }

    fn check_temperatures(&self, faults: &mut Faults) {
        faults.rising(&[
            ("base_celsius", self.base_celsius, true),
            ("optimum_low_celsius", self.optimum_low_celsius, false),
            ("optimum_high_celsius", self.optimum_high_celsius, true),
            ("maximum_celsius", self.maximum_celsius, false),
        ]);
        faults.rising(&[
            ("emergence_base_celsius", self.emergence_base_celsius, true),
            (
                "emergence_optimum_low_celsius",
                self.emergence_optimum_low_celsius,
                false,
            ),
            (
                "emergence_optimum_high_celsius",
                self.emergence_optimum_high_celsius,
                true,
            ),
            (
                "emergence_maximum_celsius",
                self.emergence_maximum_celsius,
                false,
            ),
        ]);
        faults.rising(&[
            ("base_celsius", self.base_celsius, false),
            (
                "suitable_minimum_celsius",
                self.suitable_minimum_celsius,
                true,
            ),
            (
                "suitable_maximum_celsius",
                self.suitable_maximum_celsius,
                false,
            ),
            ("maximum_celsius", self.maximum_celsius, false),
        ]);
        faults.celsius("heat_limit_celsius", self.heat_limit_celsius);
    }

    fn check_light(&self, faults: &mut Faults) {
        let (minimum, reference) = (self.light_minimum_mol, self.light_reference_mol);
        faults.unless(
            (0.0..=100.0).contains(&minimum),
            "light_minimum_mol",
            || format!("{minimum} mol a day is not between 0 and 100"),
        );
        faults.unless(
            reference > 0.0 && reference <= 100.0,
            "light_reference_mol",
            || format!("{reference} mol a day is not above 0 and at most 100"),
        );
        faults.unless(minimum <= reference, "light_reference_mol", || {
            format!("{reference} mol is below the light minimum {minimum}")
        });
        let exponent = self.light_exponent;
        faults.unless((0.0..=1.0).contains(&exponent), "light_exponent", || {
            format!("{exponent} is not between 0 and 1")
        });
    }

    fn check_seed(&self, faults: &mut Faults) {
        faults.within("germination_permille", self.germination_permille, 1, 1000);
        faults.within("seeds_per_plant", i64::from(self.seeds_per_plant), 1, 1000);
        let days = self.emergence_days_at_reference;
        faults.unless(
            days > 0.0 && days <= 60.0,
            "emergence_days_at_reference",
            || format!("{days} days are not above 0 and at most 60"),
        );
        faults.within(
            "seed_milligrams_per_container",
            self.seed_milligrams_per_container,
            1,
            MOST_MILLIGRAMS,
        );
        faults.within("smallest_sowing", self.smallest_sowing, 1, 10_000);
    }

    fn check_work_and_solution(&self, faults: &mut Faults) {
        for (field, tenths) in [
            ("sow_minutes_tenths", self.sow_minutes_tenths),
            ("cut_minutes_tenths", self.cut_minutes_tenths),
            ("clean_minutes_tenths", self.clean_minutes_tenths),
        ] {
            faults.within(field, tenths, 0, 6000);
        }
        for (field, millilitres) in [
            ("mix_at_sowing_millilitres", self.mix_at_sowing_millilitres),
            ("mix_at_cut_millilitres", self.mix_at_cut_millilitres),
        ] {
            faults.within(field, millilitres, 0, 10_000_000);
        }
        for (field, ph) in [("ph_low", self.ph_low), ("ph_high", self.ph_high)] {
            faults.unless((3.0..=9.0).contains(&ph), field, || {
                format!("pH {ph} is not between 3 and 9; no crop is kept there")
            });
        }
        faults.unless(self.ph_low <= self.ph_high, "ph_high", || {
            format!("pH {} is below ph_low {}", self.ph_high, self.ph_low)
        });
        let (low, high) = (
            self.ec_low_microsiemens_per_cm,
            self.ec_high_microsiemens_per_cm,
        );
        faults.within("ec_low_microsiemens_per_cm", low, 0, 10_000);
        faults.within("ec_high_microsiemens_per_cm", high, 0, 10_000);
        faults.unless(low <= high, "ec_high_microsiemens_per_cm", || {
            format!("{high} is below ec_low_microsiemens_per_cm {low}")
        });
    }
}

/// Faults found so far.
struct Faults(Vec<ProfileFault>);

impl Faults {
    fn unless(&mut self, holds: bool, field: &'static str, message: impl FnOnce() -> String) {
        if !holds {
            let message = message();
            self.0.push(ProfileFault { field, message });
        }
    }

    fn within(&mut self, field: &'static str, value: i64, least: i64, most: i64) {
        self.unless((least..=most).contains(&value), field, || {
            format!("{value} is not between {least} and {most}")
        });
    }

    fn days(&mut self, field: &'static str, days: u32, least: u32) {
        self.within(
            field,
            i64::from(days),
            i64::from(least),
            i64::from(MOST_DAYS),
        );
    }

    fn celsius(&mut self, field: &'static str, celsius: f64) {
        self.unless((-20.0..=60.0).contains(&celsius), field, || {
            format!("{celsius} °C is not between -20 and 60")
        });
    }

    /// Each temperature must not be below the one before it; those marked `true` must also be
    /// below the next.
    fn rising(&mut self, temperatures: &[(&'static str, f64, bool)]) {
        for &(field, celsius, _) in temperatures {
            if !self.0.iter().any(|fault| fault.field == field) {
                self.celsius(field, celsius);
            }
        }
        for pair in temperatures.windows(2) {
            let [(low_field, low, apart), (field, high, _)] = *pair else {
                continue;
            };
            self.unless(if apart { low < high } else { low <= high }, field, || {
                let relation = if apart { "not above" } else { "below" };
                format!("{high} °C is {relation} {low_field} {low} °C")
            });
        }
    }
}

#[cfg(test)]
mod tests;
