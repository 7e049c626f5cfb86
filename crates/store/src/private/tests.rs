#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use sqlx::{Connection as _, Executor as _, PgConnection};

use super::*;

/// A folder that is gone when the test ends.
struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let folder =
            std::env::temp_dir().join(format!("cotyl-store-{}-{name}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        Self(folder)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn start(data_dir: &Path, safety: Safety) -> Result<PrivateServer, PrivateError> {
    PrivateServer::start(PrivateSettings {
        data_dir: data_dir.to_owned(),
        binaries: None,
        safety,
    })
}

/// Runs the work on a connection of the role `cotyl`.
fn connected<T>(server: &PrivateServer, work: impl AsyncFnOnce(&mut PgConnection) -> T) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(async {
        let mut connection = PgConnection::connect_with(&server.connect_options())
            .await
            .unwrap();
        work(&mut connection).await
    })
}

fn write_row(server: &PrivateServer, weight_grams: i64) {
    connected(server, async |connection| {
        connection
            .execute("CREATE TABLE IF NOT EXISTS harvest (weight_grams bigint)")
            .await
            .unwrap();
        sqlx::query("INSERT INTO harvest VALUES ($1)")
            .bind(weight_grams)
            .execute(connection)
            .await
            .unwrap();
    });
}

fn rows(server: &PrivateServer) -> Vec<i64> {
    connected(server, async |connection| {
        sqlx::query_scalar("SELECT weight_grams FROM harvest ORDER BY 1")
            .fetch_all(connection)
            .await
            .unwrap()
    })
}

async fn setting(connection: &mut PgConnection, name: &str) -> String {
    sqlx::query_scalar("SELECT current_setting($1)")
        .bind(name)
        .fetch_one(connection)
        .await
        .unwrap()
}

fn postmaster_pid(data_dir: &Path) -> Option<i32> {
    let text = std::fs::read_to_string(data_dir.join("cluster/postmaster.pid")).ok()?;
    text.lines().next()?.parse().ok()
}

/// Whether the process lives; one that has ended and was not yet waited for does not.
fn at_work(pid: i32) -> bool {
    let Ok(status) = std::fs::read_to_string(format!("/proc/{pid}/stat")) else {
        return false;
    };
    status
        .rsplit_once(") ")
        .is_some_and(|(_, rest)| !rest.starts_with('Z'))
}

fn kill_outright(pid: i32) {
    nix::sys::signal::kill(
        nix::unistd::Pid::from_raw(pid),
        nix::sys::signal::Signal::SIGKILL,
    )
    .unwrap();
}

fn wait_for(what: &str, mut done: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !done() {
        assert!(
            begun.elapsed() < Duration::from_secs(30),
            "waited in vain: {what}"
        );
        std::thread::sleep(Duration::from_millis(10));
    }
}

#[test]
fn data_survives_a_stop_and_a_start_and_a_second_owner_is_refused() {
    let folder = Folder::new("restart");
    let data = folder.0.join("data");
    let begun = Instant::now();
    let server = start(&data, Safety::CrashSafe).unwrap();
    println!("first start {:?}", begun.elapsed());
    write_row(&server, 120);

    let error = start(&data, Safety::CrashSafe).unwrap_err();
    assert!(
        matches!(error, PrivateError::InUse { pid: Some(pid), .. } if pid == std::process::id()),
        "{error}"
    );
    assert!(error.to_string().contains(&std::process::id().to_string()));

    assert!(server.is_running());
    let begun = Instant::now();
    server.stop().unwrap();
    println!("stop {:?}", begun.elapsed());
    let begun = Instant::now();
    let server = start(&data, Safety::CrashSafe).unwrap();
    println!("second start {:?}", begun.elapsed());
    assert_eq!(rows(&server), [120]);
}

