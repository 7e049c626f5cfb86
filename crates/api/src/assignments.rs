//! Who does what: suggestions, assignments, and who carries how much.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get, post};
use chrono::NaiveDate;
use cotyl_app::assignments::{self, Assignment};
use cotyl_app::records::IsoWeek;
use cotyl_app::{fair_share, rota};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{Signed, SignedBody};
use crate::problem::{ReadProblems, WriteProblems};
use crate::respond::Answer;
use crate::serve::ApiState;
use crate::tasks::Claim;

/// A period of days by the calendar of the site.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct PeriodQuery {
    /// The first day.
    #[param(example = "2026-09-07")]
    pub from: NaiveDate,
    /// The last day.
    #[param(example = "2026-09-13")]
    pub to: NaiveDate,
}

/// A member suggested for a place of a task.
#[derive(Debug, Serialize, ToSchema)]
pub struct SuggestedAssignment {
    /// The task.
    pub task_id: Uuid,
    /// Its kind.
    #[schema(example = "sow")]
    pub kind: String,
    /// Its day.
    #[serde(serialize_with = "crate::instant::day")]
    pub day: NaiveDate,
    /// The member.
    pub member_id: Uuid,
    /// Their name.
    pub name: String,
    /// Minutes at their place.
    pub minutes: i64,
}

/// Places of a task that nobody is suggested for.
#[derive(Debug, Serialize, ToSchema)]
pub struct UnfilledTask {
    /// The task.
    pub task_id: Uuid,
    /// Its kind.
    pub kind: String,
    /// Its day.
    #[serde(serialize_with = "crate::instant::day")]
    pub day: NaiveDate,
    /// Places that stay free.
    pub places: usize,
    /// What hinders the member who comes closest: `site_closed`, `nobody_qualified`, `nobody_left`,
    /// `nobody_free`, `everybody_at_limit`, `everybody_busy` or `needed_elsewhere`.
    #[schema(example = "nobody_free")]
    pub code: String,
    /// The same in words.
    pub detail: String,
}

/// What a member carries.
#[derive(Debug, Serialize, ToSchema)]
pub struct SuggestedLoad {
    /// The member.
    pub member_id: Uuid,
    /// Their name.
    pub name: String,
    /// Whether they have said when they can help; nobody is suggested who has not.
    pub has_stated_hours: bool,
    /// Minutes done at the site in the four weeks before the period, and held in it.
    pub minutes_before: i64,
    /// Minutes of what is suggested.
    pub minutes_suggested: i64,
}

/// Who could do which task. A draft: nothing is held before it is assigned.
#[derive(Debug, Serialize, ToSchema)]
pub struct AssignmentSuggestion {
    /// Members for places. They can be sent to `assign_tasks` as they are, whole or in part.
    pub assignments: Vec<SuggestedAssignment>,
    /// What stays without anybody, and why.
    pub unfilled: Vec<UnfilledTask>,
    /// What everybody who works at the site carries.
    pub loads: Vec<SuggestedLoad>,
    /// Places covered: the urgent ones (due within 48 hours, or misting, topping up, cutting, packing or
    /// delivering), then the others.
    pub places_covered: Vec<usize>,
    /// No assignment covers more, urgent ones first.
    pub most_places_covered: Vec<usize>,
    /// Sum of the squares of everybody's minutes, which is least where they are spread most evenly.
    pub spread: i64,
    /// No assignment that covers as much has a smaller one; `null` while more might be covered.
    pub least_spread: Option<i64>,
    /// Whether it is proven that nothing is better; otherwise the work limit was reached, and the bounds
    /// say how much better another could be.
    pub proven: bool,
}

