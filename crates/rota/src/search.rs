//! A good assignment first, then branch and bound until none can be better.

use std::cmp::Ordering;

use crate::bound::{least_spread, most_covered};
use crate::problem::{Answer, Problem};
use crate::state::{Ground, State};

/// The usual limit of work, in arcs of networks that are looked at.
pub const WORK_LIMIT: u64 = 20_000_000;

/// Gives tasks to members: most places first, class before class, then the smallest spread of minutes.
/// The same problem and limit give the same answer, whatever the speed of the machine.
#[must_use]
pub fn assign(problem: &Problem, work_limit: u64) -> Answer {
    let ground = Ground::new(problem);
    let mut order: Vec<usize> = (0..problem.tasks.len())
        .filter(|task| !ground.able[*task].is_empty())
        .collect();
    order.sort_by_key(|&task| {
        let each = &problem.tasks[task];
        (each.urgency, ground.able[task].len(), -each.minutes, task)
    });
    let mut work = 0;
    let empty = State::new(&ground);
    let most = most_covered(&ground, &empty, &order, &mut work);
    let best = improved(&ground, filled(&ground, &order));
    let places: usize = most.iter().sum();
    let least = least_spread(&ground, &empty, &order, places, &mut work);
    let mut search = Search {
        ground: &ground,
        order: &order,
        best,
        work,
        work_limit,
        cut_short: false,
    };
    if search.best.covered != most || Some(search.best.spread) != least {
        let mut state = empty;
        search.descend(&mut state, 0, None);
    }
    search.answer(most, least)
}

struct Search<'a> {
    ground: &'a Ground<'a>,
    order: &'a [usize],
    best: State,
    work: u64,
    work_limit: u64,
    cut_short: bool,
}

impl Search<'_> {
    /// Tries every completion that could be better. Places of one task go to members in their order, so
    /// that no set of members is tried twice.
    fn descend(&mut self, state: &mut State, position: usize, after: Option<usize>) {
        if self.cut_short || self.work >= self.work_limit {
            self.cut_short = true;
            return;
        }
        if state.compare(&self.best) == Ordering::Less {
            self.best = improved(self.ground, state.clone());
        }
        let Some(&task) = self.order.get(position) else {
            return;
        };
        if !self.could_be_better(state, position) {
            return;
        }
        let mut candidates: Vec<usize> = self.ground.able[task]
            .iter()
            .copied()
            .filter(|member| after.is_none_or(|last| *member > last))
            .filter(|member| state.allows(self.ground, task, *member))
            .collect();
        candidates.sort_by_key(|member| (state.minutes[*member], *member));
        for member in candidates {
            state.give(self.ground, task, member);
            self.descend(state, position, Some(member));
            state.take(self.ground, task, member);
        }
        self.descend(state, position + 1, None);
    }

    fn could_be_better(&mut self, state: &State, position: usize) -> bool {
        let rest = &self.order[position..];
        let covered = most_covered(self.ground, state, rest, &mut self.work);
        match covered.cmp(&self.best.covered) {
            Ordering::Less => false,
            Ordering::Greater => true,
            Ordering::Equal => {
                let missing = covered.iter().sum::<usize>() - state.covered.iter().sum::<usize>();
                least_spread(self.ground, state, rest, missing, &mut self.work)
                    .is_some_and(|least| least < self.best.spread)
            }
        }
    }

    fn answer(self, most: Vec<usize>, least: Option<i64>) -> Answer {
        let mut given: Vec<(usize, usize)> = self
            .best
            .members
            .iter()
            .enumerate()
            .flat_map(|(task, members)| members.iter().map(move |member| (task, *member)))
            .collect();
        given.sort_unstable();
        let proven = !self.cut_short;
        let (most_covered, least_spread) = if proven {
            (self.best.covered.clone(), Some(self.best.spread))
        } else {
            let least = least.filter(|_| self.best.covered == most);
            (most, least)
        };
        Answer {
            given,
            covered: self.best.covered,
            most_covered,
            spread: self.best.spread,
            least_spread,
            proven,
            work: self.work,
        }
    }
}

