//! Runs a Python script of the outside checks on a file of JSON.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// What a script beside the tests writes for an input, with further arguments.
pub fn python(script: &str, input: &Value, arguments: &[&str]) -> Value {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = std::env::var_os("COTYL_CHECK_PYTHON").map_or_else(
        || here.join("../../target/check-venv/bin/python"),
        PathBuf::from,
    );
    assert!(python.exists(), "run cargo xtask setup");
    let name = format!(
        "cotyl-{script}-{}-{}.json",
        std::process::id(),
        arguments.join("-").replace(' ', "-")
    );
    let file = std::env::temp_dir().join(name);
    std::fs::write(&file, serde_json::to_string(input).unwrap()).unwrap();
    let output = Command::new(python)
        .arg(here.join("tests").join(script))
        .arg(&file)
        .args(arguments)
        .output()
        .unwrap();
    std::fs::remove_file(&file).unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}
