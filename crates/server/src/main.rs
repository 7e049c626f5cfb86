//! The binary `cotyl`: settings, wiring and subcommands.

mod clock;
mod commands;
mod database;
mod demo;
mod logging;
mod serve;
mod settings;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::settings::{Flags, Settings};

/// Gives memory back after a plan is solved or a password checked; the system's allocator keeps it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Cotyl: growing food together in small containers.
///
/// Settings come from flags, then environment variables (COTYL_LISTEN for --listen and so on), then
/// the settings file; the first that names a setting wins.
#[derive(Parser)]
#[command(name = "cotyl", version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    flags: Flags,
}

#[derive(Subcommand)]
enum Command {
    /// Serve the API and work on jobs
    Serve,
    /// Work on jobs only, beside other servers on the same database
    Work,
    /// Bring the database schema up to date and stop
    Migrate,
    /// Found a co-operative with its first coordinator; the password is read from standard input
    Found(commands::found::FoundArguments),
    /// Sign with a new key and void the others, as when a copy of the database was lost
    RenewKeys,
    /// Load a made-up co-operative, plan its term, show it and serve
    Demo,
    /// Solve a planning problem or a scenario from a file; needs no database
    Plan(commands::plan::PlanArguments),
    /// Print the API document (OpenAPI 3.1)
    Openapi,
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    // these two need no settings and no runtime
    match &cli.command {
        Command::Openapi => return report(commands::openapi::print()),
        Command::Plan(arguments) => return report(commands::plan::plan(arguments)),
        _ => {}
    }
    let settings = match Settings::gather(cli.flags) {
        Ok(settings) => settings,
        Err(fault) => return report(Err(fault)),
    };
    if let Err(fault) = logging::start(&settings) {
        return report(Err(fault));
    }
    let runtime = match tokio::runtime::Builder::new_multi_thread()
        .worker_threads(settings.worker_threads)
        .enable_all()
        .build()
    {
        Ok(runtime) => runtime,
        Err(fault) => return report(Err(fault.into())),
    };
    let outcome = runtime.block_on(async {
        match cli.command {
            Command::Serve => serve::serve(&settings).await,
            Command::Work => serve::work(&settings).await,
            Command::Migrate => commands::migrate::migrate(&settings).await,
            Command::Found(arguments) => commands::found::found(&settings, arguments).await,
            Command::RenewKeys => commands::renew_keys::renew_keys(&settings).await,
            Command::Demo => demo::demo(&settings).await,
            Command::Openapi | Command::Plan(_) => Ok(()),
        }
    });
    report(outcome)
}

/// What commands return: a message for the person at the terminal.
type Outcome = Result<(), Box<dyn std::error::Error + Send + Sync>>;

fn report(outcome: Outcome) -> ExitCode {
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("cotyl: {fault}");
            ExitCode::FAILURE
        }
    }
}
