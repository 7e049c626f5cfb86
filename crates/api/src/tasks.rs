//! Tasks: what is to be done, and who does it.

use std::borrow::Cow;

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, delete, get, post};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, FixedOffset, NaiveDate, Utc};
use cotyl_app::records::{self, Moment, TaskFilter, TaskPage};
use cotyl_app::tasks::TaskForMember;
use cotyl_app::work_reports::containers_of;
use cotyl_domain::guidance;
use cotyl_domain::task::{TaskKind, TaskState, comes_free_at};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::alongside::{self, AlongsideInput, AlongsideQuery, Portion};
use crate::extract::{Signed, SignedMaybe, page};
use crate::problem::{Problem, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed_by, record};
use crate::serve::ApiState;
use crate::work_reports::WorkReport;

/// When a task can be worked on: from the first opening to the last closing of a day.
#[derive(Debug, Serialize, ToSchema)]
pub struct TaskWindow {
    /// The day by the calendar of the site.
    #[serde(serialize_with = "crate::instant::day")]
    pub day: NaiveDate,
    /// First opening, in UTC.
    #[serde(serialize_with = "crate::instant::instant")]
    pub opens_at: DateTime<Utc>,
    /// Last closing, in UTC.
    #[serde(serialize_with = "crate::instant::instant")]
    pub due_at: DateTime<Utc>,
    /// First opening by the clock of the site, with its offset.
    #[serde(serialize_with = "crate::instant::instant")]
    pub local_opens_at: DateTime<FixedOffset>,
    /// Last closing by the clock of the site, with its offset.
    #[serde(serialize_with = "crate::instant::instant")]
    pub local_due_at: DateTime<FixedOffset>,
    /// IANA time zone of the site.
    #[schema(example = "America/New_York")]
    pub zone: String,
}

/// A place of a task that is held.
#[derive(Debug, Serialize, ToSchema)]
pub struct HeldPlace {
    /// The place, from 1.
    pub place: i32,
    /// Whether it is held by the member who asks.
    pub mine: bool,
    /// Who holds it; shown to coordinators, leads of the site, and the holder.
    pub member_id: Option<Uuid>,
    /// Their name; shown likewise.
    pub name: Option<String>,
    /// Since when; shown likewise.
    pub claimed_at: Option<DateTime<Utc>>,
    /// When they said that they are at it; shown likewise.
    pub begun_at: Option<DateTime<Utc>>,
    /// When the place comes free unless they say so by then; shown likewise.
    pub comes_free_at: Option<DateTime<Utc>>,
    /// Who gave them the task; shown likewise, `null` where they took it themselves.
    pub assigned_by: Option<AssignedBy>,
    /// Whom they offer it to; shown likewise.
    pub offered_to: Option<Uuid>,
    /// Whether it is offered to the member who asks.
    pub offered_to_me: bool,
}

/// Who gave a task to its holder.
#[derive(Debug, Serialize, ToSchema)]
pub struct AssignedBy {
    /// The member.
    pub member_id: Uuid,
    /// Their name.
    pub name: String,
}

/// Why a task cannot be claimed.
#[derive(Debug, Serialize, ToSchema)]
pub struct Hindrance {
    /// The last part of the problem type that a claim would get.
    #[schema(example = "needs-qualification")]
    pub code: String,
    /// In words.
    pub detail: String,
}

impl From<cotyl_app::tasks::Hindrance> for Hindrance {
    fn from(hindrance: cotyl_app::tasks::Hindrance) -> Self {
        Self {
            code: hindrance.code,
            detail: hindrance.detail,
        }
    }
}

