//! Which tasks go alongside each other: the same work at the same place on the same day, of sowings of one
//! batch. A batch is what was sown of one crop at one station on one day; the plan makes several sowings of
//! it where its containers are cut on different days. Whoever comes to the bench does the work of all of
//! them in one go, so they read of it once, take it once and, where nothing else is to be told, finish it
//! once. What a sowing is does not change.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_domain::QualificationKind;
use cotyl_domain::task::{TaskKind, TaskState};
use uuid::Uuid;

use crate::reconcile::is_derived;

/// How tasks that go alongside each other are finished.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finishing {
    /// All at once: that it was done is all there is to tell.
    AtOnce,
    /// All at once, each with its own count.
    AtOnceWithCounts,
    /// Each by itself, for this reason.
    Singly(&'static str),
}

impl Finishing {
    /// The name shown in the API.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::AtOnce => "at_once",
            Self::AtOnceWithCounts => "at_once_with_counts",
            Self::Singly(_) => "singly",
        }
    }

    /// How work of a kind is finished where several tasks of it go alongside each other; `None` for work
    /// that never does.
    ///
    /// Sowing, misting and clearing need nothing but that they were done. A look for seedlings needs the
    /// count of each sowing, by which each goes on or is looked at again. What is poured is told of each
    /// sowing, and what is cut is weighed of each.
    ///
    /// Rounds (measuring, turning) are one task a station already. What is adjusted answers one reading,
    /// dose by dose, and mixing is about one batch of solution: done together, one of them would go
    /// unmeasured. Counting, packing and delivering are one task each, and what somebody wrote down by hand
    /// or agreed to repeat says for itself what it is.
    #[must_use]
    pub fn of(kind: TaskKind) -> Option<Self> {
        match kind {
            TaskKind::Sow | TaskKind::Mist | TaskKind::ClearAndClean => Some(Self::AtOnce),
            TaskKind::CheckGermination => Some(Self::AtOnceWithCounts),
            TaskKind::TopUp => Some(Self::Singly(
                "what is poured is told of each sowing by itself: its level and the limit to which it may be filled follow from it",
            )),
            TaskKind::Cut => Some(Self::Singly(
                "what is cut is weighed of each sowing by itself, with its own grams and trays",
            )),
            TaskKind::Measure
            | TaskKind::Mix
            | TaskKind::Adjust
            | TaskKind::Turn
            | TaskKind::Count
            | TaskKind::Pack
            | TaskKind::Deliver
            | TaskKind::Other => None,
        }
    }
}

/// Who holds a place of a task, and whom they offer it to.
pub type Hold = (Uuid, Option<Uuid>);

/// A task, as far as it depends on it what goes alongside it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TaskFacts<'a> {
    /// The task.
    pub id: Uuid,
    /// What is to be done.
    pub kind: TaskKind,
    /// What it answers.
    pub occasion: &'a str,
    /// Where it stands.
    pub state: TaskState,
    /// Its site.
    pub site_id: Uuid,
    /// Its station.
    pub station_id: Option<Uuid>,
    /// The crop of its sowing.
    pub crop_id: Option<Uuid>,
    /// The day on which its sowing was sown, or is to be.
    pub sow_day: Option<NaiveDate>,
    /// Which cut, for cutting; 0 for the others.
    pub cut_number: i32,
    /// The local day on which it falls.
    pub day: NaiveDate,
    /// First opening of that day.
    pub opens_at: DateTime<Utc>,
    /// Last closing of that day.
    pub due_at: DateTime<Utc>,
    /// People needed.
    pub people: i32,
    /// Training needed.
    pub qualification: Option<QualificationKind>,
    /// Who holds places of it, in any order, with whom each offers it to.
    pub holders: Vec<Hold>,
}

/// What work it is, of which batch, when, and for whom: tasks that agree in it are the same work.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Errand {
    kind: TaskKind,
    site_id: Uuid,
    station_id: Uuid,
    crop_id: Uuid,
    sow_day: NaiveDate,
    // the last cut takes all, one before it leaves what grows again
    cut_number: i32,
    day: NaiveDate,
    opens_at: DateTime<Utc>,
    due_at: DateTime<Utc>,
    people: i32,
    qualification: Option<QualificationKind>,
}

impl Errand {
    /// The errand of a task; `None` for one that goes alongside none: of a kind that never does, made by
    /// hand, coming again, or of no sowing.
    #[must_use]
    pub fn of(task: &TaskFacts<'_>) -> Option<Self> {
        Finishing::of(task.kind)?;
        if !is_derived(task.occasion) {
            return None;
        }
        Some(Self {
            kind: task.kind,
            site_id: task.site_id,
            station_id: task.station_id?,
            crop_id: task.crop_id?,
            sow_day: task.sow_day?,
            cut_number: task.cut_number,
            day: task.day,
            opens_at: task.opens_at,
            due_at: task.due_at,
            people: task.people,
            qualification: task.qualification,
        })
    }
}

