//! Learning from the co-operative's own record: what days, grams and survival really are, against
//! what the profiles expect.
//!
//! **Days and grams.** For every sowing the logarithm of observed over expected is a record. Records
//! scatter about the factor of their crop at their station. That scatters about the factor of the
//! crop by that method and what all crops at the station have in common; the factor by method about
//! that of the crop, this about its group's, and so on to the whole co-operative, which scatters
//! about 1, as stations do. All scatter is normal. What is told apart is drawn toward what lies
//! above it, by as much as the records of both are worth: for a single level `n/(n+k)` of the mean,
//! k the ratio of the variances. The variances have a prior (see [`Assumptions`]); everything is
//! averaged over what the records leave open about them, so intervals widen where there are few
//! records. Robust: a record that lies further than some standard deviations from what all *other*
//! records foretell (0.8 for the first record, tending to 3) counts as if it lay there.
//!
//! Days are learned about the median. Grams are learned about the mean, as a plan adds weights up:
//! half the variance of a record is added to the logarithm. They are grams of the containers that
//! stood, so that survival is not counted twice.
//!
//! **Survival.** Of the containers of a sowing a beta-binomial number stands; the log odds of their
//! share scatter by level and station as factors do, about those of the share that the profile
//! expects.
//!
//! **Not told apart:** what is lasting at a station and what one term was like there; scatter of
//! single containers within a sowing; one crop's scatter from another's.

mod apply;
mod check;
mod integrate;
mod level;
mod multiplicative;
mod nested;
mod survival;

use serde::{Deserialize, Serialize};

pub use apply::{Taught, expected_survival};
pub use check::LearningError;
pub use level::{Level, Place, Scope};

use check::{check_assumptions, check_frozen, check_record, is_share, tails};
use level::{Hierarchy, LEVELS};
use multiplicative::{LogFactor, Multiplicative, VariancePrior};
use nested::Ratios;
use survival::{ShareBelief, Stand, SurvivalPrior, Survivals};

/// An observed figure beside the one that the profile expected, in the same unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measured {
    /// What was found, above 0.
    pub observed: f64,
    /// What the profile expected there and then, before anything learned; above 0.
    pub expected: f64,
}

/// What is on record of one sowing that was cut, cleared or lost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SowingRecord {
    /// What was sown where.
    pub place: Place,
    /// Day of the record, counted from any fixed day; used by [`Reset`] alone.
    pub day: i64,
    /// Days from sowing until the first cut was ready.
    pub days_to_first_cut: Option<Measured>,
    /// Grams of all cuts taken so far. Expected: of the same cuts, of all containers sown, after
    /// the profile's emergence losses.
    pub grams: Option<Measured>,
    /// Containers sown, at least 1.
    pub containers_sown: u32,
    /// Containers that came to stand; `None` when nobody counted.
    pub containers_stood: Option<u32>,
    /// Whether the sowing was lost before a cut: then none stood, whatever was counted.
    pub lost: bool,
    /// Share of containers that the profile expects to stand, above 0 to 1.
    pub expected_survival: f64,
}

/// What is learned.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Days to the first cut and to later ones.
    Days,
    /// Grams of the containers that stand.
    Grams,
    /// Share of containers that stand.
    Survival,
}

/// A coordinator's word that a figure is so. Narrower levels are drawn toward it; wider ones learn
/// nothing from the records below it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Frozen {
    /// What it holds for. Survival can be frozen for a crop or something narrower.
    pub scope: Scope,
    /// What is frozen.
    pub quantity: Quantity,
    /// The factor above 0; for survival the share itself, above 0 to 1.
    pub value: f64,
}

/// A coordinator's wish to forget old records, after a change of lamps, say.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reset {
    /// Where.
    pub scope: Scope,
    /// What is forgotten; `None` for everything.
    pub quantity: Option<Quantity>,
    /// Records of days before this one are left out.
    pub before_day: i64,
}

/// What a coordinator has decided about the factors.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Choices {
    /// Figures held at a value. Of several for the same scope and quantity the last holds.
    pub frozen: Vec<Frozen>,
    /// Records to forget.
    pub resets: Vec<Reset>,
}