/// A task in a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct TaskEntry {
    /// The task.
    pub id: Uuid,
    /// `sow`, `mist`, `check_germination`, `top_up`, `measure`, `mix`, `adjust`, `cut`,
    /// `clear_and_clean`, `turn`, `count`, `pack`, `deliver` or `other`.
    #[schema(example = "sow")]
    pub kind: String,
    /// `open`, `held`, `done`, `missed` or `dropped`.
    #[schema(example = "open")]
    pub state: String,
    /// Still to be done though its window has passed.
    pub overdue: bool,
    /// The site.
    pub site_id: Uuid,
    /// Its name.
    pub site_name: String,
    /// What it is called where its kind does not say it.
    pub title: Option<String>,
    /// What else is to be known.
    pub note: String,
    /// The station, where it is at one.
    pub station_id: Option<Uuid>,
    /// Its name.
    pub station_name: Option<String>,
    /// The crop, for work on a sowing.
    pub crop_id: Option<Uuid>,
    /// Its name.
    pub crop_name: Option<String>,
    /// The sowing, for work on one.
    pub sowing_id: Option<Uuid>,
    /// Which cut, for cutting; `null` for the others.
    pub cut_number: Option<i32>,
    /// Containers of the sowing.
    pub containers: Option<i32>,
    /// The batch, for work on one.
    pub batch_id: Option<Uuid>,
    /// The stock item, for work about one.
    pub stock_item_id: Option<Uuid>,
    /// The recipient, for work for one.
    pub recipient_id: Option<Uuid>,
    /// Their name.
    pub recipient_name: Option<String>,
    /// Expected minutes of work, of all people together.
    pub minutes: i32,
    /// People needed.
    pub people: i32,
    /// Training needed: `concentrates` or `food_handling`.
    pub qualification: Option<String>,
    /// When it can be done.
    pub window: TaskWindow,
    /// Places that are held.
    pub holders: Vec<HeldPlace>,
    /// Whether the member who asks can claim it now.
    pub may_claim: bool,
    /// Why not.
    pub hindrance: Option<Hindrance>,
    /// Tasks that go alongside it, in the order of their ids: the same work on other sowings of its batch
    /// (of its crop, sown at its station on its day), on the same day and for the same members. They can be
    /// claimed together, and where nothing else is to be told finished together.
    pub alongside: Vec<Uuid>,
    /// Why it was dropped.
    pub cause: Option<String>,
    /// When it was done, by the clock of the one who did it.
    pub done_at: Option<DateTime<Utc>>,
    /// When the server heard of it.
    pub recorded_done_at: Option<DateTime<Utc>>,
    /// Who reported it done; shown to coordinators, leads of the site, and that member.
    pub done_by: Option<Uuid>,
}

/// A task with everything that the work needs.
#[derive(Debug, Serialize, ToSchema)]
pub struct Task {
    /// What, where, when, who.
    #[serde(flatten)]
    pub task: TaskEntry,
    /// What was done, as told at the end.
    pub outcome: Option<Value>,
    /// Parts of it that were done already.
    pub parts: Vec<WorkReport>,
    /// Containers that are left to be done after them.
    pub containers_left: Option<i32>,
    /// Where tasks go alongside it: its containers and theirs, in the order of the ids of the tasks; empty
    /// where none do.
    pub portions: Vec<Portion>,
    /// How it is done, one step a line; where tasks go alongside it, also how their containers stay apart.
    #[schema(value_type = Vec<String>)]
    pub steps: Vec<Cow<'static, str>>,
    /// What to mind. Product labels and local rules come first.
    pub cautions: Vec<&'static str>,
}

impl From<TaskForMember> for TaskEntry {
    fn from(seen: TaskForMember) -> Self {
        let alongside = alongside::ids(&seen);
        let task = seen.task;
        let to_do = matches!(task.state.as_str(), "open" | "held");
        let shown = |member_id: Uuid| seen.names_shown || member_id == seen.member_id;
        Self {
            id: task.id,
            kind: task.kind,
            state: task.state,
            overdue: seen.overdue,
            site_id: task.site_id,
            site_name: task.site_name,
            title: task.title,
            note: task.note,
            batch_id: task.batch_id,
            stock_item_id: task.stock_item_id,
            recipient_id: task.recipient_id,
            recipient_name: task.recipient_name,
            station_id: task.station_id,
            station_name: task.station_name,
            crop_id: task.crop_id,
            crop_name: task.crop_name,
            sowing_id: task.sowing_id,
            cut_number: (task.cut_number > 0).then_some(task.cut_number),
            containers: task.containers,
            minutes: task.minutes,
            people: task.people,
            qualification: task.qualification,
            window: TaskWindow {
                day: task.day,
                opens_at: task.opens_at,
                due_at: task.due_at,
                local_opens_at: seen.local_opens_at,
                local_due_at: seen.local_due_at,
                zone: task.zone,
            },
            holders: task
                .holders
                .0
                .into_iter()
                .map(|holder| HeldPlace {
                    place: holder.place,
                    mine: holder.member_id == seen.member_id,
                    member_id: shown(holder.member_id).then_some(holder.member_id),
                    claimed_at: shown(holder.member_id).then_some(holder.claimed_at),
                    begun_at: holder.begun_at.filter(|_| shown(holder.member_id)),
                    comes_free_at: comes_free_at(holder.claimed_at, holder.begun_at, task.due_at)
                        .filter(|_| to_do && shown(holder.member_id)),
                    assigned_by: holder
                        .assigned_by
                        .zip(holder.assigned_by_name)
                        .filter(|_| shown(holder.member_id))
                        .map(|(member_id, name)| AssignedBy { member_id, name }),
                    offered_to: holder.offered_to.filter(|_| shown(holder.member_id)),
                    offered_to_me: holder.offered_to == Some(seen.member_id),
                    name: shown(holder.member_id).then_some(holder.name),
                })
                .collect(),
            may_claim: seen.hindrance.is_none(),
            hindrance: seen.hindrance.map(Into::into),
            alongside,
            cause: task.cause,
            done_at: task.done_at,
            recorded_done_at: task.recorded_done_at,
            done_by: task.done_by.filter(|member_id| shown(*member_id)),
        }
    }
}

