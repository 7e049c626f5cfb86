//! Adopting a plan: it must still hold, and of two adopted at once one wins.

use cotyl_domain::{Operation, Refusal};
use cotyl_planner::Plan as PlannerPlan;
use cotyl_planner::check::check;
use cotyl_store::plans::{self, Plan};
use cotyl_store::{Tx, cooperatives, season};
use serde_json::{Value, json};
use uuid::Uuid;

use super::answer::{KeptAnswer, PlanSowing};
use super::compile::{LeftOut, compile};
use super::due::reasons_to_give_up;
use super::request::{get, lock, parse_answer, wrong_state};
use super::season::{Season, SeasonError, SeasonSowing};
use super::{ADOPTED_PLAN, changed_inputs, load};
use crate::site_work::rule_book;
use crate::sowings::NewSowing;
use crate::{App, Caller, Error, Result};

/// Why sowings of the plan before are given up.
const REPLACED: &str = "replaced by a newer plan";

/// Longest cause that is kept.
const LONGEST_CAUSE: usize = 300;

/// Most broken rules that are told.
const MOST_TOLD: usize = 5;

/// A look at a solved plan against things as they are now, taken outside the transaction.
struct Look {
    answer: KeptAnswer,
    season: Season,
    inputs: Value,
    broken: Vec<String>,
}

impl App {
    /// Puts a solved draft into force: the plan before is superseded, its sowings that were not sown
    /// and are not in this plan are given up, and the sowings of this plan are written with their
    /// tasks, all or nothing.
    ///
    /// # Errors
    /// [`Refusal::StaleInputs`] when what it was made from has changed and `accept_changed_inputs` is
    /// not set; [`Refusal::PlanBroken`] when it breaks a rule as things are now;
    /// [`Refusal::PlanOvertaken`] when another was adopted since it was made;
    /// [`Refusal::WrongState`] when it is no solved draft.
    pub async fn adopt_plan(
        &self,
        caller: &Caller,
        id: Uuid,
        accept_changed_inputs: bool,
    ) -> Result<Plan> {
        let look = self.look_at_plan(caller, id).await?;
        self.write_once(Operation::AdoptPlan, caller, async |tx, _| {
            // adoptions go one after another
            cooperatives::hold(tx).await?;
            let plan = lock(tx, id).await?;
            let Some(look) = look.as_ref().filter(|_| plan.solving == "solved") else {
                return Err(wrong_state(&plan, "adopted"));
            };
            if plan.state != "draft" {
                return Err(wrong_state(&plan, "adopted"));
            }
            require_fresh(tx, &plan, look, accept_changed_inputs).await?;
            plans::supersede(tx).await?;
            plans::set_adopted(tx, id, self.clock().now()).await?;
            self.write_sowings(tx, caller, id, look).await?;
            // its own sowings do not make it stale
            let inputs = json!(season::inputs(tx).await?);
            plans::set_inputs(tx, id, &inputs).await?;
            self.tell_weeks_at_risk(tx, id, &look.answer.weeks).await?;
            let plan = get(tx, id).await?;
            self.audit_plan(tx, Operation::AdoptPlan, caller, &plan)
                .await?;
            Ok(plan)
        })
        .await
    }

    /// Reads the plan and the season as it is now, and checks one against the other; no connection
    /// is held during the check. `None` for a plan without an answer.
    async fn look_at_plan(&self, caller: &Caller, id: Uuid) -> Result<Option<Look>> {
        let seen = self
            .read(Operation::AdoptPlan, caller, async |tx, _| {
                let plan = get(tx, id).await?;
                let Some((_, Some(answer))) = plans::contents(tx, id).await? else {
                    return Ok(None);
                };
                let weeks = u32::try_from(plan.fields.weeks).unwrap_or(1);
                let season = load(tx, plan.fields.first_monday, weeks, self.clock().now()).await?;
                let inputs = json!(season::inputs(tx).await?);
                Ok(Some((parse_answer(answer)?, season, inputs)))
            })
            .await?;
        let Some((answer, season, inputs)) = seen else {
            return Ok(None);
        };
        let look = tokio::task::spawn_blocking(move || {
            let broken = broken_rules(&season, &answer.plan)?;
            Ok::<_, SeasonError>(Look {
                answer,
                season,
                inputs,
                broken,
            })
        })
        .await
        .map_err(Error::internal)?
        .map_err(Error::internal)?;
        Ok(Some(look))
    }

