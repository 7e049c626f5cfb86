//! Asking for a plan, following it, stopping it, taking it back.

use chrono::{Datelike, Days, NaiveDate, TimeDelta};
use cotyl_calendar::SiteZone;
use cotyl_domain::sowing::SowingState;
use cotyl_domain::{Operation, Refusal};
use cotyl_store::plans::{self, Plan, PlanFields};
use cotyl_store::{Page, Tx, cooperatives, jobs, season, sites, sowings};
use serde_json::{Value, json};
use uuid::Uuid;

use super::answer::KeptAnswer;
use super::season::Season;
use super::{PLAN_JOB, changed_inputs};
use crate::input::Problems;
use crate::lots::hidden_sites;
use crate::sowing_steps::SowingStep;
use crate::{App, Caller, Changed, Error, Result};

/// Most plans of a co-operative that may wait or be solved at the same time.
pub const MOST_UNDER_WAY: i64 = 10;
/// Most search moves that may be asked for.
pub const MOST_WORK: i64 = 20_000_000;

/// A plan with its answer, and what changed since it was made.
#[derive(Debug, Clone)]
pub struct PlanView {
    /// The plan.
    pub plan: Plan,
    /// Nouns of which something changed since it was made.
    pub changed_inputs: Vec<String>,
    /// Its answer, once there is one.
    pub answer: Option<KeptAnswer>,
}

impl App {
    /// Asks for a plan: the plan and the work on it are written down together.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted; [`Refusal::TooMuch`] while
    /// [`MOST_UNDER_WAY`] others wait.
    pub async fn request_plan(&self, caller: &Caller, fields: &PlanFields) -> Result<Plan> {
        // the day it still is somewhere: zones reach twelve hours behind UTC
        let today = (self.clock().now() - TimeDelta::hours(12)).date_naive();
        check_fields(fields, today)?;
        self.write_once(Operation::RequestPlan, caller, async |tx, actor| {
            if plans::under_way(tx).await? >= MOST_UNDER_WAY {
                return Err(Refusal::TooMuch {
                    what: "plans waiting or being solved".to_owned(),
                    most: MOST_UNDER_WAY,
                }
                .into());
            }
            let (id, job_id, now) = (self.new_id(), self.new_id(), self.clock().now());
            jobs::insert(tx, job_id, PLAN_JOB, &json!({ "plan_id": id }), now).await?;
            plans::insert(tx, id, job_id, fields, actor.member_id, now).await?;
            let plan = get(tx, id).await?;
            self.audit_plan(tx, Operation::RequestPlan, caller, &plan)
                .await?;
            Ok(plan)
        })
        .await
    }