/// Of each task that goes alongside others those others, in the order of their ids.
///
/// They are the same errand, still to be done, and held by the same members: whoever may take, give back or
/// do one of them may do so with all.
#[must_use]
pub fn alongside(tasks: &[TaskFacts<'_>]) -> BTreeMap<Uuid, Vec<Uuid>> {
    let mut groups: BTreeMap<(Errand, Vec<Hold>), Vec<Uuid>> = BTreeMap::new();
    for task in tasks {
        if !matches!(task.state, TaskState::Open | TaskState::Held) {
            continue;
        }
        if let Some(errand) = Errand::of(task) {
            let mut holders = task.holders.clone();
            holders.sort_unstable();
            groups.entry((errand, holders)).or_default().push(task.id);
        }
    }
    let mut beside = BTreeMap::new();
    for mut ids in groups.into_values() {
        ids.sort_unstable();
        ids.dedup();
        for id in ids.iter().filter(|_| ids.len() > 1) {
            let others = ids.iter().filter(|other| *other != id).copied();
            beside.insert(*id, others.collect());
        }
    }
    beside
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const BATCH: &str = "sowing:00000000-0000-0000-0000-000000000001:sow";

    fn id(number: u128) -> Uuid {
        Uuid::from_u128(number)
    }

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn instant(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn task(number: u128) -> TaskFacts<'static> {
        TaskFacts {
            id: id(number),
            kind: TaskKind::Sow,
            occasion: BATCH,
            state: TaskState::Open,
            site_id: id(1000),
            station_id: Some(id(2000)),
            crop_id: Some(id(3000)),
            sow_day: Some(day("2026-09-07")),
            cut_number: 0,
            day: day("2026-09-07"),
            opens_at: instant("2026-09-07T12:00:00Z"),
            due_at: instant("2026-09-07T20:00:00Z"),
            people: 1,
            qualification: None,
            holders: Vec::new(),
        }
    }

    fn go_together(one: TaskFacts<'_>, other: TaskFacts<'_>) -> bool {
        let (first, second) = (one.id, other.id);
        let found = alongside(&[one, other]);
        let is_mutual = found.get(&first) == Some(&vec![second]);
        assert_eq!(is_mutual, found.get(&second) == Some(&vec![first]));
        assert_eq!(is_mutual, !found.is_empty());
        is_mutual
    }

    #[test]
    fn sowings_of_one_batch_go_together_in_the_order_of_their_ids() {
        let found = alongside(&[task(3), task(1), task(2)]);
        assert_eq!(found[&id(1)], [id(2), id(3)]);
        assert_eq!(found[&id(2)], [id(1), id(3)]);
        assert_eq!(found[&id(3)], [id(1), id(2)]);
        assert!(alongside(&[task(1)]).is_empty());
        // the same task twice is one task
        assert!(alongside(&[task(1), task(1)]).is_empty());
    }

    #[test]
    fn whatever_makes_it_other_work_keeps_it_apart() {
        type Change = fn(&mut TaskFacts<'static>);
        let changes: [(&str, Change); 14] = [
            ("kind", |it| it.kind = TaskKind::Mist),
            ("site", |it| it.site_id = id(1001)),
            ("station", |it| it.station_id = Some(id(2001))),
            ("no station", |it| it.station_id = None),
            ("crop", |it| it.crop_id = Some(id(3001))),
            ("no crop", |it| it.crop_id = None),
            ("sow day", |it| it.sow_day = Some(day("2026-09-08"))),
            ("cut", |it| it.cut_number = 1),
            ("day", |it| it.day = day("2026-09-08")),
            ("opening", |it| {
                it.opens_at = instant("2026-09-07T13:00:00Z")
            }),
            ("closing", |it| it.due_at = instant("2026-09-07T21:00:00Z")),
            ("people", |it| it.people = 2),
            ("training", |it| {
                it.qualification = Some(QualificationKind::FoodHandling);
            }),
            ("by hand", |it| it.occasion = "by_hand:7"),
        ];
        assert!(go_together(task(1), task(2)));
        for (what, change) in changes {
            let mut other = task(2);
            change(&mut other);
            assert!(!go_together(task(1), other), "{what}");
        }
    }

    #[test]
    fn only_what_is_still_to_be_done_by_the_same_people_goes_together() {
        let held = |number, holders: &[(u128, Option<u128>)]| TaskFacts {
            state: TaskState::Held,
            holders: holders
                .iter()
                .map(|(who, to)| (id(*who), to.map(id)))
                .collect(),
            ..task(number)
        };
        // one is free and the other is not: whoever may take the one may not take the other
        assert!(!go_together(task(1), held(2, &[(7, None)])));
        assert!(go_together(held(1, &[(7, None)]), held(2, &[(7, None)])));
        assert!(!go_together(held(1, &[(7, None)]), held(2, &[(8, None)])));
        assert!(go_together(
            held(1, &[(8, None), (7, None)]),
            held(2, &[(7, None), (8, None)])
        ));
        // offered: whoever it is offered to may take that one only
        assert!(!go_together(
            held(1, &[(7, None)]),
            held(2, &[(7, Some(8))])
        ));
        for state in [TaskState::Done, TaskState::Missed, TaskState::Dropped] {
            let over = |number| TaskFacts {
                state,
                ..task(number)
            };
            assert!(!go_together(task(1), over(2)), "{state:?}");
            assert!(!go_together(over(1), over(2)), "{state:?}");
        }
    }

    #[test]
    fn each_kind_goes_together_or_not_for_its_reason() {
        let occasion_of = |kind: TaskKind| match kind {
            TaskKind::Cut => format!("sowing:{}:cut:1", id(9)),
            TaskKind::TopUp => format!("sowing:{}:top_up:2026-09-07", id(9)),
            TaskKind::Adjust => format!("sowing:{}:adjust:{}", id(9), id(8)),
            TaskKind::Measure | TaskKind::Turn => {
                format!("station:{}:{}:2026-09-07", id(9), kind.as_str())
            }
            TaskKind::Mix => format!("batch:{}:mix:2026-W37", id(9)),
            TaskKind::Count => format!("stock:{}:count:2026-09-07", id(9)),
            TaskKind::Pack | TaskKind::Deliver => {
                format!("recipient:{}:{}:{}:2026-09-07", id(9), kind.as_str(), id(8))
            }
            TaskKind::Other => "recurring:7:2026-09-07T10:00".to_owned(),
            kind => format!("sowing:{}:{}", id(9), kind.as_str()),
        };
        for kind in TaskKind::ALL {
            let occasion = occasion_of(kind);
            let of = |number| TaskFacts {
                kind,
                occasion: &occasion,
                ..task(number)
            };
            let finished = match Finishing::of(kind) {
                None => "never",
                Some(finishing) => finishing.as_str(),
            };
            let expected = match kind {
                TaskKind::Sow | TaskKind::Mist | TaskKind::ClearAndClean => "at_once",
                TaskKind::CheckGermination => "at_once_with_counts",
                TaskKind::TopUp | TaskKind::Cut => "singly",
                _ => "never",
            };
            assert_eq!(finished, expected, "{kind:?}");
            assert_eq!(go_together(of(1), of(2)), expected != "never", "{kind:?}");
        }
        // a recurring or hand-made task of a kind that goes together goes alone all the same
        for occasion in ["recurring:7:2026-09-07T10:00", "by_hand:7", ""] {
            let of = |number| TaskFacts {
                occasion,
                ..task(number)
            };
            assert!(!go_together(of(1), of(2)), "{occasion}");
        }
    }

    proptest! {
        /// To go together is to be alike: it reads the same from either side, and whoever goes with one
        /// of some goes with all of them.
        #[test]
        fn to_go_together_is_an_equivalence(
            choices in prop::collection::vec((0..2_u128, 0..2_u128, 0..3_usize, 0..3_u128), 0..12)
        ) {
            let tasks: Vec<TaskFacts<'_>> = choices
                .iter()
                .zip(1..)
                .map(|((station, crop, state, holder), number)| TaskFacts {
                    station_id: Some(id(2000 + station)),
                    crop_id: Some(id(3000 + crop)),
                    state: [TaskState::Open, TaskState::Held, TaskState::Done][*state],
                    holders: (*holder > 0).then_some((id(*holder), None)).into_iter().collect(),
                    ..task(number)
                })
                .collect();
            let found = alongside(&tasks);
            for (own, others) in &found {
                prop_assert!(!others.contains(own));
                prop_assert!(others.is_sorted());
                for other in others {
                    let mut all = found[other].clone();
                    all.push(*other);
                    all.retain(|it| it != own);
                    all.sort_unstable();
                    prop_assert_eq!(&all, others);
                }
            }
            let mut backwards = tasks.clone();
            backwards.reverse();
            prop_assert_eq!(alongside(&backwards), found);
        }
    }
}
