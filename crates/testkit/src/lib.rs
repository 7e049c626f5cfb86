//! Test support: a schema per test on one private server, a fixed clock, builders.
