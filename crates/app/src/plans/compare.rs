//! Two plans side by side.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use cotyl_domain::Operation;
use cotyl_store::Tx;
use uuid::Uuid;

use super::answer::{KeptAnswer, PlanSowing};
use super::compile::week_label;
use super::due::{DueSowing, given_up};
use super::request::solved;
use super::season::{Season, SeasonError};
use crate::{App, Caller, Error, Result};

/// How a second plan differs from a first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Comparison {
    /// Sowings that were due when the second was made: left as they are, or changed and why.
    pub due: Vec<DueSowing>,
    /// Batches that only the first has.
    pub only_first: Vec<PlanSowing>,
    /// Batches that only the second has.
    pub only_second: Vec<PlanSowing>,
    /// Batches of one crop at one station on one day that differ in containers or cuts.
    pub changed: Vec<ChangedBatch>,
    /// Weeks and pledges for which something else is expected.
    pub weeks: Vec<WeekDifference>,
    /// Ten-thousandths of a point: second less first.
    pub objective_difference_e4: i64,
}

/// A batch that both plans have, but not alike.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChangedBatch {
    /// In the first plan.
    pub first: Vec<PlanSowing>,
    /// In the second plan.
    pub second: Vec<PlanSowing>,
}

/// What a pledge is expected to be sent in a week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WeekDifference {
    /// Monday of the week.
    pub monday: NaiveDate,
    /// The pledge.
    pub pledge_id: String,
    /// Who is to receive it.
    pub recipient_name: String,
    /// The crop or group.
    pub what: String,
    /// By the first plan.
    pub first_milligrams: i64,
    /// By the second plan.
    pub second_milligrams: i64,
}

impl App {
    /// How the second plan differs from the first.
    ///
    /// # Errors
    /// [`cotyl_domain::Refusal::WrongState`] when one of them is not solved.
    pub async fn compare_plans(
        &self,
        caller: &Caller,
        first: Uuid,
        second: Uuid,
    ) -> Result<Comparison> {
        self.read(Operation::ComparePlans, caller, async |tx, _| {
            let first = answer_of(tx, first).await?;
            let second = answer_of(tx, second).await?;
            compare((&first.0, &first.1), (&second.0, &second.1)).map_err(Error::internal)
        })
        .await
    }
}

impl Comparison {
    /// Every difference in a sentence: what is due and stays or had to be changed, what is sown
    /// otherwise, by day, then what pledges are sent.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        let due = self.due.iter().map(|due| due.words.clone());
        let gone = self.only_first.iter().map(|sowing| {
            let (count, place) = (sowing.containers, place(sowing));
            (sowing.sow_on, format!("do not sow {count} {place}"))
        });
        let new = self.only_second.iter().map(|sowing| {
            let (count, place) = (sowing.containers, place(sowing));
            let cuts = cut_days(std::slice::from_ref(sowing));
            (sowing.sow_on, format!("sow {count} {place}, cut on {cuts}"))
        });
        let changed = self.changed.iter().filter_map(ChangedBatch::words);
        let mut sowings: Vec<(NaiveDate, String)> = gone.chain(new).chain(changed).collect();
        sowings.sort();
        let weeks = self.weeks.iter().map(|cell| {
            let more = cell.second_milligrams - cell.first_milligrams;
            let direction = if more > 0 { "more" } else { "less" };
            format!(
                "{}: {:.2} kg {direction} of {} for {}",
                week_label(cell.monday, 0),
                more.abs() as f64 / 1e6,
                cell.what,
                cell.recipient_name
            )
        });
        let sowings = sowings
            .into_iter()
            .map(|(day, words)| format!("{day}: {words}"));
        due.chain(sowings).chain(weeks).collect()
    }
}

impl ChangedBatch {
    fn words(&self) -> Option<(NaiveDate, String)> {
        let sowing = self.second.first().or(self.first.first())?;
        let containers = |sowings: &[PlanSowing]| -> i64 {
            sowings.iter().map(|sowing| sowing.containers).sum()
        };
        let (before, after) = (containers(&self.first), containers(&self.second));
        let mut words = if before == after {
            format!("sow {after} {}", place(sowing))
        } else {
            format!("sow {after} instead of {before} {}", place(sowing))
        };
        let (cuts, cuts_before) = (cut_days(&self.second), cut_days(&self.first));
        if cuts != cuts_before {
            words += &format!(", cut on {cuts} instead of {cuts_before}");
        }
        Some((sowing.sow_on, words))
    }
}

fn place(sowing: &PlanSowing) -> String {
    format!(
        "{} at {} ({})",
        sowing.crop_name, sowing.station_name, sowing.site_name
    )
}

