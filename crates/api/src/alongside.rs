//! Tasks that go alongside each other, on the wire.

use std::borrow::Cow;

use chrono::NaiveDate;
use cotyl_app::alongside::Beside;
use cotyl_app::tasks::TaskForMember;
use cotyl_app::work::{Finishing, Portion as PortionFacts, keep_apart};
use cotyl_app::work_groups::WorkGroup as AppGroup;
use cotyl_domain::guidance;
use cotyl_domain::quantity::Volume;
use cotyl_domain::task::TaskKind;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::problem::Problem;
use crate::tasks::Hindrance;
use crate::work_now::WorkNeeds;

/// Tasks that go with the one of the address: all or none.
#[derive(Debug, Default, Deserialize, ToSchema)]
pub struct AlongsideInput {
    /// Tasks that go alongside it, at most 49; none when left out. The order does not matter, and the task
    /// itself may be among them.
    #[serde(default)]
    pub alongside: Vec<Uuid>,
}

/// Tasks that go with the one of the address: all or none.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct AlongsideQuery {
    /// Ids of tasks that go alongside it, at most 49, with commas between them; none when left out.
    pub alongside: Option<String>,
}

impl AlongsideQuery {
    /// The ids.
    ///
    /// # Errors
    /// For what is no list of ids.
    pub(crate) fn ids(&self) -> Result<Vec<Uuid>, Problem> {
        let ids = self.alongside.iter().flat_map(|text| text.split(','));
        ids.map(|id| id.trim().parse())
            .collect::<Result<_, _>>()
            .map_err(|_| {
                let detail = "must be ids of tasks with commas between them";
                Problem::field("alongside", "format", detail)
            })
    }
}

/// The containers of one sowing among those of its batch; they stay apart on the station.
#[derive(Debug, Serialize, ToSchema)]
pub struct Portion {
    /// The task.
    pub task_id: Uuid,
    /// The sowing.
    pub sowing_id: Option<Uuid>,
    /// Its containers.
    pub containers: i32,
    /// The day of its first cut, as planned; `null` where none is.
    pub first_cut_on: Option<NaiveDate>,
    /// The days of all its cuts, as planned.
    pub cuts_on: Vec<NaiveDate>,
}

impl From<Beside> for Portion {
    fn from(beside: Beside) -> Self {
        Self {
            task_id: beside.task_id,
            sowing_id: beside.sowing_id,
            containers: beside.containers,
            first_cut_on: beside.cuts_on.first().copied(),
            cuts_on: beside.cuts_on,
        }
    }
}

/// How the work is done, with what its portions need where there are several.
pub(crate) fn steps(kind: TaskKind, portions: &[Beside]) -> Vec<Cow<'static, str>> {
    let portions: Vec<PortionFacts<'_>> = portions.iter().map(Beside::portion).collect();
    let usual = guidance::steps(kind).iter().copied().map(Cow::Borrowed);
    let apart = keep_apart(kind, &portions).map(Cow::Owned);
    usual.chain(apart).collect()
}

/// The ids of the tasks alongside a task.
pub(crate) fn ids(seen: &TaskForMember) -> Vec<Uuid> {
    seen.alongside.iter().map(|each| each.task_id).collect()
}

/// Tasks that go alongside each other, as one errand: to be read, taken and done in one go.
#[derive(Debug, Serialize, ToSchema)]
pub struct WorkGroup {
    /// The tasks, in the order of their ids. The list of tasks may end before the last of them.
    pub task_ids: Vec<Uuid>,
    /// The work.
    #[schema(example = "sow")]
    pub kind: String,
    /// The station.
    pub station_id: Option<Uuid>,
    /// Its name.
    pub station_name: Option<String>,
    /// The crop.
    pub crop_id: Option<Uuid>,
    /// Its name.
    pub crop_name: Option<String>,
    /// Expected minutes of all of them, of all people together.
    pub minutes: i32,
    /// How many people are still needed.
    pub people_needed: i32,
    /// Whether the member who asks can take all of them now, in one claim.
    pub may_claim: bool,
    /// Why not.
    pub hindrance: Option<Hindrance>,
    /// How they are finished: `at_once`, `at_once_with_counts` where each tells its own count, or `singly`.
    #[schema(example = "at_once")]
    pub finishing: &'static str,
    /// Why singly.
    pub finishing_reason: Option<&'static str>,
    /// What they take in all.
    pub needs: WorkNeeds,
}

impl WorkGroup {
    /// The group on the wire.
    ///
    /// # Errors
    /// For a kind that this version does not know.
    pub(crate) fn of(group: AppGroup) -> Result<Self, Problem> {
        let task = group.like;
        let kind = task.kind().map_err(cotyl_app::Error::from)?;
        let finishing = Finishing::of(kind);
        let (batch_id, batch_code) = group.batch.unzip();
        Ok(Self {
            task_ids: group.task_ids,
            kind: task.kind,
            station_id: task.station_id,
            station_name: task.station_name,
            crop_id: task.crop_id,
            crop_name: task.crop_name,
            minutes: group.minutes,
            people_needed: group.people_needed,
            may_claim: group.hindrance.is_none(),
            hindrance: group.hindrance.map(Into::into),
            finishing: finishing.map_or("singly", Finishing::as_str),
            finishing_reason: match finishing {
                Some(Finishing::Singly(reason)) => Some(reason),
                _ => None,
            },
            needs: WorkNeeds {
                containers: group.containers,
                solution: group.microlitres.map(Volume::of_microlitres),
                batch_id,
                batch_code,
                things: group.things.into_iter().map(Into::into).collect(),
            },
        })
    }
}