/// The task with what the work needs.
///
/// # Errors
/// For a kind that this version does not know.
pub(crate) fn full(seen: TaskForMember) -> Result<Task, Problem> {
    let kind = seen.task.kind().map_err(cotyl_app::Error::from)?;
    let aerated = seen.task.method.as_deref() == Some("aerated");
    let done: i32 = seen.parts.iter().map(containers_of).sum();
    let to_do = matches!(seen.task.state.as_str(), "open" | "held");
    let together = seen.together();
    Ok(Task {
        outcome: seen.task.outcome.clone(),
        containers_left: seen
            .task
            .containers
            .filter(|_| to_do)
            .map(|containers| (containers - done).max(0)),
        parts: seen.parts.iter().cloned().map(WorkReport::from).collect(),
        task: seen.into(),
        steps: alongside::steps(kind, &together),
        portions: together.into_iter().map(Into::into).collect(),
        cautions: guidance::cautions(kind, aerated),
    })
}

/// One member's hold on one place of a task.
#[derive(Debug, Serialize, ToSchema)]
pub struct Claim {
    /// The claim.
    pub id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// Who holds it.
    pub member_id: Uuid,
    /// Which place of the task, from 1.
    pub place: i32,
    /// Since when.
    pub claimed_at: DateTime<Utc>,
    /// When the holder said that they are at it.
    pub begun_at: Option<DateTime<Utc>>,
    /// Who gave them the task; `null` where they took it themselves.
    pub assigned_by: Option<Uuid>,
}

impl From<records::Claim> for Claim {
    fn from(claim: records::Claim) -> Self {
        Self {
            id: claim.id,
            task_id: claim.task_id,
            member_id: claim.member_id,
            place: claim.place,
            claimed_at: claim.claimed_at,
            begun_at: claim.begun_at,
            assigned_by: claim.assigned_by,
        }
    }
}

/// Which tasks are listed.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct TasksQuery {
    /// Most tasks, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this site only.
    pub site_id: Option<Uuid>,
    /// In this state only; open and held ones when left out.
    pub state: Option<String>,
    /// Of this kind only.
    pub kind: Option<String>,
    /// From this day on by the calendar of each site, or, given as an instant, not yet due then.
    pub from: Option<String>,
    /// Up to this day by the calendar of each site, or, given as an instant, open by then.
    pub to: Option<String>,
    /// Only those that the member who asks holds.
    #[serde(default)]
    pub mine: bool,
    /// Only those that are offered to the member who asks.
    #[serde(default)]
    pub offered: bool,
}

/// A name from a list of names.
///
/// # Errors
/// When it is none of them.
pub(crate) fn one_of<T>(
    pointer: &str,
    given: Option<&str>,
    parse: impl Fn(&str) -> Option<T>,
    names: &[&str],
) -> Result<Option<T>, Problem> {
    given
        .map(|name| {
            parse(name).ok_or_else(|| {
                let detail = format!("must be one of {}", names.join(", "));
                Problem::field(pointer, "unknown", detail)
            })
        })
        .transpose()
}

fn moment(pointer: &str, given: Option<&str>) -> Result<Option<Moment>, Problem> {
    given
        .map(|text| {
            if let Ok(day) = text.parse() {
                return Ok(Moment::Day(day));
            }
            DateTime::parse_from_rfc3339(text)
                .map(|instant| Moment::Instant(instant.to_utc()))
                .map_err(|_| {
                    let detail = "must be a day such as 2026-10-31, or an instant such as 2026-10-31T16:00:00Z";
                    Problem::field(pointer, "format", detail)
                })
        })
        .transpose()
}

/// The cursor that continues after a task: when it is due, and its id.
fn task_cursor(seen: &TaskForMember) -> String {
    let mut bytes = seen.task.due_at.timestamp_micros().to_be_bytes().to_vec();
    bytes.extend(seen.task.id.as_bytes());
    URL_SAFE_NO_PAD.encode(bytes)
}

