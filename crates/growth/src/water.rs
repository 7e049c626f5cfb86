//! Water: what a container uses, how its level falls, and how far it may be filled again.
//!
//! Use follows fresh growth: litres per kilogram, published as totals over a crop. Those totals are of
//! whole covered containers, so nothing is added for evaporation unless somebody measured it. How
//! growth is spread over the days is not published for still containers: the weight of a stage is
//! taken to rise with a power of its development (common practice, no source), which moves use between
//! days and never changes its sum.

use std::ops::Range;

use crate::ceilings::LEAST_LITRES_PER_KILOGRAM;
use crate::climate::Climate;
use crate::development::{Gains, KnownDays, Stage};
use crate::profile::{CropProfile, GrowingMethod};
use crate::weight::{ContainerYield, WeightFactors, cut_milligrams_after_emergence, scale};

/// Power of development by which a plant grows from seed. From memory: young plants grow by a share
/// of what they are, so that about half of the weight comes in the last fifth of the time.
const POWER_FROM_SEED: i32 = 3;

/// Power of development by which a cut plant grows again: it keeps its roots.
const POWER_OF_REGROWTH: i32 = 2;

/// Modelled use that weighs as much as what was observed, in microlitres, when a container's use is
/// corrected by readings. Common practice, no source.
const WEIGHT_OF_THE_MODEL_MICROLITRES: i64 = 500_000;

/// Thousandths of the first fill below which a still crop has come to its end (Kratky, Acta
/// Horticulturae 648:83-89, 2004).
pub const END_OF_CROP_PERMILLE: i64 = 100;

/// Millimetres by which the level may be raised at most once roots hang in the air (the same).
pub const MOST_RISE_MILLIMETRES: i64 = 20;

/// Where the rules of refilling come from.
pub const REFILL_SOURCE: &str = "Kratky, A suspended pot, non-circulating hydroponic method, \
    Acta Horticulturae 648:83-89, 2004";

/// Where the litres per kilogram come from.
pub const WATER_USE_SOURCE: &str = "12 to 15 L/kg attributed to the original papers on still \
    containers (secondary); 13.3 L/kg at best in closed rooms, Pennisi et al., Sci. Rep. 9:14127, 2019; \
    20 ± 3.8 L/kg modelled for a greenhouse, Barbosa et al., Int. J. Environ. Res. Public Health \
    12:6879-6891, 2015";

/// How much liquid a crop uses. For the sources see [`WATER_USE_SOURCE`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WaterUse {
    /// Microlitres for a gram of fresh growth.
    pub microlitres_per_gram: i64,
    /// Microlitres that a container loses in a day beside its plants.
    pub evaporation_microlitres: i64,
}

impl WaterUse {
    /// The least that was published.
    pub const LEAST: Self = Self::of_litres_per_kilogram(LEAST_LITRES_PER_KILOGRAM);
    /// The upper end of what is told of still containers.
    pub const USUAL: Self = Self::of_litres_per_kilogram(15);
    /// What was modelled for a greenhouse.
    pub const MOST: Self = Self::of_litres_per_kilogram(20);

    /// A use without evaporation.
    #[must_use]
    pub const fn of_litres_per_kilogram(litres: i64) -> Self {
        Self {
            microlitres_per_gram: litres * 1000,
            evaporation_microlitres: 0,
        }
    }

    /// Microlitres for so many milligrams of growth, rounded down.
    fn microlitres(&self, milligrams: i64) -> i64 {
        scale(milligrams, self.microlitres_per_gram)
    }

    /// Milligrams of fresh growth that so much liquid supports, rounded down.
    #[must_use]
    pub fn supported_milligrams(&self, microlitres: i64) -> i64 {
        microlitres.saturating_mul(1000) / self.microlitres_per_gram.max(1)
    }
}

/// A crop in containers of one kind in one climate.
#[derive(Debug, Clone, Copy)]
pub struct Growing<'a> {
    /// The crop.
    pub profile: &'a CropProfile,
    /// Where it stands.
    pub climate: &'a Climate,
    /// In what.
    pub container: &'a ContainerYield,
    /// What is known of it there.
    pub known: KnownDays,
}

/// Growth of one container from a sowing or a cut until the next cut.
struct Growth {
    from_day: i64,
    until_day: i64,
    /// The day on which it can be cut, if that is within the climate.
    ready_day: Option<i64>,
    milligrams: i64,
    stage: Stage,
    power: i32,
}