/// Days of all cuts, in order.
fn cut_days(sowings: &[PlanSowing]) -> String {
    let cuts = sowings.iter().flat_map(|sowing| &sowing.cuts);
    let days: BTreeSet<String> = cuts.map(|cut| cut.day.to_string()).collect();
    days.into_iter().collect::<Vec<_>>().join(", ")
}

async fn answer_of(tx: &mut Tx, id: Uuid) -> Result<(Season, KeptAnswer)> {
    let (_, season, answer) = solved(tx, id, "compared").await?;
    Ok((season, answer))
}

/// What a plan sows that does not stand already, and is not over, by what another was made from: such
/// a sowing is in the other's ground, not in its list.
fn open_to(
    answer: &KeptAnswer,
    other: &Season,
) -> std::result::Result<Vec<PlanSowing>, SeasonError> {
    let impossible = given_up(other)?;
    let standing: BTreeSet<BatchKey<'_>> = other
        .sowings
        .iter()
        .filter(|sowing| !other.is_replanned(sowing) && !impossible.contains(&sowing.id))
        .map(|sowing| {
            (
                sowing.sow_on,
                sowing.station_id.as_str(),
                sowing.crop_id.as_str(),
            )
        })
        .collect();
    let is_open = |sowing: &&PlanSowing| {
        sowing.sow_on >= other.first_monday && !standing.contains(&key(sowing))
    };
    Ok(answer.sowings.iter().filter(is_open).cloned().collect())
}

type BatchKey<'a> = (NaiveDate, &'a str, &'a str);

fn key(sowing: &PlanSowing) -> BatchKey<'_> {
    (
        sowing.sow_on,
        sowing.station_id.as_str(),
        sowing.crop_id.as_str(),
    )
}

fn batches(sowings: &[PlanSowing]) -> BTreeMap<BatchKey<'_>, Vec<&PlanSowing>> {
    let mut found: BTreeMap<BatchKey<'_>, Vec<&PlanSowing>> = BTreeMap::new();
    for sowing in sowings {
        found.entry(key(sowing)).or_default().push(sowing);
    }
    found
}

fn owned(sowings: &[&PlanSowing]) -> Vec<PlanSowing> {
    sowings.iter().map(|sowing| (*sowing).clone()).collect()
}

/// How the second answer differs from the first, each with what it was made from.
///
/// # Errors
/// [`SeasonError`] for a season that cannot be read.
pub fn compare(
    first: (&Season, &KeptAnswer),
    second: (&Season, &KeptAnswer),
) -> std::result::Result<Comparison, SeasonError> {
    let open = [open_to(first.1, second.0)?, open_to(second.1, first.0)?];
    let (ours, theirs) = (batches(&open[0]), batches(&open[1]));
    let (first, second) = (first.1, second.1);
    let keys: BTreeSet<&BatchKey<'_>> = ours.keys().chain(theirs.keys()).collect();
    let mut comparison = Comparison {
        due: second.due.clone(),
        only_first: Vec::new(),
        only_second: Vec::new(),
        changed: Vec::new(),
        weeks: week_differences(first, second),
        objective_difference_e4: second.objective_e4 - first.objective_e4,
    };
    for key in keys {
        match (ours.get(key), theirs.get(key)) {
            (Some(a), Some(b)) if a != b => comparison.changed.push(ChangedBatch {
                first: owned(a),
                second: owned(b),
            }),
            (Some(a), None) => comparison.only_first.extend(owned(a)),
            (None, Some(b)) => comparison.only_second.extend(owned(b)),
            _ => {}
        }
    }
    Ok(comparison)
}

fn week_differences(first: &KeptAnswer, second: &KeptAnswer) -> Vec<WeekDifference> {
    let mut found: BTreeMap<(NaiveDate, &str), WeekDifference> = BTreeMap::new();
    for (answer, is_second) in [(first, false), (second, true)] {
        for week in &answer.weeks {
            let entry = found
                .entry((week.monday, week.pledge_id.as_str()))
                .or_insert_with(|| WeekDifference {
                    monday: week.monday,
                    pledge_id: week.pledge_id.clone(),
                    recipient_name: week.recipient_name.clone(),
                    what: week.what.clone(),
                    first_milligrams: 0,
                    second_milligrams: 0,
                });
            if is_second {
                entry.second_milligrams = week.expected_milligrams;
            } else {
                entry.first_milligrams = week.expected_milligrams;
            }
        }
    }
    found
        .into_values()
        .filter(|week| week.first_milligrams != week.second_milligrams)
        .collect()
}