/// What is assumed of a factor before there are records, as standard deviations of logarithms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FactorAssumptions {
    /// Scatter of one sowing's record about its factor.
    pub record: f64,
    /// Scatter of each level's factor about the level above it, in the order of [`Level::ALL`].
    pub levels: [f64; LEVELS],
    /// Scatter of what all crops at a station have in common.
    pub station: f64,
}

/// What is assumed before there are records. The defaults are the project's own judgement, no
/// source. They stand until records say otherwise: as a prior that counts for
/// [`Assumptions::RECORDS`] sowings as to the scatter of records. The scatter of the levels and the
/// stations is anything from 0.15 to 2.5 times what is assumed, of survival from 0.15 to 1.9 times,
/// evenly, all alike but for a factor of 1.5 either way (stations of 1.8, of survival 1.6). Even in
/// the standard deviation (Gelman, Prior distributions for variance parameters in hierarchical
/// models, Bayesian Analysis 1:515-534, 2006), so that intervals are not too narrow where a
/// co-operative is less like the profiles than is assumed and one term cannot tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Assumptions {
    /// About days.
    pub days: FactorAssumptions,
    /// About grams.
    pub grams: FactorAssumptions,
    /// Correlation between the containers of one sowing, above 0 and below 1.
    pub correlation_within_sowing: f64,
    /// Scatter of each level's survival about the level above it: standard deviation of log odds.
    pub survival_level: f64,
    /// The same of what all crops at a station have in common.
    pub survival_station: f64,
}

impl Assumptions {
    /// Sowings that the assumed scatter of records counts for.
    pub const RECORDS: f64 = 6.0;
}

impl Default for Assumptions {
    fn default() -> Self {
        Self {
            days: FactorAssumptions {
                record: 0.12,
                levels: [0.045, 0.03, 0.045, 0.03, 0.035],
                station: 0.03,
            },
            grams: FactorAssumptions {
                record: 0.4,
                levels: [0.12, 0.07, 0.09, 0.06, 0.08],
                station: 0.06,
            },
            correlation_within_sowing: 0.1,
            survival_level: 0.35,
            survival_station: 0.25,
        }
    }
}

/// A range that holds the true figure with some probability, as far as is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// A learned factor: what the profile expects is to be multiplied by it.
#[derive(Debug, Clone, PartialEq)]
pub struct Factor(LogFactor);

impl Factor {
    /// The factor, about the middle of what is possible; exactly 1 without records.
    #[must_use]
    pub fn multiplier(&self) -> f64 {
        self.0.mean().exp()
    }

    /// Number of sowings on record at [`Self::basis`].
    #[must_use]
    pub fn sowings(&self) -> usize {
        self.0.records
    }

    /// The narrowest level with records of this place, up to the level asked for; `None` when
    /// there are none at all.
    #[must_use]
    pub fn basis(&self) -> Option<Level> {
        self.0.basis
    }

    /// Whether a coordinator holds it at this value.
    #[must_use]
    pub fn is_frozen(&self) -> bool {
        self.0.frozen
    }

    /// Whether anything is on record, or held, that bears on the place.
    #[must_use]
    pub fn is_moved(&self) -> bool {
        self.0.moved
    }

    /// Probability that the true factor is below a value above 0.
    #[must_use]
    pub fn probability_below(&self, value: f64) -> f64 {
        self.0.probability_below(value.ln())
    }

    /// The central credible interval.
    ///
    /// # Errors
    /// When the probability is not above 0 and below 1.
    pub fn interval(&self, probability: f64) -> Result<Interval, LearningError> {
        let (low, high) = tails(probability)?;
        Ok(Interval {
            low: self.0.quantile(low).exp(),
            high: self.0.quantile(high).exp(),
        })
    }
}

/// A learned share of containers that stand.
#[derive(Debug, Clone, PartialEq)]
pub struct Survival(ShareBelief);

impl Survival {
    /// The expected share.
    #[must_use]
    pub fn share(&self) -> f64 {
        self.0.mean()
    }

    /// Number of sowings on record at [`Self::basis`].
    #[must_use]
    pub fn sowings(&self) -> usize {
        self.0.sowings
    }

    /// The narrowest level with records of this place, up to the level asked for; `None` when
    /// there are none at all.
    #[must_use]
    pub fn basis(&self) -> Option<Level> {
        self.0.basis
    }

