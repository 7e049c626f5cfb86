//! What can go wrong with the private server, each with its remedy.

use std::path::{Path, PathBuf};

/// Why the private server could not start or stop.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PrivateError {
    /// No usable PostgreSQL binaries are installed.
    #[error(
        "no PostgreSQL server of version {oldest} or newer was found in {searched}; \
         install it with `apt-get install postgresql`, or name its folder of programs in {variable}"
    )]
    BinariesMissing {
        /// Oldest major version that will do.
        oldest: u32,
        /// Where was looked.
        searched: String,
        /// Environment variable that names the folder.
        variable: &'static str,
    },
    /// A named folder of binaries does not hold a usable server.
    #[error("{folder} holds no usable PostgreSQL server: {problem}")]
    BinariesUnusable {
        /// The folder named in the settings or the environment.
        folder: PathBuf,
        /// What is wrong with it.
        problem: String,
    },
    /// The data was made by a major version that is not installed.
    #[error(
        "the data in {cluster} was made by PostgreSQL {data}, but {available} is what was found; \
         install the Debian package `postgresql-{data}`, or restore a dump into a new data folder"
    )]
    VersionMismatch {
        /// Folder of the data.
        cluster: PathBuf,
        /// Major version that made the data.
        data: u32,
        /// Version or versions found.
        available: String,
    },
    /// Another process has the data folder open.
    #[error("{data_dir} is in use by process {}", pid.map_or_else(|| "unknown".to_owned(), |pid| pid.to_string()))]
    InUse {
        /// The data folder.
        data_dir: PathBuf,
        /// Process id of the owner, as its lock file says.
        pid: Option<u32>,
    },
    /// A server started by hand, or left over, still works on the data.
    #[error(
        "a PostgreSQL server that is not ours still works on {cluster} (process {pid}); \
         stop it with `kill -INT {pid}` and start again"
    )]
    StillRunning {
        /// Folder of the data.
        cluster: PathBuf,
        /// Process id of the oldest such process.
        pid: u32,
    },
    /// Started as root, and the user `postgres` does not exist.
    #[error(
        "PostgreSQL refuses to run as root and there is no user `postgres` to run it as; \
         install it with `apt-get install postgresql`"
    )]
    NoServerUser,
    /// Started as root, and the server's user cannot reach the data folder.
    #[error(
        "started as root, the PostgreSQL server runs as user `{user}`, which may not enter {folder}; \
         allow it with `chmod o+x {}`, or choose a data folder elsewhere, such as one under /var/lib/cotyl",
        quoted(folder)
    )]
    NotReachable {
        /// The folder that may not be entered.
        folder: PathBuf,
        /// The server's user.
        user: String,
    },
    /// A folder that must be private belongs to somebody else.
    #[error(
        "{folder} must belong to user `{user}` alone, but it {problem}; start as the user who made it, or choose another data folder"
    )]
    NotPrivate {
        /// The folder.
        folder: PathBuf,
        /// Who must own it.
        user: String,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// The data folder's path cannot be written into a settings file.
    #[error("the data folder's path {path:?} cannot be used: {problem}")]
    UnusablePath {
        /// The path.
        path: PathBuf,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// A program of PostgreSQL, or the one that starts it, failed.
    #[error("{program} failed: {output}")]
    ProgramFailed {
        /// Which program.
        program: &'static str,
        /// The end of what it wrote.
        output: String,
    },
    /// The server ended before it accepted connections, or while it should have run.
    #[error(
        "the PostgreSQL server ended unexpectedly ({status}); its logs are in {data_dir}: {output}"
    )]
    Ended {
        /// How the process ended.
        status: String,
        /// The data folder.
        data_dir: PathBuf,
        /// The end of what it wrote while starting.
        output: String,
    },
    /// The server did not accept connections in time.
    #[error(
        "the PostgreSQL server was not ready after {seconds} seconds; its logs are in {data_dir}"
    )]
    NotReady {
        /// How long was waited.
        seconds: u64,
        /// The data folder.
        data_dir: PathBuf,
    },
    /// A file or folder could not be used.
    #[error("could not {action} {path}")]
    Io {
        /// What was tried.
        action: &'static str,
        /// On which file or folder.
        path: PathBuf,
        /// Why not.
        source: std::io::Error,
    },
    /// The server refused to create the role or the database.
    #[error("the private database could not be prepared")]
    Database(#[from] sqlx::Error),
}

/// Builds the closure that turns an I/O error into [`PrivateError::Io`].
pub(super) fn io<'a>(
    action: &'static str,
    path: &'a Path,
) -> impl FnOnce(std::io::Error) -> PrivateError + 'a {
    move |source| PrivateError::Io {
        action,
        path: path.to_owned(),
        source,
    }
}

/// A path as one word of a shell command.
fn quoted(path: &Path) -> String {
    format!("'{}'", path.display().to_string().replace('\'', r"'\''"))
}
