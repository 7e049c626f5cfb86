//! Here and now: what needs doing at a site, for one member, the most urgent first.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, Days, NaiveDate, Utc};
use cotyl_calendar::SiteZone;
use cotyl_domain::quantity::StockDimension;
use cotyl_domain::task::{TaskKind, TaskState};
use cotyl_domain::{Actor, Operation};
use cotyl_growth::CropProfile;
use cotyl_store::levels::ready_batches;
use cotyl_store::supply::{self, Bench, Item, Supply};
use cotyl_store::tasks::{self, Moment, Task, TaskFilter, TaskPage};
use cotyl_store::{Tx, site_work, sites, work_reports};
use cotyl_work::Suffers;
use uuid::Uuid;

use crate::alongside::tell_among;
use crate::input::Problems;
use crate::tasks::TaskForMember;
use crate::work_effects::containers_of;
use crate::work_groups::WorkGroup;
use crate::{App, Caller, Error, Result};

/// Furthest look ahead.
pub const MOST_DAYS_AHEAD: u32 = 21;
/// Most tasks of one answer.
pub const MOST_TASKS: i64 = 200;
/// Tasks that are put in order; a site with more to do by then sees the earliest due.
const MOST_SORTED: i64 = 5000;

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WorkNowWanted {
    /// The site.
    pub site_id: Uuid,
    /// Days after today whose work is shown too.
    pub days_ahead: u32,
    /// Most tasks.
    pub limit: i64,
}

/// What needs doing at a site.
#[derive(Debug, Clone)]
pub struct WorkNow {
    /// Today at the site.
    pub today: NaiveDate,
    /// Tasks, the most urgent first; those that go alongside each other stand next to each other.
    pub items: Vec<WorkItem>,
    /// What tasks that go alongside each other take together, in the order of their first.
    pub groups: Vec<WorkGroup>,
    /// How many more there are.
    pub more: usize,
}

/// A task with what it takes.
#[derive(Debug, Clone)]
pub struct WorkItem {
    /// The task as the member sees it.
    pub seen: TaskForMember,
    /// Who or what suffers when it is not done.
    pub suffers: Suffers,
    /// How many people are still needed.
    pub people_needed: i32,
    /// Containers to be seen to: those that parts of the work left.
    pub containers: Option<i32>,
    /// Solution that it takes, in all.
    pub microlitres: Option<i64>,
    /// A batch that has enough of it.
    pub batch: Option<(Uuid, String)>,
    /// Things from the shelf that it takes.
    pub things: Vec<Thing>,
}

impl WorkItem {
    /// Whether it pours solution out of a batch.
    pub(crate) fn pours(&self) -> bool {
        let kind = TaskKind::parse(&self.seen.task.kind);
        matches!(kind, Some(TaskKind::Sow | TaskKind::TopUp))
    }
}

/// Something from the shelf.
#[derive(Debug, Clone, PartialEq)]
pub struct Thing {
    /// The stock item.
    pub stock_item_id: Uuid,
    /// Its name.
    pub name: String,
    /// How it is counted.
    pub dimension: StockDimension,
    /// Base units; `None` where the work itself says how much.
    pub quantity: Option<i64>,
}

impl App {
    /// What needs doing at a site, for the member who asks: overdue work first, then what lives and
    /// suffers first, then what is due soonest.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Error::NotFound`] when there is no such site within the reach of the
    /// member.
    pub async fn read_work_now(&self, caller: &Caller, wanted: &WorkNowWanted) -> Result<WorkNow> {
        let mut problems = Problems::new();
        problems.within(
            "days_ahead",
            wanted.days_ahead.into(),
            0,
            MOST_DAYS_AHEAD.into(),
        );
        problems.within("limit", wanted.limit, 1, MOST_TASKS);
        problems.finish()?;
        let operation = Operation::ReadWorkNow;
        let now = self.clock().now();
        self.read(operation, caller, async |tx, actor| {
            let site = sites::get(tx, wanted.site_id)
                .await?
                .filter(|site| operation.reach(actor).covers_site(site.id))
                .ok_or(Error::NotFound("site"))?;
            let zone: SiteZone = site.fields.zone.parse().map_err(Error::internal)?;
            let today = zone.today(now);
            let mut seen = self.to_do(tx, actor, wanted, today).await?;
            tell_among(&mut seen, Vec::new(), now)?;
            seen.sort_by_key(urgency);
            let limit = usize::try_from(wanted.limit).unwrap_or(1).min(seen.len());
            let mut beyond = seen.split_off(limit);
            let more = beyond.len();
            // what goes together is reckoned as a whole, also where the list ends among it
            beyond.retain(|item| goes_with_any(item, &seen));
            seen.append(&mut beyond);
            self.tell_room(tx, actor, &mut seen).await?;
            with_parts(tx, &mut seen).await?;
            let shelf = Shelf::read(tx, &seen, wanted.site_id).await?;
            let mut items: Vec<WorkItem> = seen.into_iter().map(|seen| shelf.item(seen)).collect();
            let groups = self.work_groups(tx, actor, &items, &shelf).await?;
            items.truncate(limit);
            Ok(WorkNow {
                today,
                items,
                groups,
                more,
            })
        })
        .await
    }