impl From<rota::Suggestion> for AssignmentSuggestion {
    fn from(suggestion: rota::Suggestion) -> Self {
        let given = |each: rota::Suggested| SuggestedAssignment {
            task_id: each.task.id,
            kind: each.task.kind,
            day: each.task.day,
            member_id: each.member_id,
            name: each.name,
            minutes: each.minutes,
        };
        let unfilled = |each: rota::Unfilled| UnfilledTask {
            task_id: each.task.id,
            kind: each.task.kind,
            day: each.task.day,
            places: each.places,
            code: each.code.to_owned(),
            detail: each.detail,
        };
        let load = |each: rota::Load| SuggestedLoad {
            member_id: each.member_id,
            name: each.name,
            has_stated_hours: each.has_said,
            minutes_before: each.minutes_before,
            minutes_suggested: each.minutes_suggested,
        };
        Self {
            assignments: suggestion.given.into_iter().map(given).collect(),
            unfilled: suggestion.unfilled.into_iter().map(unfilled).collect(),
            loads: suggestion.loads.into_iter().map(load).collect(),
            places_covered: suggestion.answer.covered,
            most_places_covered: suggestion.answer.most_covered,
            spread: suggestion.answer.spread,
            least_spread: suggestion.answer.least_spread,
            proven: suggestion.answer.proven,
        }
    }
}

/// Suggest who does which task
///
/// For the open tasks of a site in a period of up to 14 days: by free hours, opening hours, qualifications,
/// the limit of claims and what everybody carries already. Covers as many places as can be covered, the
/// urgent ones first, and then spreads the minutes as evenly as possible. It is solved exactly, or up to a
/// limit of work with the bound that was reached.
#[utoipa::path(
    tag = "tasks", operation_id = "suggest_assignments", params(PeriodQuery),
    responses((status = 200, description = "A draft; nothing is held yet", body = AssignmentSuggestion), ReadProblems)
)]
#[get("/sites/{site_id}/assignment_suggestion")]
pub async fn suggest_assignments(
    state: Data<ApiState>,
    Signed(caller): Signed,
    site_id: Path<Uuid>,
    query: Query<PeriodQuery>,
) -> Answer {
    let suggestion = state
        .app
        .suggest_assignments(&caller, *site_id, query.from, query.to)
        .await?;
    Ok(HttpResponse::Ok().json(AssignmentSuggestion::from(suggestion)))
}

/// A member for a place of a task.
#[derive(Debug, Deserialize, ToSchema)]
pub struct TaskAssignmentInput {
    /// The task.
    pub task_id: Uuid,
    /// Who is to do it.
    pub member_id: Uuid,
    /// Whose place it is to be, for taking it from somebody who holds it.
    pub instead_of: Option<Uuid>,
}

/// Assignments of tasks of one site.
#[derive(Debug, Deserialize, ToSchema)]
pub struct TaskAssignmentsInput {
    /// 1 to 300 of them.
    pub assignments: Vec<TaskAssignmentInput>,
    /// Whether those that are possible are made when others are not. Otherwise all are made or none.
    #[serde(default)]
    pub only_possible: bool,
}

/// An assignment that was not made.
#[derive(Debug, Serialize, ToSchema)]
pub struct LeftOutAssignment {
    /// The task.
    pub task_id: Uuid,
    /// The member.
    pub member_id: Uuid,
    /// The last part of the problem type that a claim would get.
    #[schema(example = "task-held")]
    pub code: String,
    /// In words.
    pub detail: String,
}

/// What was assigned.
#[derive(Debug, Serialize, ToSchema)]
pub struct Assignments {
    /// The claims that were made.
    pub claims: Vec<Claim>,
    /// What was not possible; empty unless `only_possible` was set.
    pub left_out: Vec<LeftOutAssignment>,
}

impl From<assignments::Assigned> for Assignments {
    fn from(assigned: assignments::Assigned) -> Self {
        let left_out = |each: assignments::LeftOut| LeftOutAssignment {
            task_id: each.task_id,
            member_id: each.member_id,
            code: each.code,
            detail: each.detail,
        };
        Self {
            claims: assigned.claims.into_iter().map(Claim::from).collect(),
            left_out: assigned.left_out.into_iter().map(left_out).collect(),
        }
    }
}

