//! Here and now: what needs doing at a site.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use chrono::NaiveDate;
use cotyl_app::work_now::{Thing as AppThing, WorkItem, WorkNowWanted};
use cotyl_domain::quantity::{Amount, Volume};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::alongside::WorkGroup;
use crate::extract::Signed;
use crate::problem::{Problem, ReadProblems};
use crate::respond::Answer;
use crate::serve::ApiState;
use crate::tasks::{Task, full};

/// Something from the shelf that the work takes.
#[derive(Debug, Serialize, ToSchema)]
pub struct ThingNeeded {
    /// The stock item.
    pub stock_item_id: Uuid,
    /// Its name.
    pub name: String,
    /// How much of it; `null` where the batch itself says how much, by its water.
    pub amount: Option<Amount>,
}

/// What the work takes.
#[derive(Debug, Serialize, ToSchema)]
pub struct WorkNeeds {
    /// Containers to be seen to: those that parts of the work left.
    pub containers: Option<i32>,
    /// Solution, in all.
    pub solution: Option<Volume>,
    /// A batch that has enough of it, the oldest first.
    pub batch_id: Option<Uuid>,
    /// Its code.
    pub batch_code: Option<String>,
    /// Things from the shelf.
    pub things: Vec<ThingNeeded>,
}

/// A task that needs doing.
#[derive(Debug, Serialize, ToSchema)]
pub struct WorkNowEntry {
    /// The task, how it is done, what to mind, and whether the member who asks may take it.
    #[serde(flatten)]
    pub task: Task,
    /// Who or what suffers when it is not done: `living_today`, `living_soon`, `people` or `work`.
    #[schema(example = "living_today")]
    pub suffers: &'static str,
    /// How many people are still needed.
    pub people_needed: i32,
    /// What it takes.
    pub needs: WorkNeeds,
}

/// What needs doing at a site.
#[derive(Debug, Serialize, ToSchema)]
pub struct WorkNow {
    /// Today at the site.
    pub today: NaiveDate,
    /// Tasks: overdue ones first, then what lives and suffers first, then what is due soonest.
    /// Those that go alongside each other stand next to each other.
    pub items: Vec<WorkNowEntry>,
    /// What tasks that go alongside each other take together, in the order of their first: a client that
    /// shows one line for each of these and one for each other task shows everything once.
    pub groups: Vec<WorkGroup>,
    /// How many more there are.
    pub more: usize,
}

impl From<AppThing> for ThingNeeded {
    fn from(thing: AppThing) -> Self {
        Self {
            stock_item_id: thing.stock_item_id,
            name: thing.name,
            amount: thing
                .quantity
                .map(|base_units| Amount::of(thing.dimension, base_units)),
        }
    }
}

fn entry(item: WorkItem) -> Result<WorkNowEntry, Problem> {
    let (batch_id, batch_code) = item.batch.unzip();
    Ok(WorkNowEntry {
        task: full(item.seen)?,
        suffers: item.suffers.as_str(),
        people_needed: item.people_needed,
        needs: WorkNeeds {
            containers: item.containers,
            solution: item.microlitres.map(Volume::of_microlitres),
            batch_id,
            batch_code,
            things: item.things.into_iter().map(Into::into).collect(),
        },
    })
}

/// How much to show.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct WorkNowQuery {
    /// Days after today whose work is shown too, 0 to 21; 0 when left out.
    #[param(minimum = 0, maximum = 21)]
    pub days_ahead: Option<u32>,
    /// Most tasks, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
}

/// Read what needs doing at a site, here and now
///
/// In one request: the most urgent first, with what it takes, how long, how it is done, what to mind, how
/// many people are still needed, and whether the member who asks may take it, and if not, why.
#[utoipa::path(
    tag = "tasks", operation_id = "read_work_now", params(WorkNowQuery),
    responses((status = 200, description = "What needs doing, the most urgent first", body = WorkNow), ReadProblems)
)]
#[get("/sites/{site_id}/work_now")]
pub async fn read_work_now(
    state: Data<ApiState>,
    Signed(caller): Signed,
    site_id: Path<Uuid>,
    query: Query<WorkNowQuery>,
) -> Answer {
    let wanted = WorkNowWanted {
        site_id: *site_id,
        days_ahead: query.days_ahead.unwrap_or(0),
        limit: query.limit.unwrap_or(50),
    };
    let found = state.app.read_work_now(&caller, &wanted).await?;
    Ok(HttpResponse::Ok().json(WorkNow {
        today: found.today,
        items: found
            .items
            .into_iter()
            .map(entry)
            .collect::<Result<_, _>>()?,
        groups: found
            .groups
            .into_iter()
            .map(WorkGroup::of)
            .collect::<Result<_, _>>()?,
        more: found.more,
    }))
}
