//! The engine against exhaustive enumeration of tiny problems.
#![allow(clippy::unwrap_used)]

use cotyl_planner::testing::{brute_force, tiny_instance};
use cotyl_planner::{Options, Unhindered, solve};

#[test]
fn equals_the_exhaustive_optimum() {
    let mut wrong = Vec::new();
    for seed in 0..200 {
        let problem = tiny_instance(seed);
        let answer = solve(
            &problem,
            &Options {
                work: 600,
                ..Options::default()
            },
            &Unhindered,
        )
        .unwrap();
        let best = brute_force(&problem);
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