/// Assign tasks
///
/// In one go: all or none, or with `only_possible` those that are possible. The rules of claims hold for
/// whoever is assigned: qualification, limit, no more than can be done. They see by whom, and may give the
/// task back. With `instead_of` a task is taken from somebody who holds it.
#[utoipa::path(
    tag = "tasks", operation_id = "assign_tasks", request_body = TaskAssignmentsInput,
    responses((status = 200, description = "Assigned", body = Assignments), WriteProblems)
)]
#[post("/sites/{site_id}/assignments")]
pub async fn assign_tasks(
    state: Data<ApiState>,
    site_id: Path<Uuid>,
    signed: SignedBody<TaskAssignmentsInput>,
) -> Answer {
    let wanted: Vec<Assignment> = signed
        .body
        .assignments
        .into_iter()
        .map(|each| Assignment {
            task_id: each.task_id,
            member_id: each.member_id,
            instead_of: each.instead_of,
        })
        .collect();
    let assigned = state
        .app
        .assign_tasks(&signed.caller, *site_id, &wanted, signed.body.only_possible)
        .await?;
    Ok(HttpResponse::Ok().json(Assignments::from(assigned)))
}

/// Tasks and minutes.
#[derive(Debug, Serialize, ToSchema)]
pub struct WorkAmount {
    /// Tasks.
    pub tasks: i64,
    /// Expected minutes; each place of a task has its part of them.
    pub minutes: i64,
}

/// What somebody did, holds and is offered.
#[derive(Debug, Serialize, ToSchema)]
pub struct WorkShares {
    /// Done: claims that ended with the task. A task that nobody held counts for whoever reported it.
    pub done: WorkAmount,
    /// Held now.
    pub held: WorkAmount,
    /// Offered by a holder, and not answered yet.
    pub offered: WorkAmount,
}

impl From<fair_share::Shares> for WorkShares {
    fn from(shares: fair_share::Shares) -> Self {
        let amount = |amount: fair_share::Amount| WorkAmount {
            tasks: amount.tasks,
            minutes: amount.minutes,
        };
        Self {
            done: amount(shares.done),
            held: amount(shares.held),
            offered: amount(shares.offered),
        }
    }
}

/// The share of one week.
#[derive(Debug, Serialize, ToSchema)]
pub struct WeekShare {
    /// The week in which the day of the task lies.
    #[schema(value_type = String, example = "2026-W37")]
    pub week: IsoWeek,
    /// What was done, is held and offered.
    #[serde(flatten)]
    pub shares: WorkShares,
}

/// The share of one member.
#[derive(Debug, Serialize, ToSchema)]
pub struct MemberShare {
    /// The member.
    pub member_id: Uuid,
    /// Their name.
    pub name: String,
    /// The whole period.
    #[serde(flatten)]
    pub shares: WorkShares,
    /// Week by week, where there is anything.
    pub weeks: Vec<WeekShare>,
}

/// Who carries how much.
#[derive(Debug, Serialize, ToSchema)]
pub struct FairShare {
    /// Everybody who works at the site or did something there, by name.
    pub members: Vec<MemberShare>,
}

/// See who carries how much
#[utoipa::path(
    tag = "tasks", operation_id = "read_fair_share", params(PeriodQuery),
    responses((status = 200, description = "Tasks and minutes of everybody at the site", body = FairShare), ReadProblems)
)]
#[get("/sites/{site_id}/fair_share")]
pub async fn read_fair_share(
    state: Data<ApiState>,
    Signed(caller): Signed,
    site_id: Path<Uuid>,
    query: Query<PeriodQuery>,
) -> Answer {
    let members = state
        .app
        .read_fair_share(&caller, *site_id, query.from, query.to)
        .await?
        .into_iter()
        .map(|member| MemberShare {
            member_id: member.member_id,
            name: member.name,
            shares: member.total.into(),
            weeks: member
                .weeks
                .into_iter()
                .map(|(week, shares)| WeekShare {
                    week,
                    shares: shares.into(),
                })
                .collect(),
        })
        .collect();
    Ok(HttpResponse::Ok().json(FairShare { members }))
}
