//! `cotyl found`.

use std::io::BufRead;

use clap::Args;

use crate::Outcome;
use crate::database::Database;
use crate::settings::Settings;

/// Whom and what to found.
#[derive(Debug, Args)]
pub struct FoundArguments {
    /// Name of the co-operative
    #[arg(long)]
    name: String,
    /// Name of its first coordinator
    #[arg(long)]
    coordinator: String,
    /// The coordinator's e-mail address
    #[arg(long)]
    email: String,
}

/// Founds a co-operative; the coordinator's password is the first line of standard input.
///
/// # Errors
/// With a message for whoever runs the server.
pub async fn found(settings: &Settings, arguments: FoundArguments) -> Outcome {
    eprintln!(
        "Password for {} (10 characters or more), then Enter:",
        arguments.email
    );
    let mut password = String::new();
    std::io::stdin().lock().read_line(&mut password)?;
    let (database, app) = Database::application(settings).await?;
    let founded = app
        .found(
            &arguments.name,
            &arguments.coordinator,
            &arguments.email,
            password.trim_end_matches(['\r', '\n']),
        )
        .await;
    database.close().await?;
    match founded {
        Ok(founded) => {
            println!(
                "founded {} ({}); {} can sign in",
                arguments.name, founded.cooperative_id, arguments.email
            );
            Ok(())
        }
        Err(cotyl_app::Error::Invalid(fields)) => Err(fields
            .iter()
            .map(|field| format!("{} {}", field.pointer.trim_start_matches('/'), field.detail))
            .collect::<Vec<_>>()
            .join("; ")
            .into()),
        Err(fault) => Err(fault.into()),
    }
}
