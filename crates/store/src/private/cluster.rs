//! Making the cluster, starting the server on it, and preparing the database.

use std::fs::File;
use std::io::ErrorKind;
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

use sqlx::{ConnectOptions as _, Connection as _, Executor as _, PgConnection};

use super::binaries::{Binaries, data_version};
use super::error::{PrivateError, io};
use super::place::{Place, ServerUser};
use super::supervisor::Supervisor;
use super::{Safety, settings};

/// How long a start may take; recovery after a crash is the longest part.
const START_SECONDS: u64 = 300;

/// How long leftover processes of a server that lost its owner may take to end: on a busy disk its last checkpoint
/// is slow.
const LEFTOVER_SECONDS: u64 = 120;

/// Everything a start needs.
pub(super) struct Launch<'a> {
    pub(super) place: &'a Place,
    pub(super) user: &'a ServerUser,
    pub(super) binaries: &'a Binaries,
    pub(super) safety: Safety,
}

impl Launch<'_> {
    /// Starts the server and returns when the role and the database are there.
    pub(super) fn run(&self) -> Result<Supervisor, PrivateError> {
        let cluster = self.place.cluster();
        if data_version(&cluster)?.is_none() {
            self.make_cluster(&cluster)?;
        }
        clear_leftovers(&cluster, &self.place.socket_dir)?;
        let supervisor = self.start(&cluster)?;
        self.wait_until_ready(&supervisor, &cluster)?;
        prepare_database(&self.place.socket_dir)?;
        Ok(supervisor)
    }

    /// Makes the cluster beside its final place, so an interrupted start leaves no half of one.
    fn make_cluster(&self, cluster: &Path) -> Result<(), PrivateError> {
        let unfinished = self.place.data_dir.join("cluster.new");
        self.user.fresh_folder(&unfinished)?;
        let program = self.binaries.program("initdb");
        let mut command = self.user.command(&program);
        // The C.UTF-8 collation is the same on every machine and after every system upgrade.
        command
            .args([
                "--username=postgres",
                "--encoding=UTF8",
                "--locale=C.UTF-8",
                "--data-checksums",
            ])
            .args([
                "--auth-local=peer",
                "--auth-host=ident",
                "--no-instructions",
            ])
            .arg("--pgdata")
            .arg(&unfinished);
        if self.safety == Safety::Throwaway {
            command.args(["--no-sync", "--wal-segsize=1"]);
        }
        let output = command.output().map_err(io("run", &program))?;
        if !output.status.success() {
            return Err(PrivateError::ProgramFailed {
                program: "initdb",
                output: tail(&String::from_utf8_lossy(&output.stderr)),
            });
        }
        std::fs::rename(&unfinished, cluster).map_err(io("move into place", &unfinished))
    }

    fn start(&self, cluster: &Path) -> Result<Supervisor, PrivateError> {
        let data_dir = &self.place.data_dir;
        let server_file = data_dir.join("postgresql.conf");
        let clients_file = data_dir.join("pg_hba.conf");
        let local = data_dir.join("local.conf");
        let text = settings::server(
            self.safety,
            &self.place.socket_dir,
            &self.place.log_dir(),
            &local,
        );
        std::fs::write(&server_file, text).map_err(io("write", &server_file))?;
        std::fs::write(&clients_file, settings::CLIENTS).map_err(io("write", &clients_file))?;
        let start_log = self.place.start_log();
        let log = File::create(&start_log).map_err(io("write", &start_log))?;
        let also = log.try_clone().map_err(io("write", &start_log))?;

        let program = self.binaries.program("postgres");
        let mut command = self.user.command(&program);
        // A process group of its own: Ctrl-C in the terminal must reach Cotyl alone, which stops
        // the server when it has done with it.
        command
            .arg("-D")
            .arg(cluster)
            .args(["-c", &format!("config_file={}", server_file.display())])
            .args(["-c", &format!("hba_file={}", clients_file.display())])
            .stdout(Stdio::from(log))
            .stderr(Stdio::from(also))
            .process_group(0);
        Supervisor::start(command).map_err(io("run setpriv for", &program))
    }

    /// Waits for the word `ready` in the server's own status file, as `pg_ctl` does.
    fn wait_until_ready(
        &self,
        supervisor: &Supervisor,
        cluster: &Path,
    ) -> Result<(), PrivateError> {
        let status_file = cluster.join("postmaster.pid");
        let pid = supervisor.pid().to_string();
        let step = Duration::from_millis(5);
        for _ in 0..START_SECONDS * 200 {
            if !supervisor.is_running() {
                let text = std::fs::read(self.place.start_log()).unwrap_or_default();
                return Err(PrivateError::Ended {
                    status: supervisor.ending(),
                    data_dir: self.place.data_dir.clone(),
                    output: tail(&String::from_utf8_lossy(&text)),
                });
            }
            let text = std::fs::read_to_string(&status_file).unwrap_or_default();
            let mut lines = text.lines();
            if lines.next() == Some(&pid)
                && lines.nth(6).is_some_and(|state| state.trim() == "ready")
            {
                return Ok(());
            }
            std::thread::sleep(step);
        }
        Err(PrivateError::NotReady {
            seconds: START_SECONDS,
            data_dir: self.place.data_dir.clone(),
        })
    }
}