#[test]
fn the_role_and_the_database_are_as_promised() {
    let folder = Folder::new("role");
    let server = start(&folder.0, Safety::CrashSafe).unwrap();
    connected(&server, async |connection| {
        let role: (bool, bool, bool, bool, bool) = sqlx::query_as(
            "SELECT rolcanlogin, rolsuper, rolbypassrls, rolcreatedb, rolcreaterole \
             FROM pg_roles WHERE rolname = current_user",
        )
        .fetch_one(&mut *connection)
        .await
        .unwrap();
        assert_eq!(role, (true, false, false, true, false));
        let database: (String, String, String) = sqlx::query_as(
            "SELECT pg_get_userbyid(datdba)::text, pg_encoding_to_char(encoding)::text, datcollate::text \
             FROM pg_database WHERE datname = current_database()",
        )
        .fetch_one(&mut *connection)
        .await
        .unwrap();
        assert_eq!(
            database,
            ("cotyl".to_owned(), "UTF8".to_owned(), "C.UTF-8".to_owned())
        );
        for (name, expect) in [
            ("fsync", "on"),
            ("full_page_writes", "on"),
            ("synchronous_commit", "on"),
            ("data_checksums", "on"),
            ("listen_addresses", ""),
            ("log_statement", "none"),
            ("TimeZone", "UTC"),
        ] {
            assert_eq!(setting(connection, name).await, expect, "{name}");
        }
    });
    use std::os::unix::fs::PermissionsExt as _;
    let mode = std::fs::metadata(server.socket_dir())
        .unwrap()
        .permissions()
        .mode();
    assert_eq!(mode & 0o777, 0o700);
}

#[test]
fn a_throwaway_server_does_not_wait_for_the_disk() {
    let folder = Folder::new("throwaway");
    let begun = Instant::now();
    let server = start(&folder.0, Safety::Throwaway).unwrap();
    println!("throwaway start {:?}", begun.elapsed());
    connected(&server, async |connection| {
        for (name, expect) in [
            ("fsync", "off"),
            ("synchronous_commit", "off"),
            ("max_connections", "300"),
        ] {
            assert_eq!(setting(connection, name).await, expect, "{name}");
        }
    });
}

#[test]
fn a_killed_server_recovers_what_was_committed() {
    let folder = Folder::new("killed server");
    let server = start(&folder.0, Safety::CrashSafe).unwrap();
    write_row(&server, 85);
    kill_outright(postmaster_pid(&folder.0).unwrap());
    wait_for("the end to be noticed", || !server.is_running());
    assert!(matches!(server.stop(), Err(PrivateError::Ended { .. })));
    // The status file of the dead server is still there.
    assert!(postmaster_pid(&folder.0).is_some());
    let server = start(&folder.0, Safety::CrashSafe).unwrap();
    assert_eq!(rows(&server), [85]);
}

#[test]
fn a_status_file_whose_process_id_was_given_to_another_is_no_obstacle() {
    let folder = Folder::new("recycled");
    start(&folder.0, Safety::Throwaway).unwrap().stop().unwrap();
    // Process 1 always lives and is never a server on this folder.
    std::fs::write(folder.0.join("cluster/postmaster.pid"), "1\n").unwrap();
    start(&folder.0, Safety::Throwaway).unwrap().stop().unwrap();
}

const OWNER_FOLDER: &str = "COTYL_TEST_OWNER_FOLDER";

/// Not a test of its own: the process that the next test kills.
#[test]
#[ignore = "run by the test of a killed owner"]
fn own_a_server_until_killed() {
    let Some(folder) = std::env::var_os(OWNER_FOLDER).map(PathBuf::from) else {
        return;
    };
    let server = start(&folder, Safety::CrashSafe).unwrap();
    write_row(&server, 64);
    std::fs::write(folder.join("row written"), "").unwrap();
    std::thread::sleep(Duration::from_secs(60));
}

#[test]
fn a_server_ends_with_an_owner_that_is_killed_and_the_next_start_recovers() {
    let folder = Folder::new("killed owner");
    let mut owner = std::process::Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "private::tests::own_a_server_until_killed",
            "--ignored",
        ])
        .env(OWNER_FOLDER, &folder.0)
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    wait_for("the owner's row", || folder.0.join("row written").exists());
    let error = start(&folder.0, Safety::CrashSafe).unwrap_err();
    assert!(
        matches!(error, PrivateError::InUse { pid: Some(pid), .. } if pid == owner.id()),
        "{error}"
    );
    let server = postmaster_pid(&folder.0).unwrap();
    assert!(at_work(server));
    owner.kill().unwrap();
    owner.wait().unwrap();
    // At once: the start itself waits for the dying server.
    let next = start(&folder.0, Safety::CrashSafe).unwrap();
    assert!(!at_work(server), "the killed owner's server still runs");
    assert_eq!(rows(&next), [64]);
}