    /// Whether a coordinator holds it at this value.
    #[must_use]
    pub fn is_frozen(&self) -> bool {
        self.0.held.is_some()
    }

    /// Whether anything is on record, or held, that bears on the place.
    #[must_use]
    pub fn is_moved(&self) -> bool {
        self.0.unmoved.is_none()
    }

    /// Probability that the true share is below a value above 0.
    #[must_use]
    pub fn probability_below(&self, value: f64) -> f64 {
        self.0.probability_below(value)
    }

    /// The central credible interval of the share.
    ///
    /// # Errors
    /// When the probability is not above 0 and below 1.
    pub fn interval(&self, probability: f64) -> Result<Interval, LearningError> {
        let (low, high) = tails(probability)?;
        Ok(Interval {
            low: self.0.quantile(low),
            high: self.0.quantile(high),
        })
    }
}

/// How the next sowing of a crop at a station is expected to scatter about its learned figures,
/// what is not known about these included.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ExpectedScatter {
    /// Share of containers that stand, above 0 to 1.
    pub survival: f64,
    /// Coefficient of variation of the grams of a standing container.
    pub grams_variation: f64,
    /// Coefficient of variation of the days to the first cut.
    pub days_variation: f64,
    /// Share of the variance of the logarithm of grams that all sowings of the crop at the
    /// station have in common: what is not known about its factor.
    pub station_share: f64,
}

impl ExpectedScatter {
    /// Standard deviation, in days, of the days to the first cut when so many are expected.
    #[must_use]
    pub fn days_standard_deviation(&self, expected_days: f64) -> f64 {
        self.days_variation * expected_days
    }
}

/// What the record of a co-operative teaches.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    days: Multiplicative,
    grams: Multiplicative,
    survivals: Survivals,
}

impl Learned {
    /// The factor of days of a place, at a level: [`Level::CropStation`] for a plan.
    #[must_use]
    pub fn days(&self, place: &Place, level: Level) -> Factor {
        Factor(self.days.at(place, level))
    }

    /// The factor of the grams of standing containers of a place, at a level.
    #[must_use]
    pub fn grams(&self, place: &Place, level: Level) -> Factor {
        Factor(self.grams.at(place, level))
    }

    /// What all crops at the station of a place have in common of days, beside what they have
    /// anywhere: a factor as well.
    #[must_use]
    pub fn days_of_station(&self, place: &Place) -> Factor {
        Factor(self.days.at_station(place))
    }

    /// What all crops at the station of a place have in common of the grams of standing containers.
    #[must_use]
    pub fn grams_of_station(&self, place: &Place) -> Factor {
        Factor(self.grams.at_station(place))
    }

    /// The share of containers that would stand at the station of a place by what all crops there
    /// have in common alone, of a crop of which the profile expects `expected_share`.
    ///
    /// # Errors
    /// When the expected share is not above 0 and at most 1.
    pub fn survival_of_station(
        &self,
        place: &Place,
        expected_share: f64,
    ) -> Result<Survival, LearningError> {
        if !is_share(expected_share) {
            return Err(LearningError::ExpectedShare(expected_share));
        }
        Ok(Survival(self.survivals.at_station(place, expected_share)))
    }

    /// The share of containers that stand at a place, at a level, where the profile expects
    /// `expected_share`.
    ///
    /// # Errors
    /// When the expected share is not above 0 and at most 1.
    pub fn survival(
        &self,
        place: &Place,
        level: Level,
        expected_share: f64,
    ) -> Result<Survival, LearningError> {
        if !is_share(expected_share) {
            return Err(LearningError::ExpectedShare(expected_share));
        }
        Ok(Survival(self.survivals.at(place, level, expected_share)))
    }

    /// Scatter of the next sowing of a crop at a station.
    ///
    /// # Errors
    /// When the expected share is not above 0 and at most 1.
    pub fn scatter(
        &self,
        place: &Place,
        expected_share: f64,
    ) -> Result<ExpectedScatter, LearningError> {
        let variation = |variance: f64| variance.exp_m1().sqrt();
        let days = self.days.at(place, Level::CropStation).variance();
        let grams = self.grams.at(place, Level::CropStation).variance();
        let all_grams = grams + self.grams.record_variance();
        Ok(ExpectedScatter {
            survival: self
                .survival(place, Level::CropStation, expected_share)?
                .share(),
            grams_variation: variation(all_grams),
            days_variation: variation(days + self.days.record_variance()),
            station_share: grams / all_grams,
        })
    }
}

