//! The engine against exhaustive enumeration of tiny problems.
#![allow(clippy::unwrap_used)]

use cotyl_planner::testing::{brute_force, tiny_instance};
use cotyl_planner::{Options, Unhindered, solve};

#[test]
fn equals_the_exhaustive_optimum() {
    let mut wrong = Vec::new();
    for seed in 0..300 {
        let problem = tiny_instance(seed);
        let best = brute_force(&problem);
        let run = |work: u64| {
            let options = Options {
                work,
                ..Options::default()
            };
            solve(&problem, &options, &Unhindered).unwrap()
        };
        // a few hundred moves nearly always do; two batches of mixed cut days at once take some thousands
        let mut answer = run(600);
        if answer.objective_e4 != best {
            answer = run(20_000);
        }
        assert!(
            answer.bound_e4 <= best,
            "seed {seed}: bound {} above the optimum {best}",
            answer.bound_e4
        );
        assert!(
            answer.objective_e4 >= best,
            "seed {seed}: {} below the optimum {best}",
            answer.objective_e4
        );
        assert!(answer.broken.is_empty());
        if answer.objective_e4 != best {
            wrong.push((seed, answer.objective_e4, best));
        }
    }
    assert!(wrong.is_empty(), "{wrong:?}");
}
