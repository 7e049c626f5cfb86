//! The JSON API: wire types, extractors, handlers, problem details and the OpenAPI document.
//!
//! Handlers are thin: read the request, call one use case, write the answer. Only `problem.rs` turns
//! errors of the application into HTTP.

pub mod audit_entries;
pub mod batches;
pub mod closures;
pub mod cold_readings;
pub mod container_kinds;
pub mod container_supplies;
pub mod crop_groups;
pub mod crop_profile;
pub mod crops;
pub mod cuts;
pub mod deliveries;
pub mod disputes;
pub mod document;
pub mod extract;
pub mod formulations;
pub mod groups;
pub mod handling;
pub mod health;
pub mod imports;
mod instant;
pub mod invitations;
pub mod learning;
pub mod learning_vetoes;
pub mod levels;
pub mod lots;
pub mod me;
pub mod measured;
pub mod members;
pub mod movements;
pub mod outages;
pub mod password_resets;
pub mod plans;
pub mod pledges;
pub mod problem;
pub mod products;
pub mod qualifications;
pub mod recalls;
pub mod recipes;
pub mod recipients;
pub mod report_settings;
pub mod reports;
mod request_count;
mod request_log;
pub mod respond;
pub mod serve;
pub mod sessions;
pub mod shopping_list;
pub mod sites;
pub mod source_waters;
pub mod sowings;
pub mod stations;
pub mod stock_counts;
pub mod stock_items;
pub mod stock_orders;
pub mod tasks;
pub mod terms;
pub mod throttle;
pub mod top_ups;
pub mod totals;
pub mod traces;

pub use document::{openapi, operations};
pub use serve::{ApiSettings, ApiState, api_app};