/// Waits for processes of an earlier server on `cluster` to end, and removes the lock files they left.
/// PostgreSQL would take one for a running server's when its process id now belongs to something else,
/// or to a killed process that nobody has buried yet. The caller holds the lock on the data folder and
/// the socket folder is ours alone, so no other server can be meant.
fn clear_leftovers(cluster: &Path, socket_dir: &Path) -> Result<(), PrivateError> {
    let step = Duration::from_millis(20);
    let mut waited = Duration::ZERO;
    while let Some(pid) = servers_on(cluster).into_iter().min() {
        if waited >= Duration::from_secs(LEFTOVER_SECONDS) {
            return Err(PrivateError::StillRunning {
                cluster: cluster.to_owned(),
                pid,
            });
        }
        std::thread::sleep(step);
        waited += step;
    }
    let lock_of_socket = format!(".s.PGSQL.{}.lock", settings::PORT);
    for lock in [
        cluster.join("postmaster.pid"),
        socket_dir.join(lock_of_socket),
    ] {
        match std::fs::remove_file(&lock) {
            Err(fault) if fault.kind() != ErrorKind::NotFound => {
                return Err(io("remove the stale", &lock)(fault));
            }
            _ => {}
        }
    }
    Ok(())
}

/// Process ids of PostgreSQL processes at work in `cluster`; each has it as its working folder.
fn servers_on(cluster: &Path) -> Vec<u32> {
    let Ok(entries) = std::fs::read_dir("/proc") else {
        return Vec::new();
    };
    entries
        .flatten()
        .filter_map(|entry| {
            let pid: u32 = entry.file_name().to_str()?.parse().ok()?;
            let folder = std::fs::read_link(entry.path().join("cwd")).ok()?;
            let name = std::fs::read_to_string(entry.path().join("comm")).ok()?;
            (folder == cluster && name.starts_with("postgres")).then_some(pid)
        })
        .collect()
}

/// Creates the role and the database where they are missing.
fn prepare_database(socket_dir: &Path) -> Result<(), PrivateError> {
    // On a thread of its own: the caller may itself be inside an asynchronous runtime.
    std::thread::scope(|scope| {
        let work = scope.spawn(|| {
            let runtime = tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()
                .map_err(io("start a runtime for", socket_dir))?;
            runtime.block_on(create_missing(socket_dir))
        });
        work.join().unwrap_or_else(|_| {
            Err(PrivateError::ProgramFailed {
                program: "preparing the database",
                output: "its thread ended early".to_owned(),
            })
        })
    })
}

async fn create_missing(socket_dir: &Path) -> Result<(), PrivateError> {
    let mut connection = super::options(socket_dir, "postgres", "postgres")
        .connect()
        .await?;
    if !exists(
        &mut connection,
        "SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = $1)",
        super::ROLE,
    )
    .await?
    {
        connection
            .execute("CREATE ROLE cotyl LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEROLE NOREPLICATION CREATEDB")
            .await?;
    }
    if !exists(
        &mut connection,
        "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)",
        super::DATABASE,
    )
    .await?
    {
        connection
            .execute(
                "CREATE DATABASE cotyl OWNER cotyl TEMPLATE template0 ENCODING 'UTF8' \
                 LC_COLLATE 'C.UTF-8' LC_CTYPE 'C.UTF-8'",
            )
            .await?;
    }
    connection.close().await?;
    Ok(())
}

async fn exists(
    connection: &mut PgConnection,
    question: &'static str,
    name: &str,
) -> Result<bool, sqlx::Error> {
    sqlx::query_scalar(question)
        .bind(name)
        .fetch_one(connection)
        .await
}

/// The last few lines of a program's output.
fn tail(text: &str) -> String {
    let lines: Vec<&str> = text
        .lines()
        .filter(|line| !line.trim().is_empty())
        .collect();
    lines[lines.len().saturating_sub(8)..].join("\n")
}
