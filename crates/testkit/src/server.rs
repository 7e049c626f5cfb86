//! One throwaway PostgreSQL server for each test process, and databases on it copied from
//! templates.

use std::collections::HashMap;
use std::future::Future;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use cotyl_store::private::{PrivateError, PrivateServer, PrivateSettings, Safety};
use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _, Executor as _};
use tokio::sync::OnceCell;

/// Start of the name of each server's folder; the process id follows.
const FOLDER_PREFIX: &str = "cotyl-test-server-";

/// Linux's folder of files in memory. Copying a database there measured a sixth of the processor
/// time it took on disk (11 against 70 ms).
const MEMORY_FOLDER: &str = "/dev/shm";

/// Free memory to use that folder at all; a copy of an empty database takes about 7 MB.
const MEMORY_BYTES: u64 = 4 << 30;

/// A throwaway server shared by the tests of one process. See [`shared_server`].
#[derive(Debug)]
pub struct SharedServer {
    server: PrivateServer,
    templates: Mutex<HashMap<String, Arc<OnceCell<()>>>>,
    next_database: AtomicU64,
}

/// The server of this test process, started by the first call.
///
/// It ends with the process, however that ends, and its folder is then removed by a small shell
/// that waits for just that. Folders that were left all the same are removed by a later start.
///
/// # Panics
/// When the server cannot start: no test that needs it can pass then.
#[allow(clippy::expect_used)]
pub fn shared_server() -> &'static SharedServer {
    static SERVER: OnceLock<SharedServer> = OnceLock::new();
    SERVER.get_or_init(|| SharedServer::start().expect("the test server starts"))
}

impl SharedServer {
    fn start() -> Result<Self, PrivateError> {
        let memory = Path::new(MEMORY_FOLDER);
        sweep(memory);
        sweep(&std::env::temp_dir());
        let parent = if free_bytes(memory) >= MEMORY_BYTES {
            memory.to_owned()
        } else {
            std::env::temp_dir()
        };
        let folder = parent.join(format!("{FOLDER_PREFIX}{}", std::process::id()));
        // What is left of an earlier process with the same id.
        let _ = std::fs::remove_dir_all(&folder);
        remove_at_exit(&folder);
        let server = PrivateServer::start(PrivateSettings {
            data_dir: folder,
            binaries: None,
            safety: Safety::Throwaway,
        })?;
        Ok(Self {
            server,
            templates: Mutex::default(),
            next_database: AtomicU64::new(1),
        })
    }

    /// How to connect, as the role of the application, to one of the server's databases.
    pub fn connect_options(&self, database: &str) -> PgConnectOptions {
        self.server.connect_options().database(database)
    }

    /// Builds the template database `name` once for each process: makes it empty and has `build`
    /// fill it, given the options to connect to it. Later calls return at once; calls at the same
    /// time wait for the first. Every connection `build` makes must be closed when it returns.
    ///
    /// # Errors
    /// Whatever the database or `build` answers; the next call then tries again.
    pub async fn template<F, E>(
        &self,
        name: &str,
        build: impl FnOnce(PgConnectOptions) -> F,
    ) -> Result<(), E>
    where
        F: Future<Output = Result<(), E>>,
        E: From<sqlx::Error>,
    {
        let cell = {
            let mut templates = self
                .templates
                .lock()
                .unwrap_or_else(PoisonError::into_inner);
            Arc::clone(templates.entry(name.to_owned()).or_default())
        };
        cell.get_or_try_init(|| async {
            let name = identifier(name);
            self.run(format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)"))
                .await?;
            self.run(format!("CREATE DATABASE {name}")).await?;
            build(self.connect_options(name.trim_matches('"'))).await?;
            // A template in use cannot be copied, so nobody may connect to it any more.
            self.run(format!("ALTER DATABASE {name} ALLOW_CONNECTIONS false"))
                .await?;
            Ok(())
        })
        .await
        .copied()
    }

