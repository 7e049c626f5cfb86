//! One test binary: HTTP journeys, races, and end to end through the real binary.
#![allow(clippy::unwrap_used, missing_docs)]

mod binary;
mod database;
mod end_to_end;
mod garden;
mod sign_in;
mod sites;
mod support;
