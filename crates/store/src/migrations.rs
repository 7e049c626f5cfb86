//! The schema's history: numbered steps up and down, embedded in the program.

use std::borrow::Cow;

use sqlx::migrate::{Migration, MigrationType, Migrator};
use sqlx::{PgConnection, SqlSafeStr};

use crate::{Error, Result, Store};

macro_rules! step {
    ($version:literal, $name:literal) => {
        (
            $version,
            $name,
            include_str!(concat!("../../../migrations/", $name, ".up.sql")),
            include_str!(concat!("../../../migrations/", $name, ".down.sql")),
        )
    };
}

const STEPS: &[(i64, &str, &str, &str)] = &[
    step!(1, "0001_people"),
    step!(2, "0002_garden"),
    step!(3, "0003_growing"),
    step!(4, "0004_harvest"),
    step!(5, "0005_margin"),
    step!(6, "0006_learning"),
    step!(7, "0007_cupboard"),
    step!(8, "0008_solution"),
    step!(9, "0009_cupboard_rest"),
    step!(10, "0010_pantry"),
    step!(11, "0011_work"),
    step!(12, "0012_task_rules"),
    step!(13, "0013_trace"),
    step!(14, "0014_hands"),
    step!(15, "0015_recurring_tasks"),
    step!(16, "0016_notices"),
    step!(17, "0017_learned"),
    step!(18, "0018_working_week"),
    step!(19, "0019_plan_stock"),
    step!(20, "0020_late_work_and_reminders"),
    step!(21, "0021_station_learning"),
    step!(22, "0022_withholding"),
    step!(23, "0023_withdrawn_deliveries"),
];

fn migrator() -> Migrator {
    let migrations = STEPS
        .iter()
        .flat_map(|(version, name, up, down)| {
            [
                (MigrationType::ReversibleUp, *up),
                (MigrationType::ReversibleDown, *down),
            ]
            .map(|(kind, sql)| {
                Migration::new(
                    *version,
                    Cow::Borrowed(*name),
                    kind,
                    sql.into_sql_str(),
                    false,
                )
            })
        })
        .collect();
    Migrator::with_migrations(migrations)
}

/// The newest version of the schema that this program knows.
pub fn newest_version() -> i64 {
    STEPS.last().map_or(0, |step| step.0)
}

/// Brings the schema up to date; several servers may start at once.
///
/// # Errors
/// When a step fails (nothing of it stays), or the schema is newer than the program.
pub async fn migrate(store: &Store) -> std::result::Result<(), MigrateError> {
    let mut connection = connect(store).await?;
    migrator().run(&mut connection).await.map_err(MigrateError)
}

/// Takes the schema back to an earlier version; 0 removes everything. Data in it is lost.
///
/// # Errors
/// When a step fails.
pub async fn revert(store: &Store, version: i64) -> std::result::Result<(), MigrateError> {
    let mut connection = connect(store).await?;
    migrator()
        .undo(&mut connection, version)
        .await
        .map_err(MigrateError)
}

async fn connect(store: &Store) -> std::result::Result<PgConnection, MigrateError> {
    store
        .connections()
        .open()
        .await
        .map_err(|fault| MigrateError(fault.into()))
}

/// A step of the schema could not be taken.
#[derive(Debug, thiserror::Error)]
#[error("the schema could not be brought up to date: {0}")]
pub struct MigrateError(#[source] sqlx::migrate::MigrateError);

/// Refuses a database role that row-level security does not bind.
///
/// # Errors
/// [`Error::Unreadable`] with what to do when the role is a superuser or bypasses row security.
pub async fn require_bound_role(store: &Store) -> Result<()> {
    let mut connection = store.connect().await?;
    let (role, unbound): (String, bool) = sqlx::query_as(
        "select current_user::text, rolsuper or rolbypassrls from pg_roles where rolname = current_user",
    )
    .fetch_one(&mut connection)
    .await?;
    if unbound {
        return Err(Error::Unreadable(format!(
            "the database role {role} is a superuser or bypasses row security; Cotyl needs a plain role that owns its database, \
             made with: create role cotyl login; create database cotyl owner cotyl"
        )));
    }
    Ok(())
}
