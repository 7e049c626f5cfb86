//! Sowing plans.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// What a plan is asked for with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct PlanFields {
    /// Its name.
    pub name: String,
    /// Monday of the first week.
    pub first_monday: NaiveDate,
    /// Weeks that are planned.
    pub weeks: i32,
    /// Seed of the search.
    pub seed: i64,
    /// Search moves; 0 for what suits the size of the problem.
    pub work_limit: i64,
    /// Longest solving.
    pub time_limit_seconds: i32,
    /// The chance, in thousandths, with which every weekly pledge is to be met.
    pub wanted_chance_permille: Option<i32>,
    /// Whether it keeps to what is on the shelves and on order before new goods can come.
    pub count_stock: bool,
}

/// A plan without what it was made from and without its answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Plan {
    /// The plan.
    pub id: Uuid,
    /// The work on it.
    pub job_id: Option<Uuid>,
    /// What it was asked for with.
    #[sqlx(flatten)]
    pub fields: PlanFields,
    /// `waiting`, `solving`, `solved`, `failed` or `cancelled`.
    pub solving: String,
    /// `draft`, `adopted`, `superseded` or `withdrawn`.
    pub state: String,
    /// What it was made from: noun and how far it had come.
    pub inputs: Option<Value>,
    /// Ten-thousandths of a point.
    pub objective_e4: Option<i64>,
    /// Ten-thousandths of a point.
    pub bound_e4: Option<i64>,
    /// Why there is no answer.
    pub failure: Option<String>,
    /// Who asked for it.
    pub requested_by: Uuid,
    /// When the answer was recorded.
    pub solved_at: Option<DateTime<Utc>>,
    /// When it was adopted.
    pub adopted_at: Option<DateTime<Utc>>,
    /// What the worker last told.
    pub progress: Option<Value>,
    /// Whether someone asked for it to be stopped.
    pub cancel_requested: bool,
    /// Counts up with every change.
    pub version: i64,
    /// When it was asked for.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
}

/// What is recorded when a plan is solved.
#[derive(Debug, Clone, PartialEq)]
pub struct Solved {
    /// What it was made from: noun and how far it had come.
    pub inputs: Value,
    /// Everything it was made from.
    pub season: Value,
    /// The answer.
    pub answer: Value,
    /// Ten-thousandths of a point.
    pub objective_e4: i64,
    /// Ten-thousandths of a point.
    pub bound_e4: i64,
}

macro_rules! select_plan {
    ($rest:literal) => {
        concat!(
            "select p.id, p.job_id, p.name, p.first_monday, p.weeks, p.seed, p.work_limit, p.time_limit_seconds, p.wanted_chance_permille, p.count_stock, p.solving, p.state,
                    p.inputs, p.objective_e4, p.bound_e4, p.failure, p.requested_by, p.solved_at, p.adopted_at, j.progress,
                    j.cancel_requested_at is not null as cancel_requested, p.version, p.created_at, p.updated_at
               from plan p left join job j on j.cooperative_id = p.cooperative_id and j.id = p.job_id ",
            $rest
        )
    };
}

/// Adds a plan that waits for its job.
///
/// # Errors
/// Those of the database.
pub async fn insert(
    tx: &mut Tx,
    id: Uuid,
    job_id: Uuid,
    fields: &PlanFields,
    requested_by: Uuid,
    now: DateTime<Utc>,
) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into plan (id, cooperative_id, job_id, name, first_monday, weeks, seed, work_limit, time_limit_seconds, wanted_chance_permille, count_stock, requested_by, created_at, updated_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $13)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(job_id)
    .bind(&fields.name)
    .bind(fields.first_monday)
    .bind(fields.weeks)
    .bind(fields.seed)
    .bind(fields.work_limit)
    .bind(fields.time_limit_seconds)
    .bind(fields.wanted_chance_permille)
    .bind(fields.count_stock)
    .bind(requested_by)
    .bind(now)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// One plan.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Plan>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as(select_plan!("where p.cooperative_id = $1 and p.id = $2"))
            .bind(cooperative_id)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// One plan, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<Plan>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(select_plan!(
        "where p.cooperative_id = $1 and p.id = $2 for no key update of p"
    ))
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}

/// What a plan was made from, and its answer, once there are any.
///
/// # Errors
/// Those of the database.
pub async fn contents(tx: &mut Tx, id: Uuid) -> Result<Option<(Option<Value>, Option<Value>)>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_as("select season, answer from plan where cooperative_id = $1 and id = $2")
            .bind(cooperative_id)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// Plans in the order in which they were asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(tx: &mut Tx, page: Page) -> Result<Vec<Plan>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(select_plan!(
        "where p.cooperative_id = $1 and ($2::uuid is null or p.id > $2) order by p.id limit $3"
    ))
    .bind(cooperative_id)
    .bind(page.after)
    .bind(page.limit)
    .fetch_all(tx.connection())
    .await?)
}

