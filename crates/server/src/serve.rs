//! `cotyl serve` and `cotyl work`: run until told to stop, then stop cleanly.

use std::time::Duration;

use actix_web::HttpServer;
use actix_web::dev::ServerHandle;
use actix_web::web::Data;
use cotyl_api::{ApiSettings, ApiState, api_app};
use cotyl_app::App;
use cotyl_jobs::{Mailer, Post, Worker, WorkerSettings};
use futures::FutureExt as _;
use futures::future::join;
use metrics_exporter_prometheus::PrometheusBuilder;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

use crate::Outcome;
use crate::database::Database;
use crate::settings::Settings;

/// How long requests under way may take to end.
const GRACE: Duration = Duration::from_secs(20);

/// Serves the API and works on jobs until a signal comes.
///
/// # Errors
/// With a message for whoever runs the server.
pub async fn serve(settings: &Settings) -> Outcome {
    let (database, app) = Database::application(settings).await?;
    let running = Running::start(settings, app)?;
    tracing::info!(address = %running.address, "serving");
    println!(
        "cotyl serves at http://{} (API document at /docs/)",
        running.address
    );
    let told = told_to_stop().await;
    running.stop().await;
    database.close().await?;
    told
}

/// Works on jobs until a signal comes.
///
/// # Errors
/// With a message for whoever runs the server.
pub async fn work(settings: &Settings) -> Outcome {
    let (database, app) = Database::application(settings).await?;
    let workers = Workers::start(settings, app)?;
    println!("cotyl works on jobs");
    let told = told_to_stop().await;
    workers.stop().await;
    database.close().await?;
    told
}

/// A running HTTP server with its workers.
pub struct Running {
    /// Where it listens.
    pub address: std::net::SocketAddr,
    handle: ServerHandle,
    server: JoinHandle<std::io::Result<()>>,
    workers: Workers,
}

impl Running {
    /// Starts listening.
    ///
    /// # Errors
    /// When the address cannot be listened on.
    pub fn start(
        settings: &Settings,
        app: App,
    ) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        let metrics = PrometheusBuilder::new()
            .set_buckets(&[
                0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 5.0,
            ])?
            .install_recorder()?;
        let state = ApiState::new(app.clone(), &ApiSettings::default(), Some(metrics));
        let connections = settings.connections_per_thread();
        let server = HttpServer::new(move || api_app(Data::new(state.for_thread(connections))))
            .workers(settings.worker_threads)
            .client_request_timeout(Duration::from_secs(10))
            .shutdown_timeout(GRACE.as_secs())
            .disable_signals()
            .bind(settings.listen)
            .map_err(|fault| format!("cannot listen on {}: {fault}", settings.listen))?;
        let address = server.addrs().first().copied().unwrap_or(settings.listen);
        let server = server.run();
        Ok(Self {
            address,
            handle: server.handle(),
            server: tokio::spawn(server),
            workers: Workers::start(settings, app)?,
        })
    }

    /// Ends requests and jobs under way.
    pub async fn stop(self) {
        self.handle.stop(true).await;
        let _ = self.server.await;
        self.workers.stop().await;
    }
}

/// The worker on jobs, on a thread and a small runtime of its own, and how to stop it.
struct Workers {
    stop: oneshot::Sender<()>,
    ended: JoinHandle<()>,
}

impl Workers {
    fn start(
        settings: &Settings,
        app: App,
    ) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        let (stop, stopped) = oneshot::channel::<()>();
        let mailer = settings.mail_server()?.map(Mailer::new).transpose()?;
        let post = Post::new(app.clone(), mailer);
        let worker = Worker::new(
            app,
            WorkerSettings {
                at_once: settings.solver_threads,
                ..WorkerSettings::default()
            },
        );
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        let ended = tokio::task::spawn_blocking(move || {
            let stopped = async {
                let _ = stopped.await;
            }
            .shared();
            runtime.block_on(join(worker.run(stopped.clone()), post.run(stopped)));
        });
        Ok(Self { stop, ended })
    }

    async fn stop(self) {
        let _ = self.stop.send(());
        let _ = self.ended.await;
    }
}

/// Waits for Ctrl-C or a polite request to end.
///
/// # Errors
/// When signals cannot be listened for.
pub async fn told_to_stop() -> Outcome {
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
    }
    tracing::info!("stopping");
    Ok(())
}
