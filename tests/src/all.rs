//! One test binary: HTTP journeys, races, and end to end through the real binary.
#![allow(clippy::unwrap_used, missing_docs)]

mod database;
mod garden;
mod sign_in;
mod sites;
mod support;
