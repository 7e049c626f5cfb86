//! Running programs from the root of the checkout.

use std::path::{Path, PathBuf};
use std::process::Command;

/// The root of the checkout.
pub fn root() -> PathBuf {
    // Cargo names the folder when it runs the program, which also holds for a moved checkout.
    let manifest = std::env::var("CARGO_MANIFEST_DIR")
        .unwrap_or_else(|_| env!("CARGO_MANIFEST_DIR").to_owned());
    let manifest = PathBuf::from(manifest);
    manifest
        .ancestors()
        .nth(2)
        .unwrap_or(Path::new("."))
        .to_owned()
}

/// Cargo's folder of build results.
pub fn target() -> PathBuf {
    match std::env::var_os("CARGO_TARGET_DIR") {
        Some(folder) => root().join(folder),
        None => root().join("target"),
    }
}

/// A command that runs in the root of the checkout.
pub fn program(name: impl AsRef<Path>) -> Command {
    let mut command = Command::new(name.as_ref());
    command.current_dir(root());
    // What cargo told this program about itself must not reach the programs it starts: build scripts that look at
    // it would run again, and with them much would be built anew.
    let told = |name: &str| name.starts_with("CARGO_PKG_") || name.starts_with("CARGO_MANIFEST_");
    for (name, _) in std::env::vars_os() {
        if name.to_str().is_some_and(told) {
            command.env_remove(name);
        }
    }
    command
}

/// The cargo that runs this program.
pub fn cargo() -> Command {
    program(std::env::var_os("CARGO").map_or_else(|| PathBuf::from("cargo"), PathBuf::from))
}

/// Says what is run and runs it, with its output on the terminal.
pub fn shown(command: &mut Command) -> Result<(), String> {
    let line = line_of(command);
    eprintln!("> {line}");
    let status = command
        .status()
        .map_err(|error| format!("could not run `{line}`: {error}"))?;
    if status.success() {
        Ok(())
    } else {
        Err(format!("`{line}` failed ({status})"))
    }
}

/// Runs a command and gives what it wrote.
pub fn output(command: &mut Command) -> Result<String, String> {
    let line = line_of(command);
    let output = command
        .output()
        .map_err(|error| format!("could not run `{line}`: {error}"))?;
    if !output.status.success() {
        let why = String::from_utf8_lossy(&output.stderr);
        return Err(format!(
            "`{line}` failed ({}): {}",
            output.status,
            why.trim()
        ));
    }
    String::from_utf8(output.stdout)
        .map_err(|_| format!("`{line}` wrote something that is not UTF-8"))
}

/// Whether a command runs and succeeds, in silence.
pub fn succeeds(command: &mut Command) -> bool {
    command.output().is_ok_and(|output| output.status.success())
}

fn line_of(command: &Command) -> String {
    let program = Path::new(command.get_program())
        .file_name()
        .unwrap_or(command.get_program());
    std::iter::once(program)
        .chain(command.get_args())
        .map(|word| word.to_string_lossy())
        .collect::<Vec<_>>()
        .join(" ")
}