impl Growth {
    /// Milligrams grown before a day.
    fn before(&self, gains: &Gains, last_day: i64, day: i64) -> i64 {
        let share = match self.stage.known_days {
            Some(days) => day.saturating_sub(self.from_day) as f64 / f64::from(days.max(1)),
            None => {
                let gained = |day: i64| gains.before(day.min(last_day)).unwrap_or(0);
                gained(day).saturating_sub(gained(self.from_day)) as f64
                    / self.stage.micro_days.max(1) as f64
            }
        };
        // the cast saturates and takes a missing number as nothing
        (self.milligrams as f64 * share.clamp(0.0, 1.0).powi(self.power)).round() as i64
    }
}

impl Growing<'_> {
    /// Liquid that one container uses on each of `days`, in microlitres. Days are counted like those
    /// of the climate; `cut_days` are the cuts taken and to come, in ascending order. Nothing is used
    /// before the sowing and after the last cut of the profile. A crop that is ready and waits uses as
    /// much a day as on the last day before.
    #[must_use]
    pub fn daily_use_microlitres(
        &self,
        water: WaterUse,
        sown_day: i64,
        cut_days: &[i64],
        days: Range<i64>,
    ) -> Vec<i64> {
        let gains = Gains::of_growth(self.profile, self.climate, false);
        let last_day = self.climate.days();
        let stages = self.stages(&gains, sown_day, cut_days);
        days.map(|day| {
            let Some(growth) = stages
                .iter()
                .find(|growth| (growth.from_day..growth.until_day).contains(&day))
            else {
                return 0;
            };
            let used = |day| water.microlitres(growth.before(&gains, last_day, day));
            let day = growth.ready_day.map_or(day, |ready| day.min(ready - 1));
            used(day.saturating_add(1)) - used(day) + water.evaporation_microlitres
        })
        .collect()
    }

    fn stages(&self, gains: &Gains, sown_day: i64, cut_days: &[i64]) -> Vec<Growth> {
        let factors = WeightFactors::new(self.profile, self.climate);
        let weights = cut_milligrams_after_emergence(self.profile, self.container);
        let starts = std::iter::once(&sown_day).chain(cut_days);
        weights
            .into_iter()
            .zip(starts)
            .enumerate()
            .map(|(cut, (weight, &from_day))| {
                let (stage, power) = if cut == 0 {
                    (Stage::first_cut(self.profile, self.known), POWER_FROM_SEED)
                } else {
                    (Stage::regrowth(self.profile, self.known), POWER_OF_REGROWTH)
                };
                let ready_day = stage.ready_day(gains, from_day);
                let grown_by = ready_day.unwrap_or_else(|| self.climate.days());
                Growth {
                    from_day,
                    until_day: cut_days.get(cut).copied().unwrap_or(i64::MAX),
                    ready_day,
                    milligrams: scale(weight, factors.mean(from_day, grown_by)),
                    stage,
                    power,
                }
            })
            .collect()
    }
}

/// A container as far as its liquid goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Vessel {
    /// What it holds to the brim.
    pub volume_microlitres: i64,
    /// What it holds at the fill line.
    pub fill_microlitres: i64,
    /// Highest refill once air roots have formed.
    pub refill_limit_microlitres: i64,
}

/// What somebody wrote down about the liquid in a container, in microlitres.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LevelEntry {
    /// So much is in it.
    Read(i64),
    /// So much was poured in.
    Added(i64),
}

/// The liquid in a container as it is reckoned now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Level {
    /// Microlitres.
    pub microlitres: i64,
    /// Thousandths of the modelled use that readings show.
    pub use_permille: i64,
}