    /// A page of plans.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_plans(&self, caller: &Caller, page: Page) -> Result<Vec<Plan>> {
        self.read(Operation::ListPlans, caller, async |tx, _| {
            Ok(plans::list(tx, page).await?)
        })
        .await
    }

    /// One plan with its answer.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_plan(&self, caller: &Caller, id: Uuid) -> Result<PlanView> {
        self.read(Operation::ReadPlan, caller, async |tx, actor| {
            let plan = get(tx, id).await?;
            let inputs = season::inputs(tx).await?;
            let (_, answer) = plans::contents(tx, id).await?.unwrap_or_default();
            let mut answer = answer.map(parse_answer).transpose()?;
            if let Some(answer) = &mut answer {
                answer.hide_stores(&hidden_sites(tx, actor).await?);
            }
            Ok(PlanView {
                changed_inputs: changed_inputs(plan.inputs.as_ref(), &inputs),
                answer,
                plan,
            })
        })
        .await
    }

    /// A solved plan with what it was made from and its answer, to be drawn.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] for a plan that is not solved.
    pub async fn draw_plan(&self, caller: &Caller, id: Uuid) -> Result<(Plan, Season, KeptAnswer)> {
        self.read(Operation::DrawPlan, caller, async |tx, actor| {
            let (plan, season, mut answer) = solved(tx, id, "drawn").await?;
            answer.hide_stores(&hidden_sites(tx, actor).await?);
            Ok((plan, season, answer))
        })
        .await
    }

    /// One plan as it is followed while it is solved.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn follow_plan(&self, caller: &Caller, id: Uuid) -> Result<Plan> {
        self.read(Operation::FollowPlan, caller, async |tx, _| {
            get(tx, id).await
        })
        .await
    }

    /// Stops the work on a plan: at once when it waits, at the worker's next heartbeat otherwise.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] when it is not being worked on.
    pub async fn cancel_plan(&self, caller: &Caller, id: Uuid) -> Result<Plan> {
        self.write_once(Operation::CancelPlan, caller, async |tx, _| {
            let plan = lock(tx, id).await?;
            if !is_under_way(&plan) {
                return Err(wrong_state(&plan, "cancelled"));
            }
            if let Some(job_id) = plan.job_id
                && jobs::request_cancel(tx, job_id, self.clock().now()).await?
            {
                plans::set_ended(tx, id, "cancelled", None).await?;
            }
            let plan = get(tx, id).await?;
            self.audit_plan(tx, Operation::CancelPlan, caller, &plan)
                .await?;
            Ok(plan)
        })
        .await
    }

    /// Takes a plan back. Of a plan in force, sowings that were not sown yet are given up.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] while it is being worked on, or when it is out of force already.
    pub async fn withdraw_plan(&self, caller: &Caller, id: Uuid) -> Result<Plan> {
        self.write_once(Operation::WithdrawPlan, caller, async |tx, _| {
            // adoptions go one after another
            cooperatives::hold(tx).await?;
            let plan = lock(tx, id).await?;
            if is_under_way(&plan) || !matches!(plan.state.as_str(), "draft" | "adopted") {
                return Err(wrong_state(&plan, "withdrawn"));
            }
            if plan.state == "adopted" {
                for sowing_id in plans::planned_sowings(tx, id).await? {
                    self.give_up_sowing(tx, caller, sowing_id, "the plan was withdrawn")
                        .await?;
                }
            }
            plans::set_withdrawn(tx, id).await?;
            let plan = get(tx, id).await?;
            self.audit_plan(tx, Operation::WithdrawPlan, caller, &plan)
                .await?;
            Ok(plan)
        })
        .await
    }

    /// Gives up a sowing that was not sown: its tasks are dropped and its places are free.
    pub(super) async fn give_up_sowing(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        sowing_id: Uuid,
        cause: &str,
    ) -> Result<()> {
        let sowing = sowings::lock(tx, sowing_id)
            .await?
            .ok_or(Error::NotFound("sowing"))?;
        if sowing.state.0 != SowingState::Planned {
            // sown in the meantime: it stays
            return Ok(());
        }
        let site = sites::get(tx, sowing.site_id)
            .await?
            .ok_or(Error::NotFound("site"))?;
        let zone: SiteZone = site.fields.zone.parse().map_err(Error::internal)?;
        let on = zone.today(self.clock().now());
        let cause = cause.to_owned();
        self.advance_sowing(tx, caller, sowing_id, SowingStep::Lost { on, cause })
            .await?;
        Ok(())
    }

    pub(super) async fn audit_plan(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        plan: &Plan,
    ) -> Result<()> {
        let changed = Changed {
            noun: "plan",
            id: plan.id,
        };
        let became = json!({
            "fields": plan.fields, "solving": plan.solving, "state": plan.state,
            "objective_e4": plan.objective_e4, "bound_e4": plan.bound_e4,
        });
        self.audit(tx, operation, caller, changed, &became).await
    }
}

fn is_under_way(plan: &Plan) -> bool {
    matches!(plan.solving.as_str(), "waiting" | "solving")
}

pub(super) fn wrong_state(plan: &Plan, step: &str) -> Error {
    let state = if plan.solving == "solved" {
        &plan.state
    } else {
        &plan.solving
    };
    Refusal::WrongState {
        what: format!("the plan {}", plan.fields.name),
        state: state.clone(),
        step: step.to_owned(),
    }
    .into()
}

pub(super) async fn get(tx: &mut Tx, id: Uuid) -> Result<Plan> {
    plans::get(tx, id).await?.ok_or(Error::NotFound("plan"))
}

/// A solved plan with what it was made from and its answer; otherwise it cannot be put to `step`.
pub(super) async fn solved(
    tx: &mut Tx,
    id: Uuid,
    step: &str,
) -> Result<(Plan, Season, KeptAnswer)> {
    let plan = get(tx, id).await?;
    match plans::contents(tx, id).await? {
        Some((Some(season), Some(answer))) => {
            let season = serde_json::from_value(season).map_err(Error::internal)?;
            Ok((plan, season, parse_answer(answer)?))
        }
        _ => Err(wrong_state(&plan, step)),
    }
}

pub(super) async fn lock(tx: &mut Tx, id: Uuid) -> Result<Plan> {
    plans::lock(tx, id).await?.ok_or(Error::NotFound("plan"))
}

pub(super) fn parse_answer(answer: Value) -> Result<KeptAnswer> {
    serde_json::from_value(answer).map_err(Error::internal)
}

fn check_fields(fields: &PlanFields, today: NaiveDate) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    problems.within("/weeks", fields.weeks.into(), 1, 60);
    let this_monday = today - Days::new(u64::from(today.weekday().num_days_from_monday()));
    problems.require(
        fields.first_monday >= this_monday,
        "/first_week",
        "past",
        "must not be over already",
    );
    problems.require(
        fields.first_monday <= today + TimeDelta::days(3650),
        "/first_week",
        "range",
        "must be within ten years",
    );
    problems.within("/seed", fields.seed, 0, i64::MAX);
    problems.within("/work_limit", fields.work_limit, 0, MOST_WORK);
    problems.within(
        "/time_limit_seconds",
        fields.time_limit_seconds.into(),
        1,
        300,
    );
    if let Some(permille) = fields.wanted_chance_permille {
        problems.within("/wanted_chance_permille", permille.into(), 500, 990);
    }
    problems.finish()
}
