//! An assignment while it is being made.

use std::cmp::Ordering;

use crate::problem::{Problem, Span};
use crate::schedule::{Work, fits, in_any, in_both, length};

/// What of a problem does not change while it is solved.
pub(crate) struct Ground<'a> {
    pub problem: &'a Problem,
    pub classes: usize,
    /// When a member could do a task; by task and member. Empty where they cannot.
    pub when: Vec<Vec<Vec<Span>>>,
    /// Members who could do a task if they did nothing else; by task.
    pub able: Vec<Vec<usize>>,
    /// Days of the tasks in order.
    pub days: Vec<i64>,
    /// Place of a task's day among them.
    pub day_of: Vec<usize>,
    /// Minutes that a member could work on a day at most; by member and day.
    pub room: Vec<Vec<i64>>,
    /// Greatest common divisor of the minutes of all tasks.
    pub unit: i64,
}

impl<'a> Ground<'a> {
    pub fn new(problem: &'a Problem) -> Self {
        let mut days: Vec<i64> = problem.tasks.iter().map(|task| task.day).collect();
        days.sort_unstable();
        days.dedup();
        let day_of: Vec<usize> = problem
            .tasks
            .iter()
            .map(|task| days.partition_point(|day| *day < task.day))
            .collect();
        let mut when = vec![vec![Vec::new(); problem.members.len()]; problem.tasks.len()];
        let mut able = vec![Vec::new(); problem.tasks.len()];
        for (number, task) in problem.tasks.iter().enumerate() {
            for &who in &task.who {
                let member = &problem.members[who];
                let spans = in_both(&task.open, &member.free);
                let mut works = member.held.clone();
                works.push(Work {
                    minutes: task.minutes,
                    spans: spans.clone(),
                });
                if member.most > 0 && !able[number].contains(&who) && fits(&works) {
                    able[number].push(who);
                    when[number][who] = spans;
                }
            }
            able[number].sort_unstable();
        }
        let room = (0..problem.members.len())
            .map(|member| {
                (0..days.len())
                    .map(|day| {
                        let of_day = (0..problem.tasks.len()).filter(|task| day_of[*task] == day);
                        length(&in_any(of_day.map(|task| when[task][member].as_slice())))
                    })
                    .collect()
            })
            .collect();
        let unit = problem
            .tasks
            .iter()
            .fold(0, |all, task| divisor(all, task.minutes));
        Self {
            problem,
            classes: problem.classes(),
            when,
            able,
            days,
            day_of,
            room,
            unit: unit.max(1),
        }
    }
}

fn divisor(a: i64, b: i64) -> i64 {
    if b == 0 { a } else { divisor(b, a % b) }
}

/// Who has what so far.
#[derive(Clone)]
pub(crate) struct State {
    /// Tasks of each member.
    pub tasks: Vec<Vec<usize>>,
    /// Members of each task.
    pub members: Vec<Vec<usize>>,
    /// Minutes of each member, those before included.
    pub minutes: Vec<i64>,
    /// Places covered by class.
    pub covered: Vec<usize>,
    /// Sum of the squares of the minutes.
    pub spread: i64,
}

impl State {
    pub fn new(ground: &Ground) -> Self {
        let minutes: Vec<i64> = ground
            .problem
            .members
            .iter()
            .map(|member| member.minutes_before)
            .collect();
        Self {
            tasks: vec![Vec::new(); minutes.len()],
            members: vec![Vec::new(); ground.problem.tasks.len()],
            spread: minutes.iter().map(|each| each * each).sum(),
            minutes,
            covered: vec![0; ground.classes],
        }
    }

    /// Whether the member can take a place of the task beside what they have.
    pub fn allows(&self, ground: &Ground, task: usize, member: usize) -> bool {
        if ground.able[task].binary_search(&member).is_err()
            || self.members[task].contains(&member)
            || self.members[task].len() >= ground.problem.tasks[task].places
            || self.tasks[member].len() >= ground.problem.members[member].most
        {
            return false;
        }
        let mut works = ground.problem.members[member].held.clone();
        works.extend(self.tasks[member].iter().chain([&task]).map(|each| Work {
            minutes: ground.problem.tasks[*each].minutes,
            spans: ground.when[*each][member].clone(),
        }));
        fits(&works)
    }

    pub fn give(&mut self, ground: &Ground, task: usize, member: usize) {
        self.tasks[member].push(task);
        self.members[task].push(member);
        self.covered[ground.problem.tasks[task].urgency] += 1;
        self.add_minutes(member, ground.problem.tasks[task].minutes);
    }

    pub fn take(&mut self, ground: &Ground, task: usize, member: usize) {
        self.tasks[member].retain(|each| *each != task);
        self.members[task].retain(|each| *each != member);
        self.covered[ground.problem.tasks[task].urgency] -= 1;
        self.add_minutes(member, -ground.problem.tasks[task].minutes);
    }

    fn add_minutes(&mut self, member: usize, minutes: i64) {
        let minutes_of = &mut self.minutes[member];
        self.spread -= *minutes_of * *minutes_of;
        *minutes_of += minutes;
        self.spread += *minutes_of * *minutes_of;
    }

    /// Which is better; the better one is less.
    pub fn compare(&self, other: &Self) -> Ordering {
        other
            .covered
            .cmp(&self.covered)
            .then(self.spread.cmp(&other.spread))
    }
}
