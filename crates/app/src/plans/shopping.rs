//! A plan as far as shopping goes.

use std::ops::RangeInclusive;

use chrono::{Days, NaiveDate};
use cotyl_store::Tx;
use uuid::Uuid;

use super::answer::PlanSowing;
use super::request::{solved, wrong_state};
use crate::Result;

/// Days on which a draft replaces sowings of the plan in force that were not sown.
pub(crate) type Replaced = RangeInclusive<NaiveDate>;

/// The sowings of a draft.
pub(crate) struct DraftSowings {
    /// Its last day.
    pub last_day: NaiveDate,
    /// Days on which it replaces what was planned before.
    pub replaces: Replaced,
    /// What it would sow.
    pub sowings: Vec<PlanSowing>,
}

/// Sowings of a solved draft; `None` for the plan in force, whose sowings are written down already.
///
/// # Errors
/// [`crate::Error::NotFound`]; [`cotyl_domain::Refusal::WrongState`] for a plan that is neither.
pub(crate) async fn draft_sowings(tx: &mut Tx, id: Uuid) -> Result<Option<DraftSowings>> {
    let (plan, _, answer) = solved(tx, id, "shopped for").await?;
    match plan.state.as_str() {
        "adopted" => Ok(None),
        "draft" => {
            let weeks = u64::try_from(plan.fields.weeks).unwrap_or(1);
            let last_day = plan.fields.first_monday + Days::new(7 * weeks - 1);
            Ok(Some(DraftSowings {
                last_day,
                replaces: plan.fields.first_monday..=last_day,
                sowings: answer.sowings,
            }))
        }
        _ => Err(wrong_state(&plan, "shopped for")),
    }
}
