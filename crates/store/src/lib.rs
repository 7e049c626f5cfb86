//! Schema, all SQL, transactions, and the private PostgreSQL server.
//!
//! Nothing here knows HTTP or decides a rule of the domain; what the database itself refuses comes
//! back as [`Error::Constraint`] with the constraint's name.

mod actors;
pub mod audit;
pub mod availability;
pub mod batches;
pub mod calendar_feeds;
pub mod claims;
pub mod closures;
pub mod cold_readings;
mod connections;
pub mod container_kinds;
pub mod container_supplies;
pub mod cooperatives;
pub mod crop_groups;
pub mod crops;
pub mod cuts;
pub mod deliveries;
pub mod disputes;
mod error;
pub mod groups;
pub mod growing;
pub mod holds;
pub mod idempotency;
pub mod jobs;
pub mod learned_growth;
pub mod learning;
pub mod learning_vetoes;
pub mod ledger;
pub mod levels;
pub mod links;
pub mod lots;
pub mod members;
pub mod migrations;
pub mod notices;
pub mod outages;
pub mod page;
pub mod plans;
pub mod pledges;
pub mod products;
pub mod qualifications;
pub mod readings;
pub mod recalls;
pub mod recipes;
pub mod recipients;
mod record;
pub mod recurring_tasks;
pub mod references;
pub mod reports;
pub mod rota;
pub mod season;
pub mod sessions;
pub mod signing_keys;
pub mod site_tasks;
pub mod site_work;
pub mod sites;
pub mod source_waters;
pub mod sowings;
pub mod station_learning;
pub mod stations;
pub mod stock_counts;
pub mod stock_items;
pub mod stock_orders;
pub mod supply;
pub mod task_rules;
pub mod tasks;
pub mod terms;
pub mod totals;
pub mod traces;
mod tx;
pub mod work_reports;
pub mod work_settings;

pub use error::Error;
pub use page::Page;
pub use sqlx::postgres::PgConnectOptions;
pub use tx::{PoolSettings, Scope, Store, Transient, Tx};

/// What storage functions return.
pub type Result<T> = std::result::Result<T, Error>;

pub mod private;
