//! `cotyl demo`: a made-up co-operative, loaded and planned through the public API, then served.

mod client;
mod cupboard;
mod load;
mod show;

use std::path::PathBuf;

use cotyl_calendar::{IsoWeek, SiteZone};
use cotyl_domain::Clock;

use crate::Outcome;
use crate::clock::SystemClock;
use crate::database::Database;
use crate::serve::{Running, told_to_stop};
use crate::settings::{DEFAULT_DATA_DIR, Settings};

use client::Client;

/// Everyone's password in the demo.
pub const PASSWORD: &str = "grow greens together";
/// The coordinator's address.
pub const COORDINATOR: &str = "cora@example.org";
/// The time zone of every site.
pub const ZONE: &str = "America/New_York";
/// Weeks that are planned.
pub const WEEKS: u32 = 20;

/// Loads the demo on its first start, shows it, and serves until a signal comes.
///
/// # Errors
/// With a message for the person at the terminal.
pub async fn demo(settings: &Settings) -> Outcome {
    let settings = Settings {
        data_dir: folder(settings),
        ..settings.clone()
    };
    let (database, app) = Database::application(&settings).await?;
    let running = Running::start(&settings, app.clone())?;
    let shown = tokio::select! {
        shown = prepare_and_show(&running, &app) => shown,
        told = told_to_stop() => told.map(|()| false),
    };
    let outcome = match shown {
        Ok(true) => told_to_stop().await,
        Ok(false) => Ok(()),
        Err(fault) => Err(fault),
    };
    eprintln!("stopping");
    running.stop().await;
    database.close().await?;
    outcome
}

/// The demo keeps to a folder of its own unless one is named.
fn folder(settings: &Settings) -> PathBuf {
    if settings.data_dir.as_os_str() == DEFAULT_DATA_DIR {
        settings.data_dir.join("demo")
    } else {
        settings.data_dir.clone()
    }
}

async fn prepare_and_show(
    running: &Running,
    app: &cotyl_app::App,
) -> Result<bool, Box<dyn std::error::Error + Send + Sync>> {
    let zone: SiteZone = ZONE.parse()?;
    let today = zone.today(SystemClock.now());
    let this_week = IsoWeek::of(today)?;
    let mut client = Client::new(&running.address)?;
    if client.sign_in(COORDINATOR, PASSWORD).await.is_err() {
        app.found(load::NAME, "Cora Lindqvist", COORDINATOR, PASSWORD)
            .await?;
        client.sign_in(COORDINATOR, PASSWORD).await?;
    }
    let plan = match load::adopted_plan(&client).await? {
        Some(plan) => plan,
        None => {
            eprintln!("loading {} through the API ...", load::NAME);
            load::garden(&mut client, this_week).await?;
            cupboard::fill(&mut client).await?;
            eprintln!("planning {WEEKS} weeks ...");
            load::plan(&mut client, this_week).await?
        }
    };
    show::screen(&client, &plan, today, &running.address.to_string()).await?;
    Ok(true)
}