/// The level after `daily_use`, one figure a day from the day of sowing, on which the container was
/// filled to its line. Each entry has its day, counted from sowing, and stands before the use of that
/// day; entries are in the order of their making, and one on the day after the last counts too.
///
/// A reading sets the level, and the use between readings corrects the model: observed over modelled
/// use, each with [`WEIGHT_OF_THE_MODEL_MICROLITRES`] of the model on top. A span in which the level
/// rose with nothing poured in is not learned from.
#[must_use]
pub fn level_after(vessel: &Vessel, daily_use: &[i64], entries: &[(usize, LevelEntry)]) -> Level {
    let used = |from: usize, to: usize| -> i64 {
        let to = to.min(daily_use.len());
        daily_use
            .get(from.min(to)..to)
            .unwrap_or_default()
            .iter()
            .sum()
    };
    let (mut observed, mut modelled) = (0_i64, 0_i64);
    let (mut known_day, mut known) = (0, vessel.fill_microlitres);
    // poured in since the level was last known
    let mut added: Vec<(usize, i64)> = Vec::new();
    for &(day, entry) in entries {
        match entry {
            LevelEntry::Added(microlitres) => added.push((day, microlitres)),
            LevelEntry::Read(microlitres) => {
                let poured: i64 = added.iter().map(|(_, poured)| poured).sum();
                let gone = known.saturating_add(poured).saturating_sub(microlitres);
                if gone >= 0 {
                    observed = observed.saturating_add(gone);
                    modelled = modelled.saturating_add(used(known_day, day));
                }
                (known_day, known) = (day, microlitres);
                added.clear();
            }
        }
    }
    let shown = i128::from(observed) + i128::from(WEIGHT_OF_THE_MODEL_MICROLITRES);
    let model = i128::from(modelled) + i128::from(WEIGHT_OF_THE_MODEL_MICROLITRES);
    let use_permille = i64::try_from(shown * 1000 / model).unwrap_or(i64::MAX);
    let mut microlitres = known;
    let mut day = known_day;
    for (poured_day, poured) in added {
        microlitres = (microlitres - scale(used(day, poured_day), use_permille)).max(0);
        microlitres = microlitres
            .saturating_add(poured)
            .min(vessel.volume_microlitres);
        day = poured_day;
    }
    let since = scale(used(day, daily_use.len()), use_permille);
    Level {
        microlitres: (microlitres - since).max(0),
        use_permille,
    }
}

impl Level {
    /// Levels in microlitres at the start of each of the coming days, one more than there are uses.
    #[must_use]
    pub fn course(&self, daily_use: &[i64]) -> Vec<i64> {
        let mut level = self.microlitres.max(0);
        let mut course = vec![level];
        for used in daily_use {
            level = (level - scale(*used, self.use_permille)).max(0);
            course.push(level);
        }
        course
    }

    /// The first of the coming days in the course of which the level falls below a mark, 0 for
    /// today; `None` when it does not.
    #[must_use]
    pub fn low_day(&self, mark: i64, daily_use: &[i64]) -> Option<usize> {
        if self.microlitres < mark {
            return Some(0);
        }
        let course = self.course(daily_use);
        course.iter().skip(1).position(|level| *level < mark)
    }
}

/// Why a container may not be filled further.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RefillRule {
    /// No roots hang in the air, or the liquid is aerated: the fill line.
    FillLine,
    /// Roots hang in the air: the refill limit of the container kind.
    KindLimit,
    /// Roots hang in the air: [`MOST_RISE_MILLIMETRES`] above the level as it is.
    Rise,
}

/// How far a container may be filled now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RefillLimit {
    /// Highest level.
    pub highest_microlitres: i64,
    /// Which rule gives it.
    pub rule: RefillRule,
}

/// How far a container at a level may be filled. `microlitres_per_millimetre` of depth is known where
/// somebody measured the depth; without it the rise cannot be told from a volume, and the limit of the
/// container kind has to do.
#[must_use]
pub fn refill_limit(
    vessel: &Vessel,
    method: GrowingMethod,
    air_roots: bool,
    level: i64,
    microlitres_per_millimetre: Option<i64>,
) -> RefillLimit {
    if method == GrowingMethod::Aerated || !air_roots {
        return RefillLimit {
            highest_microlitres: vessel.fill_microlitres,
            rule: RefillRule::FillLine,
        };
    }
    let risen = microlitres_per_millimetre
        .map(|slice| level.saturating_add(slice.saturating_mul(MOST_RISE_MILLIMETRES)));
    match risen {
        Some(highest) if highest < vessel.refill_limit_microlitres => RefillLimit {
            highest_microlitres: highest,
            rule: RefillRule::Rise,
        },
        _ => RefillLimit {
            highest_microlitres: vessel.refill_limit_microlitres,
            rule: RefillRule::KindLimit,
        },
    }
}

/// Refills of a container that is filled to `highest` on each day on which it would fall below
/// `mark`: day, counted like `daily_use`, and microlitres. None where the mark is not below the
/// highest level.
#[must_use]
pub fn planned_refills(
    level: i64,
    mark: i64,
    highest: i64,
    daily_use: &[i64],
) -> Vec<(usize, i64)> {
    let mut refills = Vec::new();
    let mut level = level;
    for (day, used) in daily_use.iter().enumerate() {
        if level - used < mark && mark < highest && level < highest && *used > 0 {
            refills.push((day, highest - level));
            level = highest;
        }
        level = (level - used).max(0);
    }
    refills
}

#[cfg(test)]
mod tests;
