//! Rules that are executed, not remembered.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use crate::{architecture, run};

/// Runs every check and reports all that is wrong.
pub fn everything() -> Result<(), String> {
    type Check = fn() -> Result<Vec<String>, String>;
    let checks: [(&str, Check); 5] = [
        ("pure cores", architecture::cores),
        ("sizes", architecture::sizes),
        ("migrations", migrations),
        ("API document", api_document),
        ("README", readme),
    ];
    let mut failed = 0;
    for (name, check) in checks {
        let problems = check().unwrap_or_else(|problem| vec![problem]);
        println!(
            "check {name}: {}",
            if problems.is_empty() { "good" } else { "BAD" }
        );
        failed += usize::from(!problems.is_empty());
        for problem in problems {
            println!("  {problem}");
        }
    }
    if failed == 0 {
        Ok(())
    } else {
        Err(format!("{failed} of {} checks failed", checks.len()))
    }
}

/// Every migration can be taken back.
fn migrations() -> Result<Vec<String>, String> {
    let folders = ["migrations", "crates/store/migrations"].map(|folder| run::root().join(folder));
    let Some(folder) = folders.iter().find(|folder| folder.is_dir()) else {
        return Err("there is no folder of migrations".to_owned());
    };
    let entries = std::fs::read_dir(folder)
        .map_err(|error| format!("could not read {}: {error}", folder.display()))?;
    let names = entries
        .flatten()
        .filter_map(|entry| entry.file_name().into_string().ok())
        .collect();
    Ok(unpaired(&names))
}

/// What is wrong with the names of a folder's migrations, `<number>_<name>.up.sql` and `.down.sql`.
fn unpaired(names: &BTreeSet<String>) -> Vec<String> {
    let mut problems = Vec::new();
    let mut migrations = 0;
    for name in names.iter().filter(|name| name.ends_with(".sql")) {
        migrations += 1;
        let partner = match (name.strip_suffix(".up.sql"), name.strip_suffix(".down.sql")) {
            (Some(stem), _) => format!("{stem}.down.sql"),
            (_, Some(stem)) => format!("{stem}.up.sql"),
            _ => {
                problems.push(format!("{name} is neither `.up.sql` nor `.down.sql`"));
                continue;
            }
        };
        if !names.contains(&partner) {
            problems.push(format!("{name} has no {partner}"));
        }
    }
    if migrations == 0 {
        problems.push("there are no migrations".to_owned());
    }
    problems
}

/// The reviewed API document is what the program says of itself.
fn api_document() -> Result<Vec<String>, String> {
    let file = run::root().join("openapi/v1.json");
    let reviewed = read(&file)?;
    // the program that the tests run: alone it would be built with other features of its libraries, from nothing
    let build = ["test", "--quiet", "--workspace", "--no-run"];
    run::output(run::cargo().args(build))?;
    let program = run::target().join("debug").join("cotyl");
    let present = run::output(run::program(&program).arg("openapi"))?;
    Ok(drift(reviewed.trim_end(), present.trim_end())
        .into_iter()
        .collect())
}

/// The first line in which two texts differ.
fn drift(reviewed: &str, present: &str) -> Option<String> {
    if reviewed == present {
        return None;
    }
    let (mut old, mut new) = (reviewed.lines(), present.lines());
    let mut line = 0;
    loop {
        line += 1;
        let (old, new) = (old.next(), new.next());
        if old != new || old.is_none() {
            let text = |line: Option<&str>| {
                line.map_or_else(
                    || "(the end)".to_owned(),
                    |line| format!("`{}`", line.trim()),
                )
            };
            return Some(format!(
                "openapi/v1.json differs from `cotyl openapi` from line {line}: {} became {}; \
                 review it and write the output there",
                text(old),
                text(new)
            ));
        }
    }
}

/// The README begins with the two commands that matter.
fn readme() -> Result<Vec<String>, String> {
    let blocks = blocks_before_first_section(&read(&run::root().join("README.md"))?);
    Ok(match blocks {
        2 => Vec::new(),
        blocks => vec![format!(
            "README.md has {blocks} blocks of commands before its first section, not 2"
        )],
    })
}

fn blocks_before_first_section(text: &str) -> usize {
    let mut fences = 0;
    for line in text.lines() {
        if line.starts_with("```") {
            fences += 1;
        } else if fences % 2 == 0 && line.starts_with("## ") {
            break;
        }
    }
    fences / 2
}

fn read(file: &Path) -> Result<String, String> {
    let shown: PathBuf = file.strip_prefix(run::root()).unwrap_or(file).to_owned();
    std::fs::read_to_string(file)
        .map_err(|error| format!("could not read {}: {error}", shown.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(list: &[&str]) -> BTreeSet<String> {
        list.iter().map(|name| (*name).to_owned()).collect()
    }

    #[test]
    fn migrations_come_in_pairs() {
        assert!(
            unpaired(&names(&[
                "0001_people.up.sql",
                "0001_people.down.sql",
                "README.md"
            ]))
            .is_empty()
        );
        assert_eq!(
            unpaired(&names(&["0001_people.up.sql"])),
            ["0001_people.up.sql has no 0001_people.down.sql"]
        );
        assert_eq!(
            unpaired(&names(&["0001_people.down.sql"])),
            ["0001_people.down.sql has no 0001_people.up.sql"]
        );
        assert_eq!(unpaired(&names(&["1.sql"])).len(), 1);
        assert_eq!(
            unpaired(&names(&["README.md"])),
            ["there are no migrations"]
        );
    }

    #[test]
    fn drift_names_the_first_line_that_differs() {
        assert_eq!(drift("a\nb", "a\nb"), None);
        assert!(
            drift("a\nb\nc", "a\nx\nc")
                .is_some_and(|text| text.contains("line 2") && text.contains("`b` became `x`"))
        );
        assert!(drift("a", "a\nb").is_some_and(|text| text.contains("(the end) became `b`")));
    }

    #[test]
    fn blocks_are_counted_up_to_the_first_section() {
        let two = "# Name\n```sh\n## not a section\none\n```\ntext\n```sh\ntwo\n```\n## Section\n```sh\nthree\n```\n";
        assert_eq!(blocks_before_first_section(two), 2);
        assert_eq!(
            blocks_before_first_section("# Name\n## Section\n```\n```\n"),
            0
        );
    }
}
