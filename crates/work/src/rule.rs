//! Rules as data: which work an event brings, when, for how long and for whom.

use std::collections::BTreeMap;

use cotyl_calendar::Flexibility;
use cotyl_domain::QualificationKind;
use cotyl_domain::task::TaskKind;
use serde::{Deserialize, Serialize};

use crate::defaults::default_rule;

/// The name of a rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RuleKey {
    /// Sow.
    Sow,
    /// Mist what has not sprouted.
    Mist,
    /// See what has come up, and thin.
    CheckGermination,
    /// Top up still containers before they run low.
    TopUp,
    /// Measure pH and conductivity where something stands.
    Measure,
    /// Turn containers round, so that all sides get light.
    Turn,
    /// Bring a reading back into the crop's range.
    Adjust,
    /// Mix solution before it is needed.
    Mix,
    /// Read a batch that was begun, and say that it is ready.
    ReadBatch,
    /// Cut.
    Cut,
    /// Clear and clean after the last cut.
    ClearAndClean,
    /// Count the store.
    Count,
    /// Pack what is to be delivered.
    Pack,
    /// Deliver.
    Deliver,
}

impl RuleKey {
    /// All rules, in the order in which they are shown.
    pub const ALL: [RuleKey; 14] = [
        Self::Sow,
        Self::Mist,
        Self::CheckGermination,
        Self::TopUp,
        Self::Measure,
        Self::Turn,
        Self::Adjust,
        Self::Mix,
        Self::ReadBatch,
        Self::Cut,
        Self::ClearAndClean,
        Self::Count,
        Self::Pack,
        Self::Deliver,
    ];

    /// The name kept in the database and shown in the API.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Sow => "sow",
            Self::Mist => "mist",
            Self::CheckGermination => "check_germination",
            Self::TopUp => "top_up",
            Self::Measure => "measure",
            Self::Turn => "turn",
            Self::Adjust => "adjust",
            Self::Mix => "mix",
            Self::ReadBatch => "read_batch",
            Self::Cut => "cut",
            Self::ClearAndClean => "clear_and_clean",
            Self::Count => "count",
            Self::Pack => "pack",
            Self::Deliver => "deliver",
        }
    }

    /// The rule of that name.
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|key| key.as_str() == name)
    }

    /// The rule that a derived occasion comes from.
    #[must_use]
    pub fn of_occasion(occasion: &str) -> Option<Self> {
        let mut words = occasion.split(':');
        let of = words.next()?;
        let word = words.nth(1)?;
        if (of, word) == ("batch", "measure") {
            return Some(Self::ReadBatch);
        }
        Self::parse(word)
    }
}

/// What a rule is relative to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Event {
    /// The day of sowing, as it really was or is planned.
    SowingDay,
    /// Each day on which a sowing stands unsprouted.
    Unsprouted,
    /// Expected emergence, then each look that found nothing.
    Emergence,
    /// Each cut of a sowing.
    EachCut,
    /// The last cut of a sowing.
    LastCut,
    /// The day on which still containers fall below their mark.
    LevelMark,
    /// Each day on which something stands at a station.
    StationStands,
    /// A reading outside the range of the crop.
    ReadingOutOfRange,
    /// The first day for which the solution at the site does not suffice.
    SolutionNeeded,
    /// The day on which a batch was begun.
    BatchBegun,
    /// The last stock-taking.
    StockTaking,
    /// A day on which a recipient receives what was pledged.
    DeliveryDay,
}

impl Event {
    /// The name shown in the API.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::SowingDay => "sowing_day",
            Self::Unsprouted => "unsprouted",
            Self::Emergence => "emergence",
            Self::EachCut => "each_cut",
            Self::LastCut => "last_cut",
            Self::LevelMark => "level_mark",
            Self::StationStands => "station_stands",
            Self::ReadingOutOfRange => "reading_out_of_range",
            Self::SolutionNeeded => "solution_needed",
            Self::BatchBegun => "batch_begun",
            Self::StockTaking => "stock_taking",
            Self::DeliveryDay => "delivery_day",
        }
    }

    /// Whether the work stays until it is done, however late: the need does not pass with its day.
    #[must_use]
    pub fn lasts(self) -> bool {
        matches!(
            self,
            Self::LevelMark
                | Self::ReadingOutOfRange
                | Self::SolutionNeeded
                | Self::BatchBegun
                | Self::StockTaking
        )
    }
}