    async fn to_do(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        wanted: &WorkNowWanted,
        today: NaiveDate,
    ) -> Result<Vec<TaskForMember>> {
        let filter = TaskFilter {
            sites: Some(vec![wanted.site_id]),
            states: Some(vec![TaskState::Open, TaskState::Held]),
            to: Some(Moment::Day(today + Days::new(wanted.days_ahead.into()))),
            ..TaskFilter::default()
        };
        let page = TaskPage {
            after: None,
            limit: Some(MOST_SORTED),
        };
        tasks::list(tx, &filter, page)
            .await?
            .into_iter()
            .map(|task| self.task_for(actor, task))
            .collect()
    }
}

/// Overdue work first, then what lives and suffers first, then what is due soonest; tasks that go alongside
/// each other, which agree in all of that, by the first of them.
fn urgency(item: &TaskForMember) -> (bool, Suffers, DateTime<Utc>, Uuid, Uuid) {
    let task = &item.task;
    let of_group = item.alongside.iter().map(|each| each.task_id).min();
    let first = of_group.map_or(task.id, |other| other.min(task.id));
    (!item.overdue, suffers(task), task.due_at, first, task.id)
}

fn goes_with_any(item: &TaskForMember, shown: &[TaskForMember]) -> bool {
    let is_shown = |id: Uuid| shown.iter().any(|each| each.task.id == id);
    item.alongside.iter().any(|each| is_shown(each.task_id))
}

/// Adds the parts that were done already, so that what is left is told.
async fn with_parts(tx: &mut Tx, seen: &mut [TaskForMember]) -> Result<()> {
    let ids: Vec<Uuid> = seen.iter().map(|item| item.task.id).collect();
    for part in work_reports::parts_of(tx, &ids).await? {
        if let Some(item) = seen.iter_mut().find(|item| item.task.id == part.task_id) {
            item.parts.push(part);
        }
    }
    Ok(())
}

fn suffers(task: &Task) -> Suffers {
    TaskKind::parse(&task.kind).map_or(Suffers::Work, Suffers::of)
}

/// What tasks take from the shelf and out of batches.
pub(crate) struct Shelf {
    benches: HashMap<Uuid, Bench>,
    supplies: Vec<Supply>,
    items: Vec<Item>,
    profiles: BTreeMap<Uuid, CropProfile>,
    recipe_products: Vec<Uuid>,
    batches: Vec<(Uuid, String, i64)>,
}

impl Shelf {
    async fn read(tx: &mut Tx, seen: &[TaskForMember], site_id: Uuid) -> Result<Self> {
        let crops: Vec<Uuid> = seen
            .iter()
            .filter(|item| item.task.kind == TaskKind::Sow.as_str())
            .filter_map(|item| item.task.crop_id)
            .collect();
        let mut profiles = BTreeMap::new();
        for (id, profile) in site_work::profiles(tx, &crops).await? {
            profiles.insert(
                id,
                serde_json::from_value(profile).map_err(Error::internal)?,
            );
        }
        let benches = supply::benches(tx).await?;
        let batches = ready_batches(tx, site_id).await?;
        Ok(Self {
            benches: benches
                .into_iter()
                .map(|bench| (bench.station_id, bench))
                .collect(),
            supplies: supply::supplies(tx).await?,
            items: supply::items(tx).await?,
            profiles,
            recipe_products: site_work::usual_products(tx).await?,
            batches: batches
                .into_iter()
                .map(|batch| (batch.id, batch.code, batch.left_microlitres))
                .collect(),
        })
    }

