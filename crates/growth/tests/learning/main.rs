//! What the record of a co-operative teaches, on synthetic co-operatives whose truth is known.
#![allow(clippy::unwrap_used)]

mod best;
mod coverage;
mod measure;
mod plan_error;
mod properties;
mod stations;
mod world;