#[test]
fn a_long_path_with_spaces_works_and_its_socket_stays_private() {
    let folder = Folder::new("long");
    let data = folder
        .0
        .join("a garden's data, with a space")
        .join("long ".repeat(24).trim_end());
    let server = start(&data, Safety::Throwaway).unwrap();
    assert!(
        !server.socket_dir().starts_with(&data),
        "{}",
        server.socket_dir().display()
    );
    write_row(&server, 7);
    assert_eq!(rows(&server), [7]);
    let socket_dir = server.socket_dir().to_owned();
    server.stop().unwrap();
    let _ = std::fs::remove_dir(socket_dir);

    let short = folder.0.join("with a space");
    let server = start(&short, Safety::Throwaway).unwrap();
    assert!(
        server.socket_dir().starts_with(&short),
        "{}",
        server.socket_dir().display()
    );
    assert!(server.connect_options().get_socket().is_some());
}

#[test]
fn data_of_another_major_version_names_the_package() {
    let folder = Folder::new("version");
    std::fs::create_dir_all(folder.0.join("cluster")).unwrap();
    std::fs::write(folder.0.join("cluster/PG_VERSION"), "13\n").unwrap();
    let message = start(&folder.0, Safety::CrashSafe).unwrap_err().to_string();
    assert!(
        message.contains("PostgreSQL 13") && message.contains("`postgresql-13`"),
        "{message}"
    );
}

#[test]
fn an_interrupted_first_start_is_made_good() {
    let folder = Folder::new("interrupted");
    std::fs::create_dir_all(folder.0.join("cluster.new/base")).unwrap();
    let server = start(&folder.0, Safety::Throwaway).unwrap();
    assert!(!folder.0.join("cluster.new").exists());
    drop(server);
    assert!(postmaster_pid(&folder.0).is_none());
}

#[test]
fn a_server_that_cannot_start_says_why() {
    let folder = Folder::new("broken");
    std::fs::write(folder.0.join("local.conf"), "no_such_setting = on\n").unwrap();
    let message = start(&folder.0, Safety::Throwaway).unwrap_err().to_string();
    assert!(message.contains("no_such_setting"), "{message}");
}

#[test]
fn as_root_a_closed_folder_is_explained_and_another_is_offered() {
    if !nix::unistd::geteuid().is_root() {
        let folder = Path::new("/nowhere/at all");
        assert_eq!(reachable_data_dir(folder).unwrap(), folder);
        return;
    }
    use std::os::unix::fs::PermissionsExt as _;
    let folder = Folder::new("closed");
    let closed = folder.0.join("it's closed");
    std::fs::create_dir_all(&closed).unwrap();
    std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o700)).unwrap();
    let error = start(&closed.join("data"), Safety::Throwaway).unwrap_err();
    assert!(
        matches!(&error, PrivateError::NotReachable { folder, .. } if *folder == closed),
        "{error}"
    );
    assert!(
        error.to_string().contains("chmod o+x") && error.to_string().contains(r"it'\''s closed"),
        "{error}"
    );

    let offered = reachable_data_dir(&closed.join("demo")).unwrap();
    assert!(
        offered.starts_with("/var/lib/cotyl"),
        "{}",
        offered.display()
    );
    assert_eq!(
        reachable_data_dir(&folder.0.join("demo")).unwrap(),
        folder.0.join("demo")
    );
}

#[tokio::test]
async fn a_start_inside_an_asynchronous_task_does_no_harm() {
    let folder = Folder::new("asynchronous");
    let data = folder.0.clone();
    let server = tokio::task::spawn_blocking(move || start(&data, Safety::Throwaway))
        .await
        .unwrap()
        .unwrap();
    let mut connection = PgConnection::connect_with(&server.connect_options())
        .await
        .unwrap();
    let one: i32 = sqlx::query_scalar("SELECT 1")
        .fetch_one(&mut connection)
        .await
        .unwrap();
    assert_eq!(one, 1);
}
