//! Test support: a database per test on one throwaway server, and a clock that tests move.

mod bed;
mod server;

pub use bed::{Bed, START, TestClock};
pub use server::{SharedServer, shared_server};
