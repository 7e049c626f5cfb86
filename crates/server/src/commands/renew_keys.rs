//! `cotyl renew-keys`.

use crate::Outcome;
use crate::database::Database;
use crate::settings::Settings;

/// Makes a new signing key and retires the others.
///
/// # Errors
/// With a message for whoever runs the server.
pub async fn renew_keys(settings: &Settings) -> Outcome {
    let (database, app) = Database::application(settings).await?;
    let outcome = app.renew_keys().await;
    database.close().await?;
    let renewed = outcome?;
    println!(
        "a new key signs from now on; retired: {}. Servers that run follow within a minute.\n\
         Links not used yet have new tokens: {}. Those already handed over or mailed no longer work; make them anew.",
        renewed.retired, renewed.links
    );
    Ok(())
}
