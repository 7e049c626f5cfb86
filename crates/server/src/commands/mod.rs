//! Subcommands that do one thing and stop.

pub mod found;
pub mod migrate;
pub mod openapi;
pub mod plan;
pub mod renew_keys;
