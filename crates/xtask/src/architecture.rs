//! The rules on what a pure core may depend on, and on the size of files and functions.

use std::path::{Path, PathBuf};

use crate::run;
use crate::source::{self, Function};

/// Crates that decide and nothing else: no clock, no network, no database.
const CORES: [&str; 8] = [
    "domain", "calendar", "growth", "planner", "rota", "solution", "stock", "work",
];

/// Packages a core may not pull in, by the beginning of their names.
const BANNED: [&str; 6] = ["tokio", "actix", "sqlx", "reqwest", "hyper", "diesel"];

/// What reads the clock.
const CLOCK_WORDS: [&str; 4] = ["SystemTime", "Instant", "Utc::now", "Local::now"];

const FILE_LINES: usize = 600;
const FUNCTION_LINES: usize = 70;

/// What pulls a banned package into a core, or reads the clock in one.
pub fn cores() -> Result<Vec<String>, String> {
    let mut problems = Vec::new();
    for core in CORES {
        let package = format!("cotyl-{core}");
        let tree = run::output(run::cargo().args([
            "tree",
            "--package",
            &package,
            "--edges",
            "normal",
            "--prefix",
            "none",
        ]))?;
        problems.extend(
            banned_in(&tree)
                .into_iter()
                .map(|name| format!("{package} depends on {name}")),
        );
        for file in rust_files(&run::root().join("crates").join(core).join("src"))? {
            if is_test_file(&file) {
                continue;
            }
            let (code, _) = source::without_tests(&source::code_only(&read(&file)?));
            for word in CLOCK_WORDS
                .iter()
                .filter(|word| source::has_word(&code, word))
            {
                problems.push(format!(
                    "{}: a pure core reads no clock, but names {word}",
                    shown(&file)
                ));
            }
        }
    }
    Ok(problems)
}

/// The banned packages in what `cargo tree --prefix none` prints.
fn banned_in(tree: &str) -> Vec<&str> {
    let mut found: Vec<&str> = tree
        .lines()
        .filter_map(|line| line.split_whitespace().next())
        .filter(|name| {
            BANNED.iter().any(|ban| {
                name.strip_prefix(ban)
                    .is_some_and(|rest| rest.is_empty() || rest.starts_with('-'))
            })
        })
        .collect();
    found.sort_unstable();
    found.dedup();
    found
}

/// Files and functions that are too long. The number of long functions may only fall: it is kept in
/// `crates/xtask/ratchet.txt`.
pub fn sizes() -> Result<Vec<String>, String> {
    let mut problems = Vec::new();
    let mut long: Vec<(PathBuf, Function)> = Vec::new();
    for file in rust_files(&run::root().join("crates"))? {
        if is_test_file(&file) {
            continue;
        }
        let text = read(&file)?;
        let (code, test_lines) = source::without_tests(&source::code_only(&text));
        let lines = text.lines().count().saturating_sub(test_lines);
        if lines > FILE_LINES {
            problems.push(format!(
                "{}: {lines} lines without tests; {FILE_LINES} is the most",
                shown(&file)
            ));
        }
        let functions = source::long_functions(&code, FUNCTION_LINES);
        long.extend(
            functions
                .into_iter()
                .map(|function| (file.clone(), function)),
        );
    }
    problems.extend(against_ratchet(&long)?);
    Ok(problems)
}

fn against_ratchet(long: &[(PathBuf, Function)]) -> Result<Vec<String>, String> {
    let file = run::root().join("crates/xtask/ratchet.txt");
    let text = read(&file)?;
    let number = text
        .lines()
        .find(|line| !line.starts_with('#'))
        .unwrap_or_default();
    let allowed: usize = number
        .trim()
        .parse()
        .map_err(|_| format!("{}: {number:?} is no number", shown(&file)))?;
    if long.len() < allowed {
        println!(
            "note: only {} functions are too long now; lower {}",
            long.len(),
            shown(&file)
        );
    }
    if long.len() <= allowed {
        return Ok(Vec::new());
    }
    let list = long.iter().map(|(file, function)| {
        format!(
            "{}:{}: `{}` has {} lines",
            shown(file),
            function.line,
            function.name,
            function.length
        )
    });
    let verdict = format!(
        "{} functions have over {FUNCTION_LINES} lines; {allowed} are allowed:",
        long.len()
    );
    Ok(std::iter::once(verdict).chain(list).collect())
}

/// All Rust files below a folder, in order of name.
fn rust_files(folder: &Path) -> Result<Vec<PathBuf>, String> {
    let entries = std::fs::read_dir(folder)
        .map_err(|error| format!("could not read {}: {error}", shown(folder)))?;
    let mut files = Vec::new();
    for path in entries.flatten().map(|entry| entry.path()) {
        if path.is_dir() {
            files.extend(rust_files(&path)?);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

/// Whether a file holds tests or benchmarks alone: `tests.rs`, or anything below such a folder.
fn is_test_file(file: &Path) -> bool {
    let inside = file.strip_prefix(run::root()).unwrap_or(file);
    file.file_stem().is_some_and(|stem| stem == "tests")
        || inside
            .components()
            .any(|part| part.as_os_str() == "tests" || part.as_os_str() == "benches")
}

fn read(file: &Path) -> Result<String, String> {
    std::fs::read_to_string(file)
        .map_err(|error| format!("could not read {}: {error}", shown(file)))
}

fn shown(file: &Path) -> String {
    file.strip_prefix(run::root())
        .unwrap_or(file)
        .display()
        .to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bans_go_by_whole_names() {
        let tree = "cotyl-domain v0.1.0 (/somewhere)\ntokio v1.0.0\ntokio-util v0.7.0\ntokiox v1.0.0\nactix-web v4.0.0 (*)\ntokio v1.0.0 (*)\n";
        assert_eq!(banned_in(tree), ["actix-web", "tokio", "tokio-util"]);
    }

    #[test]
    fn a_core_really_has_a_tree() {
        let tree = run::output(run::cargo().args([
            "tree",
            "--package",
            "cotyl-store",
            "--edges",
            "normal",
            "--prefix",
            "none",
        ]));
        // The store does depend on banned packages, so an empty answer would show the check is blind.
        assert!(tree.is_ok_and(|tree| banned_in(&tree).contains(&"sqlx")));
    }

    #[test]
    fn test_files_are_told_by_their_names() {
        assert!(is_test_file(
            &run::root().join("crates/store/src/private/tests.rs")
        ));
        assert!(is_test_file(&run::root().join("crates/store/tests/all.rs")));
        assert!(!is_test_file(
            &run::root().join("crates/testkit/src/server.rs")
        ));
    }
}
