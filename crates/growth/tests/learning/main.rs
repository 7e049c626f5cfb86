//! What the record of a co-operative teaches, on synthetic co-operatives whose truth is known.
#![allow(clippy::unwrap_used)]

mod coverage;
mod plan_error;
mod properties;
mod world;
