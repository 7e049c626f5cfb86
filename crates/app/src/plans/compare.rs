//! Two plans side by side.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use cotyl_domain::{Operation, Refusal};
use cotyl_store::{Tx, plans};
use uuid::Uuid;

use super::answer::{KeptAnswer, PlanSowing};
use super::request::{get, parse_answer};
use crate::{App, Caller, Result};

/// How a second plan differs from a first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Comparison {
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
    /// [`Refusal::WrongState`] when one of them is not solved.
    pub async fn compare_plans(
        &self,
        caller: &Caller,
        first: Uuid,
        second: Uuid,
    ) -> Result<Comparison> {
        self.read(Operation::ComparePlans, caller, async |tx, _| {
            let first = answer_of(tx, first).await?;
            let second = answer_of(tx, second).await?;
            Ok(compare(&first, &second))
        })
        .await
    }
}

async fn answer_of(tx: &mut Tx, id: Uuid) -> Result<KeptAnswer> {
    let plan = get(tx, id).await?;
    match plans::contents(tx, id).await? {
        Some((_, Some(answer))) => parse_answer(answer),
        _ => Err(Refusal::WrongState {
            what: format!("the plan {}", plan.fields.name),
            state: plan.solving,
            step: "compared".to_owned(),
        }
        .into()),
    }
}

type BatchKey<'a> = (NaiveDate, &'a str, &'a str);

fn batches(answer: &KeptAnswer) -> BTreeMap<BatchKey<'_>, Vec<&PlanSowing>> {
    let mut found: BTreeMap<BatchKey<'_>, Vec<&PlanSowing>> = BTreeMap::new();
    for sowing in &answer.sowings {
        let key = (
            sowing.sow_on,
            sowing.station_id.as_str(),
            sowing.crop_id.as_str(),
        );
        found.entry(key).or_default().push(sowing);
    }
    found
}

fn owned(sowings: &[&PlanSowing]) -> Vec<PlanSowing> {
    sowings.iter().map(|sowing| (*sowing).clone()).collect()
}

/// How the second answer differs from the first.
#[must_use]
pub fn compare(first: &KeptAnswer, second: &KeptAnswer) -> Comparison {
    let (ours, theirs) = (batches(first), batches(second));
    let keys: BTreeSet<&BatchKey<'_>> = ours.keys().chain(theirs.keys()).collect();
    let mut comparison = Comparison {
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
    comparison
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