/// Plans that wait or are being solved.
///
/// # Errors
/// Those of the database.
pub async fn under_way(tx: &mut Tx) -> Result<i64> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select count(*) from plan where cooperative_id = $1 and solving in ('waiting', 'solving')",
    )
    .bind(cooperative_id)
    .fetch_one(tx.connection())
    .await?)
}

/// Notes that a worker has begun.
///
/// # Errors
/// Those of the database.
pub async fn set_solving(tx: &mut Tx, id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update plan set solving = 'solving' where cooperative_id = $1 and id = $2 and solving = 'waiting'",
    )
    .bind(cooperative_id)
    .bind(id)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Records the answer.
///
/// # Errors
/// Those of the database.
pub async fn set_solved(tx: &mut Tx, id: Uuid, solved: &Solved, now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update plan set solving = 'solved', inputs = $3, season = $4, answer = $5, objective_e4 = $6, bound_e4 = $7, solved_at = $8
          where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(&solved.inputs)
    .bind(&solved.season)
    .bind(&solved.answer)
    .bind(solved.objective_e4)
    .bind(solved.bound_e4)
    .bind(now)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Records that there will be no answer: `failed` with the reason, or `cancelled`.
///
/// # Errors
/// Those of the database.
pub async fn set_ended(tx: &mut Tx, id: Uuid, solving: &str, failure: Option<&str>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update plan set solving = $3, failure = $4 where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .bind(solving)
        .bind(failure)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Records that the work on a plan was given up; system scope.
///
/// # Errors
/// Those of the database.
pub async fn fail_of_jobs(tx: &mut Tx, job_ids: &[Uuid], failure: &str) -> Result<()> {
    sqlx::query(
        "update plan set solving = 'failed', failure = $2 where job_id = any($1) and solving in ('waiting', 'solving')",
    )
    .bind(job_ids)
    .bind(failure)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// When a plan was adopted last.
///
/// # Errors
/// Those of the database.
pub async fn last_adoption(tx: &mut Tx) -> Result<Option<DateTime<Utc>>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_scalar("select max(adopted_at) from plan where cooperative_id = $1")
            .bind(cooperative_id)
            .fetch_one(tx.connection())
            .await?,
    )
}

/// The last day of the plan in force, if there is one.
///
/// # Errors
/// Those of the database.
pub async fn in_force_until(tx: &mut Tx) -> Result<Option<NaiveDate>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select first_monday + 7 * weeks - 1 from plan where cooperative_id = $1 and state = 'adopted'",
    )
    .bind(cooperative_id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Supersedes the plan in force, if there is one.
///
/// # Errors
/// Those of the database.
pub async fn supersede(tx: &mut Tx) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update plan set state = 'superseded' where cooperative_id = $1 and state = 'adopted'",
    )
    .bind(cooperative_id)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Puts a plan into force.
///
/// # Errors
/// Those of the database.
pub async fn set_adopted(tx: &mut Tx, id: Uuid, now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update plan set state = 'adopted', adopted_at = $3 where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(now)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Notes how far everything has come that the plan rests on.
///
/// # Errors
/// Those of the database.
pub async fn set_inputs(tx: &mut Tx, id: Uuid, inputs: &Value) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update plan set inputs = $3 where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .bind(inputs)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Takes a plan back.
///
/// # Errors
/// Those of the database.
pub async fn set_withdrawn(tx: &mut Tx, id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update plan set state = 'withdrawn' where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Gives sowings that a newer plan keeps to that plan.
///
/// # Errors
/// Those of the database.
pub async fn hand_over_sowings(tx: &mut Tx, sowing_ids: &[Uuid], plan_id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update sowing set plan_id = $3 where cooperative_id = $1 and id = any($2)")
        .bind(cooperative_id)
        .bind(sowing_ids)
        .bind(plan_id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Planned sowings of a plan.
///
/// # Errors
/// Those of the database.
pub async fn planned_sowings(tx: &mut Tx, plan_id: Uuid) -> Result<Vec<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select id from sowing where cooperative_id = $1 and plan_id = $2 and state = 'planned' order by id",
    )
    .bind(cooperative_id)
    .bind(plan_id)
    .fetch_all(tx.connection())
    .await?)
}
