//! The sowing planner: problem, prices and bound, search, allotment to stations, independent check; no I/O.

pub mod allocation;
mod allot;
mod beside;
mod build;
pub mod chance;
mod changes;
pub mod check;
mod columns;
mod division;
pub mod explain;
pub mod faults;
mod gain;
mod index;
mod insert;
mod lagrange;
mod lanes;
mod limits;
mod linear_programme;
pub mod plan;
mod prices;
mod primal_dual;
pub mod problem;
mod programme;
mod purchases;
mod random;
mod relaxation;
pub mod remedy;
mod replicas;
pub mod report;
mod rounding;
mod roundings;
mod rounds;
mod search;
pub mod solve;
mod start;
mod state;
#[cfg(feature = "testing")]
pub mod testing;
mod threads;
mod transport;

pub use plan::{Plan, Purchase};
pub use problem::Problem;
pub use report::{Cell, Weeks};
pub use solve::{Answer, Control, Options, Progress, SolveError, Unhindered, solve};
