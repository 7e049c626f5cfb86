//! The engine against an independent solver: every tiny problem as a mixed-integer programme, written
//! from the format alone in `independent_solver.py` and solved by HiGHS through scipy.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use cotyl_planner::testing::{brute_force, tiny_instance};

#[test]
fn agrees_with_the_independent_solver() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = std::env::var_os("COTYL_CHECK_PYTHON").map_or_else(
        || here.join("../../target/check-venv/bin/python"),
        PathBuf::from,
    );
    assert!(python.exists(), "run cargo xtask setup");
    let folder = std::env::temp_dir().join(format!("cotyl-planner-check-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let mut expected = BTreeMap::new();
    for seed in 0..200 {
        let problem = tiny_instance(seed);
        std::fs::write(
            folder.join(format!("{}.json", problem.name)),
            serde_json::to_string(&problem).unwrap(),
        )
        .unwrap();
        // the engine equals the enumeration on the same problems, see enumeration.rs
        expected.insert(problem.name.clone(), brute_force(&problem));
    }
    let output = Command::new(python)
        .arg(here.join("tests/independent_solver.py"))
        .arg(&folder)
        .output()
        .unwrap();
    std::fs::remove_dir_all(&folder).unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let found: BTreeMap<String, i64> = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(found, expected);
}
