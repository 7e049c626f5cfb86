//! What tasks that go alongside each other take together: one line for whoever reads what needs doing.

use cotyl_domain::Actor;
use cotyl_store::Tx;
use cotyl_store::tasks::Task;
use uuid::Uuid;

use crate::alongside::named;
use crate::claim_rules::{Room, Whose};
use crate::tasks::Hindrance;
use crate::work_now::{Shelf, Thing, WorkItem};
use crate::{App, Result};

/// Tasks that go alongside each other, as one errand.
#[derive(Debug, Clone)]
pub struct WorkGroup {
    /// The tasks, in the order of their ids.
    pub task_ids: Vec<Uuid>,
    /// Any of them, for what they have in common.
    pub like: Task,
    /// Expected minutes of all of them, of all people together.
    pub minutes: i32,
    /// How many people are still needed.
    pub people_needed: i32,
    /// Why the member who asks cannot take all of them now.
    pub hindrance: Option<Hindrance>,
    /// Containers to be seen to: those that parts of the work left.
    pub containers: Option<i32>,
    /// Solution that they take, in all.
    pub microlitres: Option<i64>,
    /// A batch that has enough of it for all.
    pub batch: Option<(Uuid, String)>,
    /// Things from the shelf that they take.
    pub things: Vec<Thing>,
}

impl App {
    /// The groups among some tasks, each of which is there as a whole.
    pub(crate) async fn work_groups(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        items: &[WorkItem],
        shelf: &Shelf,
    ) -> Result<Vec<WorkGroup>> {
        let of_group = |item: &&WorkItem| !item.seen.alongside.is_empty();
        let Some(site_id) = items.iter().find(of_group).map(|it| it.seen.task.site_id) else {
            return Ok(Vec::new());
        };
        let whose = Whose::own(actor.member_id);
        let sites = std::iter::once(site_id);
        let room = Room::look_for_several(tx, whose, sites, self.clock().now()).await?;
        let mut groups: Vec<WorkGroup> = Vec::new();
        for item in items.iter().filter(of_group) {
            let task_ids: Vec<Uuid> = item.seen.together().iter().map(|it| it.task_id).collect();
            if groups.iter().any(|group| group.task_ids == task_ids) {
                continue;
            }
            let all: Vec<&WorkItem> = items
                .iter()
                .filter(|item| task_ids.contains(&item.seen.task.id))
                .collect();
            groups.push(group(task_ids, item, &all, &room, shelf)?);
        }
        Ok(groups)
    }
}

fn group(
    task_ids: Vec<Uuid>,
    first: &WorkItem,
    all: &[&WorkItem],
    room: &Room,
    shelf: &Shelf,
) -> Result<WorkGroup> {
    let tasks: Vec<&Task> = all.iter().map(|item| &item.seen.task).collect();
    let own = |item: &&WorkItem| item.seen.hindrance.clone();
    let hindrance = match all.iter().find_map(own) {
        Some(hindrance) => Some(hindrance),
        None => room
            .refusal_of_all(&tasks)?
            .map(|(task, refusal)| Hindrance {
                code: refusal.code().to_owned(),
                detail: format!("{}: {refusal}", named(task)),
            }),
    };
    let microlitres = sum(all.iter().filter_map(|item| item.microlitres));
    let pours = all.iter().any(|item| item.pours());
    Ok(WorkGroup {
        like: first.seen.task.clone(),
        minutes: tasks.iter().map(|task| task.minutes).sum(),
        people_needed: all
            .iter()
            .map(|item| item.people_needed)
            .max()
            .unwrap_or_default(),
        hindrance,
        containers: sum(all.iter().filter_map(|item| item.containers).map(i64::from))
            .and_then(|containers| i32::try_from(containers).ok()),
        microlitres,
        batch: microlitres
            .filter(|_| pours)
            .and_then(|wanted| shelf.batch_with(wanted)),
        things: in_all(all.iter().flat_map(|item| &item.things)),
        task_ids,
    })
}

fn sum(figures: impl Iterator<Item = i64>) -> Option<i64> {
    figures.reduce(|sum, figure| sum.saturating_add(figure))
}

/// Each thing once, with how much of it all take.
fn in_all<'a>(things: impl Iterator<Item = &'a Thing>) -> Vec<Thing> {
    let mut all: Vec<Thing> = Vec::new();
    for thing in things {
        match all
            .iter_mut()
            .find(|each| each.stock_item_id == thing.stock_item_id)
        {
            Some(each) => {
                let more = each.quantity.zip(thing.quantity);
                each.quantity = more.map(|(some, more)| some.saturating_add(more));
            }
            None => all.push(thing.clone()),
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use cotyl_domain::quantity::StockDimension;

    use super::*;

    #[test]
    fn what_several_tasks_take_is_added_up_by_thing() {
        let thing = |id, quantity| Thing {
            stock_item_id: Uuid::from_u128(id),
            name: id.to_string(),
            dimension: StockDimension::Mass,
            quantity,
        };
        let all = [
            thing(1, Some(20)),
            thing(2, Some(3)),
            thing(1, Some(35)),
            thing(3, None),
            thing(2, None),
        ];
        let expected = [thing(1, Some(55)), thing(2, None), thing(3, None)];
        assert_eq!(in_all(all.iter()), expected);
        assert_eq!(sum([3, 4].into_iter()), Some(7));
        assert_eq!(sum(std::iter::empty()), None);
    }
}
