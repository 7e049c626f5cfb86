//! Small random problems, and their optimum by trying everything.

use crate::problem::{Member, Problem, Span, Task};
use crate::schedule::{Work, fits, in_both};

/// A stream of numbers from a seed (Steele, Lea and Flood, `SplitMix`, OOPSLA 2014).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, end: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % end
    }

    fn number(&mut self, end: u64) -> i64 {
        i64::try_from(self.below(end)).unwrap_or(0)
    }

    fn size(&mut self, end: u64) -> usize {
        usize::try_from(self.below(end)).unwrap_or(0)
    }
}

/// A problem of up to `members` members and `tasks` tasks in some days.
#[must_use]
pub fn random_problem(seed: u64, members: usize, tasks: usize) -> Problem {
    let mut random = Numbers(seed);
    let days = 1 + tasks / 4;
    let day_count = days as u64;
    let members: Vec<Member> = (0..1 + random.size(members as u64))
        .map(|_| random_member(&mut random, days))
        .collect();
    let tasks = (0..1 + random.size(tasks as u64))
        .map(|_| {
            let day = random.number(day_count);
            let opens = day * 1440 + 480 + 30 * random.number(4);
            let open = if random.below(4) == 0 {
                // at a fixed time
                vec![Span {
                    from: opens + 60,
                    to: opens + 90,
                }]
            } else {
                vec![
                    Span {
                        from: opens,
                        to: opens + 60,
                    },
                    Span {
                        from: opens + 90,
                        to: opens + 90 + 15 * (1 + random.number(6)),
                    },
                ]
            };
            let longest = open.iter().map(|span| span.to - span.from).sum::<i64>();
            Task {
                places: 1 + random.size(8) / 6,
                minutes: if open.len() == 1 {
                    30
                } else {
                    (5 * (1 + random.number(14))).min(longest)
                },
                urgency: random.size(2),
                day,
                open,
                who: (0..members.len()).filter(|_| random.below(5) > 0).collect(),
            }
        })
        .collect();
    Problem { tasks, members }
}

fn random_member(random: &mut Numbers, days: usize) -> Member {
    let mut free = Vec::new();
    let mut held = Vec::new();
    for day in (0..).step_by(1440).take(days) {
        if random.below(5) == 0 {
            continue;
        }
        let from = day + 450 + 15 * random.number(8);
        let to = from + 15 * (1 + random.number(14));
        free.push(Span { from, to });
        if random.below(5) == 0 {
            held.push(Work {
                minutes: 15,
                spans: vec![Span {
                    from,
                    to: from + 30,
                }],
            });
        }
    }
    Member {
        minutes_before: 5 * random.number(30),
        free,
        most: random.size(5),
        held,
    }
}

/// Places covered by class, and the least spread with them, by trying every assignment.
#[must_use]
pub fn by_enumeration(problem: &Problem) -> (Vec<usize>, i64) {
    let mut best = (vec![0; problem.classes()], i64::MAX);
    let mut holds = vec![Vec::new(); problem.members.len()];
    try_all(problem, 0, 0, &mut holds, &mut best);
    best
}

fn try_all(
    problem: &Problem,
    task: usize,
    member: usize,
    holds: &mut Vec<Vec<usize>>,
    best: &mut (Vec<usize>, i64),
) {
    let Some(work) = problem.tasks.get(task) else {
        look_at(problem, holds, best);
        return;
    };
    if member == problem.members.len() {
        try_all(problem, task + 1, 0, holds, best);
        return;
    }
    let given = holds.iter().filter(|tasks| tasks.contains(&task)).count();
    if work.who.contains(&member)
        && given < work.places
        && holds[member].len() < problem.members[member].most
    {
        holds[member].push(task);
        if has_time(problem, member, &holds[member]) {
            try_all(problem, task, member + 1, holds, best);
        }
        holds[member].pop();
    }
    try_all(problem, task, member + 1, holds, best);
}

fn has_time(problem: &Problem, member: usize, tasks: &[usize]) -> bool {
    let own = &problem.members[member];
    let mut works = own.held.clone();
    works.extend(tasks.iter().map(|task| Work {
        minutes: problem.tasks[*task].minutes,
        spans: in_both(&problem.tasks[*task].open, &own.free),
    }));
    fits(&works)
}

fn look_at(problem: &Problem, holds: &[Vec<usize>], best: &mut (Vec<usize>, i64)) {
    let mut covered = vec![0; problem.classes()];
    let mut spread = 0;
    for (member, tasks) in holds.iter().enumerate() {
        let mut minutes = problem.members[member].minutes_before;
        for task in tasks {
            covered[problem.tasks[*task].urgency] += 1;
            minutes += problem.tasks[*task].minutes;
        }
        spread += minutes * minutes;
    }
    if covered > best.0 || (covered == best.0 && spread < best.1) {
        *best = (covered, spread);
    }
}
