//! Structured logs on standard error.

use tracing_subscriber::EnvFilter;

use crate::settings::{LogForm, Settings};

/// Starts logging.
///
/// # Errors
/// When the filter cannot be read.
pub fn start(settings: &Settings) -> Result<(), Box<dyn std::error::Error + Send + Sync>> {
    let filter =
        EnvFilter::try_new(&settings.log).map_err(|fault| format!("settings: log: {fault}"))?;
    let lines = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr);
    match settings.log_form {
        LogForm::Json => lines.json().flatten_event(true).try_init(),
        LogForm::Text => lines.try_init(),
    }
}