    fn item(&self, seen: TaskForMember) -> WorkItem {
        let task = &seen.task;
        let kind = TaskKind::parse(&task.kind);
        let figure = |name: &str| task.detail.get(name).and_then(serde_json::Value::as_i64);
        let of_work = figure("containers")
            .and_then(|count| i32::try_from(count).ok())
            .filter(|count| *count > 0);
        let done: i32 = seen.parts.iter().map(containers_of).sum();
        let containers = task.containers.or(of_work);
        let containers = containers.map(|all| all.saturating_sub(done).max(0));
        let microlitres = match kind {
            Some(TaskKind::Sow) => self.filling(task, containers),
            // the last look reckoned for as many as were left then
            Some(TaskKind::TopUp) => figure("microlitres")
                .map(|all| match (of_work, containers) {
                    (Some(then), Some(now)) => all / i64::from(then) * i64::from(now),
                    _ => all,
                })
                .filter(|microlitres| *microlitres > 0),
            _ => figure("microlitres").filter(|microlitres| *microlitres > 0),
        };
        let pours = matches!(kind, Some(TaskKind::Sow | TaskKind::TopUp));
        let batch = microlitres
            .filter(|_| pours)
            .and_then(|wanted| self.batch_with(wanted));
        let held = i32::try_from(task.holders.len()).unwrap_or(i32::MAX);
        WorkItem {
            suffers: suffers(task),
            people_needed: task.people.saturating_sub(held).max(0),
            containers,
            microlitres,
            batch,
            things: match kind {
                Some(TaskKind::Sow) => self.to_sow(task, containers),
                Some(TaskKind::Mix) => self.to_mix(),
                _ => Vec::new(),
            },
            seen,
        }
    }

    /// The oldest batch that has so much left.
    pub(crate) fn batch_with(&self, microlitres: i64) -> Option<(Uuid, String)> {
        let enough = |(_, _, left): &&(Uuid, String, i64)| *left >= microlitres;
        let batch = self.batches.iter().find(enough)?;
        Some((batch.0, batch.1.clone()))
    }

    /// Solution for the first filling.
    fn filling(&self, task: &Task, containers: Option<i32>) -> Option<i64> {
        let bench = self.benches.get(&task.station_id?)?;
        Some(bench.fill_microlitres * i64::from(containers?))
    }

    /// Seed and what a container takes when it is sown.
    fn to_sow(&self, task: &Task, containers: Option<i32>) -> Vec<Thing> {
        let bench = task.station_id.and_then(|id| self.benches.get(&id));
        let (Some(bench), Some(containers)) = (bench, containers) else {
            return Vec::new();
        };
        let containers = i64::from(containers);
        let of_seed = |item: &Item| -> Option<i64> {
            let profile = self.profiles.get(&item.crop_id?)?;
            match item.dimension.as_str() {
                "mass" => Some(profile.seed_milligrams_per_container * containers),
                "count" => {
                    let plants = i64::from(bench.plants_per_container);
                    Some(i64::from(profile.seeds_per_plant) * plants * containers)
                }
                _ => None,
            }
        };
        let seeds = self
            .items
            .iter()
            .filter(|item| item.crop_id.is_some() && item.crop_id == task.crop_id)
            .filter_map(|item| thing(item, of_seed(item)));
        let others = self
            .supplies
            .iter()
            .filter(|supply| supply.container_kind_id == bench.container_kind_id)
            .filter_map(|supply| {
                let item = self.items.iter().find(|it| it.id == supply.stock_item_id)?;
                thing(item, Some(supply.quantity * containers))
            });
        seeds.chain(others).collect()
    }

    /// Products of the usual recipe; how much of each the batch itself says, by its water.
    fn to_mix(&self) -> Vec<Thing> {
        self.recipe_products
            .iter()
            .filter_map(|product| {
                let item = self
                    .items
                    .iter()
                    .find(|it| it.product_id == Some(*product))?;
                thing(item, None)
            })
            .collect()
    }
}

fn thing(item: &Item, quantity: Option<i64>) -> Option<Thing> {
    Some(Thing {
        stock_item_id: item.id,
        name: item.name.clone(),
        dimension: StockDimension::parse(&item.dimension)?,
        quantity,
    })
}
