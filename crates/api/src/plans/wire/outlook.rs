//! What a plan says of the future: chances, what a margin came to, what would help.

use chrono::NaiveDate;
use cotyl_app::plans::answer::KeptAnswer;
use cotyl_app::plans::chances::{MarginOutcome, WeekChance};
use cotyl_app::plans::remedies::{Change, Remedy};
use cotyl_domain::quantity::Mass;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::{id, points};

/// How likely a pledge of one week is to be met.
#[derive(Debug, Serialize, ToSchema)]
pub struct PledgeChance {
    /// Seasons of a thousand in which it is met.
    #[schema(example = 912)]
    pub met_permille: i64,
    /// Mean of what is missing.
    pub short: Mass,
    /// Delivered in a season worse than nine in ten. From here to `high` is the 80 % band.
    pub low: Mass,
    /// Delivered in a middling season.
    pub middle: Mass,
    /// Delivered in a season worse than one in ten; never more than is pledged.
    pub high: Mass,
    /// Sowings, and harvests that stand already, from which it comes.
    pub sowings: usize,
}

/// What a wanted chance came to.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanMargin {
    /// The chance asked for, in thousandths.
    pub wanted_permille: i64,
    /// Weekly pledges that something sown from now on can serve.
    pub asked: usize,
    /// Those of them that would reach the chance without a margin.
    pub reached_before: usize,
    /// Those of them that reach the chance.
    pub reached: usize,
    /// Containers more than without a margin.
    pub more_containers: i64,
    /// Minutes of work more than without a margin.
    pub more_work_minutes: f64,
    /// Rounds of raised pledges that were solved.
    pub rounds: usize,
}

/// A change to the co-operative that would help.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PlanRemedy {
    /// `places`, `minutes`, `mixing`, `most_sowings`, `open` or `light`.
    #[schema(example = "places")]
    pub kind: String,
    /// The site, for what is changed at a site.
    pub site_id: Option<Uuid>,
    /// The station, for what is changed at a station.
    pub station_id: Option<Uuid>,
    /// Places, minutes a week, litres a week, batches a week, or mol a square metre and day more.
    pub more: Option<f64>,
    /// First day of the closure that would be lifted.
    pub first_day: Option<NaiveDate>,
    /// Last day of the closure that would be lifted.
    pub last_day: Option<NaiveDate>,
    /// In words.
    #[schema(example = "8 more places at Lamp shelf: 1.20 kg less short over these weeks")]
    pub words: String,
    /// What pledges are short of less, over all weeks.
    pub less_short: Mass,
    /// Points by which the plan would be better.
    pub better_by: f64,
}

impl From<WeekChance> for PledgeChance {
    fn from(chance: WeekChance) -> Self {
        Self {
            met_permille: chance.met_permille,
            short: Mass::of_milligrams(chance.short_milligrams),
            low: Mass::of_milligrams(chance.low_milligrams),
            middle: Mass::of_milligrams(chance.middle_milligrams),
            high: Mass::of_milligrams(chance.high_milligrams),
            sowings: chance.sowings,
        }
    }
}

impl From<Remedy> for PlanRemedy {
    fn from(remedy: Remedy) -> Self {
        let bare = Self {
            kind: String::new(),
            site_id: None,
            station_id: None,
            more: None,
            first_day: None,
            last_day: None,
            words: remedy.words,
            less_short: Mass::of_milligrams(remedy.less_short_milligrams),
            better_by: points(remedy.better_by_e4),
        };
        let at_site = |kind: &str, site_id: &str, more: i64| Self {
            kind: kind.to_owned(),
            site_id: Some(id(site_id)),
            more: Some(more as f64),
            ..bare.clone()
        };
        let at_station = |kind: &str, station_id: &str, more: f64| Self {
            kind: kind.to_owned(),
            station_id: Some(id(station_id)),
            more: Some(more),
            ..bare.clone()
        };
        match remedy.change {
            Change::Places { station_id, more } => at_station("places", &station_id, more as f64),
            Change::Light {
                station_id,
                more_mol,
            } => at_station("light", &station_id, more_mol),
            Change::Minutes { site_id, more } => at_site("minutes", &site_id, more),
            Change::Mixing { site_id, more } => at_site("mixing", &site_id, more),
            Change::MostSowings { site_id, more } => at_site("most_sowings", &site_id, more),
            Change::Open {
                site_id,
                first_day,
                last_day,
            } => Self {
                kind: "open".to_owned(),
                site_id: Some(id(&site_id)),
                first_day: Some(first_day),
                last_day: Some(last_day),
                ..bare
            },
        }
    }
}

impl From<MarginOutcome> for PlanMargin {
    fn from(margin: MarginOutcome) -> Self {
        Self {
            wanted_permille: margin.wanted_permille,
            asked: margin.asked,
            reached_before: margin.reached_before,
            reached: margin.reached,
            more_containers: margin.more_containers,
            more_work_minutes: margin.more_minutes_tenths as f64 / 10.0,
            rounds: margin.rounds,
        }
    }
}

/// What the chances say, in a sentence or two.
pub(super) fn likelihood(answer: &KeptAnswer) -> String {
    let chances: Vec<i64> = answer
        .weeks
        .iter()
        .filter_map(|cell| Some(cell.chance?.met_permille))
        .collect();
    if chances.is_empty() {
        return String::new();
    }
    let likely = chances.iter().filter(|met| **met >= 900).count();
    let even = chances.iter().filter(|met| **met >= 500).count();
    let mut text = format!(
        " {likely} of {} weekly pledges have a chance of 90 % or better to be met in full, {even} one of 50 % or better.",
        chances.len()
    );
    if let Some(margin) = answer.margin {
        text += &format!(
            " The wanted chance of {} % is reached in {} of the {} that can still be served, {} without the margin; \
             it takes {} containers and {:.1} hours of work more.",
            margin.wanted_permille as f64 / 10.0,
            margin.reached,
            margin.asked,
            margin.reached_before,
            margin.more_containers,
            margin.more_minutes_tenths as f64 / 600.0,
        );
    }
    text
}
