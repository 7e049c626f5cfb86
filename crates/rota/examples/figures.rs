//! How far and how fast assignments of the size of a busy site are solved. Members may add 6 to 10 tasks.
//!
//! usage: figures [members] [tasks] [problems] [work limit]
#![allow(clippy::disallowed_methods)]

use std::time::Instant;

use cotyl_rota::testing::random_problem;
use cotyl_rota::{WORK_LIMIT, assign, check};

fn main() {
    let mut arguments = std::env::args()
        .skip(1)
        .filter_map(|text| text.parse::<u64>().ok());
    let mut next = |usual: u64| arguments.next().unwrap_or(usual);
    let (members, tasks, problems, limit) = (next(15), next(60), next(40), next(WORK_LIMIT));
    let (mut proven, mut most, mut worst, mut slowest) = (0, 0, 0.0_f64, 0.0_f64);
    for seed in 0..problems {
        let mut problem = random_problem(
            seed,
            usize::try_from(members).unwrap_or(1),
            usize::try_from(tasks).unwrap_or(1),
        );
        for member in &mut problem.members {
            member.most += 6;
        }
        let begun = Instant::now();
        let answer = assign(&problem, limit);
        slowest = slowest.max(begun.elapsed().as_secs_f64());
        assert!(
            check(&problem, &answer).is_empty(),
            "problem {seed} is answered wrongly"
        );
        proven += u64::from(answer.proven);
        most += u64::from(answer.covered == answer.most_covered);
        if let Some(least) = answer.least_spread {
            worst = worst.max(answer.spread as f64 / least.max(1) as f64 - 1.0);
        }
    }
    println!(
        "{problems} problems of up to {members} members and {tasks} tasks: {proven} proven, {most} cover as much as the bound, \
         spread at most {:.2} % above its bound, slowest {slowest:.2} s",
        worst * 100.0
    );
}
