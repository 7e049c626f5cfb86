//! The lease loop, heartbeat and schedule that run queued work.

use cotyl_app::App;
use tokio::sync::watch;

/// Works until told to stop.
pub async fn run(_app: App, mut stopped: watch::Receiver<bool>) {
    let _ = stopped.changed().await;
}