/// Gives place after place to the able member with the least minutes; where nobody is left, one task of an
/// able member goes to somebody else.
fn filled(ground: &Ground, order: &[usize]) -> State {
    let mut state = State::new(ground);
    for &task in order {
        while state.members[task].len() < ground.problem.tasks[task].places
            && (give_to_least(ground, &mut state, task) || make_way(ground, &mut state, task))
        {
        }
    }
    state
}

fn give_to_least(ground: &Ground, state: &mut State, task: usize) -> bool {
    let least = ground.able[task]
        .iter()
        .copied()
        .filter(|member| state.allows(ground, task, *member))
        .min_by_key(|member| (state.minutes[*member], *member));
    if let Some(member) = least {
        state.give(ground, task, member);
    }
    least.is_some()
}

/// Moves one task of a member who is able to do this one to somebody else, if that makes room.
fn make_way(ground: &Ground, state: &mut State, task: usize) -> bool {
    for &member in &ground.able[task] {
        if state.members[task].contains(&member) {
            continue;
        }
        for other in state.tasks[member].clone() {
            state.take(ground, other, member);
            if state.allows(ground, task, member) {
                state.give(ground, task, member);
                if give_to_least(ground, state, other) {
                    return true;
                }
                state.take(ground, task, member);
            }
            state.give(ground, other, member);
        }
    }
    false
}

/// Moves single tasks, exchanges pairs, and takes a task that nobody has for one of the same class while
/// that makes the spread smaller.
fn improved(ground: &Ground, mut state: State) -> State {
    while moved(ground, &mut state) || exchanged(ground, &mut state) || replaced(ground, &mut state)
    {
    }
    state
}

/// Leaves a place for one of another task of the same class.
fn replaced(ground: &Ground, state: &mut State) -> bool {
    let tasks = &ground.problem.tasks;
    for out in 0..tasks.len() {
        for from in state.members[out].clone() {
            for (task, work) in tasks.iter().enumerate() {
                if task == out
                    || work.urgency != tasks[out].urgency
                    || state.members[task].len() >= work.places
                {
                    continue;
                }
                let before = state.spread;
                state.take(ground, out, from);
                let better = ground.able[task].iter().copied().find(|member| {
                    let more = state.minutes[*member] + work.minutes;
                    state.spread + more * more - state.minutes[*member] * state.minutes[*member]
                        < before
                        && state.allows(ground, task, *member)
                });
                if let Some(member) = better {
                    state.give(ground, task, member);
                    return true;
                }
                state.give(ground, out, from);
            }
        }
    }
    false
}

fn moved(ground: &Ground, state: &mut State) -> bool {
    for task in 0..state.members.len() {
        for from in state.members[task].clone() {
            for &to in &ground.able[task] {
                let minutes = ground.problem.tasks[task].minutes;
                if minutes == 0 || state.minutes[to] + minutes >= state.minutes[from] {
                    continue;
                }
                state.take(ground, task, from);
                if state.allows(ground, task, to) {
                    state.give(ground, task, to);
                    return true;
                }
                state.give(ground, task, from);
            }
        }
    }
    false
}

fn exchanged(ground: &Ground, state: &mut State) -> bool {
    for task in 0..state.members.len() {
        for from in state.members[task].clone() {
            for &to in &ground.able[task] {
                if to != from && exchange_with(ground, state, task, from, to) {
                    return true;
                }
            }
        }
    }
    false
}

/// Gives a task of one member to another for one of theirs that takes less time.
fn exchange_with(ground: &Ground, state: &mut State, task: usize, from: usize, to: usize) -> bool {
    for other in state.tasks[to].clone() {
        let less = ground.problem.tasks[task].minutes - ground.problem.tasks[other].minutes;
        // the squares become smaller exactly when the difference is more than what moves
        if less <= 0 || state.minutes[from] - state.minutes[to] <= less {
            continue;
        }
        state.take(ground, task, from);
        state.take(ground, other, to);
        if state.allows(ground, task, to) {
            state.give(ground, task, to);
            if state.allows(ground, other, from) {
                state.give(ground, other, from);
                return true;
            }
            state.take(ground, task, to);
        }
        state.give(ground, other, to);
        state.give(ground, task, from);
    }
    false
}