    /// Makes a database of a new name as a copy of `template`, and returns its name.
    ///
    /// # Errors
    /// When there is no such template, or the server fails.
    pub async fn create_database_from_template(
        &self,
        template: &str,
    ) -> Result<String, sqlx::Error> {
        let number = self.next_database.fetch_add(1, Ordering::Relaxed);
        let name = format!("t_{number}");
        self.run(format!(
            "CREATE DATABASE {name} TEMPLATE {}",
            identifier(template)
        ))
        .await?;
        Ok(name)
    }

    /// Drops a database, ending the connections to it. Worth doing at the end of each test: the
    /// server's files may lie in memory.
    ///
    /// # Errors
    /// When the server fails.
    pub async fn drop_database(&self, name: &str) -> Result<(), sqlx::Error> {
        self.run(format!(
            "DROP DATABASE IF EXISTS {} WITH (FORCE)",
            identifier(name)
        ))
        .await
    }

    /// Runs one statement on a connection of its own: each test has its own runtime, and a
    /// connection cannot be shared between runtimes.
    async fn run(&self, statement: String) -> Result<(), sqlx::Error> {
        let mut connection = self.server.connect_options().connect().await?;
        connection.execute(AssertSqlSafe(statement)).await?;
        connection.close().await
    }
}

/// A name as SQL wants it.
fn identifier(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}

/// Starts a shell that waits until this process has ended, and the server with it, and then removes
/// the folder, and the socket's if that lies elsewhere. The shell waits on a pipe that the kernel
/// closes for us however the process ends.
fn remove_at_exit(folder: &Path) {
    use std::os::unix::process::CommandExt as _;
    let script = r#"
        read -r line
        n=0
        while [ -e "$1/cluster/postmaster.pid" ] && [ $n -lt 100 ]; do sleep 0.1; n=$((n + 1)); done
        socket=$(sed -n "s/^unix_socket_directories = '\(.*\)'$/\1/p" "$1/postgresql.conf")
        n=0
        while ! rm -rf -- "$1" && [ $n -lt 20 ]; do sleep 0.1; n=$((n + 1)); done
        [ -z "$socket" ] || rmdir -- "$socket"
    "#;
    let janitor = Command::new("sh")
        .args(["-c", script, "sh"])
        .arg(folder)
        .current_dir("/")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .process_group(0)
        .spawn();
    if let Ok(janitor) = janitor {
        // Kept open until the process ends; dropping it would close the pipe.
        std::mem::forget(janitor);
    }
}

/// Removes the folders of test processes that are no more.
fn sweep(parent: &Path) {
    let Ok(entries) = std::fs::read_dir(parent) else {
        return;
    };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let Some(pid) = name
            .to_str()
            .and_then(|name| name.strip_prefix(FOLDER_PREFIX))
        else {
            continue;
        };
        if pid.parse::<u32>().is_ok()
            && !Path::new("/proc").join(pid).exists()
            && is_free(&entry.path())
        {
            let _ = std::fs::remove_dir_all(entry.path());
        }
    }
}

/// Bytes free in a folder's file system; 0 when that cannot be told.
fn free_bytes(folder: &Path) -> u64 {
    let output = Command::new("df")
        .args(["--block-size=1", "--output=avail"])
        .arg(folder)
        .output();
    let text = output
        .map(|output| String::from_utf8_lossy(&output.stdout).into_owned())
        .unwrap_or_default();
    text.lines()
        .last()
        .and_then(|line| line.trim().parse().ok())
        .unwrap_or(0)
}

