//! One test binary: HTTP journeys, races, and end to end through the real binary.
#![allow(clippy::unwrap_used, missing_docs)]

mod binary;
mod crash;
mod database;
mod end_to_end;
mod garden;
mod groups;
mod hostile;
mod invitations;
mod isolation;
mod members;
mod password_resets;
mod permission_table;
mod qualifications;
mod served;
mod sign_in;
mod sites;
mod sowings;
mod support;
mod tasks;
