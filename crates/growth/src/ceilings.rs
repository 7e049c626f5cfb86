//! Two published ceilings that no crop profile should promise beyond.

use std::fmt;

use crate::profile::CropProfile;
use crate::weight::{ContainerYield, scale};

/// Litres of liquid used for a kilogram of fresh weight at the very least: 12 to 15 L/kg is
/// attributed to the original papers on still containers (read in a secondary copy). Pennisi et
/// al., Sci. Rep. 9:14127, 2019 found 13.3 L/kg at best in closed rooms; Barbosa et al., Int. J.
/// Environ. Res. Public Health 12:6879, 2015 model 20 ± 3.8 L/kg for a greenhouse.
pub const LEAST_LITRES_PER_KILOGRAM: i64 = 12;

/// Milligrams of fresh weight per square metre and day: 41 kg a year for head lettuce in a
/// greenhouse, Barbosa et al. 2015. Used for every crop, as no figure for others is at hand.
pub const PUBLISHED_UPPER_YIELD_MILLIGRAMS: i64 = 41_000_000 / 365;

/// Daily light, in mol, from which the published upper yield is not reduced: the lettuce target of
/// Gagne & Mattson 2019. Below it the ceiling falls in proportion to light.
const LIGHT_OF_UPPER_YIELD_MOL: f64 = 17.0;

/// Thousandths of the first fill that a crop may use: it ends when less than a tenth is left
/// (Acta Hort. 648:83-89, 2004).
const USABLE_FILL_PERMILLE: i64 = 900;

/// A ceiling that the cuts of a profile, with every plant standing, go beyond.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum BrokenCeiling {
    /// All cuts together need more liquid than fill and refills give.
    Liquid {
        /// Milligrams that all cuts together would give.
        promised_milligrams: i64,
        /// Milligrams that the liquid allows.
        ceiling_milligrams: i64,
    },
    /// More per area and day than a published upper yield at this light.
    AreaAndLight {
        /// Milligrams per square metre and day that the cuts come to.
        promised_milligrams: i64,
        /// Milligrams per square metre and day of the ceiling.
        ceiling_milligrams: i64,
    },
}

impl fmt::Display for BrokenCeiling {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Liquid {
                promised_milligrams,
                ceiling_milligrams,
            } => write!(
                formatter,
                "the cuts add up to {} g, but the liquid allows {} g at {LEAST_LITRES_PER_KILOGRAM} L/kg",
                promised_milligrams / 1000,
                ceiling_milligrams / 1000,
            ),
            Self::AreaAndLight {
                promised_milligrams,
                ceiling_milligrams,
            } => write!(
                formatter,
                "the cuts come to {} g a square metre and day; published lettuce yields reach {} g at this light",
                promised_milligrams / 1000,
                ceiling_milligrams / 1000,
            ),
        }
    }
}

