//! A PostgreSQL server that Cotyl starts for itself.
//!
//! The server runs from the distribution's own binaries, listens on a Unix socket in a folder only
//! its user may enter, and ends with the process that started it, even when that process is killed
//! outright. Started as root, the server runs as the system user `postgres`.
//!
//! What lies in the data folder:
//!
//! | entry | what it is |
//! |---|---|
//! | `cotyl.lock` | lock against a second start; holds the process id of the owner |
//! | `postgresql.conf`, `pg_hba.conf` | written again at each start |
//! | `local.conf` | optional, read last: an operator's own settings |
//! | `cluster/` | the data itself |
//! | `log/` | a week of server logs, one file for each weekday |
//! | `start.log` | what the server wrote before its own logging began, at the latest start |
//! | `socket/` | the socket, unless the path would be too long for one |

mod binaries;
mod cluster;
mod error;
mod place;
mod settings;
mod supervisor;
#[cfg(test)]
mod tests;

use std::path::{Path, PathBuf};

use sqlx::postgres::PgConnectOptions;

pub use error::PrivateError;
pub use place::reachable_data_dir;

/// Environment variable naming the folder of PostgreSQL binaries, read when the settings name none.
pub const BINARIES_VARIABLE: &str = "COTYL_POSTGRESQL_BINARIES";

/// Role that owns the database; it may create databases but is no superuser.
pub const ROLE: &str = "cotyl";

/// Name of the database.
pub const DATABASE: &str = "cotyl";

/// How much the server does so that committed rows survive a crash.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Safety {
    /// Committed rows survive a crash of the server or the machine.
    CrashSafe,
    /// For tests: no waiting for the disk. A crash of the machine may destroy everything.
    Throwaway,
}

/// What to start, and where.
#[derive(Debug, Clone)]
pub struct PrivateSettings {
    /// Folder that holds the data; created when missing.
    pub data_dir: PathBuf,
    /// Folder with `initdb` and `postgres`; when `None`, [`BINARIES_VARIABLE`] and then the
    /// distribution's folders are searched for the version the data needs, or else the newest.
    pub binaries: Option<PathBuf>,
    /// How much a crash may cost.
    pub safety: Safety,
}

/// A running private server. Dropping it stops the server and waits for its end.
#[derive(Debug)]
pub struct PrivateServer {
    // Declared before the lock, so that the server has ended when the lock is given up.
    supervisor: supervisor::Supervisor,
    socket_dir: PathBuf,
    binaries: PathBuf,
    data_dir: PathBuf,
    _lock: place::DataLock,
}

impl PrivateServer {
    /// Starts the server, creating the cluster, the role and the database on first use.
    ///
    /// Blocks until the server accepts connections (seconds the first time, a fraction of one
    /// later; as long as recovery takes after a crash). Inside an asynchronous task call it through
    /// `spawn_blocking`: the server belongs to a thread of its own and outlives the caller's.
    ///
    /// # Errors
    /// [`PrivateError`] says what is wrong and, where there is one, the remedy.
    pub fn start(settings: PrivateSettings) -> Result<Self, PrivateError> {
        let user = place::ServerUser::current()?;
        let place = place::Place::prepare(&settings.data_dir, &user)?;
        let lock = place::DataLock::take(&place.data_dir)?;
        let binaries = binaries::choose(settings.binaries.as_deref(), &place.cluster())?;
        let launch = cluster::Launch {
            place: &place,
            user: &user,
            binaries: &binaries,
            safety: settings.safety,
        };
        let supervisor = launch.run()?;
        Ok(Self {
            supervisor,
            socket_dir: place.socket_dir,
            binaries: binaries.folder,
            data_dir: place.data_dir,
            _lock: lock,
        })
    }

    /// How to connect: role [`ROLE`] on database [`DATABASE`] over the Unix socket.
    pub fn connect_options(&self) -> PgConnectOptions {
        options(&self.socket_dir, ROLE, DATABASE)
    }

    /// Folder of the Unix socket, for `psql --host` and the backup tools.
    pub fn socket_dir(&self) -> &Path {
        &self.socket_dir
    }

    /// Folder of the PostgreSQL programs in use.
    pub fn binaries(&self) -> &Path {
        &self.binaries
    }

    /// The data folder, absolute.
    pub fn data_dir(&self) -> &Path {
        &self.data_dir
    }

    /// Whether the server process still runs.
    pub fn is_running(&self) -> bool {
        self.supervisor.is_running()
    }

    /// Stops the server: open connections are ended, data is written out, and the process has ended
    /// when this returns.
    ///
    /// # Errors
    /// [`PrivateError::Ended`] when the server had already ended by itself, or did not end cleanly.
    pub fn stop(self) -> Result<(), PrivateError> {
        let Self {
            supervisor,
            data_dir,
            _lock,
            ..
        } = self;
        let result = supervisor.stop(&data_dir);
        drop(_lock);
        result
    }
}

fn options(socket_dir: &Path, role: &str, database: &str) -> PgConnectOptions {
    PgConnectOptions::new_without_pgpass()
        .socket(socket_dir)
        .port(settings::PORT)
        .username(role)
        .database(database)
        .application_name("cotyl")
}
