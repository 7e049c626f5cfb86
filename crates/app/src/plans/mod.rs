//! Sowing plans: what they are made from, how they are asked for, solved, explained and adopted.

pub mod adopt;
pub mod answer;
pub mod chances;
pub mod compare;
pub mod compile;
mod days;
pub mod due;
pub mod explain;
pub mod goods;
pub mod learned;
pub mod learned_figures;
pub mod remedies;
pub mod request;
pub mod scenario;
pub mod season;
mod shopping;
mod standing;
#[cfg(test)]
mod tests;
pub mod work;

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};
use cotyl_store::Tx;
use serde_json::Value;

use crate::{Error, Result};
use season::Season;
pub(crate) use shopping::{DraftSowings, Replaced, draft_sowings};

/// The kind of the job that solves a plan.
pub const PLAN_JOB: &str = "solve_plan";

/// The noun under which the number of adoptions stands among the inputs.
const ADOPTED_PLAN: &str = "adopted plan";

/// Reads a season; call it in one snapshot.
async fn load(
    tx: &mut Tx,
    first_monday: NaiveDate,
    weeks: u32,
    now: DateTime<Utc>,
) -> Result<Season> {
    let last_monday = first_monday + Days::new(7 * u64::from(weeks.saturating_sub(1)));
    let rows = cotyl_store::season::load(tx, first_monday, last_monday).await?;
    let mut season = Season::of_rows(rows, first_monday, weeks, now).map_err(Error::internal)?;
    let (records, choices) = learned::read(tx, now).await?;
    learned::teach(&mut season, &records, &choices).map_err(Error::internal)?;
    season.due = cotyl_store::season::due(tx, now.date_naive(), now).await?;
    Ok(season)
}

/// Nouns of which something changed between two looks at the inputs.
fn changed_inputs(before: Option<&Value>, now: &BTreeMap<String, i64>) -> Vec<String> {
    let Some(before) = before else {
        return Vec::new();
    };
    now.iter()
        .filter(|(noun, revision)| {
            before.get(noun.as_str()).and_then(Value::as_i64) != Some(**revision)
        })
        .map(|(noun, _)| noun.clone())
        .collect()
}