    async fn write_sowings(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        plan_id: Uuid,
        look: &Look,
    ) -> Result<()> {
        let Division { kept, dropped, new } =
            divide(&look.season, &look.answer.sowings).map_err(Error::internal)?;
        for (id, cause) in dropped {
            self.give_up_sowing(tx, caller, parse_id(id)?, &cause)
                .await?;
        }
        let kept: Vec<Uuid> = kept.into_iter().map(parse_id).collect::<Result<_>>()?;
        plans::hand_over_sowings(tx, &kept, plan_id).await?;
        let rules = rule_book(tx).await?;
        for sowing in new {
            let new = NewSowing {
                site_id: parse_id(&sowing.site_id)?,
                station_id: parse_id(&sowing.station_id)?,
                crop_id: parse_id(&sowing.crop_id)?,
                plan_id: Some(plan_id),
                containers: i32::try_from(sowing.containers).map_err(Error::internal)?,
                sow_on: sowing.sow_on,
                free_on: sowing.free_on,
                planned_cuts: sowing.cuts.iter().map(|cut| cut.day).collect(),
                expected_milligrams: sowing.cuts.iter().map(|cut| cut.milligrams).collect(),
            };
            self.add_planned_sowing(tx, caller, &rules, &new).await?;
        }
        Ok(())
    }
}

fn parse_id(id: &str) -> Result<Uuid> {
    id.parse().map_err(Error::internal)
}

/// The plan may be adopted as things are in this transaction.
async fn require_fresh(
    tx: &mut Tx,
    plan: &Plan,
    look: &Look,
    accept_changed_inputs: bool,
) -> Result<()> {
    let now = season::inputs(tx).await?;
    let changed = changed_inputs(plan.inputs.as_ref(), &now);
    if changed.iter().any(|noun| noun == ADOPTED_PLAN)
        && let Some(at) = plans::last_adoption(tx).await?
    {
        return Err(Refusal::PlanOvertaken { at }.into());
    }
    if !changed.is_empty() && !accept_changed_inputs {
        return Err(Refusal::StaleInputs { changed }.into());
    }
    // something was written between the look and this transaction: look again
    let since = changed_inputs(Some(&look.inputs), &now);
    if !since.is_empty() {
        return Err(Refusal::StaleInputs { changed: since }.into());
    }
    if !look.broken.is_empty() {
        return Err(Refusal::PlanBroken {
            why: look.broken.clone(),
        }
        .into());
    }
    Ok(())
}

/// Rules of the season that a plan breaks, in words with the names of things.
fn broken_rules(
    season: &Season,
    plan: &PlannerPlan,
) -> std::result::Result<Vec<String>, SeasonError> {
    let problem = compile(season, LeftOut::default())?.problem;
    // neither what it was worth when it was made nor what was at hand then matters now: the shopping list
    // tells what is to be bought
    let plan = PlannerPlan {
        purchases: Vec::new(),
        objective: None,
        bound: None,
        ..plan.clone()
    };
    let names = season.names();
    Ok(check(&problem, &plan)
        .problems
        .into_iter()
        .take(MOST_TOLD)
        .map(|violation| super::explain::with_names(&violation.message, &names))
        .collect())
}

/// What an adoption does with sowings.
struct Division<'a> {
    kept: Vec<&'a str>,
    /// With the cause.
    dropped: Vec<(&'a str, String)>,
    new: Vec<&'a PlanSowing>,
}

/// Sorts the sowings planned before and now: the same stay, the others go or come. One that is due
/// stays whatever is planned, unless it cannot be sown as it is.
fn divide<'a>(
    season: &'a Season,
    planned: &'a [PlanSowing],
) -> std::result::Result<Division<'a>, SeasonError> {
    let impossible = reasons_to_give_up(season)?;
    let mut before: Vec<&SeasonSowing> = season
        .sowings
        .iter()
        .filter(|sowing| season.is_replanned(sowing) || impossible.contains_key(&sowing.id))
        .collect();
    let (mut kept, mut new) = (Vec::new(), Vec::new());
    for sowing in planned {
        match before.iter().position(|old| is_same(old, sowing)) {
            Some(at) => kept.push(before.remove(at).id.as_str()),
            None => new.push(sowing),
        }
    }
    let dropped = before.into_iter().map(|old| {
        let cause = impossible.get(&old.id).map_or_else(
            || REPLACED.to_owned(),
            |why| format!("{REPLACED}, since it could not be sown as it was: {why}"),
        );
        (old.id.as_str(), cause.chars().take(LONGEST_CAUSE).collect())
    });
    Ok(Division {
        kept,
        dropped: dropped.collect(),
        new,
    })
}

fn is_same(old: &SeasonSowing, new: &PlanSowing) -> bool {
    old.station_id == new.station_id
        && old.crop_id == new.crop_id
        && old.sow_on == new.sow_on
        && old.free_on == new.free_on
        && i64::from(old.containers) == new.containers
        && old
            .planned_cuts
            .iter()
            .eq(new.cuts.iter().map(|cut| &cut.day))
}
