//! Development commands: setup, check, demo, test.
fn main() {}
