//! Finding the PostgreSQL programs that fit the data.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::error::{PrivateError, io};

/// Oldest major version Cotyl runs on.
const OLDEST: u32 = 15;

/// Where Debian's packages put each major version.
const DEBIAN: &str = "/usr/lib/postgresql";

/// A folder with `initdb` and `postgres` in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Binaries {
    pub(super) folder: PathBuf,
    pub(super) major: u32,
}

impl Binaries {
    pub(super) fn program(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }
}

/// The binaries to use for `cluster`: those named, or else the version that made the data, or else
/// the newest installed.
pub(super) fn choose(named: Option<&Path>, cluster: &Path) -> Result<Binaries, PrivateError> {
    let named = named.map(Path::to_owned).or_else(|| {
        std::env::var_os(super::BINARIES_VARIABLE)
            .filter(|v| !v.is_empty())
            .map(PathBuf::from)
    });
    let found = match named {
        Some(folder) => vec![inspect(folder)?],
        None => installed(Path::new(DEBIAN)),
    };
    pick(found, data_version(cluster)?, cluster)
}

/// Picks from `found`, which is in any order.
fn pick(
    mut found: Vec<Binaries>,
    data: Option<u32>,
    cluster: &Path,
) -> Result<Binaries, PrivateError> {
    found.sort_by_key(|binaries| binaries.major);
    let Some(newest) = found.last().cloned() else {
        return Err(PrivateError::BinariesMissing {
            oldest: OLDEST,
            searched: format!("{DEBIAN}/*/bin"),
            variable: super::BINARIES_VARIABLE,
        });
    };
    let Some(data) = data else { return Ok(newest) };
    let available = found
        .iter()
        .map(|b| b.major.to_string())
        .collect::<Vec<_>>()
        .join(", ");
    found
        .into_iter()
        .find(|binaries| binaries.major == data)
        .ok_or_else(|| PrivateError::VersionMismatch {
            cluster: cluster.to_owned(),
            data,
            available,
        })
}

/// The major version that made `cluster`; `None` when there is no cluster yet.
pub(super) fn data_version(cluster: &Path) -> Result<Option<u32>, PrivateError> {
    let path = cluster.join("PG_VERSION");
    match std::fs::read_to_string(&path) {
        Ok(text) => text
            .trim()
            .parse()
            .map(Some)
            .map_err(|_| PrivateError::UnusablePath {
                path,
                problem: "it should hold the major version of PostgreSQL, and does not",
            }),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(io("read", &path)(error)),
    }
}

fn installed(root: &Path) -> Vec<Binaries> {
    let Ok(entries) = std::fs::read_dir(root) else {
        return Vec::new();
    };
    entries
        .flatten()
        .filter_map(|entry| {
            let major: u32 = entry.file_name().to_str()?.parse().ok()?;
            let folder = entry.path().join("bin");
            // A client package alone leaves a folder without the server.
            let complete = folder.join("initdb").is_file() && folder.join("postgres").is_file();
            (major >= OLDEST && complete).then_some(Binaries { folder, major })
        })
        .collect()
}

/// Asks the server program in a folder somebody named for its version.
fn inspect(folder: PathBuf) -> Result<Binaries, PrivateError> {
    let unusable = |problem: String| PrivateError::BinariesUnusable {
        folder: folder.clone(),
        problem,
    };
    if !folder.join("initdb").is_file() {
        return Err(unusable("there is no `initdb` in it".to_owned()));
    }
    let output = Command::new(folder.join("postgres"))
        .arg("--version")
        .output()
        .map_err(|error| unusable(format!("`postgres --version` failed: {error}")))?;
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let major = parse_version(&text)
        .ok_or_else(|| unusable(format!("its version reads {:?}", text.trim())))?;
    if major < OLDEST {
        return Err(unusable(format!(
            "it is version {major}, and {OLDEST} is the oldest that will do"
        )));
    }
    Ok(Binaries { folder, major })
}

/// Reads the major version out of `postgres (PostgreSQL) 15.18 (Debian …)`.
fn parse_version(text: &str) -> Option<u32> {
    let number = text.split_once("(PostgreSQL)")?.1.trim_start();
    let end = number
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(number.len());
    number[..end].parse().ok()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn version(major: u32) -> Binaries {
        Binaries {
            folder: PathBuf::from(format!("bin-{major}")),
            major,
        }
    }

    #[test]
    fn the_version_that_made_the_data_wins_over_the_newest() {
        let cluster = Path::new("cluster");
        let found = || vec![version(17), version(15), version(16)];
        assert_eq!(pick(found(), None, cluster).unwrap().major, 17);
        assert_eq!(pick(found(), Some(15), cluster).unwrap().major, 15);
        let message = pick(found(), Some(14), cluster).unwrap_err().to_string();
        assert!(
            message.contains("postgresql-14") && message.contains("15, 16, 17"),
            "{message}"
        );
    }

    #[test]
    fn missing_binaries_name_the_package() {
        let message = pick(Vec::new(), None, Path::new("cluster"))
            .unwrap_err()
            .to_string();
        assert!(message.contains("apt-get install postgresql"), "{message}");
    }

    #[test]
    fn versions_as_the_server_prints_them() {
        // First form as printed by Debian 12's package; the others after the same program's source.
        for (text, expect) in [
            (
                "postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)\n",
                Some(15),
            ),
            ("postgres (PostgreSQL) 18beta1\n", Some(18)),
            ("postgres (PostgreSQL) \n", None),
            ("postgres 15\n", None),
        ] {
            assert_eq!(parse_version(text), expect, "{text}");
        }
    }

    #[test]
    fn a_named_folder_without_programs_is_refused() {
        let error = inspect(std::env::temp_dir()).unwrap_err();
        assert!(
            matches!(error, PrivateError::BinariesUnusable { .. }),
            "{error}"
        );
    }
}
