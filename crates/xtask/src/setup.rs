//! Installing what the project needs; nothing is fetched when it is already there.

use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::run;

/// Oldest major version of PostgreSQL that will do.
const OLDEST_POSTGRESQL: u32 = 15;

/// PostgreSQL, and Python with the packages of the outside checks.
pub fn everything() -> Result<(), String> {
    install(&missing_packages(&[postgresql_present, python_present]))?;
    python_environment()
}

/// PostgreSQL alone, which is all that running needs.
pub fn postgresql() -> Result<(), String> {
    install(&missing_packages(&[postgresql_present]))
}

/// A Debian package, and whether what is needed of it is there.
type Need = fn() -> (&'static str, bool);

fn missing_packages(needs: &[Need]) -> Vec<&'static str> {
    needs
        .iter()
        .map(|need| need())
        .filter(|(_, present)| !present)
        .map(|(package, _)| package)
        .collect()
}

fn postgresql_present() -> (&'static str, bool) {
    let named =
        std::env::var_os("COTYL_POSTGRESQL_BINARIES").is_some_and(|folder| !folder.is_empty());
    (
        "postgresql",
        named || server_below(Path::new("/usr/lib/postgresql")),
    )
}

/// Whether a folder such as Debian's holds a server that is new enough.
fn server_below(folder: &Path) -> bool {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return false;
    };
    entries.flatten().any(|entry| {
        let major = entry
            .file_name()
            .to_str()
            .and_then(|name| name.parse::<u32>().ok());
        major.is_some_and(|major| major >= OLDEST_POSTGRESQL)
            && ["initdb", "postgres"]
                .iter()
                .all(|program| entry.path().join("bin").join(program).is_file())
    })
}

fn python_present() -> (&'static str, bool) {
    // Debian's bare python3 has `venv` without `ensurepip`, which is no use.
    (
        "python3-venv",
        run::succeeds(run::program("python3").args(["-c", "import venv, ensurepip"])),
    )
}

/// Installs Debian packages, as root or through sudo.
fn install(packages: &[&str]) -> Result<(), String> {
    if packages.is_empty() {
        return Ok(());
    }
    let names = packages.join(" ");
    let by_hand =
        format!("please install it yourself: apt-get install --no-install-recommends {names}");
    if !run::succeeds(run::program("apt-get").arg("--version")) {
        return Err(format!(
            "missing: {names}; this is no Debian system, so {by_hand}"
        ));
    }
    let prefix: &[&str] = if is_root() {
        &[]
    } else if run::succeeds(run::program("sudo").args(["-n", "true"])) {
        &["sudo", "-n"]
    } else if std::io::stdin().is_terminal() && run::succeeds(run::program("sudo").arg("--version"))
    {
        &["sudo"]
    } else {
        return Err(format!(
            "missing: {names}; neither root nor able to use sudo, so {by_hand}"
        ));
    };
    if packages.contains(&"postgresql") {
        // The package would otherwise make and start a server of its own, which nobody needs here.
        let script = "conf=/etc/postgresql-common/createcluster.conf; mkdir -p /etc/postgresql-common; \
            [ -e $conf ] || echo 'create_main_cluster = false' > $conf";
        run::shown(privileged(prefix, "sh").args(["-c", script]))?;
    }
    run::shown(privileged(prefix, "apt-get").arg("update"))?;
    let mut command = privileged(prefix, "env");
    command
        .args([
            "DEBIAN_FRONTEND=noninteractive",
            "apt-get",
            "install",
            "--yes",
            "--no-install-recommends",
        ])
        .args(["--option", "Dpkg::Options::=--force-confold"])
        .args(packages);
    run::shown(&mut command)
}

fn privileged(prefix: &[&str], name: &str) -> Command {
    match prefix.split_first() {
        None => run::program(name),
        Some((first, rest)) => {
            let mut command = run::program(first);
            command.args(rest).arg(name);
            command
        }
    }
}

fn is_root() -> bool {
    run::output(run::program("id").arg("-u")).is_ok_and(|id| id.trim() == "0")
}

/// Makes the Python environment of the outside checks, unless it already fits.
fn python_environment() -> Result<(), String> {
    let requirements = run::root().join("crates/xtask/check-requirements.txt");
    let wanted = std::fs::read_to_string(&requirements)
        .map_err(|error| format!("could not read {}: {error}", requirements.display()))?;
    let version = run::output(run::program("python3").arg("--version"))?;
    let folder = environment();
    let python = folder.join("bin/python");
    let stamp_file = folder.join("cotyl-stamp");
    let stamp = format!("{version}{}\n{wanted}", folder.display());
    if std::fs::read_to_string(&stamp_file).is_ok_and(|found| found == stamp) && python.exists() {
        return Ok(());
    }
    run::shown(
        run::program("python3")
            .args(["-m", "venv", "--clear"])
            .arg(&folder),
    )?;
    run::shown(
        run::program(&python)
            .args([
                "-m",
                "pip",
                "install",
                "--quiet",
                "--disable-pip-version-check",
                "--requirement",
            ])
            .arg(&requirements),
    )?;
    std::fs::write(&stamp_file, stamp)
        .map_err(|error| format!("could not write {}: {error}", stamp_file.display()))
}

/// Folder of the Python environment of the outside checks.
fn environment() -> PathBuf {
    run::root().join("target/check-venv")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_server_is_found_only_when_new_enough_and_complete() {
        let folder = std::env::temp_dir().join(format!("cotyl-xtask-{}", std::process::id()));
        let put = |path: &str| {
            let path = folder.join(path);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, "").unwrap();
        };
        assert!(!server_below(&folder));
        put("14/bin/initdb");
        put("14/bin/postgres");
        put("16/bin/psql");
        assert!(!server_below(&folder));
        put("16/bin/initdb");
        put("16/bin/postgres");
        assert!(server_below(&folder));
        std::fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn only_what_is_missing_is_installed() {
        assert_eq!(
            missing_packages(&[|| ("one", true), || ("two", false)]),
            ["two"]
        );
    }
}