fn after_task(cursor: &str) -> Result<(DateTime<Utc>, Uuid), Problem> {
    let read = || {
        let bytes = URL_SAFE_NO_PAD.decode(cursor).ok()?;
        let (due, id) = bytes.split_first_chunk::<8>()?;
        let due = DateTime::from_timestamp_micros(i64::from_be_bytes(*due))?;
        Some((due, Uuid::from_slice(id).ok()?))
    };
    read().ok_or_else(|| {
        let detail = "must be a cursor that a page before gave";
        Problem::field("after", "format", detail)
    })
}

/// List tasks
#[utoipa::path(
    tag = "tasks", operation_id = "list_tasks", params(TasksQuery),
    responses((status = 200, description = "A page of tasks, in the order in which they are due", body = Listed<TaskEntry>), ReadProblems)
)]
#[get("/tasks")]
pub async fn list_tasks(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<TasksQuery>,
) -> Answer {
    let limit = page(query.limit, None)?.limit;
    let states = TaskState::ALL.map(TaskState::as_str);
    let kinds = TaskKind::ALL.map(TaskKind::as_str);
    let task_state = one_of("state", query.state.as_deref(), TaskState::parse, &states)?;
    let filter = TaskFilter {
        sites: query.site_id.map(|site_id| vec![site_id]),
        states: task_state.map(|state| vec![state]),
        kind: one_of("kind", query.kind.as_deref(), TaskKind::parse, &kinds)?,
        from: moment("from", query.from.as_deref())?,
        to: moment("to", query.to.as_deref())?,
        ..TaskFilter::default()
    };
    let task_page = TaskPage {
        after: query.after.as_deref().map(after_task).transpose()?,
        limit: Some(limit + 1),
    };
    let tasks = state
        .app
        .list_tasks(&caller, &filter, query.mine, query.offered, task_page)
        .await?;
    Ok(listed_by(
        &request,
        limit,
        tasks,
        task_cursor,
        TaskEntry::from,
    ))
}

/// Read a task
#[utoipa::path(
    tag = "tasks", operation_id = "read_task",
    responses((status = 200, description = "The task with everything that the work needs", body = Task), ReadProblems)
)]
#[get("/tasks/{task_id}")]
pub async fn read_task(
    state: Data<ApiState>,
    Signed(caller): Signed,
    task_id: Path<Uuid>,
) -> Answer {
    let seen = state.app.read_task(&caller, *task_id).await?;
    Ok(record(seen.task.version, &full(seen)?))
}

/// Claims that were made.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClaimedTasks {
    /// That of the task of the address.
    #[serde(flatten)]
    pub claim: Claim,
    /// Those of the tasks alongside it that were asked for, in the order of the ids of the tasks.
    pub alongside: Vec<Claim>,
}

/// Claim a task
///
/// Takes the lowest free place of it. `Location` is where the claim is given back. With `alongside`, tasks
/// that go alongside it are taken too, all or none; each counts as one towards how many a member may hold.
/// Where one stands in the way, `errors` names it.
#[utoipa::path(
    tag = "tasks", operation_id = "claim_task", request_body = Option<AlongsideInput>,
    responses((status = 201, description = "Held", body = ClaimedTasks), WriteProblems)
)]
#[post("/tasks/{task_id}/claims")]
pub async fn claim_task(
    state: Data<ApiState>,
    task_id: Path<Uuid>,
    signed: SignedMaybe<AlongsideInput>,
) -> Answer {
    let with = &signed.body.alongside;
    let claimed = state.app.claim_task(&signed.caller, *task_id, with).await?;
    let path = format!("/tasks/{task_id}/claims/mine");
    let version = claimed.claim.version;
    let body = ClaimedTasks {
        claim: claimed.claim.into(),
        alongside: claimed.along.into_iter().map(Into::into).collect(),
    };
    Ok(created(version, &path, &body))
}

/// Give a task back
///
/// With `alongside`, tasks that go alongside it too, all or none.
#[utoipa::path(
    tag = "tasks", operation_id = "release_task", params(AlongsideQuery),
    responses((status = 204, description = "Given back"), WriteProblems)
)]
#[delete("/tasks/{task_id}/claims/mine")]
pub async fn release_task(
    state: Data<ApiState>,
    Signed(caller): Signed,
    task_id: Path<Uuid>,
    query: Query<AlongsideQuery>,
) -> Answer {
    let with = query.ids()?;
    state.app.release_task(&caller, *task_id, &with).await?;
    Ok(HttpResponse::NoContent().finish())
}
