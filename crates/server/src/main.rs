//! The binary cotyl: settings, wiring and subcommands.
fn main() {}
