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
mod garden_crops;
mod garden_imports;
mod garden_inputs;
mod garden_nouns;
mod garden_places;
mod garden_promises;
mod sign_in;
mod sites;
mod sowings;
mod support;
mod tasks;
