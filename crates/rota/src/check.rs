//! The referee: looks over an answer with rules of its own.

use std::collections::BTreeMap;

use crate::problem::{Answer, Problem, Span};

/// Every rule that the answer breaks, in words; none for a good one.
///
/// Whether the work of a member fits their time is decided here by the condition of Hall for stretches of
/// time rather than by a flow: of every set of tasks, the minutes are no more than the time in which any of
/// them can be done. A member with more than [`MOST_TASKS`] tasks cannot be looked over.
#[must_use]
pub fn check(problem: &Problem, answer: &Answer) -> Vec<String> {
    let mut broken = Vec::new();
    let mut of_member: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    let mut of_task: BTreeMap<usize, usize> = BTreeMap::new();
    for (index, &(task, member)) in answer.given.iter().enumerate() {
        if answer.given[..index].contains(&(task, member)) {
            broken.push(format!("member {member} has task {task} twice"));
        }
        if !problem.tasks[task].who.contains(&member) {
            broken.push(format!("member {member} may not do task {task}"));
        }
        of_member.entry(member).or_default().push(task);
        *of_task.entry(task).or_default() += 1;
    }
    for (task, places) in &of_task {
        if *places > problem.tasks[*task].places {
            broken.push(format!("task {task} is given to {places}"));
        }
    }
    let mut spread = 0;
    for (number, member) in problem.members.iter().enumerate() {
        let tasks = of_member.get(&number).map_or(&[][..], Vec::as_slice);
        if tasks.len() > member.most {
            broken.push(format!("member {number} has {} tasks", tasks.len()));
        }
        if !tasks.is_empty() && !has_time(problem, number, tasks) {
            broken.push(format!("member {number} has no time for {tasks:?}"));
        }
        let given: i64 = tasks.iter().map(|task| problem.tasks[*task].minutes).sum();
        spread += (member.minutes_before + given).pow(2);
    }
    if spread != answer.spread {
        broken.push(format!("the spread is {spread}"));
    }
    let covered = |class| {
        let of_class = answer.given.iter();
        of_class
            .filter(|(task, _)| problem.tasks[*task].urgency == class)
            .count()
    };
    if !(0..answer.covered.len()).all(|class| covered(class) == answer.covered[class]) {
        broken.push("the places covered are others".to_owned());
    }
    broken
}

/// The most tasks of one member that are looked over.
pub const MOST_TASKS: usize = 20;

fn has_time(problem: &Problem, member: usize, tasks: &[usize]) -> bool {
    let own = &problem.members[member];
    let within = |open: &[Span]| -> Vec<Span> {
        let pairs = open
            .iter()
            .flat_map(|a| own.free.iter().map(move |b| (a, b)));
        pairs
            .map(|(a, b)| Span {
                from: a.from.max(b.from),
                to: a.to.min(b.to),
            })
            .filter(|span| span.from < span.to)
            .collect()
    };
    let mut works: Vec<(i64, Vec<Span>)> = tasks
        .iter()
        .map(|task| {
            (
                problem.tasks[*task].minutes,
                within(&problem.tasks[*task].open),
            )
        })
        .collect();
    works.extend(
        own.held
            .iter()
            .map(|held| (held.minutes, held.spans.clone())),
    );
    works.len() <= MOST_TASKS
        && (1_u32..1 << works.len()).all(|set| {
            let chosen = works.iter().enumerate();
            let chosen = chosen.filter(|(index, _)| set & (1 << index) != 0);
            let (mut minutes, mut spans) = (0, Vec::new());
            for (_, (each, when)) in chosen {
                minutes += each;
                spans.extend(when.iter().copied());
            }
            minutes <= together(spans)
        })
}

/// Minutes that lie in any of the stretches.
fn together(mut spans: Vec<Span>) -> i64 {
    spans.sort_unstable();
    let mut reached = i64::MIN;
    let mut minutes = 0;
    for span in spans {
        let from = span.from.max(reached);
        minutes += (span.to - from).max(0);
        reached = reached.max(span.to);
    }
    minutes
}
