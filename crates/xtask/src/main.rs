//! Development commands: `cargo xtask setup | demo | test | check`.
//!
//! Standard library only, so that it builds in a second before anything else is there.

mod architecture;
mod check;
mod run;
mod setup;
mod source;

use std::process::ExitCode;

const USAGE: &str = "\
usage: cargo xtask <command>
  setup          install what is missing: PostgreSQL, and Python for the outside checks
  demo [args]    build Cotyl and run it with made-up data; arguments go to `cotyl demo`
  test           everything a change must pass: format, lints, tests, checks
  check          the rules on dependencies, sizes, migrations, the API document and the README";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (command, rest) = match arguments.split_first() {
        Some((command, rest)) => (command.as_str(), rest),
        None => ("", &[][..]),
    };
    let result = match (command, rest) {
        ("setup", []) => setup::everything(),
        ("demo", arguments) => demo(arguments),
        ("test", []) => test(),
        ("check", []) => check::everything(),
        _ => Err(USAGE.to_owned()),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(problem) => {
            eprintln!("{problem}");
            ExitCode::FAILURE
        }
    }
}

/// Builds the server and becomes it, so that signals and the terminal are its own.
fn demo(arguments: &[String]) -> Result<(), String> {
    use std::os::unix::process::CommandExt as _;
    setup::postgresql()?;
    run::shown(run::cargo().args(["build", "--release", "--package", "cotyl-server"]))?;
    let program = run::target().join("release").join("cotyl");
    let error = run::program(&program).arg("demo").args(arguments).exec();
    Err(format!("could not run {}: {error}", program.display()))
}

fn test() -> Result<(), String> {
    setup::everything()?;
    run::shown(run::cargo().args(["fmt", "--all", "--check"]))?;
    run::shown(run::cargo().args([
        "clippy",
        "--workspace",
        "--all-targets",
        "--",
        "-D",
        "warnings",
    ]))?;
    run::shown(run::cargo().args(["test", "--workspace"]))?;
    check::everything()
}
