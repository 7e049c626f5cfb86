//! `cotyl migrate`.

use cotyl_store::migrations;

use crate::Outcome;
use crate::database::Database;
use crate::settings::Settings;

/// Brings the schema up to date.
///
/// # Errors
/// With a message for whoever runs the server.
pub async fn migrate(settings: &Settings) -> Outcome {
    let database = Database::open(settings).await?;
    let outcome = migrations::migrate(&database.store).await;
    database.close().await?;
    outcome?;
    println!("the schema is at version {}", migrations::newest_version());
    Ok(())
}