/// Which day work may move to when the site is closed on its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SpareDays {
    /// None: that day or not at all.
    ThatDay,
    /// The nearest open day before.
    Before,
    /// The nearest open day after.
    After,
    /// The nearest open day.
    Nearest,
}

impl SpareDays {
    /// All of them.
    pub const ALL: [SpareDays; 4] = [Self::ThatDay, Self::Before, Self::After, Self::Nearest];

    /// The name kept in the database and shown in the API.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::ThatDay => "that_day",
            Self::Before => "before",
            Self::After => "after",
            Self::Nearest => "nearest",
        }
    }

    /// The one of that name.
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|spare| spare.as_str() == name)
    }
}

impl From<SpareDays> for Flexibility {
    fn from(spare: SpareDays) -> Self {
        match spare {
            SpareDays::ThatDay => Self::ThatDay,
            SpareDays::Before => Self::OrBefore,
            SpareDays::After => Self::OrAfter,
            SpareDays::Nearest => Self::Nearest,
        }
    }
}

/// Work on one container.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Labour {
    /// Tenths of a minute.
    Tenths(u32),
    /// What the profile of the crop says.
    CropProfile,
}

/// One rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rule {
    /// Its name.
    pub key: RuleKey,
    /// The work it brings.
    pub kind: TaskKind,
    /// What it is relative to.
    pub event: Event,
    /// Days after the event; before it where negative.
    pub offset_days: i32,
    /// Days until it comes again, where it comes again.
    pub repeat_days: Option<u32>,
    /// Where it goes when the site is closed.
    pub spare_days: SpareDays,
    /// Minutes however many containers there are.
    pub fixed_minutes: u32,
    /// Work on each container.
    pub per_container: Labour,
    /// People needed.
    pub people: u32,
    /// Training needed.
    pub qualification: Option<QualificationKind>,
    /// Days after its day from which it counts as missed; `None` while the need lasts.
    pub missed_after_days: Option<u32>,
    /// Thousandths of the fill line at which a container counts as low; of topping up only.
    pub mark_permille: Option<u32>,
    /// Whether it brings work at all.
    pub enabled: bool,
    /// Where its figures come from.
    pub basis: &'static str,
    /// What goes wrong when nobody comes.
    pub harm: &'static str,
}

/// What a co-operative changed of a rule; what is `None` stays as it is by default.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RuleChange {
    /// Whether it brings work at all.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub enabled: Option<bool>,
    /// Days after the event.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_days: Option<i32>,
    /// Days until it comes again.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repeat_days: Option<u32>,
    /// Where it goes when the site is closed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spare_days: Option<SpareDays>,
    /// Minutes however many containers there are.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fixed_minutes: Option<u32>,
    /// Tenths of a minute for each container, in place of the crop profile's where that counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tenths_per_container: Option<u32>,
    /// People needed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub people: Option<u32>,
    /// Training needed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub qualification: Option<QualificationKind>,
    /// Days after its day from which it counts as missed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub missed_after_days: Option<u32>,
    /// Thousandths of the fill line at which a container counts as low.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mark_permille: Option<u32>,
}

/// A field of a change that cannot be accepted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// JSON pointer of the field.
    pub pointer: &'static str,
    /// Stable word.
    pub code: &'static str,
    /// What would be accepted.
    pub detail: String,
}