/// Whether nobody holds the lock of a server's folder, and its server has ended.
fn is_free(folder: &Path) -> bool {
    let unlocked = match std::fs::File::open(folder.join("cotyl.lock")) {
        Ok(lock) => lock.try_lock().is_ok(),
        Err(error) => error.kind() == std::io::ErrorKind::NotFound,
    };
    let mut status = String::new();
    let server: Option<PathBuf> = std::fs::File::open(folder.join("cluster/postmaster.pid"))
        .and_then(|mut file| file.read_to_string(&mut status))
        .ok()
        .and_then(|_| Some(Path::new("/proc").join(status.lines().next()?.trim())));
    unlocked && !server.is_some_and(|server| server.exists())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use std::time::Instant;

    async fn fill(options: PgConnectOptions) -> Result<(), sqlx::Error> {
        let mut connection = options.connect().await?;
        connection
            .execute(
                "CREATE TABLE harvest (id bigint PRIMARY KEY, weight_grams bigint NOT NULL); \
                 INSERT INTO harvest SELECT n, n * 10 FROM generate_series(1, 3) AS n",
            )
            .await?;
        connection.close().await
    }

    async fn total_grams(connection: &mut sqlx::PgConnection) -> i64 {
        sqlx::query_scalar("SELECT sum(weight_grams)::bigint FROM harvest")
            .fetch_one(connection)
            .await
            .unwrap()
    }

    #[tokio::test]
    async fn copies_start_alike_and_do_not_touch_each_other() {
        let server = shared_server();
        server.template("harvest_template", fill).await.unwrap();
        let first = server
            .create_database_from_template("harvest_template")
            .await
            .unwrap();
        let second = server
            .create_database_from_template("harvest_template")
            .await
            .unwrap();
        let mut one = server.connect_options(&first).connect().await.unwrap();
        let mut two = server.connect_options(&second).connect().await.unwrap();
        one.execute("DELETE FROM harvest WHERE id = 3")
            .await
            .unwrap();
        assert_eq!(total_grams(&mut one).await, 30);
        assert_eq!(total_grams(&mut two).await, 60);
        server.drop_database(&first).await.unwrap();
        assert!(server.connect_options(&first).connect().await.is_err());
    }

    #[tokio::test]
    async fn a_template_is_built_once_and_again_after_a_failure() {
        let server = shared_server();
        let failed = server
            .template("twice", async |_| {
                Err::<(), sqlx::Error>(sqlx::Error::RowNotFound)
            })
            .await;
        assert!(failed.is_err());
        server.template("twice", fill).await.unwrap();
        let again = server
            .template("twice", async |_| {
                Err::<(), sqlx::Error>(sqlx::Error::RowNotFound)
            })
            .await;
        assert!(again.is_ok(), "a built template is not built again");
    }

    #[tokio::test]
    async fn many_copies_at_once() {
        let server = shared_server();
        server.template("many", fill).await.unwrap();
        let begun = Instant::now();
        let copies = (0..8).map(|_| server.create_database_from_template("many"));
        let mut names = Vec::new();
        for task in copies
            .map(|copy| async { copy.await.unwrap() })
            .collect::<Vec<_>>()
        {
            names.push(task.await);
        }
        println!("8 copies one after another: {:?}", begun.elapsed());
        let begun = Instant::now();
        let parallel: Vec<_> = (0..8)
            .map(|_| {
                tokio::spawn(async {
                    shared_server()
                        .create_database_from_template("many")
                        .await
                        .unwrap()
                })
            })
            .collect();
        for task in parallel {
            names.push(task.await.unwrap());
        }
        println!("8 copies at once: {:?}", begun.elapsed());
        let begun = Instant::now();
        server.drop_database(&names[0]).await.unwrap();
        println!("drop: {:?}", begun.elapsed());
        names.sort();
        names.dedup();
        assert_eq!(names.len(), 16);
    }

    #[test]
    fn free_space_is_told_or_nothing() {
        assert!(free_bytes(&std::env::temp_dir()) > 0);
        assert_eq!(free_bytes(Path::new("/nowhere/at/all")), 0);
    }

    #[test]
    fn folders_of_the_dead_are_swept_and_those_of_the_living_are_not() {
        let parent =
            std::env::temp_dir().join(format!("cotyl-testkit-sweep-{}", std::process::id()));
        // Process ids end below 2^22 on Linux (proc(5), pid_max), so this one never lives.
        let dead = parent.join(format!("{FOLDER_PREFIX}4194305"));
        let living = parent.join(format!("{FOLDER_PREFIX}{}", std::process::id()));
        let other = parent.join("someone-else");
        for folder in [&dead, &living, &other] {
            std::fs::create_dir_all(folder.join("cluster")).unwrap();
        }
        sweep(&parent);
        assert!(!dead.exists() && living.exists() && other.exists());
        std::fs::remove_dir_all(&parent).unwrap();
    }
}
