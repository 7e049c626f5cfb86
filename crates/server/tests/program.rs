//! The program as its operator meets it. That this test exists also has `cargo test` build the
//! program, which the end-to-end tests of the workspace start.

use std::process::Command;

#[test]
fn help_names_every_command_and_setting() {
    let output = Command::new(env!("CARGO_BIN_EXE_cotyl"))
        .arg("--help")
        .output()
        .expect("the program runs");
    let help = String::from_utf8_lossy(&output.stdout);
    for word in [
        "serve",
        "work",
        "migrate",
        "found",
        "demo",
        "plan",
        "openapi",
        "--listen",
        "--database-url",
        "--data-dir",
        "--pool-size",
        "--worker-threads",
        "--solver-threads",
        "--log",
        "--log-form",
        "--settings",
        "COTYL_LISTEN",
    ] {
        assert!(help.contains(word), "{word} is missing:\n{help}");
    }
}