impl RuleChange {
    /// Whether nothing is changed.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Everything that cannot be accepted for a rule.
    #[must_use]
    pub fn faults(&self, key: RuleKey) -> Vec<Fault> {
        let rule = default_rule(key);
        let mut faults = Vec::new();
        let whole = |given: Option<u32>| given.map(i64::from);
        for (pointer, given, least, most) in [
            ("/offset_days", self.offset_days.map(i64::from), -30, 60),
            ("/repeat_days", whole(self.repeat_days), 1, 365),
            ("/fixed_minutes", whole(self.fixed_minutes), 0, 600),
            (
                "/tenths_per_container",
                whole(self.tenths_per_container),
                0,
                6000,
            ),
            ("/people", whole(self.people), 1, 20),
            ("/missed_after_days", whole(self.missed_after_days), 0, 60),
            ("/mark_permille", whole(self.mark_permille), 100, 900),
        ] {
            if given.is_some_and(|given| !(least..=most).contains(&given)) {
                faults.push(Fault {
                    pointer,
                    code: "range",
                    detail: format!("must be {least} to {most}"),
                });
            }
        }
        let mut refuse = |refused: bool, pointer, code, detail: &str| {
            if refused {
                faults.push(Fault {
                    pointer,
                    code,
                    detail: detail.to_owned(),
                });
            }
        };
        refuse(
            self.repeat_days.is_some() && rule.repeat_days.is_none(),
            "/repeat_days",
            "unexpected",
            "this work does not come again of itself",
        );
        refuse(
            self.missed_after_days.is_some() && rule.missed_after_days.is_none(),
            "/missed_after_days",
            "unexpected",
            "this work stays until it is done: the need does not pass with its day",
        );
        refuse(
            self.mark_permille.is_some() && rule.mark_permille.is_none(),
            "/mark_permille",
            "unexpected",
            "belongs to topping up only",
        );
        refuse(
            rule.qualification.is_some()
                && self.qualification.is_some()
                && self.qualification != rule.qualification,
            "/qualification",
            "unsafe",
            "this work needs its training: it may be asked for elsewhere, not done away with here",
        );
        faults
    }
}

impl Rule {
    /// The rule with what a co-operative changed.
    #[must_use]
    pub fn with(mut self, change: &RuleChange) -> Self {
        self.enabled = change.enabled.unwrap_or(self.enabled);
        self.offset_days = change.offset_days.unwrap_or(self.offset_days);
        self.repeat_days = change.repeat_days.or(self.repeat_days);
        self.spare_days = change.spare_days.unwrap_or(self.spare_days);
        self.fixed_minutes = change.fixed_minutes.unwrap_or(self.fixed_minutes);
        if let Some(tenths) = change.tenths_per_container {
            self.per_container = Labour::Tenths(tenths);
        }
        self.people = change.people.unwrap_or(self.people);
        // training is only ever added
        self.qualification = self.qualification.or(change.qualification);
        if self.missed_after_days.is_some() {
            self.missed_after_days = change.missed_after_days.or(self.missed_after_days);
        }
        self.mark_permille = self
            .mark_permille
            .map(|mark| change.mark_permille.unwrap_or(mark));
        self
    }
}

/// All rules of a co-operative.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleBook {
    rules: Vec<Rule>,
}

impl RuleBook {
    /// The defaults with what a co-operative changed.
    #[must_use]
    pub fn with(changes: &BTreeMap<RuleKey, RuleChange>) -> Self {
        let rules = RuleKey::ALL
            .into_iter()
            .map(|key| {
                let rule = default_rule(key);
                changes.get(&key).map_or(rule, |change| rule.with(change))
            })
            .collect();
        Self { rules }
    }

    /// A rule.
    #[must_use]
    pub fn get(&self, key: RuleKey) -> &Rule {
        // one of each, in the order of the keys
        &self.rules[key as usize]
    }

    /// A rule that brings work.
    pub(crate) fn enabled(&self, key: RuleKey) -> Option<&Rule> {
        Some(self.get(key)).filter(|rule| rule.enabled)
    }
}

impl Default for RuleBook {
    fn default() -> Self {
        Self::with(&BTreeMap::new())
    }
}

impl Rule {
    /// The rule as it is when nothing is changed.
    #[must_use]
    pub fn default_of(key: RuleKey) -> Self {
        default_rule(key)
    }
}
