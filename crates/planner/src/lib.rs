//! The sowing planner: problem, prices and bound, search, allotment to stations, independent check; no I/O.

pub mod allocation;
pub mod check;
pub mod explain;
pub mod faults;
pub mod plan;
pub mod problem;

pub use plan::{Plan, Purchase};
pub use problem::Problem;