/// Learns from the record of a co-operative. The order of records does not matter.
///
/// # Errors
/// [`LearningError`] for the first figure that cannot be.
pub fn learn(
    records: &[SowingRecord],
    choices: &Choices,
    assumptions: &Assumptions,
) -> Result<Learned, LearningError> {
    check_assumptions(assumptions)?;
    for (index, record) in records.iter().enumerate() {
        check_record(index, record)?;
    }
    for (index, frozen) in choices.frozen.iter().enumerate() {
        check_frozen(index, frozen)?;
    }
    let factor = |quantity, prior: &FactorAssumptions, of: fn(&SowingRecord) -> Option<f64>| {
        let found: Vec<(&Place, f64)> = kept(records, choices, quantity)
            .filter_map(|record| Some((&record.place, of(record)?.ln())))
            .collect();
        let places = found.iter().map(|(place, _)| *place);
        Multiplicative::learn(
            Hierarchy::new(places, frozen(choices, quantity, f64::ln)),
            &found,
            &prior.as_prior(),
            quantity == Quantity::Grams,
        )
    };
    let stands: Vec<Stand<'_>> = kept(records, choices, Quantity::Survival)
        .filter_map(|record| {
            Some(Stand {
                place: &record.place,
                sown: record.containers_sown,
                stood: record.stood()?,
                expected: record.expected_survival,
            })
        })
        .collect();
    Ok(Learned {
        days: factor(Quantity::Days, &assumptions.days, SowingRecord::days_ratio),
        grams: factor(
            Quantity::Grams,
            &assumptions.grams,
            SowingRecord::grams_ratio,
        ),
        survivals: Survivals::learn(
            Hierarchy::new(
                stands.iter().map(|stand| stand.place),
                frozen(choices, Quantity::Survival, |share| share),
            ),
            &stands,
            &SurvivalPrior {
                variance: assumptions.survival_level.powi(2),
                station: assumptions.survival_station.powi(2),
                correlation: assumptions.correlation_within_sowing,
            },
        ),
    })
}

impl SowingRecord {
    fn stood(&self) -> Option<u32> {
        if self.lost {
            Some(0)
        } else {
            self.containers_stood
        }
    }

    fn days_ratio(&self) -> Option<f64> {
        self.days_to_first_cut
            .map(|days| days.observed / days.expected)
    }

    /// Grams against those expected of the containers that stood; of all where nobody counted.
    fn grams_ratio(&self) -> Option<f64> {
        let grams = self.grams?;
        let stood_against_expected = self.containers_stood.map_or(1.0, |stood| {
            f64::from(stood) / (f64::from(self.containers_sown) * self.expected_survival)
        });
        Some(grams.observed / grams.expected / stood_against_expected)
    }
}

impl FactorAssumptions {
    fn as_prior(&self) -> VariancePrior {
        VariancePrior {
            ratios: Ratios {
                levels: self.levels.map(|level| (level / self.record).powi(2)),
                station: (self.station / self.record).powi(2),
            },
            record_variance: self.record * self.record,
            records: Assumptions::RECORDS,
        }
    }
}

fn kept<'a>(
    records: &'a [SowingRecord],
    choices: &'a Choices,
    quantity: Quantity,
) -> impl Iterator<Item = &'a SowingRecord> {
    records.iter().filter(move |record| {
        !choices.resets.iter().any(|reset| {
            reset.quantity.is_none_or(|of| of == quantity)
                && record.day < reset.before_day
                && reset.scope.holds(&record.place)
        })
    })
}

fn frozen(choices: &Choices, quantity: Quantity, on_scale: fn(f64) -> f64) -> Vec<(Scope, f64)> {
    choices
        .frozen
        .iter()
        .filter(|frozen| frozen.quantity == quantity)
        .map(|frozen| (frozen.scope.clone(), on_scale(frozen.value)))
        .collect()
}

#[cfg(test)]
mod tests;