/// Ceilings that the profile breaks in this kind of container at its reference light; empty when
/// its weights are believable. Refills count as [`CropProfile::mix_at_cut_millilitres`] after each
/// cut but the last.
#[must_use]
pub fn broken_ceilings(profile: &CropProfile, container: &ContainerYield) -> Vec<BrokenCeiling> {
    let full: i64 = profile
        .cut_milligrams
        .iter()
        .fold(0, |sum, &weight| sum.saturating_add(weight));
    let promised = scale(full, container.yield_permille);
    let regrowths = i64::try_from(profile.cut_milligrams.len().saturating_sub(1)).unwrap_or(0);
    let mut broken = Vec::new();

    let liquid_millilitres = scale(container.liquid_millilitres, USABLE_FILL_PERMILLE)
        .saturating_add(profile.mix_at_cut_millilitres.saturating_mul(regrowths));
    let ceiling = liquid_millilitres.saturating_mul(1000) / LEAST_LITRES_PER_KILOGRAM;
    if promised > ceiling {
        broken.push(BrokenCeiling::Liquid {
            promised_milligrams: promised,
            ceiling_milligrams: ceiling,
        });
    }

    let days = i64::from(profile.days_to_first_cut)
        .saturating_add(i64::from(profile.days_to_regrow).saturating_mul(regrowths))
        .max(1);
    let square_centimetre_days = container
        .area_square_centimetres
        .saturating_mul(days)
        .max(1);
    let per_area = promised.saturating_mul(10_000) / square_centimetre_days;
    let light_share = (profile.light_reference_mol / LIGHT_OF_UPPER_YIELD_MOL).clamp(0.0, 1.0);
    // The cast saturates and takes a missing number as nothing.
    let light_permille = (light_share * 1000.0).round() as i64;
    let ceiling = scale(PUBLISHED_UPPER_YIELD_MILLIGRAMS, light_permille);
    if per_area > ceiling {
        broken.push(BrokenCeiling::AreaAndLight {
            promised_milligrams: per_area,
            ceiling_milligrams: ceiling,
        });
    }
    broken
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::test_profile;

    /// Barbosa et al. 2015: 41 kg per square metre and year is 112 g per square metre and day.
    #[test]
    fn published_upper_yield_by_day() {
        assert_eq!(PUBLISHED_UPPER_YIELD_MILLIGRAMS / 1000, 112);
    }

    /// One US gallon at 12 L/kg carries 315 g; a tenth of the fill is left at the end: 283 g. A
    /// 142 g head in 35 days (Cornell controlled-environment pond system) is believable in it.
    #[test]
    fn a_gallon_jar_grows_a_head_but_not_three() {
        let jar = ContainerYield {
            liquid_millilitres: 3785,
            ..ContainerYield::REFERENCE
        };
        let check = |milligrams: i64, expect: Option<i64>| {
            let profile = CropProfile {
                cut_milligrams: vec![milligrams],
                days_to_first_cut: 300,
                ..test_profile()
            };
            let liquid =
                broken_ceilings(&profile, &jar)
                    .into_iter()
                    .find_map(|broken| match broken {
                        BrokenCeiling::Liquid {
                            ceiling_milligrams, ..
                        } => Some(ceiling_milligrams),
                        BrokenCeiling::AreaAndLight { .. } => None,
                    });
            assert_eq!(liquid, expect, "{milligrams} mg");
        };
        check(142_000, None);
        check(283_000, None);
        check(315_000, Some(283_833));
        check(426_000, Some(283_833));
    }

    #[test]
    fn area_and_light_limit_what_a_place_gives() {
        let check = |(milligrams, mol, cm2): (i64, f64, i64), expect: &[&str]| {
            let profile = CropProfile {
                cut_milligrams: vec![milligrams],
                days_to_first_cut: 35,
                light_reference_mol: mol,
                ..test_profile()
            };
            let container = ContainerYield {
                area_square_centimetres: cm2,
                ..ContainerYield::REFERENCE
            };
            let messages: Vec<String> = broken_ceilings(&profile, &container)
                .iter()
                .map(ToString::to_string)
                .collect();
            assert_eq!(
                messages, expect,
                "{milligrams} mg at {mol} mol on {cm2} cm²"
            );
        };
        check((142_000, 17.0, 400), &[]);
        check(
            (142_000, 8.5, 400),
            &[
                "the cuts come to 101 g a square metre and day; published lettuce yields reach 56 g at this light",
            ],
        );
        check(
            (142_000, 17.0, 300),
            &[
                "the cuts come to 135 g a square metre and day; published lettuce yields reach 112 g at this light",
            ],
        );
        check(
            (500_000, 17.0, 2000),
            &["the cuts add up to 500 g, but the liquid allows 262 g at 12 L/kg"],
        );
    }

    #[test]
    fn refills_raise_the_liquid_ceiling() {
        let profile = CropProfile {
            cut_milligrams: vec![100_000; 3],
            days_to_first_cut: 100,
            days_to_regrow: 30,
            mix_at_cut_millilitres: 500,
            ..test_profile()
        };
        assert_eq!(broken_ceilings(&profile, &ContainerYield::REFERENCE), []);
        let dry = CropProfile {
            mix_at_cut_millilitres: 0,
            ..profile
        };
        assert_eq!(
            broken_ceilings(&dry, &ContainerYield::REFERENCE),
            [BrokenCeiling::Liquid {
                promised_milligrams: 300_000,
                ceiling_milligrams: 262_500
            }]
        );
    }
}
