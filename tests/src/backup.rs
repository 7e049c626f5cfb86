//! The commands of the page on backups, as they stand there, on the real binary.

use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};

use crate::binary::{Folder, Serving, found, run};
use crate::support::site_input;

const ADA: &str = "ada@example.org";
const PAGE: &str = include_str!("../../deploy/backup-and-restore.md");

/// The shell commands below a heading, in order, without their indentation.
fn commands(heading: &str) -> Vec<String> {
    let (_, below) = PAGE.split_once(&format!("\n## {heading}\n")).unwrap();
    let section = below.split("\n## ").next().unwrap();
    let mut blocks: Vec<String> = Vec::new();
    let mut inside = false;
    for line in section.lines().map(str::trim_start) {
        match (inside, line) {
            (false, "```sh") => blocks.push(String::new()),
            (true, "```") => {}
            (true, command) => {
                blocks.last_mut().unwrap().push_str(&format!("{command}\n"));
                continue;
            }
            (false, _) => continue,
        }
        inside = !inside;
    }
    assert!(!blocks.is_empty(), "no commands below {heading}");
    blocks
}

/// Runs commands of the page for a data folder, with the names it uses.
fn run_commands(data_dir: &Path, backup: &Path, commands: &str) {
    let names = r#"
set -eu
BIN=${COTYL_POSTGRESQL_BINARIES:-$(ls -d /usr/lib/postgresql/*/bin | sort -V | tail -n 1)}
SOCKET=$(sed -n "s/^unix_socket_directories = '\(.*\)'.*/\1/p" "$DATA/postgresql.conf")
mkdir -p -m 0700 "$BACKUP"
"#;
    // somebody other than root is the owner of the data, and needs no change of user
    let as_owner = r#"setpriv --reuid="$OWNER" --regid="$OWNER" --init-groups "#;
    let root = Command::new("id").arg("-u").output().unwrap().stdout == b"0\n";
    let commands = if root {
        commands.to_owned()
    } else {
        commands.replace(as_owner, "")
    };
    let done = Command::new("bash")
        .args(["-c", &format!("{names}{commands}")])
        .env("DATA", data_dir.join("postgresql"))
        .env("BACKUP", backup)
        .output()
        .unwrap();
    assert!(
        done.status.success(),
        "{commands}\n{}{}",
        String::from_utf8_lossy(&done.stdout),
        String::from_utf8_lossy(&done.stderr)
    );
}

async fn sites(server: &Serving) -> Value {
    server.get("/sites").await.unwrap().1["items"].clone()
}

/// Starts Cotyl on a data folder, looks at its sites, and stops it.
async fn sites_kept_in(data_dir: &Path) -> Value {
    let mut server = Serving::start(data_dir).await;
    server.sign_in(ADA).await;
    let found = sites(&server).await;
    server.signal("TERM");
    assert!(server.wait());
    found
}

#[actix_web::test]
async fn both_backups_bring_everything_back() {
    let folder = Folder::new("backup");
    let (data_dir, backup) = (folder.0.join("data"), folder.0.join("kept apart"));
    std::fs::create_dir(&data_dir).unwrap();
    found(&data_dir, "Green Jars", ADA);
    let mut server = Serving::start(&data_dir).await;
    server.sign_in(ADA).await;
    let (status, north) = server.post("/sites", site_input("North")).await.unwrap();
    assert_eq!(status, 201, "{north}");
    for heading in ["A dump, each night", "A copy of the whole server"] {
        run_commands(&data_dir, &backup, &commands(heading).concat());
    }
    let (status, south) = server.post("/sites", site_input("South")).await.unwrap();
    assert_eq!(status, 201, "{south}");
    assert_eq!(sites(&server).await, json!([north, south]));
    server.signal("TERM");
    assert!(server.wait());

    run_commands(&data_dir, &backup, &commands("Restore the copy").concat());
    assert_eq!(sites_kept_in(&data_dir).await, json!([north]));

    // as on a new machine
    std::fs::rename(
        data_dir.join("postgresql/cluster"),
        data_dir.join("postgresql/cluster.copied"),
    )
    .unwrap();
    let (done, _, said) = run(&["migrate", "--data-dir", data_dir.to_str().unwrap()], "");
    assert!(done, "{said}");
    run_commands(&data_dir, &backup, &commands("Restore the dump").concat());
    assert_eq!(sites_kept_in(&data_dir).await, json!([north]));
}
