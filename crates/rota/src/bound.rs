//! What no completion of an assignment can beat.
//!
//! Places: members take places in a network in which each has at most as many tasks as they may hold and,
//! on a day, as many as the shortest ones would allow. The sets of places that can be reached are those of
//! a gammoid, so filling the classes one after the other covers most of every one.
//!
//! Minutes: the minutes that must still be given are divided freely, in units of their greatest common
//! divisor, among those who may have them. The loads that can be reached are a polymatroid, on which
//! giving unit after unit to the one with the least minutes who can still take it is best for every
//! separable convex cost (Federgruen and Groenevelt, Operations Research 34 (1986) 909).

use crate::flow::Network;
use crate::state::{Ground, State};

const SOURCE: usize = 0;
const SINK: usize = 1;

/// Most places that any completion covers in each class; only tasks of `order` may still be given.
pub(crate) fn most_covered(
    ground: &Ground,
    state: &State,
    order: &[usize],
    work: &mut u64,
) -> Vec<usize> {
    let problem = ground.problem;
    let days = ground.days.len();
    let task_node = |task: usize| 2 + task;
    let day_node = |member: usize, day: usize| 2 + problem.tasks.len() + member * (days + 1) + day;
    let mut network = Network::new(day_node(problem.members.len(), 0));
    for (member, each) in problem.members.iter().enumerate() {
        let left = each.most.saturating_sub(state.tasks[member].len());
        network.arc(day_node(member, days), SINK, count(left));
        for day in 0..days {
            let most = most_of_day(ground, state, order, member, day);
            network.arc(day_node(member, day), day_node(member, days), most);
        }
    }
    let mut arcs = Vec::new();
    for &task in order {
        let left = problem.tasks[task].places - state.members[task].len();
        arcs.push((task, network.arc(SOURCE, task_node(task), 0), count(left)));
        for &member in &ground.able[task] {
            if !state.members[task].contains(&member) {
                network.arc(task_node(task), day_node(member, ground.day_of[task]), 1);
            }
        }
    }
    let mut covered = state.covered.clone();
    for (class, sum) in covered.iter_mut().enumerate() {
        let mut wanted = 0;
        for (task, arc, left) in &arcs {
            if problem.tasks[*task].urgency == class {
                network.widen(*arc, *left);
                wanted += left;
            }
        }
        *sum += usize::try_from(network.send(SOURCE, SINK, wanted)).unwrap_or(0);
    }
    *work += network.work + 1;
    covered
}

/// Most tasks that a member can add on a day: as many of the shortest as their time holds.
fn most_of_day(ground: &Ground, state: &State, order: &[usize], member: usize, day: usize) -> i64 {
    let mut minutes: Vec<i64> = order
        .iter()
        .filter(|task| {
            ground.day_of[**task] == day && ground.able[**task].binary_search(&member).is_ok()
        })
        .map(|task| ground.problem.tasks[*task].minutes)
        .collect();
    minutes.sort_unstable();
    let mut room = room_left(ground, state, member, day);
    let fitting = minutes.iter().take_while(|each| {
        room -= **each;
        room >= 0
    });
    count(fitting.count())
}

/// Minutes of a day that a member has not given yet.
fn room_left(ground: &Ground, state: &State, member: usize, day: usize) -> i64 {
    let given: i64 = state.tasks[member]
        .iter()
        .filter(|task| ground.day_of[**task] == day)
        .map(|task| ground.problem.tasks[*task].minutes)
        .sum();
    (ground.room[member][day] - given).max(0)
}

/// The least spread of any completion that adds at least `places` places of the tasks of `order`; `None`
/// when there is none.
pub(crate) fn least_spread(
    ground: &Ground,
    state: &State,
    order: &[usize],
    places: usize,
    work: &mut u64,
) -> Option<i64> {
    let problem = ground.problem;
    let mut shortest: Vec<i64> = order
        .iter()
        .flat_map(|&task| {
            let left = problem.tasks[task].places - state.members[task].len();
            std::iter::repeat_n(problem.tasks[task].minutes / ground.unit, left)
        })
        .collect();
    shortest.sort_unstable();
    if shortest.len() < places {
        return None;
    }
    let wanted: i64 = shortest.iter().take(places).sum();
    let days = ground.days.len();
    let task_node = |task: usize| 2 + task;
    let day_node = |member: usize, day: usize| 2 + problem.tasks.len() + member * (days + 1) + day;
    let mut network = Network::new(day_node(problem.members.len(), 0));
    let mut last = Vec::new();
    for member in 0..problem.members.len() {
        last.push(network.arc(day_node(member, days), SINK, 0));
        for day in 0..days {
            let room = room_left(ground, state, member, day) / ground.unit;
            network.arc(day_node(member, day), day_node(member, days), room);
        }
    }
    for &task in order {
        let units = problem.tasks[task].minutes / ground.unit;
        let left = count(problem.tasks[task].places - state.members[task].len());
        network.arc(SOURCE, task_node(task), units * left);
        for &member in &ground.able[task] {
            if !state.members[task].contains(&member) {
                network.arc(
                    task_node(task),
                    day_node(member, ground.day_of[task]),
                    units,
                );
            }
        }
    }
    let spread = fill(ground, state, &mut network, &last, wanted);
    *work += network.work + 1;
    spread
}

/// Gives unit after unit to the one with the least minutes who can still take it.
fn fill(
    ground: &Ground,
    state: &State,
    network: &mut Network,
    last: &[usize],
    wanted: i64,
) -> Option<i64> {
    let mut minutes = state.minutes.clone();
    let mut spread = state.spread;
    let mut open: Vec<usize> = (0..minutes.len()).collect();
    let mut given = 0;
    while given < wanted {
        let least = open
            .iter()
            .copied()
            .min_by_key(|each| (minutes[*each], *each))?;
        network.widen(last[least], 1);
        if network.send(SOURCE, SINK, 1) == 1 {
            let before = minutes[least];
            minutes[least] += ground.unit;
            spread += minutes[least] * minutes[least] - before * before;
            given += 1;
        } else {
            network.widen(last[least], -1);
            open.retain(|each| *each != least);
        }
    }
    Some(spread)
}

fn count(number: usize) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX / 4)
}
